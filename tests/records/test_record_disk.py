"""A failed sync is never taken for success: on a disk that forgets what a failed sync should have kept, nothing that
was acknowledged is ever missing, whatever fails and whenever.

The disk is modelled after what Linux does: pages whose write-back failed are clean afterwards, so that the next sync
succeeds without having kept them.
"""

from __future__ import annotations

import errno
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from controller.records.disk import Disk
from controller.records.files import Lazy
from controller.records.group import Group
from controller.records.writer import Writer

RUNS = Path("/plant/runs")


@dataclass
class File:
    """What a file shows, what of it is kept, and what waits for its sync: (offset, bytes) or (length, None)."""

    shown: bytearray = field(default_factory=bytearray)
    kept: bytearray = field(default_factory=bytearray)
    waits: list[tuple[int, bytes | None]] = field(default_factory=list)
    links: int = 1

    def change(self, offset: int, data: bytes | None) -> None:
        put(self.shown, offset, data)
        self.waits.append((offset, data))

    def sync(self) -> None:
        for offset, data in self.waits:
            put(self.kept, offset, data)
        self.waits = []


@dataclass
class Folder:
    """The names a folder shows, those that are kept, and the changes that wait for its sync (None: taken away)."""

    shown: dict[str, File | Folder] = field(default_factory=dict)
    kept: dict[str, File | Folder] = field(default_factory=dict)
    waits: list[tuple[str, File | Folder | None]] = field(default_factory=list)

    def change(self, name: str, what: File | Folder | None) -> None:
        name_it(self.shown, name, what)
        self.waits.append((name, what))

    def sync(self) -> None:
        for name, what in self.waits:
            name_it(self.kept, name, what)
        self.waits = []


def put(held: bytearray, offset: int, data: bytes | None) -> None:
    length = offset if data is None else max(len(held), offset)
    del held[length:]
    held.extend(bytes(length - len(held)))
    if data is not None:
        held[offset : offset + len(data)] = data


def name_it(names: dict[str, File | Folder], name: str, what: File | Folder | None) -> None:
    if what is None:
        names.pop(name, None)
    else:
        names[name] = what


class ForgetfulDisk(Disk):
    """A disk in memory; `fails(step)` says whether a step fails. A sync that fails forgets what it should have kept.

    An empty folder can always be taken away again.
    """

    def __init__(self, fails: Callable[[str], bool]) -> None:
        self.root = Folder()
        self.fails = fails
        self._open: dict[int, File] = {}
        for part in ("plant", "runs"):
            folder = self.at(Path("/plant") if part == "runs" else Path("/"))
            folder.shown[part] = folder.kept[part] = Folder()

    def at(self, path: Path) -> File | Folder | None:
        found: File | Folder | None = self.root
        for part in path.parts[1:]:
            found = found.shown.get(part) if isinstance(found, Folder) else None
        return found

    def kept(self, path: Path) -> bytes | None:
        """What a power cut leaves of a file; None: it is not there."""
        found: File | Folder | None = self.root
        for part in path.parts[1:]:
            found = found.kept.get(part) if isinstance(found, Folder) else None
        return bytes(found.kept) if isinstance(found, File) else None

    def _step(self, step: str) -> None:
        if self.fails(step):
            raise OSError(errno.EIO, "Input/output error")

    def exists(self, path):
        return self.at(path) is not None

    def mkdir(self, folder):
        self._step("mkdir")
        if self.at(folder) is None:
            self.at(folder.parent).change(folder.name, Folder())

    def rmdir(self, folder):
        if self.at(folder) is None or self.at(folder).shown:
            raise OSError(errno.ENOTEMPTY, "not empty")
        self.at(folder.parent).change(folder.name, None)

    def open(self, path, create=True):
        self._step("open")
        found = self.at(path)
        if found is None and not create:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        if found is None:
            self.at(path.parent).change(path.name, File())
        fd = max(self._open, default=2) + 1
        self._open[fd] = self.at(path)
        return fd, found is None

    def size(self, fd):
        self._step("size")
        if not self._open[fd].links:
            raise OSError(errno.ENOENT, "was removed")
        return len(self._open[fd].shown)

    def identity(self, path):
        if self.at(path) is None:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        return 1, id(self.at(path))

    def leads_to(self, path, fd):
        return self.at(path) is self._open[fd]

    def truncate(self, fd, length):
        self._step("truncate")
        self._open[fd].change(length, None)

    def write(self, fd, data, offset):
        try:
            self._step("write")
        except OSError:
            self._open[fd].change(offset, data[: len(data) // 2])
            raise
        self._open[fd].change(offset, data)

    def sync(self, fd):
        try:
            self._step("sync")
        except OSError:
            self._open[fd].waits = []
            raise
        self._open[fd].sync()

    def close(self, fd):
        del self._open[fd]

    def sync_folder(self, folder):
        found = self.at(folder)
        if found is None:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        try:
            self._step("sync_folder")
        except OSError:
            found.waits = []
            raise
        found.sync()

    def rename(self, old, new):
        self._step("rename")
        file = self.at(old)
        self.at(old.parent).change(old.name, None)
        self.at(new.parent).change(new.name, file)

    def unlink(self, path):
        self._step("unlink")
        file = self.at(path)
        if isinstance(file, File):
            file.links = 0
            self.at(path.parent).change(path.name, None)

    @property
    def opened(self) -> int:
        return len(self._open)


class Play:
    """A group with two growing files, one that begins anew, one that is replaced; what is acknowledged is checked."""

    def __init__(self, fails: Callable[[str], bool]) -> None:
        self.disk = ForgetfulDisk(fails)
        self.writer = Writer(disk=self.disk)
        self.group = Group(RUNS / "east" / "a run")
        self.head = self.group.replace_file("run.json")
        self.cycles = self.group.append_file("cycles.bin")
        self.tail = self.group.append_file("cycles.tail")
        self.rows = self.group.append_file("log.csv")
        self.writer.enter(self.group)
        self.added = {self.cycles: b"", self.rows: b""}
        self.versions = [b""]
        self.step = 0

    def add(self) -> None:
        self.step += 1
        row = b"row %d\n" % self.step
        block = b"block %d;" % self.step
        with self.writer.lock:
            self.rows.add(row)
            self.cycles.add(Lazy(lambda: block))
            self.tail.add(b"tail %d;" % self.step)
        self.added[self.rows] += row
        self.added[self.cycles] += block

    def replace(self) -> None:
        self.step += 1
        self.versions.append(b"version %d" % self.step + b"." * (40 * self.step % 50))
        with self.writer.lock:
            self.head.put(self.versions[-1])

    def commit(self) -> bool:
        done = self.writer.commit()
        for file, data in self.added.items():
            kept = self.disk.kept(file.path)
            assert file.size == 0 or (kept is not None and kept[: file.size] == data[: file.size])
        assert (self.disk.kept(self.head.path) or b"") in self.versions
        if done:
            assert all(file.size == len(data) for file, data in self.added.items())
            assert self.versions == [b""] or self.disk.kept(self.head.path) == self.versions[-1]
            assert self.writer.trouble is None
            assert self.writer.waiting_bytes == 0
        else:
            assert "Input/output error" in self.writer.trouble
            assert self.disk.opened == 0
        return done

    def clear(self, *, remove: bool) -> None:
        with self.writer.lock:
            self.tail.clear(remove=remove)

    def whole(self) -> None:
        """The story of a run; each commit may fail, and is then done again until it holds."""
        for turn in range(4):
            self.replace()
            self.add()
            if turn == 2:
                self.clear(remove=False)
            while not self.commit():
                self.add()
        self.clear(remove=True)
        while not self.commit():
            pass
        assert self.disk.kept(self.tail.path) is None
        assert all(self.disk.kept(file.path) == data for file, data in self.added.items())


def counting(fails_at: int) -> tuple[Callable[[str], bool], list[str]]:
    """A disk on which one step fails, once; and the steps that were asked for."""
    steps: list[str] = []

    def fails(step: str) -> bool:
        steps.append(step)
        return len(steps) - 1 == fails_at

    return fails, steps


def test_the_story_without_a_fault_asks_for_every_sort_of_step():
    """What the sweep below lets fail one by one: every step but the one that only cleans up."""
    fails, steps = counting(-1)
    Play(fails).whole()
    assert set(steps) == {
        "mkdir", "open", "size", "truncate", "write", "sync", "sync_folder", "rename", "unlink",
    }  # fmt: skip


def test_any_one_step_may_fail_once():
    """Each step of the whole story in turn fails once and then says all is well: what is acknowledged is kept."""
    fails, steps = counting(-1)
    Play(fails).whole()
    for number in range(len(steps)):
        fails, _ = counting(number)
        Play(fails).whole()


@pytest.mark.parametrize("seed", range(40))
def test_whatever_fails_nothing_acknowledged_is_missing(seed):
    """Faults at random, several in a row: kept at all times is what was acknowledged; all of it once they are over."""
    chance = random.Random(seed)
    likely = chance.choice((0.02, 0.1, 0.3))
    faulty = [True]
    play = Play(lambda _: faulty[0] and chance.random() < likely)
    for _ in range(60):
        what = chance.random()
        if what < 0.5:
            play.add()
        elif what < 0.6:
            play.replace()
        elif what < 0.7:
            play.clear(remove=chance.random() < 0.5)
        play.commit()
    faulty[0] = False
    play.add()
    assert play.commit()
    assert all(play.disk.kept(file.path) == data for file, data in play.added.items())


def test_a_file_somebody_cut_or_took_away_is_told_and_not_made_up():
    """Acknowledged bytes that are gone are trouble, and stay it; nothing is written over what is left."""
    play = Play(lambda _: False)
    play.add()
    assert play.commit()
    folder = play.disk.at(play.rows.path.parent)
    saved = folder.shown.pop("log.csv")
    saved.links = 0
    play.add()
    assert not play.writer.commit()
    assert "log.csv: was removed" in play.writer.trouble
    assert not play.writer.commit()
    assert "No such file" in play.writer.trouble
    assert "log.csv" not in folder.shown
    saved.links = 1
    folder.shown["log.csv"] = saved
    assert play.commit()
    play.disk.at(play.rows.path).change(1, None)
    play.add()
    assert not play.writer.commit()
    assert "holds 1 bytes" in play.writer.trouble
    assert bytes(play.disk.at(play.rows.path).shown) == b"r"


def test_what_somebody_added_to_a_file_is_cut():
    """The record is its one writer's: foreign bytes at a file's end go before the next row."""
    play = Play(lambda _: False)
    play.add()
    assert play.commit()
    play.disk.at(play.rows.path).change(play.rows.size, b"foreign")
    play.add()
    assert play.commit()
    assert play.disk.kept(play.rows.path) == play.added[play.rows]
