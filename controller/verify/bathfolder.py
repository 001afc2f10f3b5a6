"""Verify of a bath's own folder: events that belong to no run, proofs, kept releases, the state. Changes nothing."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from controller.records.bathlog import CONTINUES, RELEASES
from controller.records.errors import RecordError
from controller.records.finding import MONTH, PROOFS, is_of_a_bath
from controller.records.place import FolderPlace, read_all
from controller.records.statefile import LIMITS, read_limits_at, read_state_at
from controller.records.statefile import NAME as STATE
from controller.records.tables import EVENT_COLUMNS, PROOF_COLUMNS
from controller.verify.aftercheck import wrong_reading_rows
from controller.verify.chained import MOST_BREAKS, Chained, read_chained
from controller.verify.forms import TABLE_FORMS, wrong_forms
from controller.verify.paper import Typed, on_paper
from controller.verify.proofcheck import lacking_proofs
from controller.verify.telling import few
from controller.verify.verdict import Verdict

_RELEASE = re.compile(r"([0-9a-f]{64})\.json")
Reader = Callable[[FolderPlace], tuple[dict[str, Any] | None, str | None, str | None]]


def verify_bath(folder: Path, papers: Sequence[Typed] = ()) -> Verdict:
    """Look at a bath's own folder; RecordError when it cannot be read."""
    place = FolderPlace(folder)
    verdict = Verdict(place.name, kind="bath")
    odd = _no_plain_files(place)
    verdict.wrong += [f"{name}: is no plain file" for name in odd]
    tables: dict[str, Chained] = {}
    for name in place.names():
        month = MONTH.fullmatch(name)
        if month is None and name != PROOFS:
            continue
        table = _table(place, name, verdict)
        if table is None:
            continue
        tables[name] = table
        if month is not None:
            verdict.wrong += _other_months(table, month[1])
            verdict.wrong += wrong_reading_rows(name, table.named)
    verdict.wrong += [*_broken_months(tables), *_proofs(tables, odd)]
    for name, read in ((STATE, read_state_at), (LIMITS, read_limits_at)):
        if name not in odd:
            _sealed(place, name, read, verdict)
    if RELEASES not in odd:
        _releases(folder, verdict)
    verdict.paper = [on_paper(typed, {name: table.lines for name, table in tables.items()}) for typed in papers]
    verdict.files = {
        name: not any(said.startswith(f"{name}:") for said in verdict.wrong)
        for name in sorted({*place.names(), *odd})
        if _is_ours(name)
    }
    verdict.notes += _not_to_be_seen(verdict) if tables else []
    return verdict


def _not_to_be_seen(verdict: Verdict) -> list[str]:
    """What is not there though every service leaves it, and what would not show."""
    missing = [name for name in (STATE, LIMITS) if name not in verdict.files]
    said = [f"{name}: is missing, every service leaves one: what it held is not known" for name in missing]
    said.append(
        "a cut end would not show here, nor that the newest month is gone, but against a chain value on paper or "
        "another copy"
    )
    return said


def _table(place: FolderPlace, name: str, verdict: Verdict) -> Chained | None:
    columns, forms = (PROOF_COLUMNS, PROOFS) if name == PROOFS else (EVENT_COLUMNS, "events.csv")
    try:
        table = read_chained(place, name, columns, b"")
    except RecordError as error:
        verdict.wrong.append(f"{name}: {str(error).rpartition(f'{name}: ')[2]}")
        return None
    if table is None:
        return None
    verdict.tables[name] = len(table.lines)
    verdict.chain[name] = table.last
    verdict.wrong += [*table.damage, *table.broken(table.breaks), *([table.cut] if table.cut else [])]
    verdict.wrong += wrong_forms(name, table.columns, table.lines, TABLE_FORMS[forms], set(table.breaks))
    return table


def _other_months(table: Chained, month: str) -> list[str]:
    """Rows of another month than the file is for: each stands in the file of its own."""
    wanted = f"{month[:4]}-{month[4:]}-"
    times = enumerate(table.column("time_utc"), 1)
    found = (row for row, text in times if text and not text.startswith(wanted))
    return few(
        (f"{table.name}:{row + 1}: row {row}: is of another month" for row in found), table.name, "rows", MOST_BREAKS
    )


def _broken_months(tables: Mapping[str, Chained]) -> list[str]:
    """Months that are gone, or lack the row from which the next one goes on."""
    found = []
    for name, table in tables.items():
        first = table.named[0] if MONTH.fullmatch(name) and table.named else {}
        if first.get("code") != CONTINUES:
            continue
        former, value = first.get("limit", ""), first.get("value", "")
        if former not in tables:
            found.append(f"{former}: is missing, {name} goes on from it")
        elif value not in tables[former].column("chain"):
            found.append(f"{former}: lacks the row that {name} goes on from: its end was cut")
    return found


def _proofs(tables: Mapping[str, Chained], odd: Sequence[str]) -> list[str]:
    """Proofs that the events tell of and proofs.csv, where it can be read, does not hold."""
    if PROOFS in odd or (PROOFS in tables and tables[PROOFS].breaks):
        return []
    proofs = tables[PROOFS].named if PROOFS in tables else []
    months = {name: table.named for name, table in sorted(tables.items()) if MONTH.fullmatch(name)}
    return few(lacking_proofs(months, proofs), "events", "rows", MOST_BREAKS)


def _is_ours(name: str) -> bool:
    return is_of_a_bath(name) or name == LIMITS


def _no_plain_files(place: FolderPlace) -> list[str]:
    """What is called as a file of ours and is none, sorted: a link leads elsewhere, and nobody reads a pipe."""
    plain = place.names()
    try:
        with os.scandir(place.path) as entries:
            odd = [each.name for each in entries if _is_ours(each.name) and each.name not in plain]
            kept = place.path / RELEASES
            there = kept.is_symlink() or (kept.exists() and not kept.is_dir())
    except OSError as error:
        raise RecordError(f"{place.path}: cannot be read: {error.strerror}") from None
    return sorted([*odd, *([RELEASES] if there else [])])


def _sealed(place: FolderPlace, name: str, read: Reader, verdict: Verdict) -> None:
    try:
        _, trouble, older = read(place)
    except RecordError as error:
        trouble, older = f"{name}: {str(error).rpartition(f'{name}: ')[2]}", None
    verdict.wrong += [trouble] if trouble else []
    verdict.notes += [older] if older else []


def _releases(folder: Path, verdict: Verdict) -> None:
    if not (folder / RELEASES).is_dir():
        return
    place = FolderPlace(folder / RELEASES)
    for name in place.names():
        found = _RELEASE.fullmatch(name)
        if found is None:
            continue
        told = f"{RELEASES}/{name[:16]}..."
        try:
            held = sha256(read_all(place, name)).hexdigest()
        except RecordError as error:
            verdict.wrong.append(f"{told}: {str(error).rpartition(f'{name}: ')[2]}")
            continue
        if held != found[1]:
            verdict.wrong.append(f"{told}: is not what was kept under this hash")
