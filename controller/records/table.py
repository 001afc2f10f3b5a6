"""A chained table being written: each row gets its check value as it is added. Callers hold the writer's lock."""

from __future__ import annotations

import re

from controller.records.chain import link, start
from controller.records.files import AppendFile
from controller.records.reader import Table

_CHAIN_VALUE = re.compile(rb"[0-9a-f]{16}")


class ChainedTable:
    """Adds rows to a file; `rows` and `last` are where the chain stands, whether or not a disk has it yet."""

    def __init__(self, file: AppendFile, rows: int, last: str) -> None:
        self.rows = rows
        self.last = last
        self._file = file

    @classmethod
    def begin(cls, file: AppendFile, header: str, run_json: bytes = b"") -> ChainedTable:
        """A new table: the header is its first line."""
        file.add(header.encode() + b"\n")
        return cls(file, 0, start(header, run_json))

    def add(self, text: str) -> None:
        """One row; `text` is all of it but the last comma and the chain value."""
        self.last = link(self.last, text)
        self.rows += 1
        self._file.add(f"{text},{self.last}\n".encode())


def standing_of(table: Table) -> tuple[int, str, int]:
    """Rows of a table found on the disk, chain value to go on from, bytes to keep.

    Behind a row that is not as it was written the chain goes on from the last value there is.
    """
    last = table.walked.last
    if table.walked.wrong_row is not None:
        claimed = table.lines[-1].rpartition(b",")[2]
        last = claimed.decode() if _CHAIN_VALUE.fullmatch(claimed) else last
    return len(table.lines), last, table.whole_bytes
