"""Records for other people's programs to read: one full of what breaks readers, and runs of a known charge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.core import bath
from controller.core.planned import Ends, Load, Plan, PlanStep, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Quality, Value
from controller.records.bathlog import BathLog
from controller.records.eventrow import event_row
from controller.records.head import RunStart, Text
from controller.records.logrow import log_row
from controller.records.rows import EventRow, LogRow, time_utc
from controller.records.run import RunRecord
from controller.records.writer import Writer

UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
PROFILE = Text("profile.toml", "kind = 'profile'\n")
LOST, STALE = Value(None, Quality.LOST), Value(None, Quality.STALE)
TEXTS = (
    'a "quoted" word', "one, two", "'tis an apostrophe", "=1+2", "-5 C, then +3", "@cell", "back\\slash \\n \\x41 \\0",
    "%s %d %% 100%", "$HOME `id` $(id) ${x%,*} *", "--help", "-n", "caf\u00e9 \u9178 \U0001f50b \u00df", "",
    '"', '""', ",", ",,", "it's, \"so\"",
    "two\nlines\r\nand\ttabs", "NA", "null", "nan", "  blanks  ", "2026-03-16", "1e5", "x" * 3_000,
)  # fmt: skip


def settings_of(period_ms: int = 1_000) -> BathSettings:
    circuit = CircuitSettings("A01", 1, 0.1, 60.0, 340.0, can_discharge=True)
    times = (period_ms, 3 * period_ms, 5 * period_ms)
    return BathSettings("north", "A", True, *times, (circuit,), purge_ms=2 * period_ms, after_run_ms=2 * period_ms)


def step_of(number: int, current_A: float, hours: float, ramp_h: float = 0.0) -> PlanStep:
    kind = StepKind.REST if not current_A else StepKind.CHARGE if current_A > 0 else StepKind.DISCHARGE
    cell_V = 2.85 if current_A >= 0 else 1.7
    time_ms = round(hours * 3_600_000)
    return PlanStep(
        number, f"step {number}", kind, abs(current_A), cell_V, Ends(time_ms=time_ms), round(ramp_h * 3_600_000), None,
        "hold", 3.0, 600_000, 7_200_000, 0.5,
    )  # fmt: skip


def load_of(steps: list[tuple[float, ...]], batch: str = "K1") -> Load:
    planned = tuple(step_of(number, *step) for number, step in enumerate(steps, 1))
    return Load(Plan("a plan", 1, PROFILE.sha256, 6, 60.0, planned, 900.0, 990.0, 2.95, None), 1, batch)


def record_of(runs: Path, writer: Writer, now_ms: int, settings: BathSettings, load: Load) -> RunRecord:
    texts = {name: Text(f"{name}.toml", f"kind = '{name}'\n") for name in ("bath_file", "map")}
    return RunRecord.create(
        runs, RunStart(UTC_MS + now_ms, now_ms, "A01", settings, load, profile=PROFILE, **texts), writer, by_count=True
    )


@dataclass
class Counted:
    """A run whose currents were prescribed: what was read and when, and where its record stands."""

    folder: Path
    at_ms: list[int]
    current_A: list[float]
    voltage_V: list[float]
    charge_Ah: list[float]
    counters: object
    states: set[str]


class String:
    """One circuit with one battery that takes exactly what it is told, a cycle later; `shape` may say otherwise."""

    def __init__(self, settings: BathSettings, load: Load, shape: Callable[[float, float], tuple[float, float]]):
        self.settings, self.shape = settings, shape
        self.state, self.now_ms, self.start_ms = bath.fresh_state(settings), 0, None
        self.command, self.events = None, ()
        for _ in range(4):
            self.cycle()
        self.cycle(order=Order("o1", "load", "A01", "anna", ("technician",), {}, None, load))

    def cycle(self, order: Order | None = None, dt_ms: int | None = None):
        self.now_ms += dt_ms or self.settings.period_ms
        set_A, limit_V, on = 0.0, 0.0, 0.0
        if self.command is not None:
            set_A, limit_V, on = self.command.set_current_A, self.command.voltage_limit_V, float(self.command.output_on)
        self.read_A, self.read_V = set_A * on, 0.0
        if self.start_ms is not None:
            self.read_A, self.read_V = self.shape((self.now_ms - self.start_ms) / 1000, set_A * on)
        probe_C = 30.0 + self.now_ms // 60_000 % 5 * 0.1  # one that stands still would be a frozen one
        reading = ChannelReading(
            Value(self.read_A), Value(self.read_V), Value(set_A), Value(limit_V), Value(on), Value(0.0), Value(0.0),
            Value(self.now_ms / 1000), None, None, None, (Value(probe_C),), LinkState.UP, Fit.OK,
        )  # fmt: skip
        inputs = BathReading((Value(25.0),), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP, fit=Fit.OK)
        before = self.state
        orders = () if order is None else (order,)
        self.state, out = bath.step(self.settings, before, BathIn(self.now_ms, inputs, (reading,), orders))
        self.command, self.events = out.commands[0], out.events
        return out.told[0], before.circuits[0], out.commands[0], self.state.circuits[0]


def counted(runs, steps, hours, *, period_ms=1_000, shape=lambda _, told_A: (told_A, 14.0), gap=None, uneven=False):
    """Play `steps` (A, hours, hours of ramp) for `hours` and record them, a row each cycle.

    `shape` (seconds since the start, A told) gives A and V read; `gap`: (at which second, how many seconds);
    `uneven`: periods of 0.4 to 1.6 of the nominal one, in turn.
    """
    settings, load, writer = settings_of(period_ms), load_of(steps), Writer()
    string = String(settings, load, shape)
    made = string.cycle(Order("o2", "start", "A01", "anna", ("technician",)))
    string.start_ms = string.now_ms
    record = record_of(runs, writer, string.now_ms, settings, load)
    found = Counted(record.folder, [], [], [], [], None, set())
    number = 0
    while True:
        cin, _, command, after = made
        record.add_cycle(*made)
        for event in string.events:
            if event.target == after.name:
                record.add_event(event_row(event, UTC_MS + cin.now_ms, cin.now_ms))
        record.add_log(log_row(UTC_MS + cin.now_ms, cin, command, after, settings.stale_ms))
        found.at_ms.append(cin.now_ms)
        found.current_A.append(string.read_A)
        found.voltage_V.append(string.read_V)
        found.charge_Ah.append(after.run.counters.charge_Ah)
        found.states.add(after.state.value)
        elapsed_s = (string.now_ms - string.start_ms) / 1000
        if elapsed_s >= hours * 3600:
            break
        number += 1
        dt_ms = period_ms * (2 + number % 4 * 2) // 5 if uneven else period_ms
        if gap is not None and elapsed_s == gap[0]:
            dt_ms = gap[1] * 1000
        made = string.cycle(dt_ms=dt_ms)
    found.counters = after.run.counters
    record.close({})
    record.release()
    assert writer.close(), writer.trouble
    return found


def add_hostile_rows(record: RunRecord, log_rows: int, event_rows: int) -> None:
    """Rows of log and events, 18 batteries, a reading of each: missing values early, odd texts everywhere."""
    for i in range(log_rows):
        now_ms = i * 10_000 + i % 7
        probe, amps = LOST if i < 150 else Value(41.25), STALE if 200 <= i < 210 else Value(15 + i / 1000)
        step, state = None if i < 3 else 1 + i // 200, "running" if i < 390 else "held"
        numbers = (15.0, amps, Value(250.1 + i / 100), Value(30.0), probe, i * 0.0417, 0.0, i * 10.4)
        record.add_log(LogRow(UTC_MS + now_ms, now_ms, step, state, *numbers))
    for i in range(event_rows):
        mixed = (1, 2.5, True, "word", None, "00123")[i % 6] if i >= 150 else i
        who, text = TEXTS[(i + 7) % len(TEXTS)], TEXTS[i % len(TEXTS)]
        alarm = ("alarm", i % 3 + 1) if i >= 200 else ("event", None)
        fields = (f"a{i}", alarm[0], "code", "A01", who, "technician", alarm[1], mixed, None, "V", text)
        record.add_event(EventRow(UTC_MS + i * 1_007, i * 1_007, *fields))
    for i in range(18):
        volts = 12.79 if i % 2 else None
        head = (i + 1, "0042", "1E5", f"{i:06d}", volts, 14.5, 1.282, 25.5)
        record.add_later("batteries.csv", [*head, "ok", "pass", TEXTS[i], TEXTS[-i]])
        taken = time_utc(UTC_MS + i * 3_600_000)
        record.add_later("after.csv", [taken, taken, i + 1, "ocv", volts, "V", 25.5, "meter, 2", TEXTS[i]])


def hostile(runs: Path, log_rows: int, event_rows: int) -> Path:
    """A closed run folder; beside it, in `A/proofs.csv`, proofs with the same texts."""
    writer = Writer()
    record = record_of(runs, writer, 0, settings_of(), load_of([(15.0, 1.0)]))
    add_hostile_rows(record, log_rows, event_rows)
    record.close({"verdict": "complete"})
    record.release()
    log = BathLog(runs, "A", writer)
    for i, text in enumerate(TEXTS):
        log.add_proof((time_utc(UTC_MS + i), text, f"{i:05d}", "passed", "anna", "2027-03-16"))
    log.release()
    assert writer.close(), writer.trouble
    return record.folder


@pytest.fixture(scope="session")
def hostile_run(tmp_path_factory) -> Path:
    """One such record that tests read, never change."""
    return hostile(tmp_path_factory.mktemp("hostile"), 400, 300)


@pytest.fixture(scope="session")
def outside():
    """The builders."""
    return SimpleNamespace(
        counted=counted, hostile=hostile, texts=TEXTS, utc_ms=UTC_MS, record_of=record_of, settings_of=settings_of,
        load_of=load_of,
    )  # fmt: skip
