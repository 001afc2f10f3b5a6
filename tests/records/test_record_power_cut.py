"""Killed or without power at any call to the disk, again and again: no acknowledged row or cycle is ever lost.

Each example is a record's life: it is killed in the midst of a call, opened again, and then loses its power, when of
all that was not synced any sectors and names may be gone; and so on, until it is closed and verified.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from hashlib import sha256
from itertools import count
from pathlib import Path
from random import Random

import pytest
from cutkit import Killed, Trace, in_memory

from controller.records import run as run_module
from controller.records.bathlog import BathLog
from controller.records.head import Text
from controller.records.logrow import log_row
from controller.records.reader import Block, read_run
from controller.records.redecide import redecide
from controller.records.resume import resume_run
from controller.records.rows import EventRow
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.service.locks import runs_lock

LIVES = 1_500 if os.environ.get("FORMBATH_LONG") else 30
CALLS = 200
"""The disk is called about so often in the first part of a life."""
BATCHES = ("K1", "K2")
TABLES = ("log.csv", "events.csv")


@dataclass
class Made:
    """Cycles of a run, made once and recorded again and again: what each was decided on, and the state after it."""

    first_ms: int
    cycles: list

    @classmethod
    def by(cls, rec, number: int) -> Made:
        loop = rec.Loop(charge_Ah=1e9)
        cycles = [loop.cycle(loop.start_order()), *(loop.cycle() for _ in range(number))]
        return cls(cycles[0][0].now_ms, cycles)


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture(scope="module")
def made(rec):
    """Enough cycles for the longest life."""
    return Made.by(rec, 240)


@dataclass
class Run:
    """One run as its service knows it: cycles recorded, and what the writer has acknowledged."""

    batch: str
    record: RunRecord
    number: int = 0
    safe_cycles: int = 0
    safe_rows: dict[str, bytes] = field(default_factory=dict)
    damaged: bool = False

    @property
    def folder(self) -> Path:
        return self.record.folder


class Life:
    """A service's records through kills and power cuts. `root` changes with each power cut."""

    def __init__(self, rec, made: Made, place: Path, chance: Random) -> None:
        self.rec, self.made, self.chance = rec, made, chance
        self.places = (place / str(number) for number in count())
        self.root = next(self.places)
        self.root.mkdir()
        self.trace = Trace(self.root)
        self.runs: dict[str, Run] = {}
        self.put = self.safe_put = 0
        self.begin()

    def begin(self) -> None:
        """A new process."""
        self.writer = Writer()
        with self.trace.watching():
            runs_lock(self.root / "A")
        self.bath = BathLog(self.root, "A", self.writer)

    def drive(self, calls: int | None, cycles: int) -> None:
        """Record so many cycles, or die at the given call from now."""
        self.trace.kill_at = None if calls is None else self.trace.calls + calls
        try:
            with self.trace.watching():
                if not self.runs:
                    self.keep_state()  # a service without a run yet
                for batch in BATCHES:
                    if batch not in self.runs:
                        self.create(batch)
                for _ in range(cycles):
                    self.cycle()
        except Killed:
            self.trace.died()
        finally:
            self.trace.kill_at = None

    def create(self, batch: str) -> None:
        start = self.rec.start(self.made.first_ms, 1e9, batch)
        self.runs[batch] = Run(batch, RunRecord.create(self.root, start, self.writer))

    def cycle(self) -> None:
        for run in self.runs.values():
            self.record(run)
        self.keep_state()

    def keep_state(self) -> None:
        release = f"release {self.put // 5}\n"
        text = Text("r.json", release)
        self.put += 1
        self.bath.keep_release(text)
        self.bath.put_state(
            {"put": self.put, "release": text.sha256, "open": [r.folder.name for r in self.runs.values()]}
        )
        self.bath.add_event(EventRow(self.rec.utc_ms, None, f"e{self.put}", "event", "x", "A"))
        if self.chance.random() < 0.5 and self.writer.commit():
            self.acknowledged()

    def record(self, run: Run) -> None:
        cycle = self.made.cycles[run.number]
        cin, _, command, after = cycle
        utc_ms = self.rec.utc_ms + cin.now_ms
        run.record.add_event(EventRow(utc_ms, cin.now_ms, f"e{run.number}", "event", "x", "A01", text="long " * 40))
        run.record.add_cycle(*cycle)
        run.record.add_log(log_row(utc_ms, cin, command, after, self.rec.settings.stale_ms))
        run.number += 1

    def acknowledged(self) -> None:
        self.safe_put = self.put
        for run in self.runs.values():
            run.safe_cycles = run.number
            run.safe_rows = {name: self.trace.shown(run.folder / name) for name in TABLES}

    def cut(self) -> None:
        """The power is gone."""
        self.trace.died()
        self.root = next(self.places)
        self.trace.cut(self.chance, self.root)
        self.trace = Trace(self.root)

    def resume(self, *, cut: bool) -> None:
        """A new service looks at what is left, and everything acknowledged is there."""
        self.begin()
        self.look_at_bath()
        for run in list(self.runs.values()):
            folder = self.root / run.folder.name
            if not (folder / "run.json").is_file():
                assert not run.safe_cycles
                del self.runs[run.batch]
                continue
            self.look_at(run, folder, cut=cut)

    def look_at_bath(self) -> None:
        state, trouble = self.bath.read_state()
        assert trouble is None
        put = 0 if state is None else state["put"]
        assert put >= self.safe_put
        self.put = self.safe_put = put
        if state is not None:
            assert sha256(self.bath.read_release(state["release"]).encode()).hexdigest() == state["release"]

    def look_at(self, run: Run, folder: Path, *, cut: bool) -> None:
        for name, data in run.safe_rows.items():
            assert (folder / name).read_bytes().startswith(data), name
        found = read_run(folder)
        for table in found.tables.values():
            wrong = table.walked.wrong_row
            assert wrong is None or run.damaged or wrong > run.safe_rows.get(table.name, b"").count(b"\n") - 1
        with self.trace.watching():
            resumed = resume_run(folder, self.writer)
        assert cut or run.damaged or resumed.problems == ()
        run.damaged |= bool(resumed.problems)
        cycles = [
            cycle
            for block in found.cycles.blocks(found.head.codec)
            if isinstance(block, Block)
            for cycle in block.cycles
        ]
        assert len(cycles) == found.cycles.next_cycle >= run.safe_cycles
        assert [(c.cin, c.command) for c in cycles] == [(c[0], c[2]) for c in self.made.cycles[: len(cycles)]]
        assert resumed.state == (self.made.cycles[len(cycles) - 1][3] if cycles else None)
        run.record, run.number = resumed.record, len(cycles)

    def end(self) -> None:
        """Closed; each record is whole, its decisions are the same again, unless it was said that it is not."""
        with self.trace.watching():
            for run in self.runs.values():
                run.record.close({"verdict": "complete"})
                run.record.release()
            assert self.writer.close(), self.writer.trouble
        for run in self.runs.values():
            found = read_run(run.folder)
            assert run.damaged or found.problems == ()
            assert found.summary["rows"] == {name: len(table.lines) for name, table in found.tables.items()}
            assert run.damaged or found.summary["chain"] == {n: t.walked.last for n, t in found.tables.items()}
            assert found.summary["cycles_sha256"] == sha256(found.cycles_bin).hexdigest()
            redone = redecide(found.head, found.cycles.blocks(found.head.codec))
            assert redone.compared == redone.same == run.number
            assert not (run.folder / "cycles.tail").exists()


@pytest.mark.parametrize("seed", range(LIVES))
def test_no_acknowledged_row_is_lost(rec, made, tmp_path, monkeypatch, seed):
    """Killed and without power by turns: what was acknowledged is there whole, and the record goes on to its end."""
    monkeypatch.setattr(run_module, "BLOCK_CYCLES", 5)
    chance = Random(seed)
    life = Life(rec, made, tmp_path, chance)
    for kill_at in (1 + CALLS * seed // LIVES, chance.randrange(1, 40), chance.randrange(1, CALLS)):
        life.drive(kill_at, 16)
        cut = chance.random() < 0.5
        if cut:
            life.cut()
        life.resume(cut=cut)
    life.drive(None, 4)
    life.end()


def test_what_is_watched_is_what_is_on_the_disk(rec, made, tmp_path, monkeypatch):
    """The tests above see every call: the files as they were watched are the files that are there."""
    monkeypatch.setattr(run_module, "BLOCK_CYCLES", 5)
    life = Life(rec, made, tmp_path, Random(1))
    life.drive(None, 40)
    life.end()
    paths = [path for path in life.root.rglob("*") if path.is_file()]
    assert len(paths) > 12
    assert {path.name for path in paths} >= {"cycles.bin", "summary.json", "state.json", "log.csv", "README.txt"}
    for path in paths:
        assert life.trace.shown(path) == path.read_bytes(), path
    assert json.loads((life.root / "A" / "state.json").read_bytes())["put"] == 41
