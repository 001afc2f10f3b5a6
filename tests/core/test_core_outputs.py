"""The bath's own outputs: horn, beacon, healthy lamp, water call."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import outputs
from controller.core.bathstate import BathState, Duty
from controller.core.interlocks import BATH_LAWS
from controller.core.state import Alarm, CircuitState, Timer
from controller.core.types import BathCommand, Event, Reaction

URGENT = Alarm("probe_hold", 0, 2, Reaction.HOLD)
LEVEL = frozenset({"level"})


def bath(*found, **changes):
    """A bath whose only circuit has these alarms."""
    return BathState((CircuitState("A01", alarms=found),), **changes)


def decided(kit, state, events=(), settings=None, **facts):
    return outputs.decided(settings or kit.settings(), state, kit.bath_facts(now_ms=60_000, **facts), list(events))


def test_a_quiet_bath(kit):
    """No horn, no beacon, no water; healthy; nothing to remember."""
    state = bath()
    after, command = decided(kit, state)
    assert command == BathCommand(0, beacon=False, healthy=True, water_call=False)
    assert after is state


@pytest.mark.parametrize(("changes", "horn", "beacon"), [
    ({}, 1, True), ({"priority": 1}, 1, True), ({"priority": 3}, 0, True), ({"acknowledged": True}, 0, True),
    ({"active": False}, 1, True), ({"escalated": True}, 2, True), ({"escalated": True, "acknowledged": True}, 0, True),
    ({"suppressed": True}, 0, False), ({"shelved_until_ms": 90_000}, 0, False), ({"out_of_use": True}, 0, False),
])  # fmt: skip
def test_who_rings_the_horn_and_lights_the_beacon(kit, changes, horn, beacon):
    """Unacknowledged 1 and 2 ring, escalated ones otherwise; any open one lights; silent ones do neither."""
    one = replace(URGENT, **changes)
    for state in (bath(one), bath(alarms=(one,))):
        _, command = decided(kit, state)
        assert (command.horn, command.beacon) == (horn, beacon)


def test_one_escalated_among_others_changes_the_pattern(kit):
    """The worst is heard."""
    assert decided(kit, bath(URGENT, replace(URGENT, code="a", escalated=True)))[1].horn == 2


def test_a_press_mutes_the_horn_and_touches_no_alarm(kit):
    """Until a newer alarm comes; the beacon stays."""
    state, command = decided(kit, bath(URGENT), heard=True)
    assert (command.horn, command.beacon, state.duty.muted) == (0, True, True)
    assert state.circuits[0].alarms == (URGENT,)
    state, command = decided(kit, state, heard=False)
    assert (command.horn, state.duty) == (0, Duty(muted=True))
    later = replace(state, alarms=(replace(URGENT, code="b", told_ms=60_000),))
    state, command = decided(kit, later, heard=False)
    assert (command.horn, state.duty) == (1, Duty())


def test_a_newer_one_that_rings_nothing_leaves_it_muted(kit):
    """Priority 3, or silent: nobody would hear what it is."""
    muted = bath(URGENT, replace(URGENT, code="b", told_ms=60_000, priority=3), duty=Duty(muted=True))
    assert decided(kit, muted)[1].horn == 0


def test_an_escalation_sounds_in_spite_of_a_press(kit):
    """Somebody heard and nobody came."""
    state = bath(replace(URGENT, escalated=True), duty=Duty(muted=True))
    assert decided(kit, state, [Event("held", "A01")])[1].horn == 0
    after, command = decided(kit, state, [Event("escalated", "A01")])
    assert (command.horn, after.duty.muted) == (2, False)


def test_what_is_muted_ends_with_what_rings(kit):
    """An alarm acknowledged, then another: its first sound is heard."""
    state, _ = decided(kit, bath(duty=Duty(muted=True)))
    assert not state.duty.muted
    assert not decided(kit, bath(), heard=True)[0].duty.muted


def test_a_stuck_button_mutes_once_and_a_lost_one_is_no_press(kit):
    """Only going down counts; what cannot be read stays as it was."""
    state, _ = decided(kit, bath(URGENT), heard=True)
    state = replace(state, alarms=(replace(URGENT, code="b", told_ms=60_000),))
    state, command = decided(kit, state, heard=True)
    assert (command.horn, state.duty) == (1, Duty(heard=True))
    state, command = decided(kit, state, heard=None)
    assert (command.horn, state.duty) == (1, Duty(heard=True))
    assert decided(kit, state, heard=True)[1].horn == 1
    state, _ = decided(kit, state, heard=False)
    assert state.duty == Duty()


@pytest.mark.parametrize(("period_ms", "since_ms", "horn"), [
    (1_000, 60_000, 1), (1_000, 57_001, 1), (1_000, 57_000, 0), (1_000, 9_000, 0),
    (5_000, 50_001, 1), (5_000, 50_000, 0),
])  # fmt: skip
def test_a_horn_test_sounds_for_three_seconds_or_two_cycles(kit, period_ms, since_ms, horn):
    """A longer cycle still makes a sound that can be heard."""
    state = bath(duty=Duty(horn_test_ms=since_ms))
    assert decided(kit, state, settings=kit.settings(period_ms))[1].horn == horn


def test_a_horn_test_is_heard_through_a_mute_and_hides_no_escalation(kit):
    """The test sounds the first pattern; what is worse keeps its own."""
    duty = Duty(horn_test_ms=60_000, muted=True)
    assert decided(kit, bath(URGENT, duty=duty))[1].horn == 1
    assert decided(kit, bath(replace(URGENT, escalated=True), duty=Duty(horn_test_ms=60_000)))[1].horn == 2


@pytest.mark.parametrize("code", outputs.CALLS_WATER)
def test_laws_that_ask_for_water(kit, code):
    """While they stand, not while they wait; and each is a law of the bath."""
    assert code in {law.code for law in BATH_LAWS}
    assert outputs.TOO_FULL in {law.code for law in BATH_LAWS}
    assert decided(kit, bath(timers=(Timer(code, active=True),)))[1].water_call
    assert not decided(kit, bath(timers=(Timer(code, active=False),)))[1].water_call
    assert not decided(kit, bath(timers=(Timer("hood_open", active=True),)))[1].water_call


@pytest.mark.parametrize(("facts", "call"), [
    ({}, False), ({"water_C": None}, True), ({"has": LEVEL, "level": None}, True),
    ({"has": LEVEL, "level": 0.0}, False), ({"level": None}, False),
    ({"has": LEVEL, "level": 1.0, "water_C": None}, False),
    ({"has": LEVEL, "level": -1.0}, False),
])  # fmt: skip
def test_what_cannot_be_told_calls_for_water_but_never_into_a_full_bath(kit, facts, call):
    """An input that the bath does not have says nothing; a level too high shuts at once, and until its law ends."""
    assert decided(kit, bath(), **facts)[1].water_call is call
    dry = bath(timers=(Timer("level_low", active=True),))
    assert decided(kit, dry, **facts)[1].water_call is (facts.get("level") != 1.0)
    full = bath(timers=(Timer("level_high", active=True), Timer("water_hold", active=True)))
    assert not decided(kit, full, **facts)[1].water_call


def test_a_mute_outlasts_other_news_and_ends_in_the_very_cycle_of_a_newer_alarm(kit):
    """Told in this cycle, to the millisecond; no event but an escalation sounds it again."""
    muted = Duty(muted=True)
    for told_ms, horn in ((59_999, 0), (int("60000"), 1), (60_001, 0)):
        state = bath(replace(URGENT, told_ms=told_ms), duty=muted)
        assert decided(kit, state)[1].horn == horn
    for code, horn in (("accepted", 0), ("zero_read", 0), (b"escalated".decode(), 1)):
        assert decided(kit, bath(URGENT, duty=muted), events=[Event(code, "A01")])[1].horn == horn
