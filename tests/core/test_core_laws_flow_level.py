"""Cooling flow and water level: lost flow, rising water, low, high, below the plates, falling, leaking."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from controller.core.bathstate import BathState, Inputs
from controller.core.lawsettings import AlarmLimits, LawSettings, LevelLimits
from controller.core.state import CircuitState
from controller.core.types import State

CIRCUITS = (CircuitState("A01"), CircuitState("A02"))
MINUTE_MS = 60_000
PLATES = LawSettings(level=LevelLimits(plates_mm=150.0), alarm=AlarmLimits(quiet_s=0.0))


def flow_bench(kit, water_C, flow_L_min=0.0, **changes):
    bench = kit.bench(circuits=1, **changes)
    bench.bath_signals |= {"flow_L_min": 5.0, "water_C": 25.0}
    bench.running()
    bench.bath_signals |= {"water_C": water_C, "flow_L_min": flow_L_min}
    return bench.cycles(3)


def told(bench, code):
    return [event for event in bench.events if event.code == code and event.target == "A"]


@pytest.mark.parametrize(
    ("water_C", "flow", "lost"), [(29.9, 0.0, False), (30.0, 0.9, True), (30.0, 1.0, False), (30.0, None, True)]
)
def test_flow_is_lost_where_the_valve_must_be_open(kit, water_C, flow, lost):
    """Two kelvins above 28 C, below 1 L/min, or not read: the circuits are told since when."""
    bench = flow_bench(kit, water_C)
    bench.bad[-1, "flow_L_min"] = flow
    bench.cycles(3)
    since = bench.out.told[0].bath.flow_lost_ms
    assert (since is not None) is lost
    bench.cycles(2)
    assert bench.out.told[0].bath.flow_lost_ms == since


@pytest.mark.parametrize(("period_ms", "cycles"), [(1_000, 60), (5_000, 12)])
def test_lost_flow_warns_after_a_minute_and_runs_on(kit, period_ms, cycles):
    """Told at 60 s and not before; flow ends it."""
    bench = flow_bench(kit, 31.0, period_ms=period_ms)
    begun = bench.state.inputs.flow_lost_ms
    while bench.now_ms - begun < 60_000:
        assert told(bench, "flow_lost") == []
        bench.cycle()
    assert len(told(bench, "flow_lost")) == 1
    assert (bench.now_ms - begun) // period_ms == cycles
    assert bench.circuit().state is State.RUNNING
    bench.bath_signals["flow_L_min"] = 1.0
    bench.cycle()
    assert told(bench, "flow_lost")[-1].data["life"] == "returned"


def test_lost_flow_is_forgotten_a_kelvin_lower(kit):
    """Not at 29.5 C; at 28.9 C. Water that is not read keeps it."""
    bench = flow_bench(kit, 30.0)
    for water_C, lost in ((29.5, True), (29.0, True), (28.9, False)):
        bench.bath_signals["water_C"] = water_C
        bench.cycles(4)
        assert (bench.state.inputs.flow_lost_ms is not None) is lost
    bench = flow_bench(kit, 30.0)
    bench.bad[-1, "water_C"] = None
    bench.cycles(5)
    assert bench.state.inputs.flow_lost_ms is not None


def test_a_bath_that_measures_no_flow_never_misses_it(kit):
    """The map has no such signal."""
    bench = kit.bench(circuits=1).running()
    bench.bath_signals["water_C"] = 39.0
    bench.cycles(100)
    assert bench.state.inputs.flow_lost_ms is None
    assert told(bench, "flow_lost") == []


def test_an_idle_bath_does_not_ask_for_flow(kit):
    """Nothing warms it; in the after-run it does, and what stands goes on."""
    lost = BathState(CIRCUITS, inputs=Inputs(flow_lost_ms=0))
    for in_use, after_run, warns in ((False, False, False), (True, False, True), (False, True, True)):
        view = kit.bath_view(state=lost, in_use=in_use, after_run=after_run)
        assert kit.watch("flow_lost", [view] * 61)[-1] is warns
    views = [kit.bath_view(state=lost)] * 61 + [kit.bath_view(state=lost, in_use=False)]
    assert kit.watch("flow_lost", views)[-1]


def held_by_flow(kit, now_ms, lost_ms=0, trail=(), water_C=31.0, then=()):
    state = BathState(CIRCUITS, inputs=Inputs(flow_lost_ms=lost_ms, water_C=tuple(trail)))
    views = [kit.bath_view(kit.bath_facts(now_ms=now_ms, water_C=water_C), state=state)] * 2
    return kit.watch("flow_hold", [*views, *then])[1:]


@pytest.mark.parametrize(("minutes", "holds"), [(59.9, False), (60.0, True)])
def test_flow_lost_for_an_hour_holds(kit, minutes, holds):
    """Counted from its loss, in two readings; the hold stays until flow is back."""
    back = kit.bath_view(state=BathState(CIRCUITS))
    still = kit.bath_view(kit.bath_facts(now_ms=0), state=BathState(CIRCUITS, inputs=Inputs(flow_lost_ms=0)))
    now_ms = 7_000 + round(minutes * MINUTE_MS)
    assert held_by_flow(kit, now_ms, 7_000, then=[still, back]) == [holds, holds, False]


@pytest.mark.parametrize(
    ("rise_K", "since_min", "lost_s", "holds"),
    [
        (1.01, 10, 60, True),
        (1.0, 10, 60, False),
        (1.01, 10, 59, False),
        (1.01, 9.9, 60, False),
        (2.01, 20, 60, True),
        (1.5, 20, 60, False),
    ],
)
def test_water_that_rises_fast_without_flow_holds(kit, rise_K, since_min, lost_s, holds):
    """More than 6 K an hour over the last ten minutes, once the loss has lasted its minute."""
    now_ms = 40 * MINUTE_MS
    at_ms = now_ms - round(since_min * MINUTE_MS)
    trail = [(0, 5.0), (at_ms, 31.0), (now_ms - MINUTE_MS, 20.0)]
    trail = trail if since_min >= 10 else trail[1:]
    found = held_by_flow(kit, now_ms, now_ms - 1_000 * lost_s, trail, 31.0 + rise_K)
    assert found == [holds]


def test_water_that_is_not_read_rises_by_nothing(kit):
    """Nor does a trail that is too short."""
    trail = [(0, 5.0)]
    assert held_by_flow(kit, 20 * MINUTE_MS, 10 * MINUTE_MS, trail, None) == [False]
    assert held_by_flow(kit, 20 * MINUTE_MS, 10 * MINUTE_MS, trail, 20.0) == [True]
    assert held_by_flow(kit, 20 * MINUTE_MS, 10 * MINUTE_MS, (), 20.0) == [False]


def level(kit, *facts, laws=PLATES, state=None):
    settings = kit.settings(laws=laws)
    sound = {"has": frozenset({"level", "level_mm"}), "level": 0.0, "level_mm": 200.0}
    return [kit.bath_view(kit.bath_facts(**(sound | fact)), settings=settings, state=state) for fact in facts]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
@pytest.mark.parametrize(("code", "reads"), [("level_low", -1.0), ("level_high", 1.0)])
def test_a_level_switch_waits_ten_seconds(kit, code, reads, period_ms):
    """A wave does nothing; unread keeps what stands; the other end of the switch is another law."""
    wait = 10_000 // period_ms
    facts = [{"level": reads}] * (wait + 1) + [{"level": None}, {"level": 0.0}]
    assert kit.watch(code, level(kit, *facts), period_ms) == [False] * wait + [True, True, False]
    assert not any(kit.watch(code, level(kit, *[{"level": -reads}] * 20), period_ms))
    assert not any(kit.watch(code, level(kit, *[{"level": None}] * 20), period_ms))
    assert not any(kit.watch(code, level(kit, *[{"level": reads, "has": frozenset({"level_mm"})}] * 20)))


@pytest.mark.parametrize("code", ["level_low", "level_high"])
def test_a_level_switch_that_chatters_is_calm_for_a_while_first(kit, code):
    """Ten seconds without its cause, by default."""
    reads = -1.0 if code == "level_low" else 1.0
    facts = [{"level": reads}] * 11 + [{"level": 0.0}] * 11
    assert kit.watch(code, level(kit, *facts, laws=LawSettings())) == [False] * 10 + [True] * 11 + [False]


def test_water_below_the_plates_holds(kit):
    """150 mm here, for ten seconds; 5 mm above clears, and lost readings do not."""
    facts = [*({"level_mm": mm} for mm in [150.0] * 11 + [149.9] * 11), {"level_mm": 154.9}, {"level_mm": None}]
    facts += [{"level_mm": 155.0}]
    assert kit.watch("level_hold", level(kit, *facts)) == [False] * 21 + [True, True, True, False]
    assert not any(kit.watch("level_hold", level(kit, *[{"level_mm": 1.0}] * 20, laws=LawSettings())))
    assert not any(kit.watch("level_hold", level(kit, *[{"level_mm": 1.0, "has": frozenset()}] * 20)))


def falling(kit, code, trail, now_ms, mm):
    state = BathState(CIRCUITS, inputs=Inputs(level_mm=tuple(trail)))
    fact = {"level_mm": mm, "now_ms": now_ms}
    return kit.watch(code, level(kit, fact, fact, state=state))


@pytest.mark.parametrize(
    ("ago_s", "mm", "holds"), [(60, 189.9, True), (60, 190.0, False), (30, 194.9, True), (29, 150.0, False)]
)
def test_water_that_falls_fast_holds_in_two_readings(kit, ago_s, mm, holds):
    """More than 10 mm a minute, told over half a minute at least."""
    trail = [(100_000 - 1_000 * ago_s, 200.0)]
    assert falling(kit, "level_falls", trail, 100_000, mm) == [False, holds]


def test_the_newest_old_point_is_the_one_compared_with(kit):
    """It fell before, and stands now: no longer falling."""
    trail = [(0, 300.0), (60_000, 190.0), (100_000, 150.0)]
    assert falling(kit, "level_falls", trail, 120_000, 190.0) == [False, False]
    assert falling(kit, "level_falls", trail, 120_000, 179.0) == [False, True]


@pytest.mark.parametrize(
    ("ago_min", "fall_mm", "holds"),
    [(60, 20.1, True), (60, 20.0, False), (58, 19.4, True), (58, 19.3, False), (57.9, 50.0, False)],
)
def test_a_slow_fall_over_an_hour_is_a_leak(kit, ago_min, fall_mm, holds):
    """More than 20 mm an hour, which no evaporation explains; shorter is not told."""
    now_ms = 90 * MINUTE_MS
    trail = [(now_ms - round(ago_min * MINUTE_MS), 200.0)]
    assert falling(kit, "leak", trail, now_ms, 200.0 - fall_mm) == [False, holds]


@pytest.mark.parametrize("code", ["level_falls", "leak"])
def test_a_fall_that_is_not_read_changes_nothing(kit, code):
    """It begins none and ends none; a level that is not measured has no such law."""
    now_ms = 90 * MINUTE_MS
    state = BathState(CIRCUITS, inputs=Inputs(level_mm=((now_ms - 60 * MINUTE_MS, 2_000.0),)))
    fell, lost = {"level_mm": 100.0, "now_ms": now_ms}, {"level_mm": None, "now_ms": now_ms}
    refilled = {"level_mm": 2_000.0, "now_ms": now_ms}
    seen = kit.watch(code, level(kit, lost, fell, fell, lost, refilled, state=state))
    assert seen == [False, False, True, True, False]
    assert not any(kit.watch(code, level(kit, *[{**fell, "has": frozenset({"level"})}] * 3, state=state)))
    assert not any(kit.watch(code, level(kit, *[fell] * 3, state=BathState(CIRCUITS))))


def test_trails_hold_the_last_hour_a_point_a_minute(kit):
    """61 points, newest last; what was not read leaves a hole."""
    bench = kit.bench(circuits=1, period_ms=5_000)
    bench.bath_signals |= {"level_mm": 200.0}
    bench.cycles(1_000)
    inputs = bench.state.inputs
    assert [at for at, _ in inputs.water_C] == [at for at, _ in inputs.level_mm]
    assert len(inputs.water_C) == 61
    moments = [at for at, _ in inputs.water_C]
    assert {later - earlier for earlier, later in pairwise(moments)} == {60_000}
    assert bench.now_ms - inputs.water_C[-1][0] < 60_000
    bench.bad[-1, "level_mm"] = None
    bench.cycles(60)
    assert len(bench.state.inputs.level_mm) == 56
    assert {value for _, value in bench.state.inputs.water_C} == {25.0}


def test_a_leak_of_the_whole_bath_is_told_and_water_that_runs_out_holds_it(kit):
    """24 mm an hour for an hour and a bit: told. Then 12 mm a minute: held."""
    bench = kit.bench(circuits=1, period_ms=5_000)
    bench.bath_signals |= {"level_mm": 400.0}
    bench.running(kit.step(ends={"time_ms": 10 * 3_600_000}))
    for _ in range(740):
        bench.bath_signals["level_mm"] -= 2.0 / 60.0
        bench.cycle()
    assert len(told(bench, "leak")) == 1
    assert bench.circuit().state is State.RUNNING
    for _ in range(24):
        bench.bath_signals["level_mm"] -= 1.0
        bench.cycle()
    assert bench.circuit().state is State.HELD


def test_time_that_runs_backwards_forgets_the_trails(kit):
    """Nothing that was read later than now says how things move."""
    bench = kit.bench(circuits=1).cycles(200)
    assert len(bench.state.inputs.water_C) == 4
    bench.now_ms -= 100_000
    bench.cycle()
    assert [at for at, _ in bench.state.inputs.water_C] == [bench.now_ms]
    assert replace(bench.state.inputs, minute_ms=None).flow_lost_ms is None
