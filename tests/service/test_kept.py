"""The waits for the disk: whatever becomes of them an order is answered, and no one else waits for one that hangs."""

from __future__ import annotations

import asyncio
import threading

import pytest

from controller.service.kept import MOST_WAITS, Kept
from controller.service.protocol import Answer

BOUND_S = 20.0
ACCEPTED = Answer(id="t", accepted=True, text="as ordered")


def fails(_: float) -> str | None:
    raise ZeroDivisionError("on purpose")


@pytest.mark.parametrize("verb", ["block", "hold"])
async def test_a_wait_that_fails_is_an_order_that_may_be_lost(verb):
    """The order is in force; who gave it hears that, and what went wrong behind it."""
    answer = await Kept(fails).answer(verb, ACCEPTED)
    assert (answer.accepted, answer.kept) == (True, False)
    assert "NOT on the disk yet: ZeroDivisionError: on purpose;" in answer.text
    assert answer.text.endswith("; as ordered")


async def test_a_wait_that_cannot_even_begin_is_told_the_same_way():
    """No thread is to be had any more: the order is answered all the same."""
    kept = Kept(lambda _: None)
    kept._threads.shutdown()
    answer = await kept.answer("block", ACCEPTED)
    assert (answer.accepted, answer.kept) == (True, False)
    assert "NOT on the disk yet: RuntimeError: " in answer.text


async def test_a_disk_that_hangs_keeps_no_other_thread_from_its_work():
    """More waits than there are threads for everybody: a client that attaches now is served (its names are asked for
    in a thread), and all are answered once the disk is.
    """
    hangs = threading.Semaphore(0)
    answers = threading.Event()

    def flush(_: float) -> str | None:
        hangs.release()
        assert answers.wait(BOUND_S)
        return None

    kept = Kept(flush)
    waits = []
    for _ in range(60):  # more than any default number of threads
        waits.append(asyncio.create_task(kept.answer("block", ACCEPTED)))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        await asyncio.sleep(0)
    try:
        async with asyncio.timeout(BOUND_S):
            assert await asyncio.to_thread(lambda: [hangs.acquire(timeout=BOUND_S) for _ in range(MOST_WAITS)])
        assert not any(wait.done() for wait in waits)
    finally:
        answers.set()
    assert all([(await wait).kept for wait in waits])
