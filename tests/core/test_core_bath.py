"""What all circuits of a bath share: purge, after-run, emergency stop, air, hood, inputs, water, neighbours."""

from __future__ import annotations

from itertools import pairwise

import pytest

from controller.core import circuit
from controller.core.settings import BathSettings
from controller.core.state import Allowed
from controller.core.types import BathCommand, Output, State

PURGE_S = 60


def purge_bench(kit, **changes):
    return kit.bench(purge_ms=PURGE_S * 1_000, **changes)


def left_s(bench):
    return bench.out.told[0].bath.purge_left_ms / 1000.0


def test_no_first_current_before_the_purge(kit):
    """60 s of proved airflow without a break; refused with the minutes left, then accepted."""
    bench = purge_bench(kit).cycles(30)
    bench.order("load", load=kit.load())
    assert bench.order("start") == "unpurged"
    refused = bench.out.events[-1]
    assert refused.data["minutes"] == pytest.approx(left_s(bench) / 60.0)
    bench.cycles(PURGE_S)
    assert left_s(bench) == 0.0
    assert bench.order("start") == "accepted"


def no_air(bench):
    bench.bath_signals["airflow"] = 0.0


def hood(bench):
    bench.bath_signals["hood_closed"] = 0.0


def air_unread(bench):
    bench.bad[-1, "airflow"] = None


def stop_unread(bench):
    bench.bad[-1, "emergency_stop_ok"] = None


def hood_unread(bench):
    bench.bad[-1, "hood_closed"] = None


@pytest.mark.parametrize("spoil", [no_air, hood, air_unread, stop_unread, hood_unread])
def test_the_purges_clock_starts_anew_after_any_break(kit, spoil):
    """Airflow lost, hood open, inputs unread: one second of it costs the whole purge."""
    bench = purge_bench(kit).cycles(50)
    assert left_s(bench) == PURGE_S - 49
    sound = dict(bench.bath_signals)
    spoil(bench)
    bench.cycle()
    assert left_s(bench) == PURGE_S
    bench.bad.clear()
    bench.bath_signals.update(sound)
    bench.cycle()
    assert left_s(bench) == PURGE_S
    bench.cycle()
    assert left_s(bench) == PURGE_S - 1


def test_the_purges_clock_starts_anew_after_a_gap(kit):
    """Nobody saw the air for ten seconds."""
    bench = purge_bench(kit).cycles(50)
    bench.cycle(skip_ms=10_000)
    assert left_s(bench) == PURGE_S


def test_an_input_late_by_less_than_the_stale_time_breaks_nothing(kit):
    """Two cycles without a new reading of the air."""
    bench = purge_bench(kit).cycles(50)
    bench.bad[-1, "airflow"] = "old"
    bench.cycles(2)
    assert left_s(bench) == PURGE_S - 51


def test_the_default_purge_is_ten_minutes(kit):
    """What the settings say where the bath file says nothing."""
    settings = BathSettings("h", "A", False, 1_000, 3_000, 5_000, ())
    assert (settings.purge_ms, settings.after_run_ms, settings.auto_resume_link_ms) == (600_000, 3_600_000, 120_000)


EVERYBODY = [
    ("airflow", 0.0, State.HELD, "extraction_lost"),
    ("airflow", None, State.HELD, "extraction_lost"),
    ("hood_closed", 0.0, State.HELD, "hood_open"),
    ("emergency_stop_ok", 0.0, State.TRIPPED, "emergency_stop"),
    ("emergency_stop_ok", None, State.HELD, "inputs_stale"),
    ("hood_closed", None, State.HELD, "inputs_stale"),
    ("water_C", 50.0, State.HELD, "water_hold"),
]


@pytest.mark.parametrize(("signal", "bad", "state", "code"), EVERYBODY)
def test_a_cause_of_the_whole_bath_takes_every_circuit_and_stays_by_order(kit, signal, bad, state, code):
    """All circuits at once, zero and off; gone again, nothing comes back by itself."""
    bench = kit.bench(circuits=3).running()
    bench.bad[-1, signal] = bad
    bench.cycles(3)
    assert [each.state for each in bench.state.circuits] == [state] * 3
    assert [command.set_current_A for command in bench.out.commands] == [0.0] * 3
    assert any(event.code == code and event.target == "A" for event in bench.events)
    bench.bad.clear()
    bench.cycles(120)
    assert [each.state for each in bench.state.circuits] == [state] * 3
    assert {each.output for each in bench.state.circuits} == {Output.OFF}


@pytest.mark.parametrize(("signal", "bad"), [("airflow", 0.0), ("hood_closed", 0.0), ("emergency_stop_ok", 0.0)])
def test_people_are_waited_for_by_not_a_single_cycle(kit, signal, bad):
    """Zero current is asked for in the very cycle in which the contact or the airflow is read."""
    bench = kit.bench().running()
    bench.bad[-1, signal] = bad
    bench.cycle()
    assert [command.set_current_A for command in bench.out.commands] == [0.0, 0.0]


def test_inputs_that_go_silent_hold_after_the_stale_time(kit):
    """3 s old is old enough to ask; 4 s is stale."""
    bench = kit.bench().running()
    for signal in bench.bath_signals:
        bench.bad[-1, signal] = "old"
    bench.cycles(3)
    assert bench.circuit(0).state is State.RUNNING
    bench.cycle()
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2


def test_an_emergency_stop_latches_every_circuit_and_the_bath(kit):
    """Released: all still tripped; each is acknowledged and reset, and the bath too, before current."""
    bench = kit.bench().running()
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycles(2)
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(10)
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED] * 2
    for target in ("A", "A01"):
        assert [bench.order("acknowledge", target), bench.order("reset", target)] == ["accepted"] * 2
    assert bench.circuit(0).state is State.HELD
    assert bench.order("resume") == "accepted"
    assert bench.circuit(1).state is State.TRIPPED


def test_a_bath_without_a_hood_contact_counts_as_shut(kit):
    """The map has no such signal: the law is off, the purge goes on."""
    bench = kit.bench()
    del bench.bath_signals["hood_closed"]
    bench.running()
    assert bench.circuit(0).state is State.RUNNING


def test_the_after_run_lasts_an_hour_after_the_last_current(kit):
    """Air lost at zero current within the hour is an alarm of priority 1; later it is none."""
    for seconds, told in ((50, True), (70, False)):
        bench = kit.bench(after_run_ms=60_000).running()
        bench.order("stop", "A")
        bench.cycles(seconds)
        no_air(bench)
        bench.cycle()
        alarms = [event for event in bench.out.events if event.code == "extraction_lost_after_run"]
        assert bool(alarms) is told
        assert all(alarm.priority == 1 for alarm in alarms)


def test_the_after_run_lasts_while_a_battery_is_warm(kit):
    """Above 40 C gas goes on."""
    bench = kit.bench(after_run_ms=10_000).running()
    bench.order("stop", "A")
    bench.toys[1].probe_C = 41.0
    bench.cycles(30)
    no_air(bench)
    bench.cycle()
    assert any(event.code == "extraction_lost_after_run" for event in bench.out.events)


def test_warm_water_derates_all_circuits_and_hot_water_holds_them(kit):
    """47.5 C: 60 %; 50 C: held; 40 C only warns."""
    bench = kit.bench().running()
    bench.bath_signals["water_C"] = 41.0
    bench.cycles(3)
    assert [bench.set_A(0), bench.set_A(1)] == [15.0, 15.0]
    assert any(event.code == "water_warm" for event in bench.events)
    bench.bath_signals["water_C"] = 47.5
    bench.cycles(3)
    assert [bench.set_A(0), bench.set_A(1)] == pytest.approx([9.0, 9.0])
    bench.bath_signals["water_C"] = 50.5
    bench.cycles(3)
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2


def test_water_cooled_down_gives_current_back_slowly(kit):
    """60 s below, then 1 % a second."""
    bench = kit.bench(circuits=1).running()
    bench.bath_signals["water_C"] = 47.5
    bench.cycles(3)
    bench.bath_signals["water_C"] = 30.0
    seen = []
    for _ in range(110):
        bench.cycle()
        seen.append(bench.set_A())
    assert seen[:59] == pytest.approx([9.0] * 59)
    assert max(now - before for before, now in pairwise(seen)) <= 0.15 + 1e-9
    assert seen[-1] == 15.0
    assert bench.state.allowed == Allowed()


def test_one_spike_of_the_water_changes_no_current(kit):
    """One reading of 60 C among sound ones: nothing is derated, nothing held."""
    bench = kit.bench().running()
    bench.cycles(3)
    bench.bad[-1, "water_C"] = 60.0
    bench.cycle()
    bench.bad.clear()
    bench.cycles(2)
    assert [bench.set_A(0), bench.set_A(1)] == [15.0, 15.0]


def test_lost_water_keeps_the_derate(kit):
    """A broken warm sensor is not cold water: the current falls further, to 0.1 C20, and does not come back."""
    bench = kit.bench(circuits=1).running()
    bench.bath_signals["water_C"] = 47.5
    bench.cycles(3)
    bench.bad[-1, "water_C"] = None
    bench.cycles(200)
    assert bench.set_A() == pytest.approx(6.0)


def test_no_current_in_a_blocked_circuit_even_if_it_still_ran(kit):
    """Whatever led there: blocked and running asks for nothing."""
    bench = kit.bench().running()
    bench.change(0, blocked_by="bert").cycle()
    assert bench.set_A(0) == 0.0
    assert bench.set_A(1) == 15.0


def test_a_neighbours_block_is_told_to_the_others_and_not_to_the_circuit_itself(kit):
    """By name of circuit and person."""
    bench = kit.bench(circuits=3).cycles(3)
    bench.order("block", "A02", who="bert")
    bench.cycle()
    assert [told.bath.blocked for told in bench.out.told] == [("A02 by bert",), (), ("A02 by bert",)]


def test_horn_beacon_and_healthy(kit):
    """Quiet and healthy; horn and beacon at an alarm of priority 1 or 2; horn off once acknowledged."""
    bench = kit.bench(circuits=1).running()
    assert bench.out.bath == BathCommand(0, False, True)
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    assert (bench.out.bath.horn, bench.out.bath.beacon, bench.out.bath.healthy) == (1, True, True)
    bench.order("acknowledge")
    assert (bench.out.bath.horn, bench.out.bath.beacon) == (0, True)


def test_shift_work_does_not_sound_the_horn(kit):
    """Cold water is priority 3."""
    bench = kit.bench(circuits=1).running()
    bench.bath_signals["water_C"] = 12.0
    bench.cycles(3)
    assert (bench.out.bath.horn, bench.out.bath.beacon) == (0, True)


def test_what_a_circuit_was_told_decides_it_again(kit):
    """Each `CircuitIn` of a cycle, fed to `circuit.step` with the state before, gives state and command again."""
    bench = kit.bench().running()
    bench.toys[0].probe_C = 53.0
    for cycle in range(20):
        before = bench.state
        if cycle == 9:
            bench.bad[1, "fault_code"] = 4.0
        bench.cycle(*([kit.order("hold")] if cycle == 12 else []))
        for index, own in enumerate(bench.settings.circuits):
            new, command, _ = circuit.step(bench.settings, own, before.circuits[index], bench.out.told[index])
            assert new == bench.state.circuits[index]
            assert command == bench.out.commands[index]
