"""How well a fit's parameters are known: standard errors and correlations from slopes and what was left. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.parameters import Array

FEW = 20
"""A series of fewer points says too little of its own scatter: at least its weight is taken."""
LEAST_SCATTER = 0.25
"""Of a longer series, least variance in weights: nobody's instruments are much better than their last digit."""
WINDOW = 5.0
"""Correlation is summed until so many of its own lengths (Sokal's window, from memory)."""


@dataclass(frozen=True, slots=True)
class Sureness:
    """Of n parameters: standard errors (of their logarithms, so relative), their correlations (n, n).

    `moved` (n, m): by how much each parameter follows each point.
    """

    error: Array
    correlation: Array
    moved: Array


def sureness(left: Array, slopes: Array, lengths: Sequence[int], odd: float) -> Sureness:
    """From differences (m,) and slopes (m, n) in weights; `lengths` of the series one behind the other.

    The loss counts a point beyond `odd` less, so that the bend of the loss and the pull of a point differ: the
    covariance is A^-1 B A^-1, with A from the bend and B from the pulls' variance in each series, that times the
    length over which they are alike (1: each by itself).
    """
    z = (left / odd) ** 2
    bend, pull = (1.0 + z) ** -1.5, left / np.sqrt(1.0 + z)
    inverse = np.linalg.pinv((slopes * bend[:, None]).T @ slopes, hermitian=True)
    spread = np.zeros_like(inverse)
    share = 1.0 - slopes.shape[1] / max(left.size, slopes.shape[1] + 1)
    begin = 0
    for length in lengths:
        part = slice(begin, begin + length)
        begin += length
        if length:
            fitted = float(np.trace(inverse @ (slopes[part] * bend[part, None]).T @ slopes[part]))
            variance = float(np.mean(pull[part] ** 2)) / share * alike(pull[part], fitted)
            variance = max(variance, 1.0 if length < FEW else LEAST_SCATTER)
            spread += variance * (slopes[part].T @ slopes[part])
    covariance = inverse @ spread @ inverse
    error = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    # A column without any slope has no inverse: nothing is known of it.
    error = np.where((slopes**2).sum(axis=0) > 0.0, error, np.inf)
    with np.errstate(all="ignore"):
        correlation = np.nan_to_num(covariance / np.outer(error, error))
    return Sureness(error, correlation, -inverse @ (slopes * bend[:, None]).T)


def alike(series: Array, fitted: float = 0.0) -> float:
    """Over how many points a series stays alike: 1 if independent, (1 + r)/(1 - r) where each keeps r of the last.

    The sum of its correlations, up to `WINDOW` times that sum; never below 1. What the fit took up (`fitted`
    parameters' worth) is missing in it, mostly from what stays alike for long: each takes about one of the
    series' own lengths, which is put back. No mean is taken off: an offset that stays is alike all along.
    """
    n = series.size
    power = float(series @ series)
    if n < FEW or power <= 0.0:
        return 1.0
    total, lag = 1.0, 0
    for lag in range(1, n // 2):
        total += 2.0 * float(series[lag:] @ series[:-lag]) / power
        if lag >= WINDOW * total:
            break
    return max(total * (1.0 + fitted * (2 * lag + 1) / n), 1.0)
