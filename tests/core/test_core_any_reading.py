"""What counts as a reading: anything of the same device in this very cycle, so that one dead signal silences no law."""

from __future__ import annotations

import pytest

from controller.core.bathfacts import bath_facts
from controller.core.facts import facts_of
from controller.core.types import LOST, BathIn, BathReading, ChannelReading, CircuitIn, Quality, State, Value
from controller.core.values import any_read

OLD, BAD = Value(1.0, age_ms=1), Value(1.0, Quality.OUT_OF_RANGE)


@pytest.mark.parametrize(("values", "read"), [
    ((Value(1.0),), True), ((LOST, None, Value(0.0)), True), ((OLD,), False), ((BAD,), False), ((LOST, None), False),
    ((), False), ((Value(float("nan")),), False),
])  # fmt: skip
def test_a_reading_is_a_number_of_this_very_cycle(values, read):
    """Neither an old one, nor a bad one, nor none."""
    assert any_read(values, 3_000) is read


@pytest.mark.parametrize("name", [
    "voltage_V", "set_current_A", "set_voltage_V", "output_on", "local", "fault_code", "uptime_s", "counter_Ah",
    "ripple_percent", "probes", "current_A",
])  # fmt: skip
def test_each_value_of_a_circuit_counts_by_itself(kit, name):
    """All others dead: one law's two readings are two cycles of any of them."""
    bench = kit.bench(circuits=1).cycles(3)
    toy = bench.toys[0]
    toy.counter_Ah, toy.ripple_percent = 1.0, 0.1
    for other in toy.signals():
        bench.bad[0, other] = 5.0 if other == name else None
    facts = facts_of_reading(kit, bench._channel(0))
    assert facts.any_read
    assert facts.fresh is (name == "current_A")


def facts_of_reading(kit, reading):
    settings = kit.settings()
    cin = CircuitIn(1_000, reading, kit.share())
    return facts_of(settings, settings.circuits[0], kit.state(), cin, ())


def test_a_circuit_of_which_nothing_is_read_reads_nothing(kit):
    """All values old, or none at all."""
    assert not facts_of_reading(kit, ChannelReading(*(LOST,) * 5)).any_read
    assert not facts_of_reading(kit, ChannelReading(*(OLD,) * 5, probes=(OLD,))).any_read


@pytest.mark.parametrize("name", [
    "airflow", "emergency_stop_ok", "hood_closed", "flow_L_min", "level", "level_mm", "hydrogen_percent_LEL",
    "contactors", "earth_ohm_per_V", "heard_button", "water_C", None,
])  # fmt: skip
def test_each_input_of_a_bath_counts_by_itself(kit, name):
    """All others dead."""
    bench = kit.bench()
    values = {"airflow": LOST, "emergency_stop_ok": LOST, "water_C": (LOST,)}
    if name is not None:
        values[name] = (Value(1.0),) if name == "water_C" else Value(1.0)
    given = BathIn(1_000, BathReading(**values), (ChannelReading(*(LOST,) * 5),) * 2)
    facts = bath_facts(bench.settings, bench.state, given)
    assert facts.any_read is (name is not None)
    assert facts.fresh is (name == "airflow")


def test_gas_trips_a_bath_whose_airflow_is_dead(kit):
    """The second reading of it; level and water hold beside it."""
    bench = kit.bench()
    bench.bath_signals |= {"hydrogen_percent_LEL": 2.0, "level": 0.0}
    bench.running()
    bench.bad[-1, "airflow"] = None
    bench.cycles(2)
    bench.bath_signals["hydrogen_percent_LEL"] = 24.9
    bench.cycles(3)
    assert bench.circuit().state is State.HELD
    bench.bath_signals |= {"hydrogen_percent_LEL": 25.0, "level": 1.0}
    bench.cycle()
    assert bench.circuit().state is State.HELD
    bench.cycle()
    assert bench.circuit().state is State.TRIPPED
    bench.cycles(10)
    codes = {alarm.code for alarm in bench.state.alarms}
    assert codes >= {"hydrogen_trip", "level_high", "extraction_lost"}


@pytest.mark.parametrize(("signal", "value", "code"), [
    ("probes", 75.0, "probe_trip"), ("fault_code", 7.0, "rectifier_fault"),
])  # fmt: skip
def test_probe_and_fault_trip_a_circuit_whose_shunt_is_dead(kit, signal, value, code):
    """Held for its link, and tripped for what the others say."""
    bench = kit.bench().running()
    bench.bad[0, "current_A"] = None
    bench.cycles(3)
    assert bench.circuit().state is State.HELD
    bench.bad[0, signal] = value
    bench.cycles(3)
    assert bench.circuit().state is State.TRIPPED
    assert code in {alarm.code for alarm in bench.circuit().alarms}
