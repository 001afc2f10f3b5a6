"""What came once a run was over: readings by hand in after.csv, sign-offs in summary.json. Pure.

They stand behind a record's last event, and nobody sees them at an earlier moment. What came while the record was open
is an event of its own already. All of it comes from outside: texts are cleaned, what is no such entry is left out.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controller.core.loadchecks import OUTCOMES
from controller.core.types import Scalar
from controller.records.later import SIGNED
from controller.records.reader import RunFolder, Table
from controller.records.readings import Reading, from_after
from controller.records.rows import time_utc
from controller.replay.rows import Rows
from controller.service.protocol import clean
from controller.words import EVENTS, Say, filled

READING = "reading"
MOST = 10_000
"""Entries of each sort that are shown; a long run's readings are some hundreds (own choice)."""

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z")
_MS_PER_MINUTE = 60_000.0


@dataclass(frozen=True, slots=True)
class Later:
    """One thing that came after the end, cleaned: a reading or a sign-off, and who gave it."""

    time_utc: str
    code: str
    who: str
    text: str


@dataclass(frozen=True, slots=True)
class SignedOff:
    """The newest sign-off: who gave it, on which day (UTC; "--": not said), how many batteries have which outcome."""

    who: str
    date: str
    outcomes: tuple[tuple[str, int], ...]

    @property
    def named(self) -> str:
        """The outcomes in words."""
        return ", ".join(f"{count} {outcome}" for outcome, count in self.outcomes) or "--"


def came_later(found: RunFolder) -> tuple[Later, ...]:
    """Return what came after the end of a record, by time."""
    known = {line.split(b",", 1)[0].decode("utf-8", "replace") for line in _orders(found.events)}
    after = found.tables.get("after.csv")
    made = [*(_readings(after) if after is not None else ()), *_sign_offs(found.summary or {}, known)]
    return tuple(sorted(made, key=lambda each: each.time_utc))


def signed_off(summary: Mapping[str, Any] | None) -> SignedOff | None:
    """Return the newest sign-off that a summary tells of; None: there is none."""
    listed = _listed(summary or {})
    if not listed or not isinstance(summary, Mapping):
        return None
    counts = summary.get("outcomes")
    told = [(name, counts.get(name)) for name in OUTCOMES] if isinstance(counts, Mapping) else []
    outcomes = tuple((name, n) for name, n in told if isinstance(n, int) and not isinstance(n, bool) and n > 0)
    when = str(listed[-1].get("time_utc"))
    return SignedOff(_cleaned(listed[-1].get("who"), 64), when[:10] if _TIME.fullmatch(when) else "--", outcomes)


def with_later(events: Rows, came: Sequence[Later], circuit: str, end: tuple[int, str]) -> Rows:
    """Return a record's events with what came later as rows behind them, of no moment before the record's end.

    `end`: the end in core time, and its day. A page of events has no month: what came on another day says which.
    """
    if not came or not events.known:
        return events
    end_ms, end_date = end
    lines = tuple(_line(each, events.columns, circuit, end_date) for each in came)
    last = max([end_ms, *events.times_ms[-1:]])
    return Rows(events.name, events.columns, events.lines + lines, events.times_ms + (last,) * len(lines))


def _orders(events: Table) -> Iterator[bytes]:
    """The rows of sign-offs that a record has among its own events."""
    return (line for line in events.lines if f",{SIGNED},".encode() in line)


def _readings(after: Table) -> Iterator[Later]:
    for row in after.rows[:MOST]:
        reading = from_after(dict(zip(after.columns, row, strict=False)))
        if reading is not None:
            who = _cleaned(reading.who, 64)
            yield Later(time_utc(reading.utc_ms), READING, who, _cleaned(_words(reading, who), 500))


def _words(reading: Reading, who: str) -> str:
    """Return a reading in the words of the event that it came as."""
    data: dict[str, Scalar] = {
        "who": who, "what": reading.what, "position": reading.position, "value": f"{reading.value:g}",
        "unit": reading.unit, "instrument": reading.instrument or None,
        "temperature_C": None if reading.temperature_C is None else f"{reading.temperature_C:g}",
        "taken_minutes_ago": f"{(reading.utc_ms - reading.taken_ms) / _MS_PER_MINUTE:g}",
    }  # fmt: skip
    return filled(EVENTS[READING], data)


def _sign_offs(summary: Mapping[str, Any], known: set[str]) -> Iterator[Later]:
    for each in _listed(summary)[-MOST:]:
        when, who = str(each.get("time_utc")), _cleaned(each.get("who"), 64)
        if _TIME.fullmatch(when) and when not in known:
            text = filled(EVENTS[SIGNED], {"who": who, "result": _cleaned(each.get("result"), 400)})
            yield Later(when, SIGNED, who, _cleaned(text, 500))


def _listed(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    listed = summary.get("sign_offs")
    return [each for each in listed if isinstance(each, Mapping)] if isinstance(listed, list) else []


def _line(each: Later, columns: Sequence[str], circuit: str, end_date: str) -> bytes:
    """Return a row of the events' own columns; it is no row of the record, and has no chain value."""
    date = each.time_utc[:10]
    # Who read stands in a column of its own: a row of 80 columns has room for the value then.
    words = each.text.removeprefix(f"{READING} by {each.who}: ")
    text = Say()("replay.after_row" if date == end_date else "replay.after_row_on", date=date, text=words)
    cells = {
        "time_utc": each.time_utc, "kind": "order", "code": each.code, "target": circuit, "who": each.who,
        "text": text,
    }  # fmt: skip
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([cells.get(name, "") for name in columns])
    return out.getvalue().encode()


def _cleaned(text: object, longest: int) -> str:
    return clean(text if isinstance(text, str) else "--", longest) or "--"
