"""How much a step of a profile asks for: its current, and the charge that it is meant to move. Pure; A and Ah.

Plan and warnings count by the same functions, so that what `check` says is what the controller does.
"""

from __future__ import annotations

from profiles.profile import Step


def amount(direct: float | None, per_C20: float | None, capacity_Ah: float) -> float | None:
    """Return an amount given either directly or per rated capacity; None where it is given neither way."""
    if direct is not None:
        return direct
    return per_C20 * capacity_Ah if per_C20 is not None else None


def current_A(step: Step, capacity_Ah: float) -> float:
    """Return the amount of a step's current in A; 0 for a rest."""
    return amount(step.current_A, step.current_C20, capacity_Ah) or 0.0


def charge_end_Ah(step: Step, capacity_Ah: float) -> float | None:
    """Return the charge that ends a step in Ah, or None."""
    return amount(step.end.charge_Ah, step.end.charge_C20, capacity_Ah) if step.end is not None else None


def time_end_hours(step: Step) -> float | None:
    """Return the hours that end a step, or None: beside an order they are its longest time and end nothing."""
    return step.end.hours if step.end is not None and not step.end.order else None


def planned_Ah(step: Step, capacity_Ah: float) -> float:
    """Return the charge that a step is meant to move in Ah: by its charge end or its hours, the less of both.

    A step with neither is counted at its whole current for its longest time (hours beside an order): nothing in the
    profile says how much less it will be.
    """
    current, charge, hours = current_A(step, capacity_Ah), charge_end_Ah(step, capacity_Ah), time_end_hours(step)
    ends = [charge] if charge is not None else []
    if hours is not None:
        ends.append(current * hours)
    if ends:
        return min(ends)
    waits = step.end.hours if step.end is not None else None
    return current * (waits if waits is not None else step.longest_hours or 0.0)


def charge_is_open(step: Step) -> bool:
    """Return whether neither charge nor hours end a charge, so that its planned charge is only the most it could be."""
    if step.kind != "charge" or step.end is None:
        return False
    return charge_end_Ah(step, 1.0) is None and time_end_hours(step) is None
