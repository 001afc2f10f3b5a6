"""Killed with -9 in the midst of heavy recording, many times over: nothing acknowledged is lost, all of it goes on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from cutkit import in_memory
from killkit import Made

from controller.records.bathlog import BathLog
from controller.records.reader import read_run, read_table
from controller.records.resume import resume_run
from controller.records.rows import EVENT_HEADER
from controller.records.writer import Writer

LONG = bool(os.environ.get("FORMBATH_LONG"))
KILLS = 1_000 if LONG else 24
KILLS_A_LIFE = 6
CYCLES = 400


class Killer:
    """Starts workers one after the other and kills each of them after so many lines."""

    def __init__(self) -> None:
        kit = Path(__file__).with_name("killkit.py")
        root = Path(__file__).parents[2]
        self.child = subprocess.Popen(
            [sys.executable, str(kit), str(CYCLES)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            cwd=root, env={**os.environ, "PYTHONPATH": str(root)},
        )  # fmt: skip

    def kill(self, place: Path, lines: int, spins: int) -> list:
        """Let one work in a folder until it has told of so many commits, and a moment longer; return the last told."""
        print(place, file=self.child.stdin, flush=True)
        last: list = []
        for line in self.child.stdout:
            told = json.loads(line)
            if told[0] == "dead":
                return last
            last, lines = told, lines - 1
            if lines == 0:
                _ = sum(range(spins))
                os.kill(told[1], signal.SIGKILL)
        pytest.fail("the workers' parent ended")

    def end(self) -> None:
        self.child.stdin.close()
        assert self.child.wait(30) == 0
        self.child.stdout.close()


@pytest.fixture(scope="module")
def killer() -> Iterator[Killer]:
    """One parent of workers for all tests."""
    made = Killer()
    yield made
    made.end()


@pytest.fixture(scope="module")
def made() -> Made:
    """What the workers record."""
    return Made(CYCLES)


@pytest.fixture
def place() -> Iterator[Path]:
    """In memory: a kill loses nothing that was written, synced or not."""
    with in_memory() as folder:
        yield folder


def look(place: Path, told: list, made: Made) -> None:
    """All that was told as acknowledged is there, whole."""
    bath = told[2].pop("bath")
    state, trouble = BathLog(place, "A", Writer()).read_state()
    assert (trouble, state["put"] >= bath["cycles"]) == (None, True)
    for name, (rows, chain) in bath["tables"].items():
        found = read_table(name, (place / "A" / name).read_bytes(), EVENT_HEADER, b"")
        assert found.damage == ()
        assert found.lines[rows - 1].endswith(b"," + chain.encode())
    for run in told[2].values():
        folder = place / run["folder"]
        found = read_run(folder)
        for name, (rows, chain) in run["tables"].items():
            assert found.tables[name].damage == ()
            assert found.tables[name].lines[rows - 1].endswith(b"," + chain.encode())
        number = made.counted(found)
        assert number >= run["cycles"]
        resumed = resume_run(folder, Writer())
        assert resumed.problems == ()
        assert resumed.state == made.state_after(number)
        assert len(found.log.lines) <= number  # no row tells of a cycle that is not there


@pytest.mark.parametrize("life", range(-(-KILLS // KILLS_A_LIFE)))
def test_killed_again_and_again(killer, made, place, life):
    """Two records and a bath's log, killed six times in a row: each time all that was acknowledged, and it goes on."""
    chance = Random(life)
    cycles = 0
    for _ in range(KILLS_A_LIFE):
        told = killer.kill(place, chance.randrange(1, 7), chance.randrange(20_000))
        look(place, told, made)
        assert told[2]["K1"]["cycles"] > cycles
        cycles = told[2]["K1"]["cycles"]
