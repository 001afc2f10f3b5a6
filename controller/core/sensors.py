"""What a temperature sensor is believed to show: one spike moves nothing, and one that stands still is no sensor.

Towards danger (hotter) two readings on end count, towards ease three. A sensor without a valid reading has no value,
never zero and never its last one: what is believed is kept only to judge the next valid reading.
One that reads the same to the bit for long, while it should have moved, is frozen: it counts as lost until its number
changes. Two and three readings, and what counts as "should have moved" below, are own choice.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core.state import ProbeMemory, TrailPoint
from controller.core.types import Value
from controller.core.values import ZERO_A, number

TOWARDS_DANGER = 2
TOWARDS_EASE = 3

LEAST_C20 = 0.08
"""Current, in C20, below which a battery may well stand still: a finishing current (0.1) less a shunt's errors."""

FLOWED_MS = 600_000
"""Current must have flowed for so long: ten minutes of a finishing current warm a battery by more than a kelvin."""

MOVED_K = 1.5
"""How far the neighbours must have moved in the last half hour: fifteen steps of a probe that shows tenths."""


def sensed(
    memory: tuple[ProbeMemory, ...], values: tuple[Value, ...], stale_ms: int, now_ms: int
) -> tuple[ProbeMemory, ...]:
    """Return each sensor's memory after this cycle's readings; the very same object where nothing moved."""
    if len(memory) != len(values):
        memory = (ProbeMemory(),) * len(values)
    new = [_one(old, value, stale_ms, now_ms) for old, value in zip(memory, values, strict=True)]
    for old, one in zip(memory, new, strict=True):
        if one is not old:
            return tuple(new)
    return memory


def _one(old: ProbeMemory, value: Value, stale_ms: int, now_ms: int) -> ProbeMemory:
    found = number(value, stale_ms)
    if found is None:  # what it does in silence nobody knows: standing still begins anew
        return old if old.still_ms is None else replace(old, still_ms=None)
    before = old.lately
    if value.age_ms or (old.still_ms is not None and before == (found, found, found)):
        return old
    still = bool(before) and before[-1] == found
    still_ms = old.still_ms if still and old.still_ms is not None else now_ms
    lately = (*before[1:], found) if len(before) == TOWARDS_EASE else (*before, found)
    return ProbeMemory(_believed(old.believed_C, lately), lately, still_ms, old.frozen and still)


def _believed(before: float | None, lately: tuple[float, ...]) -> float:
    """Return what is believed after the newest of the last valid readings, of which the first of all was believed."""
    if before is None:
        return lately[0]
    newest = lately[-1]
    hotter = min(newest, lately[-TOWARDS_DANGER]) if len(lately) >= TOWARDS_DANGER else newest
    return hotter if hotter >= before else max(min(before, max(lately)), hotter)


def watched(
    memory: tuple[ProbeMemory, ...],
    trail: tuple[TrailPoint, ...],
    sisters_K: float | None,
    least_A: float,
    frozen_ms: float,
    now_ms: int,
) -> tuple[ProbeMemory, ...]:
    """Return the memories with those marked as frozen that stood still for `frozen_ms` and should have moved.

    Should have moved: current of at least `least_A` (as an amount) has flowed, and either the neighbours moved
    (`sisters_K`, by their median), or this circuit's own current came or went while the sensor stood still.
    """
    stood_ms = now_ms - frozen_ms
    still = [one for one in memory if one.still_ms is not None and one.still_ms <= stood_ms and not one.frozen]
    if not still or not _flowed(trail, least_A, now_ms):
        return memory
    moved = sisters_K is not None and sisters_K >= MOVED_K
    return tuple(
        replace(one, frozen=True) if one in still and (moved or _switched(trail, one.still_ms)) else one
        for one in memory
    )


def _flowed(trail: tuple[TrailPoint, ...], least_A: float, now_ms: int) -> bool:
    """Return whether current has flowed all the last ten minutes, by a trail that is old enough to tell."""
    late = [point.current_A for point in trail if now_ms - point.at_ms <= FLOWED_MS]
    told = bool(trail) and now_ms - trail[0].at_ms >= FLOWED_MS
    return told and all(current is not None and abs(current) >= least_A for current in late)


def _switched(trail: tuple[TrailPoint, ...], since_ms: int | None) -> bool:
    """Return whether there was a moment without current since then."""
    return since_ms is not None and any(
        point.at_ms >= since_ms and point.current_A is not None and -ZERO_A < point.current_A < ZERO_A
        for point in trail
    )


def each_C(memory: tuple[ProbeMemory, ...], values: tuple[Value, ...], stale_ms: int) -> tuple[float | None, ...]:
    """Return each sensor's believed temperature, None for one that does not read validly now or is frozen."""
    return tuple(
        None if one.frozen or number(value, stale_ms) is None else one.believed_C
        for one, value in zip(memory, values, strict=False)
    )


def part_lost(memory: tuple[ProbeMemory, ...], values: tuple[Value, ...], stale_ms: int) -> bool:
    """Return whether some, not all, of several sensors are lost or frozen: the hottest may be among them."""
    if len(values) < 2:
        return False
    each = each_C(memory, values, stale_ms)
    return None in each and any(one is not None for one in each)


def hottest_C(memory: tuple[ProbeMemory, ...], values: tuple[Value, ...], stale_ms: int) -> float | None:
    """Return the highest believed temperature of the sensors that read validly now, or None."""
    best = None
    for one, value in zip(memory, values, strict=False):
        believed = one.believed_C
        if believed is None or one.frozen or number(value, stale_ms) is None:
            continue
        if best is None or believed > best:
            best = believed
    return best


def seen_C(values: tuple[Value, ...], stale_ms: int) -> float | None:
    """Return the highest temperature that reads validly now, believed or not; None where none does."""
    best = None
    for value in values:
        found = number(value, stale_ms)
        if found is not None and (best is None or found > best):
            best = found
    return best
