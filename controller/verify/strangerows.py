"""Rows of events.csv that no program of this version writes: another target, or a code that it does not know. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from controller import words
from controller.core.types import EventKind
from controller.verify.eventcheck import CORE_EVENTS
from controller.verify.telling import quoted

_SHOWN = 40
"""Characters of a cell in a finding."""
_KNOWN = CORE_EVENTS | words.EVENTS.keys()


def strange_rows(rows: Sequence[Mapping[str, str]], circuit: str, core: int) -> list[str]:
    """The first row of a record of this core that is of another circuit, and the first of an unknown code."""
    found: dict[str, tuple[int, str]] = {}
    for number, row in enumerate(rows, 1):
        code = row.get("code", "")
        if row.get("target") != circuit:
            found.setdefault("target", (number, f"is of {quoted(row.get('target', ''), _SHOWN)}, not of this circuit"))
        if row.get("kind") == EventKind.EVENT.value and code not in _KNOWN:
            found.setdefault("code", (number, f"{quoted(code, _SHOWN)} is not a code of core {core}"))
        if row.get("kind") != EventKind.EVENT.value and not row.get("elapsed_s"):
            found.setdefault("moment", (number, f"{quoted(code, _SHOWN)} has no moment of the run"))
    return [f"events.csv:{number + 1}: row {number}: {said}" for number, said in found.values()]
