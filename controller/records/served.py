"""Who waits for the writer: a round that began after he asked tells him, the first to end or the first whole one."""

from __future__ import annotations

import threading


class Served:
    """Numbers those who ask; a round serves all who had asked when it began."""

    def __init__(self) -> None:
        self._told = threading.Condition()
        self._asked = self._answered = 0
        self._whole = False

    def ask(self) -> int:
        """Return the number to wait with."""
        with self._told:
            self._asked += 1
            return self._asked

    @property
    def asked(self) -> int:
        """The newest number given: a round that begins now serves it."""
        with self._told:
            return self._asked

    def tell(self, number: int, *, ended: bool, whole: bool) -> None:
        """A round that began with `number` is over; `ended`: nothing is on its way any more, `whole`: it wrote all."""
        with self._told:
            self._whole = ended and whole
            self._answered = number if ended else self._answered
            self._told.notify_all()

    def wait(self, number: int, timeout_s: float, *, whole: bool = False) -> bool:
        """Wait for a round behind `number` that ended, or (`whole`) left nothing; False: there was none in time."""
        with self._told:
            return self._told.wait_for(lambda: self._answered >= number and (self._whole or not whole), timeout_s)
