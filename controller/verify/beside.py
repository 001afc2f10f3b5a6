"""What the bath's own log, beside a run's folder, says otherwise than the record of what came after the run.

Sign-offs and readings of an ended run are safe in the bath's events before they are added to its record. A record may
have been moved beside another log, and a log may be younger than the record or gone: only what both know is wrong where
it differs; what one of them lacks is wrong where the log is proved to be this record's, else a note. Changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from controller.records.bathrows import rows_after
from controller.records.claims import bath_folder
from controller.records.errors import RecordError
from controller.records.later import SIGNED
from controller.records.reader import read_bytes
from controller.records.readings import Reading, after_cells, from_after, moment_of, reading_of
from controller.records.rows import AFTER_COLUMNS, scalar, time_utc
from controller.verify.signedcheck import odd_sign_off, signed_of
from controller.verify.telling import few

MOST_TOLD = 5
"""Notes of a kind that are named singly; the others are counted."""
_TROUBLE = b",record_"
"""How the codes of all alarms about the record's disk begin."""
Row = Mapping[str, str]
Findings = tuple[list[str], list[str]]


def wrong_beside(
    record: Path, run_json: Mapping[str, Any], summary: Mapping[str, Any], own: Sequence[Row], after: Sequence[Row]
) -> Findings:
    """What the bath's log beside a closed record (`record`: its folder or archive) says otherwise. Wrong, and notes.

    `own`: rows of events.csv; `after`: of after.csv.
    """
    end_ms = moment_of(str(summary.get("end_utc")))
    bath = bath_folder(record.parent, str(run_json.get("bath")))
    try:
        if end_ms is None or not record.exists() or not bath.is_dir():
            return [], []
    except OSError:
        return [], []
    rows = [row for row in rows_after(bath, str(run_json.get("circuit")), end_ms) if row.get("kind") == "order"]
    written = _months(bath)
    signed = _signed(rows, summary, own)
    read = _read(rows, own, after)
    wrong = [*signed.odd, *read.odd]
    unknown = (f"summary.json: the bath's log tells of {what}, it does not" for what in signed.more)
    notes = few(unknown, "the bath's log", most=MOST_TOLD)
    if read.more:
        others = f" and {len(read.more) - 1} more" if len(read.more) > 1 else ""
        notes.append(f"after.csv: the bath's log tells of {read.more[0]}{others}, it does not")
    end_utc = time_utc(end_ms)
    strange = [
        f"{name}: {what}: the bath's log has none"
        for name, both in (("summary.json", signed), ("after.csv", read))
        for what, utc in both.less
        # What has a time before the end, by a clock that was set back, was not looked for.
        if utc >= end_utc and utc[:7].replace("-", "") in written
    ]
    # One row that both have proves that the log is this record's. Rows that it lost while its disk was away are not
    # told of but by the alarms before.
    proved = bool(strange and (signed.same or read.same)) and not _in_trouble(bath)
    if proved:
        wrong += strange
    else:
        notes += few(strange, "the bath's log", most=MOST_TOLD)
    return few(wrong, "the bath's log"), notes


class _Both:
    """What two lists have of each other: how many are the `same`, the `odd` ones, those that the log has `more`.

    `less`: what the log lacks, with its time.
    """

    def __init__(self) -> None:
        self.same = 0
        self.odd: list[str] = []
        self.more: list[str] = []
        self.less: list[tuple[str, str]] = []

    def take(self, odd: list[str]) -> None:
        self.odd += odd
        self.same += not odd


def _signed(rows: Sequence[Row], summary: Mapping[str, Any], own: Sequence[Row]) -> _Both:
    found = _Both()
    told = {(str(each.get("time_utc")), str(each.get("id"))): each for each in signed_of(summary)}
    in_own = {(row.get("time_utc", ""), row.get("id", "")) for row in own if row.get("code") == SIGNED}
    logged = {(row.get("time_utc", ""), row.get("id", "")): row for row in rows if row.get("code") == SIGNED}
    for key, row in logged.items():
        if key in told:
            found.take(odd_sign_off(told[key], row, "the bath's log"))
        else:
            found.more.append(f"the sign-off {key[1]} of {key[0]}")
    found.less += [(f"sign-off {key[1]} of {key[0]}", key[0]) for key in told if key not in {*logged, *in_own}]
    return found


def _read(rows: Sequence[Row], own: Sequence[Row], after: Sequence[Row]) -> _Both:
    found = _Both()
    told = dict(_keyed(from_after(row) for row in after))
    in_own = dict(_keyed(reading_of(row) for row in own))
    logged = dict(_keyed(reading_of(row) for row in rows))
    for key, reading in logged.items():
        if key in told:
            found.take(_odd_reading(told[key], reading))
        elif key not in in_own:
            found.more.append(f"the {_name(reading)}")
    found.less += [
        (_name(reading), time_utc(reading.utc_ms))
        for key, reading in told.items()
        if key not in logged and key not in in_own
    ]
    return found


def _keyed(readings: Iterator[Reading | None]) -> Iterator[tuple[tuple[int, int, str, int], Reading]]:
    """Each reading by when it was typed, where, what, and which of several in that same moment; the same one once."""
    counts: dict[tuple[int, int, str], int] = {}
    seen: set[tuple[str, ...]] = set()
    for reading in readings:
        cells = () if reading is None else tuple(map(scalar, after_cells(reading)))
        if reading is None or cells in seen:
            continue
        seen.add(cells)
        key = (reading.utc_ms, reading.position, reading.what)
        counts[key] = counts.get(key, 0) + 1
        yield (*key, counts[key]), reading


def _odd_reading(told: Reading, logged: Reading) -> list[str]:
    """Compared as cells, as which both stand: a text that looked like a formula has an apostrophe in one of them."""
    return [
        f"after.csv: {_name(logged)}: {name} is not what the bath's log says"
        for name, one, other in zip(AFTER_COLUMNS, after_cells(told), after_cells(logged), strict=False)
        if scalar(one) != scalar(other)
    ]


def _name(reading: Reading) -> str:
    return f"reading of {reading.what} of battery {reading.position} of {time_utc(reading.utc_ms)}"


def _months(bath: Path) -> frozenset[str]:
    return frozenset(path.name[7:13] for path in bath.glob("events-*.csv"))


def _in_trouble(bath: Path) -> bool:
    """Whether the log tells that rows waited for their disk, so that some may be lost; or cannot be read."""
    try:
        return any(_TROUBLE in read_bytes(path) for path in bath.glob("events-*.csv"))
    except RecordError:
        return True
