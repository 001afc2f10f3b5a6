"""The service's unix socket: whole snapshots out, orders in. Plain text lines, several clients, none of them trusted.

A client that reads slowly, sends rubbish or hangs up costs the control cycle nothing: every client has a task of its
own and is dropped when it falls behind. Nothing here decides anything; what may enter is the pace of the wall, never
the process's clock.
"""

from __future__ import annotations

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

from controller.service.errors import Refused
from controller.service.listener import Listener
from controller.service.listening import bind, peer_uid
from controller.service.people import Person
from controller.service.protocol import (
    MAX_LINE_BYTES,
    Answer,
    BadMessage,
    OrderMessage,
    Serves,
    WhoMessage,
    decode,
    encode,
)

SNAPSHOT_EVERY_S = 0.5
BEHIND_S = 5.0
MAX_CLIENTS = 32
MAX_ORDERS_AT_ONCE = 8
KNOWN_IDS = 1000
_LOG = logging.getLogger("formbath.socket")

Identify = Callable[[int], Person]
OnOrder = Callable[[OrderMessage, Person], Awaitable[Answer]]


class OrderSocket:
    """A service's end of the socket at `path`.

    `identify` turns a user id into a person (called off the loop's thread); `on_order` gives the core's answer, and may
    take until the next cycle. `targets` are the names served, the bath first; `group`: the folder's group may attach.
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
        behind_s: float = BEHIND_S,
    ) -> None:
        self.path = path
        self._identify = identify
        self._desk = _OrderDesk(on_order, targets, virtual)
        self._mode = 0o660 if group else 0o600
        self._behind_s = behind_s
        self._clients: dict[Listener, asyncio.Task[None]] = {}
        self._server: asyncio.Server | None = None
        self._snapshot = b""
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

    async def start(self) -> None:
        """Listens. Raises `OSError` where the path cannot be bound or another service answers there."""
        bound = bind(self.path, self._mode)
        self._server = await asyncio.start_unix_server(self._serve, sock=bound, limit=MAX_LINE_BYTES)

    async def publish(self, snapshot: Mapping[str, Any], *, urgent: bool = False) -> None:
        """Hands a whole snapshot to every client, at most twice a second; the last one wins. Never waits for a client.

        `urgent` (an alarm changed): at once.
        """
        self._snapshot = _line({**snapshot, "type": "snapshot"})
        loop = asyncio.get_running_loop()
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
        """Stops listening, ends every client, removes the socket file."""
        self._forget_later()
        if self._server is None:
            return
        self._server.close()
        tasks = tuple(self._clients.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._server.wait_closed()
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
        task = asyncio.current_task()
        if task is None or len(self._clients) >= MAX_CLIENTS:
            writer.transport.abort()
            return
        client = Listener(writer, self._behind_s)
        self._clients[client] = task
        try:
            await self._converse(client, reader, peer_uid(writer))
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

    async def _converse(self, client: Listener, reader: asyncio.StreamReader, uid: int) -> None:
        """Until the client hangs up or falls behind; an order that was taken goes its way all the same."""
        person = await asyncio.to_thread(self._identify, uid)
        if self._snapshot:
            client.show(self._snapshot)
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(client.send())
            tasks.create_task(self._desk.attend(client, reader, person))


class _OrderDesk:
    """Takes the lines of a client, hands each order on once, and gives the answers."""

    def __init__(self, on_order: OnOrder, targets: tuple[str, ...], virtual: bool) -> None:
        self._on_order = on_order
        self._targets = targets
        self._virtual = virtual
        self._known: OrderedDict[str, None] = OrderedDict()

    async def attend(self, client: Listener, reader: asyncio.StreamReader, person: Person) -> None:
        room = asyncio.Semaphore(MAX_ORDERS_AT_ONCE)
        async with asyncio.TaskGroup() as orders:
            while line := await _next_line(reader):
                await room.acquire()
                orders.create_task(self._take(client, line, person)).add_done_callback(lambda _: room.release())
        client.finish()

    async def _take(self, client: Listener, line: bytes, person: Person) -> None:
        try:
            message = decode(line)
        except BadMessage as error:
            client.tell(encode(Answer(id=error.id, accepted=False, code="bad_message", text=str(error))))
            return
        if isinstance(message, WhoMessage):
            client.tell(encode(Serves(id=message.id, targets=self._targets, virtual=self._virtual)))
        else:
            client.tell(encode(await self._answer(message, person)))

    async def _answer(self, message: OrderMessage, person: Person) -> Answer:
        if message.id in self._known:
            return _no(message, "known_id", "an order with this id was taken before, it is not repeated")
        self._known[message.id] = None
        while len(self._known) > KNOWN_IDS:
            self._known.popitem(last=False)
        try:
            return await self._on_order(message, person.stating(message.as_stated))
        except Refused as refused:
            return _no(message, refused.code, refused.text)
        except Exception:  # noqa: BLE001 - the person must get an answer, and the other orders theirs
            _LOG.exception("order %s %s failed", message.verb, message.target)
            return _no(message, "internal", "the service could not handle this order, look at what the circuit does")


def _no(message: OrderMessage, code: str, text: str) -> Answer:
    return Answer(id=message.id, accepted=False, code=code, text=text)


async def _next_line(reader: asyncio.StreamReader) -> bytes:
    """The next line, or nothing at the end, after a broken connection, or where a line is too long to be one."""
    try:
        line = await reader.readline()
    except (ValueError, OSError):
        return b""
    return line if line.endswith(b"\n") else b""


def _line(message: Mapping[str, Any]) -> bytes:
    """The message as a line; one that does not fit is replaced by a short one that says so, never by an exception."""
    try:
        return encode(message)
    except (ValueError, TypeError) as error:
        _LOG.error("%s not sent: %s", message.get("type"), error)
        return encode({"type": "error", "code": "not_sent", "text": f"{message.get('type')}: {error}"[:500]})
