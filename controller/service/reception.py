"""What a client of the socket may say, and what it is answered: each line checked, each order handed on once."""

from __future__ import annotations

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from controller import words
from controller.service.dialogues import Dialogue, Dialogues
from controller.service.errors import Refused
from controller.service.listener import Listener
from controller.service.people import Person
from controller.service.protocol import (
    Answer,
    BadMessage,
    Incoming,
    OrderMessage,
    PaceMessage,
    PromptMessage,
    Serves,
    WhoMessage,
    decode,
    encode,
    raises_energy,
)

MAX_ORDERS_AT_ONCE = 64
"""Orders of one client on their way at the same time: one for each of forty circuits may wait for a slow disk, and a
hold behind them is taken all the same (own choice)."""

KNOWN_IDS = 1000
_LOG = logging.getLogger("formbath.socket")

OnOrder = Callable[[OrderMessage, Person], Awaitable[Answer]]
OnPace = Callable[[float | None, bool | None], None]
OnSeek = Callable[[PaceMessage], None]


@dataclass(frozen=True, slots=True)
class House:
    """What a service says of itself: the names it serves, its bath first; `runs`: the absolute path of its records."""

    targets: tuple[str, ...] = ()
    virtual: bool = False
    hall: str = ""
    runs: str = ""

    def target(self, said: str) -> str:
        """The name that was meant, in whatever case it was typed. Raises `Refused` where there is none."""
        found = next((name for name in self.targets if name.lower() == said.lower()), None)
        if found is None:
            raise Refused("unknown_target", words.REFUSALS["unknown_target"])
        return found


@dataclass(frozen=True, slots=True)
class Caller:
    """One client: who it is, and the short name of its connection."""

    client: Listener
    person: Person
    console: str


class Reception:
    """Takes the lines of a client, hands each order on once, and gives the answers.

    `on_pace` None: no plant here whose time could go faster or slower; `on_seek` None: nothing that could go to
    another time.
    """

    def __init__(
        self, on_order: OnOrder, house: House, on_pace: OnPace | None = None, on_seek: OnSeek | None = None
    ) -> None:
        self._on_order = on_order
        self._on_pace = on_pace
        self._on_seek = on_seek
        self._house = house
        self._known: OrderedDict[str, None] = OrderedDict()
        self.dialogues = Dialogues()

    async def attend(self, caller: Caller, reader: asyncio.StreamReader) -> None:
        """Until the client hangs up; what it ordered goes its way all the same, but for what could let current flow.

        Such an order is dropped where no cycle took it yet: its giver cannot see any more what comes of it.
        """
        room = asyncio.Semaphore(MAX_ORDERS_AT_ONCE)
        raising: set[asyncio.Task[None]] = set()
        try:
            async with asyncio.TaskGroup() as orders:
                while line := await _next_line(reader):
                    caller.client.spoke = True
                    await room.acquire()
                    said = _read(line)
                    task = orders.create_task(self._take(caller, said))
                    task.add_done_callback(lambda _: room.release())
                    if isinstance(said, OrderMessage) and raises_energy(said.verb, said.args):
                        raising.add(task)
                        task.add_done_callback(raising.discard)
                for task in tuple(raising):
                    task.cancel()
        finally:
            self.dialogues.gone(caller.console)
        caller.client.finish()

    async def _take(self, caller: Caller, message: Incoming | BadMessage) -> None:
        if isinstance(message, BadMessage):
            caller.client.tell(encode(Answer(id=message.id, accepted=False, code="bad_message", text=str(message))))
        elif isinstance(message, WhoMessage):
            caller.client.tell(encode(self._serves(message, caller)))
        elif isinstance(message, OrderMessage):
            caller.client.tell(encode(await self._order(message, caller.person)))
        elif isinstance(message, PromptMessage):
            caller.client.tell(encode(self._prompt(message, caller)))
        else:
            caller.client.tell(encode(self._pace(message)))

    def _serves(self, message: WhoMessage, caller: Caller) -> Serves:
        house, person = self._house, caller.person
        return Serves(
            id=message.id,
            targets=house.targets,
            virtual=house.virtual,
            hall=house.hall,
            bath=house.targets[0] if house.targets else "",
            runs=house.runs,
            who=person.name,
            roles=person.roles,
            console=caller.console,
        )

    async def _order(self, message: OrderMessage, person: Person) -> Answer:
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

    def _prompt(self, message: PromptMessage, caller: Caller) -> Answer:
        try:
            who, target = caller.person.stating(message.as_stated).name, self._house.target(message.target)
        except Refused as refused:
            return _no(message, refused.code, refused.text)
        if message.open:
            now_s = asyncio.get_running_loop().time()
            self.dialogues.opened(caller.console, Dialogue(who, message.verb, target, now_s))
        else:
            self.dialogues.shut(caller.console, message.verb, target)
        return Answer(id=message.id, accepted=True)

    def _pace(self, message: PaceMessage) -> Answer:
        if self._on_pace is None:
            return _no(message, "no_pace", words.REFUSALS["no_pace"])
        if message.seeks and self._on_seek is None:
            return _no(message, "no_seek", words.REFUSALS["no_seek"])
        try:
            self._on_pace(message.ratio, message.paused)
            if message.seeks and self._on_seek is not None:
                self._on_seek(message)
        except Exception:  # noqa: BLE001 - a client's wish must not cost it its connection
            _LOG.exception("pace %s %s failed", message.ratio, message.paused)
            return _no(message, "internal", "the service could not change its pace")
        return Answer(id=message.id, accepted=True)


def _no(message: OrderMessage | PromptMessage | PaceMessage, code: str, text: str) -> Answer:
    return Answer(id=message.id, accepted=False, code=code, text=text)


def _read(line: bytes) -> Incoming | BadMessage:
    """The message in a line, or what is wrong with it."""
    try:
        return decode(line)
    except BadMessage as error:
        return error


async def _next_line(reader: asyncio.StreamReader) -> bytes:
    """The next line, or nothing at the end, after a broken connection, or where a line is too long to be one."""
    try:
        line = await reader.readline()
    except (ValueError, OSError):
        return b""
    return line if line.endswith(b"\n") else b""
