"""Whether a string may give off gas now: who lifts a hood for readings asks this first.

A lead-acid cell gasses visibly above some 2.4 V (textbook knowledge, no single source); warm cells somewhat earlier, so
the line is drawn at 2.35 V (own choice). Gas goes on leaving a cell after its current, so the last half hour counts,
which is as far back as a circuit remembers (own choice).
"""

from __future__ import annotations

from controller.core.state import CircuitState
from controller.core.types import State
from controller.core.values import ZERO_A

GASSING_V_PER_CELL = 2.35


def gasses(circuits: tuple[CircuitState, ...]) -> str:
    """Return the name of the first circuit that gasses, lately did, or of which nobody can tell; "" for none."""
    return next((each.name for each in circuits if _may_gas(each)), "")


def _may_gas(each: CircuitState) -> bool:
    """Return whether charge current stood at gassing volts on the trail, or may do so unseen."""
    unseen = not each.trail or each.trail[-1].volts_per_cell is None
    if each.state is State.RUNNING and unseen:
        return True
    return any(
        point.volts_per_cell is not None
        and point.volts_per_cell >= GASSING_V_PER_CELL
        and (point.current_A is None or point.current_A >= ZERO_A)
        for point in each.trail
    )
