"""Which alarms of a run trip it, and which reduce its current: one rule for whoever counts them from events.csv. Pure.

It loads the table of all laws: who opens a record quickly asks for it only where there is an alarm to judge.
"""

from __future__ import annotations

from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.types import Reaction


def _codes(reaction: Reaction) -> frozenset[str]:
    return frozenset(
        [law.code for law in CIRCUIT_LAWS if law.reaction is reaction]
        + [law.code for law in BATH_LAWS if law.reaction is reaction]
    )


TRIPS, DERATES = _codes(Reaction.TRIP), _codes(Reaction.DERATE)


def is_trip(code: str) -> bool:
    """Return whether an alarm's code in events.csv (`law:life`) tells that one came that trips, told or silent."""
    return _came(code, TRIPS)


def is_derate(code: str) -> bool:
    """Return whether an alarm's code in events.csv tells that one came that reduces current, told or silent."""
    return _came(code, DERATES)


def _came(code: str, laws: frozenset[str]) -> bool:
    law, _, life = code.partition(":")
    return law in laws and life.startswith("new")
