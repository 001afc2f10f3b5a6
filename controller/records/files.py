"""What waits to be written, file by file, and how it is written so that an acknowledged row is never lost.

After a failed write or sync nothing is known of what the disk holds beyond the last acknowledged byte: the file is
opened anew, cut back to that byte, and everything behind it is written again. Owners hold the writer's lock around
`add`, `clear`, `put`, `take` and `done`; `commit` runs without it.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from controller.records.disk import Disk


class Lazy:
    """Bytes that the writer's thread makes when it first needs them (blocks of cycles)."""

    __slots__ = ("_data", "_make")

    def __init__(self, make: Callable[[], bytes]) -> None:
        self._make: Callable[[], bytes] | None = make
        self._data = b""

    def bytes(self) -> bytes:
        """The bytes, made once."""
        if self._make is not None:
            self._data = self._make()
            self._make = None
        return self._data


Part = bytes | Lazy


class Pending(Protocol):
    """What the writer asks of a file."""

    path: Path

    @property
    def waiting_bytes(self) -> int:
        """How much waits in memory."""
        ...

    def take(self) -> bool:
        """Mark what waits now as this commit's; False when nothing does."""
        ...

    def prepare(self) -> None:
        """Make the bytes, before the disk is touched."""
        ...

    def commit(self, disk: Disk) -> None:
        """Write and sync what was taken; OSError leaves all of it waiting."""
        ...

    def done(self) -> None:
        """What was taken is acknowledged and leaves the memory."""
        ...

    def close(self, disk: Disk) -> None:
        """Give descriptors back."""
        ...


class AppendFile:
    """A file that grows; `size` bytes of it are acknowledged already, anything behind them is cut at opening.

    `trim`: the next commit opens it, and so cuts, even when nothing waits to be added.
    """

    def __init__(self, path: Path, size: int = 0, *, trim: bool = False) -> None:
        self.path = path
        self._acknowledged = size
        self._parts: list[Part] = []
        self._fresh = False
        self._gone = False
        self._trim = trim
        self._fd: int | None = None
        self._taken = 0
        self._take_fresh = self._take_gone = False
        self._generation = self._taken_generation = 0
        self._batch: list[Part] = []
        self.waiting_bytes = 0

    def add(self, part: Part) -> None:
        """Append when next committed."""
        self._parts.append(part)
        self._gone = False

    def clear(self, *, remove: bool = False) -> None:
        """The file begins anew (or goes away): what it held and what waits for it is not needed any more."""
        self._parts = []
        self._fresh = True
        self._gone = remove
        self._generation += 1

    def take(self) -> bool:
        """See Pending."""
        self._batch = self._parts[:]
        self._take_fresh, self._take_gone = self._fresh, self._gone
        self._taken_generation = self._generation
        return bool(self._batch) or self._fresh or self._trim

    def prepare(self) -> None:
        """See Pending."""
        self.waiting_bytes = sum(len(part if isinstance(part, bytes) else part.bytes()) for part in self._batch)

    def commit(self, disk: Disk) -> None:
        """See Pending."""
        if self._take_gone:
            self.close(disk)
            disk.remove(self.path)
            self._acknowledged = 0
            return
        data = b"".join(part if isinstance(part, bytes) else part.bytes() for part in self._batch)
        try:
            fd, created = self._open(disk)
            if self._take_fresh:
                disk.truncate(fd, 0)
                self._acknowledged = 0
            disk.size(fd)
            disk.write(fd, data, self._acknowledged)
            disk.sync(fd)
            if created:
                disk.sync_folder(self.path.parent)
        except OSError:
            self.close(disk)
            raise
        self._acknowledged += len(data)

    def _open(self, disk: Disk) -> tuple[int, bool]:
        """The descriptor, and whether the folder's entry has to be synced."""
        if self._fd is not None:
            return self._fd, False
        self._fd, created = disk.open(self.path)
        size = disk.size(self._fd)
        if size < self._acknowledged and not self._take_fresh:
            raise OSError(errno.EIO, f"holds {size} bytes, {self._acknowledged} were acknowledged")
        if size > self._acknowledged:
            disk.truncate(self._fd, self._acknowledged)
        # A file created by an attempt that failed may lack its entry on the disk.
        return self._fd, created or self._acknowledged == 0

    def done(self) -> None:
        """See Pending."""
        self._trim = False
        if self._taken_generation == self._generation:
            del self._parts[: len(self._batch)]
            self._fresh = False
        self._batch = []
        self.waiting_bytes = 0

    def close(self, disk: Disk) -> None:
        """See Pending."""
        if self._fd is not None:
            disk.close(self._fd)
            self._fd = None


class ReplaceFile:
    """A file replaced as a whole; when several versions wait, the last one wins.

    `makes_folder`: it stands in a folder of its own below its group's.
    """

    def __init__(self, path: Path, *, makes_folder: bool = False) -> None:
        self.path = path
        self._makes_folder = makes_folder
        self._part: Part | None = None
        self._taken: Part | None = None
        self.waiting_bytes = 0

    def put(self, part: Part) -> None:
        """The whole content when next committed."""
        self._part = part

    def take(self) -> bool:
        """See Pending."""
        self._taken = self._part
        return self._taken is not None

    def prepare(self) -> None:
        """See Pending."""
        self.waiting_bytes = len(self._content())

    def _content(self) -> bytes:
        if self._taken is None:
            return b""
        return self._taken if isinstance(self._taken, bytes) else self._taken.bytes()

    def commit(self, disk: Disk) -> None:
        """See Pending."""
        if self._makes_folder:
            disk.make_folder(self.path.parent)
        disk.replace(self.path, self._content())

    def done(self) -> None:
        """See Pending."""
        if self._part is self._taken:
            self._part = None
        self._taken = None
        self.waiting_bytes = 0

    def close(self, disk: Disk) -> None:
        """Nothing stays open."""
