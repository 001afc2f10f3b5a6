"""A run's record, decided again, gives every command, every event and the last state, on any processor's features."""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from controller.core.circuit import step as core_step
from controller.records.reader import read_run
from controller.records.redecide import redecide
from controller.records.writer import Writer
from controller.service.recorder import Recorder, event_row
from controller.service.start import sources_of
from simulator.stage import Setting

HERE = Path(__file__).parent
UTC_MS = 1_773_640_800_000
FAULTS = ("0:24-0:25 A01 link_off", "0:30-0:34 A02 open_clamp", "0:42-0:48 A03 probe_lost")


@dataclass
class Kept:
    """What the loop itself saw of each circuit while its record was open."""

    recorder: Recorder
    events: dict = field(default_factory=dict)
    commands: dict = field(default_factory=dict)
    states: dict = field(default_factory=dict)
    folders: dict = field(default_factory=dict)

    def look(self, loop):
        before = self.recorder.folders()
        self.recorder.cycle(loop.before, loop.out, loop.state, UTC_MS + loop.now_ms, {})
        self.folders |= self.recorder.folders()
        for index, name in enumerate(loop.names):
            if name not in {**before, **self.recorder.folders()}:
                continue
            self.events.setdefault(name, []).extend(
                (loop.now_ms, event) for event in loop.out.events if event.target == name
            )
            self.commands.setdefault(name, []).append(loop.out.commands[index])
            self.states[name] = loop.state.circuits[index]


@pytest.fixture(scope="module")
def closed():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(HERE))
        return importlib.import_module("closed")


def recorded(loop, runs):
    """Record a loop as the service does, with the real recorder and writer."""
    writer = Writer()
    recorder = Recorder(loop.settings, sources_of(loop.bath), runs, 10_000, writer, by_count=True)
    kept = Kept(recorder)
    loop.after.append(kept.look)
    return kept, writer


def finish(kept, writer):
    kept.recorder.end_all()
    assert writer.close(), writer.trouble


def incidents(closed):
    """Orders beside the clean run's: holds, a block, a trip's way out, the bath held, refusals."""
    act = closed.Act
    return [
        act(900.0, "hold", "A03"),
        act(960.0, "resume", "A03"),
        act(1_000.0, "note", "A01", {"text": "foam at 3"}),
        act(1_860.0, "reset", "A02"),
        act(1_870.0, "acknowledge", "A02"),
        act(1_880.0, "block", "A02"),
        act(2_100.0, "unblock", "A02"),
        act(2_110.0, "reset", "A02"),
        act(2_130.0, "resume", "A02"),
        act(2_160.0, "hold", "A"),
        act(2_220.0, "resume", "A01"),
        act(2_235.0, "resume", "A02"),
        act(2_250.0, "resume", "A03"),
        act(3_300.0, "stop", "A03"),
    ]


@pytest.fixture(scope="module")
def eventful(closed, tmp_path_factory):
    """Three circuits with faults and many orders, from load to complete, stopped, unloaded."""
    plan = closed.shortened(closed.plan_of("starter-60"), 0.05)
    setting = Setting(water_inlet_C=20.0, seed=3)
    loop = closed.closed(closed.bath_of(meter_walk=()), [plan], setting, FAULTS)
    loop.acts += incidents(closed)
    kept, writer = recorded(loop, tmp_path_factory.mktemp("runs"))
    loop.until(lambda each: not kept.recorder.folders() and each.now_s > 4_000.0, 3 * 3_600.0)
    finish(kept, writer)
    return loop, kept


def again(kept, name):
    """Decide a circuit's record again; return what came of it, its events and its commands."""
    folder = kept.recorder.runs / kept.folders[name]
    found = read_run(folder)
    events, commands = [], []

    def step(settings, own, state, cin):
        made = core_step(settings, own, state, cin)
        commands.append(made[1])
        events.extend((cin.now_ms, event) for event in made[2])
        return made

    return found, redecide(found.head, found.cycles.blocks(found.head.codec), step), events, commands


def assert_same(kept, name):
    found, result, events, commands = again(kept, name)
    assert found.problems == ()
    assert result.problems == []
    assert result.first_difference is None
    assert (result.same, result.not_compared, result.restarts) == (result.compared, 0, 0)
    assert repr(commands) == repr(kept.commands[name])
    assert repr(events) == repr(kept.events[name])
    assert repr(result.state) == repr(kept.states[name])
    return found, events


@pytest.mark.parametrize("name", ["A01", "A02", "A03"])
def test_every_decision_comes_again(eventful, name):
    """From the record alone: each command, each event with its data, and the last state, floats to the bit."""
    _, kept = eventful
    _, events = assert_same(kept, name)
    assert len(kept.commands[name]) > 300
    assert len(events) > 15


@pytest.mark.parametrize("name", ["A01", "A02", "A03"])
def test_rows_of_events_tell_what_was_decided_again(eventful, name):
    """events.csv holds the decided events and no other: kind, code, target, value and words in their order."""
    _, kept = eventful
    found, _, events, _ = again(kept, name)
    rows = [event_row(event, UTC_MS + now_ms, now_ms) for now_ms, event in events]
    wanted = [(row.kind, row.code, row.target, row.text) for row in rows]
    columns = [found.events.column(key) for key in ("kind", "code", "target", "text")]
    assert list(zip(*columns, strict=True)) == wanted
    assert found.events.numbers("value") == [
        row.value if row.value is None else pytest.approx(row.value, rel=1e-5) for row in rows
    ]


def test_eventful_run_was_eventful(eventful):
    """The record that is decided again holds what could go wrong: rule, trip, block, derate, orders of the bath."""
    _, kept = eventful
    codes = {(name, event.code) for name, events in kept.events.items() for _, event in events}
    assert {
        ("A01", "link_lost"), ("A01", "resumed_by_rule"), ("A02", "open_string"), ("A02", "tripped"),
        ("A03", "probe_lost"), ("A01", "note"), ("A01", "complete"), ("A02", "complete"),
    } <= codes  # fmt: skip
    verbs = {event.data.get("verb") for events in kept.events.values() for _, event in events}
    assert {"start", "hold", "resume", "reset", "acknowledge", "block", "unblock", "stop"} <= verbs
    assert kept.states["A03"].state.value == "stopped"


def test_another_reading_is_seen(eventful):
    """The comparison can fail: one reading by one step of its register leads to a state that the record contradicts."""
    _, kept = eventful
    found = read_run(kept.recorder.runs / kept.folders["A01"])
    blocks = list(found.cycles.blocks(found.head.codec))
    cycles = blocks[0].cycles
    assert len(blocks) > 1
    current = cycles[40].cin.reading.current_A
    reading = replace(cycles[40].cin.reading, current_A=replace(current, number=current.number + 0.01))
    cycles[40] = replace(cycles[40], cin=replace(cycles[40].cin, reading=reading))
    assert redecide(found.head, blocks).restarts == 1


def decided_in_a_process(folders, **env):
    done = subprocess.run(
        [sys.executable, str(HERE / "decideagain.py"), *map(str, folders)],
        env={**os.environ, **env}, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_digests_are_the_same_on_other_processors(eventful):
    """With numpy's vector features switched off, and other hash seeds, the same records give the same digests."""
    _, kept = eventful
    folders = [kept.recorder.runs / folder for folder in kept.folders.values()]
    on = decided_in_a_process(folders, NPY_DISABLE_CPU_FEATURES="", PYTHONHASHSEED="1")
    features = on[0]["features"]
    if not features:
        pytest.skip("numpy has no vector features to switch off on this processor")
    off = decided_in_a_process(folders, NPY_DISABLE_CPU_FEATURES=" ".join(features), PYTHONHASHSEED="2")
    assert off[0]["features"] == []
    assert all(each["same"] == each["compared"] > 0 and each["problems"] == [] for each in on + off)
    assert [each["digest"] for each in on] == [each["digest"] for each in off]
    assert len({each["digest"] for each in on}) == len(folders)


@pytest.mark.slow
def test_whole_formation_comes_again(closed, tmp_path):
    """A formation of some twenty hours, recorded in many blocks, is decided again in every cycle."""
    period_s, least = (5.0, 10_000) if os.environ.get("FORMBATH_LONG") == "1" else (10.0, 6_000)
    bath = closed.bath_of(1, period_s)
    loop = closed.closed(bath, [closed.plan_of("starter-60")], Setting(water_inlet_C=20.0))
    kept, writer = recorded(loop, tmp_path / "runs")
    loop.until(lambda each: not kept.recorder.folders() and each.now_s > 3_600.0, 40 * 3_600.0)
    finish(kept, writer)
    found, events = assert_same(kept, "A01")
    assert found.cycles.count > least
    assert [event.code for _, event in events].count("step_ended") == 6
