"""The demo on a terminal: plant and service in a child process, the console in this one.

The child's standard input is a pipe that only this process holds: when this one ends, in whatever way, it closes, and
the child holds what runs and ends by itself. A Ctrl-C at the terminal does not reach it.
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
from typing import IO, TextIO

import controller
from controller.service.errors import Unreachable
from profiles.problems import clean
from simulator import telling
from simulator.demo import End, end_of

FRONT_DOOR = Path(controller.__file__).parents[1] / "formbath.py"
BEGIN_S = 60.0
"""Longest wait for the child's first line; it takes two or three seconds."""

LEAVE_S = 20.0
"""Longest wait for the child's end once its pipe is closed; it takes a few cycles."""

LAST_LINES = 5


@dataclass
class Child:
    """The process that holds plant and service."""

    process: subprocess.Popen[bytes]
    errors: IO[bytes]
    heard: bytes = b""
    path: Path | None = None

    def socket(self) -> Path:
        """Wait for the path of the service's socket. Raises Unreachable with what the child said instead."""
        line = self._line(BEGIN_S)
        if not line:
            self.end()
            raise Unreachable(f"the virtual plant did not start: {self.last_words() or 'it said nothing in time'}")
        self.path = Path(os.fsdecode(line))
        return self.path

    def end(self) -> End | None:
        """Close the pipe, wait for the end (bounded, then by force); return what it told of it."""
        if self.process.stdin is not None:
            self.process.stdin.close()
        line = self._line(LEAVE_S)
        try:
            self.process.wait(LEAVE_S if line else 1.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.path is not None and self.process.returncode != 0:
            # It could not put this away itself.
            self.path.unlink(missing_ok=True)
        if self.process.stdout is not None:
            self.process.stdout.close()
        return end_of(line.decode("utf-8", "replace"))

    def last_words(self) -> str:
        """Return the last lines of the child's standard error, made fit for a terminal."""
        self.errors.seek(0)
        said = self.errors.read().decode("utf-8", "replace").splitlines()
        return "; ".join(clean(line) for line in said[-LAST_LINES:])

    def _line(self, longest_s: float) -> bytes:
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


@contextmanager
def child(folder: Path, seed: int, ratio: float) -> Iterator[Child]:
    """Start the child that serves a demo into `folder`; whatever happens, it is ended."""
    words = ["demo", "--serve", str(folder), "--seed", str(seed), "--speed", f"{ratio:g}"]
    with tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(  # noqa: S603 - this program again, words of its own
            [sys.executable, str(FRONT_DOOR), *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, start_new_session=True,
        )  # fmt: skip
        one = Child(process, errors)
        try:
            yield one
        finally:
            if process.poll() is None:
                one.end()


def watch(folder: Path, seed: int, ratio: float, console: Callable[[Sequence[Path]], int], out: TextIO) -> int:
    """Play a demo with the console on it; print its closing lines; return the exit code.

    0 also where a person left early or took over; 1 where it was played to its end otherwise than planned. Raises
    Unreachable where the child does not start, or ended by itself.
    """
    with child(folder, seed, ratio) as one:
        code = console([one.socket()])
        end = one.end()
        if end is None:
            raise Unreachable(f"the virtual plant ended by itself: {one.last_words() or 'it said nothing'}")
    found = telling.entries(folder)
    shown = Path(folder.parent.name) / folder.name
    if not end.over or end.taken_over:
        told = telling.lines_left(found, seed, shown, None if end.over else end.elapsed_s)
        wrong: list[str] = []
    else:
        wrong = [*end.surprises, *telling.surprises(found), *telling.bath_alarms(folder, found)]
        told = telling.lines(found, wrong, seed, shown)
    print("\n".join(told), file=out)
    return code or (1 if wrong else 0)
