"""The site's power limit.

Hazard: none to people; a main fuse that blows stops every circuit of the hall, in its first hours too.
Law: while the bath's power limit holds a circuit back (`controller.core.power`): warn. Never a hold, never a trip.
Default: 5 s, so that a step's change tells nobody; own choice.
Clears: when no circuit is held back any more.
"""

from __future__ import annotations

from controller.core import power
from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView

WAIT_MS = 5_000.0


def held_back(view: BathView, active: bool) -> Finding:
    """Return whether a circuit has less than it wants, by the power limit."""
    demand_kW = power.limited(view.settings, view.state, view.facts)
    return CLEAR if demand_kW is None else Finding(True, demand_kW, view.settings.power_limit_kW)


LAWS: tuple[Law[BathView], ...] = (Law("power_limited", Reaction.WARN, 3, held_back, lambda _: WAIT_MS, readings=0),)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return view.settings.power_limit_kW is None


FAMILY = Family(LAWS, asleep)
