"""When a read value counts as a number, and what counts as zero."""

from __future__ import annotations

from collections.abc import Iterable

from controller.core.types import Quality, Value

ZERO_A = 0.3
"""Below this a reading of current counts as zero: a shunt's offset is some 0.1 A (common practice)."""

LARGEST = 1e15
"""No quantity here comes near it; what is infinite, or no number at all, fails the comparison with it."""

GASSING_mV_PER_K = 5.5
"""Volts of a gassing cell fall by this much per kelvin and cell at constant current (Schiffer 2007: 0.06/11 V/K)."""


GOOD, SUSPECT = Quality.GOOD, Quality.SUSPECT
"""Looked up once: a member is asked for a dozen times a circuit and cycle."""


def number(value: Value | None, stale_ms: int) -> float | None:
    """Return the number of a value that is good and fresh, else None."""
    if value is None:
        return None
    found, quality = value.number, value.quality
    if found is None or value.age_ms > stale_ms or not -LARGEST < found < LARGEST:
        return None
    return found if quality is GOOD or quality is SUSPECT else None


def flag(value: Value | None, stale_ms: int) -> bool | None:
    """Return a flag that is good and fresh, else None."""
    found = number(value, stale_ms)
    return None if found is None else found > 0.5


def any_read(values: Iterable[Value | None], stale_ms: int) -> bool:
    """Return whether any of these values is a number that was read in this very cycle."""
    return any(value is not None and value.age_ms == 0 and number(value, stale_ms) is not None for value in values)
