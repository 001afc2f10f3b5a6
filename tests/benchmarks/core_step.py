"""How long the core takes to decide a cycle, beside what polling the same circuits costs with stock pymodbus.

    python tests/benchmarks/core_step.py [--short]

Baths of 3, 40 and 400 circuits, all of them running a charge, with readings that differ from cycle to cycle; the peer
is pymodbus as it comes: a client a circuit, 20 holding registers read and 2 written, all at once, its server in a
process of its own. Ours and the peer take turns inside each round; the figures are medians over rounds. Exit 1 where
40 circuits take more than 2 ms, where a circuit of 400 costs more than half as much again as one of 40, or where
deciding 40 circuits takes more than 0.9 of polling them.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import multiprocessing
import statistics
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import cast

sys.path.insert(0, str(Path(__file__).parents[2]))

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from controller.core import bath
from controller.core import types as t
from controller.core.bathstate import BathState
from controller.core.planned import Ends, Load, Plan, PlanStep, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Value

SIZES = (3, 40, 400)
MOST_ms, MOST_GROWTH, MOST_OF_PEER = 2.0, 1.5, 0.9
CELLS, BATTERIES, CURRENT_A = 6, 18, 15.0
VARIANTS = 7
LARGEST_STEP_ms, PAST_FIRST_MINUTES = 3_000, 220
"""So many cycles of the longest step that is no gap last eleven minutes."""


def settings_of(circuits: int) -> BathSettings:
    """A bath of so many equal circuits, at a plant's own period, nobody waiting for another's first current."""
    own = CircuitSettings("", BATTERIES, 0.5, 60.0, 340.0, probes=1)
    named = tuple(replace(own, name=f"A{number:03d}") for number in range(1, circuits + 1))
    return BathSettings("hall", "A", True, 1_000, 3_000, 5_000, named, purge_ms=3_000, alone_ms=0, apart_ms=0)


def load_of() -> Load:
    """A string that charges for a day."""
    hour_ms = 3_600_000
    step = PlanStep(
        1, "charge", StepKind.CHARGE, CURRENT_A, 2.85, Ends(time_ms=24 * hour_ms), 0, None, "hold", 3.0, 600_000,
        2 * hour_ms, 0.5,
    )  # fmt: skip
    plan = Plan("benchmark", 1, "0" * 64, CELLS, 60.0, (step,), 400.0, 420.0, 2.95, 60.0)
    return Load(plan, BATTERIES, "K1")


def channels(circuits: int, variant: int, flowing: bool) -> tuple[ChannelReading, ...]:
    """Readings of healthy channels, a little different in each variant and circuit."""
    found = []
    for index in range(circuits):
        wave = ((index + 3 * variant) % VARIANTS - 3) * 0.01
        current = CURRENT_A + wave if flowing else 0.0
        volts = (2.35 + wave / 5.0) * CELLS * BATTERIES if flowing else 0.2
        found.append(
            ChannelReading(
                Value(current), Value(volts), Value(CURRENT_A if flowing else 0.0), Value(2.85 * CELLS * BATTERIES),
                Value(1.0 if flowing else 0.0), local=Value(0.0), fault_code=Value(0.0), uptime_s=Value(5_000.0),
                probes=(Value(35.0 + wave * 10.0),), link=LinkState.UP, fit=Fit.OK,
            )
        )  # fmt: skip
    return tuple(found)


def inputs(variant: int) -> BathReading:
    """Readings of a healthy bath."""
    return BathReading((Value(25.0 + 0.1 * (variant % 2)),), Value(1.0), Value(1.0), hood_closed=Value(1.0))


class Bath:
    """A running bath, and its cycle."""

    def __init__(self, circuits: int) -> None:
        self.settings = settings_of(circuits)
        self.state: BathState = bath.fresh_state(self.settings)
        self.now_ms = 0
        idle = channels(circuits, 0, flowing=False)
        for _ in range(6):
            self._cycle(idle, 0)
        load = load_of()
        for verb in ("load", "start"):
            orders = tuple(
                Order(f"{verb}-{own.name}", verb, own.name, "anna", ("technician",), {"links": 0}, None, load)
                for own in self.settings.circuits
            )
            self._cycle(idle, 0, orders)
        self.readings = [channels(circuits, variant, flowing=True) for variant in range(VARIANTS)]
        self.cycles(PAST_FIRST_MINUTES, LARGEST_STEP_ms)  # whose laws would be awake
        if any(each.state is not t.State.RUNNING for each in self.state.circuits):
            raise SystemExit("the benchmark's bath does not run")

    def _cycle(
        self, readings: tuple[ChannelReading, ...], variant: int, orders: tuple[Order, ...] = (), step_ms: int = 1_000
    ) -> None:
        self.now_ms += step_ms
        given = BathIn(self.now_ms, inputs(variant), readings, orders)
        self.state, _ = bath.step(self.settings, self.state, given)

    def cycles(self, count: int, step_ms: int = 1_000) -> float:
        """Cycle so often; return the seconds a cycle took."""
        begin = time.perf_counter()
        for index in range(count):
            self._cycle(self.readings[index % VARIANTS], index, step_ms=step_ms)
        return (time.perf_counter() - begin) / count


def serve(pipe: Connection) -> None:
    """A stock pymodbus server with blank registers; tells its port."""

    async def run() -> None:
        device = SimDevice(id=1, simdata=[SimData(0, values=[0] * 100, datatype=DataType.REGISTERS)])
        server = ModbusTcpServer(device, address=("127.0.0.1", 0))
        if not await server.listen():
            raise OSError("cannot listen on loopback")
        pipe.send(cast("asyncio.Server", server.transport).sockets[0].getsockname()[1])
        await asyncio.get_running_loop().run_in_executor(None, pipe.recv)

    asyncio.run(run())


async def polled(clients: list[AsyncModbusTcpClient], cycles: int) -> float:
    """Read and write every circuit so often, all at once; return the seconds a cycle took."""

    async def one(client: AsyncModbusTcpClient) -> None:
        await client.read_holding_registers(0, count=20)
        await client.write_registers(30, [1, 2])

    begin = time.perf_counter()
    for _ in range(cycles):
        await asyncio.gather(*(one(client) for client in clients))
    return (time.perf_counter() - begin) / cycles


def rounds(count: int, cycles: int) -> Iterator[tuple[dict[int, float], float]]:
    """Each round: every size's seconds a cycle, and the peer's for 40 circuits."""
    here, there = multiprocessing.Pipe()
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(there,), daemon=True)
    server.start()
    port = here.recv()
    baths = {size: Bath(size) for size in SIZES}

    async def run() -> list[tuple[dict[int, float], float]]:
        clients = [AsyncModbusTcpClient("127.0.0.1", port=port) for _ in range(40)]
        for client in clients:
            await client.connect()
        await polled(clients, 3)
        found = []
        for _ in range(count):
            gc.collect()
            took = {size: baths[size].cycles(max(2, cycles * 40 // size)) for size in SIZES}
            found.append((took, await polled(clients, cycles)))
        for client in clients:
            client.close()
        return found

    yield from asyncio.run(run())
    here.send("end")
    server.join(5)
    server.kill()


def main() -> int:
    """Print the figures; return 1 where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="fewer rounds")
    short = parser.parse_args().short
    gc.freeze()
    found = list(rounds(3 if short else 9, 20 if short else 60))
    took = {size: statistics.median(one[size] for one, _ in found) for size in SIZES}
    peer = statistics.median(polling for _, polling in found)
    ratio = statistics.median(one[40] / polling for one, polling in found)
    for size in SIZES:
        print(f"{size:4d} circuits: {1e3 * took[size]:7.2f} ms a cycle, {1e6 * took[size] / size:5.1f} us a circuit")
    print(f"polling 40 circuits with stock pymodbus: {1e3 * peer:.2f} ms; deciding them takes {ratio:.2f} of it")
    growth = took[400] / 400.0 / (took[40] / 40.0)
    print(f"a circuit of 400 costs {growth:.2f} times one of 40")
    return int(1e3 * took[40] > MOST_ms or growth > MOST_GROWTH or ratio > MOST_OF_PEER)


if __name__ == "__main__":
    sys.exit(main())
