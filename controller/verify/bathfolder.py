"""Verify of a bath's own folder: events that belong to no run, proofs, kept releases, the state. Changes nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path

from controller.records.bathlog import CONTINUES, RELEASES
from controller.records.errors import RecordError
from controller.records.finding import MONTH, PROOFS, is_of_a_bath
from controller.records.place import FolderPlace, read_all
from controller.records.statefile import NAME as STATE
from controller.records.statefile import read_state
from controller.records.tables import EVENT_COLUMNS, PROOF_COLUMNS
from controller.verify.aftercheck import wrong_reading_rows
from controller.verify.chained import MOST_BREAKS, Chained, read_chained
from controller.verify.forms import TABLE_FORMS, wrong_forms
from controller.verify.paper import Typed, on_paper
from controller.verify.telling import few
from controller.verify.verdict import Verdict

_RELEASE = re.compile(r"([0-9a-f]{64})\.json")


def verify_bath(folder: Path, papers: Sequence[Typed] = ()) -> Verdict:
    """Look at a bath's own folder; RecordError when it cannot be read."""
    place = FolderPlace(folder)
    verdict = Verdict(place.name, kind="bath")
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
    verdict.wrong += _broken_months(tables)
    _state(place, verdict)
    _releases(folder, verdict)
    verdict.paper = [on_paper(typed, {name: table.lines for name, table in tables.items()}) for typed in papers]
    verdict.files = {
        name: not any(said.startswith(f"{name}:") for said in verdict.wrong)
        for name in place.names()
        if is_of_a_bath(name)
    }
    if tables:
        verdict.notes.append(
            "a cut end would not show here, nor that the newest month is gone, but against a chain value on paper or "
            "another copy"
        )
    return verdict


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


def _state(place: FolderPlace, verdict: Verdict) -> None:
    try:
        trouble = read_state(read_all(place, STATE))[1]
    except RecordError as error:
        trouble = f"{STATE}: {str(error).rpartition(f'{STATE}: ')[2]}"
    if trouble:
        verdict.wrong.append(trouble)


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
