"""A table of the records, read as it grows: only what was appended since the last look, only whole lines.

Nothing is locked or changed; what cannot be read is counted or named, never raised.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import BinaryIO

from controller.records.errors import RecordError
from controller.records.place import FolderPlace
from controller.records.stream import LONGEST_LINE, Mark, TableStream
from controller.records.tables import grown
from controller.service.protocol import clean

READ_BYTES = 32_000_000
"""Read at once at most; the rest of a larger file comes with the next look."""


class TableTail:
    """One file. `missing`: it is not there; `unreadable`: why not, in the system's words; `damaged`: lines left out.

    `foreign`: its columns are not ours, so that nothing of it is read. `columns`: its own, more than ours in a file of
    a later version.
    """

    def __init__(self, path: Path, header: str, newest_bytes: int | None = None) -> None:
        """`newest_bytes`: where the file is longer at first sight, only its end is read."""
        self.path = path
        self.missing = False
        self.unreadable = ""
        self.damaged = 0
        self.foreign = False
        self._known = tuple(header.split(","))
        self.columns = self._known
        self._newest_bytes = newest_bytes
        self._offset = 0

    def read(self) -> tuple[list[str], bool]:
        """Return the whole lines since the last look, without the header, and whether the file began anew."""
        try:
            found = self.path.lstat()
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
            file = FolderPlace(self.path.parent).open(self.path.name)
            if file is None:
                raise FileNotFoundError
            with file:
                lines = self._lines(file, found.st_size)
        except FileNotFoundError:
            self.missing = True
            return [], False
        except OSError as error:
            self.unreadable = clean(error.strerror or type(error).__name__, 100)
            return [], False
        except RecordError as error:
            self.unreadable = clean(str(error).rpartition(": ")[2], 100)
            return [], False
        self.unreadable = ""
        return lines, anew

    def _lines(self, file: BinaryIO, size: int) -> list[str]:
        first_look = self._offset == 0
        skipped = first_look and self._newest_bytes is not None and size > self._newest_bytes
        begin = size - (self._newest_bytes or 0) if skipped else self._offset
        if skipped:
            self._take_header(file.readline(LONGEST_LINE).removesuffix(b"\n"))
        mark = Mark(begin) if begin else None
        table = TableStream(self.path.name, file, self._known, mark=mark, behind=True)
        found: list[bytes] = []
        for piece in table.pieces():
            found += piece.lines
            if table.offset - begin > READ_BYTES:
                break
        if table.header:
            self._take_header(table.header)
        self.damaged += table.too_long
        if table.offset > begin:
            self._offset = table.offset
        if table.cut_bytes > LONGEST_LINE and not table.blank:  # no table has such a line; go on behind it
            self._offset = table.offset + table.cut_bytes
            self.damaged += 1
        if self.foreign:
            return []
        # The first line of a file of which only the end is read is half of one.
        return [line.decode("utf-8", "replace") for line in (found[1:] if skipped else found)]

    def _take_header(self, header: bytes) -> None:
        columns = tuple(header.decode("utf-8", "replace").split(","))
        self.foreign = not grown(columns, self._known)
        self.columns = self._known if self.foreign else columns
