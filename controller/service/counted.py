"""What a record's own events tell of its run so far, for a service that goes on with it after a restart."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from controller.core.types import EventKind
from controller.records.errors import RecordError
from controller.records.place import place_of
from controller.records.stream import cells_of, open_table
from controller.records.tables import EVENT_COLUMNS
from controller.records.trips import is_trip

GAP_UNKNOWN = "gap_unknown"


@dataclass(frozen=True, slots=True)
class Counted:
    """How many alarms that trip came, and how many gaps of unknown length there were."""

    trips: int = 0
    unknown_gaps: int = 0


def counted(folder: Path) -> Counted:
    """Return what events.csv of a run folder tells; as far as it can be read, and nothing where it cannot."""
    trips = gaps = 0
    with suppress(RecordError, OSError, ValueError):
        for kind, code in _kinds_and_codes(folder):
            trips += kind == EventKind.ALARM.value and is_trip(code)
            gaps += kind == EventKind.EVENT.value and code == GAP_UNKNOWN
    return Counted(trips, gaps)


def _kinds_and_codes(folder: Path) -> Iterator[tuple[str, str]]:
    opened = open_table(place_of(folder), "events.csv", EVENT_COLUMNS, behind=True)
    if opened is None:
        return
    table, file = opened
    with file:
        for piece in table.pieces():
            kind, code = (table.columns.index(name) for name in ("kind", "code"))
            for cells in map(cells_of, piece.lines):
                if len(cells) > max(kind, code):
                    yield cells[kind], cells[code]
