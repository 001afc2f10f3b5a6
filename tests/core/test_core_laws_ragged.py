"""Current that is low, ragged or counted differently: levels, times at T of 1 and 5 s, and what clears them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import devicecount, swings
from controller.core.laws import ripple
from controller.core.lawsettings import CurrentLimits, LawSettings
from controller.core.state import Counters, LinkMemory
from controller.core.types import State, Value


def views(kit, *facts, state=None, settings=None):
    return [kit.view(state=state, facts=fact, settings=settings) for fact in facts]


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 30), (5_000, 6)])
def test_current_below_its_set_point_warns_after_thirty_seconds(kit, period_ms, first):
    """14 A of 15, volts under the limit; it comes back: gone."""
    low = views(kit, *[kit.facts(current_A=14.0)] * 40, kit.facts(), settings=kit.settings(period_ms))
    seen = kit.watch("current_low", low, period_ms)
    assert (seen.index(True), seen[-1]) == (first, False)


@pytest.mark.parametrize(("set_A", "read_A", "volts", "warns"), [
    (15.0, 14.25, 2.3, False), (15.0, 14.24, 2.3, True), (3.0, 2.7, 2.3, False), (3.0, 2.69, 2.3, True),
    (15.0, 5.0, 2.85 * 0.985, False), (15.0, 5.0, 2.80, True), (-15.0, -5.0, 2.3, False), (0.0, 0.0, 2.3, False),
    (15.0, None, 2.3, False), (15.0, 5.0, None, False), (15.0, 16.0, 2.3, False), (15.0, -1.0, 2.3, True),
])  # fmt: skip
def test_what_is_low(kit, set_A, read_A, volts, warns):
    """5 % or 0.3 A below, whichever is more, in a charge under its voltage limit."""
    facts = kit.facts(current_A=read_A, volts_per_cell=volts)
    state = kit.state(set_A=set_A)
    assert any(kit.watch("current_low", views(kit, *[facts] * 32, state=state))) is warns


def test_low_is_compared_with_the_lowest_set_point_of_the_settling_time(kit):
    """A ramp and a change of step are not lacking yet; a held circuit asks for nothing."""
    low = kit.facts(current_A=3.0)
    for state, warns in (
        (kit.state(asked=((0, 3.0), (1_000, 15.0))), False),
        (kit.state(asked=()), True),
        (kit.state(State.HELD), False),
    ):
        assert any(kit.watch("current_low", views(kit, *[low] * 32, state=state))) is warns


def test_low_stays_while_current_or_volts_are_not_read(kit):
    """Losing the source keeps the alarm."""
    facts = [kit.facts(current_A=9.0)] * 31 + [kit.facts(current_A=None), kit.facts(current_A=9.0, volts_per_cell=None)]
    assert kit.watch("current_low", views(kit, *facts))[-3:] == [True, True, True]


def test_the_limits_of_low_current_are_the_settings(kit):
    """A bath file may say 20 % and 3 s."""
    settings = kit.settings(laws=LawSettings(current=CurrentLimits(low_percent=20.0, low_s=3.0)))
    for read_A, warns in ((12.1, False), (11.9, True)):
        seen = kit.watch("current_low", views(kit, *[kit.facts(current_A=read_A)] * 4, settings=settings))
        assert seen == [False, False, False, warns]


@pytest.mark.parametrize(("amounts", "turns"), [
    ([], 0), ([5.0], 0), ([5.0, 5.0, 5.0], 0), ([0, 5], 0), ([0, 5, 0], 1), ([5, 0, 5], 1), ([0, 5, 0, 5, 0, 5], 4),
    ([5, 0, 5, 0, 5, 0], 4), ([0, 1, 0, 1, 0], 0), ([0, 2, 0, 2, 0], 3), ([0, 1, 2, 1, 0, 1, 2], 2),
    ([0, 3, 2, 5, 4, 7], 0), ([7, 4, 5, 2, 3, 0], 0), ([9, 5, 6, 4, 6], 1), ([1, 4, 3, 5, 3], 1),
    ([5, 5, 7, 3, 3, 7], 2), ([0, -2, 0], 1), ([10, 9, 8, 10], 1), ([0, 1, 2, 0], 1), ([1, 2, 0, 1, 2], 1),
])  # fmt: skip
def test_how_often_a_history_turned_back(amounts, turns):
    """By 2 at least, from the last extreme; less is noise."""
    assert swings.reversals(tuple(enumerate(map(float, amounts))), 2.0) == turns


def test_span_and_the_recent_part_of_a_history():
    """The distance of the extremes; what is not older than so long."""
    history = ((0, 3.0), (1_000, 1.0), (2_000, 2.0))
    assert (swings.span(history), swings.span(history[:2]), swings.span(history[:1]), swings.span(())) == (2, 2, 0, 0)
    assert swings.lately(history, 2_000, 1_000) == history[1:]


def rippled(kit, percent, *, signal=True, state=None, settings=None, **facts):
    view = kit.view(state, kit.facts(ripple_percent=percent, **facts), settings)
    reading = replace(view.cin.reading, ripple_percent=Value(percent) if signal else None)
    return replace(view, cin=replace(view.cin, reading=reading))


@pytest.mark.parametrize(("code", "seconds"), [("ripple", 15), ("ripple_hold", 60)])
@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_ripple_warns_and_then_holds(kit, code, seconds, period_ms):
    """Above 15 % for 15 s and for 60 s; calm current ends it."""
    settings = kit.settings(period_ms)
    high, calm = (rippled(kit, percent, settings=settings) for percent in (15.1, 15.0))
    seen = kit.watch(code, [*[high] * 62, calm], period_ms)
    assert (seen.index(True), seen[-1]) == (seconds * 1_000 // period_ms, False)


def test_ripple_counts_where_enough_current_is_asked_for_and_flows(kit):
    """Not at rest, not held, not below the circuit's least current of 0.5 A; -0.5 A is as much."""
    assert ripple.ragged(rippled(kit, 40.0, current_A=0.5), active=False).holds
    assert ripple.ragged(rippled(kit, 40.0, current_A=-0.5), active=False).holds
    assert not ripple.ragged(rippled(kit, 40.0, current_A=0.49), active=False).holds
    for state in (kit.state(State.HELD), kit.state(set_A=0.0)):
        assert ripple.ragged(rippled(kit, 40.0, state=state), active=False).holds is False


def test_ripple_that_is_not_read_keeps_and_one_that_is_not_served_clears(kit):
    """A lost signal cannot be told; a map without it has none."""
    assert ripple.ragged(rippled(kit, None), active=True).holds is None
    assert ripple.ragged(rippled(kit, 40.0, current_A=None), active=True).holds is None
    assert ripple.ragged(rippled(kit, None, signal=False), active=True).holds is False


def hunted(kit, swing_A=4.6, *, period_ms=1_000, step_time_ms=15_001, count=6, since_ms=0, set_A=15.0):
    """Readings that go back and forth about the set-point, the last one now."""
    recent = tuple(
        (since_ms + index * period_ms, 15.0 + (swing_A / 2 if index % 2 else -swing_A / 2)) for index in range(count)
    )
    state = kit.state(set_A=set_A, recent=recent, run=kit.run(step_time_ms=step_time_ms))
    return kit.view(state, kit.facts(now_ms=recent[-1][0]), kit.settings(period_ms))


def test_hunting_is_ragged_by_its_swing_in_percent(kit):
    """Six readings back and forth by 4.6 A of 15: 30.7 %."""
    found = ripple.ragged(hunted(kit), active=False)
    assert (found.holds, round(found.value, 1), found.limit) == (True, 30.7, 15.0)
    assert ripple.ragged(hunted(kit, set_A=-15.0), active=False).holds


@pytest.mark.parametrize(("changes", "hunts"), [
    ({"swing_A": 2.26}, True), ({"swing_A": 2.24}, False), ({"count": 5}, False), ({"step_time_ms": 15_000}, False),
    ({"period_ms": 5_000, "step_time_ms": 40_001}, True), ({"period_ms": 5_000, "step_time_ms": 40_000}, False),
])  # fmt: skip
def test_what_is_hunting(kit, changes, hunts):
    """Four times back by 15 % of the set-point within 15 s, or eight cycles, of one step."""
    assert bool(ripple.ragged(hunted(kit, **changes), active=False).holds) is hunts


def test_only_the_last_fifteen_seconds_hunt(kit):
    """Readings older than that count no more, though they are still remembered."""
    view = hunted(kit)
    for later_ms, hunts in ((15_000, True), (15_001, False)):
        later = replace(view, facts=replace(view.facts, now_ms=later_ms))
        assert bool(ripple.ragged(later, active=False).holds) is hunts
    without = replace(view, state=replace(view.state, run=None))
    assert not ripple.ragged(without, active=False).holds


def test_hunting_in_a_living_bath_warns_and_holds(kit):
    """Readings swing each cycle: warned after half a minute, held a minute after they began."""
    bench = kit.bench(circuits=1).running()
    bench.cycles(20)
    codes = {}
    for index in range(80):
        bench.bad[0, "current_A"] = 15.0 + (1.3 if index % 2 else -1.3)
        for event in bench.cycle():
            codes.setdefault(event.code, index)
        if bench.circuit().state is not State.RUNNING:
            break
    assert 15 <= codes["ripple"] <= 25
    assert 60 <= codes["ripple_hold"] <= 70
    assert bench.circuit().state is State.HELD


def counted(kit, theirs_Ah, ours_Ah, *, device_Ah=100.0, base_Ah=10.0):
    run = kit.run(device_Ah=device_Ah, ours_Ah=base_Ah, counters=Counters(charge_Ah=base_Ah + ours_Ah))
    counter = None if theirs_Ah is None else 100.0 + theirs_Ah
    return kit.view(kit.state(run=run), kit.facts(counter_Ah=counter))


@pytest.mark.parametrize(("theirs_Ah", "ours_Ah", "parts"), [
    (1.0, 1.0, False), (1.25, 1.0, True), (1.15, 1.0, False), (1.0, 1.25, True), (100.0, 99.0, False),
    (100.0, 98.9, True), (99.0, 100.0, False), (98.9, 100.0, True), (None, 1.0, False),
])  # fmt: skip
def test_counters_part_by_one_percent_or_a_fifth_of_an_ampere_hour(kit, theirs_Ah, ours_Ah, parts):
    """Of what the larger one gained since the comparison began; ten minutes long."""
    assert any(kit.watch("counter_differs", [counted(kit, theirs_Ah, ours_Ah)] * 602)) is parts


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 600), (5_000, 120)])
def test_counters_part_for_ten_minutes(kit, period_ms, first):
    """Whatever the period; a counter that is not read keeps it, one not compared ends it."""
    unread, begun_anew = counted(kit, None, 1.0), counted(kit, 2.0, 1.0, device_Ah=None)
    seen = kit.watch("counter_differs", [*[counted(kit, 2.0, 1.0)] * 601, unread, begun_anew], period_ms)
    assert (seen.index(True), seen[-2:]) == (first, [True, False])
    assert kit.watch("counter_differs", [kit.view(kit.state(State.IDLE), kit.facts(counter_Ah=5.0))]) == [False]


BASE = {"counter_Ah": 100.5, "uptime_s": 1_000.0}


@pytest.mark.parametrize(("device_Ah", "facts", "after"), [
    (None, {}, (100.5, 7.0)), (100.0, {}, (100.0, 3.0)), (100.5, {}, (100.5, 3.0)), (100.6, {}, (100.5, 7.0)),
    (100.0, {"counter_Ah": None}, (100.0, 3.0)), (None, {"counter_Ah": None}, (None, 3.0)),
    (None, {"fresh": False}, (None, 3.0)), (100.0, {"gap": True}, (None, 3.0)), (100.0, {"stale": True}, (None, 3.0)),
    (100.0, {"uptime_s": 998.9}, (None, 3.0)), (100.0, {"uptime_s": 999.0}, (100.0, 3.0)),
    (100.0, {"uptime_s": None}, (100.0, 3.0)), (100.0, {"current_A": -0.3}, (None, 3.0)),
    (100.0, {"current_A": -0.29}, (100.0, 3.0)), (100.0, {"current_A": None}, (100.0, 3.0)),
])  # fmt: skip
def test_where_the_comparison_of_counters_begins(kit, device_Ah, facts, after):
    """At the first good reading; anew after a gap, silence, restart, a counter gone back, a discharge."""
    run = kit.run(device_Ah=device_Ah, ours_Ah=3.0, counters=Counters(charge_Ah=7.0))
    based = devicecount.based(run, LinkMemory(0, 999.0), kit.facts(**{**BASE, **facts}))
    assert (based.device_Ah, based.ours_Ah) == after
    assert (based is run) is ((run.device_Ah, run.ours_Ah) == after)


def test_without_an_uptime_before_no_restart_is_known(kit):
    """The first cycle of a service."""
    run = kit.run(device_Ah=100.0)
    assert devicecount.based(run, LinkMemory(), kit.facts(**BASE)) is run
