"""What waits to be written, file by file, and how it is written so that an acknowledged row is never lost.

After a failed write or sync nothing is known of what the disk holds beyond the last acknowledged byte: the file is
opened anew, cut back to that byte, and everything behind it is written again. A file whose entry in its folder may not
have been kept is made anew. Before each write the path must lead to the open file: rows in a folder that was moved away
are rows that nobody finds. Owners hold the writer's lock around `add`, `clear`, `put`, `take`, `unmade`, `weigh` and
`done`; making bytes and `commit` run without it.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from controller.records.disk import Disk

PART_BYTES = 50
"""What a row takes in memory beside its text: an object's head, its place in a list."""


TABLE = ".csv"
"""How the names of tables end: each part of one is a row."""


MOVED = "was moved, or another one stands in its place"


class Lazy:
    """Bytes that the writer's thread makes when it first needs them (blocks of cycles)."""

    __slots__ = ("_data", "_make")

    def __init__(self, make: Callable[[], bytes]) -> None:
        self._make: Callable[[], bytes] | None = make
        self._data = b""

    @property
    def made(self) -> bool:
        """Whether the bytes are there."""
        return self._make is None

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
        """How much waits in memory, with what was added since the last commit; bytes not made yet count nothing."""
        ...

    @property
    def waiting_rows(self) -> int:
        """How many rows of it wait, where it is a table."""
        ...

    @property
    def size(self) -> int:
        """How many bytes of it are acknowledged, where it is one that grows."""
        ...

    def take(self) -> bool:
        """Mark what waits now as this commit's; False when nothing does."""
        ...

    def unmade(self) -> Sequence[Lazy]:
        """What must be made before the disk is touched; nothing for a file without such parts."""
        ...

    def weigh(self) -> None:
        """What was unmade is made: it counts as waiting."""
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


def _bytes_of(part: Part) -> bytes:
    return part if isinstance(part, bytes) else part.bytes()


class AppendFile:
    """A file that grows; `size` bytes of it are acknowledged already, anything behind them is cut at opening.

    `trim`: the next commit opens it, and so cuts, even when nothing waits to be added.
    """

    def __init__(self, path: Path, size: int = 0, *, trim: bool = False) -> None:
        self.path = path
        self.size = size
        self._parts: list[Part] = []
        self._unmade: list[Lazy] = []
        self._fresh = False
        self._gone = False
        self._trim = trim
        self._fd: int | None = None
        self._entry_unsure = self._remake = False
        self._take_fresh = self._take_gone = False
        self._generation = self._taken_generation = 0
        self._batch: list[Part] = []
        self._batch_bytes = 0
        self.waiting_bytes = 0

    @property
    def waiting_rows(self) -> int:
        """How many rows wait, where it is a table; its header is none, and what is not a table has none."""
        rows = len(self._parts) if self.path.suffix == TABLE else 0
        return rows - 1 if rows and self.size == 0 else rows

    def add(self, part: Part) -> None:
        """Append when next committed."""
        self._parts.append(part)
        self._gone = False
        if isinstance(part, bytes):
            self.waiting_bytes += len(part) + PART_BYTES
        else:
            self._unmade.append(part)

    def clear(self, *, remove: bool = False) -> None:
        """The file begins anew (or goes away): what it held and what waits for it is not needed any more."""
        self._parts = []
        self._unmade = []
        self.waiting_bytes = 0
        self._fresh = True
        self._gone = remove
        self._generation += 1

    def take(self) -> bool:
        """See Pending."""
        self._batch = self._parts[:]
        self._batch_bytes = 0
        self._take_fresh, self._take_gone = self._fresh, self._gone
        self._taken_generation = self._generation
        return bool(self._batch) or self._fresh or self._trim

    def unmade(self) -> Sequence[Lazy]:
        """See Pending."""
        return self._unmade[:] if self._unmade else ()

    def weigh(self) -> None:
        """See Pending."""
        made = [part for part in self._unmade if part.made]
        self.waiting_bytes += sum(len(part.bytes()) + PART_BYTES for part in made)
        self._unmade = [part for part in self._unmade if not part.made]

    def commit(self, disk: Disk) -> None:
        """See Pending."""
        if self._take_gone:
            self.close(disk)
            disk.remove(self.path)
            self.size = 0
            return
        data = b"".join([_bytes_of(part) for part in self._batch])
        self._batch_bytes = len(data) + PART_BYTES * len(self._batch)
        try:
            fd = self._open(disk)
            self._fit(disk, fd)
            disk.write(fd, data, self.size)
            disk.sync(fd)
            if self._entry_unsure:
                disk.sync_folder(self.path.parent)
                self._entry_unsure = self._remake = False
        except OSError:
            self.close(disk)
            raise
        self.size += len(data)

    def _open(self, disk: Disk) -> int:
        if self._fd is None:
            begins = self.size == 0 or self._take_fresh
            if self._remake and begins:
                disk.unlink(self.path)
            self._fd, created = disk.open(self.path, begins)
            # One that an earlier attempt or process made may lack its entry on the disk, too.
            self._entry_unsure = created or self.size == 0
        return self._fd

    def _fit(self, disk: Disk, fd: int) -> None:
        """Cut the file to what is acknowledged; OSError where somebody moved or removed it, or some of it."""
        size = disk.size(fd)
        if not disk.leads_to(self.path, fd):
            raise OSError(errno.ESTALE, MOVED)
        if self._take_fresh:
            # Before the cut: if that fails, nothing of what the file held is counted on any more.
            self.size = 0
        if size < self.size:
            raise OSError(errno.EIO, f"holds {size} bytes, {self.size} were acknowledged")
        if size > self.size:
            disk.truncate(fd, self.size)

    def done(self) -> None:
        """See Pending."""
        self._trim = False
        if self._taken_generation == self._generation:
            del self._parts[: len(self._batch)]
            self._fresh = False
            self.waiting_bytes -= self._batch_bytes
        self._batch = []
        self._batch_bytes = 0

    def close(self, disk: Disk) -> None:
        """See Pending."""
        # Some sync of its folder may have failed since it was made: only a new entry can still be kept.
        self._remake = self._entry_unsure
        if self._fd is not None:
            disk.close(self._fd)
            self._fd = None


class ReplaceFile:
    """A file replaced as a whole; when several versions wait, the last one wins.

    `makes_folder`: it stands in a folder of its own below its group's.
    """

    size = waiting_rows = 0

    def __init__(self, path: Path, *, makes_folder: bool = False) -> None:
        self.path = path
        self._makes_folder = makes_folder
        self._part: Part | None = None
        self._taken: Part | None = None
        self.waiting_bytes = 0

    def put(self, part: Part) -> None:
        """The whole content when next committed."""
        self._part = part
        self.weigh()

    def take(self) -> bool:
        """See Pending."""
        self._taken = self._part
        return self._taken is not None

    def unmade(self) -> Sequence[Lazy]:
        """See Pending."""
        return (self._part,) if isinstance(self._part, Lazy) and not self._part.made else ()

    def weigh(self) -> None:
        """See Pending."""
        part = self._part
        self.waiting_bytes = 0 if part is None or self.unmade() else len(_bytes_of(part)) + PART_BYTES

    def commit(self, disk: Disk) -> None:
        """See Pending."""
        if self._taken is None:
            return
        if self._makes_folder:
            disk.make_folder(self.path.parent)
        disk.replace(self.path, _bytes_of(self._taken))

    def done(self) -> None:
        """See Pending."""
        if self._part is self._taken:
            self._part = None
            self.waiting_bytes = 0
        self._taken = None

    def close(self, disk: Disk) -> None:
        """Nothing stays open."""
