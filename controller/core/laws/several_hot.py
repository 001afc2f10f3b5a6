"""Several hot circuits at once.

Hazard: one hot string is a fault of that string; several are one of the bath: water, flow, or the hall.
Law: the hottest probe of two or more circuits at or above the probes' hold level at once: warn, first priority. Each of
them holds by its own law.
Defaults: two circuits (own choice); the level is that of the probes' hold.
Clears: all but one below the level less its `return_K`; a probe that is lost keeps it, as does one of several that is
lost where its circuit's own hold stands.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView

SEVERAL = 2


def _hot(view: BathView, floor: float) -> int:
    return len([hot for hot in view.facts.hots_C if hot is not None and hot >= floor])


def _perhaps_hot(view: BathView, floor: float) -> int:
    """Return how many look cool, but are still held by heat while one of their probes is lost: it may be that one."""
    parts = zip(view.facts.hots_C, view.facts.probe_parts, view.state.circuits, strict=False)
    return sum(
        hot is not None and hot < floor and part and any(t.code == "probe_hold" and t.active for t in each.timers)
        for hot, part, each in parts
    )


def several(view: BathView, active: bool) -> Finding:
    """Return whether several circuits are at their hold level."""
    levels = view.settings.laws.probe
    floor = levels.hold_C - levels.return_K if active else levels.hold_C
    count = _hot(view, floor) + (_perhaps_hot(view, floor) if active else 0)
    if count < SEVERAL and active and None in view.facts.hots_C:
        return CANNOT_TELL
    return Finding(count >= SEVERAL, float(count), float(SEVERAL))


LAWS: tuple[Law[BathView], ...] = (Law("several_hot", Reaction.WARN, 1, several),)


def asleep(view: BathView) -> bool:
    """Return whether no two probes are at their hold level."""
    return _hot(view, view.settings.laws.probe.hold_C) < SEVERAL


FAMILY = Family(LAWS, asleep)
