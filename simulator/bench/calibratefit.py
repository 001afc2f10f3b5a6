"""The fit: which parameters the runs tell, how well, and what they leave open.

Least squares over voltage, probe and density at once, with a loss that lets single odd points weigh less. How well a
parameter is known is read from the slopes at the end (J^T J) with the scatter that was really left, and scatter that
stays the same from point to point counts by its own length, not by its number of points. tests/bench shows that of 100
runs with known parameters about 95 have the true value within the interval that is stated.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from profiles.problems import InputError, Problem
from simulator.bench.calibratecourse import Course
from simulator.bench.calibratemodel import FITTED, simulated
from simulator.bench.calibratesure import Sureness, sureness
from simulator.modelfile import RANGES
from simulator.parameters import Array, CellParameters

VOLTS_V, PROBE_K, DENSITY_KG_M3 = 2e-3, 0.3, 1.0
"""What a point of each kind weighs: as if it scattered by so much; own choice, about an instrument's last digit."""
CLIP_V = 0.080
"""At the knee a small shift in time is half a volt: beyond this a point counts no further. Own choice."""
ODD = 3.0
"""Beyond so many of its weights a point counts as odd: its pull no longer grows."""
STRIDE = 0.005
"""Slopes are taken over a change of a parameter by this share, upwards and downwards."""
MOST_RELATIVE_ERROR = 0.15
"""A parameter known worse than this keeps its base value; own choice: beyond it its interval says nothing."""
MOST_CORRELATION = 0.95
MOST_VOLTS_V, MOST_PROBE_K = 0.030, 2.0
"""A fit that leaves more than this (root mean square) explains nothing and is refused; own choice."""
OFFSET_K, OFFSET_V = 0.25, 0.003
"""Constant errors that no fit can see: a class B probe's, and 0.1 % of a full scale of 360 V over 108 cells."""
NEAR_VOLTS_V, NEAR_PROBE_K = 0.015, 1.0
"""A base that leaves less than this needs no search one by one; own choice."""
LEAST_POINTS = 3
FAR = 1e4


@dataclass(frozen=True, slots=True)
class Left:
    """What the fit leaves of one kind of point: root mean square in its own unit (None: no point), and their number."""

    rms: float | None
    points: int


@dataclass(frozen=True, slots=True)
class Told:
    """One parameter: `factor` on its base value, relative standard `error`, `why` it keeps its base ("": it does not).

    `by_probe`, `by_volts`: by which share it would move if the probe showed 0.25 K, or the voltmeter 3 mV a cell, more.
    """

    name: str
    factor: float = 1.0
    error: float | None = None
    why: str = ""
    by_probe: float = 0.0
    by_volts: float = 0.0


@dataclass(frozen=True, slots=True)
class Fit:
    """The outcome. `pairs`: correlations of what was found, strongest first; `refusal` ("": none) of the whole fit."""

    told: tuple[Told, ...]
    volts: Left
    probe: Left
    density: Left
    pairs: tuple[tuple[str, str, float], ...]
    passes: int
    refusal: str = ""


@dataclass(slots=True)
class Bench:
    """The runs, and the model beside them. `passes` counts how often all of them were simulated."""

    base: CellParameters
    courses: Sequence[Course]
    air_C: float
    passes: int = 0

    def differences(self, factors: Mapping[str, Array]) -> list[Array]:
        """Model less reading, in weights: for each run its voltage, probe and density, shape (points, sets)."""
        found = []
        self.passes += 1
        for course in self.courses:
            seen = simulated(self.base, course, factors, self.air_C)
            found.append((seen.volts - course.volts_V_per_cell[:, None]) / VOLTS_V)
            found.append((seen.probe - course.probe_C[:, None]) / PROBE_K)
            found.append((seen.density - course.density_kg_m3[:, None]) / DENSITY_KG_M3)
        return [np.nan_to_num(one, nan=FAR, posinf=FAR, neginf=-FAR) for one in found]

    def slopes(
        self, names: Sequence[str], theta: Array, others: Mapping[str, float]
    ) -> tuple[list[Array], list[Array]]:
        """Differences at `theta` (logarithms of the factors) and their slopes, all parameter sets in one array."""
        count = len(names)
        sets = np.tile(theta[:, None], (1, 2 * count + 1))
        for index in range(count):
            sets[index, 1 + index] += STRIDE
            sets[index, 1 + count + index] -= STRIDE
        factors = {name: np.full(2 * count + 1, value) for name, value in others.items()}
        factors.update({name: np.exp(sets[index]) for index, name in enumerate(names)})
        all_ = self.differences(factors)
        return [one[:, 0] for one in all_], [
            (one[:, 1 : 1 + count] - one[:, 1 + count :]) / (2 * STRIDE) for one in all_
        ]


@dataclass(slots=True)
class _Target:
    """What least_squares asks for: differences and slopes of one pass, kept so that it is made once."""

    bench: Bench
    names: Sequence[str]
    others: Mapping[str, float]
    clip: float
    last: tuple[bytes, Array, Array] | None = None
    whole: list[Array] = field(default_factory=list)  # the differences of the last pass, unclipped, by run and kind

    def at(self, theta: Array) -> tuple[Array, Array]:
        """Differences, and slopes: none where a voltage is beyond the clip."""
        key = theta.tobytes()
        if self.last is None or self.last[0] != key:
            self.whole, slopes = self.bench.slopes(self.names, theta, self.others)
            parts = list(self.whole)
            for index in range(0, len(parts), 3):
                slopes[index] = np.where(np.abs(parts[index])[:, None] < self.clip, slopes[index], 0.0)
                parts[index] = np.clip(parts[index], -self.clip, self.clip)
            self.last = (key, np.concatenate(parts), np.concatenate(slopes))
        return self.last[1], self.last[2]


def least_squares() -> Callable[..., Any]:
    """scipy's; raises InputError with what to install where it is missing."""
    try:
        return importlib.import_module("scipy.optimize").least_squares  # type: ignore[no-any-return]
    except ImportError:
        what = "needs scipy, which is not installed: install formbath[bench], or scipy by itself"
        raise InputError([Problem("calibrate", None, "", what)]) from None


def fit(
    base: CellParameters,
    courses: Sequence[Course],
    air_C: float,
    *,
    in_order: bool = True,
    tell: Callable[[str], None] = lambda _: None,
) -> Fit:
    """Fit what the runs can tell; `in_order`: from a far base one parameter after the other first, to find the way."""
    solve = least_squares()
    bench = Bench(base, courses, air_C)
    factors = dict.fromkeys(FITTED, 1.0)
    why, near = _first_look(bench)
    if in_order and not near:
        for name in [name for name in FITTED if name not in why]:
            tell(name)
            factors[name] = _one(solve, bench, name, factors)
    while True:
        names = [name for name in FITTED if name not in why]
        factors.update(dict.fromkeys(why, 1.0))
        if not names:
            parts = bench.differences({name: np.array([factor]) for name, factor in factors.items()})
            return _outcome(bench, names, factors, why, None, _all_left(parts))
        tell("all together")
        target = _Target(bench, names, _others(names, factors), CLIP_V / VOLTS_V)
        theta = _together(solve, target, factors)
        factors.update(zip(names, np.exp(theta).tolist(), strict=True))
        sure = sureness(*target.at(theta), _lengths(courses), ODD)
        left = _all_left(target.whole)
        if _refusal(*left[:2]):
            return _outcome(bench, [], factors, why, None, left)
        worst = _worst(base, names, factors, sure)
        if worst is None:
            return _outcome(bench, names, factors, why, sure, left)
        why[worst[0]] = worst[1]


def _others(names: Sequence[str], factors: Mapping[str, float]) -> dict[str, float]:
    return {name: factor for name, factor in factors.items() if name not in names}


def _lengths(courses: Sequence[Course]) -> list[int]:
    """Points of each series, as they stand one behind the other."""
    return [size for one in courses for size in (one.volts_at.size, one.probe_at.size, one.density_at.size)]


def _bounds(base: CellParameters, name: str) -> tuple[float, float]:
    """Logarithms of the smallest and largest factor that keep a parameter in its range, of a pair both."""
    value = getattr(base, name)
    values = value if isinstance(value, tuple) else (value,)
    low, high = RANGES[name]
    high = min(high, 0.98 * base.sulfate_most) if name == "sulfate" else high
    low = max(low, 1.02 * base.sulfate) if name == "sulfate_most" else low
    return float(np.log(max(max(low, 1e-9) / one for one in values))), float(np.log(min(high / one for one in values)))


def _first_look(bench: Bench) -> tuple[dict[str, str], bool]:
    """What cannot be found whatever the others are, and why; and whether the base is near already."""
    readings = sum(course.density_at.size for course in bench.courses)
    why = {name: "its base is 0" for name in FITTED if not np.all(np.asarray(getattr(bench.base, name)) > 0.0)}
    if readings == 0:
        why["sulfate"] = "no density was read"
    names = [name for name in FITTED if name not in why]
    parts, slopes = bench.slopes(names, np.zeros(len(names)), dict.fromkeys(why, 1.0))
    weights = np.sqrt(sum((one**2).sum(axis=0) for one in slopes))
    for name, weight in zip(names, weights.tolist(), strict=True):
        if weight * MOST_RELATIVE_ERROR < 1.0:
            why[name] = "these runs do not show it"
    volts, probe = _left(parts[0::3], VOLTS_V).rms or 0.0, _left(parts[1::3], PROBE_K).rms or 0.0
    return why, volts < NEAR_VOLTS_V and probe < NEAR_PROBE_K


def _one(solve: Callable[..., Any], bench: Bench, name: str, factors: Mapping[str, float]) -> float:
    """The factor of one parameter, the others as they are; no voltage clipped, so that a far knee is still seen."""
    target = _Target(bench, [name], _others([name], factors), np.inf)
    low, high = _bounds(bench.base, name)
    found = solve(
        lambda theta: target.at(theta)[0], [float(np.clip(np.log(factors[name]), low + 1e-6, high - 1e-6))],
        jac=lambda theta: target.at(theta)[1], bounds=([low], [high]), loss="soft_l1", f_scale=ODD, xtol=1e-2,
        ftol=1e-2, max_nfev=3,
    )  # fmt: skip
    return float(np.exp(found.x[0]))


def _together(solve: Callable[..., Any], target: _Target, factors: Mapping[str, float]) -> Array:
    """Logarithms of the factors of all of them."""
    bounds = np.array([_bounds(target.bench.base, name) for name in target.names])
    start = np.clip(np.log([factors[name] for name in target.names]), bounds[:, 0] + 1e-6, bounds[:, 1] - 1e-6)
    # Counted from 1, so that a step is small when it is small beside 1, not beside a distance that may be nothing.
    found = solve(
        lambda x: target.at(x - 1.0)[0], start + 1.0, jac=lambda x: target.at(x - 1.0)[1],
        bounds=(bounds[:, 0] + 1.0, bounds[:, 1] + 1.0), loss="soft_l1", f_scale=ODD, x_scale=0.1, xtol=3e-5, ftol=1e-5,
        max_nfev=30,
    )  # fmt: skip
    return np.asarray(found.x, dtype=np.float64) - 1.0


def _worst(
    base: CellParameters, names: Sequence[str], factors: Mapping[str, float], sure: Sureness
) -> tuple[str, str] | None:
    """The parameter that must keep its base value first, and why; None: all are well determined."""
    for name in names:
        low, high = _bounds(base, name)
        if not low + 1e-3 < np.log(factors[name]) < high - 1e-3:
            return name, "ends at the limit of its range"
    at = int(np.argmax(sure.error))
    if not sure.error[at] <= MOST_RELATIVE_ERROR:
        return names[at], f"known to +-{min(100.0 * sure.error[at], 999.0):.0f} % only"
    for later in range(len(names) - 1, 0, -1):
        for earlier in range(later):
            r = sure.correlation[earlier, later]
            if abs(r) > MOST_CORRELATION:
                return names[later], f"not told apart from {names[earlier]} ({r:+.2f})"
    return None


def _outcome(
    bench: Bench, names: Sequence[str], factors: Mapping[str, float], why: Mapping[str, str], sure: Sureness | None,
    left: tuple[Left, Left, Left],
) -> Fit:  # fmt: skip
    told = []
    for name in FITTED:
        if name in why or sure is None:
            told.append(Told(name, why=why.get(name, "")))
            continue
        at = list(names).index(name)
        told.append(Told(name, factors[name], float(sure.error[at]), "", *_moved(bench, sure, at)))
    volts, probe, density = left
    pairs = [
        (names[one], names[two], float(sure.correlation[one, two]))
        for two in range(len(names))
        for one in range(two)
        if sure is not None
    ]
    pairs.sort(key=lambda pair: -abs(pair[2]))
    return Fit(tuple(told), volts, probe, density, tuple(pairs), bench.passes, _refusal(volts, probe))


def _moved(bench: Bench, sure: Sureness, at: int) -> tuple[float, float]:
    """By which share a parameter would move, if the probe or the voltmeter showed a constant amount more."""
    begin, by = 0, [0.0, 0.0, 0.0]
    for index, length in enumerate(_lengths(bench.courses)):
        by[index % 3] += float(sure.moved[at, begin : begin + length].sum())
        begin += length
    return -by[1] * OFFSET_K / PROBE_K, -by[0] * OFFSET_V / VOLTS_V


def _all_left(parts: Sequence[Array]) -> tuple[Left, Left, Left]:
    """What is left of voltage (V), probe (K) and density (kg/L)."""
    return _left(parts[0::3], VOLTS_V), _left(parts[1::3], PROBE_K), _left(parts[2::3], DENSITY_KG_M3 / 1000.0)


def _left(parts: Sequence[Array], unit: float) -> Left:
    all_ = np.concatenate([part.ravel() for part in parts])
    return Left(float(np.sqrt(np.mean(all_**2))) * unit if all_.size else None, all_.size)


def _refusal(volts: Left, probe: Left) -> str:
    if volts.points < LEAST_POINTS or volts.rms is None:
        return "no voltage is left to compare with"
    if volts.rms > MOST_VOLTS_V:
        return (
            f"leaves {volts.rms * 1000.0:.0f} mV a cell, more than {MOST_VOLTS_V * 1000.0:.0f}: the model does not fit"
        )
    if probe.rms is not None and probe.rms > MOST_PROBE_K:
        return f"leaves {probe.rms:.1f} K at the probe, more than {MOST_PROBE_K:.0f}: the model does not fit"
    return ""
