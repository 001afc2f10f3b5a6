"""Many virtual strings through one profile: how sure its hours, heat and gas are, and what moves them most.

The strings differ as production and instruments do (`simulator.parameters.Spread`); nothing here says that the model
is right, only how far its results scatter.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from controller.core.planned import Plan
from profiles.release import CourseStep
from simulator.bench import batches, coursebands, quantiles
from simulator.bench.batches import Batch
from simulator.bench.doubtsend import CHANGED_DENSITY, DENSITY, LEAST_FORMED_PERCENT, MOST_START_V_PER_CELL
from simulator.bench.quantiles import Estimate, Influence, Share
from simulator.bench.setting import Setting
from simulator.bench.studypool import cores, done_batches, processes
from simulator.bench.studyprogress import Progress
from simulator.bench.studyrow import FIGURES, FLAGS, INPUTS, KEYS, Quantity
from simulator.parameters import Array

QUANTILES = (0.05, 0.5, 0.95)
MOVED = ("hours", "hottest_C", "charge_Ah", "highest_V_per_cell", "density_kg_L", "formed_positive_percent")
"""Figures of which it is said what moves them."""
REDUCES = ("derated", "held", "tripped")


@dataclass(frozen=True, slots=True)
class Three:
    """One figure over all strings that have it: 5, 50 and 95 %."""

    quantity: Quantity
    low: Estimate
    middle: Estimate
    high: Estimate
    count: int


@dataclass(frozen=True, slots=True)
class Remark:
    """What a study found worth a word; see the release."""

    code: str
    text: str
    error: bool = False


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a figure should lie."""

    key: str
    words: str
    low: float
    high: float


def limits_of(plan: Plan) -> tuple[Limit, ...]:
    """The limits of a plan's results; the dry run doubts the same ones, and says where they come from."""
    changed = any(step.refill_density is not None for step in plan.steps)
    low, high = CHANGED_DENSITY if changed else DENSITY
    return (
        Limit("density_kg_L", f"end density outside {low:g} to {high:g}", low, high),
        Limit(
            "formed_positive_percent", f"positive formed below {LEAST_FORMED_PERCENT:g} %", LEAST_FORMED_PERCENT, inf
        ),
        Limit("start_V_per_cell", f"start peak above {MOST_START_V_PER_CELL:g} V/cell", -inf, MOST_START_V_PER_CELL),
    )


@dataclass(frozen=True, slots=True)
class Study:
    """What a study found. `strings` were tried of `asked`; arrays are by string, in the order of their batches."""

    setting: Setting
    asked: int
    seed: int
    water_C: tuple[float, float]
    figures: Array
    flags: NDArray[np.bool_]
    inputs: Array
    causes: Mapping[tuple[str, str], int] = field(default_factory=dict)
    courses: tuple[coursebands.Courses, ...] = ()

    @property
    def plan(self) -> Plan:
        """What was studied."""
        return self.setting.plan

    @property
    def strings(self) -> int:
        """How many strings were tried."""
        return int(self.figures.shape[0])

    def of(self, key: str) -> Array:
        """One figure of all strings, NaN where one has none."""
        return np.asarray(self.figures[:, KEYS.index(key)])

    def quantity(self, key: str) -> Three | None:
        """Its three quantiles; None where no string has that figure."""
        values = self.of(key)
        low, middle, high = (quantiles.estimate(values, share) for share in QUANTILES)
        if low is None or middle is None or high is None:
            return None
        return Three(FIGURES[KEYS.index(key)], low, middle, high, int(np.isfinite(values).sum()))

    def share(self, flag: str) -> Share:
        """How many strings met with this (see FLAGS)."""
        return quantiles.share_of(int(self.flags[:, FLAGS.index(flag)].sum()), self.strings)

    def outside(self, limit: Limit) -> Share:
        """How many strings that ran to their end lie outside a limit."""
        values = self.of(limit.key)[self.flags[:, FLAGS.index("complete")]]
        values = values[np.isfinite(values)]
        return quantiles.share_of(int(((values < limit.low) | (values > limit.high)).sum()), int(values.size))

    def by_law(self, what: str) -> dict[str, int]:
        """How many strings each law derated, held or tripped, most first."""
        found = {code: count for (word, code), count in self.causes.items() if word == what}
        return dict(sorted(found.items(), key=lambda each: (-each[1], each[0])))

    def moved_by(self, key: str) -> tuple[Influence, ...]:
        """Which inputs a figure follows most."""
        return quantiles.strongest(self.inputs, INPUTS, self.of(key))

    @property
    def trips(self) -> dict[str, int]:
        """How many strings tripped, by the alarm's code."""
        return self.by_law("tripped")

    @property
    def shares(self) -> dict[str, float]:
        """Strings that derated, held, tripped, in per cent."""
        return {f"{flag}_percent": self.share(flag).percent for flag in REDUCES}

    @property
    def course(self) -> tuple[CourseStep, ...]:
        """The expected course with its band."""
        return course_steps(self)

    @property
    def totals(self) -> dict[str, float | None]:
        """Every figure's median, and of those that matter at their worst the 95 %; units in the names."""
        found: dict[str, float | None] = {}
        for key in KEYS:
            spread = self.quantity(key)
            found[key] = None if spread is None else float(f"{spread.middle.value:.6g}")
            if key in {"hours", "hottest_C"}:
                found[f"q95_{key}"] = None if spread is None else float(f"{spread.high.value:.6g}")
        return found

    @property
    def said(self) -> str:
        """How it went, in one line."""
        hours, hottest = self.quantity("hours"), self.quantity("hottest_C")
        parts = [f"{self.strings} strings, seed {self.seed}, {water_text(self.water_C)}"]
        if hours is not None:
            parts.append(f"end {hours.low.value:.2f} to {hours.high.value:.2f} h")
        if hottest is not None:
            parts.append(f"hottest {hottest.low.value:.1f} to {hottest.high.value:.1f} C")
        parts.append(", ".join(f"{flag} {self.share(flag).percent:.1f} %" for flag in REDUCES))
        return "; ".join(parts)

    @property
    def brief(self) -> str:
        """The figures so far, short enough for the line that shows how far it is."""
        hours, hottest = self.quantity("hours"), self.quantity("hottest_C")
        parts = [] if hours is None else [f"end {hours.middle.value:.1f} h"]
        parts += [] if hottest is None else [f"hot {hottest.middle.value:.1f} to {hottest.high.value:.1f} C"]
        return ", ".join([*parts, f"trip {self.share('tripped').percent:.1f} %"])

    @property
    def remarks(self) -> tuple[Remark, ...]:
        """What is worth a word before a release; trips stand in `trips`."""
        return tuple(_remarks(self))


def water_text(water_C: tuple[float, float]) -> str:
    """`water 31 C`, or a range."""
    low, high = water_C
    return f"water {low:g} C" if low == high else f"water {low:g} to {high:g} C"


def course_steps(study: Study) -> tuple[CourseStep, ...]:
    """The expected course with its band, for a release."""
    return coursebands.course_steps(coursebands.grids(study.plan), study.courses)


def _remarks(study: Study) -> Iterator[Remark]:
    if study.strings < study.asked:
        yield Remark("study_cut", f"the study ended after {study.strings} of {study.asked} strings", error=True)
    ended = study.share("complete")
    if ended.count < ended.of:
        yield Remark("not_complete", f"{ended.of - ended.count} of {ended.of} strings did not run to their end")
    for flag in ("derated", "held", "overrun"):
        share = study.share(flag)
        if share.count:
            why = ", ".join(study.by_law(flag))
            text = f"{flag} {share.count} of {share.of} strings" + (f", by {why}" if why else "")
            yield Remark(f"study_{flag}", text)
    for limit in limits_of(study.plan):
        share = study.outside(limit)
        if share.count:
            yield Remark(f"study_{limit.key}", f"{limit.words} in {share.count} of {share.of} strings")


def collected(
    setting: Setting, asked: int, seed: int, done: Sequence[Batch], water_C: tuple[float, float] | None = None
) -> Study:
    """A study of the batches that are done, in their own order whatever the order in which they came."""
    parts = batches.in_order(done)
    met: Counter[tuple[str, str]] = Counter()
    for part in parts:
        met.update(part.causes)
    return Study(
        setting=setting,
        asked=asked,
        seed=seed,
        water_C=water_C or (setting.water_C, setting.water_C),
        figures=_joined([part.figures for part in parts], len(KEYS)),
        flags=_joined([part.flags for part in parts], len(FLAGS)).astype(bool),
        inputs=_joined([part.inputs for part in parts], len(INPUTS)),
        causes=dict(sorted(met.items())),
        courses=tuple(part.courses for part in parts if part.courses is not None),
    )


def _joined(arrays: Sequence[Array | NDArray[np.bool_]], columns: int) -> Array:
    return np.concatenate(arrays) if arrays else np.zeros((0, columns))


def studied(
    setting: Setting,
    strings: int,
    seed: int,
    pool: Executor,
    *,
    water_C: tuple[float, float] | None = None,
    partly: Callable[[Study], None] = lambda _: None,
    waiting: Callable[[], None] = lambda: None,
) -> Study:
    """Study a setting on so many strings. `water_C`: a range instead of the setting's one temperature.

    `partly` is given the result so far after each batch; `waiting` is called now and then. Whoever wants what was done
    before an interruption keeps the last `partly`. Raises WorkerLost.
    """
    done: list[Batch] = []
    for batch in done_batches(pool, batches.jobs(setting, strings, seed, water_C), waiting):
        done.append(batch)
        partly(collected(setting, strings, seed, done, water_C))
    return collected(setting, strings, seed, done, water_C)


class WithSetting(Protocol):
    """Whatever says on what a profile is tried."""

    @property
    def setting(self) -> Setting:
        """Its setting."""
        ...


def run_study(
    asked: WithSetting, *, strings: int, seed: int, workers: int = 0, water_C: tuple[float, float] | None = None
) -> Study:
    """A whole study in worker processes (0: one for each core), with its progress on a terminal's standard error.

    Raises WorkerLost, KeyboardInterrupt; no worker is left behind.
    """
    progress = Progress(strings, sys.stderr)
    with processes(workers or cores()) as pool, progress:
        return studied(
            asked.setting, strings, seed, pool, water_C=water_C,
            partly=lambda study: progress.done(study.strings, study.brief), waiting=progress.waiting,
        )  # fmt: skip
