"""The console's connections, to services that are small fakes on real sockets: names, trust, odd messages."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pictures
import pytest

from controller.console.links import Links
from controller.service.errors import Unreachable
from controller.service.protocol import WhoMessage

BOUND_S = 20.0


class Fake:
    """A service that says who it is and shows its picture to whoever attaches; `extra` messages come before it."""

    def __init__(self, path: Path, hall: str, *, extra: tuple[object, ...] = (), shows: bool = True) -> None:
        self.path, self.hall, self.extra, self.shows = path, hall, extra, shows
        self.writers: list[asyncio.StreamWriter] = []
        self.got: list[dict[str, object]] = []
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        self._server = await asyncio.start_unix_server(self._serve, path=self.path)

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for writer in self.writers:
            writer.transport.abort()
        self.path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        serves = {"type": "serves", "id": "x", "targets": ["A"], "bath": "A", "hall": self.hall, "who": "night1"}
        picture = pictures.picture(hall=self.hall).model_dump(mode="json") | {"type": "snapshot"}
        for message in (serves, *self.extra, *([picture] if self.shows else [])):
            writer.write(json.dumps(message).encode() + b"\n")
        while line := await reader.readline():
            self.got.append(json.loads(line))


@asynccontextmanager
async def attached(*fakes: Fake) -> AsyncIterator[Links]:
    for fake in fakes:
        await fake.start()
    links = Links([fake.path for fake in fakes], lambda *_: None)
    task = asyncio.create_task(links.run())
    try:
        yield links
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        for fake in fakes:
            await fake.stop()


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(BOUND_S):
        while not condition():
            done = asyncio.get_running_loop().create_future()
            asyncio.get_running_loop().call_later(0.01, done.set_result, None)
            await done


@pytest.fixture
def folder():
    with tempfile.TemporaryDirectory(prefix="fb-") as name:
        yield Path(name)


async def test_two_services_of_one_bath_name_are_two(folder):
    """The second gets its hall before its name, both keep their names, and a message goes to the one that is named."""
    north, south = Fake(folder / "n.sock", "north"), Fake(folder / "s.sock", "south")
    async with attached(north, south) as links:
        await until(lambda: len(links.seen(0.0)) == 2 and all(each.picture for each in links.seen(0.0)))
        names = [each.name for each in links.seen(0.0)]
        assert "A" in names
        assert set(names) < {"A", "north/A", "south/A"}
        second = next(name for name in names if name != "A")
        link = links.of(second)
        assert link is not None
        assert second == f"{link.hall}/A"


async def test_a_name_is_kept_when_its_service_goes_and_another_comes(folder):
    """What was typed for one service never goes to another: a lost service keeps its name, and nothing is sent."""
    first, other = Fake(folder / "a.sock", "north"), Fake(folder / "b.sock", "south")
    async with attached(first, other) as links:
        await until(lambda: len(links.seen(0.0)) == 2)
        bare = links.of("A")
        assert bare is not None
        gone = first if bare.path == first.path else other
        await gone.stop()
        await until(lambda: not bare.attached)
        assert links.of("A") is bare
        with pytest.raises(Unreachable):
            await links.send("A", WhoMessage(id="x"))


async def test_odd_messages_are_dropped(folder):
    """Messages of no type, of an odd type or of an odd form end nothing: the picture behind them is shown."""
    wrong = {"type": "serves", "bath": ["q"], "roles": 3}
    odd = ({"type": ["a"]}, {"no": "type"}, wrong, {"type": "snapshot", "now_ms": "x"})
    async with attached(Fake(folder / "a.sock", "north", extra=odd)) as links:
        await until(lambda: any(each.picture for each in links.seen(0.0)))
        assert [each.name for each in links.seen(0.0)] == ["A"]


async def test_what_was_shown_before_is_not_current_after_a_new_connection(folder):
    """A service that comes back without a picture leaves the old one untrusted, however young it is."""
    fake = Fake(folder / "a.sock", "north")
    async with attached(fake) as links:
        await until(lambda: any(each.trusted for each in links.seen(asyncio.get_running_loop().time())))
        fake.shows = False
        for writer in fake.writers:
            writer.transport.abort()
        fake.writers.clear()
        await until(lambda: fake.writers)
        await until(lambda: links.of("A").attached)
        assert not any(each.trusted for each in links.seen(asyncio.get_running_loop().time()))


async def test_a_service_that_shows_nothing_is_unreachable(folder):
    """Where no service ever shows a picture the console says so, naming each, and does not open."""
    async with attached(Fake(folder / "a.sock", "north", shows=False)) as links:
        with pytest.raises(Unreachable, match=r"a\.sock"):
            await links.first(0.3)
