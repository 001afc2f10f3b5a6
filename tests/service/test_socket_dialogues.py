"""What attached clients see of each other over a real socket: open dialogues, everybody's orders, the plant's pace."""

from __future__ import annotations

import asyncio
import contextlib

import pytest

from controller.service.client import attach
from controller.service.dialogues import OPEN_S, Dialogue, Dialogues
from controller.service.people import Person
from controller.service.protocol import Answer, BadMessage, PaceMessage, PromptMessage, WhoMessage, decode
from controller.service.sockets import OrderSocket

BOUND_S = 20.0


async def accept(message, person) -> Answer:
    return Answer(id=message.id, accepted=True)


class Pace:
    """A stepped plant's clock, as far as a client can reach it."""

    def __init__(self) -> None:
        self.asked: list = []

    def ask(self, ratio, paused) -> None:
        if ratio == 13.0:
            raise RuntimeError("inside")
        self.asked.append((ratio, paused))


@pytest.fixture
def pace():
    return Pace()


@pytest.fixture
async def service(tmp_path, pace):
    person = Person("ada", ("technician",), 1, may_state_name=True)
    server = OrderSocket(
        tmp_path / "s.sock", lambda uid: person, accept, targets=("A", "A07"), virtual=True, on_pace=pace.ask
    )
    await server.start()
    yield server
    await server.close()


@contextlib.asynccontextmanager
async def client_of(service):
    async with asyncio.timeout(BOUND_S):
        connection = await attach(service.path)
        try:
            yield connection, connection.messages()
        finally:
            await connection.close()


async def answer_to(client, messages, message):
    await client.send(message)
    async for said in messages:
        if said.get("id") == message.id and said["type"] in {"answer", "serves"}:
            return said
    raise AssertionError("the service closed before its answer")


async def until(condition):
    async with asyncio.timeout(BOUND_S):
        while not condition():  # noqa: ASYNC110 - any condition can be waited for; sleep(0) only gives way
            await asyncio.sleep(0)


def opened(verb="start", target="A07", number=1, *, is_open=True, **changes):
    return PromptMessage(id=f"p{number}", verb=verb, target=target, open=is_open, **changes)


async def test_an_open_dialogue_is_seen_with_its_console(service):
    """Who, for which order, on which circuit (by its own name), at which console; each console knows its own."""
    async with client_of(service) as (client, messages):
        mine = (await answer_to(client, messages, WhoMessage(id="w")))["console"]
        assert (await answer_to(client, messages, opened(target="a07")))["accepted"]
        (seen,) = service.prompts
        assert (seen["who"], seen["verb"], seen["target"], seen["console"]) == ("ada", "start", "A07", mine)
        assert 0.0 <= seen["age_s"] < BOUND_S


async def test_two_consoles_see_each_other(service):
    """The same order open twice shows twice, under different consoles; a stated name is shown as stated."""
    async with client_of(service) as (first, told_first), client_of(service) as (second, told_second):
        await answer_to(first, told_first, opened())
        await answer_to(second, told_second, opened(as_stated="night2"))
        assert [(each["who"], each["target"]) for each in service.prompts] == [("ada", "A07"), ("night2", "A07")]
        assert len({each["console"] for each in service.prompts}) == 2


async def test_one_dialogue_a_client(service):
    """The next takes its place; shutting the earlier one late does not shut the next."""
    async with client_of(service) as (client, messages):
        await answer_to(client, messages, opened("start", "A07", 1))
        await answer_to(client, messages, opened("hold", "A", 2))
        assert [(each["verb"], each["target"]) for each in service.prompts] == [("hold", "A")]
        await answer_to(client, messages, opened("start", "A07", 3, is_open=False))
        assert len(service.prompts) == 1
        await answer_to(client, messages, opened("hold", "A", 4, is_open=False))
        assert service.prompts == ()


async def test_a_dialogue_goes_with_its_client(service):
    """A console that died has nothing open."""
    async with client_of(service) as (client, messages):
        await answer_to(client, messages, opened())
        assert len(service.prompts) == 1
    await until(lambda: service.prompts == ())


def test_a_dialogue_that_nobody_shuts_grows_old_and_goes():
    """Seen up to 90 s, and forgotten then."""
    found = Dialogues()
    found.opened("c1", Dialogue("ada", "start", "A07", 100.0))
    assert found.seen(100.0 + OPEN_S)[0]["age_s"] == OPEN_S == 90.0
    assert found.seen(100.1 + OPEN_S) == ()
    assert found.seen(100.0) == ()


async def test_a_dialogue_on_what_is_not_here_is_refused(service):
    """The name must be one that orders could have; the client stays."""
    async with client_of(service) as (client, messages):
        said = await answer_to(client, messages, opened(target="B01"))
        assert (said["accepted"], said["code"]) == (False, "unknown_target")
        assert service.prompts == ()
        assert (await answer_to(client, messages, opened(number=2)))["accepted"]


@pytest.mark.parametrize(
    "line",
    [
        b'{"type":"prompt","id":"p","verb":"energise","target":"A07","open":true}\n',
        b'{"type":"prompt","id":"p","verb":"start","target":"A07","open":"yes"}\n',
        b'{"type":"prompt","id":"p","verb":"start","target":"A07"}\n',
        b'{"type":"prompt","id":"p","verb":"start","target":"","open":true}\n',
        b'{"type":"prompt","id":"p","verb":"start","target":"A07","open":true,"more":1}\n',
        b'{"type":"pace","id":"p","ratio":0}\n',
        b'{"type":"pace","id":"p","ratio":-3}\n',
        b'{"type":"pace","id":"p","ratio":1e9}\n',
        b'{"type":"pace","id":"p","ratio":true}\n',
        b'{"type":"pace","id":"p","ratio":"2"}\n',
        b'{"type":"pace","id":"p","paused":"yes"}\n',
        b'{"type":"pace","id":"","ratio":1}\n',
    ],
)
def test_rubbish_is_no_message(line):
    """Both new messages are checked as orders are."""
    with pytest.raises(BadMessage):
        decode(line)


def test_a_name_in_a_dialogue_is_cleaned():
    """No escape of one console reaches the others' terminals."""
    message = decode(
        b'{"type":"prompt","id":"p","verb":"start","target":"A\\u001b[31m7","open":true,"as_stated":"e\\nva"}\n'
    )
    assert (message.target, message.as_stated) == ("A [31m7", "e va")


async def test_pace_reaches_the_plant(service, pace):
    """Ratio, pause, or both; what is not said is None."""
    async with client_of(service) as (client, messages):
        for number, asked in enumerate([{"ratio": 600.0}, {"paused": True}, {"ratio": 1.0, "paused": False}, {}]):
            assert (await answer_to(client, messages, PaceMessage(id=f"q{number}", **asked)))["accepted"]
    assert pace.asked == [(600.0, None), (None, True), (1.0, False), (None, None)]


async def test_pace_that_fails_inside_costs_only_its_answer(service, pace):
    """The client is told no more than that it did not work, and stays."""
    async with client_of(service) as (client, messages):
        said = await answer_to(client, messages, PaceMessage(id="q", ratio=13.0))
        assert (said["accepted"], said["code"]) == (False, "internal")
        assert "inside" not in said["text"]
        assert (await answer_to(client, messages, PaceMessage(id="r", ratio=14.0)))["accepted"]


async def test_a_real_plant_has_no_pace(tmp_path):
    """Nobody makes real time go faster."""
    server = OrderSocket(tmp_path / "r.sock", lambda uid: Person("ada", (), uid), accept, targets=("A",))
    await server.start()
    async with client_of(server) as (client, messages):
        said = await answer_to(client, messages, PaceMessage(id="q", ratio=2.0))
        assert (said["accepted"], said["code"]) == (False, "no_pace")
        assert said["text"] == "only a stepped plant has a pace"
        refused = await answer_to(client, messages, opened(target="A", as_stated="eva"))
        assert (refused["accepted"], refused["code"]) == (False, "stated_name")
    await server.close()
