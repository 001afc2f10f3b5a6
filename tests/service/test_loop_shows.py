"""What the loop shows and writes: snapshots over the real socket, orders told to all, notes and ticks on record."""

from __future__ import annotations

import asyncio
import contextlib
import csv
from pathlib import Path

import pytest

import profiles
from controller.bathmodel import BathFile
from controller.console.picture import read_picture
from controller.core import bath as core_bath
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import ALL_OFF, BathReading, ChannelReading, Fit, LinkState, State, Value
from controller.records.head import Text
from controller.records.writer import Writer
from controller.service.client import attach
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.keeping import ended_folders, kept_circuits
from controller.service.loop import Parts, Service
from controller.service.people import ROLES, Person
from controller.service.protocol import OrderMessage, PromptMessage
from controller.service.recorder import Recorder, Sources
from controller.service.sockets import OrderSocket

PROFILE = Path(profiles.__file__).parent / "library" / "starter-60.toml"
UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
BOUND_S = 20.0
ITEM = "polarity: red to +, black to -"
TEXT = Text("a.toml", "a = 1\n")
SETTINGS = BathSettings(
    "north", "A", True, 1_000, 3_000, 5_000, (CircuitSettings("A01", 18, 0.5, 60.0, 340.0),), purge_ms=0,
    start_items=(ITEM,), after_run_ms=0,
)  # fmt: skip
FILE = BathFile.model_validate(
    {
        "kind": "bath", "hall": "north", "name": "A", "virtual": True, "link": {"east": {"tcp": "127.0.0.1:0"}},
        "inputs": {"link": "east", "unit": 9, "map": "inputs"},
        "circuit": [
            {"name": "A01", "link": "east", "unit": 1, "map": "cabinet", "places": 18, "current_max_A": 60,
             "voltage_max_V": 340}
        ],
    }
)  # fmt: skip
LOAD = {
    "profile": str(PROFILE), "batch": "K3107:1-18", "first_filled_minutes_ago": 60.0, "last_filled_minutes_ago": 50.0
}  # fmt: skip


class Plant:
    """One channel that does what was written, its inputs as they should be, and the clock of both."""

    def __init__(self):
        self.now_ms = 0
        self.held = ALL_OFF

    async def next_cycle(self):
        self.now_ms += 1_000
        return self.now_ms

    def last(self):
        return Now(self.now_ms, UTC_MS + self.now_ms)

    async def read(self, now_ms):
        good, told = Value(1.0), self.held
        current = told.set_current_A if told.output_on else 0.0
        channel = ChannelReading(
            Value(current), Value(230.0 if current else 0.0), Value(told.set_current_A), Value(told.voltage_limit_V),
            Value(float(told.output_on)), Value(0.0), Value(0.0), Value(100.0 + now_ms / 1_000), probes=(Value(30.0),),
            link=LinkState.UP, fit=Fit.OK,
        )  # fmt: skip
        return BathReading((Value(25.0),), good, good, good, link=LinkState.UP), (channel,)

    async def write(self, commands, bath, now_ms):
        (self.held,) = commands

    async def close(self):
        pass


class Rig:
    """A whole service over that plant, with its socket."""

    def __init__(self, folder: Path):
        self.runs, self.plant, self.writer = folder / "runs", Plant(), Writer()
        self.paused = False
        desk = Desk(FILE, self.plant.last)
        sources = Sources(TEXT, {"A01": TEXT}, {"formbath": "test"})
        self.recorder = Recorder(SETTINGS, sources, self.runs, 1_000, self.writer, by_count=True)
        self.socket = OrderSocket(
            folder / "s.sock", lambda uid: Person("anna", ROLES, uid), desk.on_order, targets=("A", "A01"),
            virtual=True, hall="north", runs=str(self.runs),
        )  # fmt: skip
        parts = Parts(
            SETTINGS, self.plant, self.plant, desk, self.recorder, self.writer, self.socket, stepped=True,
            pace=lambda: (300.0, self.paused),
        )  # fmt: skip
        self.desk = desk
        self.service = Service(parts, core_bath.fresh_state(SETTINGS))

    async def cycles(self, count):
        for _ in range(count):
            await self.service.cycle()
        return self

    @property
    def circuit(self):
        return self.service.state.circuits[0]

    def rows(self, pattern):
        """The events that were written to the files of this pattern."""
        self.writer.commit()
        rows = []
        for path in sorted(self.runs.glob(pattern)):
            with path.open(encoding="utf-8", newline="") as file:
                rows += csv.DictReader(file)
        return rows


class Console:
    """An attached client that keeps all it was told."""

    def __init__(self, rig, connection):
        self.rig, self.connection, self.heard = rig, connection, []
        self._number = 0

    async def listen(self):
        async for message in self.connection.messages():
            self.heard.append(message)

    async def order(self, verb, target="A01", **args):
        """Give an order and let the next cycle answer it; return the answer."""
        self._number += 1
        message = OrderMessage(id=f"{id(self)}-{self._number}", verb=verb, target=target, args=args)
        before = self.rig.desk.taken
        await self.connection.send(message)
        await until(lambda: self.rig.desk.taken > before)
        await self.rig.cycles(1)
        return await self.hears("answer", lambda said: said["id"] == message.id)

    async def hears(self, kind, wanted=lambda _: True):
        await until(lambda: any(said["type"] == kind and wanted(said) for said in self.heard))
        return next(said for said in reversed(self.heard) if said["type"] == kind and wanted(said))

    async def sees(self, wanted):
        """The picture in the first snapshot that shows what is wanted."""
        for _ in range(200):
            await self.rig.service.show_again()
            said = await self.hears("snapshot")
            picture = read_picture(said)
            if wanted(picture):
                return picture
            await asyncio.sleep(0)
        raise AssertionError("never shown")


async def until(condition):
    async with asyncio.timeout(BOUND_S):
        while not condition():  # noqa: ASYNC110 - any condition can be waited for; sleep(0) only gives way
            await asyncio.sleep(0)


@contextlib.asynccontextmanager
async def console_of(rig):
    before = rig.socket.clients
    console = Console(rig, await attach(rig.socket.path))
    listening = asyncio.create_task(console.listen())
    await until(lambda: rig.socket.clients > before)
    try:
        yield console
    finally:
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        await console.connection.close()


@pytest.fixture
async def rig(tmp_path):
    made = Rig(tmp_path)
    await made.socket.start()
    yield await made.cycles(3)
    await made.socket.close()
    made.recorder.end_all()
    made.writer.close()


async def running(console):
    """Loaded, ticked, started by this console, and current flows."""
    assert (await console.order("load", **LOAD))["accepted"]
    assert (await console.order("done", item=1, ok=True))["accepted"]
    assert (await console.order("start"))["accepted"]
    await console.rig.cycles(3)
    assert console.rig.plant.held.set_current_A > 0.0


async def test_a_second_console_sees_the_first_one_s_orders(rig):
    """Accepted, refused, read back: each with its verb, target, person and moment, at a console that asked nothing."""
    async with console_of(rig) as first, console_of(rig) as second:
        answer = await first.order("start")
        assert (answer["accepted"], answer["code"]) == (False, "not_loaded")
        await running(first)
        back = await second.hears("readback", lambda said: said["verb"] == "start")
        assert (back["target"], back["time_utc"][:19]) == ("A01", "2026-03-16T06:00:08")
        told = [said for said in second.heard if said["type"] == "order"]
        assert [(said["verb"], said["target"], said["who"], said["accepted"]) for said in told] == [
            ("start", "A01", "anna", False),
            ("load", "A01", "anna", True),
            ("done", "A01", "anna", True),
            ("start", "A01", "anna", True),
        ]
        assert told[0]["text"] == "start refused: no batteries on its list: load first"
        assert told[2]["text"] == f"start list, item 1 found right by anna: {ITEM}"
        assert [said["time_utc"] for said in told] == sorted(said["time_utc"] for said in told)
        assert not [said for said in second.heard if said["type"] == "answer"]


async def test_the_picture_follows_the_circuit(rig):
    """From the start list over the run to the folder of the ended run, until it is unloaded."""
    async with console_of(rig) as console:
        await console.order("load", **LOAD)
        picture = await console.sees(lambda seen: seen.circuits[0].load is not None)
        circuit = picture.circuits[0]
        assert dict(circuit.start_checks)["start_list_done"] == "item 1 of the start list is not ticked"
        assert circuit.may["start"] == "item 1 of the start list is not ticked"
        assert (picture.start_items, circuit.folder) == ((ITEM,), None)
        await console.order("done", item=1, ok=True)
        picture = await console.sees(lambda seen: seen.circuits[0].ticks != ())
        assert (picture.circuits[0].ticks[0].who, picture.circuits[0].may["start"]) == ("anna", "")
        await console.order("start")
        await rig.cycles(3)
        rig.writer.commit()
        (folder,) = (path.name for path in rig.runs.glob("*-A01-*"))
        picture = await console.sees(lambda seen: seen.circuits[0].run is not None)
        assert (picture.circuits[0].folder, picture.circuits[0].ticks) == (folder, ())
        await console.order("stop")
        await rig.cycles(6)
        assert rig.recorder.folders() == {}
        picture = await console.sees(lambda seen: seen.circuits[0].state == "stopped")
        assert picture.circuits[0].folder == folder
        assert (await console.order("unload", reason="over"))["accepted"]
        picture = await console.sees(lambda seen: seen.circuits[0].state == "idle")
        assert (picture.circuits[0].folder, picture.circuits[0].run) == (None, None)


async def test_notes_go_where_their_circuit_s_events_go(rig):
    """A running circuit's note into its run's events, the bath's into the bath's, with person and words."""
    async with console_of(rig) as console:
        await running(console)
        assert (await console.order("note", text="pump\x1b[31m hums\nagain"))["accepted"]
        assert (await console.order("note", "A", text="cleaner was here"))["accepted"]
        assert (await console.order("note", text="  "))["code"] == "no_text"
    (row,) = (row for row in rig.rows("*-A01-*/events.csv") if row["code"] == "note")
    assert (row["kind"], row["target"], row["who"]) == ("order", "A01", "anna")
    assert row["text"] == "note by anna: pump [31m hums again"
    (row,) = (row for row in rig.rows("A/events-*.csv") if row["code"] == "note")
    assert (row["target"], row["text"]) == ("A", "note by anna: cleaner was here")


async def test_ticks_are_on_record_before_and_in_the_run(rig):
    """Who ticked what and when in the bath's events; the run's own begin with what the list said at its start."""
    async with console_of(rig) as console:
        await console.order("load", **LOAD)
        await console.order("done", item=1, ok=False, reason="battery 4 reversed")
        await running_after_load(console)
    said = [row["text"] for row in rig.rows("A/events-*.csv") if row["code"] == "accepted" and "list" in row["text"]]
    assert said == [
        f"start list, item 1 found WRONG by anna: {ITEM}; battery 4 reversed",
        f"start list, item 1 found right by anna: {ITEM}",
    ]
    run = [row["text"] for row in rig.rows("*-A01-*/events.csv")]
    assert run[:2] == ["start by anna", f"start list, item 1 found right by anna 0 min before: {ITEM}"]


async def running_after_load(console):
    assert (await console.order("done", item=1, ok=True))["accepted"]
    assert (await console.order("start"))["accepted"]


async def test_ticks_and_ended_folders_outlive_the_service(rig):
    """state.json has both."""
    async with console_of(rig) as console:
        await running(console)
        await console.order("stop")
        await rig.cycles(6)
    rig.writer.commit()
    content, trouble = rig.recorder.bath.read_state()
    circuits, problems = kept_circuits(content)
    (folder,) = (path.name for path in rig.runs.glob("*-A01-*"))
    assert (trouble, problems) == (None, [])
    assert ended_folders(content, circuits) == {"A01": folder}
    assert circuits["A01"].state is State.STOPPED


async def test_what_a_client_sends_among_the_arguments_is_no_tick(rig):
    """Words of the start list only for what the core took as one, whatever else an order carries."""
    async with console_of(rig) as console:
        await running(console)
        answer = await console.order("hold", item=1, ok=True, item_text="polarity", reason="x")
        assert (answer["accepted"], answer["text"]) == (True, "hold by anna: x")


async def test_a_plant_that_stands_still_is_shown_as_such(rig):
    """Without a cycle the last picture is sent again, with the pace and the dialogues of now."""
    async with console_of(rig) as console, console_of(rig) as other:
        await rig.cycles(1)
        now_ms = rig.plant.now_ms
        rig.paused = True
        await other.connection.send(PromptMessage(id="p", verb="start", target="A01", open=True))
        await other.hears("answer", lambda said: said["id"] == "p")
        picture = await console.sees(lambda seen: seen.pace is not None and seen.pace.paused)
        assert (picture.now_ms, picture.pace.ratio) == (now_ms, 300.0)
        assert [(each.who, each.verb, each.target) for each in picture.prompts] == [("anna", "start", "A01")]


async def test_nothing_is_shown_again_before_there_was_a_cycle(tmp_path):
    """A service that has not decided anything yet shows nothing."""
    made = Rig(tmp_path)
    await made.socket.start()
    async with console_of(made) as console:
        await made.service.show_again()
        await made.cycles(1)
        assert (await console.hears("snapshot"))["now_ms"] == 1_000
    await made.socket.close()
    made.recorder.end_all()
    made.writer.close()
