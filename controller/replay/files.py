"""The rows of a record up to the moment shown, as files in a private folder: what a console reads beside the snapshots.

Nothing in them is later than that moment. Going back makes new files under another name, so that no reader takes what
it has read of the old ones for the present.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from controller.replay.rows import Rows


@dataclass
class GrowingFile:
    """One table's file with its first `count` rows."""

    path: Path
    rows: Rows
    count: int = 0

    def begin(self) -> None:
        """Write the header."""
        self.path.write_bytes(self.rows.header + b"\n")

    def grow(self, count: int) -> None:
        """Add the rows up to `count`, in one go."""
        if count > self.count:
            with self.path.open("ab", buffering=0) as file:
                file.write(b"\n".join(self.rows.lines[self.count : count]) + b"\n")
            self.count = count


@dataclass
class RunFiles:
    """The files of the moment shown, in `<base>/<name>` (later `<name>-2`, ...). `whole_ms`: from then on every row.

    Rows that were added after the record's last cycle (a reading, a sign-off) stand at its end.
    """

    base: Path
    name: str
    tables: tuple[Rows, ...]
    whole_ms: int
    _round: int = 1
    _files: list[GrowingFile] = field(default_factory=list)

    @property
    def folder(self) -> str:
        """The folder's present name."""
        return self.name if self._round == 1 else f"{self.name}-{self._round}"

    def show(self, now_ms: int) -> str:
        """Bring the files to a moment; return their folder's name."""
        counts = [len(rows.lines) if now_ms >= self.whole_ms else rows.until(now_ms) for rows in self.tables]
        if not self._files:
            self._begin()
        elif any(file.count > count for file, count in zip(self._files, counts, strict=True)):
            self._round += 1
            self._begin()
            self._forget(self._round - 2)
        for file, count in zip(self._files, counts, strict=True):
            file.grow(count)
        return self.folder

    def _begin(self) -> None:
        place = self.base / self.folder
        place.mkdir(mode=0o700)
        self._files = [GrowingFile(place / rows.name, rows) for rows in self.tables]
        for file in self._files:
            file.begin()

    def _forget(self, round_: int) -> None:
        """Remove files of before the last going back: nobody reads them any more."""
        if round_ > 0:
            gone = self.base / (self.name if round_ == 1 else f"{self.name}-{round_}")
            for rows in self.tables:
                with suppress(OSError):
                    (gone / rows.name).unlink()
            with suppress(OSError):
                gone.rmdir()

    def remove(self) -> None:
        """Remove every file made here, and no other."""
        for round_ in range(max(1, self._round - 1), self._round + 1):
            self._forget(round_)
        self._files = []
