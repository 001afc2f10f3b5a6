"""What a row of log.csv says of its cycle: numbers that the laws had, marks where they had none."""

from __future__ import annotations

import csv
from dataclasses import replace

import pytest

from controller.core.sensors import sensed
from controller.core.state import CircuitState, ProbeMemory
from controller.core.types import ALL_OFF, BathShare, ChannelReading, CircuitIn, Quality, Value
from controller.records.logrow import log_row
from controller.records.rows import log_text
from controller.records.tables import LOG_COLUMNS

STALE_MS = 3_000
GOOD, SUSPECT, LOST, STALE = Quality.GOOD, Quality.SUSPECT, Quality.LOST, Quality.STALE
NONE, WATER, CURRENT = Value(None, LOST), Value(25.0), Value(1.0)


def cells(probes=(), memory=(), *, water=WATER, current=CURRENT):
    """The row of a cycle as cells."""
    reading = ChannelReading(current, Value(200.0), Value(1.0), Value(300.0), Value(1.0), probes=tuple(probes))
    share = BathShare(water, 0, hood_closed=True, airflow_ok=True, inputs_ok=True, emergency_stop_ok=True)
    after = replace(CircuitState("A01"), probes=tuple(memory))
    row = log_row(0, CircuitIn(0, reading, share), ALL_OFF, after, STALE_MS)
    return dict(zip(LOG_COLUMNS, next(csv.reader([log_text(row, 0)])), strict=False))


def told(*args, **changes):
    """Temperature of the probes and the marks."""
    found = cells(*args, **changes)
    return found["probe_C"], found["quality"]


def believed(*numbers, frozen=False):
    return ProbeMemory(numbers[-1] if numbers else None, tuple(numbers[-3:]), 0, frozen)


@pytest.mark.parametrize("age_ms", [0, STALE_MS])
def test_numbers_within_the_stale_time_are_told(age_ms):
    """To the very millisecond: probe, water and current count as long as the laws take them."""
    value = Value(43.5, GOOD, age_ms)
    found = cells([value], [believed(43.5)], water=replace(value, number=30.1), current=value)
    assert (found["probe_C"], found["bath_C"], found["current_A"]) == ("43.50", "30.10", "43.500")
    assert found["quality"] == ""


def test_numbers_beyond_the_stale_time_are_marked():
    """A link that is lost leaves its last numbers in the field, still called good; none of them is told as good."""
    value = Value(43.5, GOOD, STALE_MS + 1)
    found = cells([value], [believed(43.5)], water=value, current=value)
    assert (found["probe_C"], found["bath_C"], found["current_A"]) == ("", "", "")
    assert found["quality"] == "current_A=stale bath_C=stale probe_C=stale"


@pytest.mark.parametrize(
    ("probe", "memory", "mark"),
    [
        (NONE, believed(30.0), "lost"),
        (Value(None, Quality.OUT_OF_RANGE), believed(30.0), "out_of_range"),
        (Value(None, STALE, 99_000), believed(30.0), "stale"),
        (Value(31.0, LOST), believed(30.0), "lost"),
        (Value(None, GOOD), believed(30.0), "lost"),
        (Value(1e16, GOOD), believed(30.0), "out_of_range"),
        (Value(30.0, GOOD), believed(30.0, 30.0, 30.0, frozen=True), "frozen"),
        (Value(30.0, SUSPECT), believed(30.0, frozen=True), "frozen"),
        (Value(30.0, GOOD, 2_000), believed(), "stale"),
        (Value(30.0, GOOD, 2_000), None, "stale"),
    ],
)
def test_no_number_is_told_of_a_probe_that_the_laws_do_not_have(probe, memory, mark):
    """Lost, out of range, stale, frozen by the core's own finding, or never read in a cycle of its own: a mark each."""
    assert told([probe], () if memory is None else [memory]) == ("", f"probe_C={mark}")


def test_the_first_probe_says_why_where_none_is_believed():
    """Two probes gone for different reasons: the first one's."""
    gone = [Value(None, Quality.OUT_OF_RANGE), NONE]
    assert told(gone, [believed(30.0)] * 2) == ("", "probe_C=out_of_range")


def test_a_circuit_without_a_probe_has_an_empty_cell_and_no_mark():
    """There is nothing to be lost."""
    assert told() == ("", "")


def test_the_hottest_believed_probe_is_told_with_its_own_quality():
    """A suspect one marks the row; where a good one shows the same it is good; frozen and stale ones lend none."""
    suspect, good = Value(40.0, SUSPECT), Value(40.0)
    assert told([suspect, Value(30.0)], [believed(40.0), believed(30.0)]) == ("40.00", "probe_C=suspect")
    assert told([suspect, good], [believed(40.0)] * 2) == ("40.00", "")
    assert told([suspect, good], [believed(40.0), believed(40.0, frozen=True)]) == ("40.00", "probe_C=suspect")
    stale = replace(good, age_ms=STALE_MS + 1)
    assert told([suspect, stale], [believed(40.0)] * 2) == ("40.00", "probe_C=suspect")
    assert told([NONE, Value(30.0)], [believed(50.0), believed(30.0)]) == ("30.00", "")


def test_a_spike_is_not_told_and_a_real_rise_is():
    """The row has what the laws believe after this very cycle's reading, not what was read."""
    memory = ()
    rows = []
    for now_ms, number in enumerate((30.0, 60.0, 30.0, 33.0, 34.0)):
        probes = (Value(number),)
        memory = sensed(memory, probes, STALE_MS, now_ms)
        rows.append(told(probes, memory)[0])
    assert rows == ["30.00", "30.00", "30.00", "30.00", "33.00"]
