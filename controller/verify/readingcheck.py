"""Rows of a log that another core decided, held against the readings and commands of their cycles.

What was read and what was commanded mean the same to every core; only what a core makes of it does not. Pure.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence

from controller.core.state import CircuitState
from controller.core.types import Quality
from controller.records.cycles import Cycle
from controller.records.head import Head
from controller.records.logrow import log_row
from controller.records.outside import number_of
from controller.records.rows import elapsed
from controller.verify.olderrow import cells_of, not_as, older_row

_COMPARED = ("set_current_A", "current_A", "voltage_V", "bath_C")
_LATELY = 3
"""Readings of each probe that a row's temperature may come from: believing takes as many."""
_HALF_DIGIT_C = 0.0051

Cells = Mapping[str, str]


class ReadingCheck:
    """Sees each cycle in order; `wrong` names the first row that tells otherwise, by its columns."""

    def __init__(self, head: Head, rows: Sequence[Cells]) -> None:
        """The rows of log.csv by their moment."""
        self.wrong: list[str] = []
        self._head = head
        self._lately: list[deque[float]] = []
        self._rows: dict[str, list[tuple[int, Cells]]] = {}
        for number, row in enumerate(rows, 1):
            self._rows.setdefault(row.get("elapsed_s", ""), []).append((number, row))

    def see(self, cycle: Cycle, state: CircuitState) -> None:
        """One cycle; `state`: one that was written before it, whose probes tell what was believed then."""
        probes = cycle.cin.reading.probes
        while len(self._lately) < len(probes):
            believed_C = [one.believed_C for one in state.probes[len(self._lately) :][:1] if one.believed_C is not None]
            self._lately.append(deque(believed_C, maxlen=_LATELY))
        for lately, value in zip(self._lately, probes, strict=False):
            if value.number is not None and value.quality in (Quality.GOOD, Quality.SUSPECT):
                lately.append(value.number)
        here = self._rows.get(elapsed(cycle.cin.now_ms, self._head.start_ms), ())
        if not here or self.wrong:
            return
        stale_ms = self._head.settings.stale_ms
        made = log_row(0, cycle.cin, cycle.command, state, stale_ms)
        allowed = [cells_of(made, self._head.start_ms)]
        allowed.append(cells_of(older_row(made, cycle.cin, state, stale_ms), self._head.start_ms))
        for number, row in here:
            said = not_as(row, allowed, self._differs)
            if said and not self.wrong:
                self.wrong.append(f"log.csv:{number + 1}: row {number}: {said}")

    def _differs(self, row: Cells, wanted: Cells) -> str:
        name = next((name for name in _COMPARED if row.get(name) != wanted[name]), None)
        if name is not None:
            return f"{name} is {row.get(name) or 'empty'}, the cycles give {wanted[name] or 'none'}"
        told_C = number_of(row.get("probe_C", ""))
        if told_C is None:
            return ""
        read_C = [number for lately in self._lately for number in lately]
        if read_C and min(read_C) - _HALF_DIGIT_C <= told_C <= max(read_C) + _HALF_DIGIT_C:
            return ""
        return f"probe_C is {told_C:.2f}, no probe read that"
