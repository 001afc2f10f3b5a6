"""A chained table being written: each row gets its check value as it is added. Callers hold the writer's lock."""

from __future__ import annotations

from controller.records.chain import link, start
from controller.records.files import AppendFile


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
