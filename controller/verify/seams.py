"""States that a record's cycles do not lead to, and what explains them. Pure.

Between two cycles a circuit is changed by three things only: an order of the bath (alarms come off the shelf, a grave
cause was looked at), a service that ends (a running circuit is held), a service that begins (nothing of the old one's
commands and sensors counts any more).
"""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from enum import Enum, StrEnum
from typing import Any

from controller.core.moves import interrupted, restarted
from controller.core.state import CircuitState
from controller.core.table import Cause
from controller.core.types import HELD, RUNNING
from controller.records.saying import short


class Seam(StrEnum):
    """What changed a circuit between two cycles."""

    BATH_ORDER = "order of the bath"
    SERVICE_ENDED = "service ended"
    RESTART = "restart"
    UNKNOWN = "unknown"


_ENUM = re.compile(r"<\w+\.(\w+): ('?\w[^<>]*)>")
BY_BATH_ORDER = frozenset({"alarms", "revision", "resume_for"})
"""Fields of a circuit that an order of its bath may change beside the circuit's own decision."""


def seam(led_to: CircuitState, start: CircuitState) -> Seam:
    """What explains that a circuit stands at `start` where its cycles led to `led_to`."""
    if differing(led_to, start) <= BY_BATH_ORDER:
        return Seam.BATH_ORDER
    run = start.run
    if led_to.state in (RUNNING, HELD) and run is not None and run.interruption is not None:
        held = interrupted(led_to, Cause.HOLD, run.interruption.code, led_to.now_ms)
        if differing(held, start) <= BY_BATH_ORDER:
            return Seam.SERVICE_ENDED
    return Seam.RESTART if differing(restarted(led_to), start) <= BY_BATH_ORDER else Seam.UNKNOWN


def differing(one: CircuitState, other: CircuitState) -> set[str]:
    """Names of the fields in which two states differ."""
    return {field.name for field in fields(CircuitState) if getattr(one, field.name) != getattr(other, field.name)}


def first_difference(one: Any, other: Any, name: str = "") -> str:
    """The first innermost field in which two values differ, as `name is X, not Y`."""
    if is_dataclass(one) and type(one) is type(other):
        for field in fields(one):
            ours, theirs = getattr(one, field.name), getattr(other, field.name)
            if ours != theirs:
                return first_difference(ours, theirs, f"{name}.{field.name}" if name else field.name)
    return f"{name} is {shown(other)}, not {shown(one)}"


def shown(value: Any) -> str:
    """A value as a finding tells it: words of the record, not of the program."""
    if isinstance(value, Enum):
        return str(value.value if isinstance(value.value, str) else value.name.lower())
    return short(_ENUM.sub(lambda found: found[2] if found[2].startswith("'") else found[1].lower(), repr(value)))
