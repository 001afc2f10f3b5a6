"""Proofs, calibrations and inspections: their rows in proofs.csv, and which of them are due again. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date

from controller.core.types import Event, EventKind, Scalar
from controller.records.rows import time_utc

MOST_KEPT = 1_000
"""Items whose due day is watched; a plant has some ten a bath."""

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def due_day(said: Scalar) -> str:
    """Return a due day as it was said, YYYY-MM-DD; empty where nothing was said. ValueError: it is no day."""
    if said is None or said == "":
        return ""
    text = said.strip() if isinstance(said, str) else ""
    if _DAY.fullmatch(text) is None:
        raise ValueError(f"due={said} is no day, write it as 2027-03-31")
    return date.fromisoformat(text).isoformat()


def proof_cells(event: Event, utc_ms: int) -> tuple[Scalar, ...] | None:
    """Return the cells of the row that an accepted order leaves there, all but the chain; None: it leaves none.

    A `proof` (or calibration) says item, result, serial and due day; an inspected contactor is one of its circuit.
    """
    data = event.data
    if event.kind is not EventKind.ORDER:
        return None
    at, who = time_utc(utc_ms), str(data.get("who") or "")
    if event.code == "proof":
        try:
            due = due_day(data.get("due"))
        except ValueError:
            due = ""
        return at, str(data.get("item") or ""), str(data.get("serial") or ""), str(data.get("result") or ""), who, due
    if event.code == "accepted" and data.get("verb") == "inspected":
        return at, f"contactor {event.target}", "", str(data.get("reason") or "inspected"), who, ""
    return None


class Proofs:
    """The newest due day of each item (and serial) of a bath; an item's first word is its name to the core."""

    def __init__(self, rows: Iterable[Mapping[str, str]] = ()) -> None:
        self._due: dict[tuple[str, str], str] = {}
        for row in rows:
            self._take(row.get("item", ""), row.get("serial", ""), row.get("due", ""))

    def take(self, cells: tuple[Scalar, ...]) -> None:
        """One more row of proofs.csv."""
        _, item, serial, _, _, due = (str(cell or "") for cell in cells)
        self._take(item, serial, due)

    def _take(self, item: str, serial: str, due: str) -> None:
        key = (item.strip().lower(), serial.strip())
        if _DAY.fullmatch(due) is None:
            # Proved again without a due day: nobody says any more when it should be.
            self._due.pop(key, None)
        elif key in self._due or len(self._due) < MOST_KEPT:
            self._due[key] = due

    def overdue(self, utc_ms: int) -> tuple[str, ...]:
        """Return the names of what should have been proved again by now: its due day is over (UTC)."""
        if not self._due:
            return ()
        today = time_utc(utc_ms)[:10]
        return tuple(sorted({item.split()[0] for (item, _), due in self._due.items() if due < today and item}))
