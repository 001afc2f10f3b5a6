"""Voltage limit and output read back: who changed them, what that leads to; and a discharge that gets too little."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import moves, setpoint
from controller.core.setpoint import Changer
from controller.core.state import LinkMemory
from controller.core.types import Command, State

OURS_V, OTHER_V = 300.0, 340.0


def seen(kit, read_V=OTHER_V, *, written_V=((9_000, OURS_V),), on=True, link=None, own=None, **changes):
    """A running circuit at a limit of 300 V, which reads back as `read_V` ten seconds after its start."""
    state = kit.state(
        changes.pop("state", State.RUNNING),
        command=Command(15.0, OURS_V, on),
        written_V=written_V,
        link=link or LinkMemory(9_000, 999.0),
    )
    facts = kit.facts(**{"now_ms": 10_000, "set_voltage_V": read_V, **changes})
    return kit.view(state, facts, kit.settings(own=own))


@pytest.mark.parametrize(("read_V", "asked_V", "is_taken"), [
    (0.5, 0.0, True), (0.51, 0.0, False), (40.5, 40.0, True), (39.49, 40.0, False), (301.5, 300.0, True),
    (301.51, 300.0, False), (298.5, 300.0, True), (298.49, 300.0, False),
])  # fmt: skip
def test_a_limit_is_taken_within_half_a_volt_or_half_a_percent(read_V, asked_V, is_taken):
    """Whichever is more, on both sides."""
    assert setpoint.limit_taken(read_V, asked_V) is is_taken


@pytest.mark.parametrize(("given", "differs"), [
    ({}, True), ({"read_V": None}, False), ({"read_V": OURS_V}, False), ({"on": False}, False),
    ({"written_V": ((8_000, OTHER_V), (9_000, OURS_V))}, False),
    ({"written_V": ((7_999, OTHER_V), (9_000, OURS_V))}, True),
])  # fmt: skip
def test_which_limit_differs(kit, given, differs):
    """None of those written in the last settling time, while output is asked for."""
    assert setpoint.limit_differs(seen(kit, **given)) is differs


DEFAULTS = {"own": {"default_A": 15.0, "default_V": OTHER_V}}


@pytest.mark.parametrize(("changer", "given"), [
    (Changer.FOREIGN, {}), (Changer.LOCAL, {"local": True}), (Changer.RESTARTED, {"uptime_s": 998.0}),
    (Changer.WATCHDOG, {"read_V": 0.0, "link": LinkMemory(4_999, 999.0)}),
    (Changer.FOREIGN, {"read_V": 0.0, "link": LinkMemory(5_000, 999.0)}),
    (Changer.ACKNOWLEDGE, {"written_V": ((5_000, 341.0), (9_000, OURS_V))}),
    (Changer.FOREIGN, {"written_V": ((5_000, 342.0), (9_000, OURS_V))}),
    (Changer.WAIT, {"written_V": ((7_001, 350.0), (9_000, OURS_V))}),
    (Changer.FOREIGN, {"written_V": ((7_000, 350.0), (9_000, OURS_V))}),
    (Changer.DEFAULTS, DEFAULTS), (Changer.FOREIGN, {**DEFAULTS, "set_current_A": None}),
])  # fmt: skip
def test_who_changed_the_limit(kit, changer, given):
    """The same ordered table as for the current."""
    view = seen(kit, **given)
    assert setpoint.limit_changer(view, view.facts.set_voltage_V) is changer


def older(kit, **changes):
    return seen(kit, written_V=((5_000, OTHER_V), (9_000, OURS_V)), **changes)


def test_a_limit_of_somebody_else_trips_in_two_readings(kit):
    """It stays while nothing is read, and ends by ours or by output that is not asked for any more."""
    unread, ours, off = (seen(kit, **given) for given in ({"read_V": None}, {"read_V": OURS_V}, {"on": False}))
    assert kit.watch("foreign_limit", [seen(kit)] * 2 + [unread, ours]) == [False, True, True, False]
    assert kit.watch("foreign_limit", [seen(kit)] * 2 + [off]) == [False, True, False]
    assert not any(kit.watch("foreign_limit", [older(kit)] * 3))
    assert not any(kit.watch("foreign_limit", [seen(kit, state=State.UNKNOWN)] * 3))


def test_a_limit_that_is_not_taken_holds_after_the_settling_time(kit):
    """One of ours from before; it stays while nothing is read."""
    unread = seen(kit, read_V=None)
    assert kit.watch("limit_not_taken", [older(kit)] * 3 + [unread]) == [False, False, True, True]
    assert not any(kit.watch("limit_not_taken", [seen(kit)] * 4))


def test_an_output_that_reads_off_holds_after_the_settling_time(kit):
    """Only while it runs and is asked on; not read keeps what stands."""
    off = seen(kit, read_V=OURS_V, output_on=False)
    unread = seen(kit, output_on=None)
    assert kit.watch("output_off", [off] * 3 + [unread, seen(kit)]) == [False, False, True, True, False]
    for given in ({"on": False}, {"state": State.HELD}):
        assert not any(kit.watch("output_off", [seen(kit, output_on=False, **given)] * 4))


def test_another_limit_on_a_running_bench_trips_and_is_maintenances(kit):
    """Written by somebody else in mid-run, at the same current."""
    bench = kit.bench().running()
    bench.cycles(10)
    assert bench.circuit().alarms == ()
    bench.bad[0, "set_voltage_V"] = OTHER_V
    bench.cycles(2)
    assert bench.circuit().state is State.TRIPPED
    bench.cycles(10)
    assert bench.order("acknowledge") == "accepted"
    assert bench.order("reset", roles=("technician",)) == "maintenance_reset"


def test_an_output_that_goes_off_by_itself_comes_back_by_order_at_restart_current(kit):
    """It does not run on at 0 A, nor at full current when it is back."""
    bench = kit.bench().running()
    bench.cycles(10)
    bench.bad |= {(0, "output_on"): 0.0, (0, "current_A"): 0.0}
    bench.cycles(2)
    assert bench.circuit().state is State.RUNNING
    bench.cycles(1)
    assert bench.circuit().state is State.HELD
    assert bench.circuit().run.interruption.code == "output_off"
    bench.bad.clear()
    bench.cycles(10)
    assert (bench.circuit().state, bench.set_A()) == (State.HELD, 0.0)
    assert bench.order("resume") == "accepted"
    assert bench.set_A() == 3.0


def test_the_limits_written_are_remembered_for_the_watchdogs_time_or_while_the_device_stands_there(kit):
    """A device that stays at an older limit of ours is not somebody else's; a new service remembers none."""
    bench = kit.bench(circuits=1).running(
        kit.step(1, ends={"time_ms": 8_000}), kit.step(2, voltage_V_per_cell=2.5), kit.step(3)
    )
    bench.cycles(10)
    first_V, second_V = 2.85 * kit.cells, 2.5 * kit.cells
    assert [volts for _, volts in bench.circuit().written_V] == pytest.approx([first_V, second_V])
    bench.bad[0, "set_voltage_V"] = first_V
    bench.cycles(6)
    assert next(volts for _, volts in bench.circuit().written_V) == pytest.approx(first_V)
    assert moves.restarted(bench.circuit()).written_V == ()
    bench = kit.bench(circuits=1).running(kit.step(1, ends={"time_ms": 8_000}), kit.step(2, voltage_V_per_cell=2.5))
    bench.cycles(20)
    assert [volts for _, volts in bench.circuit().written_V] == pytest.approx([second_V])


def discharging(kit, current_A, volts_per_cell=2.0):
    state = kit.state(set_A=-10.0, command=Command(-10.0, 1.75 * kit.cells, True))
    return kit.view(state, kit.facts(current_A=current_A, set_current_A=-10.0, volts_per_cell=volts_per_cell))


@pytest.mark.parametrize(("current_A", "volts", "warns"), [
    (-10.0, 2.0, False), (-9.5, 2.0, False), (-9.49, 2.0, True), (0.0, 2.0, True), (10.0, 2.0, True),
    (0.0, 1.75, False), (0.0, 1.776, False), (0.0, 1.778, True), (0.0, None, False),
])  # fmt: skip
def test_a_discharge_that_gets_too_little_is_told_by_its_amount(kit, current_A, volts, warns):
    """5 % below, above the floor."""
    assert any(kit.watch("current_low", [discharging(kit, current_A, volts)] * 32)) is warns


def test_a_rest_that_gets_no_current_lacks_none(kit):
    """Nothing is asked for."""
    state = kit.state(set_A=0.0)
    view = kit.view(state, kit.facts(current_A=-2.0))
    assert not any(kit.watch("current_low", [replace(view)] * 32))
