"""A replay on a terminal: the record served by a child process, the console in this one."""

from __future__ import annotations

import os
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from controller.service.errors import Unreachable
from controller.service.ownchild import OwnChild, started
from controller.service.places import MAX_PATH_BYTES
from profiles.problems import InputError, Problem

LEAVE_S = 10.0
END_S = 2.0
PREFIX = "formbath-replay-"


@dataclass(frozen=True)
class Child:
    """The process that serves the record."""

    own: OwnChild

    @property
    def process(self) -> subprocess.Popen[bytes]:
        """The process."""
        return self.own.process

    def socket(self) -> Path:
        """Wait for the path of its socket. Raises Unreachable with what it said instead."""
        return self.own.socket("the replay")

    def last_words(self) -> str:
        """Return what it said last on its standard error."""
        return self.own.last_words()

    def ended(self) -> bool:
        """Whether it ended; one that has hung up has a moment to do so."""
        try:
            self.process.wait(END_S)
        except subprocess.TimeoutExpired:
            return False
        return True


def _base() -> Path:
    """Return the folder for temporary files, or another one where a socket's path would become too long below it."""
    room = MAX_PATH_BYTES - len(f"/{PREFIX}12345678/replay-4194304.sock")
    asked = tempfile.gettempdir()
    others = (os.environ.get("XDG_RUNTIME_DIR", ""), "/tmp", "/var/tmp")  # noqa: S108 - only for a folder of mode 0700
    fitting = (base for base in (asked, *others) if base.startswith("/") and len(os.fsencode(base)) <= room)
    return Path(next((base for base in fitting if os.access(base, os.W_OK | os.X_OK)), asked))


@contextmanager
def child(path: Path, options: Sequence[str]) -> Iterator[Child]:
    """Start the child that serves the record at `path`; whatever happens to either, it and its folder are gone after.

    The child makes the folder, so that it can take away nothing but its own; where it was killed this side does.
    """
    folder = _base() / f"{PREFIX}{secrets.token_urlsafe(6)}"
    with started(["replay", "--serve", str(folder), *options, "--", str(path.absolute())]) as own:
        try:
            yield Child(own)
        finally:
            own.leave(LEAVE_S)
            # Nobody else could know the name; it is short because a socket's path must be.
            shutil.rmtree(folder, ignore_errors=True)


def watch(path: Path, options: Sequence[str], console: Callable[[Sequence[Path]], int]) -> int:
    """Show a record with the console on it; return the console's exit code.

    Raises InputError with the child's own words where it ended with an error before the console had shown anything,
    Unreachable where it ended by itself later.
    """
    with child(path, options) as one:
        try:
            code = console([one.socket()])
        except Unreachable:
            if not one.ended() or not one.last_words():
                raise
            raise InputError([Problem("replay", None, "", one.last_words())]) from None
        if one.process.poll() is not None:
            raise Unreachable(f"the replay ended by itself: {one.last_words() or 'it said nothing'}")
    return code
