"""This program a second time, as a child whose standard input is a pipe that only its parent holds.

When the parent ends, in whatever way, the pipe closes and the child ends by itself. A Ctrl-C at the terminal does not
reach it. It tells what it has to tell as lines on its standard output, and its errors into a file.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import controller
from controller.service.errors import Unreachable
from profiles.problems import clean

FRONT_DOOR = Path(controller.__file__).parents[1] / "formbath.py"
BEGIN_S = 60.0
"""Longest wait for the child's first line; it takes half a second to three."""

LAST_LINES = 5


@dataclass
class OwnChild:
    """The process, the file of its errors, and what it said beyond the lines that were taken."""

    process: subprocess.Popen[bytes]
    errors: IO[bytes]
    heard: bytes = b""

    def socket(self, what: str) -> Path:
        """Wait for the path of its socket, its first line; Unreachable, with its own words, where `what` says none."""
        line = self.line(BEGIN_S)
        if not line:
            self.leave(1.0)
            raise Unreachable(f"{what} did not start: {self.last_words() or 'it said nothing in time'}")
        return Path(os.fsdecode(line))

    def line(self, longest_s: float) -> bytes:
        """The next line on the child's standard output; empty when it ended or said none in time."""
        pipe = self.process.stdout
        while pipe is not None and not pipe.closed and b"\n" not in self.heard:
            ready, _, _ = select.select([pipe], [], [], longest_s)
            piece = os.read(pipe.fileno(), 65_536) if ready else b""
            if not piece:
                return b""
            self.heard += piece
        line, _, self.heard = self.heard.partition(b"\n")
        return line

    def last_words(self) -> str:
        """Return the last lines of the child's standard error, made fit for a terminal."""
        self.errors.seek(0)
        said = self.errors.read().decode("utf-8", "replace").splitlines()
        return "; ".join(clean(line) for line in said[-LAST_LINES:])

    def close_pipe(self) -> None:
        """Tell the child to end."""
        if self.process.stdin is not None:
            self.process.stdin.close()

    def leave(self, longest_s: float) -> None:
        """Tell it to end, wait for that, then end it by force."""
        self.close_pipe()
        try:
            self.process.wait(longest_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


@contextmanager
def started(words: Sequence[str]) -> Iterator[OwnChild]:
    """Start this program with `words`. Whoever starts it ends it (`leave`)."""
    with tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(  # noqa: S603 - this program again, words of its own
            [sys.executable, str(FRONT_DOOR), *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, start_new_session=True,
        )  # fmt: skip
        yield OwnChild(process, errors)
