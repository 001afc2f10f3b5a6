"""A bath's service over a field that does what is written, with its clocks in hand; ended, killed and begun again.

Recorder, writer, loop, reading of what was left: all real. Time passes when a cycle is asked for.
"""

from __future__ import annotations

import asyncio
import csv
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import profiles
from controller.bathmodel import BathFile
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import ALL_OFF, BathReading, ChannelReading, Fit, LinkState, State, Value
from controller.records.head import Text
from controller.records.sealed import sealed
from controller.records.statefile import state_before_seal
from controller.records.writer import Writer
from controller.service.begun import begun
from controller.service.clock import Now, wall_moved_ms
from controller.service.desk import Desk
from controller.service.left import Left, what_was_left
from controller.service.loop import Parts, Service
from controller.service.people import ROLES, Person
from controller.service.protocol import OrderMessage
from controller.service.recorder import Recorder, Sources

PROFILE = Path(profiles.__file__).parent / "library" / "starter-60.toml"
NAMES = ("A01", "A02")
PERIOD_MS = 1_000
UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
TEXT = Text("a.toml", "a = 1\n")
SETTINGS = BathSettings(
    "north", "A", True, PERIOD_MS, 3 * PERIOD_MS, 5 * PERIOD_MS,
    tuple(CircuitSettings(name, 18, 0.5, 60.0, 340.0) for name in NAMES), purge_ms=0, alone_ms=0, apart_ms=0,
)  # fmt: skip
FILE = BathFile.model_validate(
    {
        "kind": "bath", "hall": "north", "name": "A", "virtual": True,
        "link": {"east": {"tcp": "127.0.0.1:0"}},
        "inputs": {"link": "east", "unit": 9, "map": "inputs"},
        "circuit": [
            {
                "name": name, "link": "east", "unit": 1, "map": "cabinet", "channel": number, "places": 18,
                "current_max_A": 60, "voltage_max_V": 340,
            }
            for number, name in enumerate(NAMES, 1)
        ],
    }
)  # fmt: skip
LOAD = {
    "profile": str(PROFILE), "batch": "K3107:1-18", "first_filled_minutes_ago": 60.0, "last_filled_minutes_ago": 50.0,
}  # fmt: skip
BOUND_S = 20.0
PERSON = Person("anna", ROLES)


class Plant:
    """Rectifiers that do what was written last, and the machine's clocks: real time, and how the wall was set."""

    def __init__(self, utc_ms: int = UTC_MS) -> None:
        self.passed_ms = 0
        self.wall_began_ms = utc_ms
        self.moved_ms = 0
        self.boot = "a boot"
        self.held = [ALL_OFF] * len(NAMES)

    @property
    def utc_ms(self) -> int:
        return self.wall_began_ms + self.passed_ms + self.moved_ms

    def mark(self) -> dict:
        return {"id": self.boot, "boot_ms": self.passed_ms, "wall_less_boot_ms": self.utc_ms - self.passed_ms}

    async def read(self, now_ms: int) -> tuple:
        good = Value(1.0)
        inputs = BathReading((Value(25.0),), airflow=good, emergency_stop_ok=good, hood_closed=good)
        return inputs, tuple(self._channel(command) for command in self.held)

    def _channel(self, command) -> ChannelReading:
        current = command.set_current_A if command.output_on else 0.0
        return ChannelReading(
            Value(current), Value(230.0 if current else 0.0), Value(command.set_current_A),
            Value(command.voltage_limit_V), Value(float(command.output_on)), Value(0.0), Value(0.0),
            Value(100.0 + self.passed_ms / 1_000), probes=(Value(30.0),), link=LinkState.UP, fit=Fit.OK,
        )  # fmt: skip

    async def write(self, commands, bath, now_ms: int) -> None:
        self.held = list(commands)

    async def close(self) -> None:
        pass


class Clock:
    """Core time of one service."""

    def __init__(self, plant: Plant, begin_ms: int, first_ms: int = 0) -> None:
        self.plant = plant
        self.less_ms = begin_ms - plant.passed_ms
        self.wait_ms = max(0, first_ms - begin_ms - PERIOD_MS)

    async def next_cycle(self) -> int:
        self.plant.passed_ms += PERIOD_MS + self.wait_ms
        self.wait_ms = 0
        return self.last().now_ms

    def last(self) -> Now:
        return Now(self.plant.passed_ms + self.less_ms, self.plant.utc_ms)


class Hall:
    """One service after the other over the same runs and the same plant."""

    def __init__(self, runs: Path, plant: Plant | None = None) -> None:
        self.runs, self.plant = runs, plant or Plant()
        self.begin()

    def begin(self) -> Left:
        """A new service, put together as a real one is."""
        self.writer = Writer()
        sources = Sources(TEXT, dict.fromkeys(NAMES, TEXT), {"formbath": "test"})
        self.recorder = Recorder(SETTINGS, sources, self.runs, PERIOD_MS, self.writer, by_count=False)
        self.left = what_was_left(SETTINGS, self.recorder, self.writer, self.runs)
        for circuit, (record, start_utc_ms) in self.left.records.items():
            self.recorder.adopt(circuit, record, start_utc_ms)
        self.recorder.remember_ended(self.left.ended)
        mark = self.plant.mark()
        self.begun = begun(SETTINGS, self.left, self.plant.utc_ms, wall_moved_ms(self.left.boot, mark))
        clock = Clock(self.plant, self.begun.begin_ms, self.begun.first_ms)
        self.desk = Desk(FILE, clock.last)
        self.desk.profiles.update(self.left.profiles)
        parts = Parts(
            SETTINGS, clock, self.plant, self.desk, self.recorder, self.writer, None, stepped=True, boot=self.plant.mark
        )
        self.service = Service(parts, self.begun.state, self.begun.told, self.begun.away)
        return self.left

    async def cycles(self, count: int) -> None:
        for _ in range(count):
            await self.service.cycle()

    async def order(self, verb: str, target: str, args=None):
        """Give one order and let the next cycle answer it."""
        message = OrderMessage(id=f"{verb}-{target}-{self.plant.passed_ms}", verb=verb, target=target, args=args or {})
        asked = asyncio.create_task(self.desk.on_order(message, PERSON))
        before = self.desk.taken
        async with asyncio.timeout(BOUND_S):
            while self.desk.taken == before and not asked.done():  # noqa: ASYNC110 - sleep(0) only gives way
                await asyncio.sleep(0)
        await self.service.cycle()
        return await asked

    async def running(self, names=NAMES):
        """Circuits run and current flows, and it is on the disk."""
        await self.cycles(3)
        for name in names:
            assert (await self.order("load", name, LOAD)).accepted
            assert (await self.order("start", name)).accepted
        await self.cycles(3)
        assert {self.circuit(name).state for name in names} == {State.RUNNING}
        assert self.writer.commit(), self.writer.trouble
        return self

    def circuit(self, name: str):
        return next(each for each in self.service.state.circuits if each.name == name)

    def away(self, seconds: int) -> None:
        """Nobody is there; the rectifiers' watchdogs have ended the current."""
        self.plant.passed_ms += 1000 * seconds
        self.plant.held = [ALL_OFF] * len(NAMES)

    def end(self) -> None:
        """All that is recorded is on the disk, and nobody records any more."""
        self.recorder.end_all()
        assert self.writer.close(), self.writer.trouble

    def folders(self) -> list[Path]:
        return sorted(path.parent for path in self.runs.glob("*/run.json"))

    def bath_events(self, code: str) -> list[dict]:
        return [
            row for path in sorted((self.runs / "A").glob("events-*.csv")) for row in rows(path) if row["code"] == code
        ]


@contextmanager
def in_memory() -> Iterator[Path]:
    """A folder in memory where the machine has one: other people's disk traffic is no business of a test."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() and os.access(memory, os.W_OK) else None) as folder:
        yield Path(folder)


def state_bytes(content: dict) -> bytes:
    """A state.json that says something else, with a hash that fits."""
    return sealed(state_before_seal(content))


def rows(path: Path) -> list[dict]:
    """The rows of a table by their columns."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
