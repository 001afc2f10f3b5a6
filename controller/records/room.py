"""What a cycle is told of the record: how long its oldest row waits, how long more can wait, how long its disk lasts.

Moments are core time. Time in which the whole process stood still does not count as waiting: the writer stood, too.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from controller.records.writer import Writer

MEASURED_MS = 60_000
HANGS_MS = 60_000
"""A disk that took nothing for so long is away, slow or not (own choice: an array that changes a disk takes less)."""

LONGEST_MS = 5_000
"""The longest time between two cycles that counts: more is a process that stood still."""

SLOW = "the disk is slow: rows wait for it"
HANGS = "the disk does not answer: rows wait for it"


@dataclass(frozen=True, slots=True)
class Waiting:
    """`left_ms`: for how long rows can still wait (None: they are written; 0: no more can wait).

    `age_ms`: how long the oldest has waited; `space_h`: how long the disk lasts (0: it is full, and rows live on the
    space kept back for that); `space_unknown`: it does not say. The last three are of wall time: None where the clock
    is stepped.
    """

    left_ms: int | None = None
    age_ms: int | None = None
    space_h: float | None = None
    space_unknown: bool = False


class Room:
    """The writer's memory and disk, watched once a cycle.

    `fills_bytes_h`: how fast memory fills with all circuits running, said until it has been measured. `slow_ms`: from
    when on a disk is slow. `watched` False: time is stepped, so that nothing of wall time may be told.
    """

    def __init__(self, writer: Writer, fills_bytes_h: float, slow_ms: float, *, watched: bool = True) -> None:
        self._writer = writer
        self._fills_bytes_h = fills_bytes_h
        self._slow_ms = slow_ms
        self._watched = watched
        self._marks: deque[tuple[int, int]] = deque()
        self._before_ms: int | None = None
        self._awake_ms = self._age_ms = 0
        self._began: tuple[int, int] | None = None

    @property
    def trouble(self) -> str | None:
        """What the writer says is wrong, or that its disk is slow; None: all well. As of the last `look`."""
        if self._writer.trouble is not None or self._age_ms < self._slow_ms:
            return self._writer.trouble
        return HANGS if self._age_ms >= HANGS_MS else SLOW

    def look(self, now_ms: int) -> Waiting:
        """Return what this cycle is told; once a cycle, before its rows are added."""
        self._wait(now_ms)
        left_ms = self._left_ms(now_ms)
        if not self._watched:
            return Waiting(left_ms)
        if self._writer.on_reserve:
            return Waiting(left_ms, self._age_ms, 0.0)
        space = self._writer.space
        hours = space.hours if space is not None else None
        return Waiting(left_ms, self._age_ms, hours, space is not None and hours is None)

    def _wait(self, now_ms: int) -> None:
        """Move the age of the oldest row."""
        mark, settled = self._writer.mark()
        if not self._watched:
            return
        passed_ms = 0 if self._before_ms is None else now_ms - self._before_ms
        self._before_ms = now_ms
        self._awake_ms += min(max(0, passed_ms), LONGEST_MS)
        self._marks.append((mark, self._awake_ms))
        while self._marks and self._marks[0][0] <= settled:
            self._marks.popleft()
        self._age_ms = self._awake_ms - self._marks[0][1] if self._marks else 0

    def _left_ms(self, now_ms: int) -> int | None:
        writer = self._writer
        if not writer.has_room:
            return 0
        if writer.failing is None and self._age_ms < HANGS_MS:
            self._began = None
            return None
        waiting = writer.waiting_bytes
        if self._began is None or waiting < self._began[1]:
            self._began = (now_ms, waiting)
        took_ms, grown = now_ms - self._began[0], waiting - self._began[1]
        room = max(0, writer.limit_bytes - waiting)
        if took_ms < MEASURED_MS or grown <= 0:
            return max(1, int(room / self._fills_bytes_h * 3_600_000.0))
        return max(1, room * took_ms // grown)
