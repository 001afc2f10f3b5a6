"""Advice beside the control cycle: what reaches core, record and screens, and that nothing else ever does."""

# ruff: noqa: E402 - the builders of other tests lie beside this file and in tests/course

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

HERE = Path(__file__).parent
for place in (HERE, HERE.parent / "course"):
    if str(place) not in sys.path:
        sys.path.append(str(place))

import coursekit
from test_loop_shows import LOAD, PROFILE, SETTINGS, Rig, console_of, running

from controller.console import besides
from controller.core.bath import fresh_state
from controller.core.circuit import step as core_step
from controller.core.state import CircuitState, Run
from controller.core.types import (
    LOST,
    Advice,
    BathIn,
    BathReading,
    ChannelReading,
    EventKind,
    Fit,
    LinkState,
    State,
    Value,
)
from controller.coursestand import RULES, Stand
from controller.records.head import Text
from controller.records.reader import read_run
from controller.records.redecide import redecide
from controller.records.writer import Writer
from controller.service.advising import Advising, Courses
from controller.service.fitting import snapshot_line
from controller.service.protocol import MAX_SHOWN_BYTES
from controller.service.recorder import Recorder
from controller.service.start import sources_of
from profiles.release import release_text

UTC_MS = 1_773_640_800_000
MINUTE_MS = 60_000
SAID = Advice("course_late", 44.0, 30.0)


def always(look, before):
    """Rules that always warn of one thing."""
    return {RULES[-1].code: Stand(10, 0, SAID)}


def failing(look, before):
    """Rules with a mistake in them."""
    raise ZeroDivisionError("a mistake")


# -- one bath by hand


def cycle(now_ms, amps=15.0, volts=230.0, probe_C=40.0, age_ms=0):
    """What is read in one cycle."""
    one = ChannelReading(
        Value(amps, age_ms=age_ms), Value(volts, age_ms=age_ms), LOST, LOST, LOST, probes=(Value(probe_C),),
        link=LinkState.UP, fit=Fit.OK,
    )  # fmt: skip
    bath = BathReading((Value(28.0), Value(29.0)), LOST, LOST, link=LinkState.UP)
    return BathIn(now_ms, bath, (one,))


@pytest.fixture
def open_bath():
    """A bath of one running circuit in its first charge."""
    plan = coursekit.closed().plan_of("starter-60")
    load = coursekit.closed().Load(plan, 18, "K1")
    run = Run(start_ms=0, started_by="anna", step=1, first_ms=0, step_charge_Ah=20.0)
    circuit = CircuitState("A01", state=State.RUNNING, load=load, run=run)
    return replace(fresh_state(SETTINGS), circuits=(circuit,))


def taken(advising, state, minutes, **read):
    """So many minutes of a cycle in ten seconds."""
    for at in range(minutes * 6 + 1):
        now_ms = MINUTE_MS + at * 10_000
        advising.look(cycle(now_ms, **read), replace(state, now_ms=now_ms))
    return advising


def test_a_minute_is_the_mean_of_its_cycles(open_bath):
    """Current, volts a cell, probe and the warmer water sensor, by circuit; settled counts the minutes that stood."""
    advising = taken(Advising(SETTINGS), open_bath, 12)
    (mine,) = advising._tracer.traces(open_bath, {})
    newest = mine.now
    assert len(mine.minutes) == 12
    assert (newest.current_A, newest.volts, newest.probe_C, newest.water_C) == pytest.approx((15.0, 230 / 108, 40, 29))
    assert (newest.step, newest.progress, newest.settled) == (1, 20.0, 11)


def test_old_values_make_no_minute(open_bath):
    """What was not read in its cycle counts for nothing."""
    advising = taken(Advising(SETTINGS), open_bath, 3, age_ms=1_000)
    assert advising._tracer.traces(open_bath, {}) == ()


def test_an_edge_is_kept_with_its_resistance(open_bath):
    """A fall of current between two readings, behind one that stood: its change of volts by its change of current."""
    advising = Advising(SETTINGS)
    for at, (amps, volts) in enumerate([(15.0, 230.0), (15.0, 230.0), (0.0, 221.0), (0.0, 215.0), (12.0, 225.0)]):
        now_ms = MINUTE_MS + at * 1_000
        advising.look(cycle(now_ms, amps, volts), replace(open_bath, now_ms=now_ms))
    (mine,) = advising._tracer.traces(open_bath, {})
    assert [(edge.from_A, edge.to_A, edge.ohm) for edge in mine.edges] == [
        (15.0, 0.0, pytest.approx(0.6)), (0.0, 12.0, pytest.approx(10.0 / 12.0))
    ]  # fmt: skip


def test_an_edge_keeps_the_cells_that_it_was_read_of(open_bath):
    """A battery is taken out between two edges: the first stays one of 108 cells, the second is one of 102."""
    advising = Advising(SETTINGS)
    (each,) = open_bath.circuits
    fewer = replace(open_bath, circuits=(replace(each, load=replace(each.load, batteries=17)),))
    for at, amps in enumerate([15.0, 15.0, 0.0, 0.0, 0.0, 12.0]):
        now_ms = MINUTE_MS + at * 1_000
        advising.look(cycle(now_ms, amps, 215.0 + amps), replace(open_bath if at < 4 else fewer, now_ms=now_ms))
    (mine,) = advising._tracer.traces(fewer, {})
    assert [edge.cells for edge in mine.edges] == [108, 102]


def test_a_new_run_begins_anew(open_bath):
    """Another run of the same circuit knows nothing of the one before; an ended one is forgotten."""
    advising = taken(Advising(SETTINGS), open_bath, 3)
    (each,) = open_bath.circuits
    other = replace(open_bath, circuits=(replace(each, run=Run(start_ms=5, started_by="anna", step=1)),))
    advising.look(cycle(10 * MINUTE_MS), other)
    (mine,) = advising._tracer.traces(other, {})
    assert [each.at_ms for each in mine.minutes] == [10 * MINUTE_MS]
    ended = replace(open_bath, circuits=(replace(each, run=replace(each.run, end_ms=7)),))
    advising.look(cycle(11 * MINUTE_MS), ended)
    advising.look(cycle(12 * MINUTE_MS), ended)
    assert advising._tracer.traces(open_bath, {}) == ()


def test_advice_stands_until_the_next_minute(open_bath):
    """It is worked out once a minute and handed in with every cycle between."""
    advising = taken(Advising(SETTINGS, always), open_bath, 1)
    assert advising.advice == (("A01", SAID),)
    advising._judge = lambda look, before: {}
    advising.look(cycle(2 * MINUTE_MS + 30_000), open_bath)
    assert advising.advice == (("A01", SAID),)
    advising.look(cycle(3 * MINUTE_MS), open_bath)
    assert advising.advice == ()


def test_a_mistake_ends_here_and_is_told_once(open_bath):
    """Whatever goes wrong is counted and told once; there is no advice, and it goes on trying."""
    advising = taken(Advising(SETTINGS, always), open_bath, 1)
    advising._judge = failing
    for minute in (3, 4, 5, 6):
        advising.look(cycle(minute * MINUTE_MS), open_bath)
    assert advising.advice == ()
    assert advising.failed >= 2
    (told,) = advising.notices()
    assert (told.code, told.kind, told.target) == ("notice", EventKind.EVENT, "A")
    assert "ZeroDivisionError" in told.data["what"]
    assert advising.notices() == []
    advising._judge = always
    taken(advising, open_bath, 2)
    assert advising.advice == (("A01", SAID),)
    advising._judge = failing
    taken(advising, open_bath, 2)
    assert advising.notices() == []


# -- releases


def test_a_release_becomes_a_course():
    """The text of a release of the loaded profile is worked through once; another's, or a broken one, gives none."""
    release = coursekit.small_release()
    courses, text = Courses(), Text("small.release.json", release_text(release))
    assert courses.wanted([release.sha256], {release.sha256: text}) == [release.sha256]
    courses.take(release.sha256, text.text)
    assert courses.known[release.sha256].total_h == 8.5
    assert courses.wanted([release.sha256], {release.sha256: text}) == []
    courses.take("another", text.text)
    courses.take("broken", "{")
    assert (courses.known["another"], courses.known["broken"]) == (None, None)
    assert len(courses.told) == 1
    assert courses.wanted([], {release.sha256: text}) == []
    assert courses.known == {}


# -- in the core and on record


def test_advice_is_recorded_and_decided_again(monkeypatch, tmp_path):
    """A joint's advice of the virtual plant: the core warns of it, and its record gives the same decisions again."""
    played = coursekit.bath(
        monkeypatch, circuits=3, seed=3, period_s=5.0, share=0.05, apart_s=75.0, faults=["A02/5 clamp_ohm 0.08"]
    )
    loop, writer = played.loop, Writer()
    recorder = Recorder(loop.settings, sources_of(loop.bath), tmp_path, 10_000, writer, by_count=True)
    folders = {}

    def record(each):
        recorder.cycle(each.before, each.out, each.state, UTC_MS + each.now_ms, {}, {})
        folders.update(recorder.folders())

    loop.after.append(record)
    loop.until(lambda each: any(event.code == "complete" for _, event in each.events), 5 * 3_600.0)
    recorder.end_all()
    assert writer.close(), writer.trouble
    assert ("A02", "joint_hot") in played.codes()
    found = read_run(tmp_path / folders["A02"])
    given = []

    def step(settings, own, state, cin):
        given.extend(said.code for said in cin.advice)
        return core_step(settings, own, state, cin)

    result = redecide(found.head, found.cycles.blocks(found.head.codec), step)
    assert (result.problems, result.first_difference, result.same) == ([], None, result.compared)
    assert {"joint_hot", "joint_resistance"} <= set(given)
    currents = {name: loop.circuit(name).run.counters.charge_Ah for name in loop.names}
    assert currents["A02"] == pytest.approx(currents["A01"], rel=0.02)  # warned, and nothing less flowed


# -- the service


@pytest.fixture
async def rig(tmp_path):
    """A whole service over a plant of one channel, with its socket."""
    made = Rig(tmp_path)
    await made.socket.start()
    yield await made.cycles(3)
    await made.socket.close()
    made.recorder.end_all()
    made.writer.close()


async def test_a_mistake_in_the_rules_delays_no_cycle(rig):
    """Current flows on, the run is written, and one event tells of it: no alarm, nothing held."""
    async with console_of(rig) as console:
        await running(console)
        rig.service._advising._judge = failing
        current_A = rig.plant.held.set_current_A
        await rig.cycles(200)
        assert rig.service._advising.failed >= 2
        assert rig.circuit.state is State.RUNNING
        assert rig.plant.held.set_current_A == current_A
        assert rig.circuit.alarms == ()
        assert rig.service.state.alarms == ()
        told = [row for row in rig.rows("A/events-*.csv") if "ZeroDivisionError" in row["text"]]
        assert [row["kind"] for row in told] == ["event"]


async def test_advice_becomes_an_alarm_that_only_warns(rig):
    """What stands is an alarm of priority 3 on the next cycle; the current stays, and it ends with its cause."""
    async with console_of(rig) as console:
        await running(console)
        rig.service._advising._judge = always
        current_A = rig.plant.held.set_current_A
        await rig.cycles(130)
        (alarm,) = [each for each in rig.circuit.alarms if each.code == "course_late"]
        assert (alarm.active, alarm.priority, alarm.value, alarm.limit) == (True, 3, 44.0, 30.0)
        assert rig.plant.held.set_current_A == current_A
        rig.service._advising._judge = lambda look, before: {}
        await rig.cycles(130)
        assert not any(each.active for each in rig.circuit.alarms if each.code == "course_late")


async def test_a_released_profile_brings_its_course_to_the_screens(rig, tmp_path):
    """Load, start, an hour of nothing: the console reads percent, late, the course's values and step lengths."""
    profile = tmp_path / PROFILE.name
    profile.write_text(PROFILE.read_text(encoding="utf-8"), encoding="utf-8")
    release = coursekit.flat_release("starter-60", hours=1.0)
    (tmp_path / "starter-60.release.json").write_text(release_text(release), encoding="utf-8")
    async with console_of(rig) as console:
        assert (await console.order("load", **{**LOAD, "profile": str(profile)}))["accepted"]
        assert (await console.order("done", item=1, ok=True))["accepted"]
        assert (await console.order("start"))["accepted"]
        await rig.cycles(3)
        assert (await console.order("hold"))["accepted"]
        await rig.cycles(900)
        picture = await console.sees(lambda seen: seen.circuits[0].beside is not None)
    (circuit,) = picture.circuits
    assert [step.course_ms for step in picture.plan_of(circuit).steps] == [3_600_000] * 6
    assert circuit.beside.late_minutes == pytest.approx(15.0, abs=1.5)
    assert besides.late_text(circuit) in {"0:14", "0:15", "0:16"}
    assert circuit.beside.percent < circuit.beside.should_percent
    assert circuit.beside.course["probe_C"] == (39.0, 40.0, 42.0)
    assert "volts" not in circuit.beside.course  # those of 3 A say nothing of a string at 0 A
    assert circuit.beside.marks["probe_C"] == -1


def test_course_and_sisters_are_left_out_before_plans_and_alarms():
    """A snapshot that does not fit loses them, says so, and keeps what keeps current off."""
    beside = {"percent": 50.0, "course": {"volts": [2.0, 2.1, 2.2]}, "filler": "x" * 5_000}
    circuits = [{"name": f"A{at:02d}", "state": "held", "beside": beside} for at in range(60)]
    line = snapshot_line({"format": "formbath/snapshot/2", "circuits": circuits, "plans": {}})
    assert len(line) <= MAX_SHOWN_BYTES
    assert b'"beside"' not in line
    assert b"course and sisters" in line
    assert b"rare plans" not in line
