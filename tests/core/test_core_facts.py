"""What one cycle's readings let the core believe: nothing stale, bad or not a number passes."""

from __future__ import annotations

import math
from dataclasses import asdict, fields, replace

import pytest

from controller.core.facts import Facts, facts_of
from controller.core.state import ProbeMemory
from controller.core.types import LOST, ChannelReading, CircuitIn, Fit, LinkState, Quality, State, Value
from controller.core.values import number

GOOD = Value(10.0)


@pytest.mark.parametrize(("value", "expected"), [
    (Value(10.0), 10.0), (Value(10.0, Quality.SUSPECT), 10.0), (Value(10.0, Quality.GOOD, 3_000), 10.0),
    (Value(10.0, Quality.GOOD, 3_001), None), (Value(10.0, Quality.LOST), None), (Value(10.0, Quality.STALE), None),
    (Value(10.0, Quality.OUT_OF_RANGE), None), (Value(10.0, Quality.FROZEN), None), (Value(None), None), (None, None),
    (Value(0.0), 0.0),
])  # fmt: skip
def test_only_good_and_fresh_values_are_numbers(value, expected):
    """Suspect ones count, as they may be true; zero is a number."""
    assert number(value, 3_000) == expected


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_no_value(bad):
    """Not a number compares as false with every limit: it must not pass, whoever calls it good."""
    assert number(Value(bad), 3_000) is None


def test_a_current_that_is_no_number_goes_to_zero(kit):
    """In a living bath: held as unread, and the counters stay numbers."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "current_A"] = math.nan
    bench.cycles(6)
    assert bench.circuit().state is State.HELD
    assert math.isfinite(bench.circuit().run.counters.charge_Ah)


def facts(kit, now_ms=1_000, own=None, **changes):
    reading = ChannelReading(
        GOOD, Value(216.0), GOOD, GOOD, Value(1.0), Value(0.0), Value(0.0), Value(99.0),
        probes=(Value(30.0),), link=LinkState.UP, fit=Fit.OK,
    )  # fmt: skip
    settings = kit.settings(own=own)
    probes = changes.pop("memory", (ProbeMemory(30.0),))
    stand_in = changes.pop("stand_in_C", None)
    state = kit.state(
        probes=probes, now_ms=changes.pop("last_ms", 0), **({"load": changes.pop("load")} if "load" in changes else {})
    )
    share = kit.share(**{key: changes.pop(key) for key in ("water_C",) if key in changes})
    cin = CircuitIn(now_ms, replace(reading, **changes), share, stand_in_C=stand_in)
    return facts_of(settings, settings.circuits[0], state, cin, state.probes)


@pytest.mark.parametrize("signal", ["current_A", "voltage_V", "set_current_A", "output_on"])
def test_each_of_current_volts_set_point_and_output_makes_a_circuit_stale(kit, signal):
    """Any of the four missing: no decision rests on the rest."""
    assert not facts(kit).stale
    assert facts(kit, **{signal: LOST}).stale
    assert facts(kit, **{signal: Value(1.0, Quality.GOOD, 3_001)}).stale


@pytest.mark.parametrize("signal", ["local", "fault_code", "uptime_s"])
def test_an_optional_signal_makes_nothing_stale(kit, signal):
    """A map may not have it."""
    assert not facts(kit, **{signal: None}).stale
    assert not facts(kit, **{signal: LOST}).stale


def test_fresh_means_read_in_this_cycle(kit):
    """An age of 1 ms is another cycle's."""
    assert facts(kit).fresh
    assert not facts(kit, current_A=Value(10.0, Quality.GOOD, 1)).fresh
    assert not facts(kit, current_A=LOST).fresh


@pytest.mark.parametrize(("now_ms", "gap"), [(0, False), (1_000, False), (3_000, False), (3_001, True), (-1, True)])
def test_a_gap_is_longer_than_the_stale_time_or_backwards(kit, now_ms, gap):
    """The last cycle was at 0."""
    assert facts(kit, now_ms=now_ms).gap is gap


@pytest.mark.parametrize(("current_A", "zero"), [
    (0.0, True), (0.29, True), (-0.29, True), (0.3, False), (-0.3, False), (15.0, False), (-15.0, False),
])  # fmt: skip
def test_zero_is_a_reading_within_a_shunts_offset(kit, current_A, zero):
    """And no reading is not zero."""
    assert facts(kit, current_A=Value(current_A)).zero is zero
    assert not facts(kit, current_A=LOST).zero


def test_volts_per_cell_are_those_of_the_load_list(kit):
    """245.7 V over 108 cells; nobody knows them without a list."""
    assert facts(kit, voltage_V=Value(245.7)).voltage_V_per_cell == pytest.approx(2.275)
    assert facts(kit, load=None).voltage_V_per_cell is None
    assert facts(kit, voltage_V=LOST).voltage_V_per_cell is None


def test_every_reading_becomes_its_own_fact(kit):
    """All of them at once, each with a number of its own; the last cycle was at 400 ms."""
    found = facts(
        kit, last_ms=400, water_C=Value(24.0), memory=(ProbeMemory(31.0),), probes=(Value(32.0),),
        current_A=Value(11.0), voltage_V=Value(216.0), set_current_A=Value(12.0), set_voltage_V=Value(307.8),
        output_on=Value(1.0), local=Value(1.0), fault_code=Value(7.0), uptime_s=Value(99.0), counter_Ah=Value(41.0),
        ripple_percent=Value(3.0), link=LinkState.LATE, fit=Fit.RATING,
    )  # fmt: skip
    assert found == Facts(
        now_ms=1_000, dt_ms=600, gap=False, fresh=True, stale=False, link=LinkState.LATE, fit=Fit.RATING,
        current_A=11.0, voltage_V=216.0, set_current_A=12.0, output_on=True, voltage_V_per_cell=2.0, probe_C=31.0,
        hot_C=31.0, probe_lost=False, water_C=24.0, local=True, fault_code=7.0, uptime_s=99.0, set_voltage_V=307.8,
        counter_Ah=41.0, ripple_percent=3.0, seen_C=32.0, any_read=True,
    )  # fmt: skip
    assert list(asdict(found)) == [field.name for field in fields(Facts)]


@pytest.mark.parametrize(("read", "on"), [(0.0, False), (0.5, False), (0.51, True), (1.0, True)])
def test_a_flag_is_on_above_one_half(kit, read, on):
    """Output and local control alike."""
    assert facts(kit, output_on=Value(read)).output_on is on
    assert facts(kit, local=Value(read)).local is on


def test_a_signal_that_the_map_does_not_have_stands_for_no_trouble_and_a_lost_one_for_nothing(kit):
    """No local switch: remote. No fault word: no fault. Read and lost: not known."""
    absent = facts(kit, local=None, fault_code=None)
    assert (absent.local, absent.fault_code) == (False, 0.0)
    lost = facts(kit, local=LOST, fault_code=LOST, output_on=LOST)
    assert (lost.local, lost.fault_code, lost.output_on) == (None, None, None)


def test_a_lost_probe_is_replaced_for_the_derate_only(kit):
    """`probe_C` stays unknown, `hot_C` is the stand-in, else the water."""
    lost = facts(kit, probes=(LOST,), stand_in_C=37.0)
    assert (lost.probe_C, lost.hot_C, lost.probe_lost) == (None, 37.0, True)
    assert facts(kit, probes=(LOST,)).hot_C == 25.0


def test_a_circuit_without_probes_uses_the_water(kit):
    """Nothing is lost that was never there."""
    found = facts(kit, own={"probes": 0}, probes=(), memory=())
    assert (found.probe_C, found.hot_C, found.seen_C, found.probe_lost) == (25.0, 25.0, 25.0, False)
    found = facts(kit, own={"probes": 0}, probes=(), memory=(), water_C=LOST)
    assert (found.probe_C, found.hot_C, found.seen_C, found.probe_lost) == (None, None, None, True)


def test_what_is_believed_and_what_is_seen_are_told_apart(kit):
    """The laws rest on what is believed; whoever gives current back asks the raw reading, too."""
    found = facts(kit, probes=(Value(57.0),), memory=(ProbeMemory(31.0),))
    assert (found.probe_C, found.hot_C, found.seen_C) == (31.0, 31.0, 57.0)
    assert facts(kit, probes=(Value(57.0), Value(40.0, Quality.GOOD, 3_001))).seen_C == 57.0
