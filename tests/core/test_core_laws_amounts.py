"""The laws of current, voltage and the open string: levels, times at T of 1 and 5 s, and what clears them."""

from __future__ import annotations

import pytest

from controller.core.lawsettings import CurrentLimits, LawSettings, OpenStringLimits, VoltageLimits
from controller.core.types import Reaction, State


def views(kit, *facts, state=None, settings=None):
    return [kit.view(state=state, facts=fact, settings=settings) for fact in facts]


@pytest.mark.parametrize(
    ("set_A", "read_A", "trips"),
    [(15.0, 16.4, False), (15.0, 16.6, True), (3.0, 3.9, False), (3.0, 4.1, True), (0.0, 0.9, False), (0.0, 1.1, True)],
)
def test_current_trips_above_the_larger_of_ten_percent_and_one_ampere(kit, set_A, read_A, trips):
    """15 A: 16.5; 3 A: 4.0; nothing asked: 1.0; in two readings."""
    state = kit.state(State.RUNNING if set_A else State.IDLE, set_A=set_A)
    seen = kit.watch("current_trip", views(kit, *[kit.facts(current_A=read_A)] * 2, state=state))
    assert seen == [False, trips]


def test_one_spike_of_current_does_not_trip(kit):
    """One reading is a spike, two are a fault."""
    spike, sound = kit.facts(current_A=30.0), kit.facts()
    assert not any(kit.watch("current_trip", views(kit, spike, sound, spike, sound)))


def test_current_is_compared_with_the_highest_set_point_of_the_settling_time(kit):
    """A rectifier follows down with a lag: what was asked 2 s ago still explains current."""
    state = kit.state(State.HELD, set_A=0.0, asked=((0, 15.0), (1_000, 0.0)))
    assert not any(kit.watch("current_trip", views(kit, *[kit.facts(current_A=15.5)] * 3, state=state)))


def test_current_not_read_does_not_clear_a_trip(kit):
    """The cause is gone when it is read to be gone."""
    high, unread, back = kit.facts(current_A=30.0), kit.facts(current_A=None), kit.facts()
    assert kit.watch("current_trip", views(kit, high, high, unread, back)) == [False, True, True, False]


def test_current_against_the_direction_asked_for_trips(kit):
    """15 A out of a string that shall be charged is current nobody asked for, and the other way about."""
    back = views(kit, *[kit.facts(current_A=-15.0)] * 2)
    assert kit.watch("current_trip", back) == [False, True]
    discharging = kit.state(steps=(kit.step(kind="discharge"),), set_A=-15.0)
    assert kit.watch("current_trip", views(kit, *[kit.facts(current_A=15.0)] * 2, state=discharging)) == [False, True]


def test_a_discharge_is_compared_by_its_amount(kit):
    """-15 A asked and -15 A read is as asked; -17 A is too much."""
    state = kit.state(steps=(kit.step(kind="discharge"),), set_A=-15.0)
    for read_A, trips in ((-15.0, False), (-17.0, True)):
        seen = kit.watch("current_trip", views(kit, *[kit.facts(current_A=read_A)] * 2, state=state))
        assert seen[-1] is trips


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 10), (5_000, 2)])
def test_current_a_little_above_warns_after_ten_seconds(kit, period_ms, first):
    """2 % and the shunt's 0.3 A, for 10 s, whatever the period."""
    settings = kit.settings(period_ms)
    seen = kit.watch("current_warn", views(kit, *[kit.facts(current_A=15.7)] * 14, settings=settings), period_ms)
    assert seen.index(True) == first
    assert not any(kit.watch("current_warn", views(kit, *[kit.facts(current_A=15.5)] * 14)))


def test_the_limits_of_current_are_the_settings(kit):
    """Another percentage and another ampere in the bath file act."""
    settings = kit.settings(laws=LawSettings(current=CurrentLimits(above_percent=50.0, above_A=2.0)))
    for read_A, trips in ((22.0, False), (23.0, True)):
        seen = kit.watch("current_trip", views(kit, *[kit.facts(current_A=read_A)] * 2, settings=settings))
        assert seen[-1] is trips


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 60), (5_000, 12)])
def test_less_than_the_least_current_for_a_minute_holds(kit, period_ms, first):
    """A rectifier does not regulate below its least current."""
    state = kit.state(set_A=0.0, run=kit.run(step_time_ms=1_000))
    seen = kit.watch("below_least", [kit.view(state=state, settings=kit.settings(period_ms))] * 62, period_ms)
    assert seen.index(True) == first


def test_a_rest_and_a_ramps_beginning_are_not_below_the_least_current(kit):
    """A rest wants no current, a ramp wants none yet."""
    rest = kit.state(steps=(kit.step(kind="rest", current_A=0.0),), set_A=0.0)
    ramp = kit.state(steps=(kit.step(ramp_ms=3_600_000),), set_A=0.0, run=kit.run(step_time_ms=100_000))
    for state in (rest, ramp):
        assert not any(kit.watch("below_least", [kit.view(state=state)] * 70))


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 10), (5_000, 2)])
def test_volts_above_the_limit_written_trip_after_ten_seconds(kit, period_ms, first):
    """2.85 written: 2.901 is more than 50 mV above."""
    settings = kit.settings(period_ms)
    high = views(kit, *[kit.facts(volts_per_cell=2.901)] * 14, settings=settings)
    assert kit.watch("voltage_trip", high, period_ms).index(True) == first
    below = views(kit, *[kit.facts(volts_per_cell=2.899)] * 14)
    assert not any(kit.watch("voltage_trip", below))


def test_volts_are_compared_with_the_limit_in_the_settings(kit):
    """A bath file may say 20 mV and 3 s."""
    settings = kit.settings(laws=LawSettings(voltage=VoltageLimits(above_mV_per_cell=20.0, seconds=3.0)))
    seen = kit.watch("voltage_trip", views(kit, *[kit.facts(volts_per_cell=2.88)] * 5, settings=settings))
    assert seen == [False, False, False, True, True]


def test_volts_above_the_limit_clear_below_it_and_are_kept_when_not_read(kit):
    """Lost volts keep the cause; volts under the limit end it."""
    high, unread, back = (kit.facts(volts_per_cell=amount) for amount in (2.93, None, 2.5))
    assert kit.watch("voltage_trip", views(kit, *[high] * 11, unread, back))[-3:] == [True, True, False]


def test_the_profiles_own_trip_level_acts_in_two_readings(kit):
    """2.95 V a cell at once, whatever the limit written."""
    high, spike = kit.facts(volts_per_cell=2.95), kit.facts(volts_per_cell=2.94)
    assert kit.watch("voltage_trip_profile", views(kit, high, spike, high, high)) == [False, False, False, True]
    without = kit.state(load=kit.load(plan=kit.plan(voltage_trip_V_per_cell=None)))
    assert not any(kit.watch("voltage_trip_profile", views(kit, *[high] * 4, state=without)))


def test_no_volts_trip_a_string_at_rest(kit):
    """With nothing asked for the string's own volts are not the rectifier's doing."""
    state = kit.state(State.HELD, set_A=0.0)
    for code in ("voltage_trip", "voltage_trip_profile"):
        assert not any(kit.watch(code, views(kit, *[kit.facts(volts_per_cell=3.0)] * 14, state=state)))


def broken(kit, **changes):
    return kit.facts(**{"current_A": 0.05, "volts_per_cell": 2.84, **changes})


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 5), (5_000, 1)])
def test_an_open_string_trips_after_five_seconds(kit, period_ms, first):
    """No current at the voltage limit, and 15 A ten seconds before."""
    state = kit.state(recent=((0, 15.0),), run=kit.run(flowing=True))
    settings = kit.settings(period_ms)
    seen = kit.watch("open_string", views(kit, *[broken(kit)] * 8, state=state, settings=settings), period_ms)
    assert seen.index(True) == first


def test_a_string_open_from_the_start_trips(kit):
    """No current ever since it was switched on."""
    state = kit.state(recent=((0, 0.0),), run=kit.run(flowing=False))
    assert kit.watch("open_string", views(kit, *[broken(kit)] * 8, state=state)).index(True) == 5


def test_a_taper_that_ends_near_zero_does_not_trip(kit):
    """A finish under constant voltage falls slowly: ten seconds ago it was hardly more."""
    state = kit.state(recent=((0, 0.14),), run=kit.run(flowing=True))
    assert not any(kit.watch("open_string", views(kit, *[broken(kit, current_A=0.13)] * 20, state=state)))


def test_no_current_below_the_voltage_limit_is_another_matter(kit):
    """A rectifier that gives no volts has no open string to show."""
    state = kit.state(recent=((0, 15.0),), run=kit.run(flowing=True))
    assert not any(kit.watch("open_string", views(kit, *[broken(kit, volts_per_cell=2.6)] * 9, state=state)))


@pytest.mark.parametrize(("set_A", "read_A", "trips"), [(15.0, 0.29, True), (15.0, 0.31, False), (60.0, 0.55, True)])
def test_no_current_is_below_the_larger_of_0_3_A_and_one_percent(kit, set_A, read_A, trips):
    """15 A: 0.3; 60 A: 0.6."""
    state = kit.state(set_A=set_A, recent=((0, set_A),), run=kit.run(flowing=True))
    assert any(kit.watch("open_string", views(kit, *[broken(kit, current_A=read_A)] * 8, state=state))) is trips


def test_the_open_strings_time_is_the_settings(kit):
    """A bath file may say 2 s."""
    state = kit.state(recent=((0, 15.0),), run=kit.run(flowing=True))
    settings = kit.settings(laws=LawSettings(open_string=OpenStringLimits(seconds=2.0)))
    assert kit.watch("open_string", views(kit, *[broken(kit)] * 4, state=state, settings=settings)).index(True) == 2


def test_an_open_clamp_in_a_living_bath_trips_and_stays_tripped(kit):
    """The whole way: 15 A flow, the clamp opens, at 5 s the circuit trips and its neighbour runs on."""
    bench = kit.bench().running()
    bench.cycles(15)
    bench.bad = {(0, "current_A"): 0.0, (0, "voltage_V"): 2.85 * kit.cells}
    bench.cycles(5)
    assert bench.circuit(0).state is State.RUNNING
    bench.cycles(2)
    assert bench.circuit(0).state is State.TRIPPED
    assert bench.set_A(0) == 0.0
    assert bench.set_A(1) == 15.0
    told = [event for event in bench.events if event.code == "open_string"]
    assert told[0].reaction is Reaction.TRIP
