"""Bath water temperature.

Hazard: the bath is the batteries' only cooling; warm water takes the margin of every circuit at once.
Law: warn, derate and hold at rising temperature, warn when too cold; the derate is linear like the probe's.
Defaults: 40, 45, 50 C and 15 C. Bath water is customarily kept at 25 to 45 C (from memory); cold acid raises the
voltage of every cell by some 5.5 mV a kelvin, so that a step turns into constant voltage.
Clears: below the level less `return_K`; the hold then by order.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView


def _above(view: BathView, active: bool, limit: float) -> Finding:
    water = view.facts.water_C
    if water is None:
        return CANNOT_TELL
    floor = limit - view.settings.laws.water.return_K if active else limit
    return Finding(water >= floor, water, limit)


def warm(view: BathView, active: bool) -> Finding:
    """Return whether the water is at its warning level."""
    return _above(view, active, view.settings.laws.water.warn_C)


def reduced(view: BathView, active: bool) -> Finding:
    """Return whether the water reduces the current; it ends when the whole current is allowed again."""
    water, limit = view.facts.water_C, view.settings.laws.water.derate_C
    if water is None:
        return CANNOT_TELL
    floor = limit - view.settings.laws.water.return_K if active else limit
    if water >= floor or (active and view.state.allowed.percent < 100.0):
        return Finding(True, water, limit)
    return CLEAR


def too_warm(view: BathView, active: bool) -> Finding:
    """Return whether the water is at its hold level."""
    return _above(view, active, view.settings.laws.water.hold_C)


def cold(view: BathView, active: bool) -> Finding:
    """Return whether the water is too cold while current flows."""
    water, limit = view.facts.water_C, view.settings.laws.water.cold_C
    if water is None:
        return CANNOT_TELL
    if not view.in_use:
        return CLEAR
    return Finding(water <= (limit + view.settings.laws.water.return_K if active else limit), water, limit)


LAWS: tuple[Law[BathView], ...] = (
    Law("water_warm", Reaction.WARN, 2, warm, readings=2),
    Law("water_derate", Reaction.DERATE, 2, reduced, readings=2),
    Law("water_hold", Reaction.HOLD, 1, too_warm, readings=2),
    Law("water_cold", Reaction.WARN, 3, cold, readings=2),
)
