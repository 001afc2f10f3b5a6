"""A replay on a terminal: the record served by a child process, the console in this one.

The child's standard input is a pipe that only this process holds: when this one ends, in whatever way, the child ends.
"""

from __future__ import annotations

import os
import secrets
import select
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import controller
from controller.service.errors import Unreachable
from controller.service.places import MAX_PATH_BYTES
from profiles.problems import InputError, Problem, clean

FRONT_DOOR = Path(controller.__file__).parents[1] / "formbath.py"
BEGIN_S = 60.0
"""Longest wait for the child's first line; it takes half a second."""

LEAVE_S = 10.0
END_S = 2.0
LAST_LINES = 5
PREFIX = "formbath-replay-"


@dataclass(frozen=True)
class Child:
    """The process that serves the record."""

    process: subprocess.Popen[bytes]
    errors: IO[bytes]

    def socket(self) -> Path:
        """Wait for the path of its socket. Raises Unreachable with what it said instead."""
        pipe, heard = self.process.stdout, b""
        while pipe is not None and b"\n" not in heard:
            ready, _, _ = select.select([pipe], [], [], BEGIN_S)
            piece = os.read(pipe.fileno(), 65_536) if ready else b""
            if not piece:
                raise Unreachable(f"the replay did not start: {self.last_words() or 'it said nothing in time'}")
            heard += piece
        return Path(os.fsdecode(heard.partition(b"\n")[0]))

    def last_words(self) -> str:
        """Return the last lines of the child's standard error, made fit for a terminal."""
        self.errors.seek(0)
        said = self.errors.read().decode("utf-8", "replace").splitlines()
        return "; ".join(clean(line) for line in said[-LAST_LINES:])

    def ended(self) -> bool:
        """Whether it ended; one that has hung up has a moment to do so."""
        try:
            self.process.wait(END_S)
        except subprocess.TimeoutExpired:
            return False
        return True

    def end(self) -> None:
        """Close the pipe and wait for the end, bounded, then by force."""
        if self.process.stdin is not None:
            self.process.stdin.close()
        try:
            self.process.wait(LEAVE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


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
    words = ["replay", "--serve", str(folder), *options, "--", str(path.absolute())]
    with tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(  # noqa: S603 - this program again, words of its own
            [sys.executable, str(FRONT_DOOR), *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, start_new_session=True,
        )  # fmt: skip
        one = Child(process, errors)
        try:
            yield one
        finally:
            one.end()
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
