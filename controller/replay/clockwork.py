"""Where a replay stands in its record, and how fast it goes on. Pure: the wall's time is handed in."""

from __future__ import annotations

import math

SLOWEST, FASTEST, USUAL = 1.0, 3600.0, 60.0
"""Seconds of the record in a second of the wall."""

MOST_s = 2.0
"""Time of the wall that one look makes good at most: a machine that slept does not leap through the record."""


class Clockwork:
    """A position in core time between the record's ends. At its end it pauses by itself (`ended`)."""

    def __init__(self, begin_ms: int, end_ms: int, ratio: float = USUAL) -> None:
        self.begin_ms, self.end_ms = begin_ms, end_ms
        self.ratio = min(max(ratio, SLOWEST), FASTEST)
        self.paused = False
        self._at_ms = float(begin_ms)
        self._looked_s: float | None = None

    @property
    def now_ms(self) -> int:
        """The moment that is shown."""
        return int(self._at_ms)

    @property
    def ended(self) -> bool:
        """Whether the record is at its end."""
        return self.now_ms >= self.end_ms

    def passed(self, wall_s: float, *, still: bool = False) -> bool:
        """Let the wall's time pass; return whether the end was reached in it. `still`: nobody looks, nothing moves."""
        before_s, self._looked_s = self._looked_s, wall_s
        if self.paused or still or before_s is None:
            return False
        self._at_ms += 1000.0 * self.ratio * min(max(0.0, wall_s - before_s), MOST_s)
        if self._at_ms < self.end_ms:
            return False
        self._at_ms = float(self.end_ms)
        self.paused = True
        return True

    def ask(self, ratio: float | None, paused: bool | None) -> None:
        """Take another speed within its bounds, or pause, or go on (None: as it is). At the end nothing goes on."""
        if ratio is not None and math.isfinite(ratio):
            self.ratio = min(max(ratio, SLOWEST), FASTEST)
        if paused is not None:
            self.paused = paused or self.ended

    def seek(self, now_ms: int) -> None:
        """Go to a moment, within the record; a pause stays one."""
        self._at_ms = float(min(max(now_ms, self.begin_ms), self.end_ms))
        self.paused = self.paused or self.ended
