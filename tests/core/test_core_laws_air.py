"""The bath's laws for people and air: extraction, hood, emergency stop, inputs, and contacts that chatter."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.lawsettings import AlarmLimits, LawSettings
from controller.core.state import CircuitState
from controller.core.types import Output, State

CIRCUITS = (CircuitState("A01"), CircuitState("A02"))
MINUTE_MS = 60_000


def settings(kit, quiet_s=0.0, **changes):
    return kit.settings(laws=LawSettings(alarm=AlarmLimits(quiet_s=quiet_s)), **changes)


def bath_views(kit, *facts, quiet_s=0.0, **changes):
    return [kit.bath_view(kit.bath_facts(**fact), settings=settings(kit, quiet_s), **changes) for fact in facts]


@pytest.mark.parametrize("airflow", [False, None])
def test_airflow_not_proved_holds_a_bath_in_use_at_once(kit, airflow):
    """Not proved and not known are the same to gas; proved again clears."""
    views = bath_views(kit, {"airflow": True}, {"airflow": airflow}, {"airflow": airflow}, {"airflow": True})
    assert kit.watch("extraction_lost", views) == [False, True, True, False]


def test_airflow_is_not_asked_for_in_an_idle_bath(kit):
    """Nothing gasses; a start still waits for the purge."""
    for code in ("extraction_lost", "extraction_lost_after_run"):
        assert not any(kit.watch(code, bath_views(kit, *[{"airflow": False}] * 3, in_use=False)))


def test_airflow_lost_in_the_after_run_is_its_own_alarm(kit):
    """Gas leaves the cells for an hour after the last current; under current the other alarm speaks."""
    lost = {"airflow": False}
    idle = bath_views(kit, lost, in_use=False, after_run=True)
    assert kit.watch("extraction_lost_after_run", idle) == [True]
    assert kit.watch("extraction_lost", idle) == [False]
    assert kit.watch("extraction_lost_after_run", bath_views(kit, lost, in_use=True, after_run=True)) == [False]
    later = bath_views(kit, lost, in_use=False, after_run=False)
    assert kit.watch("extraction_lost_after_run", idle + later) == [True, True]


def test_lost_extraction_stays_a_reason_after_it_has_held_the_bath(kit):
    """The hold takes the bath out of use; that does not end its own cause."""
    held = bath_views(kit, {"airflow": False}, in_use=False)
    assert kit.watch("extraction_lost", bath_views(kit, {"airflow": False}) + held * 3) == [True] * 4


def test_the_emergency_stop_trips_at_once_and_an_unreadable_one_changes_nothing(kit):
    """Pressed in one reading; unreadable keeps what stood."""
    codes = [{"emergency_stop_ok": ok} for ok in (None, True, False, None, True)]
    assert kit.watch("emergency_stop", bath_views(kit, *codes)) == [False, False, True, True, False]


@pytest.mark.parametrize(
    ("in_use", "after_run", "holds"), [(True, False, True), (False, True, True), (False, False, False)]
)
def test_an_open_hood_holds_while_gas_may_be_there(kit, in_use, after_run, holds):
    """In use and in the after-run; an idle bath may stand open. Once held, the hold keeps its own cause."""
    views = bath_views(kit, {"hood_closed": False}, in_use=in_use, after_run=after_run)
    assert kit.watch("hood_open", views) == [holds]
    later = bath_views(kit, {"hood_closed": False}, in_use=False)
    assert kit.watch("hood_open", views + later) == [holds, holds]


def test_an_open_hood_is_closed_only_when_its_contact_says_so(kit):
    """Unknown keeps the hold; a hood without a contact never holds."""
    hoods = [{"hood_closed": closed} for closed in (False, None, True)]
    assert kit.watch("hood_open", bath_views(kit, *hoods)) == [True, True, False]
    assert not any(kit.watch("hood_open", bath_views(kit, *[{"hood_closed": None}] * 3)))


def test_stale_inputs_hold(kit):
    """Nobody can say that the bath is shut and aired; the alarm names the stale time in seconds."""
    views = bath_views(kit, {}, {"stale": True, "fresh": False}, {})
    assert kit.watch("inputs_stale", views) == [False, True, False]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
@pytest.mark.parametrize(
    ("code", "bad"),
    [
        ("extraction_lost", {"airflow": False}),
        ("emergency_stop", {"emergency_stop_ok": False}),
        ("hood_open", {"hood_closed": False}),
        ("inputs_stale", {"stale": True}),
    ],
)
def test_a_contact_that_chatters_acts_at_once_and_clears_once_calm(kit, code, bad, period_ms):
    """Ten seconds without the cause end it, nine do not; a new one begins them anew."""
    calm = 10_000 // period_ms
    facts = [bad, *[{}] * calm, bad, *[{}] * (calm + 1)]
    seen = kit.watch(code, bath_views(kit, *facts, quiet_s=10.0), period_ms)
    assert seen == [True] * (len(facts) - 1) + [False]


def test_lost_airflow_in_the_after_run_clears_once_calm_too(kit):
    """The same quiet time."""
    facts = [{"airflow": False}, *[{"airflow": True}] * 11]
    seen = kit.watch("extraction_lost_after_run", bath_views(kit, *facts, quiet_s=10.0, in_use=False, after_run=True))
    assert seen == [True] * 11 + [False]


def chattering(count, which=1):
    changes = tuple((1_000 * n, which) for n in range(count))
    return BathState(CIRCUITS, inputs=Inputs(changes=changes))


def test_six_changes_of_one_contact_in_a_minute_are_chatter(kit):
    """Five are a person at a hood; three each of two contacts are none either."""
    for count, holds in ((5, False), (6, True), (7, True)):
        assert kit.watch("inputs_chatter", [kit.bath_view(state=chattering(count))]) == [holds]
    two = replace(chattering(3), inputs=Inputs(changes=(*chattering(3).inputs.changes, *((1, 2),) * 3)))
    assert kit.watch("inputs_chatter", [kit.bath_view(state=two)]) == [False]


def test_chatter_of_the_hood_is_counted_and_forgotten_after_a_minute(kit):
    """Opened and shut three times within a minute: told; a minute later gone. What is lost and found is no change."""
    bench = kit.bench().cycles(5)
    for closed in (0.0, 1.0) * 3:
        bench.bath_signals["hood_closed"] = closed
        bench.cycle()
    assert any(event.code == "inputs_chatter" for event in bench.out.events)
    assert len(bench.cycles(55).state.inputs.changes) == 6
    assert len(bench.cycles(6).state.inputs.changes) == 0
    assert not any(alarm.active for alarm in bench.state.alarms if alarm.code == "inputs_chatter")
    bench.bad[-1, "hood_closed"] = None
    bench.cycle()
    bench.bad.clear()
    bench.cycle()
    assert bench.state.inputs.changes == ()


PERMIT = Duty(permit_until_ms=10 * MINUTE_MS, permit_by="anna")


def test_a_permit_lets_the_hood_stand_open_and_ends_no_hold(kit):
    """For readings; a hold that stands ends by the shut hood alone."""
    allowed = BathState(CIRCUITS, duty=PERMIT)
    opened = {"hood_closed": False}
    assert kit.watch("hood_open", bath_views(kit, opened, opened, state=allowed)) == [False, False]
    views = bath_views(kit, opened) + bath_views(kit, opened, state=allowed)
    assert kit.watch("hood_open", views) == [True, True]


def open_under_permit(kit, minutes=10.0):
    bench = kit.bench().running()
    until_ms = bench.now_ms + round(minutes * MINUTE_MS)
    bench.state = replace(bench.state, duty=replace(bench.state.duty, permit_until_ms=until_ms, permit_by="anna"))
    bench.bath_signals["hood_closed"] = 0.0
    return bench


def test_an_open_hood_holds_when_its_permit_is_over(kit):
    """Nothing gasses at 2.3 V a cell: the bath runs on for the minute of the permit, and is held with its end."""
    bench = open_under_permit(kit, minutes=1.0).cycles(59)
    assert [each.state for each in bench.state.circuits] == [State.RUNNING] * 2
    assert bench.state.duty.permit_by == "anna"
    bench.cycle()
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2
    assert (bench.state.duty.permit_until_ms, bench.state.duty.permit_by) == (None, "")


@pytest.mark.parametrize("volts_per_cell", [2.35, None])
def test_gassing_ends_a_permit_for_good(kit, volts_per_cell):
    """At 2.35 V a cell, or where nobody can tell: the bath is held at once, and calmer volts bring nothing back."""
    bench = open_under_permit(kit).cycles(3)
    assert bench.circuit(1).state is State.RUNNING
    bench.bad[1, "voltage_V"] = None if volts_per_cell is None else volts_per_cell * kit.cells
    bench.cycle()
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2
    assert bench.state.duty.permit_until_ms is None


def test_volts_just_below_gassing_keep_a_permit(kit):
    """2.34 V a cell under current; a string that rests may stand where it likes."""
    bench = open_under_permit(kit)
    bench.bad[1, "voltage_V"] = 2.34 * kit.cells
    bench.cycles(3)
    assert bench.circuit(1).state is State.RUNNING
    bench.order("hold", "A02")
    bench.cycles(5)
    assert bench.circuit(1).output is Output.OFF
    bench.bad[1, "voltage_V"] = 2.5 * kit.cells
    bench.cycles(3)
    assert bench.circuit(0).state is State.RUNNING


def test_a_running_string_that_is_not_read_counts_as_gassing(kit):
    """Nobody can say that it does not gas. One that does not run, and is not read, takes no part."""
    bench = open_under_permit(kit)
    bench.bad[1, "current_A"] = None
    bench.cycle()
    assert bench.state.duty.permit_until_ms is not None
    bench = open_under_permit(kit)
    bench.bad[1, "current_A"] = bench.bad[1, "voltage_V"] = None
    bench.cycle()
    assert bench.state.duty.permit_until_ms is None
    idle = open_under_permit(kit)
    idle.order("hold", "A02")
    idle.cycles(5)
    idle.bad[1, "current_A"] = None
    idle.bad[1, "voltage_V"] = None
    idle.cycles(2)
    assert idle.state.duty.permit_until_ms is not None


def test_the_purge_begins_anew_under_a_permit(kit):
    """An open hood is not drawn off: before anything else starts, ten minutes of air again."""
    bench = open_under_permit(kit).cycles(2)
    assert bench.out.told[0].bath.purge_left_ms == bench.settings.purge_ms
    assert not bench.out.told[0].bath.hood_closed


def test_a_hood_that_is_not_read_is_not_shut_permit_or_not(kit):
    """Nobody can say who stands there."""
    bench = open_under_permit(kit)
    bench.bad[-1, "hood_closed"] = None
    bench.cycle()
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2


@pytest.mark.parametrize("stop", [False, True])
def test_after_lost_extraction_the_first_resume_is_for_maintenance(kit, stop):
    """In use and in the after-run; the circuits are told, until one has resumed."""
    bench = kit.bench().running()
    code = "extraction_lost"
    if stop:
        bench.order("stop", "A")
        bench.cycles(3)
        code = "extraction_lost_after_run"
    assert bench.out.told[0].bath.resume_for == ""
    bench.bath_signals["airflow"] = 0.0
    bench.cycle()
    assert bench.state.resume_for == code
    bench.bath_signals["airflow"] = 1.0
    bench.cycles(20)
    assert {told.bath.resume_for for told in bench.out.told} == {code}
    if not stop:
        assert bench.order("resume") == "accepted"
        assert bench.state.resume_for == ""


def test_an_open_hood_asks_for_no_maintenance(kit):
    """Anybody may shut it."""
    bench = kit.bench().running()
    bench.bath_signals["hood_closed"] = 0.0
    bench.cycles(3)
    assert bench.state.resume_for == ""
