"""The bath of a circuit that is driven although it is blocked, or although its bath is open or not purged.

Hazard: who drives one string against a block may drive the next one; people stand at this bath.
Law: while a circuit's `hands_off` stands, the whole bath is held.
Default: at once; that law has waited for its two readings already.
Clears: with the circuit's own cause; current by order only.
"""

from __future__ import annotations

from controller.core.conditions import Family, Finding, Law
from controller.core.laws.hands_off import NOT_OBEYED
from controller.core.types import Reaction
from controller.core.view import BathView


def ignored(view: BathView, active: bool) -> Finding:
    """Return whether any circuit of the bath is driven where people may have their hands."""
    return Finding(
        any(timer.active and timer.code in NOT_OBEYED for each in view.state.circuits for timer in each.timers)
    )


LAWS: tuple[Law[BathView], ...] = (Law("block_ignored", Reaction.HOLD, 1, ignored, readings=0),)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return not any(each.timers for each in view.state.circuits)


FAMILY = Family(LAWS, asleep)
