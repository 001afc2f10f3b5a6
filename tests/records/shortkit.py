"""Short runs as a service records them, with whatever may happen in their first minutes; the recorder is the real one.

The string is a toy whose current follows the command within two cycles; links, readings and people are chance's.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from random import Random

from controller.core import bath
from controller.core.moves import restarted
from controller.core.planned import Ends, Load, Plan, PlanStep, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Quality, Value
from controller.records.head import Text
from controller.records.resume import resume_run
from controller.records.writer import Writer
from controller.service.recorder import Recorder, Sources

UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
CELLS = 108
PROFILE = Text("p.toml", "kind = 'profile'\n")
LOST = Value(None, Quality.LOST)


def bath_file(log_s: float) -> Text:
    """A bath file as far as the record needs it."""
    return Text("a.toml", f'kind = "bath"\n[runs]\nlog_s = {log_s:g}\n')


def plan_of(charge_Ah: float) -> Plan:
    first = PlanStep(1, "first", StepKind.CHARGE, 15.0, 2.85, Ends(charge_Ah=charge_Ah / 3), 0, None, "hold", 3.0,
                     600_000, 7_200_000, 0.5)  # fmt: skip
    rest = PlanStep(2, "pause", StepKind.REST, 0.0, 2.85, Ends(time_ms=20_000), 0, None, "hold", 3.0, 600_000,
                    7_200_000, 0.5)  # fmt: skip
    last = replace(first, number=3, name="last", ends=Ends(charge_Ah=charge_Ah))
    return Plan("a plan", 1, PROFILE.sha256, 6, 60.0, (first, rest, last), 200.0, 210.0, 2.95, None)


class ShortRun:
    """One circuit under the real core and recorder; `settings.virtual` as asked."""

    def __init__(
        self, runs: Path, chance: Random, period_s: float = 1, log_s: float = 10, *, virtual: bool = False,
        jitter_ms: int = 0, charge_Ah: float = 100.0, version: str = "test",
    ) -> None:  # fmt: skip
        period_ms = round(period_s * 1000)
        own = CircuitSettings("A01", 18, 0.5, 60.0, 340.0)
        self.settings = BathSettings(
            "north",
            "A",
            virtual,
            period_ms,
            3 * period_ms,
            5 * period_ms,
            (own,),
            purge_ms=0,
            alone_ms=0,
            apart_ms=0,
            require_release=False,
        )
        self.runs, self.chance, self.log_ms, self.jitter_ms = runs, chance, round(log_s * 1000), jitter_ms
        self.version = version
        self.state = bath.fresh_state(self.settings)
        self.now_ms = self.current_A = self.kept_ms = 0
        self.counter_Ah = 100.0
        self.command = None
        self.said = 0
        self.sizes: dict[str, int] = {}
        self.link_up, self.overvoltage, self.flow = True, False, 1.0
        self.begin()
        for _ in range(5):
            self.cycle()
        load = Load(plan_of(charge_Ah), 18, "K1")
        self.cycle(Order("load", "load", "A01", "anna", ("technician",), {}, None, load))
        self.order("start")
        self.commit()

    def begin(self) -> None:
        """A service's writer and recorder."""
        self.writer = Writer()
        text = bath_file(self.log_ms / 1000)
        sources = Sources(text, {"A01": Text("m.toml", "y\n")}, {"formbath": self.version})
        self.recorder = Recorder(self.settings, sources, self.runs, self.log_ms, self.writer, by_count=False)

    @property
    def folder(self) -> Path:
        """The run's folder."""
        found = self._folder()
        assert found is not None
        return found

    def _folder(self) -> Path | None:
        return next((path.parent for path in self.runs.glob("*/run.json")), None)

    @property
    def circuit(self):
        return self.state.circuits[0]

    def order(self, verb: str, **args) -> None:
        """One order of a person who may do everything; it is on the disk before it is answered."""
        self.said += 1
        roles = ("technician", "engineer", "maintenance", "quality")
        self.cycle(Order(f"o{self.said}", verb, "A01", "anna", roles, args))
        self.commit()

    def cycle(self, *orders, skip_ms: int = 0) -> None:
        """One cycle of all that a service does."""
        self.now_ms += self.settings.period_ms + skip_ms
        late_ms = self.chance.randrange(self.jitter_ms + 1)
        now_ms = self.now_ms + late_ms
        reading = BathReading((Value(25.0),), Value(self.flow), Value(1.0), Value(1.0), link=LinkState.UP, fit=Fit.OK)
        before = self.state
        told = BathIn(now_ms, reading, (self._channel(now_ms),), orders)
        self.state, out = bath.step(self.settings, before, told)
        self.command = out.commands[0]
        self.recorder.cycle(before, out, self.state, UTC_MS + now_ms, {PROFILE.sha256: PROFILE})
        if self.chance.random() < 0.3 or now_ms - self.kept_ms > 40_000:
            self.commit()

    def _channel(self, now_ms: int) -> ChannelReading:
        asked = self.command.set_current_A if self.command is not None and self.command.output_on else 0.0
        self.current_A += (asked - self.current_A) * (1.0 if asked < self.current_A else 0.7)
        self.current_A = 0.0 if abs(self.current_A) < 0.01 else self.current_A
        self.counter_Ah += self.current_A * self.settings.period_ms / 3_600_000
        if not self.link_up:
            return ChannelReading(LOST, LOST, LOST, LOST, LOST, None, None, None, None, None, None, (LOST,),
                                  LinkState.DOWN, Fit.OK)  # fmt: skip
        volts = (3.1 if self.overvoltage else 2.3) * CELLS + now_ms // 1000 % 7 * 0.1 if self.current_A else 0.1
        command = self.command
        limit_V = 0.0 if command is None else command.voltage_limit_V
        set_A = 0.0 if command is None else command.set_current_A
        on = 0.0 if command is None else float(command.output_on)
        return ChannelReading(
            Value(round(self.current_A, 2)), Value(volts), Value(set_A), Value(limit_V), Value(on), Value(0.0),
            Value(0.0), Value(now_ms / 1000), None, Value(round(self.counter_Ah, 2)), None,
            (Value(round(30.0 + now_ms // 1000 % 5 * 0.1, 1)),), LinkState.UP, Fit.OK,
        )  # fmt: skip

    def commit(self) -> None:
        """All that waits goes to the disk."""
        self.sizes, self.kept_ms = self._sizes(), self.now_ms
        assert self.writer.commit(), self.writer.trouble

    def _sizes(self) -> dict[str, int]:
        folder = self._folder()
        return {} if folder is None else {each.name: each.stat().st_size for each in folder.glob("*.csv")}

    def killed(self, away_s: float = 60.0) -> None:
        """The service is gone with what waits, or in the midst of a commit, cycles written and rows not; comes back.

        What it knows of the circuit may be newer than the record: the bath's state is written first.
        """
        if self.chance.random() < 0.5:
            self.commit()
            for name in ("log.csv", "events.csv")[self.chance.randrange(2) :]:
                os.truncate(self.folder / name, self.sizes.get(name, self._sizes()[name]))
        self.begin()
        resumed = resume_run(self.folder, self.writer)
        assert resumed.state is not None
        known = self.circuit if self.chance.random() < 0.3 else resumed.state
        self.state = replace(self.state, circuits=(restarted(known),))
        self.recorder.adopt("A01", resumed.record, UTC_MS + resumed.head.start_ms)
        self.current_A, self.command = 0.0, None
        self.cycle(skip_ms=round(away_s * 1000))

    def end(self) -> Path:
        """Stop, wait until the record is closed; return its folder."""
        self.link_up, self.overvoltage = True, False
        if self.circuit.run is None or self.circuit.run.end_ms is None:
            self.order("stop")
        for _ in range(200):
            if not self.recorder.folders():
                break
            self.cycle()
        self.recorder.end_all()
        assert self.writer.close(), self.writer.trouble
        return self.folder


WHAT = ("wait", "hold", "link", "overvoltage", "stall", "killed", "flow", "note", "reset", "flicker")


def lived(run: ShortRun, chance: Random, acts: int) -> None:
    """Some minutes of chance."""
    for _ in range(acts):
        what = chance.choice(WHAT)
        if what == "hold":
            run.order("hold")
            cycles(run, chance, 8)
            run.order("resume")
        elif what in ("link", "overvoltage", "flow", "flicker"):
            _fault(run, chance, what)
        elif what == "stall":
            run.cycle(skip_ms=chance.randrange(100, 40_000))
        elif what == "killed":
            run.killed(chance.uniform(1, 90) + 5 * run.settings.period_ms / 1000)
            cycles(run, chance, 6)
            run.order("resume")
        elif what == "note":
            run.order("note", text="all well")
        elif what == "reset":
            run.order("acknowledge")
            run.order("reset")
            run.order("resume")
        cycles(run, chance, 25)


def _fault(run: ShortRun, chance: Random, what: str) -> None:
    for _ in range(chance.randrange(1, 6) if what == "flicker" else 1):
        run.link_up, run.overvoltage = what not in ("link", "flicker"), what == "overvoltage"
        run.flow = 0.0 if what == "flow" else 1.0
        cycles(run, chance, 3 if what == "flicker" else 20)
        run.link_up, run.overvoltage, run.flow = True, False, 1.0
        cycles(run, chance, 3)


def cycles(run: ShortRun, chance: Random, most: int) -> None:
    """Some cycles, one at least."""
    for _ in range(chance.randrange(1, most + 1)):
        run.cycle()
