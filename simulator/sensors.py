"""What the plant's instruments show: lag, offset, noise, steps of the reading, and how probes fail."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.parameters import Array

PROBE_LAG_S = 60.0
IN_AIR_LAG_S = 180.0
WATER_LAG_S = 20.0
OFFSET_K = 0.25  # standard deviation, a class B resistance probe
NOISE_K = 0.03
STEP_K = 0.1
NOISE_V = 0.02
IN_AIR_SHARE = 0.05  # of the battery's warmth that a probe hanging above it still feels


@dataclass(frozen=True, slots=True)
class Noise:
    """The draws of one cycle, always the same number in the same order, whatever is broken."""

    volts: Array
    probes: Array
    water: Array


def draw_noise(random: np.random.Generator, circuits: int, probes: int, water: int) -> Noise:
    """Standard normal numbers for all instruments."""
    draws = random.standard_normal(circuits + probes + water)
    return Noise(draws[:circuits], draws[circuits : circuits + probes], draws[circuits + probes :])


class Probes:
    """Temperature probes, shape (p,): each follows its place through a lag.

    `kind` of failure by probe: lost, frozen, in_air; `drift_K_h` a drift in kelvins an hour.
    """

    def __init__(self, start_C: Array, offset_K: Array, lag_s: float) -> None:
        self.inside_C = start_C.copy()
        self.offset_K = offset_K
        self.lag_s = lag_s
        count = start_C.shape[0]
        self.lost: NDArray[np.bool_] = np.zeros(count, dtype=bool)
        self.frozen: NDArray[np.bool_] = np.zeros(count, dtype=bool)
        self.in_air: NDArray[np.bool_] = np.zeros(count, dtype=bool)
        self.drift_K_h = np.zeros(count)
        self.drifted_K = np.zeros(count)
        self.shown_C = np.round((start_C + offset_K) / STEP_K) * STEP_K

    def advance(self, place_C: Array, air_C: float, dt_s: float | Array, noise: Array) -> None:
        """Go on by `dt_s` seconds (for all, or each probe's own) at whose end the places have these temperatures."""
        near = np.where(self.in_air, air_C + IN_AIR_SHARE * (place_C - air_C), place_C)
        fade = np.where(self.in_air, _fade(dt_s, IN_AIR_LAG_S), _fade(dt_s, self.lag_s))
        self.inside_C = near + (self.inside_C - near) * fade
        self.drifted_K = np.where(self.drift_K_h == 0.0, 0.0, self.drifted_K + self.drift_K_h * (dt_s / 3600.0))
        shown = self.inside_C + self.offset_K + self.drifted_K + NOISE_K * noise
        self.shown_C = np.where(self.frozen, self.shown_C, np.round(shown / STEP_K) * STEP_K)

    def values(self) -> list[float | None]:
        """What each shows; None: no value."""
        pairs = zip(self.shown_C.tolist(), self.lost.tolist(), strict=True)
        return [None if lost else round(shown, 6) for shown, lost in pairs]


def _fade(dt_s: float | Array, lag_s: float) -> float | Array:
    """What is left of a difference after so long; one time for all probes is taken as a plain number."""
    return math.exp(-dt_s / lag_s) if isinstance(dt_s, float) else np.asarray(np.exp(-dt_s / lag_s))


def probe_offsets(random: np.random.Generator | None, count: int) -> Array:
    """Offsets of `count` probes in kelvins, cut at three sigma; exact probes without a generator."""
    if random is None:
        return np.zeros(count)
    return OFFSET_K * np.clip(random.standard_normal(count), -3.0, 3.0)


def shown_volts(true_V: Array, error_V: Array, noise: Array, step_V: float) -> Array:
    """Volts in the steps of the reading."""
    return np.round((true_V + error_V + NOISE_V * noise) / step_V) * step_V
