"""One client of the socket: what waits to be sent to it, and when it is too far behind to be kept."""

from __future__ import annotations

import asyncio
from collections import deque

MAX_WAITING = 500
"""Messages; a client with more of them waiting is dropped. Snapshots do not count, the last one wins."""


class Listener:
    """What waits for one client: messages in order, and the latest snapshot. Filling it never waits.

    `uid`: the user at its other end. `spoke`: it has sent a whole line; `over`: it is being hung up on.
    """

    def __init__(self, writer: asyncio.StreamWriter, behind_s: float, uid: int = -1) -> None:
        self.uid = uid
        self.spoke = False
        self.over = False
        self._writer = writer
        self._behind_s = behind_s
        self._messages: deque[bytes] = deque()
        self._snapshot = b""
        self._something = asyncio.Event()
        self._finished = False
        # `drain` then lasts until all is with the system, so that "behind" means what it says.
        writer.transport.set_write_buffer_limits(high=0)

    def show(self, snapshot: bytes) -> None:
        """Replaces the snapshot that waits."""
        self._snapshot = snapshot
        self._something.set()

    def tell(self, line: bytes) -> None:
        """Adds a message behind those that wait."""
        self._messages.append(line)
        self._something.set()

    def finish(self) -> None:
        """No more will be said: `send` ends when what waits is out."""
        self._finished = True
        self._something.set()

    def cut(self) -> None:
        """Hangs up at once, whatever waits; `send` and whoever reads from this client come to their end."""
        self.over = True
        self._writer.transport.abort()
        self.finish()

    async def send(self) -> None:
        """Writes what waits until finished; a client that is gone, or behind by more than its time, is cut off."""
        while len(self._messages) <= MAX_WAITING and not self.over:
            line = self._take()
            if line:
                if not await self._write(line):
                    break
            elif self._finished:
                return
            else:
                self._something.clear()
                await self._something.wait()
        self._writer.transport.abort()

    async def _write(self, line: bytes) -> bool:
        self._writer.write(line)
        try:
            # Not `wait_for`: before Python 3.12 it may swallow a cancellation, and the service would never end.
            async with asyncio.timeout(self._behind_s):
                await self._writer.drain()
        except (OSError, TimeoutError):
            return False
        return not self._writer.is_closing()

    def _take(self) -> bytes:
        if self._messages:
            return self._messages.popleft()
        line, self._snapshot = self._snapshot, b""
        return line
