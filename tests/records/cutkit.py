"""A disk that loses its power: what a program did to files is traced, and of what was not synced any part may be gone.

The program runs unchanged on real files; the calls of `os` are watched, so that the order of writing, syncing and
renaming is the program's own. Beside the real files stands what is safe: the bytes of a file after its sync, the names
in a folder after the folder's sync (POSIX promises no more). `Trace.cut` builds one tree that a power cut may leave.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any
from unittest.mock import patch

SECTOR = 512


class Killed(BaseException):
    """The process ends here: nothing that it still meant to do happens."""


@dataclass
class File:
    """One file: what it shows, what is safe, and what was done to it since its last sync."""

    shown: bytearray = field(default_factory=bytearray)
    safe: bytes = b""
    waits: list[tuple[int, bytes | None]] = field(default_factory=list)

    def write(self, offset: int, data: bytes) -> None:
        put(self.shown, offset, data)
        self.waits.append((offset, data))

    def truncate(self, length: int) -> None:
        resize(self.shown, length)
        self.waits.append((length, None))

    def sync(self) -> None:
        self.safe, self.waits = bytes(self.shown), []

    def left(self, chance: Random) -> bytes:
        """What of it a power cut may leave: each sector and each change of length by itself."""
        found = bytearray(self.safe)
        likely = chance.choice((0.0, 0.5, 0.9, 1.0))
        for offset, data in self.waits:
            if data is None:
                if chance.random() < likely:
                    resize(found, offset)
                continue
            for begin, piece in sectors(offset, data):
                if chance.random() < likely:
                    put(found, begin, piece)
                elif chance.random() < 0.1:
                    resize(found, max(len(found), begin + len(piece)))  # the length is there, the bytes are not
        return bytes(found)


@dataclass
class Folder:
    """One folder: the names it shows, those that are safe, and the changes since its last sync."""

    shown: dict[str, File | Folder] = field(default_factory=dict)
    safe: dict[str, File | Folder] = field(default_factory=dict)
    waits: list[dict[str, File | Folder | None]] = field(default_factory=list)

    def change(self, names: dict[str, File | Folder | None]) -> None:
        """Names set or taken away in one step."""
        apply(self.shown, names)
        self.waits.append(names)

    def sync(self) -> None:
        self.safe, self.waits = dict(self.shown), []

    def left(self, chance: Random) -> dict[str, File | Folder]:
        found = dict(self.safe)
        likely = chance.choice((0.0, 0.5, 1.0))
        for names in self.waits:
            if chance.random() < likely:
                apply(found, names)
        return found


@contextmanager
def in_memory() -> Iterator[Path]:
    """A folder in memory where the machine has one: other people's disk traffic is no business of a test."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() and os.access(memory, os.W_OK) else None) as folder:
        yield Path(folder)


def apply(shown: dict[str, Any], names: dict[str, Any]) -> None:
    for name, what in names.items():
        if what is None:
            shown.pop(name, None)
        else:
            shown[name] = what


def put(found: bytearray, offset: int, data: bytes) -> None:
    resize(found, max(len(found), offset))
    found[offset : offset + len(data)] = data


def resize(found: bytearray, length: int) -> None:
    del found[length:]
    found.extend(bytes(length - len(found)))


def sectors(offset: int, data: bytes) -> Iterator[tuple[int, bytes]]:
    begin = offset
    while begin < offset + len(data):
        end = min(begin - begin % SECTOR + SECTOR, offset + len(data))
        yield begin, data[begin - offset : end - offset]
        begin = end


def safe_tree(place: Path) -> Folder:
    """What stands in a folder, all of it safe."""
    names: dict[str, File | Folder] = {}
    for path in place.iterdir():
        data = b"" if path.is_dir() else path.read_bytes()
        names[path.name] = safe_tree(path) if path.is_dir() else File(bytearray(data), data)
    return Folder(dict(names), dict(names))


class Trace:
    """All that is done below `root`, a folder that is safe as it is. `kill_at`: the call at which the process ends."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.tree = safe_tree(root)
        self.calls = 0
        self.kill_at: int | None = None
        self._handles: dict[int, File | Folder] = {}
        self._lock = threading.RLock()

    def at(self, path: Any) -> File | Folder | None:
        """What stands at a path below the root; None where nothing does."""
        here: File | Folder | None = self.tree
        for part in Path(path).relative_to(self.root).parts:
            here = here.shown.get(part) if isinstance(here, Folder) else None
        return here

    def shown(self, path: Path) -> bytes:
        """The bytes of a file as the program sees them, none where it is missing."""
        found = self.at(path)
        return bytes(found.shown) if isinstance(found, File) else b""

    def died(self) -> None:
        """The process is gone, and with it what it had open."""
        for fd in self._handles:
            os.close(fd)
        self._handles.clear()

    def cut(self, chance: Random, place: Path) -> None:
        """Write one tree that a power cut now may leave to `place`."""
        leave(self.tree, place, chance)

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Watch the calls of this process; nothing is really synced, which only saves time."""
        names = (
            "open",
            "pwrite",
            "ftruncate",
            "fdatasync",
            "fsync",
            "close",
            "replace",
            "rename",
            "unlink",
            "mkdir",
            "rmdir",
        )
        calls = {name: self._watched(getattr(self, f"_{name}"), getattr(os, name)) for name in names}
        with patch.multiple(os, **calls):
            yield

    def _watched(self, mine: Callable[..., Any], real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **named: Any) -> Any:
            with self._lock:
                return mine(real, *args, **named)

        return call

    def _counts(self) -> bool:
        """Count a call that changes something; True: the process ends in the midst of it."""
        self.calls += 1
        if self.kill_at is not None and self.calls > self.kill_at:
            raise Killed
        return self.calls == self.kill_at

    def _is_ours(self, path: Any) -> bool:
        return isinstance(path, str | Path) and Path(path).is_relative_to(self.root)

    def _folder_of(self, path: Any) -> Folder:
        found = self.at(Path(path).parent)
        assert isinstance(found, Folder)
        return found

    def _open(self, real: Any, path: Any, flags: int, *args: Any, **named: Any) -> int:
        """Creating and emptying count; opening what is there does not."""
        if not self._is_ours(path):
            return int(real(path, flags, *args, **named))
        there = self.at(path)
        changes = (there is None and flags & os.O_CREAT) or flags & os.O_TRUNC
        if changes and self._counts():
            raise Killed
        fd = int(real(path, flags, *args, **named))
        if there is None:
            there = File()
            self._folder_of(path).change({Path(path).name: there})
        if flags & os.O_TRUNC and isinstance(there, File):
            there.truncate(0)
        self._handles[fd] = there
        return fd

    def _mkdir(self, real: Any, path: Any, *args: Any, **named: Any) -> None:
        if self._is_ours(path) and self._counts():
            raise Killed
        real(path, *args, **named)
        if self._is_ours(path):
            self._folder_of(path).change({Path(path).name: Folder()})

    def _pwrite(self, real: Any, fd: int, data: Any, offset: int) -> int:
        file, whole = self._handles.get(fd), bytes(data)
        if not isinstance(file, File):
            return int(real(fd, data, offset))
        ends = self._counts()
        part = whole[: len(whole) // 2] if ends else whole
        done = int(real(fd, part, offset))
        file.write(offset, part[:done])
        if ends:
            raise Killed
        return done

    def _ftruncate(self, real: Any, fd: int, length: int) -> None:
        file = self._handles.get(fd)
        if isinstance(file, File) and self._counts():
            raise Killed
        real(fd, length)
        if isinstance(file, File):
            file.truncate(length)

    def _fdatasync(self, real: Any, fd: int) -> None:
        what = self._handles.get(fd)
        if what is None:
            real(fd)
        elif self._counts():
            raise Killed
        else:
            what.sync()

    _fsync = _fdatasync

    def _close(self, real: Any, fd: int) -> None:
        self._handles.pop(fd, None)
        real(fd)

    def _replace(self, real: Any, old: Any, new: Any, **named: Any) -> None:
        if self._is_ours(old) and self._counts():
            raise Killed
        real(old, new, **named)
        if self._is_ours(old):
            assert Path(old).parent == Path(new).parent
            self._folder_of(old).change({Path(new).name: self.at(old), Path(old).name: None})

    _rename = _replace

    def _unlink(self, real: Any, path: Any, **named: Any) -> None:
        if self._is_ours(path) and self._counts():
            raise Killed
        real(path, **named)
        if self._is_ours(path):
            self._folder_of(path).change({Path(path).name: None})

    _rmdir = _unlink


def leave(folder: Folder, place: Path, chance: Random) -> None:
    """Write what a power cut leaves of a folder to `place`."""
    place.mkdir(parents=True, exist_ok=True)
    for name, what in folder.left(chance).items():
        if isinstance(what, Folder):
            leave(what, place / name, chance)
        else:
            (place / name).write_bytes(what.left(chance))
