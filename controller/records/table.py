"""A chained table being written: each row gets its check value as it is added. Callers hold the writer's lock."""

from __future__ import annotations

import re
from collections.abc import Iterable

from controller.records.chain import link, start
from controller.records.files import AppendFile
from controller.records.reader import Table
from controller.records.stream import CRLF

NO_TABLE = "has rows but no line ends: it is left as it is"

_CHAIN_VALUE = re.compile(rb"[0-9a-f]{16}")
_ROW_END = re.compile(rb",[0-9a-f]{16}")


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

    Behind a row that is not as it was written the chain goes on from the last value there is, whatever line ends
    another program gave the rows: with the right ones back the whole table holds.
    """
    last = table.walked.last
    if table.walked.wrong_row is not None:
        claimed = table.lines[-1].rpartition(b",")[2].removesuffix(b"\r")
        last = claimed.decode() if _CHAIN_VALUE.fullmatch(claimed) else last
    return len(table.lines), last, table.whole_bytes


def may_hold_rows(data: bytes) -> bool:
    """Whether bytes without one whole line have a chain value in them, with which each row ends.

    A power cut leaves no such thing of a new table's first line; line ends that were replaced do. Nobody may cut them.
    """
    return _ROW_END.search(data) is not None


def is_saved_elsewhere(table: Table) -> bool:
    """Whether its line ends are CRLF: a program that saves whole files has had it, and its rows prove nothing."""
    return f"{table.name}: {CRLF}" in table.damage or (bool(table.lines) and table.lines[0].endswith(b"\r"))


def deny_head(tables: Iterable[Table]) -> bool:
    """Whether every table breaks in its first row: each chain begins with run.json, so one of its bytes was changed."""
    begun = [table for table in tables if table.lines and not is_saved_elsewhere(table)]
    return bool(begun) and all(table.walked.wrong_row == 1 for table in begun)
