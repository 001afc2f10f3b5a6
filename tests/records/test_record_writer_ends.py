"""A service that ends leaves nothing in memory unsaid: it tries the disk to the last, and counts what is left."""

from __future__ import annotations

import errno
import os
import threading
import time

from controller.records.disk import Disk
from controller.records.group import Group
from controller.records.space import Space
from controller.records.writer import BEHIND, BEHIND_ROUNDS, Writer

BOUND_S = 30.0


class Failing(Disk):
    """Refuses so many writes, then takes them."""

    def __init__(self, refusals: int) -> None:
        self.refusals = refusals

    def write(self, fd, data, offset):
        if self.refusals > 0:
            self.refusals -= 1
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().write(fd, data, offset)


class Hanging(Disk):
    """Does not come back from what it was told (`write`, `sync`, `close`, `free_bytes`) until it is let go."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.hangs, self.answers = threading.Event(), threading.Event()

    def _wait(self, what: str) -> None:
        if self.what == what:
            self.hangs.set()
            assert self.answers.wait(BOUND_S)

    def write(self, fd, data, offset):
        self._wait("write")
        super().write(fd, data, offset)

    def sync(self, fd):
        self._wait("sync")
        super().sync(fd)

    def close(self, fd):
        self._wait("close")
        super().close(fd)

    def free_bytes(self, folder):
        self._wait("free_bytes")
        return super().free_bytes(folder)


def until(condition) -> None:
    give_up_s, pause = time.monotonic() + BOUND_S, threading.Event()
    while not condition():
        assert time.monotonic() < give_up_s, "did not come true"
        pause.wait(0.002)


def writer_of(folder, disk, period_s=0.01, **others) -> tuple[Writer, Group]:
    """A writer to be started, with two rows of a table, a whole file and what is no table waiting.

    Where the test needs no more than one round, a long period keeps the machine's speed out of it.
    """
    writer = Writer(period_s=period_s, disk=disk, **others)
    group = Group(folder)
    table, state, cycles = (
        group.append_file("log.csv"),
        group.replace_file("state.json"),
        group.append_file("cycles.bin"),
    )
    with writer.lock:
        for row in (b"header\n", b"one\n", b"two\n"):
            table.add(row)
        state.put(b"{}\n")
        cycles.add(b"a block")
    writer.enter(group)
    return writer, group


def test_closing_tries_again_until_the_disk_is_back(tmp_path):
    """Rounds fail while a disk is full: the end of the service waits for it, and loses nothing."""
    writer, _ = writer_of(tmp_path, Failing(7))
    writer.start()
    threads = writer.threads
    assert writer.close(BOUND_S), writer.trouble
    assert (tmp_path / "log.csv").read_bytes() == b"header\none\ntwo\n"
    assert writer.waiting_rows == 0
    until(lambda: not any(thread.is_alive() for thread in threads))


def test_closing_gives_up_after_its_time_and_counts_rows(tmp_path):
    """A disk that stays full: its trouble and the rows are there to be told; a header and other files are no rows."""
    writer, _ = writer_of(tmp_path, Failing(1 << 60))
    writer.start()
    assert not writer.close(0.1)
    assert writer.known_trouble == f"{tmp_path.name}/log.csv: No space left on device"
    assert writer.waiting_rows == 2


def test_closing_that_is_given_up_tries_no_longer(tmp_path):
    """More time is allowed; somebody who will not wait that long is asked again and again, and is obeyed."""
    writer, _ = writer_of(tmp_path, Failing(1 << 60))
    writer.start()
    threads, asked = writer.threads, []

    def given_up() -> bool:
        asked.append(writer.commits)
        return len(asked) == 2

    assert not writer.close(BOUND_S, given_up)
    assert len(asked) == 2
    assert writer.waiting_rows == 2
    until(lambda: not any(thread.is_alive() for thread in threads))


def test_a_write_that_ends_after_it_was_given_up_lost_nothing(tmp_path):
    """Closing waits for the hand that is at it: what it then has on the disk is not called lost."""
    disk = Hanging("write")
    writer, _ = writer_of(tmp_path, disk, period_s=BOUND_S)
    writer.start()

    def given_up() -> bool:
        disk.answers.set()
        return disk.hangs.wait(BOUND_S)

    assert writer.close(BOUND_S, given_up)
    assert writer.waiting_bytes == 0


def test_a_row_that_came_while_a_write_was_given_up_is_lost(tmp_path):
    """The write comes to its end, no other round is made: what came meanwhile stands in memory alone."""
    disk = Hanging("write")
    writer, group = writer_of(tmp_path, disk, period_s=BOUND_S)
    writer.start()

    def given_up() -> bool:
        assert disk.hangs.wait(BOUND_S)
        with writer.lock:
            group.files[0].add(b"late\n")
        writer._stop = True
        disk.answers.set()
        return True

    assert not writer.close(BOUND_S, given_up)
    assert writer.waiting_rows == 1


class FailingAt(Disk):
    """Takes whole files; refuses what grows while it is full."""

    full = False

    def write(self, fd, data, offset):
        if self.full and data.startswith(b"row"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().write(fd, data, offset)

    def replace(self, path, data):
        if data == b"refused":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().replace(path, data)


def test_what_is_safe_of_one_file_hangs_on_no_other(tmp_path):
    """A state that is on the disk counts, though rows behind it wait; one that is not does not, though rows are."""
    writer = Writer(disk=FailingAt())
    group = Group(tmp_path)
    state, table = group.replace_file("state.json"), group.append_file("log.csv")
    writer.enter(group)
    assert writer.safe_mark(tmp_path, "state.json") == 0
    writer._disk.full = True
    table.add(b"row\n")
    state.put(b"one")
    first, _ = writer.mark()
    assert writer.safe_mark(tmp_path, "state.json") < first
    assert not writer.commit()
    assert writer.safe_mark(tmp_path, "state.json") == first
    assert writer.safe_mark(tmp_path, "log.csv") == 0
    writer._disk.full = False
    state.put(b"refused")
    second, _ = writer.mark()
    assert not writer.commit()
    assert writer.safe_mark(tmp_path, "state.json") == first < second
    state.put(b"two")
    writer.leave(group)
    assert writer.commit()
    assert writer.safe_mark(tmp_path, "state.json") == second  # let go: all of it is there
    assert writer.safe_mark(tmp_path / "another", "state.json") == second


def test_what_comes_while_its_file_is_written_is_not_safe_yet(tmp_path):
    """A state that is put while the one before goes to the disk counts from the next round on."""
    marks = []

    class Putting(Disk):
        def replace(self, path, data):
            super().replace(path, data)
            if data == b"one":
                state.put(b"two")
                marks.append(writer.mark()[0])

    writer = Writer(disk=Putting())
    group = Group(tmp_path)
    state = group.replace_file("state.json")
    writer.enter(group)
    state.put(b"one")
    first, _ = writer.mark()
    assert writer.commit()
    assert writer.safe_mark(tmp_path, "state.json") == first < marks[0]
    assert writer.commit()
    assert writer.safe_mark(tmp_path, "state.json") == marks[0]


def test_rows_behind_a_written_header_count_all(tmp_path):
    """Once a table stands on the disk each part that waits for it is a row."""
    writer, group = writer_of(tmp_path, Failing(0))
    assert writer.commit()
    with writer.lock:
        group.files[0].add(b"three\n")
    assert writer.waiting_rows == 1
    assert writer.close()


def test_what_is_known_of_a_disk_that_hangs(tmp_path):
    """Without waiting: nothing at first, after some rounds that it does not answer; nothing again once it did."""
    disk = Hanging("write")
    writer, _ = writer_of(tmp_path, disk)
    assert writer.known_trouble is None
    writer.start()
    assert disk.hangs.wait(BOUND_S)
    until(lambda: writer.known_trouble == BEHIND)
    assert writer.commits >= BEHIND_ROUNDS
    disk.answers.set()
    assert writer.close(BOUND_S)
    assert writer.known_trouble is None


def test_a_look_at_the_disk_that_hangs_takes_no_row_and_keeps_nobody(tmp_path):
    """All rows are written: the end does not wait for an answer that no row needs."""
    disk = Hanging("free_bytes")
    writer, _ = writer_of(tmp_path, Failing(0), space=Space(tmp_path, 1, 1.0, disk=disk))
    writer.commits = -1  # the next round looks
    writer.start()
    assert disk.hangs.wait(BOUND_S)
    assert writer.close(BOUND_S)
    assert (tmp_path / "log.csv").read_bytes() == b"header\none\ntwo\n"
    disk.answers.set()


def test_what_came_while_the_last_round_was_written_is_written_too(tmp_path):
    """A group is left while a hand is at its rows: it is let go only once what came meanwhile is on the disk."""
    disk = Hanging("sync")
    writer, group = writer_of(tmp_path, disk)
    writer.start()
    assert disk.hangs.wait(BOUND_S)
    with writer.lock:
        group.files[0].add(b"late\n")
        group.files[1].put(b'{"late": 1}\n')
        writer.leave(group)
    disk.answers.set()
    until(lambda: not writer._groups)
    assert (tmp_path / "log.csv").read_bytes() == b"header\none\ntwo\nlate\n"
    assert (tmp_path / "state.json").read_bytes() == b'{"late": 1}\n'
    assert writer.close(BOUND_S)


def test_no_cycle_waits_for_files_that_are_closed(tmp_path):
    """A run's files are given back on a disk that does not answer: marks and rows of others go on."""
    disk = Hanging("")
    writer, group = writer_of(tmp_path, disk)
    writer.start()
    assert writer.flush(BOUND_S)
    disk.what = "close"
    writer.leave(group)
    assert disk.hangs.wait(BOUND_S)
    assert writer.lock.acquire(timeout=BOUND_S)  # also a `mark` takes it
    writer.lock.release()
    writer.enter(group)  # while its files are being closed
    with writer.lock:
        group.files[0].add(b"again\n")
    disk.what = ""
    disk.answers.set()
    assert writer.close(BOUND_S)
    assert (tmp_path / "log.csv").read_bytes() == b"header\none\ntwo\nagain\n"
