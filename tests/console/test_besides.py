"""Late, marks, course and sisters on the pages: what stands where, and what stays blank."""

from __future__ import annotations

import pytest
from pictures import circuit, picture, plan, run, scene

from controller.console import amounts, bath, besides, hall
from controller.console import circuit as page

BESIDE = {
    "percent": 57.2, "should_percent": 90.0, "should_Ah": 150.5, "late_minutes": 51.0, "sisters": 6,
    "course": {"current_A": (12.0, 12.0, 12.0), "volts": (2.75, 2.77, 2.79), "probe_C": (41.0, 42.3, 44.0)},
    "sister": {"current_A": (12.0, 12.0, 12.0), "volts": (2.752, 2.76, 2.771), "probe_C": (41.5, 42.0, 43.5)},
    "marks": {"current_A": -1, "probe_C": 1, "charge_Ah": -1},
}  # fmt: skip


def one(name="A03", **over):
    """A running circuit beside its course."""
    return circuit(name, beside={**BESIDE, **over})


def texts(rows):
    return [row.text for row in rows]


@pytest.mark.parametrize(
    ("late", "shown"), [(51.0, "0:51"), (10.0, ""), (-10.0, ""), (-11.0, "-0:11"), (600.0, "10:00"), (None, "")]
)
def test_late_is_blank_within_ten_minutes(late, shown):
    """Late as h:mm, early with a minus, nothing within ten minutes or where nobody knows."""
    assert besides.late_text(one(late_minutes=late)) == shown
    assert (besides.should_share(one(late_minutes=late)) is None) is (not shown)


def test_an_ended_run_has_no_course_any_more():
    """What the service told last of a run that has ended since is not shown."""
    ended = circuit("A01", "complete", run=run(6, 21.0, end_ms=1), beside=BESIDE)
    assert (besides.late_text(ended), besides.mark(ended, "probe_C"), besides.sister_count(ended)) == ("", " ", 0)
    assert besides.course_cell(ended, "volts") == ""


def test_bath_page_shows_late_marks_and_where_it_should_be():
    """Late stands behind the course line, `|` where the clock is, marks behind the values."""
    line = next(text for text in texts(bath.rows(scene(picture([one()])), 80, 14)) if "A03" in text)
    assert "] 0:51  12.0v2.77  42.1^" in line
    assert line[line.index("[") + 1 :][int(0.9 * 20)] == "|"
    early = texts(bath.rows(scene(picture([one(late_minutes=-30.0)])), 80, 14))
    assert any("]-0:30  12.0v" in text for text in early)
    plain = next(text for text in texts(bath.rows(scene(picture([circuit("A03")])), 80, 14)) if "A03" in text)
    assert "]       12.0 2.77  42.1 " in plain
    assert "|" not in plain


def test_no_mark_behind_a_value_that_is_old():
    """Where an age stands in a value's place there is nothing to compare."""
    old = circuit("A03", age_s=12.0, beside=BESIDE)
    line = next(text for text in texts(bath.rows(scene(picture([old])), 80, 14)) if "A03" in text)
    assert "^" not in line
    assert "?12s " in line
    assert not any("41.5 - 43.5" in text for text in texts(page.rows(scene(picture([old])), 80, 18)))


def test_hall_says_the_percent_of_the_course_and_late():
    """Percent of the course's time in place of the charge's, and late past ten minutes; nothing for early."""
    assert any("A03>57% late 0:51" in text for text in texts(hall.rows(scene(picture([one()])), 80, 12)))
    assert any(
        text.rstrip().endswith("A03>57%") for text in texts(hall.rows(scene(picture([one(late_minutes=-30)])), 80, 12))
    )


def test_circuit_page_has_course_and_sisters_beside_what_is_read():
    """Each in its column before the limit; charge has what the clock says; heads only where there is something."""
    shown = texts(page.rows(scene(picture([one()])), 80, 18))
    assert "                  asked    read   course   sisters (6)       next limit" in shown
    assert "current A          12.0    12.0 v 12.0     12.0 - 12.0       12.0 set" in shown
    assert any(text.startswith("V per cell                2.770   2.770    2.752 - 2.771 ") for text in shown)
    assert any(text.startswith("charge Ah                 144.0 v 150.5") for text in shown)
    assert any("] 0:51 late; ends Tue" in text for text in shown)
    alone = texts(page.rows(scene(picture([one(course={}, should_Ah=None)])), 80, 18))
    assert any("sisters (6)" in text and "course" not in text for text in alone)
    plain = texts(page.rows(scene(picture([circuit("A03")])), 80, 18))
    assert not any("sisters" in text or "course" in text for text in plain)
    narrow = texts(page.rows(scene(picture([one()])), 60, 18))
    assert not any("sisters" in text for text in narrow)


def test_reduced_late_circuit_keeps_its_end():
    """Where late and the end do not fit the row, the end stays, for it says at which share of the current."""
    reduced = circuit("A03", percent=44.0, beside=BESIDE)
    assert any("] ends Tue" in text for text in texts(page.rows(scene(picture([reduced])), 80, 18)))


def test_step_lengths_are_the_course_s():
    """A released plan's line is drawn by the lengths of its course, not by charge over current."""
    steps = [each | {"course_ms": 3_600_000} for each in plan()["steps"]]
    seen = picture([one()], plans={"0123456789ab": plan(steps=steps)})
    assert amounts.expected_ms(seen.plan_of(seen.circuits[0])) == (3_600_000.0,) * 6
