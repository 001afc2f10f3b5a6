"""Space kept back on the record's disk: when it is full, this file makes room for the last hours' rows.

It is taken back only where the disk then still has as much free as is kept back, so that it does not come and go on a
disk that stays nearly full.
"""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path

from controller.records.disk import Disk

NAME = "kept-back"
ROOM = 2
"""It is taken back where there is room for so many of it (own choice)."""


class Reserve:
    """One file of `size` bytes (0: nothing is kept back)."""

    def __init__(self, path: Path, size: int, disk: Disk | None = None) -> None:
        self._path = path
        self._size = size
        self._disk = disk or Disk()
        self._lock = threading.Lock()
        self.held = False
        self.given = False
        """Rows live on the space that was kept back."""

    def prepare(self) -> None:
        """Take the space; OSError when there is not so much. One that an earlier service left is given up for 0."""
        with self._lock:
            if not self._size:
                with suppress(OSError):
                    self._disk.unlink(self._path)
                return
            self._disk.make_folder(self._path.parent)
            self._disk.allocate(self._path, self._size)
            self.held, self.given = True, False

    def release(self) -> bool:
        """Give the space to the rows; False when there is none to give."""
        with self._lock:
            if not self.held:
                return False
            try:
                self._disk.unlink(self._path)
            except OSError:
                return False
            self.held, self.given = False, True
            return True

    def look(self, free_bytes: int) -> None:
        """Take the space back, if it was given (or never had) and the disk has room for it again."""
        if self._size and not self.held and free_bytes >= ROOM * self._size:
            with suppress(OSError):
                self.prepare()
