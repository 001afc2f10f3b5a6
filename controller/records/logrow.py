"""The log row of a cycle, from what the cycle was decided on and what it led to. Pure."""

from __future__ import annotations

from controller.core.facts import hottest_C
from controller.core.state import CircuitState, Counters
from controller.core.types import CircuitIn, Command, Quality, Value
from controller.records.rows import LogRow

_NONE_COUNTED = Counters()
_NO_PROBE = Value(None)


def log_row(utc_ms: int, cin: CircuitIn, command: Command, after: CircuitState, stale_ms: int) -> LogRow:
    """What log.csv says of this cycle: probe = the hottest valid one, step by its number after unrolling."""
    run, load = after.run, after.load
    counters = _NONE_COUNTED if run is None else run.counters
    number = None
    if run is not None and load is not None and run.step < len(load.plan.steps):
        number = load.plan.steps[run.step].number
    return LogRow(
        utc_ms, cin.now_ms, number, after.state.value, command.set_current_A, cin.reading.current_A,
        cin.reading.voltage_V, cin.bath.water_C, _probe(cin.reading.probes, stale_ms), counters.charge_Ah,
        counters.discharge_Ah, counters.energy_Wh, after.allowed.percent,
    )  # fmt: skip


def _probe(probes: tuple[Value, ...], stale_ms: int) -> Value:
    hottest = hottest_C(probes, stale_ms)
    if hottest is not None:
        same = [probe for probe in probes if probe.number == hottest]
        return next((probe for probe in same if probe.quality is Quality.GOOD), same[0])
    return probes[0] if probes else _NO_PROBE
