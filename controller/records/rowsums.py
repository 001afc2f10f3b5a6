"""Charge and energy from the rows of log.csv alone, and how far that can be off: for cycles that cannot be read.

Between two rows current and power are taken as a straight line. It may have run anywhere between its two ends, so each
interval can be off by its length times their difference. One that lasts clearly longer than the usual one, or stands
near a row without a reading, holds a silence, in which nothing is counted: it counts as at most one usual interval that
may be off by all of it. Once, anywhere, a usual interval may hold a dip or a peak that no row shows (own choice). Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.records.tally import COUNTED, above_zero

_LONG = 1.5
"""An interval above so many usual ones holds a silence (own choice)."""
_NEAR = 2
"""Rows beside one without a reading that may still tell the last one before it (own choice)."""
_STEPS = {"charge_Ah": 0.0005, "discharge_Ah": 0.0005, "energy_Wh": 0.5}
"""Half the last digit of current in A; of power in W at some 300 V and 15 A, where volts have three decimals too."""
_LAST_DIGIT = {"charge_Ah": 1e-4, "discharge_Ah": 1e-4, "energy_Wh": 1e-2}


@dataclass(frozen=True, slots=True)
class Moment:
    """One row: elapsed time, current and power read (None: not), and the three counters that it tells."""

    elapsed_s: float
    current_A: float | None
    power_W: float | None
    told: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class RowSum:
    """A counter as the rows give it: what it grew by, at most how far that may be off, and what log.csv says.

    `row`: the first row, from 1, at which log.csv is further away than that (None: it never is).
    """

    name: str
    found: float
    bound: float
    told: float
    row: int | None


def row_sums(moments: Sequence[Moment]) -> list[RowSum]:
    """The three counters from the rows; none where there are fewer than two."""
    if len(moments) < 2:
        return []
    usual_s = usual_interval_s(moments)
    return [_sum_of(moments, index, name, usual_s) for index, name in enumerate(COUNTED)]


def usual_interval_s(moments: Sequence[Moment]) -> float:
    """The most frequent distance of two rows, to the second; of equally frequent ones the longest."""
    lengths = Counter(max(1, round(after.elapsed_s - before.elapsed_s)) for before, after in pairwise(moments))
    return float(max(lengths.items(), key=lambda item: (item[1], item[0]))[0])


def _sum_of(moments: Sequence[Moment], index: int, name: str, usual_s: float) -> RowSum:
    series = [_flow(moment, name) for moment in moments]
    highest = max((flow for flow in series if flow is not None), default=0.0)
    begin = moments[0].told[index]
    # What one interval may hide is allowed once, from the beginning on.
    bound = max(highest, 0.0) * usual_s / 3600 + 2 * _LAST_DIGIT[name]
    found = 0.0
    wrong = None
    for row, (before, after) in enumerate(pairwise(range(len(moments))), 2):
        length_s = moments[after].elapsed_s - moments[before].elapsed_s
        first, last = series[before], series[after]
        silent = None in series[max(0, before - _NEAR) : after + _NEAR + 1]
        if first is None or last is None or silent or not 0.0 <= length_s <= _LONG * usual_s:
            hours = min(max(length_s, 0.0), usual_s) / 3600
            known = [max(flow, 0.0) for flow in (first, last) if flow is not None] or [highest]
            grown, unsure = max(known) * hours / 2, max(highest, 0.0) * hours
        else:
            hours = length_s / 3600
            grown = above_zero(first, last) * hours
            unsure = (abs(last - first) + _STEPS[name]) * hours
        found += grown
        bound += unsure
        if wrong is None and abs(moments[after].told[index] - begin - found) > bound:
            wrong = row
    return RowSum(name, found, bound, moments[-1].told[index] - begin, wrong)


def _flow(moment: Moment, name: str) -> float | None:
    if name == "energy_Wh":
        return moment.power_W
    if moment.current_A is None:
        return None
    return moment.current_A if name == "charge_Ah" else -moment.current_A
