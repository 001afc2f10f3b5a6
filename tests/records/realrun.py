"""A small real run for the record's tests: the real core in a closed loop with a toy string, and a record of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace

import pytest

from controller.core import bath
from controller.core.planned import Ends, Load, Plan, PlanStep, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Value
from controller.records.eventrow import event_row
from controller.records.head import RunStart, Text
from controller.records.logrow import log_row
from controller.records.run import RunRecord
from controller.records.writer import Writer

CELLS = 108
UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
PROFILE = Text("p.toml", "kind = 'profile'\n")
SETTINGS = BathSettings(
    "north", "A", True, 1_000, 3_000, 5_000, (CircuitSettings("A01", 18, 0.5, 60.0, 340.0),), purge_ms=3_000
)


def plan_of(charge_Ah=0.5) -> Plan:
    step = PlanStep(
        1,
        "first",
        StepKind.CHARGE,
        15.0,
        2.85,
        Ends(charge_Ah=charge_Ah),
        0,
        None,
        "hold",
        3.0,
        600_000,
        7_200_000,
        0.5,
    )
    return Plan("a plan", 1, PROFILE.sha256, 6, 60.0, (step,), 200.0, 210.0, 2.95, None)


def start_of(now_ms=0, charge_Ah=0.5, batch="K1", **changes) -> RunStart:
    load = Load(plan_of(charge_Ah), 18, batch)
    texts = {"profile": PROFILE, "bath_file": Text("a.toml", "x\n")}
    base = RunStart(UTC_MS, now_ms, "A01", SETTINGS, load, **texts, map=Text("m.toml", "y\n"))
    return replace(base, **changes)


class Loop:
    """One circuit: load, start, then cycles; each cycle gives cin, before, command, after."""

    def __init__(self, charge_Ah=0.5):
        self.state = bath.fresh_state(SETTINGS)
        self.now_ms = 0
        self.counter_Ah = 100.0
        self.command = self.out = None
        self.events = ()
        for _ in range(5):
            self.cycle()
        load = Load(plan_of(charge_Ah), 18, "K1")
        self.cycle(Order("o1", "load", "A01", "anna", ("technician",), {}, None, load))

    def start_order(self):
        return Order("o2", "start", "A01", "anna", ("technician",))

    def cycle(self, *orders, skip_ms=0):
        self.now_ms += 1_000 + skip_ms
        on = self.command is not None and self.command.output_on
        amps = self.command.set_current_A if on else 0.0
        self.counter_Ah += amps / 3600
        wobble = (self.now_ms // 1000 % 7) * 0.1
        volts = 2.3 * CELLS + wobble if amps else 0.1
        limit = self.command.voltage_limit_V if self.command else 0.0
        asked = self.command.set_current_A if self.command else 0.0
        reading = ChannelReading(
            Value(amps), Value(volts), Value(asked), Value(limit), Value(float(on)), Value(0.0), Value(0.0),
            Value(self.now_ms / 1000), None, Value(round(self.counter_Ah, 2)), None, (Value(30.0),),
            LinkState.UP, Fit.OK,
        )  # fmt: skip
        inputs = BathReading((Value(25.0),), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP, fit=Fit.OK)
        before = self.state
        self.state, out = bath.step(SETTINGS, before, BathIn(self.now_ms, inputs, (reading,), orders))
        self.out, self.command, self.events = out, out.commands[0], out.events
        return out.told[0], out.began[0], out.commands[0], self.state.circuits[0]


def record_cycle(record: RunRecord, loop: Loop, number: int, made, utc_ms=None) -> None:
    """What a service does with one cycle: the cycle, its events, a row every ten cycles."""
    utc_ms = UTC_MS + loop.now_ms if utc_ms is None else utc_ms
    cin, _, command, after = made
    record.add_cycle(*made)
    for event in loop.events:
        if event.target == after.name:
            record.add_event(event_row(event, utc_ms, loop.now_ms))
    if number % 10 == 0:
        record.add_log(log_row(utc_ms, cin, command, after, SETTINGS.stale_ms))


def begin(runs, writer, *, by_count=False, charge_Ah=0.5):
    """A run just started, with its first cycle in the record."""
    loop = Loop(charge_Ah)
    made = loop.cycle(loop.start_order())
    record = RunRecord.create(runs, start_of(loop.now_ms, charge_Ah), writer, by_count=by_count)
    record_cycle(record, loop, 0, made)
    return loop, record


def drive(record, loop, count, first=1, commit=None) -> None:
    for number in range(first, first + count):
        record_cycle(record, loop, number, loop.cycle())
        if commit is not None and number % commit == 0:
            record._writer.commit()


def whole_run(runs, cycles=400, commit=7, by_count=False):
    """A closed record in a folder; returns the folder."""
    writer = Writer()
    loop, record = begin(runs, writer, by_count=by_count)
    drive(record, loop, cycles, commit=commit)
    record_cycle(record, loop, 0, loop.cycle())
    record.close({"verdict": "complete"})
    record.release()
    assert writer.close(), writer.trouble
    return record.folder


@pytest.fixture(scope="session")
def rec():
    """The builders."""
    return SimpleNamespace(
        settings=SETTINGS, utc_ms=UTC_MS, plan=plan_of, start=start_of, Loop=Loop, record_cycle=record_cycle,
        begin=begin, drive=drive, whole_run=whole_run,
    )  # fmt: skip


@pytest.fixture(scope="session")
def kept_run(tmp_path_factory):
    """One closed record of 402 cycles that tests read and copy, never change."""
    return whole_run(tmp_path_factory.mktemp("kept"))


@pytest.fixture
def writer() -> Iterator[Writer]:
    """A writer without a thread: commits when told."""
    one = Writer()
    yield one
    one.close()
