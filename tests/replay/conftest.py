"""A short run for the replay's tests: the real core over two circuits, recorded, and what a service showed of it."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from controller.core import bath
from controller.core.planned import Ends, Load, Plan, PlanStep, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Quality, Value
from controller.records.head import RunStart, Text
from controller.records.logrow import log_row
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.service.recorder import event_row
from controller.service.snapshot import Seen, snapshot

sys.path.insert(0, str(Path(__file__).parents[1] / "console"))
"""Where the kit for real terminals and the builders of pictures are."""

CELLS = 108
UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
CIRCUITS = tuple(CircuitSettings(name, 18, 0.5, 60.0, 340.0) for name in ("A01", "A02"))
SETTINGS = BathSettings("north", "A", True, 1_000, 3_000, 5_000, CIRCUITS, purge_ms=3_000)
LOST = Value(None, Quality.LOST, 4_000)


def charge(number: int, name: str, current_A: float, charge_Ah: float) -> PlanStep:
    end = Ends(charge_Ah=charge_Ah)
    return PlanStep(number, name, StepKind.CHARGE, current_A, 2.85, end, 0, None, "hold", 3.0, 60_000, 7_200_000, 0.5)


def plan_of() -> Plan:
    rest = Ends(time_ms=60_000)
    steps = (
        charge(1, "first", 15.0, 2.0),
        PlanStep(2, "pause", StepKind.REST, 0.0, 2.85, rest, 0, None, "hold", 0.0, 0, 7_200_000, 0.0),
        charge(3, "last", 9.0, 0.5),
    )
    return Plan("a plan", 1, "0" * 64, 6, 60.0, steps, 200.0, 210.0, 2.95, None)


def order(number: int, verb: str, load: Load | None = None, **args: str) -> Order:
    roles = ("technician", "engineer", "maintenance")
    return Order(f"o{number}", verb, "A01", "anna", roles, args, None, load)


@dataclass
class Hall:
    """Two circuits, of which A01 runs: what each cycle reads, decides and shows."""

    record: RunRecord | None = None
    state: bath.BathState = field(default_factory=lambda: bath.fresh_state(SETTINGS))
    now_ms: int = 100_000
    out: bath.BathOut | None = None
    shown: dict[int, dict] = field(default_factory=dict)

    def reading(self, index: int, *, hot_C: float, linked: bool) -> ChannelReading:
        command = self.out.commands[index] if self.out is not None else None
        amps = command.set_current_A if command is not None and command.output_on else 0.0
        if not linked:
            return ChannelReading(LOST, LOST, LOST, LOST, LOST, LOST, LOST, LOST, None, None, None, (LOST,))
        volts = 2.3 * CELLS + self.now_ms // 1000 % 7 * 0.1 if amps else 0.1
        asked = (command.set_current_A, command.voltage_limit_V, float(command.output_on)) if command else (0.0,) * 3
        return ChannelReading(
            Value(amps), Value(volts), *(Value(each) for each in asked), Value(0.0), Value(0.0),
            Value(self.now_ms / 1000), None, None, None, (Value(hot_C),), LinkState.UP, Fit.OK,
        )  # fmt: skip

    def cycle(self, *orders: Order, hot_C=30.0, water_C=25.0, linked=True, skip_ms=0) -> None:
        self.now_ms += 1_000 + skip_ms
        wobble = self.now_ms // 1000 % 3 * 0.1
        channels = tuple(self.reading(i, hot_C=hot_C + wobble + i, linked=linked or i == 1) for i in range(2))
        water = Value(water_C)
        inputs = BathReading((water,), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP, fit=Fit.OK)
        before = self.state
        self.state, self.out = bath.step(SETTINGS, before, BathIn(self.now_ms, inputs, channels, orders))
        self.keep(before, inputs)

    def keep(self, before: bath.BathState, inputs: BathReading) -> None:
        """What a service does with a cycle: record it, show it."""
        utc_ms = UTC_MS + self.now_ms
        seen = Seen(settings=SETTINGS, state=self.state, out=self.out, bath=inputs, utc_ms=utc_ms, pace=(60.0, False))
        self.shown[self.now_ms] = snapshot(seen)
        if self.record is None:
            return
        old, new, cin, command = before.circuits[0], self.state.circuits[0], self.out.told[0], self.out.commands[0]
        for event in self.out.events:
            if event.target == "A01":
                self.record.add_event(event_row(event, utc_ms, self.now_ms))
        self.record.add_cycle(cin, old, command, new)
        moved = new.state is not old.state or (old.run is not None and new.run.step != old.run.step)
        if moved or self.now_ms % 10_000 == 0:
            self.record.add_log(log_row(utc_ms, cin, command, new, SETTINGS.stale_ms))

    def begin(self, runs: Path, writer: Writer, load: Load) -> None:
        """Up to the run's first cycle."""
        for _ in range(6):
            self.cycle()
        self.cycle(order(1, "load", load))
        start = RunStart(
            UTC_MS + self.now_ms + 1_000, self.now_ms + 1_000, "A01", SETTINGS, load, profile=Text("p.toml", "kind\n"),
            bath_file=Text("a.toml", "x\n"), map=Text("m.toml", "y\n"),
        )  # fmt: skip
        self.record = RunRecord.create(runs, start, writer)
        self.cycle(order(2, "start"))

    def long_run(self, runs: Path, writer: Writer, seconds: int) -> None:
        """One charge of so many seconds, closed in the middle of it."""
        plan = replace(plan_of(), steps=(charge(1, "first", 9.0, 180.0),))
        self.begin(runs, writer, Load(plan, 18, "K1"))
        for second in range(seconds):
            self.cycle()
            self.shown.clear()
            if second % 600 == 0:
                writer.commit()
        self.record.close({"verdict": "complete"})
        self.record.release()

    def run(self, runs: Path, writer: Writer, batch: str) -> None:
        """From loading to complete, with a hot probe, a hold, warm water and a gap on the way."""
        self.begin(runs, writer, Load(plan_of(), 18, batch))
        for number in range(3, 1_500):
            given = {250: "acknowledge", 300: "hold", 320: "resume"}.get(number)
            orders = (order(number, given, **({"reason": "a test"} if given == "resume" else {})),) if given else ()
            hot_C = 52.0 if 200 <= number < 260 else 30.0
            water_C = 46.5 if 380 <= number < 460 else 25.0
            skip_ms = 20_000 if number == 500 else 0
            if number in (510, 650):
                orders = (order(number, "resume", reason="looked at"),)
            self.cycle(*orders, hot_C=hot_C, water_C=water_C, linked=number not in range(600, 602), skip_ms=skip_ms)
            if number % 50 == 0:
                writer.commit()
            if self.state.circuits[0].run.end_ms is not None and self.state.circuits[0].confirmed:
                break


@dataclass(frozen=True)
class Kept:
    """A record that tests read and copy, never change; `shown`: the live snapshots by core time."""

    folder: Path
    start_ms: int
    end_ms: int
    shown: dict[int, dict]


def made(runs: Path, batch: str = "K1", *, close: bool = True) -> Kept:
    """Record one run below `runs`."""
    writer, hall = Writer(), Hall()
    hall.run(runs, writer, batch)
    record = hall.record
    if close:
        record.close({"verdict": "complete"})
    record.release()
    assert writer.close(), writer.trouble
    return Kept(record.folder, record.start_ms, hall.now_ms, hall.shown)


@pytest.fixture(scope="session")
def kept(tmp_path_factory) -> Kept:
    """One whole record."""
    return made(tmp_path_factory.mktemp("kept"))


@pytest.fixture(scope="session")
def hostile(tmp_path_factory) -> Kept:
    """A record that is still open, of a batch whose name is an attack."""
    batch = "../../\x1b[2J\u202e" + "x" * 3_000
    return made(tmp_path_factory.mktemp("open"), batch, close=False)
