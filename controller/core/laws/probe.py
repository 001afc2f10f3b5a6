"""Battery temperature: derate, hold, trip.

Hazard: acid far above 55 C drives gas, sheds active mass, softens cases; a hot battery beside hydrogen can burn.
Law: reduced current from `derate_C`, zero current from `hold_C`, output off and latched from `trip_C` (or the
profile's own, lower level). A probe is believed after two readings towards danger, three towards ease
(`controller.core.sensors`), so that one spike does nothing; the laws then take its first word.
Defaults: 50, 55, 60 C. Formation in the container is customarily warned about at 55 and stopped at 60 to 65 C
(from memory); a Navy text allows no charge above 52 C (125 F), so the derate begins below that.
Reaction: at 57 C, say, the circuit is held: zero, the run kept open; 20 % is the least a derate leaves (`limits`).
Clears: derate when the probe is `EASED_K` below its level and the current is back at 100 %; hold and trip below the
level less `return_K`, then by order. While one of several probes is lost or frozen none of them ends, nor does current
rise: the lost one may be the hot one. It ends when that probe reads again; one that stays dead is taken out of the bath
file's `probes` by maintenance.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law, kept
from controller.core.types import Reaction
from controller.core.view import CircuitView

EASED_K = 1.0
"""A probe shows steps of 0.1 K and hovers at the level that reduces it; a kelvin keeps the alarm from chattering."""


def reduced(view: CircuitView, active: bool) -> Finding:
    """Return whether the probe reduces the current; it ends when the whole current is allowed again."""
    hot, limit = view.facts.probe_C, view.settings.laws.probe.derate_C
    if hot is None:
        return CANNOT_TELL
    floor = limit - EASED_K if active else limit
    if hot >= floor or (active and view.state.allowed.percent < 100.0):
        return Finding(True, hot, limit)
    return kept(CLEAR, active, view.facts.probe_part)


def _above(view: CircuitView, active: bool, limit: float) -> Finding:
    hot = view.facts.probe_C
    if hot is None:
        return CANNOT_TELL
    floor = limit - view.settings.laws.probe.return_K if active else limit
    return kept(Finding(hot >= floor, hot, limit), active, view.facts.probe_part)


def too_hot(view: CircuitView, active: bool) -> Finding:
    """Return whether the probe is at its hold level."""
    return _above(view, active, view.settings.laws.probe.hold_C)


def far_too_hot(view: CircuitView, active: bool) -> Finding:
    """Return whether the probe is at its trip level, the lower of the bath's and the profile's."""
    limit = view.settings.laws.probe.trip_C
    load = view.state.load
    if load is not None and load.plan.probe_trip_C is not None:
        limit = min(limit, load.plan.probe_trip_C)
    return _above(view, active, limit)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("probe_derate", Reaction.DERATE, 2, reduced, readings=1),
    Law("probe_hold", Reaction.HOLD, 2, too_hot, readings=1, explains=("probe_derate",)),
    Law("probe_trip", Reaction.TRIP, 2, far_too_hot, readings=1, explains=("probe_derate", "probe_hold")),
)


def asleep(view: CircuitView) -> bool:
    """Return whether the probe is below every level, or not known."""
    hot, levels, load = view.facts.probe_C, view.settings.laws.probe, view.state.load
    if hot is None:
        return True
    trip = load.plan.probe_trip_C if load is not None else None
    return hot < levels.derate_C and hot < levels.hold_C and hot < levels.trip_C and (trip is None or hot < trip)


FAMILY = Family(LAWS, asleep)
