"""Letting the event loop turn: what is ready in it, and on its sockets, is done. No time is waited for."""

from __future__ import annotations

import asyncio


async def turn(times: int = 1) -> None:
    """Let the loop go round so many times; each round looks at every socket once."""
    loop = asyncio.get_running_loop()
    for _ in range(times):
        done: asyncio.Future[None] = loop.create_future()
        loop.call_soon(done.set_result, None)
        await done
