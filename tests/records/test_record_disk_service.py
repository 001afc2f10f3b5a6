"""A disk that fails, hangs or is full under a real service loop: control goes on, rows wait, a person is told at once,
and afterwards every row is there once, its chain whole.

The clock is moved by hand, a second a cycle; the writer's threads are real, and waited for by what they did.
"""

from __future__ import annotations

import asyncio
import csv
import errno
import os
import threading
import time
from functools import partial
from pathlib import Path

import pytest

import profiles
from controller.bathmodel import BathFile
from controller.core import bath as core_bath
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import ALL_OFF, BathReading, ChannelReading, Fit, LinkState, State, Value
from controller.records.disk import Disk
from controller.records.head import Text
from controller.records.reader import read_run
from controller.records.reserve import Reserve
from controller.records.space import Space
from controller.records.writer import Writer
from controller.service import kept
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.loop import Parts, Service
from controller.service.people import ROLES, Person
from controller.service.protocol import OrderMessage
from controller.service.recorder import Recorder, Sources
from controller.service.recordroom import not_on_disk
from controller.verify.runfolder import verify_run

PROFILE = Path(profiles.__file__).parent / "library" / "starter-60.toml"
PERIOD_MS = 1_000
UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
TEXT = Text("a.toml", "a = 1\n")
OWN = CircuitSettings("A01", 18, 0.5, 60.0, 340.0)
SETTINGS = BathSettings(
    "north", "A", True, PERIOD_MS, 3 * PERIOD_MS, 5 * PERIOD_MS, (OWN,), purge_ms=0, alone_ms=0, apart_ms=0
)
CIRCUIT = {
    "name": "A01", "link": "east", "unit": 1, "map": "cabinet", "places": 18, "current_max_A": 60, "voltage_max_V": 340,
}  # fmt: skip
FILE = BathFile.model_validate(
    {
        "kind": "bath", "hall": "north", "name": "A", "virtual": True, "link": {"east": {"tcp": "127.0.0.1:0"}},
        "inputs": {"link": "east", "unit": 9, "map": "inputs"}, "circuit": [CIRCUIT],
    }
)  # fmt: skip
LOAD = {
    "profile": str(PROFILE), "batch": "K3107:1-18", "first_filled_minutes_ago": 60.0, "last_filled_minutes_ago": 50.0,
}  # fmt: skip
BOUND_S = 60.0
PERSON = Person("anna", ROLES)


class Interposed(Disk):
    """The real disk, between it and the writer what a test wants: an error, some errors, or no answer."""

    def __init__(self) -> None:
        self.error: int | None = None
        self.errors_left = 1_000_000_000
        self.step = ""
        self.hangs = threading.Event()
        self.answers = threading.Event()
        self.free = 10**12

    def fail(self, step: str, error: int, times: int = 1_000_000_000) -> None:
        self.step, self.error, self.errors_left = step, error, times

    def mend(self) -> None:
        self.error = None

    def _step(self, step: str) -> None:
        if self.error is not None and step == self.step and self.errors_left > 0:
            self.errors_left -= 1
            raise OSError(self.error, os.strerror(self.error))

    def write(self, fd, data, offset):
        self._step("write")
        super().write(fd, data, offset)

    def sync(self, fd):
        self._step("sync")
        if self.step == "hang":
            self.hangs.set()
            assert self.answers.wait(BOUND_S)
        super().sync(fd)

    def free_bytes(self, folder):
        return self.free


class Field:
    """One channel that does what was written last."""

    def __init__(self) -> None:
        self.now_ms = 0
        self.held = ALL_OFF

    async def read(self, now_ms):
        self.now_ms = now_ms
        good = Value(1.0)
        inputs = BathReading((Value(25.0),), airflow=good, emergency_stop_ok=good, hood_closed=good)
        current = self.held.set_current_A if self.held.output_on else 0.0
        channel = ChannelReading(
            Value(current), Value(230.0 if current else 0.0), Value(self.held.set_current_A),
            Value(self.held.voltage_limit_V), Value(float(self.held.output_on)), local=Value(0.0),
            fault_code=Value(0.0), uptime_s=Value(100.0 + now_ms / 1_000), probes=(Value(30.0 + now_ms % 7_000 / 7e4),),
            link=LinkState.UP, fit=Fit.OK,
        )  # fmt: skip
        return inputs, (channel,)

    async def write(self, commands, bath, now_ms):
        (self.held,) = commands

    async def close(self):
        pass


class Clock:
    """A second a cycle."""

    def __init__(self) -> None:
        self.now_ms = 0

    async def next_cycle(self):
        self.now_ms += PERIOD_MS
        return self.now_ms

    def last(self):
        return Now(self.now_ms, UTC_MS + self.now_ms)


def until(condition) -> None:
    """Wait until it is so, in another thread than the loop's. Fails after a bound."""
    give_up_s, pause = time.monotonic() + BOUND_S, threading.Event()
    while not condition():
        assert time.monotonic() < give_up_s, "did not come true"
        pause.wait(0.002)


class Rig:
    """A service of real core, desk, recorder and writer on a fake channel, its record on the interposed disk."""

    def __init__(self, runs: Path, disk: Disk, limit_bytes=10_000_000, reserve=None, space=None) -> None:
        self.runs, self.disk = runs, disk
        self.field, clock = Field(), Clock()
        self.writer = Writer(0.01, limit_bytes, disk, reserve, space)
        self.desk = Desk(FILE, clock.last, partial(not_on_disk, self.writer))
        sources = Sources(TEXT, {"A01": TEXT}, {"formbath": "test"})
        self.recorder = Recorder(SETTINGS, sources, runs, PERIOD_MS, self.writer, by_count=False)
        parts = Parts(
            SETTINGS, clock, self.field, self.desk, self.recorder, self.writer, None, stepped=False, log_ms=PERIOD_MS
        )
        self.service = Service(parts, core_bath.fresh_state(SETTINGS))
        self.writer.start()

    async def cycles(self, count: int, *, keep: bool = True) -> None:
        """Cycle so often; `keep`: each time the writer first has all that was added."""
        for _ in range(count):
            await self.service.cycle()
            if keep:
                assert await asyncio.to_thread(self.writer.flush, BOUND_S), self.writer.trouble

    async def failing(self, count: int) -> None:
        """Cycle so often, and wait each time for a round of the writer that took what was added."""
        for _ in range(count):
            await self.service.cycle()
            goal = self.writer.commits + 2
            await asyncio.to_thread(until, lambda goal=goal: self.writer.commits >= goal)

    async def order(self, verb, args=None, *, keep: bool = True):
        message = OrderMessage(id=f"{verb}-{self.field.now_ms}", verb=verb, target="A01", args=args or {})
        asked = asyncio.create_task(self.desk.on_order(message, PERSON))
        before = self.desk.taken
        async with asyncio.timeout(BOUND_S):
            while self.desk.taken == before and not asked.done():  # noqa: ASYNC110 - sleep(0) only gives way
                await asyncio.sleep(0)
        await self.cycles(1, keep=keep)
        return await asked

    async def running(self):
        await self.cycles(3)
        assert (await self.order("load", LOAD)).accepted
        assert (await self.order("start")).accepted
        await self.cycles(5)
        assert (self.state, self.alarms()) == (State.RUNNING, set())
        return self

    @property
    def state(self):
        return self.service.state.circuits[0].state

    def alarms(self):
        return {alarm.code for alarm in self.service.state.alarms if alarm.active}

    async def until_alarm(self, code: str, most: int, *, hung: bool = False) -> int:
        """Cycle until an alarm is there; return after how many cycles."""
        for number in range(1, most + 1):
            await (self.cycles(1, keep=False) if hung else self.failing(1))
            if code in self.alarms():
                return number
        raise AssertionError(f"{code} did not come within {most} cycles")

    async def end(self):
        """End as a service does; return the run's verdict and how many rows and cycles it holds."""
        self.service.ending = True
        await self.service.run()
        self.recorder.end_all()
        assert await asyncio.to_thread(self.writer.close, BOUND_S), self.writer.trouble
        (folder,) = (path.parent for path in self.runs.glob("*/run.json"))
        return folder, verify_run(folder)


@pytest.fixture
async def rig(tmp_path):
    made = await Rig(tmp_path, Interposed()).running()
    yield made
    made.disk.answers.set()


def told(runs: Path) -> list[str]:
    """Codes of the bath's own alarms, in the order in which they were told."""
    rows = []
    for path in sorted(runs.glob("A/events-*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows += [row["code"] for row in csv.DictReader(file) if row["kind"] == "alarm"]
    return rows


def whole(folder: Path, verdict) -> None:
    """Every cycle and row of the run is there once: all is decided again the same, no second is missing or double."""
    assert verdict.wrong == []
    assert verdict.same == verdict.compared > 10
    run = read_run(folder)
    times = [cycle.cin.now_ms for block in run.cycles.blocks(run.head.codec) for cycle in block.cycles]
    assert times == list(range(times[0], times[-1] + 1, PERIOD_MS))
    with (folder / "log.csv").open(encoding="utf-8", newline="") as file:
        elapsed = [float(row["elapsed_s"]) for row in csv.DictReader(file)]
    assert elapsed == [float(second) for second in range(int(elapsed[0]), int(elapsed[-1]) + 1)]
    assert len(elapsed) == len(times)


@pytest.mark.parametrize(("step", "error"), [
    ("write", errno.EIO), ("write", errno.ENOSPC), ("write", errno.EROFS), ("sync", errno.EIO),
])  # fmt: skip
async def test_a_disk_that_fails_is_told_at_once_and_nothing_is_lost(rig, step, error):
    """Told in the next cycle; current flows on; with the disk back all is written, and the alarm ends by itself."""
    rig.disk.fail(step, error)
    assert await rig.until_alarm("record_waits", 2) <= 2
    await rig.failing(15)
    assert rig.state is State.RUNNING
    assert os.strerror(error) in rig.writer.trouble
    rig.disk.mend()
    await asyncio.to_thread(until, lambda: rig.writer.failing is None)
    await rig.cycles(15)
    assert rig.alarms() == set()
    whole(*await rig.end())
    assert next(code for code in told(rig.runs) if code.startswith("record_waits")) == "record_waits:new"


async def test_a_sync_that_fails_once_loses_nothing(rig):
    """One error and then success: what it may not have kept is written again; whoever looks finds why."""
    rig.disk.fail("sync", errno.EIO, times=1)
    await rig.failing(3)
    assert rig.disk.errors_left == 0
    await rig.cycles(15)
    assert rig.alarms() == set()
    whole(*await rig.end())


async def test_a_disk_that_hangs_is_told_within_seconds_and_counts_as_away_after_a_minute(rig):
    """No answer from a sync: cycles go on, slow is told at 3 s, that rows wait at 60 s; then all of it is written."""
    rig.disk.step = "hang"
    await rig.cycles(1, keep=False)
    await asyncio.to_thread(until, rig.disk.hangs.is_set)
    assert 2 <= await rig.until_alarm("record_slow", 6, hung=True) <= 5
    assert rig.writer.trouble is None
    assert 50 <= await rig.until_alarm("record_waits", 61, hung=True) <= 60
    assert rig.state is State.RUNNING
    assert rig.service.state.circuits[0].command.set_current_A > 0.0
    rig.disk.step = ""
    rig.disk.answers.set()
    await asyncio.to_thread(rig.writer.flush, BOUND_S)
    await rig.cycles(15)
    assert rig.alarms() == set()
    whole(*await rig.end())


@pytest.mark.parametrize("how", ["fails", "hangs"])
async def test_memory_that_is_used_up_holds_the_bath(tmp_path, how):
    """Rows added while nothing is written count, hung or not; with the last byte used the bath is held and says why."""
    rig = await Rig(tmp_path, Interposed(), limit_bytes=16_000).running()
    try:
        if how == "fails":
            rig.disk.fail("sync", errno.EIO)
        else:
            rig.disk.step = "hang"
            await rig.cycles(1, keep=False)
            await asyncio.to_thread(until, rig.disk.hangs.is_set)
        for _ in range(200):
            await rig.failing(1)
            if rig.state is State.HELD:
                break
        assert rig.state is State.HELD
        assert "record_full" in rig.alarms()
        assert not rig.writer.has_room
        assert rig.service.state.circuits[0].command.set_current_A == 0.0
        assert rig.writer.waiting_bytes < 18_000
        rig.disk.mend()
        rig.disk.step = ""
    finally:
        rig.disk.answers.set()
    await asyncio.to_thread(until, lambda: rig.writer.failing is None and rig.writer.has_room)
    await rig.cycles(15)
    assert rig.alarms() == set()
    assert rig.state is State.HELD
    _, verdict = await rig.end()
    assert [line for line in verdict.wrong if "chain" in line] == []


async def test_a_disk_with_little_room_refuses_a_start_and_says_so(tmp_path):
    """Below a day of room nothing is begun; with room again it is, and a full disk's word goes the same way."""
    disk = Interposed()
    space = Space(tmp_path, 1, 1_000.0, disk)
    disk.free = 23_900
    space.look({})
    rig = Rig(tmp_path, disk, space=space)
    await rig.cycles(3)
    assert rig.alarms() == {"record_space_low", "record_space_ends"}
    assert (await rig.order("load", LOAD)).accepted
    answer = await rig.order("start")
    assert (answer.accepted, answer.code) == (False, "record_space")
    disk.free = 500_000
    space.look({})
    await rig.cycles(15)
    assert rig.alarms() == set()
    assert (await rig.order("start")).accepted
    await rig.cycles(3)
    whole_run = await rig.end()
    assert whole_run[1].wrong == []


async def loaded(runs, disk, **kinds):
    """A rig with a loaded circuit that may start but for its record's disk."""
    rig = Rig(runs, disk, **kinds)
    await rig.cycles(3)
    assert (await rig.order("load", LOAD)).accepted
    return rig


async def test_a_block_that_the_disk_did_not_take_is_in_force_and_says_so(rig):
    """Full: accepted, and that a crash would forget it; the disk back, the next word is a plain one."""
    rig.disk.fail("write", errno.ENOSPC)
    answer = await rig.order("block", keep=False)
    assert (answer.accepted, answer.kept) == (True, False)
    assert "NOT on the disk yet" in answer.text
    assert os.strerror(errno.ENOSPC) in answer.text
    assert rig.service.state.circuits[0].blocked_by == "anna"
    assert rig.service.state.circuits[0].command.set_current_A == 0.0
    rig.disk.mend()
    await asyncio.to_thread(until, lambda: rig.writer.failing is None)
    answer = await rig.order("note", {"text": "disk mended"})
    assert (answer.accepted, answer.kept) == (True, True)
    await rig.cycles(3)
    whole(*await rig.end())


async def test_a_block_on_a_disk_that_hangs_is_answered_in_time(rig, monkeypatch):
    """No answer of the disk: the person's own comes all the same, and says what it is worth."""
    monkeypatch.setattr(kept, "SAFE_S", 0.05)
    rig.disk.step = "hang"
    await rig.cycles(1, keep=False)
    await asyncio.to_thread(until, rig.disk.hangs.is_set)
    answer = await rig.order("block", keep=False)
    assert (answer.accepted, answer.kept) == (True, False)
    assert "the disk did not answer within 0.05 s" in answer.text
    rig.disk.step = ""
    rig.disk.answers.set()
    await asyncio.to_thread(rig.writer.flush, BOUND_S)
    await rig.cycles(3)
    whole(*await rig.end())


async def test_nothing_is_started_while_rows_wait_for_their_disk(tmp_path):
    """A disk that takes nothing: refused from the alarm on; with the disk back, and after its quiet time, accepted."""
    rig = await loaded(tmp_path, Interposed())
    rig.disk.fail("sync", errno.EIO)
    assert not (await rig.order("note", {"text": "disk hums"}, keep=False)).kept
    await rig.until_alarm("record_waits", 4)
    answer = await rig.order("start", keep=False)
    assert (answer.accepted, answer.code) == (False, "record_waits")
    assert "rows wait for the record's disk" in answer.text
    rig.disk.mend()
    await asyncio.to_thread(until, lambda: rig.writer.failing is None)
    await rig.cycles(15)
    answer = await rig.order("start")
    assert (answer.accepted, answer.kept) == (True, True)
    await rig.cycles(3)
    _, verdict = await rig.end()
    assert verdict.wrong == []


async def test_nothing_is_started_on_the_space_kept_back(tmp_path):
    """The disk is full and rows live on its reserve: no start, a resume as ever; with the reserve back, a start."""
    disk = Interposed()
    reserve = Reserve(tmp_path / "A" / "kept-back", 40_000, disk)
    reserve.prepare()
    space = Space(tmp_path, 1, 1_000.0, disk, reserve)
    space.look({})
    rig = await loaded(tmp_path, disk, reserve=reserve, space=space)
    disk.free = 30_000
    disk.fail("write", errno.ENOSPC, times=1)
    assert (await rig.order("note", {"text": "disk full"})).kept
    assert reserve.given
    await rig.cycles(1)
    answer = await rig.order("start")
    assert (answer.accepted, answer.code) == (False, "record_space")
    assert "the disk holds 0.0 h more" in answer.text
    disk.free = 500_000
    space.look({})
    assert not reserve.given
    await rig.cycles(15)
    assert (await rig.order("start")).accepted
    await rig.cycles(3)
    assert (await rig.order("hold")).accepted
    disk.free = 30_000
    disk.fail("write", errno.ENOSPC, times=1)
    await rig.cycles(3)
    assert reserve.given
    assert (await rig.order("resume")).accepted
    await rig.cycles(3)
    _, verdict = await rig.end()
    assert verdict.wrong == []


async def test_a_full_disk_lives_on_its_reserve_and_takes_it_back(tmp_path):
    """No space: rows go into what was kept back, told in words and in the bath's events; with room it is kept again."""
    disk = Interposed()
    reserve = Reserve(tmp_path / "A" / "kept-back", 4_096, disk)
    reserve.prepare()
    space = Space(tmp_path, 1, 1_000.0, disk, reserve)
    space.look({})
    rig = await Rig(tmp_path, disk, reserve=reserve, space=space).running()
    disk.free = 4_096
    disk.fail("write", errno.ENOSPC, times=1)
    await rig.cycles(2)
    assert (reserve.given, reserve.held) == (True, False)
    assert "disk full" in rig.writer.trouble
    assert rig.alarms() == {"record_space_ends", "record_space_low"}
    assert rig.state is State.RUNNING
    disk.free = 2 * 4_096
    space.look({})
    await rig.cycles(12)
    assert (reserve.given, reserve.held) == (False, True)
    assert rig.writer.trouble is None
    whole(*await rig.end())
    with next(tmp_path.glob("A/events-*.csv")).open(encoding="utf-8", newline="") as file:
        said = [row["text"] for row in csv.DictReader(file) if row["code"] == "record_trouble"]
    assert said == ["record: disk full: rows go into the space kept back for this", "record: well again"]
