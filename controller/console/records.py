"""What the console reads of the records: a run's log for the trend, and the events of a bath and its runs as they come.

It only reads. A missing file, a cut last line or damage is said in `trouble`, never raised: `formbath verify` is what
judges a record, this shows what can be read. Whatever stands in a file is cleaned before it is shown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path

from controller.console.scene import EventLine, TrendData
from controller.console.tabletail import TableTail
from controller.console.thinning import thinned
from controller.records.head import safe_name
from controller.records.stream import cells_in
from controller.records.tables import EVENT_COLUMNS, EVENT_HEADER, LOG_COLUMNS, LOG_HEADER
from controller.service.protocol import clean
from controller.words import Say

MOST_POINTS = 4000
MOST_ROWS = 200_000
"""Rows of a log kept in memory, three weeks at the usual ten seconds; past it the older ones are thinned."""

MOST_EVENTS = 2000
EVENT_TAIL_BYTES = 1_000_000
"""Of an event file that is new to the console only its end is read: more than the events that are kept."""

_SHOWN = ("probe_C", "bath_C", "voltage_V", "current_A", "charge_Ah")
_INDEX = tuple(LOG_COLUMNS.index(name) for name in _SHOWN)
_ELAPSED = LOG_COLUMNS.index("elapsed_s")
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")
_MONTH = re.compile(r"events-\d{6}\.csv")


class TrendReader:
    """The log of one run folder, followed: each `update` reads what was appended since the one before."""

    def __init__(self, folder: Path, say: Say | None = None) -> None:
        self.folder = folder
        self._say = say if say is not None else Say()
        self._tail = TableTail(folder / "log.csv", LOG_HEADER)
        self._elapsed_s: list[float] = []
        self._columns: tuple[list[float | None], ...] = tuple([] for _ in _SHOWN)
        self._damaged = 0
        self._made = TrendData(folder.name)

    def update(self) -> TrendData:
        """Return the log as far as it is written, at most `MOST_POINTS` points."""
        lines, anew = self._tail.read()
        if anew:
            self._elapsed_s, self._columns, self._damaged = [], tuple([] for _ in _SHOWN), 0
        for line in lines:
            self._take(line)
        trouble = _trouble(self._say, self._tail, self._damaged)
        if lines or anew or trouble != self._made.trouble:
            self._made = self._data(trouble)
        return self._made

    def _take(self, line: str) -> None:
        cells = line.split(",")
        elapsed_s = _number(cells[_ELAPSED]) if len(cells) == len(self._tail.columns) else None
        if elapsed_s is None or (self._elapsed_s and elapsed_s <= self._elapsed_s[-1]):
            self._damaged += 1
            return
        self._elapsed_s.append(elapsed_s)
        for column, index in zip(self._columns, _INDEX, strict=True):
            column.append(_number(cells[index]))
        if len(self._elapsed_s) > MOST_ROWS:
            times, columns = thinned(self._elapsed_s, self._columns, MOST_ROWS // 2)
            self._elapsed_s, self._columns = times, tuple(columns)

    def _data(self, trouble: str) -> TrendData:
        times, columns = thinned(self._elapsed_s, self._columns, MOST_POINTS)
        probe_C, bath_C, voltage_V, current_A, charge_Ah = (tuple(column) for column in columns)
        return TrendData(
            self.folder.name, tuple(times), probe_C, bath_C, voltage_V, current_A, charge_Ah, trouble
        )  # fmt: skip


def read_trend(folder: Path, say: Say | None = None) -> TrendData:
    """Return the log of a run folder as far as it can be read."""
    return TrendReader(folder, say).update()


class EventTail:
    """The events of one bath: its own files and those of the runs it is told of, followed and merged by time.

    `folders`: run folder's name by circuit, as the service says. A run that is not followed any more leaves what was
    read of it. `trouble`: what could not be read, in a sentence. `taken`: how many events were ever read, so that who
    scrolls can tell how many came since.
    """

    def __init__(self, runs: Path, bath: str, folders: Mapping[str, str], say: Say | None = None) -> None:
        self.trouble = ""
        self.taken = 0
        self._say = say if say is not None else Say()
        self._runs = runs
        self._own = runs / safe_name(bath)
        self._tails: dict[Path, TableTail] = {}
        self._newest: dict[Path, str] = {}
        self._damaged: dict[Path, int] = {}
        self._events: list[tuple[str, EventLine]] = []
        self._wanted: set[Path] = set()
        self.follow(folders)

    def follow(self, folders: Mapping[str, str]) -> None:
        """Follow these runs from now on."""
        names = {name for name in folders.values() if name and name == Path(name).name and not name.startswith(".")}
        self._wanted = {self._runs / name / "events.csv" for name in names}

    def update(self) -> list[EventLine]:
        """Return the newest events, at most `MOST_EVENTS`, the newest last."""
        fresh: list[tuple[str, EventLine]] = []
        paths = [*self._months(), *sorted(self._wanted)]
        for path in paths:
            tail = self._tails.setdefault(path, TableTail(path, EVENT_HEADER, EVENT_TAIL_BYTES))
            lines, _ = tail.read()
            for line in lines[-MOST_EVENTS:]:
                self._take(path, event_line(line, tail.columns), fresh)
        if fresh:
            self.taken += len(fresh)
            self._events += fresh
            self._events.sort(key=lambda entry: entry[0])
            del self._events[:-MOST_EVENTS]
        self.trouble = self._troubles(paths)
        return [line for _, line in self._events]

    def _months(self) -> list[Path]:
        """Return the bath's own files of the two newest months."""
        try:
            names = sorted(path.name for path in self._own.iterdir() if _MONTH.fullmatch(path.name))
        except OSError:
            return []
        return [self._own / name for name in names[-2:]]

    def _take(self, path: Path, event: EventLine | None, into: list[tuple[str, EventLine]]) -> None:
        if event is None:
            self._damaged[path] = self._damaged.get(path, 0) + 1
            return
        # A wall clock that was put back must not move a file's rows behind each other.
        self._newest[path] = max(self._newest.get(path, ""), event.time_utc)
        into.append((self._newest[path], event))

    def _troubles(self, paths: list[Path]) -> str:
        for path in paths:
            trouble = _trouble(self._say, self._tails[path], self._damaged.get(path, 0))
            if trouble:
                return trouble
        return ""


def event_line(line: str, columns: tuple[str, ...] = EVENT_COLUMNS) -> EventLine | None:
    """Return one row of an events file, its texts cleaned; None where it is none."""
    row = cells_in(line)
    if len(row) != len(columns):
        return None
    cells = dict(zip(columns, row, strict=True))
    if not _TIME.fullmatch(cells["time_utc"]):
        return None
    kind, code, target, who, priority = (
        _cleaned(cells[name], 64) for name in ("kind", "code", "target", "who", "priority")
    )
    return EventLine(cells["time_utc"], kind, code, target, who, priority, _cleaned(cells["text"], 2000))


def _cleaned(text: str, longest: int) -> str:
    plain = text.isascii() and text.isprintable() and "  " not in text and len(text) <= longest
    return text.strip() if plain else clean(text, longest)


def _number(text: str) -> float | None:
    try:
        found = float(text) if text else None
    except ValueError:
        return None
    return found if found is not None and math.isfinite(found) else None


def _trouble(say: Say, tail: TableTail, damaged: int) -> str:
    """Return what is wrong with a file in one sentence, empty where nothing is."""
    name = clean(tail.path.name, 40)
    if tail.missing:
        return say("events.no_file", name=name)
    if tail.unreadable:
        return say("events.not_read", name=name, why=tail.unreadable)
    if tail.foreign:
        return say("events.foreign", name=name)
    count = damaged + tail.damaged
    return say.count("events.damaged", count, name=name) if count else ""
