"""How a service is told to end, and how it leaves: rows to the disk, and a plain word on what the disk did not take."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading

from controller.service.loop import Parts, Service

EXIT_DONE, EXIT_FAILED, EXIT_INTERRUPTED = 0, 70, 130
SECOND_PRESS_S = 5.0

SOUND_S = 2.0
"""A sound disk takes what waits in this time, without a word (own choice; milliseconds are usual, a second is slow)."""

TRIES_S = 30.0
"""So long is a disk tried that does not take it: somebody may be making room (own choice)."""

ENDS_ALREADY = "ends already: circuits go to zero, then what waits goes to the disk"
BY_HAND = "the next service will not know of it: lock the rectifier off by hand, and leave a note there"


def say(parts: Parts, what: str) -> None:
    """Say something of the bath on standard error, at once."""
    print(f"bath {parts.settings.name}: {what}", file=sys.stderr, flush=True)  # noqa: T201 - a command's own words


class Ending:
    """SIGTERM, or Ctrl-C twice within five seconds: hold all, wait for zero read back, end.

    Once only rows keep the process (`rows_wait`), one more of either gives them up (`given_up`).
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._pressed_s: float | None = None
        self._rows_wait = False
        self.over = False
        """Nothing is controlled any more."""
        self.given_up = threading.Event()
        self.why, self.code = "done", EXIT_DONE

    def listen(self) -> None:
        """Take the signals, in the running loop."""
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, self._end, "told to end", EXIT_DONE)
        loop.add_signal_handler(signal.SIGINT, self._press)

    def rows_wait(self) -> None:
        """From now on a signal gives up what waits for the disk: who sends one was told."""
        self._rows_wait = True

    def _press(self) -> None:
        if self._ends_already():
            return
        now_s = asyncio.get_running_loop().time()
        if self._pressed_s is not None and now_s - self._pressed_s <= SECOND_PRESS_S:
            self._end("interrupted", EXIT_INTERRUPTED)
            return
        self._pressed_s = now_s
        say(self._service.parts, "Ctrl-C again within 5 s holds every circuit and ends the service")

    def _end(self, why: str, code: int) -> None:
        if self._ends_already():
            return
        self.why, self.code = why, code
        self._service.ending = True

    def _ends_already(self) -> bool:
        if self._rows_wait:
            self.given_up.set()
        elif self.over or self._service.ending:
            say(self._service.parts, ENDS_ALREADY)
        else:
            return False
        return True


def all_written(service: Service, ending: Ending, *, at_zero: bool) -> bool:
    """Have the disk take what still waits, and say so where it does not; every rectifier was ordered to zero by now.

    For a thread: it may take half a minute, if a signal does not give it up. `at_zero`: zero was read back from all
    that had current to lose.
    """
    parts = service.parts
    if parts.writer.known_trouble is not None or not parts.writer.flush(SOUND_S):
        ending.rows_wait()
        say(parts, _waits(parts, at_zero=at_zero))
    whole = parts.writer.close(TRIES_S, ending.given_up.is_set)
    if not whole:
        rows = parts.writer.waiting_rows
        what = f"{rows:,} rows are" if rows else "cycles, a summary or the newest state is"
        say(parts, f"{what} NOT on the disk and lost with this process: {_why(parts)}")
    # Asked in any case: a cycle that failed may have taken an order and kept nothing of it.
    if lost := service.lost_holds():
        say(parts, f"NOT on the disk: {'; '.join(lost)}: {BY_HAND}")
    return whole and not lost


def _waits(parts: Parts, *, at_zero: bool) -> str:
    zero = "every circuit is at zero" if at_zero else "zero was ordered, NOT read back"
    rows = f"{parts.writer.waiting_rows:,} rows wait for the disk: {_why(parts)}"
    how = f"Ctrl-C or `kill -TERM {os.getpid()}` ends now, without them"
    return f"{zero}; {rows}; it is tried for up to {TRIES_S:g} s; {how}"


def _why(parts: Parts) -> str:
    return parts.writer.known_trouble or "the disk did not answer"
