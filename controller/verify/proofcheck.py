"""Proofs that a bath's events tell of, against the rows of proofs.csv. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from controller.core.types import EventKind
from controller.records.outside import number_of
from controller.records.readings import moment_of

Row = Mapping[str, str]
COMMIT_MS = 5_000
"""What comes so shortly before a service that was killed may be of its last commit, which is a second's: one file of it
was on the disk, the next was not (own choice)."""


def lacking_proofs(months: Mapping[str, Sequence[Row]], proofs: Sequence[Row]) -> list[str]:
    """Events of a proof without their row, each with its own; `months` by the names of their files, the oldest first.

    Left out are those that a crash took, and as many as lost rows were told of.
    """
    held = Counter((row.get("time_utc"), row.get("by")) for row in proofs)
    places = [(name, number, row) for name, rows in months.items() for number, row in enumerate(rows, 1)]
    found = []
    for at, (name, number, row) in enumerate(places):
        if row.get("kind") != EventKind.ORDER.value or row.get("code") != "proof":
            continue
        key = row.get("time_utc"), row.get("who")
        held[key] -= 1
        if held[key] < 0 and not _in_a_last_commit(row, (each for _, _, each in places[at + 1 :])):
            found.append(f"{name}:{number + 1}: row {number}: its proof is not in proofs.csv")
    lost = sum(number_of(row.get("value", "")) or 0 for _, _, row in places if row.get("code") == "rows_lost")
    return found if len(found) > lost else []


def _in_a_last_commit(row: Row, behind: Iterator[Row]) -> bool:
    """Whether a service began anew right behind a row."""
    begin_ms = moment_of(row.get("time_utc", ""))
    for each in behind:
        if each.get("code") == "service_started":
            return True
        at_ms = moment_of(each.get("time_utc", ""))
        if begin_ms is None or at_ms is None or abs(at_ms - begin_ms) > COMMIT_MS:
            return False
    return False
