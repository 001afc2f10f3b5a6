"""The demo on a terminal: plant and service in a child process, the console in this one.

When this one ends, in whatever way, the child holds what runs and ends by itself.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from controller.service.errors import Unreachable
from controller.service.leaving import EXIT_FAILED
from controller.service.ownchild import OwnChild, started
from profiles.problems import clean
from simulator import telling
from simulator.demo import End, end_of

LEAVE_S = 75.0
"""Longest wait for the child's end once its pipe is closed: it takes a few cycles. A disk that fails is tried for half
a minute more, and one that hangs is waited for as long again."""


@dataclass
class Child:
    """The process that holds plant and service."""

    own: OwnChild
    path: Path | None = None

    def socket(self) -> Path:
        """Wait for the path of the service's socket. Raises Unreachable with what the child said instead."""
        self.path = self.own.socket("the virtual plant")
        return self.path

    def end(self) -> End | None:
        """Close the pipe, wait for the end (bounded, then by force); return what it told of it."""
        self.own.close_pipe()
        line = self.own.line(LEAVE_S)
        self.own.leave(LEAVE_S if line else 1.0)
        if self.path is not None and self.own.process.returncode != 0:
            # It could not put this away itself.
            self.path.unlink(missing_ok=True)
        return end_of(line.decode("utf-8", "replace"))


@contextmanager
def child(folder: Path, seed: int, ratio: float) -> Iterator[Child]:
    """Start the child that serves a demo into `folder`; whatever happens, it is ended."""
    with started(["demo", "--serve", str(folder), "--seed", str(seed), "--speed", f"{ratio:g}"]) as own:
        one = Child(own)
        try:
            yield one
        finally:
            if own.process.poll() is None:
                one.end()


def _lost(own: OwnChild) -> str:
    """What the child said of rows that are lost; not how it said before that one might end it at once."""
    own.errors.seek(0)
    said = own.errors.read().decode("utf-8", "replace").splitlines()
    return "; ".join(clean(line) for line in said if "NOT on the disk" in line) or own.last_words()


def watch(folder: Path, seed: int, ratio: float, console: Callable[[Sequence[Path]], int], out: TextIO) -> int:
    """Play a demo with the console on it; print its closing lines; return the exit code.

    0 also where a person left early or took over; 1 where it was played to its end otherwise than planned; 70 where no
    disk took some of its record, in the child's own words. Raises Unreachable where the child does not start, or ended
    by itself.
    """
    with child(folder, seed, ratio) as one:
        code = console([one.socket()])
        end = one.end()
        if end is None:
            raise Unreachable(f"the virtual plant ended by itself: {one.own.last_words() or 'it said nothing'}")
        if not end.written:
            sys.stderr.write(f"{_lost(one.own)}\n")
    found = telling.entries(folder)
    shown = Path(folder.parent.name) / folder.name
    if not end.over or end.taken_over:
        told = telling.lines_left(found, seed, shown, None if end.over else end.elapsed_s)
        wrong: list[str] = []
    else:
        wrong = [*end.surprises, *telling.surprises(found), *telling.bath_alarms(folder, found)]
        told = telling.lines(found, wrong, seed, shown)
    print("\n".join(told), file=out)
    return (code or (1 if wrong else 0)) if end.written else EXIT_FAILED
