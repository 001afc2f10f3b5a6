"""Rows of a bath's own events that belong to one circuit's run: from a moment on until its string was unloaded."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from controller.records.errors import RecordError
from controller.records.reader import read_bytes
from controller.records.readings import event_rows, moment_of
from controller.records.rows import time_utc

_UNLOADED = "unload by "


def rows_after(bath: Path, circuit: str, since_ms: int) -> Iterator[dict[str, str]]:
    """The rows of a circuit in the events of its bath (`bath`: their folder) since a moment (ms since 1970).

    What cannot be read is left out.
    """
    first = f"events-{time_utc(since_ms)[:7].replace('-', '')}.csv"
    for path in sorted(bath.glob("events-*.csv")):
        if path.name < first:
            continue
        try:
            text = read_bytes(path).decode("utf-8", "replace")
        except RecordError:
            continue
        for row in event_rows(text.split("\n")[1:]):
            at_ms = moment_of(row.get("time_utc", ""))
            if row.get("target") != circuit or at_ms is None or at_ms < since_ms:
                continue
            if row.get("code") == "accepted" and row.get("text", "").startswith(_UNLOADED):
                return
            yield row
