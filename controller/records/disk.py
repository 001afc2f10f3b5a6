"""The few things done to a disk: tests put a failing one in its place. No policy here.

What is made of several steps (`make_folder`, `replace`, `remove`) begins anew from its first one when it is tried again
after a failure: a sync that failed once may succeed the next time without having kept anything, so a second sync alone
proves nothing.
"""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

FEWEST_FILES = 1_000
"""A disk with room for fewer new files counts as full; a run takes some eight (own choice)."""


class Disk:
    """File operations that either are done or raise OSError."""

    def make_folder(self, folder: Path) -> None:
        """The folder and its parents exist, and so do their entries after a power cut."""
        missing = [folder, *folder.parents]
        missing = missing[: next(i for i, one in enumerate(missing) if self.exists(one))]
        try:
            for one in reversed(missing):
                self.mkdir(one)
            # Also where nothing is missing: an earlier process may have ended between making and syncing.
            for one in reversed(missing or [folder]):
                self.sync_folder(one.parent)
        except OSError:
            for one in missing:
                with suppress(OSError):
                    self.rmdir(one)
            raise

    def exists(self, path: Path) -> bool:
        """Whether something of that name is there."""
        return path.exists()

    def mkdir(self, folder: Path) -> None:
        """Make one folder; one that somebody else made meanwhile is as good."""
        folder.mkdir(exist_ok=True)

    def rmdir(self, folder: Path) -> None:
        """Take an empty folder away."""
        folder.rmdir()

    def holds_files(self, folder: Path) -> bool:
        """Whether anything stands in a folder that need not be there."""
        try:
            with os.scandir(folder) as entries:
                return next(entries, None) is not None
        except FileNotFoundError:
            return False

    def open(self, path: Path, create: bool = True) -> tuple[int, bool]:
        """A descriptor for reading and writing, and whether the file was created; a link is refused."""
        try:
            return os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC), False
        except FileNotFoundError:
            if not create:
                raise
            return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644), True

    def size(self, fd: int) -> int:
        """Length in bytes; OSError when the file was removed meanwhile."""
        found = os.fstat(fd)
        if found.st_nlink == 0:
            raise OSError(errno.ENOENT, "was removed")
        return found.st_size

    def identity(self, path: Path) -> tuple[int, int]:
        """What tells a file or folder from any other that may come to stand at its path."""
        found = path.stat()
        return found.st_dev, found.st_ino

    def leads_to(self, path: Path, fd: int) -> bool:
        """Whether a path still leads to what a descriptor has open: a rename, or another mount, takes no descriptor."""
        found = os.fstat(fd)
        try:
            return self.identity(path) == (found.st_dev, found.st_ino)
        except FileNotFoundError:
            return False

    def truncate(self, fd: int, length: int) -> None:
        """Cut or clear a file."""
        os.ftruncate(fd, length)

    def write(self, fd: int, data: bytes, offset: int) -> None:
        """All of `data` at `offset`."""
        done = os.pwrite(fd, data, offset)
        view = memoryview(data)
        while done < len(view):
            done += os.pwrite(fd, view[done:], offset + done)

    def sync(self, fd: int) -> None:
        """What was written survives a power cut."""
        os.fdatasync(fd)

    def close(self, fd: int) -> None:
        """Give the descriptor back; the data were synced before, so an error here means nothing."""
        with suppress(OSError):
            os.close(fd)

    def sync_folder(self, folder: Path) -> None:
        """New and removed entries of a folder survive a power cut."""
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def rename(self, old: Path, new: Path) -> None:
        """One file takes another's place."""
        old.replace(new)

    def unlink(self, path: Path) -> None:
        """Take a file away, where there is one."""
        path.unlink(missing_ok=True)

    def replace(self, path: Path, data: bytes) -> None:
        """The file holds `data` or what it held before, never a mixture."""
        new = path.with_name(path.name + ".new")
        self.unlink(new)
        fd, _ = self.open(new)
        try:
            self.write(fd, data, 0)
            self.sync(fd)
        finally:
            self.close(fd)
        self.rename(new, path)
        self.sync_folder(path.parent)

    def remove(self, path: Path) -> None:
        """The file is gone, for good."""
        if not self.exists(path):
            # It may be gone by an attempt whose sync failed: the folder has to change for a sync to mean anything.
            self.close(self.open(path)[0])
        self.unlink(path)
        self.sync_folder(path.parent)

    def allocate(self, path: Path, size: int) -> None:
        """A file of `size` bytes that the disk has put aside; OSError, and no file, when it has not so much."""
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            if os.fstat(fd).st_size != size:
                os.ftruncate(fd, 0)
            os.posix_fallocate(fd, 0, size)
        except OSError:
            self.unlink(path)
            raise
        finally:
            os.close(fd)

    def free_bytes(self, folder: Path) -> int:
        """How much may still be written to the disk of a folder that need not be there yet."""
        there = next(one for one in (folder.absolute(), *folder.absolute().parents) if one.exists())
        found = os.statvfs(there)
        if found.f_files and found.f_favail < FEWEST_FILES:
            return 0
        return found.f_bavail * found.f_frsize
