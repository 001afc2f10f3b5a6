"""How fast a virtual plant's time goes beside the wall's, and what holds it still: the pause, and orders that wait.

A cycle begins when its moment has come; nothing of the plant hangs on how late that is. While no cycle begins, what was
last shown is shown again, so that nobody takes a plant at rest for a dead one.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable

SLOWEST, FASTEST, USUAL = 1.0, 3600.0, 300.0
"""Seconds of plant time in a second."""

SHOW_EVERY_S = 1.0
SLACK_S = 0.25
"""How late a plant may run and still catch up; where it is later, that is given up."""

MOST_MORE = 4
"""Cycles after an order's own, at rest, until its device has read back."""


async def wait_for(woken: asyncio.Event, longest_s: float) -> None:
    """Wait until woken, or so long."""
    try:
        async with asyncio.timeout(longest_s):
            await woken.wait()
    except TimeoutError:
        return


def loop_s() -> float:
    """Return the event loop's own time."""
    return asyncio.get_running_loop().time()


class Pace:
    """Lets cycles begin at `ratio` seconds of plant time a second. `free` lets every cycle begin at once, for good.

    `show` shows once more what the last cycle led to; `settled`: no order waits for its read-back.
    """

    def __init__(
        self,
        ratio: float,
        show: Callable[[], Awaitable[None]],
        settled: Callable[[], bool],
        *,
        wait: Callable[[asyncio.Event, float], Awaitable[None]] = wait_for,
        now_s: Callable[[], float] = loop_s,
    ) -> None:
        self.ratio = min(max(ratio, SLOWEST), FASTEST)
        self.paused = False
        self._show = show
        self._settled = settled
        self._wait = wait
        self._now_s = now_s
        self._woken = asyncio.Event()
        self._free = False
        self._begun_s = -math.inf
        self._shown_s = -math.inf
        self._owed = False
        self._more = 0

    def told(self) -> tuple[float, bool]:
        """Return ratio and pause, for the snapshot."""
        return self.ratio, self.paused

    def ask(self, ratio: float | None, paused: bool | None) -> None:
        """Take another ratio, or pause, or go on (None: as it is). The ratio stays within its bounds."""
        if ratio is not None and math.isfinite(ratio):
            self.ratio = min(max(ratio, SLOWEST), FASTEST)
        if paused is not None:
            self.paused = paused
        self._shown_s = -math.inf
        self._woken.set()

    def order(self) -> None:
        """Let the next cycle begin although its moment has not come: a person's order waits for it."""
        self._owed, self._more = True, MOST_MORE
        self._woken.set()

    def free(self) -> None:
        """Wait no more, not even paused."""
        self._free = True
        self._woken.set()

    async def before(self, dt_s: float) -> None:
        """Wait until the next `dt_s` of plant time may pass."""
        while not self._free:
            self._woken.clear()
            now_s = self._now_s()
            left_s = math.inf if self.paused else self._begun_s + dt_s / self.ratio - now_s
            if left_s <= 0.0:
                # The schedule goes on from its own moment; where it is too late to be made good, from now.
                self._begin(now_s + left_s if left_s >= -SLACK_S else now_s, now_s)
                return
            if self._early():
                # It would be shown late, or at rest never.
                self._begin(now_s, -math.inf)
                return
            if now_s - self._shown_s >= SHOW_EVERY_S:
                self._shown_s = now_s
                await self._show()
                continue
            await self._wait(self._woken, min(left_s, SHOW_EVERY_S - (now_s - self._shown_s)))

    def _early(self) -> bool:
        """Whether a cycle begins before its moment: for an order, at rest also for its read-back."""
        if self._owed:
            self._owed = False
            return True
        if self.paused and self._more > 0 and not self._settled():
            self._more -= 1
            return True
        return False

    def _begin(self, begun_s: float, shown_s: float) -> None:
        self._begun_s, self._shown_s = begun_s, shown_s
        self._owed = False
