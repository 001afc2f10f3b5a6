"""The two clocks. The only place where process time is read and waited for.

Real: the machine's boot clock, which suspension does not stop and no correction moves. Stepped: the virtual plant
advances by exactly one period when the controller's cycle is done, so nothing goes stale because a machine is slow.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

CLOCK_STEP_MS = 2_000
"""A wall clock that goes off by more at once was set, by a person or a time service (own choice)."""
SLEWED_SHARE = 0.0005
"""By at most this a time service lets a clock run fast or slow: 500 ppm, Linux's own bound (from memory)."""
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class Now:
    """Core and wall time (since 1970, UTC) of one cycle, in ms."""

    now_ms: int
    utc_ms: int


class Clock(Protocol):
    """What the loop needs: the moment of the next cycle, and the wall time that belongs to it."""

    async def next_cycle(self) -> int:
        """Wait for the next cycle and return its core time in ms."""
        ...

    def last(self) -> Now:
        """Return the times of the running cycle."""
        ...


class RealClock:
    """Cycles each `period_ms` of the boot clock; one that comes late is run at once, missed ones are left out."""

    def __init__(self, period_ms: int, base_ms: int = 0, first_ms: int = 0) -> None:
        """Core time goes on from `base_ms`; the first cycle comes a period later, and not before `first_ms`."""
        self._period_ms = period_ms
        self._offset_ms = base_ms - boot_ms()
        self._next_ms = max(base_ms, first_ms - period_ms)
        self._last = Now(base_ms, wall_ms())

    async def next_cycle(self) -> int:
        """Wait for the next cycle and return its core time in ms."""
        self._next_ms += self._period_ms
        now_ms = boot_ms() + self._offset_ms
        self._next_ms = max(self._next_ms, now_ms)
        await asyncio.sleep((self._next_ms - now_ms) / 1000.0)
        self._last = Now(boot_ms() + self._offset_ms, wall_ms())
        return self._last.now_ms

    def last(self) -> Now:
        """Return the times of the running cycle."""
        return self._last

    def since_ms(self) -> int:
        """Return how long ago the running cycle began."""
        return boot_ms() + self._offset_ms - self._last.now_ms


class Ticker:
    """How much time passes from one cycle of a clock to the next."""

    def __init__(self, clock: Clock) -> None:
        """Time counts from now on."""
        self._clock = clock
        self._before_ms = clock.last().now_ms

    async def passed_s(self) -> float:
        """Wait for the clock's next cycle and return the seconds since the one before."""
        now_ms = await self._clock.next_cycle()
        passed_ms, self._before_ms = now_ms - self._before_ms, now_ms
        return max(passed_ms, 1) / 1000.0


class SteppedClock:
    """Time that only passes when asked: each cycle first advances the plant by one period.

    `advance(period_s)` moves the plant and may wait (for a script, for a pause between cycles).
    """

    def __init__(self, period_ms: int, start_utc_ms: int, advance: Callable[[float], Awaitable[None]]) -> None:
        """Core time begins at 0, wall time at `start_utc_ms`."""
        self._period_ms = period_ms
        self._start_utc_ms = start_utc_ms
        self._advance = advance
        self._now_ms = 0

    async def next_cycle(self) -> int:
        """Advance the plant by one period and return the core time in ms."""
        await self._advance(self._period_ms / 1000.0)
        self._now_ms += self._period_ms
        return self._now_ms

    def last(self) -> Now:
        """Return the times of the running cycle."""
        return Now(self._now_ms, self._start_utc_ms + self._now_ms)


def boot_ms() -> int:
    """Return the machine's boot clock in ms."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def wall_ms() -> int:
    """Return the machine's wall clock in ms since 1970, UTC."""
    return time.time_ns() // 1_000_000


def boot_mark() -> dict[str, Any]:
    """Return how the wall clock stands to the boot clock, and in which life of the machine that holds ("": unknown)."""
    try:
        boot = BOOT_ID.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        boot = ""
    now_ms = boot_ms()
    return {"id": boot, "boot_ms": now_ms, "wall_less_boot_ms": wall_ms() - now_ms}


def wall_moved_ms(kept: object, now: Mapping[str, Any]) -> int:
    """Return by how much the wall clock was set between two marks, as far as that can be told: not over a reboot."""
    if not isinstance(kept, Mapping) or not now["id"] or kept.get("id") != now["id"]:
        return 0
    before_ms, then_ms = kept.get("wall_less_boot_ms"), kept.get("boot_ms")
    if type(before_ms) is not int or type(then_ms) is not int:
        return 0
    moved_ms: int = now["wall_less_boot_ms"] - before_ms
    return moved_ms if abs(moved_ms) > CLOCK_STEP_MS + SLEWED_SHARE * abs(now["boot_ms"] - then_ms) else 0
