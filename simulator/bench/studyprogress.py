"""One line on a terminal's standard error while a study runs: how far, how long yet, and the figures as they refine."""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import Self, TextIO

from controller.service.clock import boot_ms

COLUMNS = 79
QUIET_MS = 1_000
"""Nothing is shown of what takes no longer."""


class Progress:
    """Counts strings; used as a context it clears its line at the end. Silent where `out` is no terminal."""

    def __init__(self, total: int, out: TextIO, now_ms: Callable[[], int] = boot_ms) -> None:
        self._total, self._out, self._now_ms = total, out, now_ms
        self._begin_ms = now_ms()
        self._first_ms: int | None = None
        self._first = 0
        self._count = 0
        self._figures = ""
        self._shown = out.isatty()
        self._drawn = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._drawn:
            self._out.write("\r\x1b[K")
            self._out.flush()

    def done(self, count: int, figures: str) -> None:
        """So many strings are done now, and these are the figures so far."""
        if self._first_ms is None:
            self._first_ms, self._first = self._now_ms(), count
        self._count, self._figures = count, figures
        self.waiting()

    def waiting(self) -> None:
        """Time goes on."""
        if self._shown and self._now_ms() - self._begin_ms >= QUIET_MS:
            self._out.write(f"\r\x1b[K{self.line()[:COLUMNS]}")
            self._out.flush()
            self._drawn = True

    def line(self) -> str:
        """The whole line; cut to the terminal's width by whoever writes it."""
        percent = 100 * self._count // max(self._total, 1)
        left = self._left_s()
        parts = [f"study {percent} %  {self._count} of {self._total}"]
        if left is not None:
            parts.append(f"{left // 60}:{left % 60:02d} left")
        return "  ".join([*parts, self._figures]).rstrip()

    def _left_s(self) -> int | None:
        """Seconds left, by the pace since the first batch (workers have started by then); None: not to be said yet."""
        if self._first_ms is None or not self._count:
            return None
        done, since_ms = self._count - self._first, self._now_ms() - self._first_ms
        if not done:
            done, since_ms = self._count, self._now_ms() - self._begin_ms
        return round(since_ms / 1000.0 * (self._total - self._count) / done)
