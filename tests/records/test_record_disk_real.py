"""Real small disks that are full, turn read-only or freeze under a record that is being written.

Mounting needs root and loop devices; where they are not at hand these tests say so and are left out, and what they hold
is held with interposed disks in the files beside this one.
"""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.records.reserve import Reserve
from controller.records.space import Space
from controller.records.writer import Writer
from controller.verify.runfolder import verify_run

BOUND_S = 60.0


def command(*words: str) -> None:
    """A command of the system; where it cannot be had or does not work, the test is left out with its reason."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=BOUND_S)
    except FileNotFoundError:
        pytest.skip(f"{words[0]} is not installed")
    if done.returncode:
        pytest.skip(f"{' '.join(words[:2])} is not possible here: {done.stderr.strip()[:200]}")


def until(condition) -> None:
    give_up_s, pause = time.monotonic() + BOUND_S, threading.Event()
    while not condition():
        assert time.monotonic() < give_up_s, "did not come true"
        pause.wait(0.005)


@pytest.fixture
def tiny(tmp_path) -> Iterator[Path]:
    """A disk of 1 MB, in memory."""
    if os.geteuid():
        pytest.skip("only root may mount")
    place = tmp_path / "tiny"
    place.mkdir()
    command("mount", "-t", "tmpfs", "-o", "size=1m", "formbath-test", str(place))
    yield place
    subprocess.run(("umount", "-l", str(place)), check=False)


@dataclass
class Ext4:
    """A disk of its own, in a file."""

    image: Path
    place: Path

    def mount(self) -> None:
        command("mount", "-o", "loop", str(self.image), str(self.place))

    def unmount(self) -> None:
        subprocess.run(("umount", str(self.place)), check=True, timeout=BOUND_S, capture_output=True)


@pytest.fixture
def ext4(tmp_path) -> Iterator[Ext4]:
    if os.geteuid():
        pytest.skip("only root may mount")
    disk = Ext4(tmp_path / "image", tmp_path / "disk")
    disk.place.mkdir()
    with disk.image.open("wb") as file:
        file.truncate(16_000_000)
    command("mkfs.ext4", "-q", "-F", str(disk.image))
    disk.mount()
    yield disk
    subprocess.run(("fsfreeze", "-u", str(disk.place)), check=False, capture_output=True)
    subprocess.run(("umount", "-l", str(disk.place)), check=False, capture_output=True)


class Recording:
    """A run being recorded by real threads, one cycle after the other."""

    def __init__(self, rec, runs: Path, **kept) -> None:
        self._rec = rec
        self.writer = Writer(0.01, **kept)
        self.loop, self.record = rec.begin(runs, self.writer, charge_Ah=1e9)
        self.writer.start()
        self.number = 0

    def cycles(self, count: int) -> None:
        """Add so many cycles, each with the events it had; none of it waits for the disk."""
        self._rec.drive(self.record, self.loop, count, first=self.number + 1)
        self.number += count

    def kept(self) -> bool:
        return self.writer.flush(BOUND_S)

    def ended(self) -> None:
        """Close the record; every cycle and row is there once, and decided the same again."""
        self._rec.record_cycle(self.record, self.loop, 0, self.loop.cycle())
        self.record.close({"verdict": "complete"})
        self.record.release()
        assert self.writer.close(BOUND_S), self.writer.trouble
        verdict = verify_run(self.record.folder)
        assert verdict.wrong == []
        assert verdict.same == verdict.compared == self.number + 2
        assert verdict.tables["log.csv"] == self.number // 10 + 2


def fill(place: Path) -> Path:
    """Take all that is left of a disk."""
    filler = place / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4_096))
        except OSError:
            return filler


def test_a_full_disk_loses_nothing(rec, tiny):
    """Full to the last block: told, rows wait; with room again they are written, each once."""
    run = Recording(rec, tiny / "runs")
    run.cycles(20)
    assert run.kept()
    filler = fill(tiny)
    for _ in range(10_000):
        run.cycles(10)
        if not run.kept():
            break
    assert "No space left on device" in run.writer.failing
    run.cycles(500)
    assert not run.kept()
    waiting = run.writer.waiting_bytes
    assert waiting > 1_000
    filler.unlink()
    until(lambda: run.writer.failing is None)
    assert run.kept()
    assert run.writer.waiting_bytes == 0
    run.ended()


def test_a_full_disk_takes_the_space_kept_back_and_gives_it_again(rec, tiny):
    """Rows go on into the reserve, which is told; with room for two of it, it is kept back again."""
    reserve = Reserve(tiny / "A" / "kept-back", 300_000)
    reserve.prepare()
    space = Space(tiny / "runs", 1, 1_000.0, reserve=reserve)
    space.look({})
    hours = space.hours
    run = Recording(rec, tiny / "runs", reserve=reserve, space=space)
    run.cycles(20)
    assert run.kept()
    filler = fill(tiny)
    for _ in range(10_000):
        run.cycles(10)
        assert run.kept(), run.writer.trouble
        if reserve.given:
            break
    assert "disk full" in run.writer.trouble
    assert run.writer.failing is None
    assert not reserve.held
    space.look({})
    assert not reserve.held
    filler.unlink()
    space.look({})
    assert reserve.held
    assert (tiny / "A" / "kept-back").stat().st_size == 300_000
    assert run.writer.trouble is None
    assert space.hours > hours / 2
    run.ended()


def test_a_disk_that_turns_read_only_can_be_mended_beneath_the_record(rec, ext4):
    """Its journal is aborted, as after an error of the device: told; no file stays open on it, so that it can be
    unmounted, checked and mounted again; then all that waited is written behind what was acknowledged.
    """
    run = Recording(rec, ext4.place / "runs")
    run.cycles(50)
    assert run.kept()
    command("mount", "-o", "remount,abort", str(ext4.place))
    run.cycles(1)
    until(lambda: run.writer.failing is not None)
    run.cycles(300)
    assert not run.kept()
    assert "Read-only file system" in run.writer.failing or "Input/output error" in run.writer.failing
    ext4.unmount()
    subprocess.run(("fsck.ext4", "-p", str(ext4.image)), check=False, timeout=BOUND_S, capture_output=True)
    ext4.mount()
    until(lambda: run.writer.failing is None)
    assert run.kept()
    run.ended()


def test_a_frozen_disk_delays_nobody(rec, ext4):
    """Nothing can be written and no call returns: cycles are added on, marks stay unsettled; thawed, all is written."""
    run = Recording(rec, ext4.place / "runs")
    run.cycles(20)
    assert run.kept()
    command("fsfreeze", "-f", str(ext4.place))
    try:
        run.cycles(1)
        commits = run.writer.commits
        first, _ = run.writer.mark()
        run.cycles(400)
        until(lambda: run.writer.commits > commits + 3)
        newest, settled = run.writer.mark()
        assert settled < first < newest
        assert run.writer.failing is None
        assert not run.writer.flush(0.05)
        assert run.writer.waiting_bytes > 1_000
    finally:
        subprocess.run(("fsfreeze", "-u", str(ext4.place)), check=True, timeout=BOUND_S)
    assert run.kept()
    newest, settled = run.writer.mark()
    assert settled >= newest - 1
    run.ended()
