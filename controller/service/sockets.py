"""The service's unix socket: whole snapshots out, orders in. Plain text lines, several clients, none of them trusted.

A client that reads slowly, sends rubbish or hangs up costs the control cycle nothing: every client has a task of its
own and is dropped when it falls behind. Nothing here decides anything; what may enter is the pace of the wall, never
the process's clock.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from controller import words
from controller.service.fitting import snapshot_line
from controller.service.listener import Listener
from controller.service.listening import bind, peer_uid
from controller.service.people import Person
from controller.service.protocol import MAX_LINE_BYTES, MAX_SHOWN_BYTES, encode
from controller.service.reception import Caller, House, OnOrder, OnPace, OnSeek, Reception

SNAPSHOT_EVERY_S = 0.5
BEHIND_S = 5.0
MAX_CLIENTS = 32
MAX_OF_ONE = 12
"""Clients in all, and of one user id."""

OLD_S = 3.0
"""A snapshot older than this and than two periods greets nobody as current."""

END_S = 1.0
"""Longest wait for the clients' ends when the service closes."""

_LOG = logging.getLogger("formbath.socket")

Identify = Callable[[int], Person]


class OrderSocket:
    """A service's end of the socket at `path`.

    `identify` turns a user id into a person (called off the loop's thread); `on_order` gives the core's answer, and may
    take until the next cycle. `targets` are the names served, the bath first, `hall` and `runs` (the absolute path of
    the records) what a client is told besides; `group`: the folder's group may attach. `on_pace`: of a stepped plant,
    what a client asks of its time; `on_seek`: of a replay, where it shall go.
    """

    def __init__(
        self,
        path: Path,
        identify: Identify,
        on_order: OnOrder,
        *,
        targets: tuple[str, ...] = (),
        virtual: bool = False,
        group: bool = False,
        hall: str = "",
        runs: str = "",
        on_pace: OnPace | None = None,
        on_seek: OnSeek | None = None,
        behind_s: float = BEHIND_S,
    ) -> None:
        self.path = path
        self._identify = identify
        self._reception = Reception(on_order, House(targets, virtual, hall, runs), on_pace, on_seek)
        self._mode = 0o660 if group else 0o600
        self._behind_s = behind_s
        self._clients: dict[Listener, asyncio.Task[None]] = {}
        self._served = 0
        self._server: asyncio.Server | None = None
        self._snapshot = b""
        self._good_until_s = 0.0
        self._next_s = 0.0
        self._later: asyncio.TimerHandle | None = None

    @property
    def clients(self) -> int:
        """How many clients are attached now."""
        return len(self._clients)

    @property
    def due(self) -> bool:
        """Whether a snapshot would be shown now; else making one can be spared."""
        return asyncio.get_running_loop().time() >= self._next_s

    @property
    def prompts(self) -> tuple[dict[str, Any], ...]:
        """The dialogues that clients have open, as a snapshot shows them."""
        return self._reception.dialogues.seen(asyncio.get_running_loop().time())

    async def start(self) -> None:
        """Listens. Raises `OSError` where the path cannot be bound or another service answers there."""
        bound = bind(self.path, self._mode)
        self._server = await asyncio.start_unix_server(self._serve, sock=bound, limit=MAX_LINE_BYTES)

    async def publish(self, snapshot: Mapping[str, Any], *, urgent: bool = False) -> None:
        """Hands a whole snapshot to every client, at most twice a second; the last one wins. Never waits for a client.

        `urgent` (an alarm changed): at once.
        """
        self._snapshot = _snapshot_line(snapshot)
        loop = asyncio.get_running_loop()
        self._good_until_s = loop.time() + _good_for_s(snapshot)
        if urgent or loop.time() >= self._next_s:
            self._show_now()
        elif self._later is None:
            self._later = loop.call_at(self._next_s, self._show_now)

    async def tell(self, message: Mapping[str, Any]) -> None:
        """Hands a message (such as a read-back) to every client at once, in order. Never waits for a client."""
        line = _line(message)
        for client in tuple(self._clients):
            client.tell(line)

    async def close(self) -> None:
        """Stops listening, ends every client, removes the socket file. Bounded, whatever clients do."""
        self._forget_later()
        if self._server is None:
            return
        self._server.close()
        clients = dict(self._clients)
        for client, task in clients.items():
            client.cut()
            task.cancel()
        if clients:
            _, left = await asyncio.wait(clients.values(), timeout=END_S)
            if left:
                _LOG.error("%d clients did not end with the service", len(left))
        self._server = None
        self.path.unlink(missing_ok=True)

    def _show_now(self) -> None:
        self._forget_later()
        self._next_s = asyncio.get_running_loop().time() + SNAPSHOT_EVERY_S
        for client in tuple(self._clients):
            client.show(self._snapshot)

    def _forget_later(self) -> None:
        if self._later is not None:
            self._later.cancel()
            self._later = None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task, uid = asyncio.current_task(), peer_uid(writer)
        full = self._full(uid)
        if task is None or full:
            writer.write(encode({"type": "error", "code": "full", "text": full}))
            writer.transport.abort()
            return
        client = Listener(writer, self._behind_s, uid)
        self._served += 1
        console = f"c{self._served}"
        self._clients[client] = task
        try:
            await self._converse(client, reader, console)
        except asyncio.CancelledError:
            # Only `close` cancels a client, and waits for it; the stream would report it as an error.
            _LOG.debug("client closed with the service")
        except Exception:  # noqa: BLE001 - whatever one client causes, the bath goes on and the others stay attached
            _LOG.exception("a client of the socket was dropped")
        finally:
            del self._clients[client]
            if not self._clients:
                # Nobody is left to publish for: what is kept grows old, and must not greet the next client as current.
                self._forget_later()
                self._snapshot = b""
            # What was to be said has been handed to the system; waiting for a client that does not read would hang.
            writer.transport.abort()

    def _full(self, uid: int) -> str:
        """Why there is no room for one more client of this user, else an empty text.

        Where it is full, the oldest client that never sent a whole line makes room.
        """
        here = [client for client in self._clients if not client.over]
        own = [client for client in here if client.uid == uid]
        if len(own) >= MAX_OF_ONE:
            full, crowd, most = "full_of_one", own, MAX_OF_ONE
        elif len(here) >= MAX_CLIENTS:
            full, crowd, most = "full", here, MAX_CLIENTS
        else:
            return ""
        silent = next((client for client in crowd if not client.spoke), None)
        if silent is None:
            return words.filled(words.REFUSALS[full], {"most": most})
        silent.cut()
        return ""

    async def _converse(self, client: Listener, reader: asyncio.StreamReader, console: str) -> None:
        """Until the client hangs up or falls behind; an order that was taken goes its way all the same."""
        person = await asyncio.to_thread(self._identify, client.uid)
        if asyncio.get_running_loop().time() > self._good_until_s:
            self._snapshot = b""
        if self._snapshot:
            client.show(self._snapshot)
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(client.send())
            tasks.create_task(self._reception.attend(Caller(client, person, console), reader))


def _good_for_s(snapshot: Mapping[str, Any]) -> float:
    """How long a snapshot may greet new clients; one of a plant whose time stands still grows no older."""
    pace, period_s = snapshot.get("pace"), snapshot.get("period_s")
    if isinstance(pace, Mapping) and pace.get("paused") is True:
        return math.inf
    return max(OLD_S, 2.0 * period_s if isinstance(period_s, int | float) else 0.0)


def _snapshot_line(snapshot: Mapping[str, Any]) -> bytes:
    """The snapshot as a line, shortened where it must be; one that does not fit at all is replaced as by `_line`."""
    try:
        return snapshot_line(snapshot)
    except (ValueError, TypeError):
        return _line({**snapshot, "type": "snapshot"})


def _line(message: Mapping[str, Any]) -> bytes:
    """The message as a line; one that does not fit is replaced by a short one that says so, never by an exception."""
    try:
        return encode(message, MAX_SHOWN_BYTES)
    except (ValueError, TypeError) as error:
        _LOG.error("%s not sent: %s", message.get("type"), error)
        return encode({"type": "error", "code": "not_sent", "text": f"{message.get('type')}: {error}"[:500]})
