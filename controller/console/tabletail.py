"""A table of the records, read as it grows: only what was appended since the last look, only whole lines.

Nothing is locked or changed; what cannot be read is counted or named, never raised.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import BinaryIO

from controller.service.protocol import clean

READ_BYTES = 32_000_000
"""Read at once at most; the rest of a larger file comes with the next look."""


class TableTail:
    """One file. `missing`: it is not there; `unreadable`: why not, in the system's words; `damaged`: lines left out.

    `foreign`: its columns are not ours, so that nothing of it is read.
    """

    def __init__(self, path: Path, header: str, newest_bytes: int | None = None) -> None:
        """`newest_bytes`: where the file is longer at first sight, only its end is read."""
        self.path = path
        self.missing = False
        self.unreadable = ""
        self.damaged = 0
        self.foreign = False
        self._header = header.encode()
        self._newest_bytes = newest_bytes
        self._offset = 0

    def read(self) -> tuple[list[str], bool]:
        """Return the whole lines since the last look, without the header, and whether the file began anew."""
        try:
            found = self.path.stat()
            self.missing = False
            if not stat.S_ISREG(found.st_mode):
                # A pipe of that name would let the console wait for ever.
                self.unreadable = "irregular"
                return [], False
            anew = found.st_size < self._offset
            if anew:
                self._offset, self.damaged, self.foreign = 0, 0, False
            if found.st_size == self._offset:
                return [], anew
            with self.path.open("rb") as file:
                lines = self._lines(file, found.st_size)
        except FileNotFoundError:
            self.missing = True
            return [], False
        except OSError as error:
            self.unreadable = clean(error.strerror or type(error).__name__, 100)
            return [], False
        self.unreadable = ""
        return lines, anew

    def _lines(self, file: BinaryIO, size: int) -> list[str]:
        first_look = self._offset == 0
        skipped = first_look and self._newest_bytes is not None and size > self._newest_bytes
        if skipped:
            self._offset = size - (self._newest_bytes or 0)
        file.seek(self._offset)
        data = file.read(READ_BYTES)
        whole = data.rfind(b"\n") + 1
        if not whole:
            if len(data) == READ_BYTES:  # no table has such a line; go on behind it
                self._offset += len(data)
                self.damaged += 1
            return []
        self._offset += whole
        lines = data[: whole - 1].split(b"\n")
        if first_look:
            self.foreign = not skipped and lines[0] != self._header
            lines = lines[1:]
        if self.foreign:
            return []
        return [line.decode("utf-8", "replace") for line in lines]
