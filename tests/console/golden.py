"""The golden screens: what the console shows of chosen moments of the demo. One command makes all of them anew.

    python tests/console/golden.py            plays the demo, writes its pictures and draws every screen
    python tests/console/golden.py --draw     only draws the screens anew from the pictures that are there

The demo's plant, the real service and the demo's persons are stepped in memory; of each moment the service's snapshot,
the selected circuit's trend and the newest events go to `golden/MOMENT.json`, each screen to
`golden/MOMENT-SCREEN-COLUMNSxROWS.txt`. The recovery list comes from a second demo whose service is cut off while
seven circuits run, and a second service that finds what the first one left.
"""

from __future__ import annotations

import asyncio
import json
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import asdict, dataclass
from datetime import UTC
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from controller.bathfile import settings_of
from controller.console import layout
from controller.console.picture import Picture, read_picture
from controller.console.prompt import Prompt, open_prompt, pressed
from controller.console.records import EventTail, read_trend
from controller.console.row import Row
from controller.console.scene import BathSeen, EventLine, Place, Scene, TrendData
from controller.console.thinning import thinned
from controller.field.lines import Field, open_links
from controller.records.rows import parse_time
from controller.records.writer import Writer
from controller.service.away import found_open
from controller.service.client import attach
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.keeping import base_ms, begun_again
from controller.service.loop import Parts, Service
from controller.service.protocol import OrderMessage
from controller.service.recorder import Recorder
from controller.service.start import sources_of, what_was_left
from simulator.hall import START_UTC, Hall, open_hall
from simulator.turns import turn

FOLDER = Path(__file__).parent / "golden"
SIZES = ((80, 24), (120, 40))
SEED = 7
WHO, ROLES = "night technician", ("technician", "engineer", "maintenance", "quality")
NEWEST_EVENTS, TREND_POINTS = 40, 300

AWAY_FROM_s, AWAY_s = 10_760.0, 689.0
"""The service of the second demo is cut off here, and another one comes so much later: A08's link is off then."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of the demo (`at_s` of plant time) and its selected circuit, whose trend is kept."""

    name: str
    at_s: float
    circuit: str


MOMENTS = (
    Moment("empty", 40.0, "A01"),
    Moment("ticking", 615.0, "A01"),
    Moment("ready", 625.0, "A01"),
    Moment("refused", 1_240.0, "A06"),
    Moment("reduced", 7_830.0, "A07"),
    Moment("silent", 11_430.0, "A08"),
    Moment("tripped", 23_040.0, "A05"),
    Moment("blocked", 23_400.0, "A05"),
    Moment("unblocked", 24_630.0, "A05"),
    Moment("held", 24_780.0, "A05"),
    Moment("cooling", 68_100.0, "A01"),
    Moment("complete", 76_800.0, "A01"),
)
"""Empty bath; a start list half ticked, and whole; a start refused for a reversed battery; reduced by heat; a rectifier
that does not answer; an open clamp's trip, block, reset; cool-down and complete.
"""
LAST_s = MOMENTS[-1].at_s

RESTARTED = (Moment("recovery", AWAY_FROM_s + AWAY_s + 15.0, "A01"), Moment("recovered", 12_120.0, "A07"))
"""Just after the restart, one link down and the purge begun; and when the purge is over."""

SCREENS: dict[str, tuple[str, ...]] = {
    "empty": ("hall", "bath", "circuit", "orders", "ask load"),
    "ticking": ("hall", "bath", "circuit", "starts", "orders"),
    "ready": ("starts", "ask start", "ask start all", "ask refuse"),
    "refused": ("hall", "bath", "circuit", "starts", "orders", "ask unblock"),
    "silent": ("hall", "bath", "circuit", "alarms", "orders", "ask hold"),
    "reduced": ("hall", "bath", "circuit", "trend", "alarms", "events", "orders", "help", "ask hold", "ask note"),
    "tripped": ("hall", "bath", "circuit", "trend", "alarms", "events", "orders", "ask block"),
    "blocked": ("hall", "bath", "circuit", "alarms", "events", "orders", "starts", "ask unblock"),
    "unblocked": ("hall", "circuit", "alarms", "ask reset"),
    "held": ("hall", "bath", "circuit", "orders", "ask resume", "ask end"),
    "recovery": ("recovery", "hall", "bath", "circuit", "alarms"),
    "recovered": ("recovery", "hall", "circuit", "orders", "ask resume", "ask resume all"),
    "cooling": ("hall", "bath", "circuit", "orders"),
    "complete": ("hall", "bath", "circuit", "trend", "alarms", "events", "orders", "ask unload"),
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What is kept of a moment."""

    snapshot: dict[str, Any]
    circuit: str
    trend: dict[str, Any] | None
    events: list[dict[str, str]]

    def text(self) -> str:
        """Return it as it stands in its file."""
        return json.dumps(asdict(self), indent=None, separators=(",", ":"), sort_keys=True) + "\n"


class Played:
    """Stands in for the clock of a service that begins at `begin_ms` on a plant that another one has left."""

    def __init__(self, stage: Any, period_ms: int, begin_ms: int, utc_ms: int) -> None:
        self._stage = stage
        self._period_ms = period_ms
        self._now = Now(begin_ms, utc_ms)

    async def next_cycle(self) -> int:
        await self._stage.advance(self._period_ms / 1000.0)
        self._now = Now(self._now.now_ms + self._period_ms, self._now.utc_ms + self._period_ms)
        return self._now.now_ms

    def last(self) -> Now:
        return self._now


def demo(until_s: float = LAST_s) -> Iterator[tuple[str, Seen]]:
    """Play both demos, the first one up to `until_s` of plant time; yield each moment's name and what is kept of it."""
    for play in (partial(_whole, until_s), _cut):
        with tempfile.TemporaryDirectory(prefix="fb-") as folder:
            yield from asyncio.run(play(Path(folder)))


async def _whole(until_s: float, runs: Path) -> list[tuple[str, Seen]]:
    hall = await open_hall(runs, SEED, None)
    try:
        made = []
        for moment in (each for each in MOMENTS if each.at_s <= until_s):
            await _until(hall.service, hall.stage, moment.at_s)
            made.append((moment.name, await _kept(hall.service, runs, moment.circuit)))
        if hall.script.surprises:
            raise RuntimeError(f"the demo did not go as planned: {hall.script.surprises}")
        return made
    finally:
        await hall.close()


async def _cut(runs: Path) -> list[tuple[str, Seen]]:
    hall = await open_hall(runs, SEED, None)
    async with AsyncExitStack() as ending:
        ending.push_async_callback(hall.stage.close)
        await _until(hall.service, hall.stage, AWAY_FROM_s - 60.0)
        await _ordered(hall, "block", "A04")
        await _until(hall.service, hall.stage, AWAY_FROM_s)
        await _left(hall)
        while hall.stage.plant.elapsed_s < AWAY_FROM_s + AWAY_s:
            await hall.stage.advance(1.0)
        async with _restarted(hall, runs) as service:
            made = []
            for moment in RESTARTED:
                await _until(service, hall.stage, moment.at_s)
                made.append((moment.name, await _kept(service, runs, moment.circuit)))
    return made


async def _until(service: Service, stage: Any, plant_s: float) -> None:
    while stage.plant.elapsed_s < plant_s:
        await service.cycle()


async def _ordered(hall: Hall, verb: str, target: str) -> None:
    """Give an order as a person does, and cycle until it is taken."""
    person = await attach(hall.socket.path)
    await person.send(OrderMessage(id="mine", verb=verb, target=target, as_stated=WHO))

    async def answer() -> dict[str, Any]:
        async for message in person.messages():
            if message.get("type") == "answer":
                return dict(message)
        raise RuntimeError("the service hung up")

    asked = asyncio.create_task(answer())
    async with asyncio.timeout(20.0):
        # The plant's time stands until the order is there: it belongs to the next cycle, on any machine.
        while not hall.service.parts.desk.has("mine"):
            await turn()
    while not asked.done():
        await hall.service.cycle()
    if not asked.result()["accepted"]:
        raise RuntimeError(asked.result()["text"])
    await person.close()


async def _left(hall: Hall) -> None:
    """Take the service from its plant as a power cut does: what is on disk is all that stays."""
    parts = hall.service.parts
    await hall.script.detach()
    await hall.socket.close()
    await parts.field.close()
    await asyncio.to_thread(parts.writer.flush)
    parts.recorder.end_all()
    await asyncio.to_thread(parts.writer.close)


@asynccontextmanager
async def _restarted(hall: Hall, runs: Path) -> AsyncIterator[Service]:
    """A second service on the plant, with what the first one left, put together as a real one is."""
    bath, settings = hall.bath, settings_of(hall.bath)
    writer = Writer()
    recorder = Recorder(settings, sources_of(bath), runs, round(bath.file.runs.log_s * 1000), writer, by_count=True)
    left = what_was_left(settings, recorder, writer, runs)
    for circuit, (record, start_utc_ms) in left.records.items():
        recorder.adopt(circuit, record, start_utc_ms)
    utc_ms = parse_time(START_UTC) + round(hall.stage.plant.elapsed_s * 1000)
    begin_ms, known = base_ms(left.now_ms, left.utc_ms, utc_ms, settings.stale_ms)
    state = begun_again(settings, left.circuits, left.now_ms, left.alarms, after_run=True)
    away = found_open(settings, left.circuits, left.utc_ms, utc_ms, known=known)
    clock = Played(hall.stage, settings.period_ms, begin_ms, utc_ms)
    field = Field(bath, open_links(bath, hall.stage.ports))
    desk = Desk(bath.file, clock.last)
    desk.profiles.update(left.profiles)
    writer.start()
    try:
        parts = Parts(settings, clock, field, desk, recorder, writer, None, stepped=True)
        yield Service(parts, state, left.events, away)
    finally:
        await field.close()
        recorder.end_all()
        await asyncio.to_thread(writer.close)


async def _kept(service: Service, runs: Path, circuit: str) -> Seen:
    await asyncio.to_thread(service.parts.writer.flush)
    if service._last is None:
        raise RuntimeError("the service has not cycled yet")
    snapshot = json.loads(json.dumps(service._snapshot(*service._last)))
    folders = {each["name"]: each["folder"] for each in snapshot["circuits"] if each.get("folder")}
    lines = EventTail(runs, snapshot["bath"], folders).update()[-NEWEST_EVENTS:]
    trend = _few(read_trend(runs / folders[circuit])) if circuit in folders else None
    return Seen(snapshot, circuit, trend, [asdict(line) for line in lines])


def _few(trend: TrendData) -> dict[str, Any]:
    """A trend with so few points that its file stays small."""
    names = ("hot_C", "bath_C", "voltage_V", "current_A", "charge_Ah")
    times, columns = thinned(trend.elapsed_s, [getattr(trend, name) for name in names], TREND_POINTS)
    rounded = [[None if each is None else round(each, 3) for each in column] for column in columns]
    return {"folder": trend.folder, "elapsed_s": [round(each, 1) for each in times]} | dict(
        zip(names, rounded, strict=True)
    )


# -- drawing


def read(moment: str) -> Seen:
    """What is kept of a moment, from its file."""
    return Seen(**json.loads((FOLDER / f"{moment}.json").read_text(encoding="utf-8")))


def scene_of(seen: Seen, page: str = "hall") -> Scene:
    """The scene of a moment: Bath A, seen by a person with every role, clocks in UTC, no blinking."""
    picture: Picture = read_picture(seen.snapshot)
    bath = BathSeen(picture.bath, picture, who=WHO, roles=ROLES)
    trend = None
    if seen.trend is not None:
        trend = TrendData(**{key: tuple(part) if isinstance(part, list) else part for key, part in seen.trend.items()})
    lines = tuple(EventLine(**line) for line in seen.events)
    place = Place(page=page, bath=picture.bath, circuit=seen.circuit)
    return Scene((bath,), place, zone=UTC, events=lines, trend=trend)


def drawn(seen: Seen, screen: str, width: int, height: int) -> list[Row]:
    """Every row of a screen: a page by its name, or `ask KIND`: that dialogue above the circuit's page."""
    asked = screen.removeprefix("ask ") if screen.startswith("ask ") else ""
    scene = scene_of(seen, "circuit" if asked else screen)
    return layout.rows(scene, dialogue(scene, asked) if asked else None, width, height)


def dialogue(scene: Scene, kind: str) -> Prompt:
    """Open a dialogue; `end` is what `e` makes of a hold."""
    step = open_prompt("hold" if kind == "end" else kind, scene, 0.0, item=1 if kind == "refuse" else 0)
    if step.prompt is not None and kind == "end":
        step = pressed(step.prompt, "e", scene, 0.0)
    if step.prompt is None:
        raise RuntimeError(f"{kind} does not open: {step.said}")
    return step.prompt


def screens() -> Iterator[tuple[str, str, int, int]]:
    """Every screen: moment, page or dialogue, columns, rows."""
    for moment, pages in SCREENS.items():
        for page in pages:
            for width, height in SIZES:
                yield moment, page, width, height


def path_of(moment: str, screen: str, width: int, height: int) -> Path:
    """The file of a screen."""
    return FOLDER / f"{moment}-{screen.replace(' ', '_')}-{width}x{height}.txt"


def text_of(rows: list[Row]) -> str:
    """A screen as its file holds it; blanks at the ends of rows left out."""
    return "".join(row.text.rstrip() + "\n" for row in rows)


def main(words: list[str]) -> int:
    """Make all golden files anew. `--draw`: the screens only."""
    FOLDER.mkdir(exist_ok=True)
    if words != ["--draw"]:
        for name, seen in demo():
            (FOLDER / f"{name}.json").write_text(seen.text(), encoding="utf-8")
            sys.stderr.write(f"{name}\n")
    for path in FOLDER.glob("*.txt"):
        path.unlink()
    kept = {moment: read(moment) for moment in SCREENS}
    for moment, screen, width, height in screens():
        text = text_of(drawn(kept[moment], screen, width, height))
        path_of(moment, screen, width, height).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
