"""Whether an order that is in force is on the disk: nobody hears just "accepted" of one that a crash could forget."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from controller import words
from controller.service.protocol import Answer, clean
from controller.texts.orders import NOT_KEPT

WAITS_FOR_NO_DISK = ("hold", "stop")
"""Orders that only take current away, at once: who gave one hears of it at once, and of the disk what is known then."""

SAFE_S = 6.0
"""Longest wait for the disk before the answer says that it does not have the order: less than the 12 s after which a
console tells that nobody answers (own choice; a sound disk takes milliseconds, a slow one a second or two)."""

MOST_WAITS = 8
"""Waits at once, one for all orders of a cycle: as many cycles as pass in the longest wait, and some (own choice)."""

FULL = "no memory is left for rows, those of this order are lost: write it down on paper"

Flush = Callable[[float], str | None]
"""Waits until the record is safe, at most so many seconds, and returns why it is not (None: it is). With 0 it waits for
nothing, and returns what is known to be wrong."""


class Kept:
    """The waits for the disk. `flush` None: nobody waits (time is stepped).

    `dropped` tells of an order, by its id, whether a row of it found no room in memory: no disk will ever have it.
    """

    def __init__(self, flush: Flush | None, dropped: Callable[[str], bool] = lambda _: False) -> None:
        self._flush = flush
        self._dropped = dropped
        self._shared: asyncio.Future[str | None] | None = None
        # Threads of its own: waits for a disk that hangs must not keep others from theirs, least of all a new client.
        self._threads = ThreadPoolExecutor(MOST_WAITS, "kept")

    async def answer(self, verb: str, given: Answer) -> Answer:
        """Return the answer to an order once the disk has it, with a loud word where it does not have it in time.

        The order stands all the same: a block that is not on the disk still keeps current away.
        """
        if self._flush is None or not given.accepted:
            return given
        if self._dropped(given.id):
            why: str | None = FULL
        elif verb in WAITS_FOR_NO_DISK:
            why = self._said(self._flush, 0.0)
        else:
            why = await self._safe(self._flush)
        if why is None:
            return given
        loud = words.filled(NOT_KEPT, {"why": clean(why, 200)})
        return given.model_copy(update={"kept": False, "text": f"{loud}; {given.text}" if given.text else loud})

    async def _safe(self, flush: Flush) -> str | None:
        """Wait for the disk, together with all that the same cycle accepted."""
        if self._shared is None:
            self._shared = asyncio.ensure_future(self._waited(flush))
        # Who hangs up must not end the wait of the others.
        return await asyncio.shield(self._shared)

    async def _waited(self, flush: Flush) -> str | None:
        # It runs behind all whom this cycle answered; who comes now was accepted later and needs a wait of his own.
        self._shared = None
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, self._said, flush, SAFE_S)
        except Exception as error:  # noqa: BLE001 - the order is in force; who gave it must not hear that it is not
            return f"{type(error).__name__}: {error}"

    @staticmethod
    def _said(flush: Flush, longest_s: float) -> str | None:
        try:
            return flush(longest_s)
        except Exception as error:  # noqa: BLE001 - as above
            return f"{type(error).__name__}: {error}"
