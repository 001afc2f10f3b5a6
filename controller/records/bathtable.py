"""A table of a bath among the files that wait for the writer: what stands there is read by who writes it.

No cycle waits for that. Rows wait as texts until the file was read, then the chain goes on from its last row. What
cannot be read is never cut or written to: its rows wait, and it is read again with the next commit.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import RLock

from controller.records.disk import Disk
from controller.records.errors import RecordError
from controller.records.files import PART_BYTES, AppendFile, Lazy
from controller.records.place import bare
from controller.records.reader import read_bytes, read_table
from controller.records.table import NO_TABLE, ChainedTable, may_hold_rows, standing_of

_CHAIN_BYTES = 18
"""What a row's chain value adds to its text, with the comma before it and the end of the line."""


class Unread(OSError):
    """A file of which nobody knows what it holds."""


class BathTable:
    """`first` gives the row to begin a new table with (None: none); it may read other files.

    `problems`: where what is damaged is said, once. Callers hold `lock` as they do for any file (see `files`).
    """

    def __init__(
        self, path: Path, header: str, lock: RLock, problems: list[str], first: Callable[[], str | None]
    ) -> None:
        self.path = path
        self.kept = ""
        """The chain value of its last row that is on the disk; empty: it has none yet."""
        self._header = header
        self._lock = lock
        self._problems = problems
        self._first = first
        self._lines: list[str] = []
        self._lines_bytes = 0
        self._open: tuple[ChainedTable, AppendFile] | None = None
        self._taken_last = ""

    @property
    def is_open(self) -> bool:
        """Whether what stood there was read."""
        return self._open is not None

    @property
    def waiting_bytes(self) -> int:
        """See Pending."""
        return self._lines_bytes if self._open is None else self._open[1].waiting_bytes

    @property
    def waiting_rows(self) -> int:
        """See Pending."""
        return len(self._lines) if self._open is None else self._open[1].waiting_rows

    @property
    def size(self) -> int:
        """See Pending."""
        return 0 if self._open is None else self._open[1].size

    def add(self, text: str) -> None:
        """One row; `text` is all of it but the chain value."""
        if self._open is not None:
            self._open[0].add(text)
            return
        self._lines.append(text)
        self._lines_bytes += len(text.encode()) + _CHAIN_BYTES + PART_BYTES

    def take(self) -> bool:
        """See Pending."""
        if self._open is None:
            return bool(self._lines)
        table, file = self._open
        self._taken_last = table.last if table.rows else ""
        return file.take()

    def unmade(self) -> Sequence[Lazy]:
        """See Pending."""
        return ()

    def weigh(self) -> None:
        """See Pending."""

    def commit(self, disk: Disk) -> None:
        """See Pending. Also where it could not be read: OSError, and all of it waits."""
        if self._open is None:
            rows, last, size = self._read()
            begin = None if rows else self._first()
            with self._lock:
                self._open = self._opened(rows, last, size, begin)
                self.take()
        self._open[1].commit(disk)

    def _read(self) -> tuple[int, str, int]:
        """Rows, chain value to go on from, bytes to keep (0: the table begins anew)."""
        try:
            data = read_bytes(self.path)
            found = read_table(self.path.name, data, self._header, b"")
        except RecordError as error:
            raise Unread(errno.EIO, bare(self.path, error)) from None
        if not found.whole_bytes:
            if may_hold_rows(data):
                raise Unread(errno.EIO, NO_TABLE)
            return 0, "", 0
        self._problems.extend(problem for problem in found.problems if problem not in self._problems)
        return standing_of(found)

    def _opened(self, rows: int, last: str, size: int, begin: str | None) -> tuple[ChainedTable, AppendFile]:
        file = AppendFile(self.path, size)
        table = ChainedTable(file, rows, last) if size else ChainedTable.begin(file, self._header)
        self.kept = last if rows else ""
        for text in [*([] if begin is None else [begin]), *self._lines]:
            table.add(text)
        self._lines, self._lines_bytes = [], 0
        return table, file

    def done(self) -> None:
        """See Pending."""
        if self._open is not None:
            self._open[1].done()
            self.kept = self._taken_last

    def close(self, disk: Disk) -> None:
        """See Pending."""
        if self._open is not None:
            self._open[1].close(disk)
