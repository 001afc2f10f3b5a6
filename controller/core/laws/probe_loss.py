"""A lost battery probe; one that is frozen (`controller.core.sensors`) counts as lost.

Hazard: nobody sees the battery heat up. A lost value is no value, never zero and never the last one.
Law: while no probe of the circuit is valid, bath water plus the sisters' rise stands in and the current is limited to
`derate_C20`; after `hold_minutes`, or at once where the bath is above `bath_C`, the circuit is held.
Defaults: 0.1 C20 is a finishing current, at which a battery in a flowing bath stays about 5 K above it; an hour lets a
person change a probe; above 40 C of water there is no margin left to guess with. Own choice, adjustable.
Clears: by a probe that has been valid without a break for `EASED_MS`, so that a wire that comes and goes does not swing
the current; it then rises by 1 % a second. Moments shorter than that do not make the hour begin anew. The hold by
order.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.limits import EASED_MS
from controller.core.types import Reaction
from controller.core.view import CircuitView


def lost(view: CircuitView, active: bool) -> Finding:
    """Return whether an open run goes on without a valid probe (the link itself being sound)."""
    load = view.state.load
    if load is None or not view.open_run:
        return CLEAR
    allowed_A = view.settings.laws.probe_loss.derate_C20 * load.plan.capacity_C20_Ah
    if not view.facts.probe_lost:
        return Finding(False, allowed_A=allowed_A)
    return Finding(None if view.facts.stale else True, allowed_A=allowed_A)


def lost_long(view: CircuitView, active: bool) -> Finding:
    """Return whether the probe has been lost in an open run; the law's wait makes it long."""
    return lost(view, active)


def lost_in_warm_bath(view: CircuitView, active: bool) -> Finding:
    """Return whether the probe is lost while the bath leaves no margin, or its water is unknown as well."""
    found = lost(view, active)
    if not found.holds:
        return found
    water = view.facts.water_C
    limit = view.settings.laws.probe_loss.bath_C
    return Finding(water is None or water > limit, water, limit)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("probe_lost", Reaction.DERATE, 2, lost, readings=2, quiet_ms=lambda _: EASED_MS),
    Law(
        "probe_lost_long",
        Reaction.HOLD,
        2,
        lost_long,
        lambda s: s.laws.probe_loss.hold_minutes * 60_000.0,
        quiet_ms=lambda _: EASED_MS,
        explains=("probe_lost",),
        counts_on=True,
    ),
    Law("probe_lost_warm", Reaction.HOLD, 2, lost_in_warm_bath, readings=2, explains=("probe_lost",)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether a probe is valid."""
    return not view.facts.probe_lost


FAMILY = Family(LAWS, asleep)
