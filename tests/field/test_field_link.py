"""The TCP end against real peers: an independent server, and a raw one that answers whatever a test tells it to."""

from __future__ import annotations

import asyncio
import re
import socket
import struct
from pathlib import Path

import pytest

from controller.core.types import LinkState
from controller.field.link import TcpLink
from controller.field.transport import Answer, Failure, Read, Write

ROOT = Path(__file__).parents[2]
READ = Read(3, "HoldingRegister", 10, 2)
RIGHT = bytes([3, 4, 0, 1, 0, 2])
BOUND_S = 10.0  # far above anything measured: only a hang reaches it


class RawServer:
    """Answers each request with what `answer(tid, request)` returns (None: nothing); counts connections."""

    def __init__(self):
        self.answer = lambda tid, request: adu(RIGHT, tid)
        self.requests = []
        self.connections = 0
        self.port = 0
        self.writers = []

    async def __aenter__(self):
        self.server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self.server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_):
        self.server.close()
        for writer in self.writers:
            writer.close()
        await asyncio.sleep(0)

    async def _serve(self, reader, writer):
        self.connections += 1
        self.writers.append(writer)
        try:
            while True:
                head = await reader.readexactly(7)
                body = await reader.readexactly(struct.unpack(">H", head[4:6])[0] - 1)
                tid = struct.unpack(">H", head[:2])[0]
                self.requests.append(head + body)
                reply = self.answer(tid, head + body)
                if reply == b"":
                    writer.close()
                    return
                if reply is not None:
                    writer.write(reply)
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()


def adu(pdu, tid, unit=3, protocol=0, length=None):
    return struct.pack(">HHHB", tid, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


async def ask(link, request=READ):
    return await asyncio.wait_for(link.exchange(request), BOUND_S)


async def until(condition):
    """Let the loop run until the condition holds."""
    async with asyncio.timeout(BOUND_S):
        while not condition():  # noqa: ASYNC110 - the condition is another task's doing
            await asyncio.sleep(0)


async def test_right_answer():
    """Two registers asked, two brought, and one connection serves many requests."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port)
        for _ in range(3):
            assert await ask(link) == Answer((1, 2))
        assert server.connections == 1
        await link.close()


WRONG = {
    "function 4 for a 3": lambda tid, _: adu(bytes([4, 4, 0, 1, 0, 2]), tid),
    "a write's answer": lambda tid, _: adu(bytes([16, 0, 10, 0, 2]), tid),
    "fewer registers": lambda tid, _: adu(bytes([3, 2, 0, 1]), tid),
    "more registers": lambda tid, _: adu(bytes([3, 6, 0, 1, 0, 2, 0, 3]), tid),
    "odd byte count": lambda tid, _: adu(bytes([3, 3, 0, 1, 0]), tid),
    "own echo": lambda tid, request: request,
    "wrong unit": lambda tid, _: adu(RIGHT, tid, unit=4),
    "unknown function": lambda tid, _: adu(bytes([99, 4, 0, 1, 0, 2]), tid),
    "wrong byte count": lambda tid, _: adu(bytes([3, 8, 0, 1, 0, 2]), tid),
    "wrong protocol": lambda tid, _: adu(RIGHT, tid, protocol=5),
    "length 65535": lambda tid, _: adu(RIGHT, tid, length=65535),
    "transaction id 0": lambda tid, _: adu(RIGHT, 0),
    "noise": lambda tid, _: b"\xaa\x55" * 40,
    "noise before the frame": lambda tid, _: b"\xff" * 9 + adu(RIGHT, tid),
    "another function's exception": lambda tid, _: adu(bytes([0x84, 2]), tid),
}


@pytest.mark.parametrize("name", WRONG)
async def test_wrong_answers_are_never_taken(name):
    """It is told as a wrong answer at once, without the time-out; the connection is closed; the next read is right."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=BOUND_S)
        assert await ask(link) == Answer((1, 2))
        right, server.answer = server.answer, WRONG[name]
        outcome = await asyncio.wait_for(link.exchange(READ), BOUND_S / 2)
        assert isinstance(outcome, Failure)
        assert outcome.link is LinkState.WRONG_ANSWER
        assert outcome.why.startswith("wrong answer: ")
        assert not link.connected
        server.answer = right
        assert await ask(link) == Answer((1, 2))
        assert server.connections == 2
        await link.close()


@pytest.mark.parametrize(
    "reply",
    [
        lambda tid, _: None,
        lambda tid, _: adu(RIGHT, tid)[:-1],
        lambda tid, _: adu(RIGHT, tid + 1),
        lambda tid, _: b"\xaa" * 100_000,
    ],
    ids=["nothing", "cut frame", "future id", "100 kB of noise"],
)
async def test_what_never_completes_is_late(reply):
    """No whole answer within the time-out: nothing is taken, the connection is closed, the next read is right."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=0.05)
        assert await ask(link) == Answer((1, 2))
        right, server.answer = server.answer, reply
        outcome = await ask(link)
        assert isinstance(outcome, Failure)
        assert outcome.link in (LinkState.LATE, LinkState.WRONG_ANSWER)
        assert not link.connected
        server.answer = right
        assert await ask(link) == Answer((1, 2))
        await link.close()


async def test_a_late_reply_is_never_the_next_answer():
    """The reply that comes after its time-out goes to a closed connection; the next question gets its own answer."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=0.05)
        await ask(link)
        server.answer = lambda tid, request: None
        assert await ask(link) == Failure("time-out", LinkState.LATE)
        late = server.writers[-1]
        late.write(adu(bytes([3, 4, 9, 9, 9, 9]), 2))
        server.answer = lambda tid, request: adu(bytes([3, 4, 0, 7, 0, 8]), tid)
        assert await ask(link, Read(3, "HoldingRegister", 40, 2)) == Answer((7, 8))
        await link.close()


async def test_duplicates_are_ignored():
    """Each answer sent twice: every question still gets its own."""
    async with RawServer() as server:

        def twice(tid, request):
            frame = adu(bytes([3, 4, 0, request[9], 0, tid]), tid)
            return frame + frame

        server.answer = twice
        link = TcpLink("127.0.0.1", server.port)
        for address in range(1, 20):
            assert await ask(link, Read(3, "HoldingRegister", address, 2)) == Answer((address, address))
        assert server.connections == 1
        await link.close()


async def test_a_closed_connection_does_not_cost_the_time_out():
    """The peer closes instead of answering: told as down at once, although the time-out is long."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=BOUND_S * 5)
        await ask(link)
        epoch = link.epoch
        server.answer = lambda tid, request: b""
        assert await ask(link) == Failure("down", LinkState.DOWN)
        assert link.epoch > epoch
        await link.close()


@pytest.mark.parametrize(
    ("code", "state"),
    [(2, LinkState.WRONG_ANSWER), (5, LinkState.LATE), (6, LinkState.LATE), (11, LinkState.LATE)],
)
async def test_exceptions_keep_the_connection(code, state):
    """An exception is told by its code; the connection stays."""
    async with RawServer() as server:
        server.answer = lambda tid, request: adu(bytes([0x83, code]), tid)
        link = TcpLink("127.0.0.1", server.port)
        assert await ask(link) == Failure(f"exception {code}", state)
        assert link.connected
        await link.close()


async def test_a_write_never_opens_a_connection():
    """Without a connection a write is down, and the peer hears nothing."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port)
        assert await ask(link, Write(3, "HoldingRegister", 0, (1,))) == Failure("down", LinkState.DOWN)
        assert server.connections == 0
        await link.close()


async def test_a_write_answered_for_another_address_is_wrong():
    """The answer to a write must repeat what was written where."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=BOUND_S)
        await ask(link)
        server.answer = lambda tid, request: adu(bytes([16, 0, 9, 0, 2]), tid)
        outcome = await ask(link, Write(3, "HoldingRegister", 10, (1, 2)))
        assert isinstance(outcome, Failure)
        assert outcome.link is LinkState.WRONG_ANSWER
        await link.close()


async def test_coming_back_is_paced():
    """Refused connects are tried in the next cycle, then after 1, 2, 4, 8, 10, 10 s of core time, and not between."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        link = TcpLink("127.0.0.1", port)
        tried = []
        real = link._open

        async def counted():
            opened = await real()
            if link._retry_ms > link._now_ms and (not tried or tried[-1][1] != link._retry_ms):
                tried.append((link._now_ms, link._retry_ms))
            return opened

        link._open = counted
        for now_ms in range(0, 40_000, 100):
            link.tick(now_ms)
            assert await ask(link) == Failure("down", LinkState.DOWN)
    moments = [now_ms for now_ms, _ in tried]
    assert moments == [0, 100, 1100, 3100, 7100, 15100, 25100, 35100]


async def test_a_silent_peer_is_not_hammered():
    """A peer that takes connections and never answers is connected to as rarely as one that refuses."""
    async with RawServer() as server:
        server.answer = lambda tid, request: None
        link = TcpLink("127.0.0.1", server.port, timeout_s=0.02)
        for now_ms in range(0, 3_000, 100):
            link.tick(now_ms)
            await ask(link)
        assert server.connections == 3
        await link.close()


async def test_a_pause_is_kept_and_ends_with_the_link():
    """A device's pause stands before the request; closing the link ends it, and nothing is sent any more."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=BOUND_S, pause_s=BOUND_S * 50)
        task = asyncio.create_task(link.exchange(READ))
        await until(lambda: server.connections == 1 and link.connected)
        assert not task.done()
        await link.close()
        assert await asyncio.wait_for(task, BOUND_S) == Failure("down", LinkState.DOWN)
        assert server.requests == []
        quick = TcpLink("127.0.0.1", server.port, timeout_s=BOUND_S, pause_s=0.001)
        assert await ask(quick) == Answer((1, 2))
        await quick.close()


async def test_cancelling_passes_through_and_closes():
    """A cancelled question ends in CancelledError, and its connection is not used again."""
    async with RawServer() as server:
        link = TcpLink("127.0.0.1", server.port, timeout_s=BOUND_S * 5)
        await ask(link)
        server.answer = lambda tid, request: None
        task = asyncio.create_task(link.exchange(READ))
        await until(lambda: len(server.requests) == 2)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(task, BOUND_S)
        assert not link.connected


async def test_many_at_once_are_not_mixed_up():
    """Twenty tasks on one link each get the answer to their own question."""
    async with RawServer() as server:
        server.answer = lambda tid, request: adu(bytes([3, 4, 0, request[9], 0, 0]), tid)
        link = TcpLink("127.0.0.1", server.port)
        asked = [Read(3, "HoldingRegister", address, 2) for address in range(20)]
        outcomes = await asyncio.gather(*(ask(link, request) for request in asked))
        assert outcomes == [Answer((address, 0)) for address in range(20)]
        await link.close()


async def test_an_independent_server():
    """pyModbusTCP, another implementation: all four tables read, registers and coils written and read back."""
    server_module = pytest.importorskip("pyModbusTCP.server", reason="pyModbusTCP is in the extra `test`")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = server_module.ModbusServer(host="127.0.0.1", port=port, no_block=True)
    server.start()
    try:
        server.data_bank.set_input_registers(5, [11, 12])
        server.data_bank.set_discrete_inputs(0, [True, False, True])
        link = TcpLink("127.0.0.1", port, timeout_s=BOUND_S)
        assert await ask(link, Read(1, "InputRegister", 5, 2)) == Answer((11, 12))
        assert await ask(link, Read(1, "DiscreteInput", 0, 3)) == Answer((1, 0, 1))
        assert await ask(link, Write(1, "HoldingRegister", 100, tuple(range(123)))) == Answer()
        assert await ask(link, Read(1, "HoldingRegister", 100, 123)) == Answer(tuple(range(123)))
        assert await ask(link, Write(1, "Coil", 7, (1,))) == Answer()
        assert await ask(link, Write(1, "Coil", 8, (0, 1, 1))) == Answer()
        assert await ask(link, Read(1, "Coil", 7, 4)) == Answer((1, 0, 1, 1))
        await link.close()
    finally:
        server.stop()


def test_only_one_file_has_a_modbus_client():
    """The client library enters at link.py alone; the simulator imports its server and no client."""
    rooms = ("profiles", "controller", "simulator", "hil")
    found = {"client": set(), "any": set()}
    for path in (path for room in rooms for path in (ROOT / room).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if re.search(r"^\s*(from|import) pymodbus", text, re.MULTILINE):
            found["any"].add(path.relative_to(ROOT).as_posix())
        if re.search(r"pymodbus\.client|ModbusTcpClient", text):
            found["client"].add(path.relative_to(ROOT).as_posix())
    assert found["client"] == {"controller/field/link.py"}
    assert found["any"] == {"controller/field/link.py", "simulator/server.py"}
