"""A replay on a terminal: the record served by a child process, the console in this one.

The child's standard input is a pipe that only this process holds: when this one ends, in whatever way, the child ends.
"""

from __future__ import annotations

import os
import select
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
from profiles.problems import clean

FRONT_DOOR = Path(controller.__file__).parents[1] / "formbath.py"
BEGIN_S = 60.0
"""Longest wait for the child's first line; it takes half a second."""

LEAVE_S = 10.0
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


@contextmanager
def child(path: Path, options: Sequence[str]) -> Iterator[Child]:
    """Start the child that serves the record at `path`, in a private folder; whatever happens, both are gone after."""
    with (
        tempfile.TemporaryFile() as errors,
        tempfile.TemporaryDirectory(prefix=PREFIX, ignore_cleanup_errors=True) as folder,
    ):
        words = ["replay", "--serve", folder, *options, "--", str(path.absolute())]
        process = subprocess.Popen(  # noqa: S603 - this program again, words of its own
            [sys.executable, str(FRONT_DOOR), *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, start_new_session=True,
        )  # fmt: skip
        one = Child(process, errors)
        try:
            yield one
        finally:
            one.end()


def watch(path: Path, options: Sequence[str], console: Callable[[Sequence[Path]], int]) -> int:
    """Show a record with the console on it; return the console's exit code.

    Raises Unreachable where the child does not start or ended by itself.
    """
    with child(path, options) as one:
        code = console([one.socket()])
        if one.process.poll() is not None:
            raise Unreachable(f"the replay ended by itself: {one.last_words() or 'it said nothing'}")
    return code
