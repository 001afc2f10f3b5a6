"""Where a record stands: a run folder, or the same files in one archive. Reading only; who reads need not ask which.

An archive is a zip file (ISO/IEC 21320-1: stored or deflated, no encryption) named `<run folder>.zip`, each file in it
as `<run folder>/<file>`, dated 1980-01-01: unpacking gives the folder back, packing again the same bytes. One that was
renamed, or packed by another program, is read as well; its run is called as the folder in it. Nothing from outside is
believed: what a folder's or an archive's names lead to is looked at before anything is read, and every
message is one clean line.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from controller.records.errors import RecordError
from profiles.problems import clean

LARGEST_FILE = 500_000_000
"""Bytes of one file: a log of forty days with a row each second. Own choice, so that no file fills the memory."""
SUFFIX = ".zip"
DATED = (1980, 1, 1, 0, 0, 0)
"""The date of every file in an archive: when it was packed leaves no trace, and no other date is accepted."""
_PIECE_BYTES = 1 << 20


class Place(Protocol):
    """A record's files. Every call may raise RecordError with the file's name and what is wrong with it."""

    @property
    def path(self) -> Path:
        """The folder or the archive."""
        ...

    @property
    def name(self) -> str:
        """The run folder's name, archived or not."""
        ...

    def names(self) -> tuple[str, ...]:
        """The files that are there, sorted."""
        ...

    def size(self, name: str) -> int | None:
        """Bytes of a file; None: it is not there."""
        ...

    def open(self, name: str) -> BinaryIO | None:
        """A file to be read from its beginning, or None; the caller closes it. Damage shows while reading."""
        ...


@dataclass(frozen=True)
class FolderPlace:
    """A run folder. Only plain files in it count: a pipe would let a reader wait for ever, a link lead elsewhere."""

    path: Path

    @property
    def name(self) -> str:
        """See Place."""
        return self.path.resolve().name

    def names(self) -> tuple[str, ...]:
        """See Place."""
        try:
            with os.scandir(self.path) as entries:
                return tuple(sorted(each.name for each in entries if each.is_file(follow_symlinks=False)))
        except OSError as error:
            raise _unreadable(self.path, error) from None

    def size(self, name: str) -> int | None:
        """See Place."""
        place = self.path / name
        try:
            found = place.lstat()
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise _unreadable(place, error) from None
        return _size(place, found)

    def open(self, name: str) -> BinaryIO | None:
        """See Place."""
        place = self.path / name
        if self.size(name) is None:
            return None
        try:
            # What stood there a moment ago may be another thing now: never wait for it, never follow it.
            fd = os.open(place, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise _unreadable(place, error) from None
        try:
            _size(place, os.fstat(fd))
            return os.fdopen(fd, "rb")
        except BaseException:
            os.close(fd)
            raise


def _size(place: Path, found: os.stat_result) -> int:
    if not stat.S_ISREG(found.st_mode):
        raise RecordError(f"{clean(str(place))}: is no plain file")
    if found.st_size > LARGEST_FILE:
        raise RecordError(f"{clean(str(place))}: is larger than {LARGEST_FILE // 1_000_000} MB")
    return found.st_size


def _unreadable(place: Path, error: Exception) -> RecordError:
    why = error.strerror if isinstance(error, OSError) else str(error)
    return RecordError(f"{clean(str(place))}: cannot be read: {clean(why or type(error).__name__)}")


@dataclass(frozen=True)
class ArchivePlace:
    """An archived run. Each call opens the archive anew: nothing stays open between them.

    `own`: only as archiving here packs it, under its run's name; else any zip file with one run's folder in it.
    """

    path: Path
    own: bool = False

    @property
    def name(self) -> str:
        """See Place: the name of the folder inside, whatever the file is called; of the file where none is found."""
        from controller.records import zipped  # who reads a folder needs no archives

        stem = _stem(self.path.resolve().name)
        try:
            return stem if self.own else zipped.run_of(self.path)
        except RecordError:
            return stem

    def names(self) -> tuple[str, ...]:
        """See Place."""
        from controller.records import zipped

        return zipped.names(self.path, self._run())

    def size(self, name: str) -> int | None:
        """See Place."""
        from controller.records import zipped

        return zipped.size(self.path, self._run(), name)

    def open(self, name: str) -> BinaryIO | None:
        """See Place."""
        from controller.records import zipped

        return zipped.open_member(self.path, self._run(), name)

    def as_packed_here(self) -> bool:
        """Whether it is, byte by byte, of the form that archiving here writes, and called after its run."""
        try:
            ArchivePlace(self.path, own=True).names()
        except RecordError:
            return False
        return True

    def _run(self) -> str | None:
        return self.name if self.own else None


def is_archive_name(name: str) -> bool:
    """Whether a file is called as a zip file is."""
    return name.lower().endswith(SUFFIX)


def _stem(name: str) -> str:
    return name[: -len(SUFFIX)] if is_archive_name(name) else name


def place_of(path: Path) -> Place:
    """The record at `path`, folder or archive; RecordError when there is neither, in words without the path."""
    try:
        if path.is_dir():
            return FolderPlace(path)
        if path.is_file() and is_archive_name(path.name):
            return _archive(path)
        there = path.exists()
    except (OSError, ValueError) as error:
        raise RecordError(bare(path, _unreadable(path, error))) from None
    raise RecordError(f"is no run folder: {'it is another file' if there else 'there is no such folder'}")


def _archive(path: Path) -> ArchivePlace:
    """An archive that holds a record, or is damaged; RecordError: a zip file of another kind."""
    from controller.records import zipped

    try:
        zipped.run_of(path)
    except zipped.Unlike as error:
        raise RecordError(bare(path, error)) from None
    except RecordError:
        pass  # damage shows, and is told, where a file is read
    return ArchivePlace(path)


def bare(path: Path, error: Exception) -> str:
    """What an error says of a record whose path stands before it already."""
    return str(error).removeprefix(f"{clean(str(path))}: ").replace(f"{clean(str(path))}/", "")


def read_all(place: Place, name: str, most: int = LARGEST_FILE) -> bytes:
    """A file's bytes, none when it is missing; RecordError when it cannot be read or has more than `most` bytes."""
    data, trouble = read_some_of(place, name, most)
    if trouble is not None:
        raise trouble
    return data


def read_some_of(place: Place, name: str, most: int = LARGEST_FILE) -> tuple[bytes, RecordError | None]:
    """A file's bytes as far as they can be read, and why no more of them (None: these are all).

    RecordError: it is no file that can be opened, or it has more than `most` bytes.
    """
    stream = place.open(name)
    if stream is None:
        return b"", None
    told = f"{clean(str(place.path))}: {clean(name)}"
    parts, left = [], most
    trouble: RecordError | None = None
    with stream:
        try:
            # Not in one call: that would ask for the memory before anybody knows that there is as much to read.
            while data := stream.read(_PIECE_BYTES):
                parts.append(data)
                left -= len(data)
                if left < 0:
                    break
        except OSError as error:
            trouble = RecordError(f"{told}: cannot be read: {clean(error.strerror or type(error).__name__)}")
        except RecordError as error:
            trouble = error
    if left < 0:
        raise RecordError(f"{told}: is larger than {most / 1e6:g} MB")
    return b"".join(parts), trouble
