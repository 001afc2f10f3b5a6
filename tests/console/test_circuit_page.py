"""The circuit page: why a circuit does what it does, on 18 rows, with nothing old that looks current."""

from __future__ import annotations

import random
from dataclasses import replace

import pictures
import pytest

from controller import words
from controller.console import circuit as page
from controller.console.row import Row
from controller.console.scene import TrendData
from controller.words import LOOK_ONLY, Say


def scene(one, *, trusted=True, **place):
    seen = pictures.seen(pictures.picture([one]), silent_s=0.2 if trusted else 9.0)
    log = TrendData("f", tuple(10.0 * number for number in range(3960)), (40.0,) * 3960, (31.0,) * 3960)
    return replace(pictures.scene(seen, **place), trend=log)


def rows(one, width=80, height=18, **more):
    return page.rows(scene(one, **more), width, height)


def texts(one, width=80, height=18, **more):
    return [each.text for each in rows(one, width, height, **more)]


def line(lines, start):
    return next(each for each in lines if each.startswith(start))


def hot():
    heat = pictures.alarm("A07", "probe_derate", value=53.5, limit=50.0)
    return pictures.circuit("A07", percent=44, hot_C=53.5, alarms=(heat,), run=pictures.run(4, 36.3), folder="f")


def test_quiet_circuit_fills_eighteen_rows_with_all_its_zones():
    """Headline, what comes, profile, step, table, output, and eight rows of trend."""
    lines = texts(pictures.circuit("A01", folder="f"))
    assert len(lines) == 18
    assert lines[0] == "RUNNING  A01 second charge, step 4 of 6."
    assert lines[2].startswith("[12================34=========>       56         ] ends ")
    assert lines[3] == "step 4 of 6, second charge: 46.5 of 84.0 Ah; limit 2.85 V/cell"
    assert lines[4].split() == ["asked", "read", "next", "limit"]
    assert [each.split()[0] for each in lines[5:9]] == ["current", "V", "hot", "charge"]
    assert lines[9] == "output on, read back 0 s ago. rectifier counts 144.2 Ah. batch K3107, 18 x 12 V"
    assert lines[10].startswith("hot C  * read")
    assert lines[11].startswith("   55 |")
    assert lines[17].startswith("      |")


def test_course_line_has_every_step_and_where_it_is():
    """Numbers stand where their steps begin, `>` where the run is; the line is 48 columns wide."""
    course = texts(pictures.circuit("A01"))[2]
    inside = course[1 : course.index("]")]
    assert len(inside) == 48
    assert [each for each in inside if each.isdigit()] == list("123456")
    assert inside.index("4") < inside.index(">") < inside.index("5")
    done = texts(pictures.circuit("A01", "complete"))[2]
    assert ">" not in done


def test_reduced_circuit_says_percent_reason_value_limit_since_and_end():
    """The headline of a derate, its alarm below it, and the end that follows from it."""
    lines = texts(hot())
    assert lines[0].startswith("RUNNING at 44 %, reduced since ")
    assert lines[0].endswith(": 53.5 C above 50.0 (hold 55.0, trip 60.0)")
    assert "LIVE, LOOK ONLY" in lines[1]
    assert "if 44 % stays" in line(lines, "[")
    assert line(lines, "current A").split() == ["current", "A", "5.3", "5.3", "12.0", "set"]


def test_reason_other_than_heat_is_named_too():
    """Water, or a law without an alarm of its own."""
    water = pictures.alarm("A07", "water_derate", value=46.0, limit=45.0)
    one = pictures.circuit("A07", percent=60.9, allowed_code="water_derate", alarms=(water,))
    assert texts(one)[0].startswith("RUNNING at 60 %, reduced since ")
    assert "bath water 46.0 C, above 45.0" in texts(one)[0]
    bare = pictures.circuit("A07", percent=60.9, allowed_code="step_slow")
    assert texts(bare)[0] == "RUNNING at 60 %, reduced: step slow"
    share = pictures.circuit("A07", percent=60.9, allowed_code="power")
    assert texts(share)[0] == "RUNNING at 60 %, reduced: its share of the bath's power"


def test_blocked_circuit_says_so_before_all():
    """The name, since when, and that it is no isolation; the word alone carries the style."""
    first, second = rows(pictures.circuit("A12", "tripped", blocked="night1"))[:2]
    assert first.text.startswith("BLOCKED by night1 since ")
    assert first.text.endswith(". NOT ISOLATION: padlock, prove dead, meter")
    assert first.spans == ((0, 7, "waits"),)
    assert second.text.startswith("#2 ")
    assert texts(pictures.circuit("A12", blocked="night1"), trusted=False)[0].startswith("BLOCKED by night1")


def test_stale_value_shows_its_age_and_beside_it_the_last_one():
    """An old number never stands in a value's place."""
    lines = texts(pictures.unconfirmed("A09"))
    assert lines[0].startswith("A09 HELD? since ")
    volts = line(lines, "V per cell")
    assert volts[:33].split() == ["V", "per", "cell", "?12s"]
    assert volts[33:].startswith("last 2.130 at ")
    (span,) = next(each for each in rows(pictures.unconfirmed("A09")) if each.text.startswith("V per cell")).spans
    assert volts[span[0] : span[1]] == "?12s"
    assert "output NOT read back. link down." in line(lines, "output")


def test_silent_service_leaves_no_number_current():
    """Every value of its bath shows an age; end and amounts of the step are not told."""
    lines = texts(pictures.circuit("A01", folder="f"), trusted=False)
    assert lines[0].startswith("RUNNING?  NOT current: as of ")
    for start in ("current A", "V per cell", "hot C", "charge Ah"):
        assert line(lines, start)[:31].split()[-1] == "?9s", start
    assert line(lines, "[").endswith("]")
    assert line(lines, "step 4") == "step 4 of 6, second charge"
    assert "NOT read back" in line(lines, "output")


@pytest.mark.parametrize(
    ("hot_C", "limit"), [(49.9, "50.0 reduced"), (50.0, "55.0 hold"), (55.0, "60.0 trip"), (61.0, "60.0 trip")]
)
def test_next_limit_of_the_probe_is_the_one_above_it(hot_C, limit):
    """The level that comes next, with what then happens."""
    assert line(texts(pictures.circuit("A01", hot_C=hot_C)), "hot C").endswith(limit)


def test_next_limits_of_volts_charge_and_current():
    """The step's volts, then the profile's trip; the cap with what interruptions added; the restart's current."""
    at_limit = pictures.circuit("A01", voltage_V=pictures.reading(2.86 * 108), run=pictures.run(owed_Ah=1.5))
    assert line(texts(pictures.circuit("A01")), "V per cell").endswith("2.85 step limit")
    assert line(texts(at_limit), "V per cell").endswith("2.95 trip")
    assert line(texts(at_limit), "charge Ah").endswith("214.1 hold")
    restart = pictures.circuit("A01", run=pictures.run(restart_left_ms=60_000))
    assert line(texts(restart), "current A").endswith("3.0 restart")


def test_probe_is_named_where_there_are_several():
    """The hot battery is found by its probe."""
    one = pictures.circuit("A01", probes_C=[pictures.reading(41.0), pictures.reading(43.5), pictures.reading(None)])
    assert line(texts(one), "hot C").split()[:5] == ["hot", "C,", "probe", "2", "43.5"]
    bare = pictures.circuit("A01", probes_C=[])
    assert line(texts(bare), "bath C").split() == ["bath", "C", "31.2"]


@pytest.mark.parametrize(
    ("run", "said"),
    [
        (pictures.run(3), "step 3 of 6, pause: 0:10 of 0:30 h"),
        (pictures.run(1, 0.5), "step 1 of 6, wetting: 0:10 of 0:30 h; limit 2.85 V/cell"),
        (pictures.run(2, 20.0, step_end_Ah=96.7), "step 2 of 6, first charge: 20.0 of 96.7 Ah; limit 2.85 V/cell"),
    ],
)
def test_step_line_says_what_ends_the_step(run, said):
    """By time, by charge, with what an interruption added."""
    assert texts(pictures.circuit("A01", run=run))[3] == said


def test_step_that_ends_by_a_person_or_by_its_readings():
    """A task waits for a word; a step without time and charge ends by what is read."""
    plan = pictures.plan()
    plan["steps"][3] |= {"charge_Ah": None, "order": True}
    waits = pictures.circuit("A01", run=pictures.run(step_end_Ah=None))

    def told():
        one = pictures.picture([waits], plans={pictures.PLAN: plan})
        return line([row.text for row in page.rows(pictures.scene(one), 80, 18)], "step 4")

    assert "ends by a person's word" in told()
    plan["steps"][3] |= {"order": False}
    assert "3:52 h, 46.5 Ah; ends by its readings" in told()


def test_idle_circuit_tells_what_is_loaded_and_what_is_missing():
    """Instead of a trend: when it was filled, and each check of a start that does not hold."""
    checks = [("purged", ""), ("hood", "hood open"), ("air", "bath not purged, 4.2 min left")]
    lines = texts(pictures.circuit("A04", "idle", start_checks=checks))
    assert lines[3] == "starter 60 Ah, one-shot, 18 h, revision 3: 6 steps, 202.5 Ah"
    assert lines[-4:] == [
        "first filled 1:10 ago, last 0:39 ago", "2 things are missing before a start:", "NO  hood open",
        "NO  bath not purged, 4.2 min left",
    ]  # fmt: skip
    ready = texts(pictures.circuit("A04", "idle", start_checks=[("purged", "")]))
    assert ready[-1] == "nothing is missing; it waits for a person: o, then start"
    old = texts(pictures.circuit("A04", "idle", start_checks=[("purged", "")]), trusted=False)
    assert "nothing is missing" not in " ".join(old)


def test_free_circuit_says_that_nothing_stands_in_it():
    """No load, no run: free."""
    lines = texts(pictures.idle("A05"))
    assert lines[0] == "IDLE  A05 free."
    assert lines[-1].startswith("free: ")
    assert line(lines, "string V").split() == ["string", "V", "230.0"]


@pytest.mark.parametrize("code", sorted(words.ALARMS))
def test_no_alarm_s_caution_is_cut(code):
    """Beside the cause stands what to do only where it is whole; hands are never named without all before them."""
    one = pictures.circuit("A07", folder="f", alarms=(pictures.alarm("A07", code, value=1.0, limit=1.0),))
    lines = texts(one)
    alarm = " ".join(" ".join(lines[1 : lines.index(line(lines, "["))]).split())
    told = words.ALARMS[code]
    assert alarm.startswith("*2 ")
    assert not (told.hands and "hands" in alarm)
    assert alarm.endswith("~") is False
    if told.do == LOOK_ONLY and LOOK_ONLY[:15] in alarm:
        assert alarm.endswith(LOOK_ONLY)
    tall = " ".join(" ".join(each.split()) for each in texts(one, height=34))
    assert " ".join(told.do.split()) in tall
    assert " ".join(told.did.split()) in tall


def test_alarm_that_sends_hands_says_what_was_done():
    """Where there is no room for its caution, the page tells the reaction and leaves the hands to the alarms page."""
    one = pictures.circuit("A07", alarms=(pictures.alarm("A07", "probe_lost_long", value=None, limit=None),))
    assert texts(one)[1].endswith("no valid probe for too long. did: held")


def test_other_alarms_of_the_circuit_are_counted():
    """One line shows the first; that there are more is not hidden."""
    many = tuple(pictures.alarm("A07", code) for code in ("probe_derate", "step_slow", "current_warn"))
    assert "(+2 alarms, key a)" in texts(pictures.circuit("A07", alarms=many))[1]


def test_stuck_output_is_told():
    """A rectifier that ignores its off is named as such."""
    assert line(texts(pictures.circuit("A07", "tripped", output="stuck")), "output").startswith(
        "output does NOT obey its off. output off, read back 0 s ago."
    )


def test_nothing_selected_or_no_answer_yet():
    """One sentence, no guess."""
    assert [row.text for row in page.rows(pictures.scene(), 80, 18)] == [Say()("circuit.none")]
    silent = pictures.scene(pictures.seen(None), circuit="A01")
    assert page.rows(silent, 80, 18) == [Row(Say()("circuit.none"))]


def test_tall_page_keeps_everything_and_grows_the_chart():
    """On 34 rows: the alarm's own words, amounts of the run, and a chart of the rest."""
    lines = texts(hot(), 120, 34)
    assert len(lines) == 34
    assert "   did: reduced, runs on" in lines
    assert f"   {LOOK_ONLY}" in lines
    assert line(lines, "hottest ") == "hottest 45.0 C, highest 2.780 V/cell; 0.0 Ah added for interruptions"
    assert sum("|" in each[:8] for each in lines) > 12


@pytest.mark.parametrize("one", [*pictures.special(), pictures.cooling("A11")], ids=lambda each: each.name)
def test_longer_words_still_show_cause_and_values(one):
    """With texts two fifths longer the page keeps its 18 rows, its width, its table and the alarm's mark."""
    longer = Say(lambda text: text + "~" * (len(text) * 2 // 5))
    made = replace(scene(one), say=longer)
    found = page.rows(made, 80, 18)
    assert len(found) <= 18
    assert all(len(each.text) <= 80 for each in found)
    lines = [each.text for each in found]
    assert sum(each.startswith(("current A", "charge Ah")) for each in lines) == 2
    if one.alarms:
        assert any(each[1:2].isdigit() and each[0] in "*!~#" for each in lines[:3])


def test_any_scene_any_size_never_raises_and_never_is_wider():
    """Whatever a service says, at any size, the page comes within its rows and columns."""
    chance = random.Random(5)
    for _ in range(400):
        made = pictures.any_scene(chance)
        width, height = chance.randint(40, 300), chance.randint(1, 100)
        found = page.rows(made, width, height)
        assert len(found) <= height
        for each in found:
            assert len(each.text) <= width
            assert all(0 <= first < last <= width for first, last, _ in each.spans)


@pytest.mark.parametrize(("volts", "told"), [(-0.4, "-0.4 V read, string open"), (0.0, "0.0 V read, string open")])
def test_volts_behind_an_open_string_are_told_as_what_they_are(volts, told):
    """What the rectifier reads at its own terminals is no voltage of the cells; it is shown, beside why."""
    one = pictures.circuit("A07", "tripped", voltage_V=pictures.reading(volts))
    row = line(texts(one), "V per cell")
    assert row[:33].split() == ["V", "per", "cell", "--"]
    assert row[33:].startswith(f"{told}    ")
    shut = pictures.circuit("A07", "held", voltage_V=pictures.reading(volts))
    assert "string open" not in "".join(texts(shut))
    assert f"{volts / pictures.CELLS + 0.0:.3f}" in line(texts(shut), "V per cell")
    old = pictures.circuit("A07", "tripped", voltage_V=pictures.reading(volts, 60_000))
    assert "string open" not in "".join(texts(old))


@pytest.mark.parametrize(
    ("read", "age_ms", "told"),
    [(0.0, 0, "ordered, its output reads OFF yet"), (1.0, 0, "NOT read back"), (0.0, 60_000, "NOT read back"),
     (None, 0, "NOT read back")],
)  # fmt: skip
def test_a_start_that_is_not_read_back_does_not_contradict_its_output(read, age_ms, told):
    """In a start's first cycle the output is read, as off; only what is not read is said to be not read back."""
    one = pictures.circuit("A01", confirmed=False, output_on=pictures.reading(read, age_ms))
    lines = texts(one)
    assert lines[0].startswith("RUNNING?  A01 second charge, step 4 of 6; ")
    assert told in lines[0]
