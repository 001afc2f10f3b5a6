"""From what rules find, minute by minute, to the advice that is handed to the core: persistence, hysteresis. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller.core.types import Advice
from controller.courseedges import joint_hot, joint_resistance, leads_crossed
from controller.courseheat import probe_elsewhere, probe_in_air, probe_reads_low
from controller.courserules import Finding, Rule, acid_differs, cells_missing, course_late, knee_early, knee_late
from controller.coursetrace import Look

RULES = (
    Rule("joint_resistance", 1, joint_resistance),
    Rule("joint_hot", 1, joint_hot),
    Rule("cells_missing", 60, cells_missing),
    Rule("probe_reads_low", 30, probe_reads_low),
    Rule("probe_in_air", 30, probe_in_air),
    Rule("probe_elsewhere", 5, probe_elsewhere),
    Rule("knee_early", 5, knee_early),
    Rule("knee_late", 5, knee_late),
    Rule("acid_differs", 60, acid_differs),
    Rule("leads_crossed", 1, leads_crossed),
    Rule("course_late", 10, course_late),
)
"""How many minutes each must be over: edges and knees need none, what scatters an hour; own choice."""

BACK_MINUTES = 10
"""So many minutes back inside end an advice; own choice."""


@dataclass(frozen=True, slots=True)
class Stand:
    """How one rule stands for one circuit. `over`, `back`: minutes on end; `said`: the advice it gives (None: none)."""

    over: int = 0
    back: int = 0
    said: Advice | None = None


NONE = Stand()


def lasting(rule: Rule, before: Stand, found: Finding | None) -> Stand:
    """Return how a rule stands after this minute; one in which it could not judge changes nothing.

    A minute between its limit and its return value neither adds nor takes away.
    """
    if found is None:
        return before
    over = before.over + 1 if found.over else 0 if found.back else before.over
    back = before.back + 1 if found.back else 0
    if before.said is None:
        said = Advice(rule.code, found.value, found.limit) if found.over and over >= rule.minutes else None
        return Stand(over, back, said)
    if back >= min(BACK_MINUTES, rule.minutes):
        return Stand(0, back, None)
    # Inside its hysteresis an advice keeps the value with which it last was over: nobody reads of 3 K above 4 K.
    return Stand(over, back, Advice(rule.code, found.value, found.limit) if found.over else before.said)


def stands_of(look: Look, before: Mapping[str, Stand]) -> dict[str, Stand]:
    """Return how every rule stands for one circuit after this minute."""
    return {rule.code: lasting(rule, before.get(rule.code, NONE), rule.judge(look)) for rule in RULES}


def advice_of(stands: Mapping[str, Stand]) -> tuple[Advice, ...]:
    """Return what stands, in the order of the rules."""
    return tuple(said for rule in RULES if (said := stands.get(rule.code, NONE).said) is not None)
