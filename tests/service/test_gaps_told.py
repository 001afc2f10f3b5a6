"""What a record tells of the time without a service: its true length, or that nobody knows it; and what it counted."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from leftkit import PERIOD_MS, SETTINGS, Hall, in_memory, rows

from controller.core.types import ALL_OFF, State, Value
from controller.records.rows import parse_time
from controller.service import clock, counted, keeping
from controller.service.clock import RealClock
from controller.service.counted import Counted
from controller.service.keeping import SURE_MS, first_cycle_ms
from controller.verify.runfolder import verify_run

HOUR_MS = 3_600_000
DAY_S = 24 * 3_600


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


async def running(place):
    """A hall with one run, some cycles of it on the disk."""
    hall = await Hall(place).running(("A01",))
    await hall.cycles(5)
    assert hall.writer.commit()
    return hall


async def closed(hall):
    """Stop the run and close its record; return its folder and what summary.json says."""
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    hall.end()
    (folder,) = hall.folders()
    return folder, json.loads((folder / "summary.json").read_bytes())


def gaps(folder):
    """Code, value, words of all rows that tell of a gap."""
    return [
        (row["code"], row["value"], row["text"]) for row in rows(folder / "events.csv") if row["code"].startswith("gap")
    ]


UNKNOWN = [
    ("gap", "", "nothing was read for a time that is not known; nothing is counted for it"),
    ("gap_unknown", "", "how long nothing was read is not known: elapsed time and duration hold 4 s for it"),
]


@pytest.mark.parametrize(("boot", "away_s", "moved_ms"), [
    ("another boot", 8 * DAY_S, 0), ("another boot", 60, -HOUR_MS), ("a boot", 60, HOUR_MS),
])  # fmt: skip
async def test_a_gap_of_unknown_length_is_told_as_one_in_the_run_itself(tmp_path, boot, away_s, moved_ms):
    """Eight days after a power cut, a clock behind the last row, one that was set: no number stands for what nobody
    knows, the summary counts it, and the record holds.
    """
    hall = await running(tmp_path)
    hall.plant.boot = boot
    hall.plant.moved_ms += moved_ms
    hall.away(away_s)
    hall.begin()
    await hall.cycles(3)
    folder, summary = await closed(hall)
    assert gaps(folder) == UNKNOWN
    assert summary["unknown_gaps"] == 1
    assert hall.recorder._gap_not_known == set()
    verdict = verify_run(folder)
    assert (verdict.wrong, verdict.same) == ([], verdict.cycles)


async def test_only_the_gap_of_the_restart_is_not_known(tmp_path):
    """A gap that comes later is told with its length, and a second restart goes on counting."""
    hall = await running(tmp_path)
    for boot in ("a second", "a third"):
        hall.plant.boot = boot
        hall.away(8 * DAY_S)
        hall.begin()
        await hall.cycles(3)
        hall.plant.passed_ms += 9_000
        await hall.cycles(2)
        assert hall.writer.commit()
    folder, summary = await closed(hall)
    later = ("gap", "", "nothing was read for 10 s; nothing is counted for it")
    assert gaps(folder) == [*UNKNOWN, later, *UNKNOWN, later]
    assert summary["unknown_gaps"] == 2


async def test_a_known_gap_is_told_as_it_was(tmp_path):
    """The clock agrees with the boot clock: seconds, and no gap of unknown length."""
    hall = await running(tmp_path)
    hall.away(60)
    hall.begin()
    await hall.cycles(3)
    folder, summary = await closed(hall)
    assert gaps(folder) == [("gap", "", "nothing was read for 61 s; nothing is counted for it")]
    assert summary["unknown_gaps"] == 0


async def test_a_gap_is_as_long_as_it_was_where_only_cycles_tell_of_the_last_moments(tmp_path):
    """Newer cycles than state.json, and no row that tells the wall time: the gap begins at the last cycle."""
    hall = await running(tmp_path)
    for name in ("log.csv", "events.csv"):
        (hall.folders()[0] / name).unlink()
    before = hall.circuit("A01").now_ms
    assert json.loads((tmp_path / "A" / "state.json").read_bytes())["now_ms"] < before
    hall.away(60)
    hall.begin()
    assert hall.begun.begin_ms - before == 60_000
    hall.end()


@pytest.mark.parametrize("away_ms", [0, 700, 1_999, 2_100, 3_001, 5_000])
async def test_quick_restarts_invent_no_time(tmp_path, away_ms):
    """Six times back within moments: the run lasted as long as the wall says, each gap is told and nothing counted."""
    hall = await running(tmp_path)
    for _ in range(6):
        before = hall.circuit("A01")
        hall.plant.passed_ms += away_ms
        hall.plant.held = [ALL_OFF] * 2
        hall.begin()
        since_ms = hall.plant.passed_ms - away_ms
        await hall.cycles(1)
        waited_ms = hall.plant.passed_ms - since_ms
        assert hall.circuit("A01").now_ms - before.now_ms == waited_ms
        assert waited_ms == max(away_ms + PERIOD_MS, SETTINGS.stale_ms + SURE_MS)
        assert hall.circuit("A01").run.counters.charge_Ah == before.run.counters.charge_Ah
        await hall.cycles(3)
        assert (await hall.order("resume", "A01", {"reason": "looked at it"})).accepted
        await hall.cycles(4)
        assert hall.circuit("A01").state is State.RUNNING
        assert hall.writer.commit()
    folder, summary = await closed(hall)
    wall_s = (parse_time(summary["end_utc"]) - parse_time(summary["start_utc"])) / 1000
    assert summary["duration_s"] == wall_s
    verdict = verify_run(folder)
    assert (verdict.wrong, verdict.stated_gaps, len(verdict.gap_s)) == ([], 6, 6)


def test_a_first_start_waits_for_nothing(tmp_path):
    """Nothing was left: there is no gap."""
    hall = Hall(tmp_path)
    assert (hall.begun.begin_ms, hall.begun.first_ms) == (0, 0)
    hall.end()


def test_the_first_cycle_comes_after_the_gap(monkeypatch):
    """A period after the beginning, and not before the moment that makes the restart a gap; then each period."""
    now_ms, slept = [5_000], []

    async def sleep(seconds):
        slept.append(seconds)
        now_ms[0] += round(seconds * 1000)

    monkeypatch.setattr(clock, "boot_ms", lambda: now_ms[0])
    monkeypatch.setattr(clock, "asyncio", SimpleNamespace(sleep=sleep))

    def moments(first_ms):
        each, found = RealClock(1_000, 70_000, first_ms), []
        for _ in range(2):
            with pytest.raises(StopIteration) as done:
                each.next_cycle().send(None)
            found.append(done.value.value)
        return found

    assert moments(0) == moments(71_000) == [71_000, 72_000]
    assert moments(72_520) == [72_520, 73_520]
    assert slept == [1.0, 1.0, 1.0, 1.0, 2.52, 1.0]
    assert first_cycle_ms(10_000, 3_000) == 13_000 + keeping.SURE_MS > 13_001


async def test_trips_before_a_restart_count(tmp_path):
    """One trip, the service killed, begun again: the summary tells of it, with those that come later."""
    hall = await running(tmp_path)
    whole = hall.plant._channel
    for _ in range(2):
        hall.plant._channel = lambda command: replace(whole(command), fault_code=Value(3.0))
        await hall.cycles(3)
        hall.plant._channel = whole
        await hall.cycles(3)
        assert hall.circuit("A01").state is State.TRIPPED
        assert hall.writer.commit()
        hall.away(60)
        hall.begin()
        await hall.cycles(3)
        for verb in ("acknowledge", "reset"):
            answer = await hall.order(verb, "A01", {"reason": "looked at it"})
            assert answer.accepted, answer.text
    folder, summary = await closed(hall)
    codes = [row["code"] for row in rows(folder / "events.csv")]
    assert codes.count("rectifier_fault:new") == summary["trips"] == 2


def row_of(kind, code):
    """A row of events.csv as far as it is looked at."""
    return f'2026-03-16T06:00:00.000Z,1.000,,{kind},"{code}",A01,,,,,,,text,0123456789abcdef\n'


@pytest.mark.parametrize(("kind", "code", "found"), [
    ("alarm", "rectifier_fault:new", Counted(1)), ("alarm", "rectifier_fault:new silent", Counted(1)),
    ("alarm", "rectifier_fault:gone", Counted()), ("alarm", "probe_hold:new", Counted()),
    ("alarm", "emergency_stop:new", Counted(1)), ("event", "rectifier_fault:new", Counted()),
    ("event", "gap_unknown", Counted(0, 1)), ("alarm", "gap_unknown", Counted()), ("event", "gap", Counted()),
])  # fmt: skip
def test_what_a_row_counts_for(tmp_path, kind, code, found):
    """Alarms of laws that trip as they come, also the bath's; gaps of unknown length by the row that says so."""
    header = "time_utc,elapsed_s,id,kind,code,target,who,role,priority,value,limit,unit,text,chain\n"
    (tmp_path / "events.csv").write_text(header + row_of(kind, code))
    assert counted.counted(tmp_path) == found


@pytest.mark.parametrize("content", [None, b"", b"\xff\n\xff\n", b"a,b\n1,2\n", b"kind,code\nalarm\n"])
def test_events_that_cannot_be_read_count_nothing(tmp_path, content):
    """The service starts all the same."""
    if content is not None:
        (tmp_path / "events.csv").write_bytes(content)
    assert counted.counted(tmp_path) == counted.counted(tmp_path / "none") == Counted()
