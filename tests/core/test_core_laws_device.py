"""The laws of the rectifier itself and of its set-point: true, false, cannot tell, when, and what clears them."""

from __future__ import annotations

import pytest

from controller.core.state import LinkMemory
from controller.core.types import Fit, State


def views(kit, *facts, state=None, settings=None):
    return [kit.view(state=state, facts=fact, settings=settings) for fact in facts]


def older(kit):
    """15 A written last, 9 A before."""
    return kit.state(written=((0, 9.0), (9_000, 15.0)))


@pytest.mark.parametrize("fit", [Fit.IDENTITY, Fit.RATING])
def test_another_device_in_an_open_run_holds(kit, fit):
    """A rectifier with another identity or rating is not the one of the map."""
    assert kit.watch("another_device", views(kit, kit.facts(), kit.facts(fit=fit))) == [False, True]


def test_another_device_is_believed_gone_only_when_compared_again(kit):
    """A device not compared yet does not end the hold that the wrong one began."""
    seen = kit.watch(
        "another_device",
        views(kit, kit.facts(fit=Fit.IDENTITY), kit.facts(fit=Fit.NOT_CHECKED), kit.facts(fit=Fit.OK)),
    )
    assert seen == [True, True, False]


def test_local_control_holds_after_two_readings(kit):
    """One misread bit does nothing; the switch turned back clears."""
    local, remote = kit.facts(local=True), kit.facts()
    seen = kit.watch("local_control", views(kit, local, remote, local, local, local, remote))
    assert seen == [False, False, False, True, True, False]


def test_local_control_stays_while_the_link_is_silent(kit):
    """Without readings nobody can say that the switch was turned back."""
    seen = kit.watch("local_control", views(kit, *[kit.facts(local=True)] * 2, kit.facts(local=False, stale=True)))
    assert seen == [False, True, True]


def test_local_control_stays_when_only_its_own_bit_is_lost(kit):
    """The other values being fresh says nothing of the switch: losing the source keeps the reaction."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "local"] = 1.0
    bench.cycles(3)
    assert bench.circuit().state is State.HELD
    bench.bad[0, "local"] = None
    bench.cycles(3)
    assert any(alarm.code == "local_control" and alarm.active for alarm in bench.circuit().alarms)
    assert bench.order("resume") == "cause_stands"


def test_the_rectifiers_own_fault_trips_after_two_readings(kit):
    """Any fault code but zero, in two readings; in every state, as a fault is one at rest too."""
    fault, sound = kit.facts(fault_code=12.0), kit.facts()
    assert kit.watch("rectifier_fault", views(kit, fault, sound, fault, fault, sound)) == [False] * 3 + [True, False]
    idle = kit.state(State.IDLE, set_A=0.0)
    assert kit.watch("rectifier_fault", views(kit, fault, fault, state=idle)) == [False, True]


def test_the_rectifiers_own_fault_stays_while_its_code_is_not_read(kit):
    """A code that is no longer read does not clear the trip's cause."""
    fault, unread = kit.facts(fault_code=12.0), kit.facts(fault_code=None)
    assert kit.watch("rectifier_fault", views(kit, unread, fault, fault, unread)) == [False, False, True, True]


def test_a_rectifier_restarted_in_mid_run_holds_in_one_reading(kit):
    """Uptime that fell: settings may be the device's defaults now."""
    state = kit.state(link=LinkMemory(0, 1_000.0))
    seen = [kit.watch("rectifier_restarted", views(kit, kit.facts(uptime_s=s), state=state)) for s in (1_001.0, 3.0)]
    assert seen == [[False], [True]]


def test_a_rectifier_that_stands_at_its_defaults_has_restarted(kit):
    """Both limits as in its map, none of them ours: a restart, not a second master; a hold, not a trip."""
    settings = kit.settings(own={"default_A": 5.0, "default_V": 100.0})
    facts = kit.facts(set_current_A=5.0, set_voltage_V=100.0)
    for state, holds in ((State.RUNNING, True), (State.HELD, True), (State.IDLE, False)):
        seen = kit.watch("rectifier_restarted", views(kit, facts, state=kit.state(state), settings=settings))
        assert seen == [holds]
    assert not any(kit.watch("foreign_master", views(kit, *[facts] * 3, settings=settings)))


def test_a_restart_is_not_told_without_an_uptime(kit):
    """A map without uptime, or a value not read, says nothing."""
    state = kit.state(link=LinkMemory(0, 1_000.0))
    assert kit.watch("rectifier_restarted", views(kit, kit.facts(uptime_s=None), state=state)) == [False]
    assert kit.watch("rectifier_restarted", views(kit, kit.facts(uptime_s=3.0))) == [False]


def test_a_restart_is_seen_even_when_one_uptime_reading_was_lost_before_it(kit):
    """A lost reading of the uptime must not make the core forget what the uptime was."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "uptime_s"] = None
    bench.cycle()
    del bench.bad[0, "uptime_s"]
    bench.toys[0].uptime_s = 1.0
    bench.cycle()
    assert bench.circuit().state is State.HELD


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_set_point_not_taken_holds_after_the_settling_time(kit, period_ms):
    """2 s or two cycles, whichever is longer, and in two readings: an older set-point of ours stays."""
    settings = kit.settings(period_ms)
    lower = views(kit, *[kit.facts(set_current_A=9.0)] * 5, settings=settings, state=older(kit))
    assert kit.watch("set_not_taken", lower, period_ms) == [False, False, True, True, True]
    assert not any(kit.watch("foreign_master", lower, period_ms))


@pytest.mark.parametrize("state", [State.IDLE, State.HELD, State.TRIPPED, State.COMPLETE, State.STOPPED])
def test_zero_not_taken_is_told_in_every_known_state(kit, state):
    """A rectifier that stays at its set-point when zero was ordered is not another's."""
    stays = kit.state(state, set_A=0.0, written=((0, 15.0), (9_000, 0.0)))
    assert kit.watch("set_not_taken", views(kit, *[kit.facts()] * 3, state=stays))[-1]
    assert not any(kit.watch("foreign_master", views(kit, *[kit.facts()] * 3, state=stays)))


@pytest.mark.parametrize("read_A", [15.0, 14.9, 15.14, 14.86])
def test_a_read_back_within_a_registers_step_is_taken(kit, read_A):
    """1 % or 0.1 A is what registers round to."""
    for code in ("set_not_taken", "foreign_master"):
        state = kit.state(written=((0, read_A), (9_000, 15.0)))
        assert not any(kit.watch(code, views(kit, *[kit.facts(set_current_A=read_A)] * 5, state=state)))


def test_an_older_set_point_of_the_settling_time_is_still_ours(kit):
    """The device may answer with the value before the last."""
    state = kit.state(asked=((0, 3.0), (1_000, 15.0)))
    assert not any(kit.watch("set_not_taken", views(kit, *[kit.facts(set_current_A=3.0)] * 5, state=state)))


def test_a_set_point_not_read_is_no_answer(kit):
    """Not read is not different, and it does not end what stands."""
    lower, unread = kit.facts(set_current_A=9.0), kit.facts(set_current_A=None)
    assert not any(kit.watch("set_not_taken", views(kit, *[unread] * 5)))
    assert kit.watch("set_not_taken", views(kit, lower, lower, lower, unread, state=older(kit)))[-1]


@pytest.mark.parametrize("state", [State.IDLE, State.RUNNING, State.HELD, State.COMPLETE, State.STOPPED])
def test_a_foreign_master_trips_in_two_readings_in_every_known_state(kit, state):
    """A set-point above all of ours was written by somebody else."""
    mine = 15.0 if state is State.RUNNING else 0.0
    seen = kit.watch(
        "foreign_master",
        views(kit, *[kit.facts(set_current_A=mine + 2.0)] * 2, state=kit.state(state, set_A=mine)),
    )
    assert seen == [False, True]


@pytest.mark.parametrize("read_A", [14.8, 15.2, 0.0])
def test_a_lower_set_point_is_as_foreign_as_a_higher_one(kit, read_A):
    """Past a register's step on either side, and zero that nobody here wrote."""
    assert kit.watch("foreign_master", views(kit, *[kit.facts(set_current_A=read_A)] * 2)) == [False, True]


def test_an_unknown_circuit_has_no_set_points_to_compare_with(kit):
    """After a restart of the service the old set-points are not known."""
    state = kit.state(State.UNKNOWN, set_A=0.0)
    assert not any(kit.watch("foreign_master", views(kit, *[kit.facts(set_current_A=20.0)] * 4, state=state)))


def test_a_foreign_master_stays_while_the_read_back_is_lost(kit):
    """Not read: the cause is not gone."""
    foreign, unread, ours = (kit.facts(set_current_A=amount) for amount in (40.0, None, 15.0))
    assert kit.watch("foreign_master", views(kit, foreign, foreign, unread, ours)) == [False, True, True, False]
