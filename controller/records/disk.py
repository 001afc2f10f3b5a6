"""The few things done to a disk, each one whole: tests put a failing one in its place. No policy here."""

from __future__ import annotations

import errno
import os
from pathlib import Path


class Disk:
    """File operations that either are done or raise OSError."""

    def make_folder(self, folder: Path) -> None:
        """The folder and its parents exist, and so do their entries after a power cut."""
        missing = [folder, *folder.parents]
        missing = missing[: next(i for i, one in enumerate(missing) if one.exists())]
        folder.mkdir(parents=True, exist_ok=True)
        for one in reversed(missing):
            self.sync_folder(one.parent)

    def open(self, path: Path) -> tuple[int, bool]:
        """A descriptor for reading and writing, and whether the file was created."""
        try:
            return os.open(path, os.O_RDWR | os.O_CLOEXEC), False
        except FileNotFoundError:
            return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644), True

    def size(self, fd: int) -> int:
        """Length in bytes; OSError when the file was removed meanwhile."""
        found = os.fstat(fd)
        if found.st_nlink == 0:
            raise OSError(errno.ENOENT, "was removed")
        return found.st_size

    def truncate(self, fd: int, length: int) -> None:
        """Cut or clear a file."""
        os.ftruncate(fd, length)

    def write(self, fd: int, data: bytes, offset: int) -> None:
        """All of `data` at `offset`."""
        view = memoryview(data)
        while view:
            done = os.pwrite(fd, view, offset)
            view, offset = view[done:], offset + done

    def sync(self, fd: int) -> None:
        """What was written survives a power cut."""
        os.fdatasync(fd)

    def close(self, fd: int) -> None:
        """Give the descriptor back; the data were synced before, so an error here means nothing."""
        try:
            os.close(fd)
        except OSError:
            return

    def sync_folder(self, folder: Path) -> None:
        """New and removed entries of a folder survive a power cut."""
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def replace(self, path: Path, data: bytes) -> None:
        """The file holds `data` or what it held before, never a mixture."""
        new = path.with_name(path.name + ".new")
        fd = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
        try:
            self.write(fd, data, 0)
            os.fsync(fd)
        finally:
            os.close(fd)
        new.replace(path)
        self.sync_folder(path.parent)

    def remove(self, path: Path) -> None:
        """The file is gone, for good."""
        path.unlink(missing_ok=True)
        self.sync_folder(path.parent)


class Reserve:
    """Space kept back on the record's disk: when it is full, this file makes room for the last hours' rows."""

    def __init__(self, path: Path, size: int = 64_000_000) -> None:
        self._path = path
        self._size = size

    def prepare(self) -> None:
        """Take the space (OSError when there is not so much)."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            os.posix_fallocate(fd, 0, self._size)
        except OSError:
            self._path.unlink(missing_ok=True)
            raise
        finally:
            os.close(fd)

    def release(self) -> bool:
        """Give the space to the rows; False when it was given before."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
