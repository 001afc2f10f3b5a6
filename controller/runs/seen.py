"""What a list of runs shows of one record, read fast: run.json, summary.json, the small tables; never the cycles.

Nothing here raises for what stands in a record: what is wrong with it is part of what was seen.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from controller.records.batteries import batteries_of
from controller.records.errors import RecordError
from controller.records.head import read_plain
from controller.records.place import SUFFIX, Place, bare, place_of, read_all
from controller.records.reader import Table, read_table
from controller.records.rows import clean, parse_time
from controller.records.summary import read_summary
from controller.records.tables import BATTERY_HEADER, EVENT_HEADER, LOG_COLUMNS
from controller.runs.seenalarms import LONGEST, alarms_of
from controller.runs.seenproof import Lines, tail_of, wrong_ends, wrong_without

LARGEST = 20_000_000
"""Bytes of a file that a list still looks into; a release of the longest profile has 2 MB."""

OPEN, UNCLOSED = "open", "unclosed"


@dataclass(frozen=True, slots=True)
class Seen:
    """One record. Times are ms since 1970; None and "": the record does not hold it.

    `state`: as the run ended, else `open` or `unclosed`. `outcomes`: batteries by their outcome, empty before sign-off.
    `alarms`: how many were told; `open_alarms`: those whose cause had not gone at the end. `trips`, `derates`: how many
    came that trip, or that reduce current; trips as the summary counts them, where it does. `link_rides`: how often a
    lost link was ridden over (None: only a summary says). `batteries`: as loaded. `batch`: the first of `batches`.
    `virtual`: of a simulated plant.
    """

    path: Path
    name: str
    archived: bool = False
    start_ms: int | None = None
    end_ms: int | None = None
    hall: str = ""
    bath: str = ""
    circuit: str = ""
    batch: str = ""
    battery_type: str = ""
    profile: str = ""
    revision: int | None = None
    batteries: int | None = None
    trial: bool = False
    continues: str = ""
    credited_Ah: float = 0.0
    state: str = UNCLOSED
    verdict: str = ""
    duration_s: float | None = None
    charge_Ah: float | None = None
    discharge_Ah: float | None = None
    energy_Wh: float | None = None
    outcomes: Mapping[str, int] = field(default_factory=dict)
    alarms: int = 0
    open_alarms: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    virtual: bool = False
    batches: tuple[str, ...] = ()
    trips: int = 0
    link_rides: int | None = None
    derates: int = 0


def look(path: Path, open_runs: frozenset[str], left: frozenset[str] = frozenset()) -> Seen:
    """What is to be seen of the record at `path`.

    `open_runs`: names of those that a service has open; `left`: of those that the next service goes on with.
    """
    name, archived = path.name.removesuffix(SUFFIX), not path.is_dir()
    try:
        place = place_of(path)
        if archived or path.name in ("", "..") or path.is_symlink():
            name = place.name
        run_json = _bytes(place, "run.json")
        if not run_json:
            raise RecordError(f"run.json is {'missing' if place.size('run.json') is None else 'empty'}")
        plain = read_plain(run_json)
    except RecordError as error:
        state = OPEN if name in open_runs else UNCLOSED
        return Seen(path, name, archived, start_ms=_moment(name[:16]), state=state, wrong=(_bare(path, error),))
    wrong: list[str] = []
    summary, tables = _parts(place, run_json, wrong)
    if summary is not None and summary.get("run_json_sha256") != sha256(run_json).hexdigest():
        wrong.append("run.json: is not the one summary.json was written for")
    alarms = alarms_of(tables.get("events.csv"))
    trips, rides = (_whole((summary or {}).get(key)) for key in ("trips", "link_rides"))
    lines = {table: found.lines for table, found in tables.items()}
    ended = _ended(place, summary, lines, name in open_runs, name in left, wrong)
    return Seen(
        path, name, archived,
        **{**_began(plain, name), "virtual": any(each.get("virtual") is True for each in (plain, summary or {}))},
        **ended,
        outcomes=_outcomes(tables.get("batteries.csv")), alarms=alarms.came, open_alarms=alarms.left,
        wrong=tuple(wrong), trips=alarms.trips if trips is None else trips, link_rides=rides, derates=alarms.derates,
    )  # fmt: skip


def text_of(value: object) -> str:
    """A text of a record, cleaned; "" for what is none."""
    return clean(value, LONGEST) if isinstance(value, str) else ""


def number_of(value: object) -> float | None:
    """A finite number of a record; None for what is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1_000_000_000 else None


def _moment(value: object) -> int | None:
    try:
        return parse_time(value) if isinstance(value, str) else None
    except (ValueError, OverflowError):
        return None


def _bare(path: Path, error: RecordError) -> str:
    """The error without the path, which stands beside it."""
    return clean(bare(path, error), 2 * LONGEST)


def _bytes(place: Place, name: str) -> bytes:
    size = place.size(name)
    if size is not None and size > LARGEST:
        raise RecordError(f"{name}: is larger than {LARGEST // 1_000_000} MB, a list does not look into it")
    return read_all(place, name)


def _parts(place: Place, run_json: bytes, wrong: list[str]) -> tuple[Mapping[str, Any] | None, dict[str, Table]]:
    """The summary (None: there is none that can be used) and the small tables."""
    summary: Mapping[str, Any] | None = None
    tables: dict[str, Table] = {}
    try:
        summary, problem = read_summary(_bytes(place, "summary.json"))
        if problem is not None:
            wrong.append(clean(problem))
    except RecordError as error:
        wrong.append(_bare(place.path, error))
    for name, header in (("events.csv", EVENT_HEADER), ("batteries.csv", BATTERY_HEADER)):
        try:
            data = _bytes(place, name)
            if name == "events.csv" and place.size(name) is None:
                # A summary tells of each file that is gone.
                wrong.extend([f"{name}: is missing"] if summary is None else [])
            elif data or name == "events.csv":
                table = read_table(name, data, header, run_json)
                tables[name] = table
                # A cut tail is what an open run has while its writer is at work.
                wrong.extend(clean(text) for text in (table.damage if summary is None else table.problems))
        except RecordError as error:
            wrong.append(_bare(place.path, error))
    return summary, tables


def _began(plain: Mapping[str, Any], name: str) -> dict[str, Any]:
    """What run.json tells; the start, where that is none, as the folder's name has it."""
    load, plan = _table(plain, "load"), _table(plain, "plan")
    start_ms = _moment(plain.get("start_utc"))
    return {
        "start_ms": _moment(name[:16]) if start_ms is None else start_ms,
        "hall": text_of(plain.get("hall")),
        "bath": text_of(plain.get("bath")),
        "circuit": text_of(plain.get("circuit")),
        "batch": text_of(plain.get("batch")),
        "batches": _batches(plain),
        "battery_type": text_of(load.get("battery_type")) or text_of(plan.get("battery_type")),
        "profile": text_of(plan.get("name")),
        "revision": _whole(plan.get("revision")),
        "batteries": _whole(load.get("batteries")),
        "trial": load.get("trial") is True,
        "continues": text_of(load.get("continues")),
        "credited_Ah": number_of(load.get("credited_Ah")) or 0.0,
    }


def _batches(plain: Mapping[str, Any]) -> tuple[str, ...]:
    """All batches of a string, the one that names the run in front."""
    listed = (each.batch for each in batteries_of(plain))
    return tuple(dict.fromkeys(name for name in (text_of(plain.get("batch")), *listed) if name))


def _ended(
    place: Place, summary: Mapping[str, Any] | None, lines: Lines, is_open: bool, is_left: bool, wrong: list[str]
) -> dict[str, Any]:
    """How it ended by its summary; how far it came by its last row, where there is none."""
    if summary is None:
        try:
            reached = _last_row(place)
            said = wrong_without(place, reached.get("state", ""), lines, is_open=is_open or is_left)
            wrong += [] if said is None else [said]
        except RecordError as error:
            wrong.append(_bare(place.path, error))
            reached = {}
        return {
            "state": OPEN if is_open else UNCLOSED,
            "duration_s": _cell(reached, "elapsed_s"),
            **{name: _cell(reached, name) for name in ("charge_Ah", "discharge_Ah", "energy_Wh")},
        }
    try:
        wrong += map(clean, wrong_ends(place, summary, lines))
    except RecordError as error:
        wrong.append(_bare(place.path, error))
    return {
        "state": text_of(summary.get("state")) or "ended",
        "verdict": text_of(summary.get("verdict")),
        "end_ms": _moment(summary.get("end_utc")),
        **{name: number_of(summary.get(name)) for name in ("duration_s", "charge_Ah", "discharge_Ah", "energy_Wh")},
    }


def _table(plain: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    part = plain.get(key)
    return part if isinstance(part, dict) else {}


def _last_row(place: Place) -> dict[str, str]:
    """The last whole row of log.csv by its columns; empty when there is none."""
    lines = (tail_of(place, "log.csv") or b"").split(b"\n")
    cells = lines[-2].decode("utf-8", "replace").split(",") if len(lines) > 1 else []
    # The quality column is last but one and never quoted, so that no row of this table has a comma in a cell.
    return dict(zip(LOG_COLUMNS, cells, strict=True)) if len(cells) == len(LOG_COLUMNS) else {}


def _cell(row: Mapping[str, str], name: str) -> float | None:
    try:
        return number_of(float(row[name]))
    except (KeyError, ValueError):
        return None


def _outcomes(batteries: Table | None) -> dict[str, int]:
    """Batteries by their newest outcome: a row that comes later, by the same position, replaces the one before."""
    if batteries is None:
        return {}
    by_position = dict(zip(batteries.column("position"), batteries.column("outcome"), strict=True))
    return dict(Counter(clean(outcome, LONGEST) for outcome in by_position.values() if outcome))
