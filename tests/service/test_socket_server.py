"""The real unix socket: snapshots out, orders in, and clients that misbehave."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import socket
import stat

import pytest

from controller import words
from controller.service import sockets
from controller.service.client import Connection, attach
from controller.service.errors import Unreachable
from controller.service.listening import bind
from controller.service.people import Person
from controller.service.protocol import Answer, OrderMessage, WhoMessage
from controller.service.sockets import MAX_CLIENTS, MAX_OF_ONE, SNAPSHOT_EVERY_S, OrderSocket

BOUND_S = 20.0
"""Longest any test waits for a condition; no test's result hangs on how fast it comes."""


class Desk:
    """Stands where the control loop is: keeps what it was asked, and answers when it is let."""

    def __init__(self) -> None:
        self.taken: list[tuple[OrderMessage, Person]] = []
        self.may_answer = asyncio.Event()
        self.may_answer.set()
        self.done: list[str] = []

    async def on_order(self, message: OrderMessage, person: Person) -> Answer:
        self.taken.append((message, person))
        await self.may_answer.wait()
        if message.args.get("reason") == "break":
            raise RuntimeError("inside")
        self.done.append(message.id)
        return Answer(id=message.id, accepted=True, code="accepted", text=f"{message.verb} {message.target}")


def me(uid: int) -> Person:
    return Person("ada", ("technician",), uid, may_state_name=True)


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
async def service(tmp_path, desk):
    server = OrderSocket(
        tmp_path / "s.sock", me, desk.on_order, targets=("A", "A07"), virtual=True, hall="north", runs="/data/runs",
        behind_s=0.3,
    )  # fmt: skip
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


async def next_of(messages, kind):
    async for message in messages:
        if message["type"] == kind:
            return message
    raise AssertionError(f"the service closed before any {kind}")


async def until(condition):
    async with asyncio.timeout(BOUND_S):
        while not condition():  # noqa: ASYNC110 - any condition can be waited for; sleep(0) only gives way
            await asyncio.sleep(0)


async def test_order_reaches_the_loop_with_its_person(service, desk):
    """An order arrives as it was sent, with the person that the kernel vouches for, and its answer comes back."""
    async with client_of(service) as (client, messages):
        sent = OrderMessage(id="o1", verb="hold", target="A07", args={"reason": "hot"}, seen_revision=3)
        await client.send(sent)
        assert await next_of(messages, "answer") == {
            "type": "answer", "id": "o1", "accepted": True, "code": "accepted", "text": "hold A07", "reads_back": False,
            "kept": True,
        }  # fmt: skip
    assert desk.taken == [(sent, me(os.getuid()))]


async def test_stated_name_goes_with_the_order(service, desk):
    """In a virtual bath the recorded name is the stated one."""
    async with client_of(service) as (client, messages):
        await client.send(OrderMessage(id="o1", verb="hold", target="A07", as_stated="Eva"))
        await next_of(messages, "answer")
    assert desk.taken[0][1].name == "Eva"


async def test_stated_name_in_a_real_bath_never_reaches_the_loop(tmp_path, desk):
    """A real bath refuses it at the door."""
    server = OrderSocket(tmp_path / "r.sock", lambda uid: Person("ada", (), uid), desk.on_order)
    await server.start()
    async with client_of(server) as (client, messages):
        await client.send(OrderMessage(id="o1", verb="hold", target="A07", as_stated="Eva"))
        answer = await next_of(messages, "answer")
    await server.close()
    assert (answer["accepted"], answer["code"], desk.taken) == (False, "stated_name", [])


async def test_order_is_never_repeated(service, desk):
    """The same id a second time is refused and does not reach the loop."""
    async with client_of(service) as (client, messages):
        for _ in range(2):
            await client.send(OrderMessage(id="o1", verb="start", target="A07"))
        codes = {(await next_of(messages, "answer"))["code"] for _ in range(2)}
    assert codes == {"accepted", "known_id"}
    assert len(desk.taken) == 1


async def test_orders_keep_their_order(service, desk):
    """Orders of one client reach the loop in the sequence in which they were sent."""
    async with client_of(service) as (client, messages):
        for number in range(30):
            await client.send(OrderMessage(id=f"o{number}", verb="hold", target="A07"))
        for _ in range(30):
            await next_of(messages, "answer")
    assert [message.id for message, _ in desk.taken] == [f"o{number}" for number in range(30)]


async def test_rubbish_gets_an_answer_and_the_client_stays(service, desk):
    """A line that is no order is answered as such; the next order of the same client is taken."""
    async with client_of(service) as (client, messages):
        client._writer.write(b'{"type":"order","id":"x","verb":"energise","target":"A07"}\nrubbish\n')
        first, second = await next_of(messages, "answer"), await next_of(messages, "answer")
        assert {first["code"], second["code"]} == {"bad_message"}
        assert {first["id"], second["id"]} == {"x", ""}
        await client.send(OrderMessage(id="o1", verb="stop", target="A07"))
        assert (await next_of(messages, "answer"))["accepted"]
    assert len(desk.taken) == 1


async def test_endless_line_costs_only_its_client(service, desk):
    """A client that sends a line longer than allowed is hung up on; another one is served on."""
    async with client_of(service) as (bad, bad_messages), client_of(service) as (good, messages):
        bad._writer.write(b"x" * 200_000)
        with contextlib.suppress(Exception):
            assert [message async for message in bad_messages] == []
        await good.send(OrderMessage(id="o1", verb="hold", target="A07"))
        assert (await next_of(messages, "answer"))["accepted"]
    assert len(desk.taken) == 1


async def test_failure_inside_is_answered_as_one(service, desk):
    """An exception in the loop's handler is no acceptance, and the service goes on."""
    async with client_of(service) as (client, messages):
        await client.send(OrderMessage(id="o1", verb="hold", target="A07", args={"reason": "break"}))
        answer = await next_of(messages, "answer")
        assert (answer["accepted"], answer["code"]) == (False, "internal")
        assert "inside" not in answer["text"]
        await client.send(OrderMessage(id="o2", verb="hold", target="A07"))
        assert (await next_of(messages, "answer"))["accepted"]


async def test_hold_goes_its_way_when_the_client_hangs_up(service, desk):
    """Who sends a hold and loses the connection has still held: a taken order is not cancelled."""
    desk.may_answer.clear()
    async with client_of(service) as (client, _):
        await client.send(OrderMessage(id="o1", verb="hold", target="A07"))
        await until(lambda: desk.taken)
    desk.may_answer.set()
    await until(lambda: desk.done == ["o1"])
    await until(lambda: service.clients == 0)


async def test_who_names_the_house_and_the_person(service):
    """A client can ask which names this service serves, where its records are, and as whom it knows the person."""
    async with client_of(service) as (client, messages):
        await client.send(WhoMessage(id="w"))
        assert await next_of(messages, "serves") == {
            "type": "serves",
            "id": "w",
            "targets": ["A", "A07"],
            "virtual": True,
            "hall": "north",
            "bath": "A",
            "runs": "/data/runs",
            "who": "ada",
            "roles": ["technician"],
            "console": "c1",
        }


async def test_new_client_gets_the_latest_snapshot(service):
    """Attaching shows the state at once, not only after the next change."""
    await service.publish({"revision": 1})
    await service.publish({"revision": 2})
    async with client_of(service) as (_, messages):
        assert (await next_of(messages, "snapshot"))["revision"] == 2


async def test_snapshots_come_at_most_twice_a_second_and_the_last_one_wins(service):
    """Many snapshots in no time become few, and the newest always arrives."""
    clock = asyncio.get_running_loop().time
    async with client_of(service) as (_, messages):
        await until(lambda: service.clients == 1)
        begin_s = clock()
        for revision in range(200):
            await service.publish({"revision": revision})
            await asyncio.sleep(0)
        seen = [(await next_of(messages, "snapshot"))["revision"]]
        while seen[-1] != 199:
            seen.append((await next_of(messages, "snapshot"))["revision"])
        assert len(seen) <= 2 + (clock() - begin_s) / SNAPSHOT_EVERY_S


async def test_alarm_change_is_shown_at_once(service):
    """An urgent snapshot does not wait for its turn: each arrives although all come within one half second or later."""
    async with client_of(service) as (client, messages):
        await client.send(WhoMessage(id="w"))
        await next_of(messages, "serves")
        for revision in range(5):
            await service.publish({"revision": revision}, urgent=True)
            assert (await next_of(messages, "snapshot"))["revision"] == revision
            assert service._later is None


async def test_messages_are_not_replaced_by_snapshots(service):
    """Read-backs arrive all and in order, however many snapshots come between."""
    async with client_of(service) as (client, messages):
        await client.send(WhoMessage(id="w"))
        await next_of(messages, "serves")
        for number in range(20):
            await service.tell({"type": "readback", "id": str(number), "text": "0.0 A"})
            await service.publish({"revision": number}, urgent=True)
        assert [(await next_of(messages, "readback"))["id"] for _ in range(20)] == [str(n) for n in range(20)]


async def test_client_that_does_not_read_is_dropped_and_costs_nobody(service):
    """Who falls behind is closed; a client beside it gets its snapshots all the while."""
    async with client_of(service) as (_, messages):
        lazy = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        lazy.setblocking(False)
        lazy.connect(os.fspath(service.path))
        await until(lambda: service.clients == 2)
        revision = 0
        async with asyncio.timeout(BOUND_S):
            while service.clients == 2:
                revision += 1
                await service.publish({"revision": revision, "pad": "x" * 60_000}, urgent=True)
                assert (await next_of(messages, "snapshot"))["revision"] <= revision
        lazy.close()
        await service.publish({"revision": -1}, urgent=True)
        while (await next_of(messages, "snapshot"))["revision"] != -1:
            pass


async def test_snapshot_too_large_is_said_and_does_not_raise(service):
    """The control loop is not told of a snapshot that no line holds; the client is."""
    async with client_of(service) as (_, messages):
        await service.publish({"pad": "x" * 300_000})
        assert (await next_of(messages, "error"))["code"] == "not_sent"


async def speaks(client, messages):
    """Has said one whole line, and was heard."""
    await client.send(WhoMessage(id="w"))
    await next_of(messages, "serves")


@pytest.mark.parametrize(("users", "most", "code"), [(1, MAX_OF_ONE, "full_of_one"), (9, MAX_CLIENTS, "full")])
async def test_clients_are_limited(service, monkeypatch, users, most, code):
    """Neither one user nor a crowd of them can use up the service; one too many is told why and hung up on."""
    uids = (number % users for number in range(1_000))
    monkeypatch.setattr(sockets, "peer_uid", lambda _: next(uids))
    async with contextlib.AsyncExitStack() as stack:
        for _ in range(most):
            await speaks(*await stack.enter_async_context(client_of(service)))
        _, messages = await stack.enter_async_context(client_of(service))
        text = words.filled(words.REFUSALS[code], {"most": most})
        assert [message async for message in messages] == [{"type": "error", "code": "full", "text": text}]
        assert service.clients == most
        with Connection(service.path) as blocking, pytest.raises(Unreachable, match=f"{most} clients"):
            await asyncio.to_thread(blocking.who)


async def test_a_client_that_says_nothing_makes_room(service):
    """In a full house the oldest that never sent a whole line goes first; who spoke stays."""
    async with contextlib.AsyncExitStack() as stack:
        first, first_messages = await stack.enter_async_context(client_of(service))
        await speaks(first, first_messages)
        half, silent = await stack.enter_async_context(client_of(service))
        half._writer.write(b'{"type":"who"')
        await until(lambda: service.clients == 2)
        for _ in range(MAX_OF_ONE - 2):
            await speaks(*await stack.enter_async_context(client_of(service)))
        await speaks(*await stack.enter_async_context(client_of(service)))
        assert [message async for message in silent] == []
        await speaks(first, first_messages)
        await until(lambda: service.clients == MAX_OF_ONE)


async def test_an_old_snapshot_greets_nobody(service):
    """Older than 3 s and two periods: a new client waits for the next one, unless the plant's time stands still."""
    loop, ages = asyncio.get_running_loop(), []
    for snapshot, good_s in (({}, 3.0), ({"period_s": 5.0}, 10.0), ({"pace": {"paused": True}}, math.inf)):
        await service.publish({"revision": 1, **snapshot})
        ages.append(service._good_until_s - loop.time() - good_s)
    assert all(-1.0 < age <= 0.0 or math.isnan(age) for age in ages)
    service._good_until_s = loop.time() - 0.001
    async with client_of(service) as (client, messages):
        await client.send(WhoMessage(id="w"))
        async for message in messages:
            assert message["type"] == "serves"
            break
        await service.publish({"revision": 2}, urgent=True)
        assert (await next_of(messages, "snapshot"))["revision"] == 2


@pytest.mark.parametrize("turns", range(12))
async def test_close_ends_whatever_a_client_is_just_being_sent(service, turns):
    """Closing right behind a snapshot, at every turn of the loop in which it may be on its way, comes to its end."""
    async with client_of(service) as (client, messages):
        await speaks(client, messages)
        await service.publish({"revision": 1}, urgent=True)
        for _ in range(turns):
            await asyncio.sleep(0)
        tasks = tuple(service._clients.values())
        await asyncio.wait_for(service.close(), BOUND_S)
        assert all(task.done() for task in tasks)


async def test_orders_of_a_client_that_is_gone_only_lower_energy(service, desk):
    """It hung up before a cycle took them: the hold goes its way, the start and the reset are dropped."""
    desk.may_answer.clear()
    withdrawn = []

    async def on_order(message, person):
        try:
            return await desk.on_order(message, person)
        except asyncio.CancelledError:
            withdrawn.append(message.verb)
            raise

    service._reception._on_order = on_order
    async with client_of(service) as (client, _):
        for verb in ("start", "hold", "reset", "done"):
            args = {"item": 1} if verb == "done" else {}
            await client.send(OrderMessage(id=verb, verb=verb, target="A07", args=args))
        await until(lambda: len(desk.taken) == 4)
    await until(lambda: len(withdrawn) == 2)
    desk.may_answer.set()
    await until(lambda: service.clients == 0)
    assert sorted(withdrawn) == ["reset", "start"]
    assert desk.done == ["hold", "done"]


async def test_close_ends_clients_and_removes_the_socket(service, desk):
    """Closing waits for nobody: not for a client that reads nothing, not for an order under way."""
    desk.may_answer.clear()
    async with client_of(service) as (client, messages):
        await client.send(OrderMessage(id="o1", verb="hold", target="A07"))
        await until(lambda: desk.taken)
        await service.close()
        assert [message async for message in messages] == []
    assert not service.path.exists()


@pytest.mark.parametrize(("group", "mode"), [(False, 0o600), (True, 0o660)])
async def test_socket_is_open_to_owner_and_group_only(tmp_path, desk, group, mode):
    """Nobody outside the floor's group can attach."""
    server = OrderSocket(tmp_path / "m.sock", me, desk.on_order, group=group)
    await server.start()
    assert stat.S_IMODE(server.path.stat().st_mode) == mode
    await server.close()


async def test_second_service_cannot_take_a_live_socket(service, desk):
    """A socket that answers stays with its service."""
    with pytest.raises(OSError, match="in use"):
        await OrderSocket(service.path, me, desk.on_order).start()
    async with client_of(service) as (client, messages):
        await client.send(OrderMessage(id="o1", verb="hold", target="A07"))
        assert (await next_of(messages, "answer"))["accepted"]


async def test_socket_left_by_a_dead_service_is_replaced(tmp_path, desk):
    """After a crash the service starts again at the same place."""
    bind(tmp_path / "s.sock", 0o600).close()
    server = OrderSocket(tmp_path / "s.sock", me, desk.on_order)
    await server.start()
    async with client_of(server) as (client, messages):
        await client.send(WhoMessage(id="w"))
        await next_of(messages, "serves")
    await server.close()


def test_file_that_is_no_socket_is_not_removed(tmp_path):
    """What somebody put in the socket's place is left alone."""
    path = tmp_path / "s.sock"
    path.write_text(json.dumps("mine"))
    with pytest.raises(OSError, match="in use"):
        bind(path, 0o600)
    assert path.read_text() == '"mine"'
