"""The log row of a cycle, from what the cycle was decided on and what it led to. Pure."""

from __future__ import annotations

from controller.core.sensors import hottest_C
from controller.core.state import CircuitState, Counters, ProbeMemory
from controller.core.types import CircuitIn, Command, Quality, Value
from controller.core.values import number
from controller.records.rows import LogRow

_NONE_COUNTED = Counters()
_NO_PROBE = Value(None)


def log_row(utc_ms: int, cin: CircuitIn, command: Command, after: CircuitState, stale_ms: int) -> LogRow:
    """What log.csv says of this cycle: probe = the hottest believed one, step by its number after unrolling.

    What was read longer ago than `stale_ms` is stale, whatever the field still calls it.
    """
    run, load = after.run, after.load
    counters = _NONE_COUNTED if run is None else run.counters
    step = None
    if run is not None and load is not None and run.step < len(load.plan.steps):
        step = load.plan.steps[run.step].number
    return LogRow(
        utc_ms, cin.now_ms, step, after.state.value, command.set_current_A, _aged(cin.reading.current_A, stale_ms),
        _aged(cin.reading.voltage_V, stale_ms), _aged(cin.bath.water_C, stale_ms),
        _probe(after.probes, cin.reading.probes, stale_ms), counters.charge_Ah, counters.discharge_Ah,
        counters.energy_Wh, after.allowed.percent,
    )  # fmt: skip


def _aged(value: Value, stale_ms: int) -> Value:
    """Return a value as it is told: one that is too old is no reading any more."""
    return Value(None, Quality.STALE, value.age_ms) if value.number is not None and value.age_ms > stale_ms else value


def _probe(memory: tuple[ProbeMemory, ...], probes: tuple[Value, ...], stale_ms: int) -> Value:
    """Return the hottest believed probe as a value with the quality of the sensor that shows it.

    Where none is believed the first one says why; no number is told then.
    """
    hottest = hottest_C(memory, probes, stale_ms)
    if hottest is None:
        return _not_believed(memory, probes[0], stale_ms) if probes else _NO_PROBE
    shown = [
        probe
        for one, probe in zip(memory, probes, strict=False)
        if one.believed_C == hottest and not one.frozen and number(probe, stale_ms) is not None
    ]
    quality = Quality.GOOD if any(probe.quality is Quality.GOOD for probe in shown) else Quality.SUSPECT
    return Value(hottest, quality)


def _not_believed(memory: tuple[ProbeMemory, ...], probe: Value, stale_ms: int) -> Value:
    """Return a probe's value without its number: as the field calls it, else why the core does not believe it."""
    aged = _aged(probe, stale_ms)
    if aged.quality not in (Quality.GOOD, Quality.SUSPECT):
        return Value(None, aged.quality, aged.age_ms)
    if number(aged, stale_ms) is None:  # no number, or none that a thing can have
        return Value(None, Quality.LOST if aged.number is None else Quality.OUT_OF_RANGE, aged.age_ms)
    # It was read before the first cycle that this core saw, or stood still while it should have moved.
    return Value(None, Quality.FROZEN if memory and memory[0].frozen else Quality.STALE, aged.age_ms)
