"""Verify on what happened: events against those decided again, rows against cycles, states against what led to them."""

from __future__ import annotations

import ast
import shutil
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from random import Random

import pytest
import shortkit
from forgekit import resealed
from memoryplace import in_memory

import controller.core
from controller.core.moves import interrupted, restarted
from controller.core.state import Alarm, CircuitState
from controller.core.table import Cause
from controller.core.types import Event, EventKind, Order, Reaction, State
from controller.records import chain
from controller.records import run as run_module
from controller.records.eventrow import event_row
from controller.records.head import Text
from controller.records.logrow import log_row
from controller.records.ours import VERSION
from controller.records.rows import EventRow
from controller.records.writer import Writer
from controller.service.recorder import Recorder, Sources
from controller.verify.eventcheck import CORE_EVENTS, EventCheck, cells_of
from controller.verify.losses import Bounds
from controller.verify.runfolder import verify_place, verify_run
from controller.verify.seams import Seam, first_difference, seam, shown

SHELVED = Alarm("probe_part", 0, 3, Reaction.WARN, active=True, shelved_until_ms=10**9, shelved_by="anna")


def record_with(rec, runs, change, cycles=12):
    """A closed record whose events went through `change` (an event to the rows that are written of it)."""
    writer = Writer()
    loop = rec.Loop()
    made = loop.cycle(loop.start_order())
    record = run_module.RunRecord.create(runs, rec.start(loop.now_ms), writer)
    for number in range(cycles):
        utc_ms = rec.utc_ms + loop.now_ms
        record.add_cycle(*made)
        for event in (each for each in loop.events if each.target == "A01"):
            for row in change(event_row(event, utc_ms, loop.now_ms)):
                record.add_event(row)
        if number % 5 == 0:
            record.add_log(log_row(utc_ms, made[0], made[2], made[3], 3_000))
        last = made
        made = loop.cycle()
    record.add_log(log_row(utc_ms, last[0], last[2], last[3], 3_000))
    record.close({})
    assert writer.commit()
    return record.folder


def test_every_event_stands_in_its_row(rec, tmp_path):
    """Unchanged, all events that the core gives again are there."""
    verdict = verify_run(record_with(rec, tmp_path, lambda row: [row]))
    assert verdict.wrong == []
    assert verdict.events_given == verdict.events_same == verdict.events > 1


def test_a_missing_event_is_found(rec, tmp_path):
    """An event that the cycles give and no row tells of is named with its moment."""
    (said,) = verify_run(record_with(rec, tmp_path, lambda row: [] if row.code == "accepted" else [row])).wrong
    assert said == "events.csv: order accepted of 0.000 s is missing, the cycles give it"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"who": "bert"}, "who is 'bert', the cycles give 'anna'"),
        ({"role": "engineer"}, "role is 'engineer', the cycles give 'technician'"),
        ({"id": "o9"}, "id is 'o9', the cycles give 'o2'"),
        ({"value": 1.5}, "value is '1.5', the cycles give ''"),
        ({"limit": 2.0}, "limit is '2', the cycles give ''"),
        ({"priority": 1}, "priority is '1', the cycles give ''"),
    ],
)
def test_a_row_that_tells_otherwise_is_found(rec, tmp_path, changes, told):
    """An event with another person, order, value or priority than decided is named with both."""

    def changed(row):
        return [replace(row, **changes) if row.code == "accepted" else row]

    assert verify_run(record_with(rec, tmp_path, changed)).wrong == [f"events.csv:2: row 1: {told}"]


@pytest.mark.parametrize(
    ("kind", "code", "told"),
    [
        ("alarm", "open_string:new", "alarm open_string:new: the cycles do not give it"),
        ("refusal", "role", "refusal role: the cycles do not give it"),
        ("event", "step_ended", "event step_ended: the cycles do not give it"),
    ],
)
def test_an_invented_event_is_found(rec, tmp_path, kind, code, told):
    """A row of the core's kinds that no cycle gives is named, at a moment with a cycle and between two."""
    for later_ms in (0, 500):

        def added(row, later_ms=later_ms):
            moment = row.now_ms + later_ms
            return [row, EventRow(row.utc_ms, moment, "", kind, code, "A01")] if row.code == "accepted" else [row]

        assert verify_run(record_with(rec, tmp_path / str(later_ms), added)).wrong == [f"events.csv:3: row 2: {told}"]


def test_what_the_service_tells_is_let_through(rec, tmp_path):
    """Notices, steps of the wall clock and what comes after the last cycle, are no decisions of this circuit."""

    def added(row):
        notice = EventRow(row.utc_ms, row.now_ms, "", "event", "notice", "A01")
        of_clock = EventRow(row.utc_ms, row.now_ms, "", "event", "clock_step", "A01")
        after_end = EventRow(row.utc_ms + 10**6, row.now_ms + 10**6, "o7", "order", "signed_off", "A01")
        return [notice, row, of_clock] + ([after_end] if row.code == "read_back" else [])

    assert [said for said in verify_run(record_with(rec, tmp_path, added)).wrong if "fell" not in said] == []


def test_events_stand_in_the_order_of_their_decisions():
    """Of two events of one moment the rows must not be exchanged."""
    first, last = Event("step_ended", "A01"), Event("step_began", "A01")
    rows = [{**cells_of(event), "elapsed_s": "1.000"} for event in (last, first)]
    check = EventCheck("A01", 0, rows)
    check.decided(1_000, (first, last), None)
    assert check.wrong == ["events.csv:2: row 1: stands in another order than it was decided in"]


def test_a_row_of_the_log_is_held_against_its_cycle(rec, tmp_path):
    """Each cell that a cycle gives is compared: a reading, a state, a set current that another hand wrote is named."""
    for number, (name, value) in enumerate(
        {"state": "held", "set_current_A": 14.0, "step": 2, "allowed_percent": 90.0, "energy_Wh": 10**6}.items()
    ):
        writer = Writer()
        loop, record = rec.begin(tmp_path / str(number), writer)
        cin, before, command, after = loop.cycle()
        record.add_cycle(cin, before, command, after)
        record.add_log(replace(log_row(rec.utc_ms, cin, command, after, 3_000), **{name: value}))
        assert writer.commit()
        assert any(
            said.startswith(f"log.csv:3: row 2: {name} is {value}") and "the cycles give" in said
            for said in verify_run(record.folder).wrong
        )


def test_a_row_without_a_cycle_is_found(rec, tmp_path):
    """A row of the log at a moment between two cycles is named."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    cin, before, command, after = loop.cycle()
    record.add_cycle(cin, before, command, after)
    row = log_row(rec.utc_ms, cin, command, after, 3_000)
    record.add_log(replace(row, now_ms=row.now_ms - 300))
    assert writer.commit()
    assert "log.csv:3: row 2: no cycle was at 0.700 s" in verify_run(record.folder).wrong


def test_events_that_a_crash_kept_from_the_disk_are_noted(rec, tmp_path):
    """Cycles are written before rows: what the last moments before a crash decided may lack its row, which is said."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    record.add_cycle(*loop.cycle(Order("o8", "note", "A01", "anna", ("technician",), {"text": "all well"})))
    assert writer.commit()
    verdict = verify_run(record.folder)
    assert verdict.wrong == []
    assert (
        "events.csv: order note of 1.000 s and 1 more event are missing: the cycles go on to 0:00:01" in verdict.notes
    )


def test_a_forged_state_is_found(rec, tmp_path):
    """A block that begins from another state than its cycles led to, without interruption, is named with the field."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 9)
    cin, before, command, after = loop.cycle()
    forged = replace(before, run=replace(before.run, step_time_ms=before.run.step_time_ms + 1_000))
    record.add_cycle(cin, forged, command, after)
    record.close({})
    assert writer.commit()
    found = verify_run(record.folder)
    assert any(said.startswith("decisions: cycle 10: begins from a state") for said in found.wrong)
    assert any(
        f"run.step_time_ms is {forged.run.step_time_ms}, not {before.run.step_time_ms}" in s for s in found.wrong
    )


def test_an_order_of_the_bath_is_no_forgery(rec, tmp_path):
    """Whoever takes over hears all shelved alarms: that changes a circuit beside its own decisions, and holds."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 5)
    circuit = replace(loop.state.circuits[0], alarms=(SHELVED,))
    loop.state = replace(loop.state, circuits=(circuit,))
    rec.record_cycle(record, loop, 1, loop.cycle())
    rec.record_cycle(record, loop, 2, loop.cycle(Order("o8", "take-over", "A", "bert", ("technician",))))
    rec.drive(record, loop, 5)
    assert writer.commit()
    told = (record.folder / "events.csv").read_text()
    verdict = verify_run(record.folder)
    assert "probe_part:unshelved" in told
    assert verdict.wrong == []
    assert verdict.restarts >= 1


def test_the_recorder_keeps_what_an_order_of_the_bath_changed(rec, tmp_path):
    """The service's recorder: the circuit that decided after the bath's order is the one that stands in the record."""
    sources = Sources(Text("a.toml", "x\n"), {"A01": Text("m.toml", "y\n")}, {})
    writer = Writer()
    recorder = Recorder(rec.settings, sources, tmp_path, 10_000, writer, by_count=False)
    loop = rec.Loop()
    orders = {0: loop.start_order(), 8: Order("o8", "take-over", "A", "bert", ("technician",))}
    for number in range(20):
        if number == 7:
            circuit = replace(loop.state.circuits[0], alarms=(SHELVED,))
            loop.state = replace(loop.state, circuits=(circuit,))
        before = loop.state
        loop.cycle(*([orders[number]] if number in orders else []))
        profile = rec.start().profile
        recorder.cycle(before, loop.out, loop.state, rec.utc_ms + loop.now_ms, {profile.sha256: profile})
    (folder,) = recorder.folders().values()
    recorder.end_all()
    assert writer.commit()
    verdict = verify_run(tmp_path / folder)
    assert "probe_part:unshelved" in (tmp_path / folder / "events.csv").read_text()
    assert verdict.wrong == []


@pytest.fixture
def running(rec):
    """A circuit in mid-run."""
    loop = rec.Loop()
    loop.cycle(loop.start_order())
    return loop.cycle()[3]


def test_what_explains_another_state(running):
    """The bath's orders, the service's end and its beginning change what they may, and nothing else is explained."""
    held = interrupted(running, Cause.HOLD, "service_ending", running.now_ms)
    assert seam(running, replace(running, alarms=(SHELVED,), revision=9)) is Seam.BATH_ORDER
    assert seam(running, replace(running, resume_for="hydrogen_trip")) is Seam.BATH_ORDER
    assert seam(running, held) is Seam.SERVICE_ENDED
    assert seam(running, restarted(running)) is Seam.RESTART
    assert seam(running, replace(restarted(running), out_of_use="no")) is Seam.UNKNOWN
    assert seam(running, replace(held, hot_C=1.0)) is Seam.UNKNOWN
    assert seam(running, replace(running, blocked_by="anna")) is Seam.UNKNOWN
    assert seam(replace(running, state=State.IDLE), held) is Seam.UNKNOWN


def test_a_difference_is_named_by_its_innermost_field(running):
    """Of two states the first innermost field that differs is named, with both values."""
    one, other = (
        replace(running, run=replace(running.run, counters=replace(running.run.counters, charge_Ah=charge_Ah)))
        for charge_Ah in (1.0, 7.0)
    )
    assert first_difference(one, other) == "run.counters.charge_Ah is 7.0, not 1.0"
    assert first_difference(CircuitState("A01"), CircuitState("A02")) == "name is 'A02', not 'A01'"


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (State.RUNNING, "running"), (Reaction.HOLD, "hold"), (None, "None"), ("x", "'x'"),
        ((State.HELD, Reaction.TRIP), "('held', trip)"), ("y" * 99, f"'{'y' * 56}..."),
    ],
)  # fmt: skip
def test_values_are_told_in_words(value, told):
    """What a record calls it, never what the program does."""
    assert shown(value) == told


READING = Order("o9", "reading", "A01", "anna", ("technician",),
                {"what": "density", "position": 3, "value": 1.281, "unit": "kg/L", "temperature_C": 25.0,
                 "taken_minutes_ago": 5.0, "instrument": "hydrometer 2"})  # fmt: skip


def with_reading(tmp_path, version, *changes):
    """A closed run with a reading by hand, whose row's words were changed by the recipe."""
    run = shortkit.ShortRun(tmp_path, Random(1), version=version)
    for _ in range(20):
        run.cycle()
    run.cycle(READING)
    place = in_memory(run.end())
    assert b"density of battery 3 1.281 kg/L at 25.0 C" in place.files["events.csv"]
    data = place.files["events.csv"]
    for one, other in changes:
        assert one in data
        data = data.replace(one, other)
    lines = data.decode().splitlines()
    value = chain.start(lines[0], place.files["run.json"])
    out = lines[:1]
    for text in (line.rpartition(",")[0] for line in lines[1:]):
        value = chain.link(value, text)
        out.append(f"{text},{value}")
    return resealed(place.with_file("events.csv", ("\n".join(out) + "\n").encode()))


def of_events(place):
    return [said for said in verify_place(place).wrong if said.startswith("events.csv")]


@pytest.mark.parametrize(
    ("one", "other", "name"),
    [
        (b"battery 3", b"battery 4", "position"), (b"at 25.0 C", b"at 35.0 C", "temperature_C"),
        (b"5.0 min before", b"50.0 min before", "taken_ms"), (b"hydrometer 2", b"hydrometer 3", "instrument"),
        (b"density of", b"voltage of", "what"), (b"density of battery", b"nothing of", "text"),
    ],
)  # fmt: skip
def test_what_a_reading_says_in_words_is_held_against_its_order(tmp_path, one, other, name):
    """Where it was read, how warm, when and with what stand in the words alone; whatever version wrote them."""
    for version in ("test", VERSION):
        place = tmp_path / version
        place.mkdir()
        assert of_events(with_reading(place, version)) == []
        for path in list(place.iterdir()):
            shutil.rmtree(path)
        (said,) = of_events(with_reading(place, version, (one, other)))
        wanted = f"{name} of the reading is not that of the order" if version == "test" else "text is "
        assert wanted in said


def test_words_are_compared_where_this_build_wrote_them(tmp_path):
    """Another version, or another README.txt, may have put them otherwise."""
    change = (b"start by anna", b"begun by anna")
    for number, version in enumerate(("test", VERSION)):
        place = with_reading(tmp_path / str(number), version, change)
        wrong = of_events(place)
        assert len(wrong) == number
        assert not wrong or "text is 'begun by anna', the cycles give 'start by anna'" in wrong[0]
        other = place.with_file("README.txt", b"older words")
        older = resealed(other, readme_sha256=sha256(b"older words").hexdigest())
        assert of_events(older) == []


def test_rows_of_a_restart_are_explained():
    """What the service itself says as it ends, and what an order of the bath did to shelves, needs no cycle."""
    rows = [
        {**cells_of(Event("held", "A01", data={"cause": "service_ending"})), "elapsed_s": "1.000"},
        {**cells_of(Event("probe_part", "A01", EventKind.ALARM, {"life": "unshelved"})), "elapsed_s": "2.000"},
    ]
    check = EventCheck("A01", 0, rows)
    check.decided(1_000, (), Seam.SERVICE_ENDED)
    check.decided(2_000, (), Seam.BATH_ORDER)
    assert check.wrong == []
    check = EventCheck("A01", 0, rows)
    check.decided(1_000, (), Seam.RESTART)
    check.decided(2_000, (), None)
    assert len(check.wrong) == 2


def test_rows_in_a_silence_are_not_asked_for_a_cycle():
    """Where no cycle was, and none was expected, a row cannot be held against one."""
    row = {**cells_of(Event("resumed_by_rule", "A01")), "elapsed_s": "5.000"}
    for silences, wrong in ((((1_000, 9_000),), 0), ((), 1)):
        check = EventCheck("A01", 0, [row])
        check.decided(1_000, (), None)
        check.decided(9_000, (), None)
        assert check.finish(silences, 9_000) == []
        assert (len(check.apart), check.without_cycle()) == (wrong, {5_000})


def test_a_missing_event_is_only_noted_where_nothing_was_written_behind_it():
    """An event lost in mid-run is wrong even before an interruption, if rows of later moments were written."""
    later = {**cells_of(Event("held", "A01")), "elapsed_s": "2.000"}
    for rows, wrong in (([], 0), ([later], 1)):
        check = EventCheck("A01", 0, rows)
        check.decided(1_000, (Event("gap", "A01"),), None)
        check.decided(2_000, (Event("held", "A01"),) if rows else (), None)
        notes = check.finish([(3_000, 99_000)], 99_000)
        assert (len(check.lacking), check.missing, len(notes)) == (wrong, wrong, 1 - wrong)


@pytest.mark.parametrize("is_open", [True, False])
def test_what_a_crash_may_have_kept_from_the_disk_has_a_bound(is_open):
    """A minute before an interruption, or before the end of an open record, is a note; what lacks longer is wrong."""
    silences = () if is_open else ((70_000, 99_000),)
    for first_ms, wrong in ((10_000, 0), (9_999, 1)):
        check = EventCheck("A01", 0, [])
        check.decided(first_ms, (Event("gap", "A01"),), None)
        check.decided(70_000, (Event("held", "A01"), Event("zero_read", "A01")), None)
        notes = check.finish(silences, 70_000 if is_open else 99_000, Bounds(is_open=is_open))
        behind = "s and 2 more events are missing: the cycles go on to 0:01:10"
        told = [f"events.csv: event gap of {first_ms / 1000:.3f} {behind}"]
        assert (check.missing, check.lacking, notes) == (3 * wrong, told * wrong, told * (1 - wrong))


def test_a_gap_is_told_at_its_end():
    """A row of a gap in the midst of a silence is nobody's: the first cycle behind it tells."""
    check = EventCheck("A01", 0, [{**cells_of(Event("gap", "A01")), "elapsed_s": "5.000"}])
    check.decided(1_000, (), None)
    check.decided(9_000, (), None)
    assert check.finish(((1_000, 9_000),), 9_000) == []
    assert check.wrong == ["events.csv:2: row 1: gap: stands within a silence, a gap is told at its end"]


def test_what_lacks_at_a_cut_end_is_one_line():
    """Eighteen events behind a cut are one finding, with how many, and never a word of why."""
    check = EventCheck("A01", 0, [])
    for number in range(18):
        check.decided(1_000 * number, (Event("gap", "A01"),), None)
    check.decided(80_000_000, (), None)
    assert check.finish((), 80_000_000, Bounds(is_open=True)) == []
    assert check.lacking == [
        "events.csv: event gap of 0.000 s and 17 more events are missing: the cycles go on to 22:13:20"
    ]


def test_all_events_of_the_core_are_known():
    """Every code that the core's source gives an event of a circuit is known to verify; a bath's own are not."""
    known = set()
    for path in Path(controller.core.__file__).parent.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "Event" and len(call.args) == 2:
                code = call.args[0]
                if isinstance(code, ast.Constant):
                    known.add(code.value)
    assert known <= CORE_EVENTS
    assert CORE_EVENTS - known == {"held", "tripped"}
