"""What a list can tell of a record's end without reading it whole: whether each table still holds its last known row.

Costs little: names, the end of log.csv, the small tables. A list walks no chain; the table of runs and verify do.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from controller.records.closed import proof_missing, told_end
from controller.records.place import ArchivePlace, Place, read_all
from controller.records.stream import cells_of
from controller.records.summary import NAME as SUMMARY
from controller.records.tables import EVENT_COLUMNS, TABLES

TAIL = 8_192
"""Bytes at the end of log.csv that surely hold one whole row: a row has about 130."""
_KIND, _CODE = EVENT_COLUMNS.index("kind"), EVENT_COLUMNS.index("code")

Lines = Mapping[str, Sequence[bytes]]


def tail_of(place: Place, name: str) -> bytes | None:
    """The last bytes of a file, up to its last line end; None: it is not there. RecordError: unreadable."""
    stream = place.open(name)
    if stream is None:
        return None
    with stream:
        end = b""
        if stream.seekable():
            stream.seek(max(0, stream.seek(0, os.SEEK_END) - TAIL))
        while data := stream.read(1 << 16):
            end = (end + data)[-TAIL:]
    return end[: end.rfind(b"\n") + 1]


def wrong_ends(place: Place, summary: Mapping[str, Any], lines: Lines) -> Iterator[str]:
    """Tables that are gone, or lack the last row that the summary knows. `lines`: of the tables that were read.

    Rows behind that one are no matter: they come before the summary follows. An archive's log is too dear to look into.
    """
    chains, rows = _part(summary, "chain"), _part(summary, "rows")
    for name in (name for name in TABLES if name in rows or name in chains):
        found = _lines_of(place, name, lines)
        last = str(chains.get(name, "")).encode("utf-8", "replace")
        if found is None:
            yield f"{name}: is missing, summary.json knows it"
        elif rows.get(name) == 0 or (name == "log.csv" and isinstance(place, ArchivePlace)):
            continue
        elif not any(line.endswith(last) for line in reversed(found)):
            yield f"{name}: lacks the last row that summary.json knows"


def _part(summary: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    part = summary.get(key)
    return part if isinstance(part, dict) else {}


def _lines_of(place: Place, name: str, lines: Lines) -> Sequence[bytes] | None:
    """The lines at a table's end; None: it is not there."""
    if lines.get(name):
        return lines[name]
    if name == "log.csv" and not isinstance(place, ArchivePlace):
        end = tail_of(place, name)
        return None if end is None else end.split(b"\n")
    if place.size(name) is None:
        return None
    return () if name == "log.csv" else read_all(place, name).split(b"\n")


def wrong_without(place: Place, last_state: str, lines: Lines, *, is_open: bool) -> str | None:
    """What is wrong with a record that has no summary.json; None: it may well be open, or was never closed."""
    names = place.names()
    if SUMMARY in names:
        return None
    events = lines.get("events.csv", ())
    likely = (cells_of(line) for line in events if b",complete," in line or b",signed_off," in line)
    end = told_end(last_state, ((cells[_KIND], cells[_CODE]) for cells in likely if len(cells) > _CODE))
    return proof_missing(names, end, is_open=is_open or None)
