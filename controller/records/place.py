"""Where a record stands: a run folder, or the same files in one archive. Reading only; who reads need not ask which.

An archive is a zip file (ISO/IEC 21320-1: stored or deflated, no encryption) named `<run folder>.zip`, each file in it
as `<run folder>/<file>`, so that unpacking gives the folder back. What an archive from outside claims is not believed:
names, sizes and check sums are looked at before anything is taken.
"""

from __future__ import annotations

import io
import stat
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from controller.records.errors import RecordError

LARGEST_FILE = 2_000_000_000
SUFFIX = ".zip"
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 1


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
    """A run folder."""

    path: Path

    @property
    def name(self) -> str:
        """See Place."""
        return self.path.resolve().name

    def names(self) -> tuple[str, ...]:
        """See Place."""
        try:
            return tuple(sorted(each.name for each in self.path.iterdir() if each.is_file()))
        except OSError as error:
            raise RecordError(f"{self.path}: cannot be read: {error.strerror}") from None

    def size(self, name: str) -> int | None:
        """See Place."""
        place = self.path / name
        try:
            found = place.stat()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise RecordError(f"{place}: cannot be read: {error.strerror}") from None
        if not stat.S_ISREG(found.st_mode):
            # A pipe of that name would let a reader wait for ever.
            raise RecordError(f"{place}: is no plain file")
        if found.st_size > LARGEST_FILE:
            raise RecordError(f"{place}: is larger than {LARGEST_FILE // 1_000_000} MB")
        return found.st_size

    def open(self, name: str) -> BinaryIO | None:
        """See Place."""
        if self.size(name) is None:
            return None
        try:
            return (self.path / name).open("rb")
        except FileNotFoundError:
            return None
        except OSError as error:
            raise RecordError(f"{self.path / name}: cannot be read: {error.strerror}") from None


@dataclass(frozen=True)
class ArchivePlace:
    """An archived run. Each call opens the archive anew: nothing stays open between them."""

    path: Path

    @property
    def name(self) -> str:
        """See Place."""
        return self.path.resolve().name.removesuffix(SUFFIX)

    def names(self) -> tuple[str, ...]:
        """See Place."""
        with self._opened() as archive:
            return tuple(sorted(self._entries(archive)))

    def size(self, name: str) -> int | None:
        """See Place."""
        with self._opened() as archive:
            entry = self._entries(archive).get(name)
        return None if entry is None else entry.file_size

    def open(self, name: str) -> BinaryIO | None:
        """See Place."""
        archive = self._opened()
        try:
            entry = self._entries(archive).get(name)
            if entry is None:
                archive.close()
                return None
            return io.BufferedReader(_Member(archive, entry, f"{self.path}: {name}"), 1 << 16)
        except BaseException:
            archive.close()
            raise

    def _opened(self) -> zipfile.ZipFile:
        try:
            return zipfile.ZipFile(self.path)
        except (OSError, zipfile.BadZipFile, ValueError, NotImplementedError) as error:
            raise RecordError(f"{self.path}: is no archive that can be read: {error}") from None

    def _entries(self, archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
        """The files of the record by their bare names; RecordError for anything that an archive of ours never holds."""
        found: dict[str, zipfile.ZipInfo] = {}
        for entry in archive.infolist():
            folder, _, name = entry.filename.rpartition("/")
            if not name or "/" in folder or folder != self.name or name in found:
                raise RecordError(f"{self.path}: {entry.filename[:100]!r} has no place in an archive of {self.name}")
            if entry.compress_type not in _METHODS or entry.flag_bits & _ENCRYPTED:
                raise RecordError(f"{self.path}: {name}: is packed in a way that archives here never are")
            if entry.file_size > LARGEST_FILE:
                raise RecordError(f"{self.path}: {name}: is larger than {LARGEST_FILE // 1_000_000} MB")
            found[name] = entry
        return found


class _Member(io.RawIOBase):
    """One file of an archive as a raw stream that closes the archive with itself and tells damage as RecordError."""

    def __init__(self, archive: zipfile.ZipFile, entry: zipfile.ZipInfo, told: str) -> None:
        super().__init__()
        self._archive = archive
        self._told = told
        try:
            self._stream = archive.open(entry)
        except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
            raise RecordError(f"{told}: cannot be read: {error}") from None

    def readable(self) -> bool:
        """It is for reading."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Read some bytes; RecordError where the packed bytes are damaged."""
        try:
            data = self._stream.read(len(buffer))
        except (OSError, EOFError, zipfile.BadZipFile, zlib.error, RuntimeError) as error:
            raise RecordError(f"{self._told}: cannot be read: {error}") from None
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """Give the archive back."""
        if not self.closed:
            self._stream.close()
            self._archive.close()
        super().close()


def place_of(path: Path) -> Place:
    """The record at `path`, folder or archive; RecordError when there is neither."""
    if path.is_dir():
        return FolderPlace(path)
    if path.is_file() and path.name.endswith(SUFFIX):
        return ArchivePlace(path)
    raise RecordError(f"is no run folder: {'it is another file' if path.exists() else 'there is no such folder'}")


def read_all(place: Place, name: str) -> bytes:
    """A file's bytes, none when it is missing; RecordError when it cannot be read or is absurdly large."""
    stream = place.open(name)
    if stream is None:
        return b""
    with stream:
        try:
            return stream.read()
        except OSError as error:
            raise RecordError(f"{place.path}: {name}: cannot be read: {error.strerror}") from None
