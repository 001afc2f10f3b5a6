"""What a record's readings tell beside what was decided: silences, and what the rectifier's counter gained. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.core.types import CircuitIn, Quality
from controller.verify.losses import Bounds


@dataclass(slots=True)
class Readings:
    """Silences between cycles, and what the rectifier's own counter gained (a fall: it began anew from 0).

    `gap_s`: those while a run was open; `silences`: all of them, as core times from and to, and where cycles were lost;
    `lost_ms`: for how long they were, each time; `gap_ends_ms`: core times at which each of `gap_s` was over.
    """

    stale_ms: int
    gap_s: list[float] = field(default_factory=list)
    silences: list[tuple[int, int]] = field(default_factory=list)
    counter_Ah: float | None = None
    now_ms: int | None = None
    lost_ms: list[int] = field(default_factory=list)
    gap_ends_ms: list[int] = field(default_factory=list)
    _counter: float | None = None
    _from_ms: int | None = None

    def see(self, cin: CircuitIn, lost_to_ms: int | None = None) -> None:
        """One cycle's input. `lost_to_ms`: the core time of the last of the lost cycles before it (None: none is)."""
        self._from_ms = self.now_ms if lost_to_ms is None else lost_to_ms
        if self.now_ms is not None:
            if lost_to_ms is not None:
                self.lost_ms.append(lost_to_ms - self.now_ms)
            if lost_to_ms is not None or not 0 <= cin.now_ms - self.now_ms <= self.stale_ms:
                self.silences.append((self.now_ms, cin.now_ms))
        self.now_ms = cin.now_ms
        counter = cin.reading.counter_Ah
        if counter is None or counter.number is None or counter.quality is not Quality.GOOD or counter.age_ms:
            return
        if self._counter is not None:
            gained = counter.number - self._counter
            self.counter_Ah = (self.counter_Ah or 0.0) + (gained if gained >= 0 else counter.number)
        self._counter = counter.number

    def open_run(self) -> None:
        """The cycle seen last stands in an open run: a silence before it counts."""
        if self.now_ms is None or self._from_ms is None or 0 <= self.now_ms - self._from_ms <= self.stale_ms:
            return
        self.gap_s.append((self.now_ms - self._from_ms) / 1000)
        self.gap_ends_ms.append(self.now_ms)

    def over_at(self, end_ms: int) -> None:
        """The run was over at this core time: a silence that ended behind it is none of an open run."""
        kept = [each for each in zip(self.gap_s, self.gap_ends_ms, strict=True) if each[1] <= end_ms]
        self.gap_s, self.gap_ends_ms = [gap_s for gap_s, _ in kept], [ends_ms for _, ends_ms in kept]

    def may_lack(self, bounds: Bounds) -> int:
        """How many of the gaps may have no row: those right before an interruption, and as many as rows were lost."""
        interrupted = bounds.interruptions(self.silences, self.now_ms)
        return bounds.lost.rows + sum(map(interrupted.may_have_taken, self.gap_ends_ms))
