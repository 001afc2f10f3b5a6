"""Rows of events.csv that no program of this version writes: another target, or a code that it does not know. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from controller import words
from controller.core.types import EventKind
from controller.verify.eventcheck import CORE_EVENTS

_KNOWN = CORE_EVENTS | words.EVENTS.keys()


def strange_rows(rows: Sequence[Mapping[str, str]], circuit: str, core: int) -> list[str]:
    """The first row of a record of this core that is of another circuit, and the first of an unknown code."""
    found: dict[str, str] = {}
    for number, row in enumerate(rows, 1):
        code = row.get("code", "")
        if row.get("target") != circuit:
            found.setdefault("target", f"row {number}: is of {_short(row.get('target', ''))}, not of this circuit")
        if row.get("kind") == EventKind.EVENT.value and code not in _KNOWN:
            found.setdefault("code", f"row {number}: {_short(code)} is not a code of core {core}")
        if row.get("kind") != EventKind.EVENT.value and not row.get("elapsed_s"):
            found.setdefault("moment", f"row {number}: {_short(code)} has no moment of the run")
    return [f"events.csv:{int(said.split(' ')[1][:-1]) + 1}: {said}" for said in found.values()]


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
