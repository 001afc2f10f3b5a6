"""A closed record among the files that wait for the writer: what came later for it is written in the writer's thread.

Reading the folder again takes as long as it takes, and no cycle waits for it. What is to be written is worked out once
and then tried until the disk has taken all of it: after a failed sync nothing is known of what the disk holds.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from controller.records.disk import Disk
from controller.records.errors import RecordError
from controller.records.files import Lazy
from controller.records.later import Append, Row, Settled, end_ms_of, settled
from controller.records.place import FolderPlace
from controller.records.readings import event_rows
from controller.records.summary import NAME as SUMMARY

MOST_WAITING = 10_000
"""Rows kept for a record that is not closed yet, or whose disk is away; further ones stay in the bath's events."""

MOST_ROUNDS = 600
"""Commits for which a record may be on its way to being closed: ten minutes."""

_LOST = (errno.ENOENT, errno.ENOTDIR, errno.EACCES, errno.EPERM, errno.EISDIR, errno.ELOOP)
"""The folder was moved, archived or locked away: no waiting helps, and the bath's own record must not hang on it."""


class Shrunk(OSError):
    """A table is shorter than it was when its next rows were worked out."""


class LaterFile:
    """What waits for one closed record. `events` gives the rows of its bath's events from a moment on.

    These are looked through once, with the first commit: an earlier service may have ended before it wrote.
    """

    def __init__(self, folder: Path, events: Callable[[int], Iterable[Row]]) -> None:
        self.path = folder / SUMMARY
        self.size = self.waiting_rows = 0  # its rows wait in the bath's events, too
        self.said: list[str] = []
        self.looked = False
        self._events = events
        self._lines: list[str] = []
        self._taken: list[str] = []
        self._plan: Settled | None = None
        self._rounds = 0
        self._away = self._told_away = False
        self._waiting_bytes = 0

    @property
    def waiting_bytes(self) -> int:
        """How much waits in memory."""
        return self._waiting_bytes

    @property
    def idle(self) -> bool:
        """Whether nothing waits, and nothing is to be said."""
        return self.looked and not self._lines and not self.said

    def add(self, line: str) -> None:
        """One row of the bath's events that belongs to this record, as text without its chain value."""
        if len(self._lines) >= MOST_WAITING:
            self.said.append("too much waits for it: what came now stays in the bath's events")
            return
        self._lines.append(line)
        self._waiting_bytes += len(line)

    def take(self) -> bool:
        """Whether there is something to do; what came is then this commit's, unless an earlier one is not done yet."""
        if self._plan is None:
            self._taken = self._lines[:]
        return self._plan is not None or bool(self._taken) or not self.looked

    def unmade(self) -> Sequence[Lazy]:
        """Nothing: what is to be written is worked out where it is written."""
        return ()

    def weigh(self) -> None:
        """Nothing was unmade."""

    def commit(self, disk: Disk) -> None:
        """Write tables, then the summary; OSError leaves all of it to be done again. Nothing while it is not closed."""
        if self._plan is None:
            self._plan = self._worked_out()
        try:
            for append in self._plan.appends:
                _append(disk, self.path.parent, append)
            if self._plan.summary is not None:
                disk.replace(self.path, self._plan.summary)
        except Shrunk:
            # Somebody cut the table meanwhile: it is looked at anew, and said.
            self._plan = None
            raise
        except OSError as error:
            if error.errno not in _LOST:
                raise
            self._plan = _left(f"{error.strerror}")

    def _worked_out(self) -> Settled:
        place = FolderPlace(self.path.parent)
        self._away = not self.path.parent.is_dir()
        try:
            end_ms = None if self.looked else end_ms_of(place)
            before = () if end_ms is None else self._events(end_ms)
            return settled(place, [*before, *event_rows(self._taken)])
        except (RecordError, OSError, ValueError) as error:
            return _left(str(error))

    def done(self) -> None:
        """What was written leaves the memory; what a person must know of it waits in `said`."""
        plan, self._plan = self._plan, None
        self._rounds += 1
        if plan is not None and not plan.ready and self._rounds > MOST_ROUNDS:
            plan = _left("is not there, or was never closed")
        if plan is None or not plan.ready:
            self._tell_away()
            return
        if self._told_away and not self._away:
            self.said.append("is there again: what came later was written")
        self._rounds, self._told_away = 0, False
        self.looked = True
        self.said += plan.said
        del self._lines[: len(self._taken)]
        self._taken = []
        self._waiting_bytes = sum(map(len, self._lines))

    def _tell_away(self) -> None:
        """Have a person told at the first look that found no folder: it may be in the wrong place, or another mount."""
        if self._away and not self._told_away:
            self._told_away = True
            minutes = f"{MOST_ROUNDS / 60:.0f} min"
            self.said.append(
                f"its folder is not there: what came later waits {minutes} for it, then stays with the bath"
            )

    def close(self, disk: Disk) -> None:
        """Nothing stays open."""


def _left(why: str) -> Settled:
    return Settled(said=(f"{why}; what came later stays in the bath's events",))


def _append(disk: Disk, folder: Path, append: Append) -> None:
    path = folder / append.name
    # A table that an attempt made which failed may lack its entry on the disk, and a second sync proves nothing.
    if append.size == 0:
        disk.unlink(path)
    fd, created = disk.open(path, append.size == 0)
    try:
        size = disk.size(fd)
        if size < append.size:
            raise Shrunk(errno.EIO, f"holds {size} bytes, {append.size} stood there")
        if size > append.size:
            disk.truncate(fd, append.size)
        disk.write(fd, append.data, append.size)
        disk.sync(fd)
    finally:
        disk.close(fd)
    if created:
        disk.sync_folder(folder)
