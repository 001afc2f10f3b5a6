"""What one cycle's readings let the core believe: nothing stale, bad or not a number passes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.core.facts import facts_of
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
    share = kit.share(**{key: changes.pop(key) for key in ("water_C",) if key in changes})
    cin = CircuitIn(now_ms, replace(reading, **changes), share, stand_in_C=stand_in)
    return facts_of(settings, settings.circuits[0], kit.state(probes=probes), cin)


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


@pytest.mark.parametrize(("now_ms", "gap"), [(1_000, False), (3_000, False), (3_001, True), (-1, True)])
def test_a_gap_is_longer_than_the_stale_time_or_backwards(kit, now_ms, gap):
    """The last cycle was at 0."""
    assert facts(kit, now_ms=now_ms).gap is gap


@pytest.mark.parametrize(("current_A", "zero"), [(0.0, True), (0.29, True), (-0.29, True), (0.3, False), (-0.3, False)])
def test_zero_is_a_reading_within_a_shunts_offset(kit, current_A, zero):
    """And no reading is not zero."""
    assert facts(kit, current_A=Value(current_A)).zero is zero
    assert not facts(kit, current_A=LOST).zero


def test_volts_per_cell_are_those_of_the_load_list(kit):
    """216 V over 108 cells."""
    assert facts(kit).voltage_V_per_cell == pytest.approx(2.0)


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
