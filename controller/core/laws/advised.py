"""Slow comparisons made outside the core, handed in as advice: they warn, and never do more.

Hazard: what shows only against the sisters, the expected course or the last minutes: a joint that goes bad, a cell
that shorts, a probe in the wrong place, another battery or acid than the list says.
Law: an advice stands as long as it is handed in, with the priority of its code below. One with a code that is not known
here (a record of a later version) is told as such.
Defaults: two for what burns or keeps a string from being stopped, three for what spoils batteries slowly (own choice).
Clears: when it is no longer handed in.
"""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import CircuitView

PRIORITIES = MappingProxyType({
    "joint_resistance": 3,
    "joint_hot": 2,
    "cells_missing": 3,
    "probe_reads_low": 3,
    "probe_in_air": 3,
    "probe_elsewhere": 3,
    "knee_early": 3,
    "knee_late": 3,
    "acid_differs": 3,
    "leads_crossed": 2,
    "course_late": 3,
})  # fmt: skip
UNKNOWN = "advice_unknown"


def _given(code: str) -> Callable[[CircuitView, bool], Finding]:
    def compare(view: CircuitView, active: bool) -> Finding:
        """Return whether this advice is handed in."""
        for said in view.cin.advice:
            if said.code == code:
                return Finding(True, said.value, said.limit)
        return CLEAR

    return compare


def unknown(view: CircuitView, active: bool) -> Finding:
    """Return whether an advice is handed in that nobody here knows; its value: how many."""
    count = sum(said.code not in PRIORITIES for said in view.cin.advice)
    return Finding(True, float(count)) if count else CLEAR


LAWS: tuple[Law[CircuitView], ...] = (
    *(Law(code, Reaction.WARN, priority, _given(code)) for code, priority in PRIORITIES.items()),
    Law(UNKNOWN, Reaction.WARN, 3, unknown),
)


def asleep(view: CircuitView) -> bool:
    """Return whether nothing is handed in."""
    return not view.cin.advice


FAMILY = Family(LAWS, asleep)
