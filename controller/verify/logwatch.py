"""Rows of log.csv against the cycles of their moments: readings, decisions, counters; each has a cycle. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Command
from controller.records.head import Head
from controller.records.logrow import log_row
from controller.records.outside import number_of
from controller.records.rows import elapsed
from controller.records.saying import short
from controller.records.tables import LOG_COLUMNS
from controller.verify.duecheck import rows_at
from controller.verify.eventcheck import rows_behind
from controller.verify.olderrow import cells_of, not_as, older_row
from controller.verify.tally import Tally

DECIMALS = {"charge_Ah": 4, "discharge_Ah": 4, "energy_Wh": 2}
_FROM_CYCLES = tuple(name for name in LOG_COLUMNS if name not in ("time_utc", "chain"))

Cells = Mapping[str, str]


class LogWatch:
    """Holds each row against the cycle of the same moment, its readings and what it was decided again to.

    `wrong`: the first row that tells otherwise; `apart`: where counters leave those counted again; `at`: the numbers of
    the rows by their core time.
    """

    def __init__(self, head: Head, rows: Sequence[Cells], *, older: bool = False) -> None:
        """`older`: another build may have written the rows."""
        self.wrong: list[str] = []
        self.apart: list[str] = []
        self.at = rows_at(rows, head.start_ms)
        self._head = head
        self._rows = rows
        self._older = older
        self._tally_told: set[str] = set()
        self._met: set[int] = set()
        self._last_ms: int | None = None

    def decided(self, cin: CircuitIn, command: Command, after: CircuitState) -> None:
        """Compare all that a row tells of a cycle; the first row that does not fit is named."""
        here = self.at.get(cin.now_ms)
        if here is None or self.wrong:
            return
        made = log_row(0, cin, command, after, self._head.settings.stale_ms)
        allowed = [cells_of(made, self._head.start_ms)]
        if self._older:
            older = older_row(made, cin, after, self._head.settings.stale_ms)
            allowed.append(cells_of(older, self._head.start_ms))
        for number in here:
            told = not_as(self._rows[number - 1], allowed, _differs)
            if told and not self.wrong:
                self.wrong.append(f"log.csv:{number + 1}: row {number}: {told}")

    def counted(self, now_ms: int, tally: Tally) -> None:
        """Compare a row's counters with those counted again; where each begins to differ is named, with the amount."""
        self._last_ms = now_ms if self._last_ms is None else max(now_ms, self._last_ms)
        here = self.at.get(now_ms)
        if here is None:
            return
        self._met.add(now_ms)
        for number in here:
            for name, found in tally.sums().items():
                told = number_of(self._rows[number - 1].get(name, ""))
                # The last digit is rounded, and sums of many small parts differ in their last bits.
                if name in self._tally_told or told is None or abs(told - found) <= 10.0 ** -DECIMALS[name]:
                    continue
                self._tally_told.add(name)
                unit = name.rpartition("_")[2]
                self.apart.append(
                    f"log.csv:{number + 1}: row {number}: from here on {name} is not what the readings add up to: "
                    f"{told:.{DECIMALS[name]}f} told, {found:.{DECIMALS[name]}f} counted, {told - found:+.4f} {unit}"
                )

    def finish(self, silences: Sequence[tuple[int, int]], behind_ms: int = 0) -> tuple[list[str], list[str]]:
        """Rows that stand where no cycle is, those behind the last one in one sentence: what is wrong, and notes.

        `behind_ms`: for so long behind the last cycle rows may stand without one.
        """
        wrong, behind = [], []
        for now_ms in sorted(self.at.keys() - self._met):
            numbers = self.at[now_ms]
            if self._last_ms is None or now_ms > self._last_ms:
                behind.append((now_ms, numbers))
            elif not any(begin < now_ms < end for begin, end in silences):
                moment = elapsed(now_ms, self._head.start_ms)
                wrong += [f"log.csv:{number + 1}: row {number}: no cycle was at {moment} s" for number in numbers]
        if not behind:
            return wrong, []
        last_ms = self._head.start_ms if self._last_ms is None else self._last_ms
        in_blocks = behind_ms > 0 and behind[-1][0] - last_ms <= behind_ms
        told = rows_behind([number for _, numbers in behind for number in numbers], in_blocks=in_blocks)
        return (wrong, [f"log.csv: {told}"]) if in_blocks else ([*wrong, f"log.csv: {told}"], [])

    def without_cycle(self) -> set[int]:
        """Core times of rows at which no cycle is."""
        return set(self.at.keys() - self._met)


def _differs(row: Cells, wanted: Cells) -> str:
    """The first cell that a row tells otherwise than its cycle; "": none."""
    name = next((name for name in _FROM_CYCLES if row.get(name) != wanted[name]), None)
    return (
        "" if name is None else f"{name} is {short(row.get(name) or 'empty')}, the cycles give {wanted[name] or 'none'}"
    )
