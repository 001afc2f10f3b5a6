"""Numbers as people type them: plain ASCII digits and nothing that only a programming language would read. Pure."""

from __future__ import annotations

import math
import re

LONGEST = 40
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_WHOLE = re.compile(r"[+-]?[0-9]+")


def is_number(text: str) -> bool:
    """Whether a text is one number and nothing else; it may be too large to compute with."""
    return len(text) <= LONGEST and _NUMBER.fullmatch(text) is not None


def number_of(text: str) -> float | None:
    """The number that a text says, None where it says none: no `3_1`, no other script's digits, no infinity."""
    if not is_number(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def whole_of(text: str) -> int | None:
    """The whole number that a text says, None where it says none."""
    return int(text) if len(text) <= LONGEST and _WHOLE.fullmatch(text) is not None else None
