"""The rectifier's own Ah counter and ours part.

Hazard: one of the two measures wrong: the charge on the record is not the charge in the plates.
Law: what each gained since `controller.core.devicecount` began to compare them differs by more than `counter_percent`
of the larger, and at least by 0.2 Ah, for `counter_minutes`: warn. Both stand in the record.
Defaults: 1 % is twice a good shunt's class of 0.5 (common practice, no published source); 0.2 Ah is what a start's
first minutes can part by readings a second apart; 10 min let a change of step pass. Own choice, adjustable.
Reaction: warn; which of the two is right only a third instrument can tell.
Clears: when both agree, or where the comparison begins anew. It cannot show an error that both have, as when the
device counts what it tells.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import CircuitView

LEAST_Ah = 0.2


def parted(view: CircuitView, active: bool) -> Finding:
    """Return whether the two counters differ since the comparison began."""
    run, counter = view.state.run, view.facts.counter_Ah
    if run is None or run.device_Ah is None:
        return CLEAR
    if counter is None:
        return CANNOT_TELL
    theirs, ours = counter - run.device_Ah, run.counters.charge_Ah - run.ours_Ah
    apart = abs(theirs - ours)
    limit = max(LEAST_Ah, view.settings.laws.current.counter_percent / 100.0 * max(theirs, ours))
    return Finding(apart > limit, apart, limit)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("counter_differs", Reaction.WARN, 3, parted, lambda s: s.laws.current.counter_minutes * 60_000.0),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    run, counter = view.state.run, view.facts.counter_Ah
    if run is None or counter is None or run.device_Ah is None:
        return True
    parts = (counter - run.device_Ah) - (run.counters.charge_Ah - run.ours_Ah)
    return -LEAST_Ah <= parts <= LEAST_Ah or not parted(view, active=False).holds


FAMILY = Family(LAWS, asleep)
