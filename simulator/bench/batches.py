"""A study as a list of independent batches: how many strings each has, its own seed, and what is kept of it.

Sizes, seeds and water follow from what is asked for alone, never from the number of workers or the order in which
batches are done; so the same study is the same to the digit wherever it runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulator.bench.coursebands import Courses, courses, grids
from simulator.bench.setting import Setting
from simulator.bench.studyrow import causes, drawn, table
from simulator.bench.tryout import try_many
from simulator.parameters import Array

SIZE = 64
"""Strings of a batch: enough that the arrays carry them all, few enough to be handed out evenly."""
SMALL, SMALL_STRINGS = 16, 64
"""The first and the last so many strings come in smaller batches: first figures early, no worker waiting at the end."""
WITH_COURSE = 512
"""Courses are kept of the first so many strings: enough for a band, and memory stays bounded whatever is asked for."""


@dataclass(frozen=True, slots=True)
class Job:
    """One batch to be tried, plain enough to travel to another process."""

    number: int
    setting: Setting
    strings: int
    with_course: bool
    cell: int = 0
    waters_C: tuple[float, ...] = ()
    """Each string's own water; empty: the setting's for all."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What came of a batch: arrays (strings, ...), and how many strings each law reduced, held, tripped."""

    number: int
    cell: int
    figures: Array
    flags: NDArray[np.bool_]
    inputs: Array
    causes: Mapping[tuple[str, str], int] = field(default_factory=dict)
    courses: Courses | None = None

    @property
    def strings(self) -> int:
        """How many strings were tried."""
        return int(self.figures.shape[0])


def sizes(strings: int, size: int = SIZE) -> tuple[int, ...]:
    """How many strings each batch has: small ones first and last, `size` between."""
    first = min(SMALL_STRINGS, strings)
    last = min(SMALL_STRINGS, strings - first)
    return (*_cut(first, SMALL), *_cut(strings - first - last, size), *_cut(last, SMALL))


def _cut(strings: int, size: int) -> Iterator[int]:
    while strings > 0:
        yield min(size, strings)
        strings -= size


def seed_of(seed: int, number: int) -> int:
    """A batch's own seed: of the study's seed and the batch's number, independent of all others."""
    words = np.random.SeedSequence(entropy=seed, spawn_key=(number,)).generate_state(2, np.uint64)
    return int(words[0]) << 64 | int(words[1])


def spread_out(number: int) -> float:
    """Where in a range of 0 to 1 a string lies: both ends first, then halves, quarters, and so on (van der Corput)."""
    if number < 2:
        return float(number)
    left, place, found = number - 1, 0.5, 0.0
    while left:
        found += place * (left % 2)
        left, place = left // 2, place / 2.0
    return found


def jobs(
    setting: Setting, strings: int, seed: int, water_C: tuple[float, float] | None = None, cell: int | None = None
) -> list[Job]:
    """All batches of a study on this setting. `water_C`: a range over which the strings lie, evenly from end to end.

    `cell`: place in a table of settings, whose cells all have the same draws and keep no courses.
    """
    found, before = [], 0
    for number, size in enumerate(sizes(strings)):
        own = replace(setting, spread=True, fine=False, seed=seed_of(seed, number))
        waters = _waters(water_C, range(before, before + size)) if water_C is not None else ()
        found.append(Job(number, own, size, cell is None and before < WITH_COURSE, cell or 0, waters))
        before += size
    return found


def _waters(water_C: tuple[float, float], strings: range) -> tuple[float, ...]:
    """Water of these strings of the study."""
    low, high = water_C
    return tuple(low + (high - low) * spread_out(number) for number in strings)


def run_job(job: Job) -> Batch:
    """Try one batch and keep what a study needs of it. Runs in a worker."""
    waters_C = np.array(job.waters_C or (job.setting.water_C,) * job.strings)
    tried = try_many(job.setting, job.strings, waters_C=waters_C)
    figures, flags = table(tried)
    met = Counter(cause for each in tried for cause in causes(each))
    return Batch(
        number=job.number,
        cell=job.cell,
        figures=figures,
        flags=flags,
        inputs=drawn(job.setting, waters_C),
        causes=dict(sorted(met.items())),
        courses=courses(tried, grids(job.setting.plan)) if job.with_course else None,
    )


def in_order(batches: Sequence[Batch]) -> list[Batch]:
    """Batches by cell and number, whatever the order in which they were done."""
    return sorted(batches, key=lambda batch: (batch.cell, batch.number))
