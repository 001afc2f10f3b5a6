"""A record in memory, for tests that change single bits of it."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO


@dataclass(frozen=True)
class MemoryPlace:
    """Files by their names; says the same as a run folder would."""

    name: str
    files: Mapping[str, bytes]

    @property
    def path(self) -> Path:
        """Where it would stand."""
        return Path(self.name)

    def names(self) -> tuple[str, ...]:
        """The files that are there, sorted."""
        return tuple(sorted(self.files))

    def size(self, name: str) -> int | None:
        """Bytes of a file; None: it is not there."""
        return len(self.files[name]) if name in self.files else None

    def open(self, name: str) -> BinaryIO | None:
        """A file from its beginning, or None."""
        return io.BytesIO(self.files[name]) if name in self.files else None

    def with_file(self, name: str, data: bytes | None) -> MemoryPlace:
        """The same record with one file's bytes changed, or without it."""
        files = {**self.files, name: data}
        return MemoryPlace(self.name, {each: content for each, content in files.items() if content is not None})


def in_memory(folder: Path) -> MemoryPlace:
    """A run folder's files in memory."""
    return MemoryPlace(folder.name, {each.name: each.read_bytes() for each in folder.iterdir()})
