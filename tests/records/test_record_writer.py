"""The writer: what is acknowledged is on the disk, what is not stays in memory, and nothing fails in silence."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from controller.records.disk import Disk
from controller.records.files import MOVED, PART_BYTES, Lazy
from controller.records.group import Group
from controller.records.reserve import Reserve
from controller.records.writer import Writer


class BadDisk:
    """A disk on which chosen operations fail; `lose` throws away what a failed sync had not kept, as some disks do."""

    def __init__(self):
        self._real = Disk()
        self.fails = {}
        self.lose = False
        self.kept = 0
        self.calls = []

    def __getattr__(self, name):
        def call(*args):
            self.calls.append(name)
            number = self.fails.get(name)
            if number is None:
                return getattr(self._real, name)(*args)
            if name == "write":
                self._real.write(args[0], args[1][: len(args[1]) // 2], args[2])
            if name == "sync" and self.lose:
                os.ftruncate(args[0], self.kept)
            raise OSError(number, os.strerror(number))

        return call


def until(condition):
    """Wait until it is so. Fails after a bound."""
    give_up_s, pause = time.monotonic() + 60.0, threading.Event()
    while not condition():
        assert time.monotonic() < give_up_s, "did not come true"
        pause.wait(0.002)


def group_of(writer, folder):
    group = Group(folder)
    file = group.append_file("rows.csv")
    writer.enter(group)
    return group, file


def add(writer, file, data):
    with writer.lock:
        file.add(data)


@pytest.mark.parametrize("operation", ["make_folder", "open", "write", "sync", "sync_folder", "size"])
def test_rows_stay_in_memory_until_the_disk_takes_them(tmp_path, operation):
    """Whatever fails, it is told, no row is lost or doubled, and the next whole commit clears the trouble."""
    disk = BadDisk()
    writer = Writer(disk=disk)
    folder = tmp_path / "run"
    _, file = group_of(writer, folder)
    add(writer, file, b"one\n")
    disk.fails = {operation: errno.EIO}
    assert not writer.commit()
    assert "Input/output error" in writer.trouble
    assert writer.waiting_bytes == 4 + PART_BYTES
    add(writer, file, b"two\n")
    assert not writer.commit()
    disk.fails = {}
    assert writer.commit()
    assert writer.trouble is None
    assert writer.waiting_bytes == 0
    assert (folder / "rows.csv").read_bytes() == b"one\ntwo\n"


def test_what_is_left_of_a_file_nobody_acknowledged_is_cut_or_replaced(tmp_path):
    """Bytes in a file that the record only begins are not kept; where they cannot be cut the file is made anew."""
    disk = BadDisk()
    writer = Writer(disk=disk)
    _, file = group_of(writer, tmp_path)
    (tmp_path / "rows.csv").write_bytes(b"left over, and longer")
    add(writer, file, b"one\n")
    disk.fails = {"truncate": errno.EIO}
    assert not writer.commit()
    assert "Input/output error" in writer.trouble
    assert writer.commit()
    assert (tmp_path / "rows.csv").read_bytes() == b"one\n"


def test_a_failed_sync_is_never_taken_for_a_good_one(tmp_path):
    """After a failed sync the disk may have dropped the rows: they are written again from the last good byte."""
    disk = BadDisk()
    writer = Writer(disk=disk)
    _, file = group_of(writer, tmp_path)
    add(writer, file, b"one\n")
    assert writer.commit()
    disk.fails, disk.lose, disk.kept = {"sync": errno.EIO}, True, 4
    add(writer, file, b"two\n")
    assert not writer.commit()
    disk.fails = {}
    assert writer.commit()
    assert (tmp_path / "rows.csv").read_bytes() == b"one\ntwo\n"


def test_a_file_shorter_than_acknowledged_is_told_and_not_filled(tmp_path):
    """A record cut by somebody else is trouble, not something to write over."""
    writer = Writer()
    _, file = group_of(writer, tmp_path)
    add(writer, file, b"one\n")
    assert writer.commit()
    writer.close()
    (tmp_path / "rows.csv").write_bytes(b"o")
    add(writer, file, b"two\n")
    assert not writer.commit()
    assert "4 were acknowledged" in writer.trouble
    assert (tmp_path / "rows.csv").read_bytes() == b"o"


def test_a_removed_file_is_told(tmp_path):
    """Rows for a file that somebody removed are not written into nothing."""
    writer = Writer()
    _, file = group_of(writer, tmp_path)
    add(writer, file, b"one\n")
    assert writer.commit()
    (tmp_path / "rows.csv").unlink()
    add(writer, file, b"two\n")
    assert not writer.commit()
    assert "removed" in writer.trouble


def test_one_bad_folder_does_not_hold_the_others(tmp_path):
    """Each group is committed by itself; a fault in one, even of the program, leaves the others their rows."""
    writer = Writer()
    (tmp_path / "file").write_bytes(b"")
    _, bad = group_of(writer, tmp_path / "file" / "below")
    _, broken = group_of(writer, tmp_path / "broken")
    _, good = group_of(writer, tmp_path / "good")
    add(writer, bad, b"x")
    add(writer, broken, Lazy(lambda: bytes(1 // 0)))
    add(writer, good, b"y")
    assert not writer.commit()
    assert writer.trouble
    assert (tmp_path / "good" / "rows.csv").read_bytes() == b"y"


def test_memory_is_bounded_and_says_when_it_is_used_up(tmp_path):
    """With the disk away and the memory for rows full, `has_room` falls; it returns with the disk."""
    disk = BadDisk()
    disk.fails = {"sync": errno.EIO}
    writer = Writer(disk=disk, limit_bytes=2 * (9 + PART_BYTES))
    _, file = group_of(writer, tmp_path)
    add(writer, file, b"12345678\n")
    writer.commit()
    assert writer.has_room
    add(writer, file, b"12345678\n")
    writer.commit()
    assert not writer.has_room
    disk.fails = {}
    writer.commit()
    assert writer.has_room


def test_a_full_disk_takes_the_reserved_space_first(tmp_path):
    """No space left: the reserve is given up, the rows are written, and it is said all the same."""
    reserve = Reserve(tmp_path / "reserve", 4096)
    reserve.prepare()
    assert (tmp_path / "reserve").stat().st_size == 4096

    class FullDisk(BadDisk):
        def __getattr__(self, name):
            self.fails = {"write": errno.ENOSPC} if (tmp_path / "reserve").exists() else {}
            return super().__getattr__(name)

    writer = Writer(disk=FullDisk(), reserve=reserve)
    _, file = group_of(writer, tmp_path / "run")
    add(writer, file, b"one\n")
    assert writer.commit()
    assert (tmp_path / "run" / "rows.csv").read_bytes() == b"one\n"
    assert "disk full" in writer.trouble


def test_files_behind_a_failing_one_wait_for_it(tmp_path):
    """Cycles come before rows: when the first file of a group fails, the second is not written ahead of it."""
    disk = BadDisk()
    writer = Writer(disk=disk)
    group, first = group_of(writer, tmp_path)
    second = group.append_file("second")
    add(writer, first, b"1")
    add(writer, second, b"2")
    disk.fails = {"write": errno.EIO}
    writer.commit()
    assert not (tmp_path / "second").exists()
    disk.fails = {}
    assert writer.commit()
    assert (tmp_path / "second").read_bytes() == b"2"


def test_a_folder_that_is_there_already_is_synced_in_its_parent(tmp_path):
    """An earlier process may have ended between making it and syncing: a power cut would take it with all its rows."""
    synced = []

    class Noting(Disk):
        def sync_folder(self, folder):
            synced.append(folder)
            super().sync_folder(folder)

    Noting().make_folder(tmp_path)
    assert synced == [tmp_path.parent]
    del synced[:]
    Noting().make_folder(tmp_path / "a" / "b")
    assert synced == [tmp_path, tmp_path / "a"]


def test_a_bath_s_folder_that_goes_before_it_was_ever_seen_is_trouble(tmp_path):
    """Made, and taken away before the first look: nothing is known to compare with, and no row goes there."""

    class Gone(Disk):
        def identity(self, path):
            if path == tmp_path / "bath":
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
            return super().identity(path)

    writer = Writer(disk=Gone())
    _, file = group_of(writer, tmp_path / "bath")
    add(writer, file, b"one\n")
    assert not writer.commit()
    assert writer.trouble == f"bath: {MOVED}"
    assert not (tmp_path / "bath" / "rows.csv").exists()


def test_a_group_that_came_back_within_a_round_has_its_turn_at_once(tmp_path):
    """It was still busy when the round began: who waits for its rows does not wait for the next second (here: hour)."""
    behind = []

    class Comes(Disk):
        def write(self, fd, data, offset):
            super().write(fd, data, offset)
            for group in behind:
                group.busy = False

    writer = Writer(period_s=3600, disk=Comes())
    late, rows = group_of(writer, tmp_path / "late")
    _, other = group_of(writer, tmp_path / "other")
    late.busy = True
    behind.append(late)
    add(writer, rows, b"one\n")
    add(writer, other, b"two\n")
    writer.start()
    assert writer.flush(30)
    assert (tmp_path / "late" / "rows.csv").read_bytes() == b"one\n"
    assert writer.commits == 2
    assert writer.close(30)


def test_idle_files_are_given_back_while_a_disk_fails_and_kept_open_else(tmp_path):
    """A disk that has to be unmounted and mended must not be held by a folder that happens to have nothing to write."""
    disk = BadDisk()
    writer = Writer(disk=disk)
    _, idle = group_of(writer, tmp_path / "idle")
    _, busy = group_of(writer, tmp_path / "busy")
    for file in (idle, busy):
        add(writer, file, b"one\n")
    assert writer.commit()
    add(writer, busy, b"two\n")
    assert writer.commit()
    assert idle._fd is not None
    disk.fails = {"write": errno.EIO}
    add(writer, busy, b"three\n")
    assert not writer.commit()
    assert not writer.commit()
    assert (idle._fd, busy._fd) == (None, None)
    disk.fails = {}
    add(writer, idle, b"two\n")
    assert writer.commit()
    assert (tmp_path / "idle" / "rows.csv").read_bytes() == b"one\ntwo\n"


def test_flush_waits_for_the_thread_and_close_ends_it(tmp_path):
    """With the thread running, flush returns when the rows are on the disk."""
    writer = Writer(period_s=3600)
    _, file = group_of(writer, tmp_path)
    writer.start()
    add(writer, file, b"one\n")
    assert writer.flush(30)
    assert (tmp_path / "rows.csv").read_bytes() == b"one\n"
    add(writer, file, b"two\n")
    assert writer.close(30)
    assert (tmp_path / "rows.csv").read_bytes() == b"one\ntwo\n"
    assert not any(thread.name == "records" for thread in threading.enumerate())


def test_adding_never_waits_for_a_slow_disk(tmp_path):
    """While a sync takes its time, rows are still added at once: the control loop does not feel the disk."""
    entered, let_go = threading.Event(), threading.Event()

    class SlowDisk(BadDisk):
        def __getattr__(self, name):
            call = super().__getattr__(name)
            if name != "sync":
                return call

            def slow(*args):
                entered.set()
                assert let_go.wait(30)
                return call(*args)

            return slow

    writer = Writer(period_s=3600, disk=SlowDisk())
    _, file = group_of(writer, tmp_path)
    writer.start()
    add(writer, file, b"one\n")
    waiter = threading.Thread(target=writer.flush)
    waiter.start()
    assert entered.wait(30)
    add(writer, file, b"two\n")
    assert not let_go.is_set()
    let_go.set()
    waiter.join(30)
    assert writer.close(30)
    assert (tmp_path / "rows.csv").read_bytes() == b"one\ntwo\n"


CHILD = """
    import importlib.util, sys
    from pathlib import Path
    spec = importlib.util.spec_from_file_location("kit", sys.argv[1])
    kit = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(kit)
    from controller.records.writer import Writer
    writer = Writer(period_s=0.001)
    writer.start()
    loop, record = kit.begin(Path(sys.argv[2]), writer, charge_Ah=1e9)
    number = 0
    while True:
        number += 1
        kit.drive(record, loop, 1, first=number)
        if number % 13 == 0:
            assert writer.flush()
            print(loop.now_ms, loop.state.circuits[0].run.counters.charge_Ah, flush=True)
"""


@pytest.mark.parametrize("lines", [3, 60])
def test_nothing_acknowledged_is_lost_by_a_kill(rec, tmp_path, lines):
    """Killed with -9 in the middle of its work, a record holds every cycle and row whose flush had returned."""
    from controller.records.resume import resume_run

    kit = str(Path(__file__).with_name("realrun.py"))
    root = str(Path(__file__).parents[2])
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(CHILD), kit, str(tmp_path)],
        cwd=root, env={**os.environ, "PYTHONPATH": root}, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    told = [child.stdout.readline() for _ in range(lines)]
    child.send_signal(signal.SIGKILL)
    told += child.stdout.readlines()
    child.wait(30)
    child.stdout.close()
    now_ms, charge_Ah = next(line.split() for line in reversed(told) if line.endswith("\n"))
    (folder,) = tmp_path.iterdir()
    writer = Writer()
    resumed = resume_run(folder, writer)
    assert resumed.problems == ()
    assert resumed.last_now_ms >= int(now_ms)
    assert resumed.state.run.counters.charge_Ah >= float(charge_Ah)
    assert writer.close()


class Stuck(Disk):
    """Syncs of one folder's files do not return before `answers`; which file was synced is noted in order."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._paths = {}
        self.synced = []
        self.hangs, self.answers = threading.Event(), threading.Event()

    def open(self, path, create=True):
        fd, created = super().open(path, create)
        self._paths[fd] = path
        return fd, created

    def sync(self, fd):
        if self._paths[fd].parent.name == self._folder:
            self.hangs.set()
            assert self.answers.wait(60)
        super().sync(fd)
        self.synced.append(f"{self._paths[fd].parent.name}/{self._paths[fd].name}")


def test_one_hanging_folder_does_not_hold_the_others_and_its_rows_are_packed_and_counted(tmp_path):
    """The other folder's rows are acknowledged; what waits for the hanging one is made into bytes, and weighs."""
    disk = Stuck("stuck")
    writer = Writer(period_s=0.01, disk=disk)
    _, stuck = group_of(writer, tmp_path / "stuck")
    _, good = group_of(writer, tmp_path / "good")
    writer.start()
    add(writer, stuck, b"one\n")
    assert disk.hangs.wait(30)
    block = Lazy(lambda: b"a block\n")
    add(writer, stuck, block)
    for number in range(3):
        add(writer, good, b"row %d\n" % number)
        path, whole = tmp_path / "good" / "rows.csv", b"".join(b"row %d\n" % each for each in range(number + 1))
        until(lambda path=path, whole=whole: path.exists() and path.read_bytes() == whole)
    until(lambda: block.made and writer.waiting_bytes == 4 + 8 + 2 * PART_BYTES)
    assert not writer.flush(0.05)
    assert not (tmp_path / "stuck" / "rows.csv").read_bytes().endswith(b"block\n")
    disk.answers.set()
    assert writer.close(30), writer.trouble
    assert (tmp_path / "stuck" / "rows.csv").read_bytes() == b"one\na block\n"
    assert (tmp_path / "good" / "rows.csv").read_bytes() == whole


def test_what_the_bath_keeps_is_written_before_its_runs(tmp_path):
    """A service killed between the two knows of a run's end by its own state, not only by the run's folder."""
    disk = Stuck("none")
    writer = Writer(period_s=3600, disk=disk)
    runs = [Group(tmp_path / f"run{number}", lambda: None) for number in range(3)]
    files = [run.append_file("rows.csv") for run in runs]
    for run in runs:
        writer.enter(run)
    _, own = group_of(writer, tmp_path / "bath")
    writer.start()
    for _ in range(20):
        for file in (*files, own):
            add(writer, file, b"x")
        assert writer.flush(30)
    assert writer.close(30)
    assert disk.synced[::4] == ["bath/rows.csv"] * 20


def test_a_hand_outlives_a_fault_of_the_program(tmp_path):
    """What no disk would raise is told like an error of the disk; the rows stay, and are written once it is gone."""

    class Broken(Disk):
        broken = True

        def write(self, fd, data, offset):
            if self.broken:
                raise ZeroDivisionError("on purpose")
            super().write(fd, data, offset)

    disk = Broken()
    writer = Writer(period_s=3600, disk=disk)
    _, file = group_of(writer, tmp_path / "run")
    writer.start()
    add(writer, file, b"one\n")
    assert not writer.flush(30)
    assert writer.trouble == "run: ZeroDivisionError: on purpose"
    disk.broken = False
    assert writer.close(30)
    assert (tmp_path / "run" / "rows.csv").read_bytes() == b"one\n"


def test_a_disk_that_never_answers_does_not_keep_the_service(tmp_path):
    """Closing gives up after its time and says that rows are left."""
    disk = Stuck("stuck")
    writer = Writer(period_s=0.01, disk=disk)
    _, file = group_of(writer, tmp_path / "stuck")
    writer.start()
    add(writer, file, b"one\n")
    assert disk.hangs.wait(30)
    assert not writer.close(0.2)
    disk.answers.set()
    for thread in writer.threads:
        thread.join(30)
        assert not thread.is_alive()
