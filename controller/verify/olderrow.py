"""Rows of log.csv as earlier builds wrote them, so that their records are not called wrong. Pure.

They told of temperatures that were older than the stale time as the field called them: good ones.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core.sensors import hottest_C
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Quality, Value
from controller.records.rows import LogRow


def older_row(row: LogRow, cin: CircuitIn, after: CircuitState, stale_ms: int) -> LogRow:
    """The same row with its temperatures as they once were told."""
    return replace(row, bath_C=cin.bath.water_C, probe_C=_probe(cin, after, stale_ms))


def _probe(cin: CircuitIn, after: CircuitState, stale_ms: int) -> Value:
    probes = cin.reading.probes
    hottest = hottest_C(after.probes, probes, stale_ms)
    if hottest is None:
        return probes[0] if probes else Value(None)
    shown = [probe for one, probe in zip(after.probes, probes, strict=False) if one.believed_C == hottest]
    return Value(hottest, Quality.GOOD if any(probe.quality is Quality.GOOD for probe in shown) else Quality.SUSPECT)
