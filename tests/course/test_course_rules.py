"""Each rule at its limit, on runs made by hand: over it, just inside it, and where it must not judge."""

from __future__ import annotations

from dataclasses import replace

import pytest
from coursekit import small_release
from tracekit import PLAN, look, minutes_of, small_plan, still, trace

from controller.core.laws.advised import PRIORITIES
from controller.course import expected_of
from controller.courseheat import probe_elsewhere, probe_in_air, probe_reads_low
from controller.courserules import acid_differs, against, cells_missing, course_late, knee_early, knee_late
from controller.coursestand import NONE, RULES, Stand, advice_of, lasting, stands_of
from controller.coursetrace import at_point, common_point, compared_at, kin_of

SMALL = expected_of(small_release())


def sisters_of(mine, *, count=3, **like):
    """`mine` and so many others that are what `like` says."""
    return look(mine, *(trace(f"B{at}", minutes_of(90, **like)) for at in range(count)))


# -- what is compared


def test_sisters_are_compared_at_the_same_point_of_their_step():
    """One that is twenty minutes behind is met where it is: the others' values of then, not of now."""
    late = trace("A01", minutes_of(60, volts=lambda at: 2.1 + 0.001 * at))
    others = [trace(name, minutes_of(80, volts=lambda at: 2.1 + 0.001 * at)) for name in ("A02", "A03")]
    found = look(late, *others).compared
    assert found is not None
    assert found.volts.low == pytest.approx(found.volts.high)
    ahead = look(others[0], late, others[1]).compared
    assert ahead is not None
    assert ahead.own.progress == pytest.approx(late.minutes[-1].progress)


@pytest.mark.parametrize("odd", [{"apart": True}, {"plan": replace(PLAN, sha256="other")}, {"minutes": []}])
def test_no_sister_is_of_another_profile_a_trial_or_without_minutes(odd):
    """Three circuits make sisters; with one of them apart, of another text or unread there are two, too few."""
    mine, other = trace("A01", minutes_of(60)), trace("A02", minutes_of(60))
    third = trace("A03", minutes_of(60))
    assert look(mine, other, third).compared.count == 3
    assert look(mine, other, replace(third, **odd)).compared is None
    assert kin_of(replace(mine, apart=True), (mine, other, third)) == ()


def test_volts_are_compared_at_like_current_only():
    """A sister with 4 % less current does not count for volts; current itself is compared all the same."""
    mine = trace("A01", minutes_of(60))
    others = [trace(name, minutes_of(60)) for name in ("A02", "A03")]
    weak = trace("A04", minutes_of(60, current_A=still(14.4), volts=still(1.9)))
    found = look(mine, *others, weak).compared
    assert (found.count, found.volts.low) == (4, 2.14)
    assert look(mine, others[0], weak).compared.volts is None


def test_an_unsettled_or_old_point_is_not_compared():
    """Ten minutes after a change of current, and for a point passed within half an hour, else nothing."""
    others = [trace(name, minutes_of(60)) for name in ("A02", "A03")]
    assert look(trace("A01", minutes_of(60, settled=False)), *others).compared is None
    mine = trace("A01", minutes_of(90))
    point = (1, mine.minutes[10].progress)
    assert compared_at(mine, (mine, *others), point, 1000 * 60_000) is None
    assert common_point(mine, (mine, others[0])) is None
    assert at_point(mine, 1, 0.0) is None
    assert at_point(mine, 3, 5.0) is None
    assert at_point(mine, 1, 1e9) is None


# -- the rules


@pytest.mark.parametrize(("minutes", "over", "back"), [(29.0, False, False), (31.0, True, False), (20.0, False, True)])
def test_course_late(minutes, over, back):
    """Above 30 min it is late, below 21 it is back; the study's slowest may take 12 min more here."""
    mine = trace("A01", minutes_of(1, step=0), plan=small_plan(), elapsed_ms=0)
    point = look(mine, expected=SMALL).point
    mine = replace(mine, elapsed_ms=round(3_600_000 * point.elapsed_h + 60_000 * minutes))
    found = course_late(look(mine, expected=SMALL))
    assert (found.value, found.limit, found.over, found.back) == (pytest.approx(minutes), 30.0, over, back)
    assert course_late(look(mine)) is None
    assert course_late(look(replace(mine, elapsed_ms=None), expected=SMALL)) is None


@pytest.mark.parametrize(("mV", "over", "back"), [(15.2, True, False), (14.8, False, False), (10.0, False, True)])
def test_cells_missing_against_sisters(mV, over, back):
    """15 mV a cell below the sisters' median is over its limit; told in cells of 108."""
    found = cells_missing(sisters_of(trace("A01", minutes_of(90, volts=still(2.14 - mV / 1000.0)))))
    assert (found.over, found.back) == (over, back)
    assert found.value == pytest.approx(mV * 108 / 2140.0)
    assert found.limit == pytest.approx(15.0 * 108 / 2140.0)


@pytest.mark.parametrize(("cells", "mV", "over"), [(36, 20.0, False), (36, 31.0, True), (6, 150.0, False)])
def test_no_cell_is_missing_from_a_short_string_below_half_a_cell(cells, mV, over):
    """In 36 cells 15 mV are a quarter of one: the limit there is half a cell, as nothing less can be missing."""
    others = [trace(name, minutes_of(90), cells=cells) for name in ("A02", "A03", "A04")]
    mine = trace("A01", minutes_of(90, volts=still(2.14 - mV / 1000.0)), cells=cells)
    found = cells_missing(look(mine, *others))
    assert (found.limit, found.over) == (0.5, over)


def test_volts_of_strings_with_far_fewer_cells_are_not_compared():
    """Leads weigh more on a cell of a short string: beyond half or double the cells, the course alone is asked."""
    mine = trace("A01", minutes_of(90, volts=still(2.12)), cells=108)
    for cells, known in ((54, True), (53, False), (216, True), (217, False)):
        others = [trace(name, minutes_of(90), cells=cells) for name in ("A02", "A03", "A04")]
        found = look(mine, *others).compared
        assert (found.count, found.volts is not None, found.warm_volts is not None) == (4, known, known)
        assert (found.rise_K is not None, found.probe_C is not None) == (True, True)
        assert (cells_missing(look(mine, *others)) is not None) is known
    low = trace("A01", minutes_of(60, step=0, volts=still(2.08), probe_C=still(40.0), current_A=still(15.0)))
    low = replace(low, plan=small_plan())
    others = [replace(low, name=name, cells=12) for name in ("A02", "A03")]
    assert cells_missing(look(low, *others, expected=SMALL)).over


@pytest.mark.parametrize(
    "odd",
    [
        {"volts": still(2.10), "probe_C": still(52.0)},  # a warm place: its volts are low by its warmth
        {"volts": still(2.14), "probe_C": still(22.0)},  # a probe in the air: corrected volts are low by its error
        {"volts": lambda at: 2.00 + 0.001 * at, "probe_C": still(42.0)},  # not on a plateau
    ],
)
def test_cells_are_not_missing_where_warmth_or_the_knee_explains_it(odd):
    """Only volts that are low as read and as corrected, on a plateau, are missing cells."""
    found = cells_missing(sisters_of(trace("A01", minutes_of(90, **odd))))
    assert found is None or not found.over


def test_cells_missing_against_the_course_where_there_are_no_sisters():
    """Alone, a string is held against the course's lowest twentieth; with sisters they alone count."""

    def alone(low_V):
        volts = minutes_of(60, step=0, volts=still(2.1133 - 0.01 - low_V), probe_C=still(40.0), current_A=still(15.0))
        mine = trace("A01", volts, plan=small_plan())
        return cells_missing(look(mine, expected=SMALL))

    assert alone(0.017).over
    assert not alone(0.012).over


@pytest.mark.parametrize(("knee_Ah", "early", "late"), [(58.0, True, False), (60.0, False, False), (72.0, False, True)])
def test_knee(knee_Ah, early, late):
    """The course's knee is at 65 % of the charge: 6 points earlier or later is told."""
    mine = trace("A01", minutes_of(30, step=2), plan=small_plan(), knee_Ah=knee_Ah)
    seen = look(mine, expected=SMALL)
    assert (knee_early(seen).over, knee_late(seen).over) == (early, late)
    assert (knee_early(seen).value, knee_early(seen).limit) == pytest.approx((knee_Ah, 65.0))
    assert knee_early(look(mine)) is None


def test_a_knee_that_does_not_come_is_late_only_while_it_can_be_told():
    """Charge past the course's knee by 6 points with volts below it is late; at another current it says nothing."""

    def found(current_A, volts_V=2.2):
        minutes = minutes_of(30, step=2, volts=still(volts_V), charge_Ah=62.0, current_A=still(current_A))
        return knee_late(look(trace("A01", minutes, plan=small_plan()), expected=SMALL))

    assert found(10.0).over
    assert found(8.0) is None
    assert found(10.0, 2.5) is None


def acid(offs, **over):
    mine = [
        trace(f"A{at}", minutes_of(
                30, step=0, volts=still(2.103 + off), charge_Ah=20.0, probe_C=still(40.0), current_A=still(15.0)
            ),
              plan=small_plan(), **over)
        for at, off in enumerate(offs)
    ]  # fmt: skip
    return acid_differs(look(mine[0], *mine[1:], expected=SMALL))


@pytest.mark.parametrize(
    ("offs", "over"),
    [((0.06, 0.07, 0.06), True), ((-0.06, -0.07), True), ((0.06, 0.07, 0.0), False), ((0.06, -0.06), False),
     ((0.02, 0.02, 0.02), False)],
)  # fmt: skip
def test_acid_differs(offs, over):
    """Every sister must be off on the same side, 15 mV beyond the course's range; one alone says nothing."""
    assert acid(offs).over is over
    assert acid(offs[:1]) is None
    assert acid(offs, cells=36).over is over
    assert acid(offs, cells=35) is None


@pytest.mark.parametrize(("rise_K", "low", "air"), [(12.0, False, False), (7.9, True, False), (3.5, None, True)])
def test_probe_low_and_in_air(rise_K, low, air):
    """Sisters stand 12 K above the water: 4.1 K less reads low, less than 0.3 of it hangs in air, never both."""
    seen = sisters_of(trace("A01", minutes_of(60, probe_C=still(30.0 + rise_K))))
    found = probe_reads_low(seen)
    assert (None if found is None else found.over) is low
    assert probe_in_air(seen).over is air


def test_cool_sisters_judge_no_probe():
    """While the sisters stand less than 6 K above the water neither rule says anything."""
    seen = sisters_of(trace("A01", minutes_of(60, probe_C=still(31.0))), probe_C=still(35.9))
    assert (probe_reads_low(seen), probe_in_air(seen)) == (None, None)


def test_probe_low_against_the_course():
    """Without sisters the course's lowest twentieth counts, where the water is as warm as it was studied."""

    def found(probe_C, water_C=30.0):
        minutes = minutes_of(60, step=0, probe_C=still(probe_C), water_C=water_C, current_A=still(15.0))
        return probe_reads_low(look(trace("A01", minutes, plan=small_plan()), expected=SMALL))

    assert found(34.9).over
    assert not found(35.1).over
    assert found(34.9, water_C=19.0) is None


def cooling(kept, minutes=31, other_A=15.0):
    """An hour and more of current, then none; the probe keeps so much of its 12 K. Another circuit goes on."""

    def amps(at):
        return 15.0 if at < 90 else 0.0

    def probe(at):
        return 42.0 if at < 90 else 30.0 + 12.0 * kept

    mine = trace("A01", minutes_of(90 + minutes, current_A=amps, probe_C=probe))
    return probe_elsewhere(look(mine, trace("A02", minutes_of(200, current_A=still(other_A)))))


def test_probe_elsewhere():
    """Half an hour without own current, beside one that has it: a battery cools below 85 % of its warmth."""
    assert cooling(0.9).over
    assert not cooling(0.8).over
    assert cooling(0.5).back
    assert cooling(0.9, minutes=29) is None
    assert cooling(0.9, other_A=0.0) is None


# -- how they last


def test_advice_needs_its_minutes_and_ends_after_ten_back():
    """Over for its minutes it comes; a minute that cannot judge or lies between changes nothing; ten back end it."""
    rule = replace(RULES[0], code="cells_missing", minutes=12, judge=lambda _: None)
    over, between, back = (cells(value) for value in (20.0, 12.0, 5.0))
    stand = NONE
    for _ in range(11):
        stand = lasting(rule, lasting(rule, stand, over), None)
    assert stand.said is None
    assert lasting(rule, lasting(rule, stand, between), between).said is None
    stand = lasting(rule, stand, over)
    assert (stand.said.code, stand.said.value) == ("cells_missing", 20.0)
    assert lasting(rule, stand, between).said == stand.said
    for _ in range(9):
        stand = lasting(rule, stand, back)
    assert stand.said is not None
    assert lasting(rule, stand, between).back == 0
    assert lasting(rule, stand, back) == Stand(0, 10, None)


def test_one_back_minute_begins_the_count_anew():
    """What comes and goes is never over for its minutes on end."""
    rule = replace(RULES[0], minutes=3, judge=lambda _: None)
    stand = NONE
    for value in (20.0, 20.0, 5.0, 20.0, 20.0):
        stand = lasting(rule, stand, cells(value))
    assert stand.said is None
    assert lasting(rule, stand, cells(20.0)).said is not None


def cells(value):
    return against(value, 15.0)


def test_every_rule_has_a_law_that_knows_its_code():
    """What is handed in is a code that the core has words and a priority for; all of the core's codes have a rule."""
    assert {rule.code for rule in RULES} == set(PRIORITIES)


def test_a_run_that_has_just_begun_gives_no_advice():
    """Without minutes, edges, course and sisters no rule says anything, and none fails."""
    stands = stands_of(look(trace("A01")), {})
    assert advice_of(stands) == ()
