"""How long the record's disk will last with all circuits running: what is free, by what a circuit-hour takes.

What it takes is planned from how often rows and cycles are written, and measured while the service runs; the larger
counts. Who looks, does so about once a minute; nothing here waits or knows the time.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from controller.records.disk import Disk
from controller.records.files import PART_BYTES
from controller.records.reserve import Reserve

LOG_ROW_BYTES = 150.0
"""One row of log.csv (measured: 110 to 140 as numbers grow)."""

CYCLE_BYTES = 12.0
"""One cycle in cycles.bin (measured: 3.4 with readings that move in their last digit, 1.5 without; more with more
probes, or with a rectifier that counts and measures all that a map can name)."""

CYCLES_A_BLOCK = 360.0
EVENTS_BYTES_H = 20_000.0
"""Events, orders and readings of an hour, and a run's texts spread over its hours (own choice: a busy hour's)."""

LEAST_LOOKS = 240
"""What was measured counts after so many looks at an open run, four circuit-hours: one start must not stand for all."""

MINUTES_PER_H = 60.0
MISSED_LOOKS = 3
"""A disk that did not answer for so many looks does not say how much room it has."""


def planned_bytes_h(period_ms: int, log_ms: int) -> float:
    """What an hour of one circuit takes on the disk."""
    return 3_600_000.0 / log_ms * LOG_ROW_BYTES + 3_600_000.0 / period_ms * CYCLE_BYTES + EVENTS_BYTES_H


def waiting_bytes_h(period_ms: int, log_ms: int) -> float:
    """What an hour of one circuit takes in memory, while it waits: the same, and what each row's object takes."""
    parts = 3_600_000.0 / log_ms + 3_600_000.0 / period_ms / CYCLES_A_BLOCK
    return planned_bytes_h(period_ms, log_ms) + parts * PART_BYTES


class Space:
    """The disk below `folder`. `hours`: for how long it lasts with all circuits running (None: not known)."""

    def __init__(
        self,
        folder: Path,
        circuits: int,
        planned: float,
        disk: Disk | None = None,
        reserve: Reserve | None = None,
        short_h: float = 0.0,
    ) -> None:
        """`planned`: bytes that a circuit-hour takes. `reserve`: told how much is free, as it may be taken back.

        `short_h`: with less room than this it is `short`.
        """
        self.hours: float | None = None
        self._short_h = short_h
        self._folder = folder
        self._circuits = circuits
        self._planned = planned
        self._disk = disk or Disk()
        self._reserve = reserve
        self._held: Mapping[str, int] = {}
        self._grown = self._looks = 0
        self._was_there = False
        self._waits = 0

    def ask(self) -> bool:
        """Return whether to look now; not while the last look still waits for its disk, which then is not known."""
        self._waits += 1
        if self._waits > MISSED_LOOKS:
            self.hours = None
        return self._waits == 1

    def look(self, held: Mapping[str, int]) -> None:
        """Ask the disk; `held`: the bytes that each open run's lasting files hold by now."""
        for name, size in held.items():
            if name in self._held:
                self._grown += max(0, size - self._held[name])
                self._looks += 1
        self._held = held
        self.look_again()

    @property
    def short(self) -> bool:
        """Whether room is short and no look is on its way: then it is worth another look before the minute is over."""
        given = self._reserve is not None and self._reserve.given
        return self._waits == 0 and (given or (self.hours is not None and self.hours < self._short_h))

    def look_again(self) -> None:
        """Ask the disk how much is free, and nothing else: somebody may just be making room."""
        free = self._free_bytes()
        self.hours = None if free is None else free / (self.bytes_h * self._circuits)
        if free is not None and self._reserve is not None:
            self._reserve.look(free)
        self._waits = 0

    def _free_bytes(self) -> int | None:
        """What is free; None where nobody says, or the folder is gone: where it stood another disk may be asked."""
        try:
            there = self._disk.exists(self._folder)
            self._was_there = self._was_there or there
            return self._disk.free_bytes(self._folder) if there or not self._was_there else None
        except OSError:
            return None

    @property
    def bytes_h(self) -> float:
        """What a circuit-hour takes: as planned, or more where more was measured."""
        if self._looks < LEAST_LOOKS:
            return self._planned
        return max(self._planned, self._grown * MINUTES_PER_H / self._looks)
