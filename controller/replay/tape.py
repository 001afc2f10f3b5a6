"""A record opened for showing: its rows, its cycles' blocks found without decoding them, what came later. Reads only.

Damage never ends it: what is whole is there, and `problems` says what is not.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from controller.core.state import CircuitState
from controller.core.version import CORE
from controller.records.cycles import Cycle, DamagedCycles, Extras, decode
from controller.records.errors import RecordError
from controller.records.finding import open_by_service
from controller.records.frames import Frame
from controller.records.head import Head, read_head
from controller.records.peek import first_ms
from controller.records.place import place_of
from controller.records.plain import layout
from controller.records.reader import RunFolder, read_run
from controller.records.rows import parse_time
from controller.replay.later import came_later, signed_off, with_later
from controller.replay.rows import rows_of

LATEST_ms = 2**53
"""Core times beyond it are no numbers of milliseconds that every reader could hold exactly."""

LEAP_ms = 2_000
"""By more than this the wall clock was set from one row to the next: so much a service tells of."""

BLOCKS_KEPT = 4
"""Decoded blocks kept: the present one, those beside it, and where something that stands began."""


class Tape:
    """One record. `states`: whether this version can read the states in it; `same_core`: decide as it was decided.

    `later`, `signed`: what came after its end; `virtual`: a simulated plant's, whichever of its parts says so.
    """

    def __init__(self, found: RunFolder, head: Head, name: str, *, states: bool) -> None:
        self.head = head
        self.name = name
        self.virtual = head.settings.virtual or found.plain.get("virtual") is True
        self.states = states
        self.same_core = states and head.core == CORE
        self.log = rows_of(found.log, head.start_ms)
        self.events = rows_of(found.events, head.start_ms)
        self.frames: tuple[Frame, ...] = found.cycles.frames
        self.problems: list[str] = list(found.problems)
        self._said = set(self.problems)
        self._first_ms: dict[int, int] = {}
        self._decoded: OrderedDict[int, tuple[CircuitState | None, list[Cycle]] | None] = OrderedDict()
        self._start_utc_ms = _utc_ms(head.start_utc)
        self.begin_ms, self.end_ms = self._ends()
        self.later = came_later(found)
        self.signed = signed_off(found.summary)
        end = (self.end_ms, _date_of(self.utc_ms(self.end_ms)))
        self.all_events = with_later(self.events, self.later, head.circuit, end)

    @property
    def length_s(self) -> float:
        """How long the record is."""
        return (self.end_ms - self.head.start_ms) / 1000.0

    def elapsed_s(self, now_ms: int) -> float:
        """Return how long after the start a moment is."""
        return (now_ms - self.head.start_ms) / 1000.0

    def frame_at(self, now_ms: int) -> int | None:
        """Return the last block that begins at or before a moment; None: before all of them."""
        low, high = 0, len(self.frames)
        while low < high:
            middle = (low + high) // 2
            if self.begins_ms(middle) <= now_ms:
                low = middle + 1
            else:
                high = middle
        return low - 1 if low else None

    def begins_ms(self, index: int) -> int:
        """Return when a block begins; one that cannot be read counts as beginning with the block before it."""
        unread = index
        while unread >= 0 and unread not in self._first_ms:
            peeked = first_ms(self.frames[unread].body)
            if peeked is not None and abs(peeked) <= LATEST_ms:
                self._first_ms[unread] = peeked
                break
            unread -= 1
        found = self._first_ms[unread] if unread >= 0 else self.head.start_ms
        self._first_ms.update(dict.fromkeys(range(unread + 1, index + 1), found))
        return found

    def block(self, index: int) -> tuple[CircuitState | None, list[Cycle]] | None:
        """Return a block's first state (None: not written) and its cycles; None where it cannot be read."""
        if index not in self._decoded:
            frame = self.frames[index]
            try:
                self._decoded[index] = decode(frame.body, frame.count, self.head.codec)
            except DamagedCycles as error:
                self._say(f"cycles {frame.first} to {frame.first + frame.count - 1}: cannot be decoded: {error}")
                self._decoded[index] = None
            if len(self._decoded) > BLOCKS_KEPT:
                self._decoded.popitem(last=False)
        self._decoded.move_to_end(index)
        return self._decoded[index]

    def follows(self, index: int) -> bool:
        """Return whether a block's cycles follow those of the block before it."""
        if not index:
            return False
        before = self.frames[index - 1]
        return before.first + before.count == self.frames[index].first

    def utc_ms(self, now_ms: int) -> int:
        """Return the wall time of a moment: that of the newest row before it, and what core time went on since."""
        for index in range(self.log.until(now_ms) - 1, -1, -1):
            moment = _utc_ms(self.log.lines[index].split(b",", 1)[0].decode("utf-8", "replace"))
            if moment is not None:
                return moment + now_ms - self.log.times_ms[index]
        return (self._start_utc_ms or 0) + now_ms - self.head.start_ms

    def moment_at(self, utc_ms: int) -> int:
        """Return the core time at which the wall clock first showed a time, within the record.

        Of a time that it never showed, where it leapt over it.
        """
        for begin_ms, end_ms in self._stretches:
            if self.utc_ms(begin_ms) <= utc_ms <= self.utc_ms(end_ms):
                return self._first_at(utc_ms, begin_ms, end_ms)
        return self._first_at(utc_ms, self.begin_ms, self.end_ms)

    @cached_property
    def _stretches(self) -> list[tuple[int, int]]:
        """Core times, from and to, between which the wall clock went on as core time does."""
        begins = [self.begin_ms]
        offset_ms = self.utc_ms(self.begin_ms) - self.begin_ms
        for line, now_ms in zip(self.log.lines, self.log.times_ms, strict=True):
            moment = _utc_ms(line.split(b",", 1)[0].decode("utf-8", "replace"))
            if moment is None:
                continue
            before_ms, offset_ms = offset_ms, moment - now_ms
            if abs(offset_ms - before_ms) > LEAP_ms and now_ms > begins[-1]:
                begins.append(now_ms)
        return list(zip(begins, [*(each - 1 for each in begins[1:]), self.end_ms], strict=True))

    def _first_at(self, utc_ms: int, low: int, high: int) -> int:
        while low < high:
            middle = (low + high) // 2
            if self.utc_ms(middle) < utc_ms:
                low = middle + 1
            else:
                high = middle
        return low

    def _ends(self) -> tuple[int, int]:
        firsts = [self.begins_ms(0)] if self.frames else []
        firsts += self.log.times_ms[:1]
        lasts = [self.head.start_ms, *self.log.times_ms[-1:]]
        for index in range(len(self.frames) - 1, -1, -1):
            found = self.block(index)
            if found is not None and found[1]:
                lasts.append(found[1][-1].cin.now_ms)
                break
        end = max(lasts)
        return min([*firsts, end]), end

    def _say(self, problem: str) -> None:
        if problem not in self._said:
            self._said.add(problem)
            self.problems.append(problem)


def open_tape(path: Path) -> Tape:
    """Open a record, folder or archive; RecordError when it is none, or when its settings cannot be understood."""
    found = read_run(path)
    states = True
    try:
        head = found.head
    except RecordError:
        # The states may have had other fields when this was written; all else may still be readable.
        head, states = read_head({**found.plain, "layout": layout(CircuitState, Extras)}), False
    if abs(head.start_ms) > LATEST_ms:
        raise RecordError("run.json: start_ms: is no core time, a record here begins within 285,000 years")
    if not head.load.plan.steps:
        raise RecordError("run.json: plan: has no steps")
    tape = Tape(found, head, place_of(path).name, states=states)
    missing = found.proof_missing(is_open=open_by_service(path.resolve()))
    tape.problems += [] if missing is None else [missing]
    return tape


def texts_of(line: bytes, columns: Sequence[str]) -> dict[str, str] | None:
    """Return a row's cells that hold no quotes, by name; None where it is no row of these columns."""
    cells = line.decode("utf-8", "replace").split(",")
    return dict(zip(columns, cells, strict=True)) if len(cells) == len(columns) else None


def _date_of(utc_ms: int) -> str:
    """Return a moment's day; empty for one that no calendar holds."""
    try:
        return datetime.fromtimestamp(utc_ms / 1000.0, UTC).date().isoformat()
    except (ValueError, OverflowError, OSError):
        return ""


def _utc_ms(text: str) -> int | None:
    try:
        return parse_time(text)
    except ValueError:
        return None
