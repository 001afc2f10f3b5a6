"""How sure a figure of a sample is: quantiles and shares with their intervals, and which input moves an output. Pure.

Nothing here assumes how a figure is distributed. The intervals are at 95 % and speak of chance alone: that a larger
study of the same model would come out within them, not that the plant does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.parameters import Array

LEVEL = 0.95
Z = 1.959963984540054
"""Standard normal quantile of 97.5 %."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A quantile of a sample and where the true one lies; `low`, `high` None: the sample is too small to say."""

    value: float
    low: float | None
    high: float | None

    @property
    def beside(self) -> float | None:
        """The farther of both ends, from the value; None where one end is not known."""
        if self.low is None or self.high is None:
            return None
        return max(self.value - self.low, self.high - self.value)


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, in per cent, and where the true share lies."""

    count: int
    of: int
    percent: float
    low: float
    high: float


def order_ranks(count: int, share: float, level: float = LEVEL) -> tuple[int | None, int | None]:
    """Ranks (from 1) of the two values of a sorted sample that hold the quantile `share` between them at `level`.

    Distribution free: the number of values below the true quantile is binomial (Conover, Practical Nonparametric
    Statistics, 3rd ed. 1999, section 3.2). None: no value of so small a sample is far enough out.
    """
    if count < 1 or not 0.0 < share < 1.0:
        return None, None
    below = _binomial(count, share)
    rest = (1.0 - level) / 2.0
    low = int(np.searchsorted(below, rest, side="right"))
    high = int(np.searchsorted(below, 1.0 - rest, side="left")) + 1
    return (low or None), (high if high <= count else None)


def _binomial(count: int, share: float) -> Array:
    """P(at most k of `count`), k = 0 .. count, in logarithms so that no term of a large sample vanishes."""
    k = np.arange(count)
    ratios = np.log((count - k) / (k + 1.0)) + math.log(share / (1.0 - share))
    terms = np.concatenate([[0.0], np.cumsum(ratios)]) + count * math.log1p(-share)
    return np.asarray(np.minimum(np.cumsum(np.exp(terms)), 1.0))


def estimate(values: Array, share: float) -> Estimate | None:
    """A quantile with its interval, of the values that are there; None where there are none.

    Between two values it is interpolated in a straight line (Hyndman and Fan 1996, type 7, as numpy does).
    """
    there = np.sort(values[np.isfinite(values)])
    if not there.size:
        return None
    low, high = order_ranks(there.size, share)
    return Estimate(
        value=float(np.quantile(there, share)),
        low=None if low is None else float(there[low - 1]),
        high=None if high is None else float(there[high - 1]),
    )


def share_of(count: int, of: int) -> Share:
    """A share with the score interval (Wilson 1927), which stays sensible at 0 and at 100 %."""
    if of < 1:
        return Share(0, 0, 0.0, 0.0, 100.0)
    p, z2 = count / of, Z * Z / of
    middle = (p + z2 / 2.0) / (1.0 + z2)
    half = Z / (1.0 + z2) * math.sqrt(p * (1.0 - p) / of + z2 / (4.0 * of))
    low = 0.0 if count == 0 else max(0.0, middle - half)
    high = 1.0 if count == of else min(1.0, middle + half)
    return Share(count, of, 100.0 * p, 100.0 * low, 100.0 * high)


def ranks(values: Array) -> Array:
    """Ranks from 1; equal values share the mean of theirs."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    return np.asarray((last - (counts - 1) / 2.0)[inverse], dtype=float)


def spearman(x: Array, y: Array) -> float | None:
    """Rank correlation of two samples (Spearman 1904), -1 to 1; None below 3 pairs, or where one never varies."""
    there = np.isfinite(x) & np.isfinite(y)
    if int(there.sum()) < 3:
        return None
    a, b = ranks(x[there]), ranks(y[there])
    a, b = a - a.mean(), b - b.mean()
    size = math.sqrt(float((a * a).sum()) * float((b * b).sum()))
    return float((a * b).sum()) / size if size > 0.0 else None


def by_chance(count: int) -> float:
    """What one in a thousand rank correlations of independent numbers exceeds: 3.291/sqrt(n - 1), for large n."""
    return 3.2905267314919 / math.sqrt(max(count - 1, 1))


@dataclass(frozen=True, slots=True)
class Influence:
    """How closely an output follows an input, by ranks."""

    input: str
    correlation: float


def strongest(inputs: Array, names: Sequence[str], output: Array, most: int = 3) -> tuple[Influence, ...]:
    """The inputs (columns) that an output follows most, strongest first; those within chance are left out."""
    least = by_chance(int(np.isfinite(output).sum()))
    found = []
    for at, name in enumerate(names):
        correlation = spearman(inputs[:, at], output)
        if correlation is not None and abs(correlation) > least:
            found.append(Influence(name, correlation))
    found.sort(key=lambda each: -abs(each.correlation))
    return tuple(found[:most])
