"""Chained tables made by hand, and a record that stands in memory."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path

from controller.records.chain import link, start

RUN_JSON = b'{"format": "formbath/run/1"}\n'


def chained(header: str, rows: list[str], run_json: bytes = RUN_JSON) -> bytes:
    """A table as the writer would leave it; `rows` without chain values."""
    chain, lines = start(header, run_json), [header]
    for text in rows:
        chain = link(chain, text)
        lines.append(f"{text},{chain}")
    return ("\n".join(lines) + "\n").encode()


@dataclass
class Memory:
    """A place without a disk; `largest` counts the most bytes that one read gave."""

    files: dict[str, bytes]
    seekable: bool = True
    largest: list[int] = field(default_factory=lambda: [0])
    path: Path = Path("memory")
    name: str = "memory"

    def names(self):
        return tuple(sorted(self.files))

    def size(self, name):
        return len(self.files[name]) if name in self.files else None

    def open(self, name):
        return None if name not in self.files else _Counted(self.files[name], self)


class _Counted(io.BytesIO):
    def __init__(self, data, memory):
        super().__init__(data)
        self._memory = memory

    def seekable(self):
        return self._memory.seekable

    def read(self, size=-1):
        data = super().read(size)
        self._memory.largest[0] = max(self._memory.largest[0], len(data))
        return data


def table_of(data: bytes, name: str = "log.csv") -> Memory:
    """A record with one table."""
    return Memory({"run.json": RUN_JSON, name: data})
