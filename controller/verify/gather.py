"""All files of a record as verify needs them: read once, and said what cannot be read. Changes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from controller.records.errors import RecordError
from controller.records.head import read_plain
from controller.records.ours import is_ours
from controller.records.outside import LARGEST_HEAD
from controller.records.place import LARGEST_FILE, Place, read_some_of
from controller.records.reader import CycleStore, read_cycles
from controller.records.readme import readme
from controller.records.summary import is_sealed, is_stripped, read_summary
from controller.records.tables import TABLES
from controller.verify.chained import Chained, read_chained
from controller.verify.telling import some
from controller.verify.verdict import Verdict

FILES = ("run.json", *TABLES, "cycles.bin", "cycles.tail", "summary.json", "README.txt")
"""All files that a run folder may hold."""
_NO_MEMORY = "is larger than the memory that is left here: not looked at"


@dataclass(slots=True)
class Gathered:
    """A record's files as they were found; what cannot be read is empty and said in the verdict."""

    place: Place
    names: tuple[str, ...]
    run_json: bytes = b""
    plain: Mapping[str, Any] = field(default_factory=dict)
    cycles_bin: bytes = b""
    readme: bytes = b""
    cycles: CycleStore = field(default_factory=lambda: read_cycles(b""))
    tables: dict[str, Chained] = field(default_factory=dict)
    summary: Mapping[str, Any] | None = None

    @property
    def same_build(self) -> bool:
        """Whether this very build wrote the record: words and rows may be put better in another one of this version."""
        settings = self.plain.get("settings")
        virtual = isinstance(settings, Mapping) and settings.get("virtual") is True
        return is_ours(self.plain) and self.readme == readme(virtual=virtual).encode()

    def rows_of(self, name: str) -> Sequence[dict[str, str]]:
        """A table's rows by the names of their cells."""
        return self.tables[name].named if name in self.tables else []


def gather(place: Place, verdict: Verdict) -> Gathered:
    """Read a record's files; RecordError when there is none."""
    names = place.names()
    if not any(name in names for name in FILES if name != "README.txt"):
        raise RecordError("is no run folder: it has no run.json")
    found = Gathered(place, names)
    _take_head(found, verdict)
    for name, columns in TABLES.items():
        table = _table(place, name, columns, found.run_json, verdict)
        if table is not None:
            found.tables[name] = table
            verdict.tables[name] = len(table.lines)
            verdict.chain[name] = table.last
        elif name in ("log.csv", "events.csv") and name not in names:
            verdict.wrong.append(f"{name}: is missing")
    found.cycles_bin, found.readme = _bytes(place, "cycles.bin", verdict), _bytes(place, "README.txt", verdict)
    there = found.cycles_bin if "cycles.bin" in names else None
    found.cycles = read_cycles(there, _bytes(place, "cycles.tail", verdict))
    verdict.wrong += found.cycles.problems
    _take_summary(found, verdict)
    verdict.rows, verdict.events = verdict.tables.get("log.csv", 0), verdict.tables.get("events.csv", 0)
    verdict.stated_gaps = sum(row.get("code") == "gap" for row in found.rows_of("events.csv"))
    verdict.unknown_gaps = sum(row.get("code") == "gap_unknown" for row in found.rows_of("events.csv"))
    verdict.cycles = found.cycles.count
    strangers = [name for name in names if name not in FILES]
    if strangers:
        verdict.notes.append(f"beside the record stand files that are no part of it: {some(strangers)}")
    return found


def _take_head(found: Gathered, verdict: Verdict) -> None:
    if "run.json" not in found.names:
        verdict.wrong.append("run.json: is missing; without it nothing says what was run")
        return
    before = len(verdict.wrong)
    found.run_json = _bytes(found.place, "run.json", verdict, LARGEST_HEAD)
    if len(verdict.wrong) > before:
        return
    try:
        found.plain = read_plain(found.run_json)
    except RecordError as error:
        verdict.wrong.append(str(error))


def _take_summary(found: Gathered, verdict: Verdict) -> None:
    """A summary that is not as it was written proves nothing: then no other file is held against it."""
    summary, wrong = read_summary(_bytes(found.place, "summary.json", verdict, LARGEST_HEAD))
    if wrong is not None:
        verdict.wrong.append(wrong)
        return
    found.summary = summary
    if summary is None:
        return
    if is_stripped(summary, found.plain):
        verdict.wrong.append("summary.json: its own SHA-256 was taken away: this record's version writes one")
    elif not is_sealed(summary):
        verdict.notes.append("summary.json is of an older form, without its own SHA-256: a change in it may not show")


def _bytes(place: Place, name: str, verdict: Verdict, most: int = LARGEST_FILE) -> bytes:
    try:
        data, trouble = read_some_of(place, name, most)
        if trouble is not None:
            verdict.wrong.append(_of_file(name, trouble))
        return data
    except RecordError as error:
        verdict.wrong.append(_of_file(name, error))
    except MemoryError:
        verdict.wrong.append(f"{name}: {_NO_MEMORY}")
    return b""


def _table(place: Place, name: str, columns: tuple[str, ...], run_json: bytes, verdict: Verdict) -> Chained | None:
    try:
        return read_chained(place, name, columns, run_json)
    except RecordError as error:
        verdict.wrong.append(_of_file(name, error))
    except MemoryError:
        verdict.wrong.append(f"{name}: {_NO_MEMORY}")
    return None


def _of_file(name: str, error: RecordError) -> str:
    said = str(error)
    return said if said.startswith(f"{name}:") else f"{name}: {said.rpartition(f'{name}: ')[2]}"
