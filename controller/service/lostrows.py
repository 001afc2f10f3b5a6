"""Rows of a bath's own (orders, alarms, proofs) that found no room in memory: told once there is room.

What is not safe yet stands in state.json, so that the next service tells it: rather twice than never.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from controller.records.statefile import BATH_LOST
from controller.records.writer import Writer


def lost_before(content: Mapping[str, Any]) -> int:
    """Return how many an earlier service lost and could not tell of; 0 for what is no count."""
    found = content.get(BATH_LOST)
    return found if type(found) is int and found > 0 else 0


class LostRows:
    """Follows a bath's count of lost rows."""

    def __init__(self) -> None:
        self._told = self._safe = 0
        self._pending = False
        self._mark: int | None = None

    def untold(self, lost: int) -> int:
        """Return how many of `lost` rows no disk knows of."""
        return lost - self._safe

    def look(self, lost: int, writer: Writer, tell: Callable[[int], bool]) -> None:
        """Once a cycle, before its events. `tell` says a number in the record; False: that found no room either."""
        if lost == self._safe:
            return
        mark, settled = writer.mark()
        if self._pending:
            # What was told in the cycle before is among what this mark stands for.
            self._pending, self._mark = False, mark
        if self._mark is not None and settled >= self._mark:
            self._mark, self._safe = None, self._told
        if self._mark is None and lost > self._told and writer.has_room and tell(lost - self._told):
            self._told, self._pending = lost, True
