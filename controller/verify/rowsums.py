"""Charge and energy from the rows of log.csv alone, and how far that can be off: for cycles that cannot be read.

Between two rows current and power are taken as a straight line. It may have run anywhere between its two ends, so each
interval can be off by its length times their difference. One that lasts longer than the bath's stale time and than a
row may come late, or stands near a row without a reading, holds a silence, in which nothing is counted: it counts as at
most one such interval, which may be off by all of it, and by a minute whose rows a crash may have taken. Once,
anywhere, an interval may hold a dip or a peak that no row shows (own choice). Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.verify.losses import TAIL_MS
from controller.verify.tally import COUNTED, above_zero

_LATE = 1.5
"""So many cycles later than usual a row may come: one, and half of one for cycles that are late (own choice)."""
_NEAR = 2
"""Rows beside one without a reading that may still tell the last one before it (own choice)."""
_STEPS = {"charge_Ah": 0.0005, "discharge_Ah": 0.0005, "energy_Wh": 0.5}
"""Half the last digit of current in A; of power in W at some 300 V and 15 A, where volts have three decimals too."""
_LAST_DIGIT = {"charge_Ah": 1e-4, "discharge_Ah": 1e-4, "energy_Wh": 1e-2}


@dataclass(frozen=True, slots=True)
class Moment:
    """One row: elapsed time, current and power read (None: not), and the three counters that it tells.

    `asked`: what was asked for, as the flow into each counter (A, A, W): at most as much flowed while no row is there.
    """

    elapsed_s: float
    current_A: float | None
    power_W: float | None
    told: tuple[float, float, float]
    asked: tuple[float, float, float] = (0.0, 0.0, 0.0)


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


@dataclass(frozen=True, slots=True)
class Pace:
    """How far apart rows stand: the usual distance, and the longest one that holds no silence; both in s."""

    usual_s: float
    longest_s: float


def row_sums(
    moments: Sequence[Moment], period_s: float | None = None, stale_s: float = 0.0, usual_s: float | None = None
) -> list[RowSum]:
    """The three counters from the rows; none where there are fewer than two.

    `period_s`: the bath's cycle (None: not known, then as long as the usual distance of rows); `stale_s`: a silence
    that is not longer is counted across; `usual_s`: how far apart rows stand while nothing changes (None: as most do).
    """
    if len(moments) < 2:
        return []
    pace = pace_of(moments, period_s, stale_s, usual_s)
    return [_sum_of(moments, index, name, pace) for index, name in enumerate(COUNTED)]


def pace_of(moments: Sequence[Moment], period_s: float | None, stale_s: float, usual_s: float | None = None) -> Pace:
    """The pace of at least two rows; a short run's rows, most of them at changes, do not tell their usual distance."""
    usual_s = usual_interval_s(moments) if usual_s is None else usual_s
    late_s = _LATE * (usual_s if period_s is None else period_s)
    return Pace(usual_s, max(stale_s, usual_s + late_s))


def usual_interval_s(moments: Sequence[Moment]) -> float:
    """The most frequent distance of two rows, to the second; of equally frequent ones the longest."""
    lengths = Counter(max(1, round(after.elapsed_s - before.elapsed_s)) for before, after in pairwise(moments))
    return float(max(lengths.items(), key=lambda item: (item[1], item[0]))[0])


def _sum_of(moments: Sequence[Moment], index: int, name: str, pace: Pace) -> RowSum:
    series = [_flow(moment, name) for moment in moments]
    highest = max((flow for flow in series if flow is not None), default=0.0)
    most = max(highest, *(moment.asked[index] for moment in moments), 0.0)
    begin = moments[0].told[index]
    # What one interval may hide is allowed once, from the beginning on.
    bound = max(highest, 0.0) * pace.usual_s / 3600 + 2 * _LAST_DIGIT[name]
    found = 0.0
    wrong = None
    for row, (before, after) in enumerate(pairwise(range(len(moments))), 2):
        length_s = moments[after].elapsed_s - moments[before].elapsed_s
        first, last = series[before], series[after]
        silent = None in series[max(0, before - _NEAR) : after + _NEAR + 1]
        if first is None or last is None or silent or not 0.0 <= length_s <= pace.longest_s:
            length_s = max(length_s, 0.0)
            known = [max(flow, 0.0) for flow in (first, last) if flow is not None] or [highest]
            grown = max(known) * min(length_s, pace.usual_s) / 3600 / 2
            unsure = most * min(length_s, pace.longest_s + TAIL_MS / 1000) / 3600
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
