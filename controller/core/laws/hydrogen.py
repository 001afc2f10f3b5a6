"""Hydrogen in the bath's air, and a sensor that does not tell.

Hazard: from 4 % in air hydrogen explodes; a spark is never far from clamps and contactors.
Law: warn from `warn_percent_LEL` of that limit, trip the bath from `trip_percent_LEL`, latched; extraction stays on,
contactors stay as they are unless they stand outside the gas space. A sensor that gives no value for `dead_s`, whose
proof is overdue, or that reads the same to the bit for `frozen_minutes` while the gas that the currents make has risen
by `MOVED_LEL`: warn, with airflow proved (without it `extraction_lost` holds the bath anyway). Gas that decays proves
nothing, as a sensor is often quicker than the reckoning of it, nor do hours of 0.0 at rest; where the bath file does
not give the airflow, how much gas to expect is not known, and a frozen sensor is found by its proof alone.
Defaults: 10 and 25 %, two readings; common practice for warning and switching off, no published source for a bath.
Air sized by 0.05 n I (EN 62485-3, as quoted) already stands at 21 to 24 % with everything gassing, so a plant sets its
own. 60 s outlast a sensor's restart; four hours and 3 % (steps of 1 % are common) are own choice.
Clears: both below the warning level less `return_percent_LEL`; the latch by acknowledge and reset. A value by a value.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView

SIGNAL = "hydrogen_percent_LEL"
PROOF = "hydrogen"
MOVED_LEL = 3.0


def _above(view: BathView, active: bool, limit: float) -> Finding:
    """Return whether gas is at its level; gone only well below the warning level."""
    gas, limits = view.facts.hydrogen_LEL, view.settings.laws.hydrogen
    if SIGNAL not in view.facts.has:
        return CLEAR
    if gas is None:
        return CANNOT_TELL
    floor = limits.warn_percent_LEL - limits.return_percent_LEL if active else limit
    return Finding(gas >= floor, gas, limit)


def rises(view: BathView, active: bool) -> Finding:
    """Return whether hydrogen is at its warning level."""
    return _above(view, active, view.settings.laws.hydrogen.warn_percent_LEL)


def far_too_much(view: BathView, active: bool) -> Finding:
    """Return whether hydrogen is at the level that trips the bath."""
    return _above(view, active, view.settings.laws.hydrogen.trip_percent_LEL)


def frozen(view: BathView) -> bool:
    """Return whether the sensor stayed the same although the gas it should see has risen."""
    inputs = view.state.inputs
    if inputs.hydrogen_still_ms is None or inputs.rise_LEL < MOVED_LEL:
        return False
    return view.facts.now_ms - inputs.hydrogen_still_ms >= view.settings.laws.hydrogen.frozen_minutes * 60_000.0


def not_told(view: BathView, active: bool) -> Finding:
    """Return whether hydrogen is not known: no value, a frozen one, or one that nobody proved in time."""
    if SIGNAL not in view.facts.has:
        return CLEAR
    overdue = PROOF in view.facts.overdue and (view.in_use or view.after_run)
    return Finding(view.facts.hydrogen_LEL is None or overdue or frozen(view))


LAWS: tuple[Law[BathView], ...] = (
    Law("hydrogen_warn", Reaction.WARN, 2, rises, readings=2),
    Law("hydrogen_trip", Reaction.TRIP, 1, far_too_much, readings=2, explains=("hydrogen_warn",)),
    Law("hydrogen_unknown", Reaction.WARN, 2, not_told, lambda s: s.laws.hydrogen.dead_s * 1000.0, readings=0),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    facts, limits = view.facts, view.settings.laws.hydrogen
    if SIGNAL not in facts.has:
        return True
    if facts.hydrogen_LEL is None or facts.overdue or frozen(view):
        return False
    return facts.hydrogen_LEL < min(limits.warn_percent_LEL, limits.trip_percent_LEL)


FAMILY = Family(LAWS, asleep)
