"""Water added to a battery: how much charging it still takes until its density says anything.

Water is lighter than acid and lies on it until gas has stirred both. Before an hour of charging a hydrometer reads the
water (US Navy text 14113, p. 294).
"""

from __future__ import annotations

from controller.core.changed import changed
from controller.core.facts import Facts
from controller.core.state import Run
from controller.core.values import ZERO_A

MIXED_MS = 3_600_000


def watered(run: Run, position: int) -> Run:
    """Return the run with water just added to the battery at this place."""
    others = tuple(entry for entry in run.watered if entry[0] != position)
    return changed(run, watered=(*others, (position, MIXED_MS)))


def stirred(run: Run, facts: Facts) -> Run:
    """Return the run after this cycle; only charge current that was read stirs, a gap never does."""
    if facts.gap or facts.current_A is None or facts.current_A < ZERO_A:
        return run
    left = tuple((position, ms - facts.dt_ms) for position, ms in run.watered if ms > facts.dt_ms)
    return changed(run, watered=left)


def left_ms(run: Run, position: int) -> int:
    """Return how much charging is left until a density of this battery counts; 0: none."""
    return next((ms for at, ms in run.watered if at == position), 0)
