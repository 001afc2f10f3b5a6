"""Laws that look at how things move over the last half hour: a battery that warms too fast, thermal runaway."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from controller.core.laws import probe_moves, runaway
from controller.core.lawsettings import LawSettings, ProbeLimits, RunawayLimits
from controller.core.state import Counters, Timer, TrailPoint
from controller.core.types import Reaction, State

POINT_MS = 120_000
CELLS = 108


def trail(*points):
    """Points two minutes apart: (A, C) or (A, C, V per cell)."""
    return tuple(TrailPoint(at * POINT_MS, *_whole(point)) for at, point in enumerate(points))


def _whole(point):
    current, hot, volts = (*point, 2.3)[:3]
    return current, volts, hot, 25.0


def moved(kit, points, settings=None, since_ms=0, charge_Ah=150.0, timers=(), **state):
    """A circuit with this trail, `since_ms` after its newest point; 150 of 200 Ah are in."""
    run = kit.run(counters=Counters(charge_Ah=charge_Ah), credited_Ah=state.pop("credited_Ah", 0.0))
    made = kit.state(run=run, trail=trail(*points), timers=timers, **state)
    return kit.view(made, kit.facts(now_ms=(len(points) - 1) * POINT_MS + since_ms), settings)


def rising(kit, *hots, current=15.0, **changes):
    return moved(kit, [(current, hot) for hot in hots], **changes)


FAST = (30.0, 31.1, 32.1, 33.1, 34.1, 35.1)
"""5.1 K in ten minutes: 30.6 K an hour."""


def test_a_battery_that_warms_too_fast_is_told(kit):
    """More than 30 K an hour over ten minutes; value and limit go with it."""
    found = probe_moves.rises(rising(kit, *FAST), False)
    assert (found.holds, found.limit) == (True, 30.0)
    assert found.value == pytest.approx(30.6)
    assert not probe_moves.rises(rising(kit, 30.0, 31.0, 32.0, 33.0, 34.0, 35.0), False).holds
    assert probe_moves.rises(rising(kit, 20.0, *FAST), False).value == pytest.approx(30.6)


@pytest.mark.parametrize("current", [0.3, -0.3, 15.0, -15.0])
def test_the_rise_counts_with_current_of_either_sign(kit, current):
    """A charge and a discharge both make heat."""
    assert probe_moves.rises(rising(kit, *FAST, current=current), False).holds


@pytest.mark.parametrize("current", [0.0, 0.29, -0.29])
def test_a_rise_without_current_is_no_fault(kit, current):
    """Fresh acid heats a battery; a moment without current in the ten minutes ends the comparison, none before does."""
    assert probe_moves.rises(rising(kit, *FAST, current=current), False).holds is False
    points = [(15.0, hot) for hot in FAST]
    assert probe_moves.rises(moved(kit, [(0.0, 29.0), *points]), False).holds
    for at in range(6):
        broken = [(current if index == at else 15.0, hot) for index, hot in enumerate(FAST)]
        assert probe_moves.rises(moved(kit, broken), False).holds is False


def test_what_cannot_be_told_of_a_rise_keeps_what_stood(kit):
    """Too short a trail, a lost probe at either end, no new point; an unread current in between is no zero."""
    for view in (
        rising(kit, *FAST[1:]),
        rising(kit, *FAST[:-1], None),
        rising(kit, None, *FAST[1:]),
        rising(kit, *FAST, since_ms=1),
        moved(kit, []),
    ):
        assert probe_moves.rises(view, False).holds is None
        assert probe_moves.rises(view, True).holds is None
    unread = [(15.0, hot) for hot in FAST]
    unread[2] = (None, 32.1)
    assert probe_moves.rises(moved(kit, unread), False).holds


def test_the_rise_clears_at_four_fifths_of_its_limit(kit):
    """24 K an hour, 4.0 K in ten minutes."""
    for hot, expected in ((34.2, True), (34.0, False), (33.9, False)):
        view = rising(kit, 30.0, 31.0, 32.0, 33.0, 33.5, hot)
        assert probe_moves.rises(view, True).holds is expected
        assert probe_moves.rises(view, False).holds is False


def test_limit_and_minutes_of_the_rise_are_the_settings(kit):
    """20 K an hour over four minutes; a span of nothing is none."""
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(rise_K_per_h=20.0, rise_minutes=4.0)))
    assert probe_moves.rises(rising(kit, 30.0, 30.0, 31.4, settings=settings), False).value == pytest.approx(21.0)
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(rise_minutes=0.0)))
    assert probe_moves.rises(rising(kit, 30.0, 31.4, settings=settings), False).value == pytest.approx(42.0)


def test_a_fast_battery_is_told_in_a_living_bath_and_runs_on(kit):
    """36 K an hour at a cycle of 5 s: told within twelve minutes of current, once; the neighbour's is not."""
    bench = kit.bench(period_ms=5_000).running()
    for _ in range(150):
        bench.toys[0].probe_C += 0.05
        bench.cycle()
    alarms = [(event.target, event.data["life"]) for event in bench.events if event.code == "probe_rise"]
    assert alarms == [("A01", "new")]
    assert bench.set_A(0) == 15.0


def ending(kit, *points, **changes):
    """Near the end, 15 A: (C, mV per cell)."""
    return moved(kit, [(15.0, hot, volts / 1000.0) for hot, volts in points], **changes)


FALLS = ((40.0, 2700.0), (40.5, 2696.0), (41.0, 2691.0))
"""A kelvin, and 9 mV a cell: 6 for the kelvin and 1.85 for the voltmeter are less."""


def test_volts_that_fall_faster_than_warmth_explains_are_a_runaway(kit):
    """9 mV a kelvin; derate to a fifth."""
    found = runaway.runs_away(ending(kit, *FALLS), False)
    assert (found.holds, found.limit, found.allowed_percent) == (True, 6.0, 20.0)
    assert found.value == pytest.approx(9.0)
    assert kit.watch("runaway", [ending(kit, *FALLS)]) == [True]


@pytest.mark.parametrize(
    ("hot_C", "mV", "holds"),
    [
        (41.0, 2700.0 - 7.9, True),
        (41.0, 2700.0 - 7.8, False),
        (43.0, 2700.0 - 19.9, True),
        (43.0, 2700.0 - 19.8, False),
        (40.9, 2680.0, False),
        (38.0, 2600.0, False),
        (41.0, 2710.0, False),
    ],
)
def test_six_millivolts_a_kelvin_and_the_voltmeters_steps_are_allowed(kit, hot_C, mV, holds):
    """0.2 V over 108 cells are 1.85 mV; less than a kelvin tells nothing, cooling is no runaway."""
    assert runaway.runs_away(ending(kit, (40.0, 2700.0), (hot_C, mV)), False).holds is holds


def test_the_coolest_point_of_the_same_current_is_compared(kit):
    """Not one before the current changed by more than 2 %, and not one that was not read."""
    cool = (15.0, 38.0, 2.700)
    warm = [(15.0, 40.0, 2.690), (15.0, 39.5, 2.689), (15.0, 40.5, 2.670)]
    assert runaway.runs_away(moved(kit, [cool, *warm]), False).value == pytest.approx(12.0)
    for changed in (
        (15.31, 40.0, 2.69),
        (14.69, 40.0, 2.69),
        (None, 40.0, 2.69),
        (15.0, None, 2.69),
        (15.0, 40.0, None),
    ):
        found = runaway.runs_away(moved(kit, [cool, changed, *warm]), False)
        assert found.value == pytest.approx(19.0)
    for same in ((15.29, 40.0, 2.69), (14.71, 40.0, 2.69)):
        assert runaway.runs_away(moved(kit, [cool, same, *warm]), False).value == pytest.approx(12.0)


def test_of_equally_cool_points_the_earliest_is_compared(kit):
    """It had the most time."""
    found = runaway.runs_away(ending(kit, (40.0, 2700.0), (40.0, 2680.0), (41.0, 2670.0)), False)
    assert found.value == pytest.approx(30.0)


@pytest.mark.parametrize("current", [None, 0.0, 0.29, -15.0])
def test_a_runaway_needs_charge_current(kit, current):
    """A rest and a discharge are none."""
    points = [(current, hot, volts / 1000.0) for hot, volts in FALLS]
    assert runaway.runs_away(moved(kit, points), False).holds is None
    least = [(0.3, hot, volts / 1000.0) for hot, volts in FALLS]
    assert runaway.runs_away(moved(kit, least), False).holds


@pytest.mark.parametrize(
    ("changes", "holds"),
    [
        ({"charge_Ah": 133.3}, None),
        ({"charge_Ah": 133.4}, True),
        ({"charge_Ah": 100.0, "credited_Ah": 33.4}, True),
        ({"charge_Ah": 100.0, "credited_Ah": 33.3}, None),
        ({"state": State.HELD}, None),
        ({"load": None}, None),
        ({"since_ms": 1}, None),
    ],
)
def test_a_runaway_is_looked_for_in_the_last_third_of_a_running_circuit(kit, changes, holds):
    """Of the planned 200 Ah, those of the run it continues included; between two points nothing new is told."""
    view = ending(kit, *FALLS, **changes)
    assert runaway.runs_away(view, False).holds is holds
    assert runaway.FAMILY.asleep(view) is (holds is None)


@pytest.mark.parametrize("newest", [(None, 2691.0), (41.0, None)])
def test_a_newest_point_without_probe_or_volts_tells_nothing(kit, newest):
    """What is not known is no runaway and ends none."""
    points = [(15.0, 40.0, 2.7), (15.0, newest[0], None if newest[1] is None else newest[1] / 1000.0)]
    assert runaway.runs_away(moved(kit, points), False).holds is None
    ends = runaway.runs_away(moved(kit, [(15.0, None, 2.7)]), True)
    assert (ends.holds, ends.allowed_percent) == (None, 20.0)


def test_a_run_without_a_run_is_no_runaway(kit):
    """A circuit that lost its run (it cannot) is not near an end."""
    view = ending(kit, *FALLS)
    bare = replace(view, state=replace(view.state, run=None))
    assert runaway.runs_away(bare, False).holds is None


def test_a_runaway_ends_by_having_cooled_a_kelvin(kit):
    """From the trail's hottest point; less, a lost probe or no new point keeps it, and its derate."""
    hot = (15.0, 42.0)
    for newest, holds in (((3.0, 41.0), False), ((3.0, 41.1), None), ((3.0, None), None), ((0.0, 40.0), False)):
        found = runaway.runs_away(moved(kit, [hot, newest]), True)
        assert found.holds is holds
        assert holds is False or found.allowed_percent == 20.0
    assert runaway.runs_away(moved(kit, [hot, (3.0, 40.0)], since_ms=1), True).holds is None
    settings = kit.settings(laws=LawSettings(runaway=RunawayLimits(rise_K=2.0)))
    assert runaway.runs_away(moved(kit, [hot, (3.0, 40.5)], settings), True).holds is None
    assert runaway.runs_away(moved(kit, [hot, (3.0, 40.0)], settings), True).holds is False


def test_the_amounts_of_a_runaway_are_the_settings(kit):
    """4 mV a kelvin over half a kelvin; a rise of nothing divides by nothing."""
    settings = kit.settings(laws=LawSettings(runaway=RunawayLimits(mV_per_K=4.0, rise_K=0.5)))
    found = runaway.runs_away(ending(kit, (40.0, 2700.0), (40.5, 2696.0), settings=settings), False)
    assert (found.holds, found.limit) == (True, 4.0)
    settings = kit.settings(laws=LawSettings(runaway=RunawayLimits(rise_K=0.0)))
    assert runaway.runs_away(ending(kit, (40.0, 2700.0), (40.0, 2600.0), settings=settings), False).holds is False


STANDS = (Timer("runaway", active=True, reaction=Reaction.DERATE),)


def test_a_runaway_that_goes_on_for_half_an_hour_holds(kit):
    """30 min in which it stood and did not cool; one that only waits, or has cooled, holds nothing."""
    goes_on = [moved(kit, [(15.0, 42.0), (3.0, 41.5)], timers=STANDS, since_ms=1)] * 361
    assert kit.watch("runaway_hold", goes_on, 5_000).index(True) == 360
    waits = (Timer("runaway"), Timer("probe_rise", active=True))
    assert not any(kit.watch("runaway_hold", [moved(kit, [(15.0, 42.0)], timers=waits, since_ms=1)] * 361, 5_000))
    cooled = moved(kit, [(15.0, 42.0), (3.0, 41.0)], timers=STANDS)
    assert kit.watch("runaway_hold", [*goes_on, cooled], 5_000)[-1] is False
    assert runaway.stays(cooled, False).holds is False


def test_the_file_wakes_for_what_stands(kit):
    """Anywhere in the run, at any moment."""
    assert not runaway.FAMILY.asleep(moved(kit, [(3.0, 41.0)], timers=STANDS, charge_Ah=1.0, since_ms=1))
    assert runaway.FAMILY.asleep(moved(kit, [(3.0, 41.0)], charge_Ah=1.0))
    assert not probe_moves.FAMILY.asleep(rising(kit, 30.0))
    assert probe_moves.FAMILY.asleep(rising(kit, 30.0, since_ms=1))
    assert probe_moves.FAMILY.asleep(moved(kit, []))


def test_a_runaway_in_a_living_bath_takes_four_fifths_and_gives_it_back_slowly(kit):
    """Warming at falling volts, near the end: 3 A; once cooled 1 % a second; the neighbour keeps its current."""
    bench = kit.bench(period_ms=5_000).running()
    run = bench.circuit(0).run
    bench.change(0, run=replace(run, counters=replace(run.counters, charge_Ah=140.0)))
    for _ in range(150):
        bench.toys[0].probe_C += 0.01
        bench.bad[0, "voltage_V"] = 250.0 - 0.15 * (bench.toys[0].probe_C - 25.0) * 10.0
        bench.cycle()
    assert [condition.code for condition in bench.out.standing[0]] == ["runaway"]
    assert bench.set_A(0) == pytest.approx(3.0)
    assert bench.circuit(0).state is State.RUNNING
    bench.toys[0].probe_C -= 1.2
    asked = []
    for _ in range(80):
        bench.cycle()
        asked.append(bench.set_A(0))
    assert not bench.out.standing[0]
    assert max(now - before for before, now in pairwise(asked)) == pytest.approx(0.75)
    assert (asked[0], asked[-1]) == (pytest.approx(3.0), 15.0)
    assert bench.set_A(1) == 15.0
