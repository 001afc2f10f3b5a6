"""What a demo says at its end where no disk took its record: one line on standard error, and the exit code 70."""

from __future__ import annotations

import argparse
import errno
import gc
import io
from functools import partial
from pathlib import Path

import pytest

from controller.records.disk import Disk
from controller.records.writer import Writer
from controller.service import leaving, ownchild
from controller.service.client import Connection
from simulator import demo, hall, telling, watching
from simulator.commands import demo_arguments, run_demo
from simulator.hall import open_hall

ROOT = Path(__file__).parents[2]
BOUND_S = 60.0
LOST = "rows are NOT on the disk and lost with this process: "


class Broken(Disk):
    """A disk that takes nothing once `broken`."""

    broken = True

    def sync(self, fd):
        if self.broken:
            raise OSError(errno.EIO, "Input/output error")
        super().sync(fd)

    def sync_folder(self, folder):
        if self.broken:
            raise OSError(errno.EIO, "Input/output error")
        super().sync_folder(folder)


@pytest.fixture
def disk(monkeypatch):
    """The disk of the next demo, which nobody waits for."""
    made = Broken()
    monkeypatch.setattr(hall, "Writer", partial(Writer, disk=made))
    monkeypatch.setattr(leaving, "SOUND_S", 0.2)
    monkeypatch.setattr(leaving, "TRIES_S", 0.2)
    yield made
    gc.unfreeze()


async def test_a_hall_says_whether_a_disk_took_its_record(tmp_path, capsys, disk):
    """On a disk that is whole not a word; on one that breaks on the way the rows that are lost, counted."""
    for number, broken in enumerate((False, True)):
        disk.broken = False
        opened = await open_hall(tmp_path / str(number), 7, None)
        for _ in range(3):
            await opened.service.cycle()
        assert opened.service.parts.writer.flush(BOUND_S)
        disk.broken = broken
        await opened._notice("A", "seen", "seen")
        await opened.close()
        assert opened.written is not broken
        err = capsys.readouterr().err
        assert err.count(LOST) == broken
        assert f"bath A: 1 {LOST}" in err if broken else err == ""


def test_a_headless_demo_ends_with_70_where_its_record_is_lost(tmp_path, monkeypatch, capsys, disk):
    """Its closing lines come all the same, from what there is; nobody takes 1 or 0 for a record that is there."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "LONGEST_s", 60.0)
    parser = argparse.ArgumentParser()
    demo_arguments(parser)
    thresholds = gc.get_threshold()
    codes = []
    for disk.broken in (False, True):
        codes.append(run_demo(parser.parse_args(["--headless"])))
    gc.set_threshold(*thresholds)
    out, err = capsys.readouterr()
    assert codes == [1, 70]
    assert out.count("0 runs, 8 expected") == 2
    assert [LOST in line for line in err.splitlines()].count(True) == 1


CHILD = f"""
import errno, sys
from pathlib import Path
sys.path.insert(0, {str(ROOT)!r})
from controller.records.disk import Disk
from controller.service import leaving
leaving.SOUND_S = leaving.TRIES_S = 0.2
sync = Disk.sync
def breaks(disk, fd):
    if Path(sys.argv[0]).with_name("broken").exists():
        raise OSError(errno.EIO, "Input/output error")
    sync(disk, fd)
Disk.sync = breaks
import formbath
sys.exit(formbath.main(sys.argv[1:]))
"""


def test_a_watched_demo_tells_what_its_other_process_said(tmp_path, monkeypatch, capsys):
    """The disk breaks while somebody looks, who then leaves: one line on this terminal, and 70."""
    folder = tmp_path / "demo-runs" / "1"
    folder.mkdir(parents=True)
    door = tmp_path / "door.py"
    door.write_text(CHILD)
    monkeypatch.setattr(ownchild, "FRONT_DOOR", door)

    def console(paths):
        with Connection(paths[0], BOUND_S) as connection:
            connection.snapshot(BOUND_S)
            (tmp_path / "broken").touch()
        return 0

    out = io.StringIO()
    assert watching.watch(folder, demo.SEED, 600.0, console, out) == 70
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert LOST in err
    assert "kill" not in err
    assert "left at 0:0" in out.getvalue()


def test_an_end_says_whether_its_record_was_written():
    """The line between the two processes carries it."""
    for written in (True, False):
        end = demo.End(5.0, over=True, taken_over=False, surprises=(), written=written)
        assert demo.end_of(end.line()) == end


def test_a_record_that_no_disk_took_whole_is_no_entry(tmp_path):
    """A folder without its run.json, or with an empty one, ends nothing: what is there is told."""
    for name, head in (("A01", None), ("A02", b"")):
        folder = tmp_path / f"20260316T060000Z-A-{name}-K1"
        folder.mkdir()
        if head is not None:
            (folder / "run.json").write_bytes(head)
    assert telling.entries(tmp_path) == []
