"""Leakage of a string to earth.

Hazard: acid and water that bridge a string to the bath's frame: a person who touches a terminal closes the circuit.
Law: where it is measured: below `warn_ohm_per_V`, or below `baseline_share` of the bath's own baseline, for `minutes`:
warn. Below `trip_ohm_per_V`, where the plant's electrician has set it, or a step to under half within a minute: trip
the bath, in two readings. No value for a minute: warn. Strings of one bath couple through its water, so no circuit can
be named.
Defaults: 100 ohm a volt (EN 50272-2, as quoted in a manual of traction batteries, for a dry place); in a wet bath the
baseline rules, which follows over a day and is never drawn down by what looks like a fault. Half, ten minutes and one
minute are own choice.
Clears: `RETURN` above the level that warned or tripped; the latch by acknowledge and reset, which is for maintenance.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView

SIGNAL = "earth_ohm_per_V"
STEP = 0.5
RETURN = 1.1
UNREAD_MS = 60_000.0


def warn_below(view: BathView) -> float:
    """Return the level that warns, in ohm per volt."""
    limits, base = view.settings.laws.earth, view.state.inputs.base_ohm_per_V
    return limits.warn_ohm_per_V if base is None else max(limits.warn_ohm_per_V, limits.baseline_share * base)


def _below(view: BathView, active: bool, level: float) -> Finding:
    reads = view.facts.earth_ohm_per_V
    if reads is None:
        return CANNOT_TELL
    return Finding(reads < (level * RETURN if active else level), reads, level)


def low(view: BathView, active: bool) -> Finding:
    """Return whether the leakage resistance is low."""
    return CLEAR if SIGNAL not in view.facts.has else _below(view, active, warn_below(view))


def far_too_low(view: BathView, active: bool) -> Finding:
    """Return whether the leakage resistance is below the value that trips, or has just stepped to under half.

    A step that stands is measured by the baseline, which it does not draw down.
    """
    if SIGNAL not in view.facts.has:
        return CLEAR
    inputs = view.state.inputs
    before = max((reads for _, reads in inputs.earth), default=0.0)
    if active and inputs.base_ohm_per_V is not None:
        before = max(before, inputs.base_ohm_per_V)
    return _below(view, active, max(view.settings.laws.earth.trip_ohm_per_V or 0.0, STEP * before))


def not_told(view: BathView, active: bool) -> Finding:
    """Return whether leakage that is measured here has no value."""
    return Finding(SIGNAL in view.facts.has and view.facts.earth_ohm_per_V is None)


LAWS: tuple[Law[BathView], ...] = (
    Law("earth_low", Reaction.WARN, 3, low, lambda s: s.laws.earth.minutes * 60_000.0, readings=2),
    Law("earth_trip", Reaction.TRIP, 1, far_too_low, readings=2, explains=("earth_low",)),
    Law("earth_unknown", Reaction.WARN, 2, not_told, lambda _: UNREAD_MS, readings=0),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return SIGNAL not in view.facts.has


FAMILY = Family(LAWS, asleep)
