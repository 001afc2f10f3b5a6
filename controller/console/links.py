"""The console's connections: one to each service, kept alive, and what each last said. Nothing is decided here.

A connection that breaks is tried again with a growing pause; one that stays silent is not touched, its silence is told.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.console.picture import BadPicture, Picture, read_picture
from controller.console.scene import BathSeen
from controller.service.client import AsyncConnection, attach, find_sockets, new_id
from controller.service.errors import Unreachable
from controller.service.protocol import OrderMessage, PaceMessage, PromptMessage, WhoMessage, clean

SEARCH_S = 5.0
"""How often new sockets are looked for, and the longest pause before a lost service is tried again."""

FIRST_PAUSE_S = 0.2
Sendable = OrderMessage | WhoMessage | PaceMessage | PromptMessage


@dataclass(slots=True)
class Link:
    """One service. `arrived_s`: when its last picture came, on this loop's clock."""

    path: Path
    picture: Picture | None = None
    arrived_s: float = 0.0
    attached: bool = False
    shown: bool = False
    """Whether a picture has come over this very connection: one of before is not current, however young."""
    who: str = ""
    roles: tuple[str, ...] = ()
    runs: str = ""
    console: str = ""
    bath: str = ""
    hall: str = ""
    name: str = ""
    """By what this console knows the bath; given once and kept, so that nothing typed ever goes to another service."""
    trouble: str = ""
    connection: AsyncConnection | None = field(default=None, repr=False)

    def seen(self, now_s: float) -> BathSeen:
        """What a page sees of it."""
        silent_s = max(0.0, now_s - self.arrived_s)
        return BathSeen(
            self.name,
            self.picture,
            silent_s,
            self.attached and self.shown,
            self.who,
            self.roles,
            self.runs,
            self.console,
        )

    def take(self, message: Mapping[str, Any], now_s: float) -> bool:
        """Take what is about the link itself (a snapshot, who it serves); True where it was that."""
        kind = message.get("type")
        if kind == "snapshot":
            try:
                self.picture, self.trouble = read_picture(message), ""
            except BadPicture as error:
                self.trouble = str(error)
                return True
            self.arrived_s, self.shown = now_s, True
        elif kind == "serves":
            self.who = _text(message, "who")
            roles = message.get("roles")
            self.roles = tuple(clean(str(role), 40) for role in roles) if isinstance(roles, list) else ()
            self.runs = str(message.get("runs") or "")
            self.console = _text(message, "console")
            self.bath, self.hall = _text(message, "bath"), _text(message, "hall")
        else:
            return False
        return True


class Links:
    """Every service this console is attached to. `changed(link, message)`: called for each message, and when one goes.

    `paths` None: every socket of this machine that may be opened, looked for again and again.
    """

    def __init__(self, paths: Sequence[Path] | None, changed: Callable[[Link, Mapping[str, Any]], None]) -> None:
        self._paths = tuple(paths) if paths is not None else None
        self._changed = changed
        self.links: dict[Path, Link] = {}

    async def run(self) -> None:
        """Stay attached until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            while True:
                found = self._paths if self._paths is not None else await asyncio.to_thread(find_sockets)
                for path in found:
                    if path not in self.links:
                        self.links[path] = Link(path)
                        tasks.create_task(self._stay(self.links[path]))
                await pause(SEARCH_S)

    async def first(self, bound_s: float) -> None:
        """Wait for the first picture of any service. Raises `Unreachable` with what each said, after `bound_s`."""
        try:
            async with asyncio.timeout(bound_s):
                while not any(link.picture for link in self.links.values()):
                    await pause(FIRST_PAUSE_S / 4)
        except TimeoutError:
            said = "; ".join(f"{path}: {link.trouble or '--'}" for path, link in self.links.items())
            raise Unreachable(f"no running service: {said or 'no socket that may be opened'}") from None

    def seen(self, now_s: float) -> tuple[BathSeen, ...]:
        """Every bath that ever answered, by name: one that stops keeps its line."""
        known = [link for link in self.links.values() if link.name]
        return tuple(link.seen(now_s) for link in sorted(known, key=lambda link: link.name))

    def of(self, bath: str) -> Link | None:
        """The link that has this name."""
        return next((link for link in self.links.values() if link.name == bath), None)

    async def send(self, bath: str, message: Sendable) -> None:
        """Send a message to a bath's service. Raises `Unreachable`."""
        link = self.of(bath)
        if link is None or link.connection is None:
            raise Unreachable(f"bath {bath}: no service is attached")
        await link.connection.send(message)

    def _name(self, link: Link) -> None:
        """Give a link its name once it is known: its bath's, with its hall where another bath has that name already."""
        picture = link.picture
        bath = link.bath or (picture.bath if picture is not None else "")
        if link.name or not bath:
            return
        hall = link.hall or (picture.hall if picture is not None else "")
        taken = {other.name for other in self.links.values()}
        several = (f"{hall}/{bath} {number}" for number in range(2, len(taken) + 3))
        link.name = next(name for name in (bath, f"{hall}/{bath}", *several) if name not in taken)

    async def _stay(self, link: Link) -> None:
        pause_s = FIRST_PAUSE_S
        while True:
            try:
                await self._attached(link)
                pause_s = FIRST_PAUSE_S
            except Unreachable as error:
                link.trouble = str(error)
            finally:
                was, link.attached, link.shown, link.connection = link.attached, False, False, None
                if was:
                    self._changed(link, {"type": "gone"})
            await pause(pause_s)
            pause_s = min(2.0 * pause_s, SEARCH_S)

    async def _attached(self, link: Link) -> None:
        connection = await attach(link.path)
        try:
            await connection.send(WhoMessage(id=new_id()))
            link.connection, link.attached = connection, True
            loop = asyncio.get_running_loop()
            async for message in connection.messages():
                if not isinstance(message.get("type"), str):
                    continue
                link.take(message, loop.time())
                self._name(link)
                self._changed(link, message)
        finally:
            await connection.close()


def _text(message: Mapping[str, Any], key: str) -> str:
    """A text of a message, cleaned; empty where it is none."""
    found = message.get(key)
    return clean(found, 64) if isinstance(found, str) else ""


def cause_of(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Return what went wrong first in a group of tasks, so that it is told as itself."""
    first = group.exceptions[0]
    return cause_of(first) if isinstance(first, BaseExceptionGroup) else first


async def pause(seconds: float) -> None:
    """Wait of the wall, which only a cancellation ends sooner."""
    try:
        async with asyncio.timeout(seconds):
            await asyncio.get_running_loop().create_future()
    except TimeoutError:
        return
