"""Are a record's files whole: rows and chains, forms, hashes and counters, each held against summary.json. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from hashlib import sha256
from typing import Any

from controller.records.outside import number_of
from controller.records.saying import short
from controller.verify.chained import Chained
from controller.verify.forms import TABLE_FORMS, wrong_forms
from controller.verify.gather import Gathered
from controller.verify.headcheck import wrong_summary
from controller.verify.logwatch import DECIMALS
from controller.verify.losses import lost_of
from controller.verify.rowtimes import wrong_end_time
from controller.verify.tally import COUNTED
from controller.verify.verdict import Verdict

_HASHES = {"run.json": "run_json_sha256", "cycles.bin": "cycles_sha256", "README.txt": "readme_sha256"}


def whole(found: Gathered, verdict: Verdict) -> None:
    """All of it, into the verdict."""
    _chains(found, verdict)
    _hashes(found, verdict)
    for table in found.tables.values():
        _forms(table, verdict)
    _counters(found, verdict)


def _chains(found: Gathered, verdict: Verdict) -> None:
    """Every row follows from the one before; where no first row follows from run.json and the header, those changed."""
    told = None if found.summary is None else found.summary.get(_HASHES["run.json"])
    changed = not found.plain or (told is not None and told != sha256(found.run_json).hexdigest())
    tables = [table for table in found.tables.values() if table.lines]
    if not changed and told is None and tables and all(table.breaks[:1] == (1,) for table in tables):
        changed = True
        verdict.wrong.append("run.json or the header was changed: in no table does the first row follow from them")
    for table in found.tables.values():
        verdict.wrong += table.damage
        rows = [row for row in table.breaks if row > 1 or not changed]
        verdict.wrong += table.broken(rows)
        if table.cut:
            verdict.wrong.append(table.cut)
        if changed and len(table.lines) > 1 and not rows:
            verdict.notes.append(f"{table.name}: its rows follow from each other, but for the first")


def _hashes(found: Gathered, verdict: Verdict) -> None:
    """Hashes, numbers of rows and last chain values that summary.json knows."""
    summary = found.summary
    if summary is None:
        return
    held = {"run.json": found.run_json, "cycles.bin": found.cycles_bin, "README.txt": found.readme}
    for name, key in _HASHES.items():
        if key not in summary or summary[key] == sha256(held[name]).hexdigest():
            continue
        missing = name not in found.names
        if not (missing and name == "run.json"):
            verdict.wrong.append(f"{name}: is {'missing' if missing else 'not the one summary.json was written for'}")
    for name, table in found.tables.items():
        rows, last = _entry(summary, "rows", name), _entry(summary, "chain", name)
        if rows != len(table.lines):
            verdict.wrong.append(f"{name}: {len(table.lines)} rows, summary.json says {rows}")
        elif last != table.last and table.lines and not table.breaks:
            verdict.wrong.append(f"{name}: ends in chain value {table.last}, summary.json says {last}")
    names = summary.get("rows")
    for name in names if isinstance(names, dict) else ():
        if name not in found.tables and name not in found.names:
            verdict.wrong.append(f"{name}: is missing, summary.json knows it")
    for name in ("lost_cycles", "lost_rows"):
        number = summary.get(name, 0)
        if type(number) is not int or number < 0:
            verdict.wrong.append(f"summary.json: {name} is {short(repr(number))}, no count")
        elif number:
            verdict.notes.append(f"{name.replace('_', ' ')} while no disk took them: {number}")
    _last_row(found, summary, verdict)


def _last_row(found: Gathered, summary: Mapping[str, Any], verdict: Verdict) -> None:
    """The end as the last row tells it; a note where rows that were lost may have told otherwise behind it."""
    lost = lost_of(summary)
    rows, events = found.rows_of("log.csv"), found.rows_of("events.csv")
    state = rows[-1].get("state") if rows else None
    known = None if lost.behind_rows("state", summary.get("state"), state) else state
    wrong = wrong_summary(summary, found.plain, found.cycles.count, known)
    verdict.wrong += wrong
    told = wrong_summary(summary, found.plain, found.cycles.count, state)
    verdict.notes += [said for said in told if said not in wrong]
    ends = wrong_end_time(summary, str(found.plain.get("start_utc")), rows, events) if found.plain else []
    (verdict.notes if lost.behind_rows("end_utc", summary.get("end_utc"), None) else verdict.wrong).extend(ends)


def _entry(summary: Mapping[str, Any], key: str, name: str) -> Any:
    part = summary.get(key)
    return part.get(name) if isinstance(part, dict) else None


def _forms(table: Chained, verdict: Verdict) -> None:
    """The form of each cell; rows that the chain names already are not told twice."""
    forms, named = TABLE_FORMS[table.name], set(table.breaks)
    verdict.wrong += wrong_forms(table.name, table.columns, table.lines, forms, named)


def _counters(found: Gathered, verdict: Verdict) -> None:
    """Charge and energy only grow, and end where the summary says."""
    rows = found.rows_of("log.csv")
    for name in COUNTED:
        highest: float | None = None
        for row, cells in enumerate(rows, 1):
            number = number_of(cells.get(name, ""))
            if number is None or not number >= (0.0 if highest is None else highest):
                verdict.wrong.append(f"log.csv:{row + 1}: row {row}: {name} fell or is missing")
                break
            highest = number
        setattr(verdict, name, highest)
        total = None if found.summary is None else found.summary.get(name)
        if total is None or highest is None:
            continue
        if not isinstance(total, int | float) or abs(total - highest) > 10.0 ** -DECIMALS[name]:
            may_be = lost_of(found.summary).behind_rows(name, total, highest)
            said = f"summary.json: {name} is {total}, the last row of log.csv says {highest}"
            (verdict.notes if may_be else verdict.wrong).append(said)
