"""Short runs, with most of their rows at changes: none of them is called wrong, however it is looked at."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
import shortkit

from controller.verify import crosscheck
from controller.verify import runfolder as verify_module
from controller.verify.runfolder import verify_run

SEEDS = 600 if os.environ.get("FORMBATH_LONG") else 24
PACES = ((1, 10), (1, 10), (1, 1), (2, 10), (5, 10), (7, 10), (15, 10), (15, 30))
"""Cycle and logging interval, s."""


@pytest.fixture
def place() -> Iterator[Path]:
    """In memory: nothing here depends on a disk."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        yield Path(folder)


@pytest.mark.parametrize("after_s", [3, 9, 12, 13, 15, 26, 61])
def test_a_run_stopped_soon_holds(place, after_s):
    """Its rows stand at changes, a second apart; how often they come while nothing changes says the bath file."""
    run = shortkit.ShortRun(place, Random(1))
    for _ in range(after_s):
        run.cycle()
    folder = run.end()
    for chain_only in (False, True):
        verdict = verify_run(folder, chain_only=chain_only)
        assert (verdict.wrong, verdict.closed) == ([], True)


def test_holds_of_some_seconds_hold(place):
    """Three of them: dips that begin and end between two rows of the usual distance."""
    run = shortkit.ShortRun(place, Random(2))
    for seconds in (11, 22, 5):
        for _ in range(seconds):
            run.cycle()
        run.order("hold")
        run.cycle()
        run.cycle()
        run.order("resume")
    folder = run.end()
    assert [verify_run(folder, chain_only=chain_only).wrong for chain_only in (False, True)] == [[], []]


@pytest.mark.parametrize("seed", range(SEEDS))
def test_whatever_happens_in_the_first_minutes_holds(place, seed, monkeypatch):
    """Stops, holds, trips, links, stalls, kills in the midst of commits, at any pace; as another core's record, too."""
    chance = Random(seed)
    period_s, log_s = PACES[seed % len(PACES)]
    run = shortkit.ShortRun(
        place, chance, period_s, log_s, virtual=chance.random() < 0.3, jitter_ms=chance.choice((0, 5)),
        charge_Ah=chance.choice((100.0, 100.0, 0.3)),
    )  # fmt: skip
    shortkit.lived(run, chance, chance.randrange(12))
    folder = run.end()
    for chain_only in (False, True):
        assert verify_run(folder, chain_only=chain_only).wrong == []
    for module in (verify_module, crosscheck):
        monkeypatch.setattr(module, "CORE", 99)
    assert verify_run(folder).wrong == []
