"""One cycle of one circuit, stage by stage: what each hands on, the numbers in its events, what it leaves alone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import atlimit, circuit
from controller.core.circuit import CIRCUIT_CODES, decided
from controller.core.interlocks import CIRCUIT_LAWS
from controller.core.state import Alarm, Allowed, Interruption, LinkMemory, ProbeMemory, Tick, Timer, TrailPoint
from controller.core.types import (
    LOST,
    Advice,
    ChannelReading,
    CircuitIn,
    Condition,
    Fit,
    LinkState,
    Output,
    Reaction,
    State,
    Value,
)

H_MS = 3_600_000
AT_MS = 10_000
SOUND = ChannelReading(
    Value(15.0), Value(2.3 * 108), Value(15.0), Value(2.85 * 108), Value(1.0), Value(0.0), Value(0.0), Value(1_000.0),
    probes=(Value(30.0),), link=LinkState.UP, fit=Fit.OK,
)  # fmt: skip
ZERO = replace(SOUND, current_A=Value(0.0), set_current_A=Value(0.0), output_on=Value(0.0))
LINKED = LinkMemory(AT_MS - 1_000, 999.0)
TRIP = Condition("emergency_stop", Reaction.TRIP, priority=1)
HOLD = Condition("water_hold", Reaction.HOLD, 51.0, 50.0, priority=1)
WARN = Condition("water_warm", Reaction.WARN, 41.0, 40.0, priority=2)


def living(kit, state=State.RUNNING, **changes):
    """A circuit whose last cycle was a second ago and sound."""
    off = state not in (State.RUNNING, State.HELD)
    base = kit.state(state, set_A=15.0 if state is State.RUNNING else 0.0, run=kit.run(step_entered_ms=0))
    base = replace(base, now_ms=AT_MS - 1_000, link=LINKED, probes=(ProbeMemory(30.0, (30.0,), 0),), confirmed=off)
    return replace(base, **changes)


def cycle(kit, state, reading=None, share=None, settings=None, **cin):
    """Decide the next cycle; return the new state, its events by code, and what stood."""
    settings = settings or kit.settings()
    reading = reading or (SOUND if state.state is State.RUNNING else ZERO)
    given = CircuitIn(cin.pop("now_ms", AT_MS), reading, share or kit.share(), **cin)
    new, events, standing = decided(settings, settings.circuits[0], state, given)
    return new, {event.code: event for event in events}, [condition.code for condition in standing]


def test_a_sound_cycle_tells_nothing_and_asks_for_the_steps_current(kit):
    """The base of what follows; `step` is the same decision with its command beside it."""
    new, events, standing = cycle(kit, living(kit))
    assert (events, standing) == ({}, [])
    assert (new.state, new.command.set_current_A) == (State.RUNNING, 15.0)
    settings = kit.settings()
    cin = CircuitIn(AT_MS, SOUND, kit.share())
    assert circuit.step(settings, settings.circuits[0], living(kit), cin) == (new, new.command, ())


def test_the_circuits_own_codes_are_those_of_its_laws():
    """By them a bath's trip is told from the circuit's own."""
    assert frozenset(law.code for law in CIRCUIT_LAWS) == CIRCUIT_CODES


def test_a_resume_by_rule_says_how_long_the_link_was_away(kit):
    """Lost at 4 s, back at 40 s: 0.6 min, and the ride-through is counted."""
    waits = kit.run(interruption=Interruption(4_500, "link_lost", resumable_by_rule=True))
    link = LinkMemory(4_000, 1_000.0, lost=True, lost_ms=4_000, uptime_before_s=1_000.0)
    state = living(kit, State.HELD, run=waits, link=link, now_ms=39_000)
    new, events, _ = cycle(kit, state, replace(ZERO, uptime_s=Value(1_036.0)), now_ms=40_000)
    assert dict(events["resumed_by_rule"].data) == {"minutes": 0.6}
    assert events["resumed_by_rule"].target == "A01"
    assert (new.state, new.run.link_rides, new.run.rides_ms) == (State.RUNNING, 1, (40_000,))


STOOD_MS = 1_800_000


def stood(kit, current_A, still_ms=STOOD_MS, **changes):
    """A probe that has stood still for so long under a trail of this current, an hour into a run."""
    trail = tuple(TrailPoint(H_MS - 120_000 * back, current_A, 2.3, 30.0, 25.0) for back in range(15, 0, -1))
    memory = ProbeMemory(30.0, (30.0,) * 3, H_MS - still_ms)
    return living(kit, probes=(memory,), trail=trail, now_ms=H_MS - 1_000, link=LinkMemory(H_MS - 1_000), **changes)


@pytest.mark.parametrize(
    ("current_A", "still_ms", "minutes", "frozen"),
    [
        (4.8, STOOD_MS, 30.0, True),
        (4.79, STOOD_MS, 30.0, False),
        (4.8, STOOD_MS - 1, 30.0, False),
        (4.8, 1_200_000, 20.0, True),
        (4.8, 1_199_999, 20.0, False),
    ],
)
def test_a_probe_is_frozen_by_the_settings_minutes_and_the_capacitys_current(kit, current_A, still_ms, minutes, frozen):
    """0.08 C20 of 60 Ah are 4.8 A; 30 min by default."""
    laws = kit.settings().laws
    settings = kit.settings(laws=replace(laws, probe=replace(laws.probe, frozen_minutes=minutes)))
    share = kit.share(sisters_K=2.0)
    new, _, _ = cycle(kit, stood(kit, current_A, still_ms), share=share, settings=settings, now_ms=H_MS)
    assert new.probes[0].frozen is frozen


def test_without_a_list_no_probe_is_frozen(kit):
    """What current is much, is a matter of the batteries; and nothing new is the very same memory."""
    state = replace(stood(kit, 15.0), state=State.IDLE, load=None, run=None)
    new, _, _ = cycle(kit, state, ZERO, share=kit.share(sisters_K=2.0), now_ms=H_MS)
    assert new.probes is state.probes


@pytest.mark.parametrize(
    ("output", "confirmed", "end_ms", "counts"),
    [
        (Output.OFF, True, 5_000, False),
        (Output.OFF, False, 5_000, True),
        (Output.TO_ZERO, True, 5_000, True),
        (Output.OFF_SENT, True, 5_000, True),
        (Output.STUCK, True, 5_000, True),
        (Output.OFF, True, None, True),
    ],
)
def test_charge_is_counted_until_zero_is_read_back_with_the_output_off(kit, output, confirmed, end_ms, counts):
    """What flows after the end has gone into the string too; after that the run is closed."""
    where = State.RUNNING if end_ms is None else State.STOPPED
    ended = living(kit, where, run=kit.run(end_ms=end_ms), output=output, confirmed=confirmed)
    new, _, _ = cycle(kit, ended, SOUND)
    assert (new.run.counters.last_A == 15.0) is counts


@pytest.mark.parametrize(("end_ms", "told"), [(None, True), (5_000, False)])
def test_a_gap_is_told_in_seconds_while_a_run_is_open(kit, end_ms, told):
    """7.5 s without a cycle."""
    state = living(kit, State.HELD if end_ms is None else State.STOPPED, run=kit.run(end_ms=end_ms), confirmed=False)
    _, events, _ = cycle(kit, state, now_ms=AT_MS + 6_500)
    assert ("gap" in events) is told
    if told:
        assert (events["gap"].target, dict(events["gap"].data)) == ("A01", {"seconds": 7.5})
    assert "gap" not in cycle(kit, living(kit))[1]


@pytest.mark.parametrize(
    ("hottest_C", "highest_V", "expected"),
    [
        (None, None, (30.0, 2.3)),
        (29.0, 2.2, (30.0, 2.3)),
        (31.0, 2.4, (31.0, 2.4)),
        (29.0, 2.4, (30.0, 2.4)),
        (31.0, 2.2, (31.0, 2.3)),
        (30.0, 2.3, (30.0, 2.3)),
    ],
)
def test_a_run_keeps_its_extremes(kit, hottest_C, highest_V, expected):
    """Each by itself; what was not read is no extreme."""
    run = kit.run(hottest_C=hottest_C, highest_V_per_cell=highest_V)
    new, _, _ = cycle(kit, living(kit, run=run))
    assert (new.run.hottest_C, new.run.highest_V_per_cell) == pytest.approx(expected)
    blind = replace(SOUND, voltage_V=LOST, probes=(LOST,))
    new, _, _ = cycle(kit, living(kit, run=run), blind)
    assert (new.run.hottest_C, new.run.highest_V_per_cell) == (hottest_C, highest_V)


def test_a_bath_trip_is_latched_in_the_circuit_and_told_of_once(kit):
    """It begins, stands without beginning again, and ends; what the circuit's own laws latched is not touched."""
    own = Alarm("current_trip", 0, 2, Reaction.TRIP, acknowledged=True, latched=True)
    state = living(kit, State.TRIPPED, alarms=(own,), revision=7)
    share = kit.share(reactions=(WARN, TRIP, HOLD))
    first, events, standing = cycle(kit, state, share=share)
    assert standing == ["water_warm", "emergency_stop", "water_hold"]
    assert [(each.code, each.active) for each in first.alarms if each.code != "current_trip"] == [
        ("emergency_stop", True)
    ]
    assert events["emergency_stop"].data["life"].startswith("new")
    assert first.revision == 8
    again, events, _ = cycle(kit, first, share=share, now_ms=AT_MS + 1_000)
    assert "emergency_stop" not in events
    assert again.revision == first.revision
    ended, events, _ = cycle(kit, again, now_ms=AT_MS + 2_000)
    assert [each.active for each in ended.alarms if each.code == "emergency_stop"] == [False]
    assert "current_trip" not in {code for code in events if events[code].kind == "order"}


@pytest.mark.parametrize(
    ("state", "loaded", "suppressed"),
    [(State.IDLE, False, True), (State.IDLE, True, False), (State.HELD, True, False), (State.TRIPPED, False, False)],
)
def test_an_empty_place_is_silent(kit, state, loaded, suppressed):
    """Idle and without a list: only priority 1 and trips are told there."""
    base = living(kit, state)
    base = base if loaded else replace(base, load=None, run=None)
    new, _, standing = cycle(kit, base, advice=(Advice("joint_hot", 60.0, 50.0),))
    assert "joint_hot" in standing
    assert [each.suppressed for each in new.alarms if each.code == "joint_hot"] == [suppressed]


def test_out_of_use_takes_alarms_of_lesser_priority_away(kit):
    """Maintenance works there."""
    base = replace(living(kit, State.IDLE, out_of_use="rig"), load=None, run=None)
    new, _, standing = cycle(kit, base, advice=(Advice("joint_hot", 60.0, 50.0),))
    assert "joint_hot" in standing
    assert [(each.code, each.out_of_use, each.suppressed) for each in new.alarms] == [("joint_hot", True, False)]


def hot(celsius, **changes):
    return {"probes": (ProbeMemory(celsius, (celsius,) * 3, 0),), **changes}


@pytest.mark.parametrize(
    ("celsius", "before", "expected"),
    [
        (30.0, Allowed(), Allowed()),
        (52.5, Allowed(), Allowed(60.0, 60.0)),
        (55.0, Allowed(60.0, 60.0), Allowed(20.0, 20.0)),
        (30.0, Allowed(60.0, 60.0), Allowed(60.0, 100.0, AT_MS)),
        (30.0, Allowed(60.0, 100.0, AT_MS - 60_000), Allowed(61.0, 100.0, AT_MS - 60_000)),
        (30.0, Allowed(100.0, 100.0, 5), Allowed(100.0, 100.0)),
    ],
)
def test_the_temperature_derate_falls_at_once_and_eases_slowly(kit, celsius, before, expected):
    """50 C whole, 55 C one fifth; back by 1 % a second, a minute after it eased."""
    reading = replace(SOUND, probes=(Value(celsius),))
    new, _, _ = cycle(kit, living(kit, allowed=before, **hot(celsius)), reading)
    assert new.allowed == expected


def test_in_a_runaway_a_fifth_is_allowed_at_most(kit):
    """Whatever the temperature says by itself; where that is not known nothing moves."""
    timers = (Timer("runaway", active=True, reaction=Reaction.DERATE),)
    new, _, _ = cycle(kit, living(kit, timers=timers))
    assert new.allowed.percent == 20.0
    blind = replace(SOUND, probes=(LOST,))
    new, _, _ = cycle(kit, living(kit, timers=timers), blind, share=kit.share(water_C=LOST))
    assert new.allowed.percent == 100.0


def test_the_derate_does_not_rise_without_a_probe_nor_backwards_in_time(kit):
    """A stand-in is no proof of ease, and a clock that went back gives nothing."""
    easing = Allowed(60.0, 100.0, 0)
    lost = replace(SOUND, probes=(LOST,))
    state = living(kit, allowed=easing, now_ms=99_000)
    new, _, _ = cycle(kit, state, lost, stand_in_C=30.0, now_ms=100_000)
    assert new.allowed.percent == 60.0
    new, _, _ = cycle(kit, state, lost, stand_in_C=54.0, now_ms=100_000)
    assert new.allowed.percent == pytest.approx(36.0)
    new, _, _ = cycle(kit, replace(state, now_ms=200_000), SOUND, now_ms=100_000)
    assert new.allowed.percent == 60.0


@pytest.mark.parametrize(
    ("reading", "leaves"),
    [
        (ZERO, True),
        (replace(ZERO, current_A=Value(0.0, age_ms=1)), False),
        (replace(ZERO, current_A=Value(0.4)), False),
        (replace(ZERO, voltage_V=LOST), False),
        (replace(ZERO, output_on=Value(1.0)), False),
    ],
)
def test_unknown_is_left_at_zero_read_back_and_never_before(kit, reading, leaves):
    """Fresh, whole, zero, output off: then what was stored; it tells only that."""
    state = living(kit, State.UNKNOWN, stored=State.HELD)
    new, events, _ = cycle(kit, state, reading)
    assert new.state is (State.HELD if leaves else State.UNKNOWN)
    assert ("zero_read" in events) is leaves
    assert not {"held", "tripped"} & events.keys()


@pytest.mark.parametrize(
    ("state", "share", "now_ms", "to", "cause"),
    [
        (State.RUNNING, {"reactions": (WARN,)}, AT_MS, State.RUNNING, None),
        (State.RUNNING, {"reactions": (HOLD, WARN)}, AT_MS, State.HELD, "water_hold"),
        (State.RUNNING, {"reactions": (HOLD, TRIP)}, AT_MS, State.TRIPPED, "emergency_stop"),
        (State.RUNNING, {"airflow_ok": False}, AT_MS, State.HELD, "bath_not_safe"),
        (State.RUNNING, {"airflow_ok": False, "reactions": (WARN,)}, AT_MS, State.HELD, "bath_not_safe"),
        (State.RUNNING, {"airflow_ok": False, "reactions": (HOLD,)}, AT_MS, State.HELD, "water_hold"),
        (State.RUNNING, {}, AT_MS + 5_000, State.HELD, "gap"),
        (State.RUNNING, {"airflow_ok": False}, AT_MS + 5_000, State.HELD, "gap"),
        (State.HELD, {"airflow_ok": False}, AT_MS, State.HELD, None),
        (State.HELD, {"reactions": (HOLD,)}, AT_MS, State.HELD, None),
        (State.HELD, {"reactions": (TRIP,)}, AT_MS, State.TRIPPED, "emergency_stop"),
        (State.IDLE, {"reactions": (HOLD,)}, AT_MS, State.IDLE, None),
        (State.IDLE, {"reactions": (TRIP,)}, AT_MS, State.TRIPPED, "emergency_stop"),
        (State.STOPPED, {"reactions": (TRIP, HOLD)}, AT_MS, State.STOPPED, None),
    ],
)
def test_the_most_severe_condition_moves_the_state_and_is_told_as_its_cause(kit, state, share, now_ms, to, cause):
    """A bath that is not safe, or a gap, holds what runs even where no law says so."""
    new, events, _ = cycle(kit, living(kit, state), share=kit.share(**share), now_ms=now_ms)
    assert new.state is to
    told = {code: dict(event.data) for code, event in events.items() if code in ("held", "tripped")}
    assert told == ({} if cause is None else {to.value: {"cause": cause}})
    if state is State.RUNNING and cause is not None:
        assert new.run.interruption == Interruption(now_ms, cause)


@pytest.mark.parametrize(
    ("reactions", "gap", "by_rule"), [((), False, True), ((HOLD,), False, False), ((WARN,), False, True)]
)
def test_only_a_hold_by_the_link_alone_is_resumed_by_rule(kit, reactions, gap, by_rule):
    """A second hold beside it is a person's, and so is a gap."""
    down = replace(SOUND, link=LinkState.DOWN, current_A=Value(15.0, age_ms=9_000))
    new, _, standing = cycle(kit, living(kit), down, share=kit.share(reactions=reactions))
    assert "link_lost" in standing
    assert new.run.interruption == Interruption(AT_MS, new.run.interruption.code, by_rule)
    new, _, _ = cycle(kit, living(kit), down, now_ms=AT_MS + 5_000)
    assert new.run.interruption.resumable_by_rule is False


def test_an_accepted_order_tells_what_else_it_did_and_a_refused_one_does_not(kit):
    """A start tells its list."""
    settings = kit.settings(start_items=("polarity",), fresh_V=248.4)
    ticks = (Tick(1, True, "bert", AT_MS - 60_000),)
    state = living(kit, State.IDLE, run=None, ticks=ticks)
    for roles, codes in ((("technician",), {"accepted", "start_list_item"}), (("quality",), {"role"})):
        order = kit.order("start", roles=roles)
        assert cycle(kit, state, settings=settings, orders=(order,))[1].keys() == codes


def test_a_late_start_says_how_long_the_string_soaked(kit):
    """Filled at 0, started at 121.5 min where 120 are allowed; a start in time says nothing."""
    for minutes, told in ((121.5, True), (120, False)):
        now_ms = round(minutes * 60_000)
        load = kit.load(plan=kit.plan(soak_max_ms=120 * 60_000, late_start="slow"))
        state = living(kit, State.IDLE, run=None, load=load, now_ms=now_ms - 1_000, link=LinkMemory(now_ms - 1_000))
        settings = kit.settings(fresh_V=248.4)
        new, events, _ = cycle(kit, state, settings=settings, orders=(kit.order("start"),), now_ms=now_ms)
        assert new.state is State.RUNNING
        assert ("late_start" in events) is told
        if told:
            assert (events["late_start"].target, dict(events["late_start"].data)) == ("A01", {"minutes": 121.5})


def test_an_order_that_skips_tells_the_step_that_ended_and_the_one_that_began(kit):
    """An order that leaves the step alone tells neither."""
    steps = (kit.step(1), kit.step(2, current_A=6.0))
    state = living(kit, load=kit.load(*steps))
    _, events, _ = cycle(kit, state, orders=(kit.order("skip", reason="acid is right"),))
    assert (events["step_ended"].data["step"], events["step_ended"].data["by"]) == (1, "skip")
    assert events["step_began"].data["step"] == 2
    _, events, _ = cycle(kit, state, orders=(kit.order("extend", minutes=60),))
    assert not {"step_ended", "step_began", "late_start"} & events.keys()


@pytest.mark.parametrize(
    ("on_overrun", "fair_ms", "slow"),
    [(b"slow".decode(), 8_001.0, True), ("slow", 8_000.0, False), ("hold", 8_001.0, False), ("next", 8_000.0, False)],
)
def test_an_overrun_makes_a_step_slow_only_where_it_says_so(kit, on_overrun, fair_ms, slow):
    """The second of this cycle counts: past 9 s of fair time."""
    step = kit.step(longest_ms=9_000, on_overrun=on_overrun)
    new, _, _ = cycle(kit, living(kit, load=kit.load(step), run=kit.run(fair_ms=fair_ms)))
    assert new.run.slow is slow
    assert new.command.set_current_A == (3.0 if slow else 15.0)


@pytest.mark.parametrize(("since_ms", "entered_ms", "lived"), [(0, 0, 1_000), (AT_MS, 0, 0), (0, AT_MS, 0)])
def test_nothing_is_lived_in_the_cycle_that_began_it(kit, since_ms, entered_ms, lived):
    """Neither a start nor a step has lasted a cycle when it has just begun."""
    state = living(kit, since_ms=since_ms, run=kit.run(step_entered_ms=entered_ms))
    assert cycle(kit, state)[0].run.step_time_ms == lived


@pytest.mark.parametrize("state", [state for state in State if state is not State.RUNNING])
def test_only_a_running_circuit_lives_through_its_step(kit, state):
    """Time that passes in a hold is nobody's."""
    run = kit.run(step_time_ms=5, fair_ms=5.0)
    assert cycle(kit, living(kit, state, run=run), ZERO)[0].run.step_time_ms == 5


@pytest.mark.parametrize(("set_A", "share_A", "percent", "fair_ms"), [
    (15.0, None, 100.0, 1_000.0), (7.5, 7.5, 100.0, 500.0), (7.5, None, 50.0, 500.0),
])  # fmt: skip
def test_a_second_counts_by_what_was_allowed_of_it(kit, set_A, share_A, percent, fair_ms):
    """Half the current, half a second of the step's longest time."""
    state = living(kit, allowed=Allowed(percent, 100.0, AT_MS - 1))
    state = replace(state, command=replace(state.command, set_current_A=set_A))
    assert cycle(kit, state, share_A=share_A)[0].run.fair_ms == pytest.approx(fair_ms)


@pytest.mark.parametrize(("kind", "set_A", "limit_share", "read_share", "before_A", "ends"), [
    ("charge", 15.0, 1.015, None, 15.0, True), ("charge", 14.9, 1.015, None, 15.0, False),
    ("charge", 15.0, 1.017, None, 15.0, False), ("discharge", -15.0, 0.985, None, -15.0, True),
    ("discharge", -15.0, 0.984, None, -15.0, False), ("charge", 15.0, None, None, 15.0, False),
    # the device's own limit, half a per cent from the one written, is the one that counts; another one is none of ours
    ("charge", 15.0, 1.017, 1.013, 15.0, True), ("discharge", -15.0, 0.983, 0.987, -15.0, True),
    ("charge", 15.0, 1.030, 1.010, 15.0, False), ("charge", 15.0, 1.012, 1.017, 15.0, True),
    # a smaller current was asked for within the settling time: the rectifier may still be on its way
    ("charge", 15.0, 1.015, None, 14.9, False), ("discharge", -15.0, 0.985, None, -14.9, False),
])  # fmt: skip
def test_a_fallen_current_ends_a_step_only_at_its_limit_and_with_its_whole_current_asked_for(
    kit, kind, set_A, limit_share, read_share, before_A, ends
):
    """A derated current is small for another reason, one below the volts' limit only rises; two readings end it."""
    steps = (kit.step(1, kind, ends={"current_A": 15.2}), kit.step(2, current_A=6.0))
    state = living(kit, load=kit.load(*steps), run=kit.run(meets=1, flowing=True))
    volts, limit_V = SOUND.voltage_V.number, (limit_share or 1.0) * SOUND.voltage_V.number
    command = replace(state.command, set_current_A=set_A, voltage_limit_V=limit_V)
    state = replace(state, command=command, asked=((AT_MS - 1_900, before_A), (AT_MS - 1_000, set_A)))
    reading = SOUND if limit_share is not None else replace(SOUND, voltage_V=LOST)
    reading = replace(reading, set_voltage_V=LOST if read_share is None else Value(read_share * volts))
    new, events, _ = cycle(kit, state, reading)
    assert (new.run.step == 1) is ends
    assert ("step_began" in events) is ends
    assert "complete" not in events


@pytest.mark.parametrize("discharges", [False, True])
def test_volts_that_were_not_read_stand_at_no_limit(kit, discharges):
    """Nothing unread ends a step."""
    assert atlimit.limited(living(kit), kit.facts(voltage_V=None), discharges) is False


def test_the_last_end_completes_the_run_and_says_its_charge(kit):
    """All of it, and no current any more."""
    run = kit.run(step_time_ms=14_400_000)
    run = replace(run, counters=replace(run.counters, charge_Ah=202.5))
    new, events, _ = cycle(kit, living(kit, run=run))
    assert (new.state, new.command.set_current_A, new.run.end_ms) == (State.COMPLETE, 0.0, AT_MS)
    assert (events["complete"].target, dict(events["complete"].data)) == ("A01", {"charge_Ah": 202.5})
    assert "step_began" not in events
