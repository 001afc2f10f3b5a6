"""What comes once a record is closed: readings go into after.csv, a sign-off into batteries.csv, the summary follows.

Each came as an event of the bath, which is safe on the disk before anything is written here; a crash between leaves the
event, and the next start looks for it again: what is missing is added, nothing twice. Only an unfinished row at the
very end is cut, and it is said. What a table holds beyond its summary and beyond those events is never covered up: rows
go on behind it, the summary stays as it was, and it is said. Reads a folder, changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from controller.core.types import Scalar
from controller.records.batchlist import Battery
from controller.records.batteries import (
    Measured,
    batteries_of,
    battery_cells,
    judged,
    measured_of,
    outcomes_of,
    verdict_of,
)
from controller.records.chain import link, start
from controller.records.errors import RecordError
from controller.records.head import read_plain
from controller.records.place import Place, read_all
from controller.records.reader import TABLES, Table, read_table
from controller.records.readings import after_cells, after_rows, event_rows, reading_of, readings_of, reference_C
from controller.records.rows import AFTER_COLUMNS, BATTERY_COLUMNS, cells_text, parse_time, time_utc
from controller.records.summary import NAME as SUMMARY
from controller.records.summary import read_summary, summary_bytes
from controller.records.table import NO_TABLE, deny_head, may_hold_rows, standing_of

AFTER, BATTERIES = "after.csv", "batteries.csv"
COLUMNS = {AFTER: AFTER_COLUMNS, BATTERIES: BATTERY_COLUMNS}
OF_RUN = ("log.csv", "events.csv")
"""Tables that every run has."""
ANOTHER_HEAD = "run.json: is not the one that the run was closed with"
SIGNED = "signed_off"
Row = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Append:
    """Bytes for a table's end: `size` bytes of the file stay, what stands behind them is cut."""

    name: str
    size: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Settled:
    """What has to be written so that a record holds all that came later; tables first, then the summary.

    `said`: what a person must know of it. `ready` False: the record is not closed yet, nothing can be done.
    """

    appends: tuple[Append, ...] = ()
    summary: bytes | None = None
    said: tuple[str, ...] = ()
    ready: bool = True


@dataclass
class _Growing:
    """A table as it stands and what comes to it. `ahead`: its rows that the summary does not know, in their order."""

    name: str
    size: int
    last: str
    rows: int
    texts: list[str]
    ahead: list[str]
    data: bytes = b""
    cut: bool = False

    @property
    def grows(self) -> bool:
        """Whether anything is to be written; a header alone is not."""
        return self.cut or (self.rows > 0 and bool(self.data))

    def add(self, cells: Iterable[Scalar], *, once: bool = False) -> None:
        """One row at its end, unless it stands there already and only its summary did not follow.

        `once`: such a row stands in the table one time only.
        """
        text = cells_text(cells, COLUMNS[self.name])
        if text in self.ahead:
            self.ahead.remove(text)
            return
        if once and text in self.texts:
            return
        self.last = link(self.last, text)
        self.rows += 1
        self.texts.append(text)
        self.data += f"{text},{self.last}\n".encode()


def end_ms_of(place: Place) -> int | None:
    """Return when a closed run ended (ms since 1970); None where its record is not closed or does not say."""
    summary, _ = read_summary(read_all(place, SUMMARY))
    try:
        return parse_time(str(summary["end_utc"])) if summary is not None else None
    except (KeyError, ValueError, OverflowError):
        return None


def settled(place: Place, came: Sequence[Row]) -> Settled:
    """Return what a closed record lacks of these rows of its bath's events, and of the sign-offs in its own.

    RecordError: it is no record that can be read, or its run.json is not the one it was closed with.
    """
    data = read_all(place, SUMMARY)
    if not data:
        return Settled(ready=False)
    run_json = read_all(place, "run.json")
    plain = read_plain(run_json)
    summary, wrong = read_summary(data)
    if not _is_its_head(place, run_json, summary or {}):
        raise RecordError(ANOTHER_HEAD)
    after = _growing(place, AFTER, run_json, summary or {})
    batteries = _growing(place, BATTERIES, run_json, summary or {})
    own = _own_orders(place)
    listed = (summary or {}).get("sign_offs")
    signed = [each for each in listed if isinstance(each, Mapping)] if isinstance(listed, list) else []
    for row in (*(row for row in own if row.get("code") == SIGNED), *came):
        if row.get("kind") != "order":
            continue
        reading = reading_of(row)
        if reading is not None:
            after.add(after_cells(reading), once=True)
        elif row.get("code") == SIGNED and _key(row) not in map(_key, signed):
            measured = _measured(place, plain, own, after, row)
            signed.append(_sign_off(row, batteries, batteries_of(plain), measured))
    said = [wrong] if wrong is not None else []
    said += [what for each in (after, batteries) for what in _said_of(each)]
    known = summary is not None and wrong is None and not (after.ahead or batteries.ahead)
    return Settled(
        tuple(Append(each.name, each.size, each.data) for each in (after, batteries) if each.grows),
        _replaced(summary, signed, (after, batteries)) if known and summary is not None else None,
        tuple(said),
    )


def _is_its_head(place: Place, run_json: bytes, summary: Mapping[str, Any]) -> bool:
    """Whether run.json is the run's: a row that was chained to another would break its table when that is put back.

    By the summary's hash; where that says nothing, by a table of the run, as each chain begins with run.json.
    """
    claimed = summary.get("run_json_sha256")
    if isinstance(claimed, str):
        return claimed == sha256(run_json).hexdigest()
    return not deny_head(
        read_table(name, read_all(place, name), header, run_json) for name, header in TABLES.items() if name in OF_RUN
    )


def _growing(place: Place, name: str, run_json: bytes, summary: Mapping[str, Any]) -> _Growing:
    header = ",".join(COLUMNS[name])
    table = read_table(name, read_all(place, name), header, run_json)
    if not table.whole_bytes:
        if may_hold_rows(table.cut):
            raise RecordError(f"{name}: {NO_TABLE}")
        return _Growing(name, 0, start(header, run_json), 0, [], [], f"{header}\n".encode())
    rows, last, size = standing_of(table)
    texts = [line.decode("utf-8", "replace").rpartition(",")[0] for line in table.lines]
    known, chain = _part(summary, "rows").get(name, 0), _part(summary, "chain").get(name)
    ahead = texts[known:] if _stands(table, known, chain) else [*texts, "what the summary knows"]
    return _Growing(name, size, last, rows, texts, ahead, cut=bool(table.cut))


def _stands(table: Table, known: object, chain: object) -> bool:
    """Whether the rows that a summary knows stand in a table as it knows them, and nothing in it was changed."""
    if table.damage or isinstance(known, bool) or not isinstance(known, int) or not 0 <= known <= len(table.lines):
        return False
    if known == 0:
        return True
    return table.lines[known - 1].rpartition(b",")[2].decode("utf-8", "replace") == chain


def _part(summary: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    part = summary.get(key)
    return part if isinstance(part, Mapping) else {}


def _said_of(each: _Growing) -> list[str]:
    said = [f"{each.name}: its last row was unfinished and is left out"] if each.cut else []
    if each.ahead:
        said.append(f"{each.name}: is not what summary.json and the bath's events tell of; summary.json stays as it is")
    return said


def _lines(place: Place, name: str) -> list[str]:
    """The whole rows of a table as texts, its header left out."""
    return read_all(place, name).decode("utf-8", "replace").split("\n")[1:-1]


def _own_orders(place: Place) -> list[dict[str, str]]:
    """The readings and sign-offs in a record's own events; the many other rows are not taken apart."""
    lines = (line for line in _lines(place, "events.csv") if f",{SIGNED}," in line or ",reading," in line)
    return [row for row in event_rows(lines) if row.get("kind") == "order"]


def _key(said: Mapping[str, Any]) -> tuple[str, str]:
    """What tells a sign-off from another, as an event's row and as the summary's entry name it."""
    return str(said.get("time_utc")), str(said.get("id"))


def _sign_off(
    row: Row, table: _Growing, batteries: Sequence[Battery], measured: Mapping[int, Measured]
) -> dict[str, Any]:
    """Add each battery's row of a sign-off to its table; return the sign-off as the summary tells it."""
    result = result_of(row)
    outcomes = outcomes_of(result, (each.position for each in batteries))
    for each in batteries:
        table.add(battery_cells(each, measured.get(each.position, Measured()), outcomes[each.position]))
    verdict, counts = verdict_of(outcomes.values())
    said = {key: row.get(key, "") for key in ("time_utc", "id", "who", "role")}
    return {
        **said, "result": result, "verdict": verdict, "outcomes": counts,
        "ocv_judged": judged(measured.get(each.position) for each in batteries),
    }  # fmt: skip


def result_of(row: Row) -> str:
    """Return what a sign-off's event says of the batteries: the words behind who signed."""
    who, text = row.get("who", ""), row.get("text", "")
    for name in (who, who.removeprefix("'")):
        if text.startswith(f"signed off by {name}: "):
            return text.removeprefix(f"signed off by {name}: ")
    return text.partition(": ")[2]


def _measured(
    place: Place, plain: Mapping[str, Any], own: Sequence[Row], after: _Growing, row: Row
) -> dict[int, Measured]:
    """Return by position what had been read when a sign-off (`row`) was given."""
    readings = readings_of(own, after_rows(after.texts))
    known = [each for each in readings if time_utc(each.utc_ms) <= row.get("time_utc", "")]
    return measured_of(known, last_current_ms(_lines(place, "log.csv")), reference_C(plain))


def last_current_ms(log: Sequence[str]) -> int | None:
    """Return when current had last been asked for, by rows of log.csv: the time of the row behind it, else its own."""
    behind: str | None = None
    for line in reversed(log):
        cells = line.split(",", 5)
        try:
            if float(cells[4]) != 0.0:
                return parse_time(behind or cells[0])
        except (IndexError, ValueError, OverflowError):
            continue
        behind = cells[0]
    return None


def _replaced(
    summary: Mapping[str, Any], signed: Sequence[Mapping[str, Any]], tables: Iterable[_Growing]
) -> bytes | None:
    """Return summary.json with the tables' new ends and the newest sign-off; None where it says all that already."""
    filled = [each for each in tables if each.rows]
    content: dict[str, Any] = {
        **summary,
        "rows": {**_part(summary, "rows"), **{each.name: each.rows for each in filled}},
        "chain": {**_part(summary, "chain"), **{each.name: each.last for each in filled}},
    }
    if signed:
        newest = signed[-1]
        content.setdefault("verdict_at_end", summary.get("verdict"))
        content |= {
            "verdict": newest.get("verdict"), "outcomes": newest.get("outcomes"), "signed_off_by": newest.get("who"),
            "signed_off_role": newest.get("role"), "signed_off_utc": newest.get("time_utc"), "sign_offs": list(signed),
        }  # fmt: skip
    return summary_bytes(content) if content != summary else None
