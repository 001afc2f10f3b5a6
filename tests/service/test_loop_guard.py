"""The guard around a cycle: what fails there ends at zero; ending waits for zero; a clock step is told, not used."""

from __future__ import annotations

import asyncio
import csv
from dataclasses import replace
from pathlib import Path

import pytest
from leftkit import BOUND_S, FILE, LOAD, NAMES, PERIOD_MS, PERSON, SETTINGS, TEXT, UTC_MS

from controller.core import bath as core_bath
from controller.core.moves import interrupted
from controller.core.table import Cause
from controller.core.types import (
    ALL_OFF,
    BathReading,
    ChannelReading,
    Command,
    Fit,
    LinkState,
    State,
    Value,
)
from controller.records.writer import Writer
from controller.service import loop
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.keeping import state_to_keep
from controller.service.kept import Kept
from controller.service.loop import Parts, Service
from controller.service.protocol import OrderMessage
from controller.service.recorder import Recorder, Sources
from controller.service.recordroom import not_on_disk
from controller.service.start import what_was_left
from controller.verify.runfolder import verify_run


class FakeField:
    """Channels that do what was written last. `stuck_A`: current that flows whatever is written."""

    def __init__(self):
        self.now_ms = 0
        self.written = []
        self.outputs = []
        self.held = [ALL_OFF] * len(NAMES)
        self.stuck_A = 0.0
        self.failing = []
        self.failing_reads = []

    async def read(self, now_ms):
        self.now_ms = now_ms
        if self.failing_reads:
            raise self.failing_reads.pop(0)
        good = Value(1.0)
        inputs = BathReading((Value(25.0),), airflow=good, emergency_stop_ok=good, hood_closed=good)
        return inputs, tuple(self.channel(command) for command in self.held)

    def channel(self, command):
        current = command.set_current_A if command.output_on else self.stuck_A
        return ChannelReading(
            current_A=Value(current),
            voltage_V=Value(230.0 if current else 0.0),
            set_current_A=Value(command.set_current_A),
            set_voltage_V=Value(command.voltage_limit_V),
            output_on=Value(float(command.output_on)),
            local=Value(0.0),
            fault_code=Value(0.0),
            uptime_s=Value(100.0 + self.now_ms / 1_000),
            probes=(Value(30.0),),
            link=LinkState.UP,
            fit=Fit.OK,
        )

    async def write(self, commands, bath, now_ms):
        self.written.append(commands)
        self.outputs.append(bath)
        if self.failing:
            raise self.failing.pop(0)
        self.held = list(commands)

    async def close(self):
        pass


class FakeClock:
    """A second a cycle; `wall_moved_ms` is what somebody did to the wall clock."""

    def __init__(self):
        self.now_ms = 0
        self.wall_moved_ms = 0

    async def next_cycle(self):
        self.now_ms += PERIOD_MS
        return self.now_ms

    def last(self):
        return Now(self.now_ms, UTC_MS + self.now_ms + self.wall_moved_ms)


class Rig:
    """A service of real desk, recorder and writer over the fakes."""

    def __init__(self, runs: Path):
        self.runs = runs
        self.field, self.clock, self.writer = FakeField(), FakeClock(), Writer()
        self.desk = Desk(FILE, self.clock.last)
        sources = Sources(TEXT, dict.fromkeys(NAMES, TEXT), {"formbath": "test"})
        self.recorder = Recorder(SETTINGS, sources, runs, PERIOD_MS, self.writer, by_count=True)
        parts = Parts(SETTINGS, self.clock, self.field, self.desk, self.recorder, self.writer, None, stepped=True)
        self.service = Service(parts, core_bath.fresh_state(SETTINGS))

    async def cycles(self, count):
        for _ in range(count):
            await self.service.cycle()

    async def order(self, verb, target, args=None):
        """Give one order and let the next cycle answer it."""
        message = OrderMessage(id=f"{verb}-{target}", verb=verb, target=target, args=args or {})
        asked = asyncio.create_task(self.desk.on_order(message, PERSON))
        before = self.desk.taken
        async with asyncio.timeout(BOUND_S):
            while self.desk.taken == before and not asked.done():  # noqa: ASYNC110 - sleep(0) only gives way
                await asyncio.sleep(0)
        await self.service.cycle()
        return await asked

    async def running(self):
        """Both circuits run and current flows."""
        await self.cycles(3)
        for name in NAMES:
            assert (await self.order("load", name, LOAD)).accepted
            assert (await self.order("start", name)).accepted
        await self.cycles(3)
        assert self.states() == [State.RUNNING] * 2
        assert all(command.set_current_A > 0.0 for command in self.field.held)
        self.field.written.clear()
        self.field.outputs.clear()
        return self

    def states(self):
        return [each.state for each in self.service.state.circuits]

    def closed(self):
        self.recorder.end_all()
        assert self.writer.close()

    def bath_events(self):
        rows = []
        for path in sorted(self.runs.glob("A/events-*.csv")):
            with path.open(encoding="utf-8", newline="") as file:
                rows += csv.DictReader(file)
        return rows


@pytest.fixture
async def rig(tmp_path):
    return await Rig(tmp_path).running()


class Boom(RuntimeError):
    """What goes wrong in these tests."""


def breaks(where, rig, monkeypatch, error):
    """Let the next cycle fail in one place."""

    def boom(*args, **named):
        raise error

    if where == "decide":
        monkeypatch.setattr(core_bath, "step", boom)
    elif where == "write":
        rig.field.failing = [error]
    elif where == "read":
        rig.field.failing_reads = [error]
    else:
        monkeypatch.setattr(rig.recorder, "cycle", boom)


PLACES = ["decide", "write", "read", "record"]


@pytest.mark.parametrize("where", PLACES)
async def test_failing_cycle_writes_zero_to_all_and_tells(rig, monkeypatch, where):
    """A fault in any part of a cycle: the last thing every channel hears is zero and off, once; the error goes on."""
    breaks(where, rig, monkeypatch, Boom("on purpose"))
    with pytest.raises(Boom, match="on purpose"):
        await rig.service.cycle()
    assert rig.field.written[-1] == (ALL_OFF, ALL_OFF)
    assert rig.field.written.count((ALL_OFF, ALL_OFF)) == 1
    assert rig.field.held == [ALL_OFF, ALL_OFF]
    assert rig.field.outputs[-1].healthy is False


async def test_cancelled_cycle_writes_zero_too(rig):
    """Being cancelled in the middle of a write is no exception to it."""
    rig.field.failing = [asyncio.CancelledError()]
    with pytest.raises(asyncio.CancelledError):
        await rig.service.cycle()
    assert rig.field.written[-1] == (ALL_OFF, ALL_OFF)


async def test_failing_zero_does_not_hide_the_first_error(rig):
    """Where zero cannot be written either, the first error is told, and it is tried once only."""
    rig.field.failing = [Boom("first"), OSError("second")]
    with pytest.raises(Boom, match="first"):
        await rig.service.cycle()
    assert len(rig.field.written) == 2


async def test_run_leaves_with_the_error(rig, monkeypatch):
    """The loop does not go on after a fault: no further write feeds the watchdogs."""
    breaks("decide", rig, monkeypatch, Boom("on purpose"))
    with pytest.raises(Boom):
        await rig.service.run()
    assert rig.field.written == [(ALL_OFF, ALL_OFF)]


async def test_orders_of_a_failed_cycle_change_nothing(rig, monkeypatch):
    """The state kept is the one last decided, not half of a new one."""
    before = rig.service.state
    breaks("write", rig, monkeypatch, Boom("on purpose"))
    with pytest.raises(Boom):
        await rig.service.cycle()
    assert rig.service.state is before


async def test_ending_holds_all_and_waits_for_zero(rig):
    """Asked to end: every circuit is held in the next cycle, outputs go off after zero was read, then the loop ends."""
    rig.service.ending = True
    await rig.service.run()
    assert rig.states() == [State.HELD] * 2
    assert all(each.run.interruption.code == "service_ending" for each in rig.service.state.circuits)
    assert all(each.output.value == "off" for each in rig.service.state.circuits)
    assert all(command.set_current_A == 0.0 for commands in rig.field.written for command in commands)
    assert rig.field.written[0][0].output_on  # zero first, off only after it was read back
    assert not rig.field.written[-1][0].output_on
    assert 2 <= len(rig.field.written) < loop.ZERO_WAIT_CYCLES


async def test_ending_leaves_a_record_that_verifies(rig):
    """What ends so is an open run: whole, and the core decides all of it the same again."""
    rig.service.ending = True
    await rig.service.run()
    rig.closed()
    folders = [path.parent for path in rig.runs.glob("*/run.json")]
    assert len(folders) == 2
    for folder in folders:
        verdict = verify_run(folder)
        assert verdict.wrong == []
        assert verdict.same == verdict.compared > 5


async def test_ending_does_not_wait_for_ever(rig):
    """A rectifier that never reads zero keeps the service for a bounded number of cycles, at zero all the while."""
    rig.field.stuck_A = 5.0
    rig.service.ending = True
    await rig.service.run()
    assert rig.service.not_zero == NAMES
    assert len(rig.field.written) == loop.ZERO_WAIT_CYCLES + 1
    assert all(command.set_current_A == 0.0 for commands in rig.field.written for command in commands)


async def test_no_current_is_ordered_while_the_service_ends(rig):
    """A resume that comes while the service ends is refused, and no cycle writes current any more."""
    rig.service.ending = True
    await rig.service.cycle()
    answer = await rig.order("resume", "A01")
    await rig.service.run()
    assert rig.states() == [State.HELD] * 2
    assert all(command.set_current_A == 0.0 for commands in rig.field.written for command in commands)
    assert (answer.accepted, answer.code) == (False, "service_ending")


async def test_ending_is_told_in_the_run_s_record(rig):
    """Whoever reads the record later finds why the run was held at that moment."""
    rig.service.ending = True
    await rig.service.run()
    rig.closed()
    for path in rig.runs.glob("*-K3107/events.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            held = [row for row in csv.DictReader(file) if row["code"] == "held"]
        assert [row["text"] for row in held] == ["held: service ending"]


@pytest.mark.parametrize("why", ["record_full", "service_ending"])
async def test_what_its_link_held_does_not_resume_into_an_end(rig, why):
    """A circuit that its link alone held would resume by rule; not while rows are lost or the service ends."""
    state = rig.service.state
    held = tuple(interrupted(each, Cause.HOLD, "link_lost", state.now_ms, by_rule=True) for each in state.circuits)
    rig.service.state = replace(state, circuits=held)
    after, _ = rig.service._held(rig.service.state, why)
    assert [each.run.interruption.resumable_by_rule for each in after.circuits] == [False, False]


async def test_a_newer_state_overrules_an_older_record(rig):
    """Killed between the two writes of one commit: the block that state.json knows of is not forgotten."""
    for each in rig.recorder._open.values():
        each.record._by_count = False
    assert rig.writer.flush()
    state = rig.service.state
    first = replace(state.circuits[0], blocked_by="bert", now_ms=state.now_ms + PERIOD_MS)
    newer = replace(state, now_ms=first.now_ms, circuits=(first, state.circuits[1]))
    rig.recorder.bath.put_state(state_to_keep(newer, UTC_MS, rig.recorder.folders(), rig.desk.profiles))
    assert rig.writer.flush()
    again = Rig(rig.runs)
    left = what_was_left(SETTINGS, again.recorder, again.writer, rig.runs)
    assert set(left.records) == set(NAMES)
    assert [left.circuits[name].blocked_by for name in NAMES] == ["bert", ""]


async def test_ending_at_zero_names_nobody(rig):
    """Zero was read back everywhere: there is nobody to go and look at."""
    rig.service.ending = True
    await rig.service.run()
    assert rig.service.not_zero == ()


async def test_a_run_without_its_folder_gets_a_new_one(rig):
    """After a restart that found no folder for an open run, it is recorded from its first cycle on, in a new one."""
    rig.recorder.end_all()
    fresh = Rig(rig.runs / "again")
    fresh.service.state = rig.service.state
    fresh.clock.now_ms = rig.clock.now_ms
    fresh.field.held = rig.field.held
    await fresh.cycles(3)
    fresh.closed()
    folders = [path.parent for path in fresh.runs.glob("*/run.json")]
    assert len(folders) == 2
    for folder in folders:
        assert verify_run(folder).wrong == []


async def test_a_block_is_safe_before_it_is_answered(tmp_path):
    """Nobody is told of a block that a crash in the next second would forget."""
    rig = Rig(tmp_path)
    await rig.cycles(3)
    safe = []
    rig.desk.kept = Kept(lambda longest_s: safe.append(not_on_disk(rig.writer, longest_s)))
    answer = await rig.order("block", "A01")
    assert (answer.accepted, answer.kept) == (True, True)
    assert safe == [None]
    assert '"blocked_by": "anna"' in (tmp_path / "A" / "state.json").read_text()


async def test_no_room_for_rows_holds_all(rig, monkeypatch):
    """When memory for rows is used up because no disk takes them, every run is held: no record, no current."""
    monkeypatch.setattr(Writer, "waiting_bytes", property(lambda writer: writer.limit_bytes))
    await rig.cycles(4)
    assert rig.states() == [State.HELD] * 2
    assert all(command.set_current_A == 0.0 for commands in rig.field.written for command in commands)
    assert not any(command.output_on for command in rig.field.held)


@pytest.mark.parametrize("moved_s", [3_600, -3_600, 2.5])
async def test_wall_clock_step_is_an_event_and_changes_nothing(rig, moved_s):
    """Somebody sets the clock: said once in the bath's events; core time, charge and state go on as if nothing was."""
    before = rig.service.state.circuits[0]
    rig.clock.wall_moved_ms = round(moved_s * 1_000)
    await rig.cycles(3)
    after = rig.service.state.circuits[0]
    assert rig.states() == [State.RUNNING] * 2
    assert after.now_ms - before.now_ms == 3 * PERIOD_MS
    gained_Ah = after.run.counters.charge_Ah - before.run.counters.charge_Ah
    assert gained_Ah == pytest.approx(before.command.set_current_A * 3 / 3_600, rel=0.01)
    rig.closed()
    told = [row for row in rig.bath_events() if row["code"] == "clock_step"]
    assert len(told) == 1
    assert f"moved by {moved_s:.0f} s" in told[0]["text"]


async def test_slow_wall_clock_is_no_event(rig):
    """The corrections of a time service, a few ms a cycle, are not told."""
    for _ in range(20):
        rig.clock.wall_moved_ms += 50
        await rig.cycles(1)
    rig.closed()
    assert not [row for row in rig.bath_events() if row["code"] == "clock_step"]


async def test_sound_cycles_write_what_was_decided(rig):
    """Against all of the above: without a fault each cycle writes one whole command a circuit, and tells healthy."""
    await rig.cycles(4)
    assert len(rig.field.written) == 4
    assert all(isinstance(command, Command) and command.output_on for each in rig.field.written for command in each)
    assert all(bath.healthy for bath in rig.field.outputs)


async def held_rig(folder):
    """Both circuits held by a person, at zero: a resume would be accepted."""
    rig = await Rig(folder).running()
    for name in NAMES:
        assert (await rig.order("hold", name)).accepted
    await rig.cycles(3)
    return rig


@pytest.mark.parametrize("cycles_behind", [0, 1, 2])
async def test_an_order_that_waited_while_the_service_stood_is_late(tmp_path, cycles_behind):
    """A resume in the gap's own cycle or the next is refused with the gap's seconds; the hold behind it passes."""
    rig = await held_rig(tmp_path)
    rig.clock.now_ms += 29_000
    await rig.cycles(cycles_behind)
    said = await rig.order("resume", "A01")
    if cycles_behind == 2:
        assert said.accepted
        return
    assert (said.accepted, said.code) == (False, "late")
    assert "nothing was read for 30 s" in said.text
    assert rig.states() == [State.HELD] * 2
    rig.clock.now_ms += 29_000
    await rig.cycles(cycles_behind)
    assert (await rig.order("hold", "A02")).accepted


async def test_standing_still_in_mid_cycle_is_a_gap_at_once(tmp_path):
    """Stopped between reading and deciding: the start of the same cycle is late, and what ran is held."""
    rig = await held_rig(tmp_path)
    rig.service.parts.since_ms = lambda: 30_000
    said = await rig.order("resume", "A01")
    assert (said.accepted, said.code) == (False, "late")
    assert rig.service.state.now_ms == rig.clock.now_ms + 30_000
    running = await Rig(tmp_path / "other").running()
    running.service.parts.since_ms = lambda: 30_000
    await running.cycles(1)
    assert running.states() == [State.HELD] * 2
    assert all(command.set_current_A == 0.0 for command in running.field.held)


async def test_a_cycle_that_only_took_its_time_is_no_gap(rig):
    """Up to the stale time nothing happens."""
    rig.service.parts.since_ms = lambda: SETTINGS.stale_ms
    await rig.cycles(2)
    assert rig.states() == [State.RUNNING] * 2
