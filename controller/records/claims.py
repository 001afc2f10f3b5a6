"""Who may write below a folder of runs: locks on the folders themselves, which the system lets go when a holder dies.

A service holds its bath's own folder (`<runs>/<bath>`) as long as it runs; archiving holds the folder of runs, and the
bath's folder while it takes one of its runs away. Nothing is ever written for a lock.

Who holds a lock also leaves a mark that anybody may ask for: a shared record lock of the same descriptor, which keeps
nobody out and goes with it. To try the lock itself, were it for a moment, could make a service fail that starts just
then; and the system's list of locks does not show holders in other containers.
"""

from __future__ import annotations

import fcntl
import os
import struct
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from controller.records.head import safe_name

_MARK = struct.Struct("hhqqi")
"""Kind, whence, start, length, holder: the system's own layout; no length is the whole file."""


def locked(handle: int) -> bool:
    """Lock what an open descriptor leads to, until it is closed; False: somebody else has it. Raises OSError."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    with suppress(OSError, AttributeError):  # a system without such marks: then nobody can ask for them either
        fcntl.fcntl(handle, fcntl.F_OFD_SETLK, _MARK.pack(fcntl.F_RDLCK, 0, 0, 0, 0))
    return True


def is_held(folder: Path) -> bool | None:
    """Whether somebody holds a folder, asked without touching its lock; None: nobody can say."""
    try:
        handle = opened(folder)
        try:
            told = fcntl.fcntl(handle, fcntl.F_OFD_GETLK, _MARK.pack(fcntl.F_WRLCK, 0, 0, 0, 0))
        finally:
            os.close(handle)
    except (OSError, AttributeError):
        return None
    return bool(_MARK.unpack(told)[0] != fcntl.F_UNLCK)


def opened(folder: Path) -> int:
    """A descriptor of a folder, to be locked. Raises OSError."""
    return os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)


def bath_folder(runs: Path, bath: str) -> Path:
    """Where a bath's service keeps its own record, and what it locks."""
    return runs / safe_name(bath)


@dataclass
class Claims:
    """Folders that this holder alone may change, until `let_go`."""

    _held: dict[tuple[int, int], int] = field(default_factory=dict)

    def take(self, folder: Path) -> bool:
        """Claim a folder, or have it already; False: another holder has it. Raises OSError."""
        handle = opened(folder)
        try:
            found = os.fstat(handle)
            key = (found.st_dev, found.st_ino)
            if key in self._held:
                os.close(handle)
                return True
            if not locked(handle):
                os.close(handle)
                return False
        except OSError:
            os.close(handle)
            raise
        self._held[key] = handle
        return True

    def let_go(self) -> None:
        """Give everything back."""
        while self._held:
            os.close(self._held.popitem()[1])

    def __enter__(self) -> Self:
        """Hold until the block ends."""
        return self

    def __exit__(self, *_: object) -> None:
        """Give everything back."""
        self.let_go()
