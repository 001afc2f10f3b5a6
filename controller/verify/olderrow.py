"""Rows of log.csv as they are written, and as earlier builds wrote them, so that no such record is called wrong. Pure.

They told of temperatures that were older than the stale time as the field called them: good ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from controller.core.sensors import hottest_C
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Quality, Value
from controller.records.rows import LogRow, log_text
from controller.records.tables import LOG_COLUMNS

Cells = Mapping[str, str]


def older_row(row: LogRow, cin: CircuitIn, after: CircuitState, stale_ms: int) -> LogRow:
    """The same row with its temperatures as they once were told."""
    return replace(row, bath_C=cin.bath.water_C, probe_C=_probe(cin, after, stale_ms))


def cells_of(row: LogRow, start_ms: int) -> dict[str, str]:
    """A row's cells as they are written, by their columns; the chain is not there."""
    return dict(zip(LOG_COLUMNS, log_text(row, start_ms).split(","), strict=False))


def not_as(row: Cells, allowed: Sequence[Cells], differs: Callable[[Cells, Cells], str]) -> str:
    """What a row tells otherwise than the first of these, in the words of `differs`; "": it agrees with one of them."""
    told = differs(row, allowed[0])
    return told if told and all(differs(row, other) for other in allowed[1:]) else ""


def _probe(cin: CircuitIn, after: CircuitState, stale_ms: int) -> Value:
    probes = cin.reading.probes
    hottest = hottest_C(after.probes, probes, stale_ms)
    if hottest is None:
        return probes[0] if probes else Value(None)
    shown = [probe for one, probe in zip(after.probes, probes, strict=False) if one.believed_C == hottest]
    return Value(hottest, Quality.GOOD if any(probe.quality is Quality.GOOD for probe in shown) else Quality.SUSPECT)
