"""What the writer's thread commits together: the files of one folder, and what is known of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from controller.records.disk import Disk
from controller.records.files import AppendFile, Pending, ReplaceFile

PASSING = ".tail"
"""Files of this ending begin anew again and again: they take no room that lasts."""


class Group:
    """Files of one folder, committed in their order; a failing one holds back those behind it.

    `on_commit` runs in the writer's thread, under the lock, before the files' contents are taken; runs have one.
    `is_new`: nothing of its folder may be there yet.
    """

    def __init__(self, folder: Path, on_commit: Callable[[], None] | None = None, *, is_new: bool = False) -> None:
        self.folder = folder
        self.is_new = is_new
        self.on_commit = on_commit
        self.files: list[Pending] = []
        self.leaving = False
        self.made = False
        self.identity: tuple[int, int] | None = None
        self.busy = False
        self.trouble: str | None = None
        self.fault: str | None = None
        self.taken: list[Pending] = []
        self.taken_mark = self.settled_mark = 0
        self.safe_marks: dict[str, int] = {}

    @property
    def lasting_bytes(self) -> int:
        """What its files take on the disk for good."""
        return sum(file.size for file in self.files if file.path.suffix != PASSING)

    def close(self, disk: Disk) -> None:
        """Give its files back; the next write opens them again."""
        for file in self.files:
            file.close(disk)

    def append_file(self, name: str, size: int = 0) -> AppendFile:
        """A growing file of the folder; what stands behind `size` bytes of an old one is cut at the next commit."""
        file = AppendFile(self.folder / name, size, trim=size > 0)
        self.files.append(file)
        return file

    def replace_file(self, name: str) -> ReplaceFile:
        """A file of the folder that is replaced as a whole."""
        file = ReplaceFile(self.folder / name)
        self.files.append(file)
        return file
