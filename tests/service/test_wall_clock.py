"""The wall clock is set, in mid-run and while nobody was there: it is said, and no duration and no charge changes."""

from __future__ import annotations

import asyncio
import time
from itertools import pairwise

import pytest
from leftkit import NAMES, PERIOD_MS, UTC_MS, Hall, Plant, in_memory, rows

from controller.core.types import State
from controller.records.reader import read_run
from controller.records.rows import parse_time, time_utc
from controller.service.clock import BOOT_ID, boot_mark, wall_moved_ms
from controller.verify.runfolder import verify_run

HOUR_MS = 3_600_000
YEAR_1970_MS = -UTC_MS
FAR_MS = 8_000 * 365 * 24 * HOUR_MS  # beyond the year 9999
BEFORE_1970_MS = -3 * UTC_MS
MOVES = (HOUR_MS, -HOUR_MS, YEAR_1970_MS, FAR_MS, BEFORE_1970_MS, 2_001, -2_001)
COUNTED = ("elapsed_s", "charge_Ah", "energy_Wh", "set_current_A", "step", "state")


async def recorded(place, moved_ms=0):
    """A run of 40 cycles with the wall clock set in the midst of it; its folder, and the hall, ended."""
    hall = await Hall(place).running()
    await hall.cycles(12)
    hall.plant.moved_ms += moved_ms
    await hall.cycles(12)
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    hall.end()
    return hall


def run_of(hall):
    """The folder of the run on A01."""
    (folder,) = (path for path in hall.folders() if "-A-A01-" in path.name)
    return folder


def counted(folder):
    return [[row[name] for name in COUNTED] for row in rows(folder / "log.csv")]


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture(scope="module")
def never_set(tmp_path_factory):
    """The same run under a clock that nobody sets."""
    return asyncio.run(recorded(tmp_path_factory.mktemp("plain")))


@pytest.mark.parametrize("moved_ms", MOVES)
async def test_set_in_mid_run_nothing_counted_changes(never_set, tmp_path, moved_ms):
    """An hour, 1970, beyond every calendar: rows count the same, the step is said once in each record."""
    plain, moved = never_set, await recorded(tmp_path, moved_ms)
    assert counted(run_of(moved)) == counted(run_of(plain))
    assert len(counted(run_of(moved))) > 25
    assert plain.bath_events("clock_step") == []
    said = [*moved.bath_events("clock_step"), *(row for path in moved.folders() for row in rows(path / "events.csv"))]
    said = [row for row in said if row["code"] == "clock_step"]
    assert sorted(row["target"] for row in said) == ["A", *NAMES]
    assert {row["text"].partition(" by ")[2].partition(" s;")[0] for row in said} == {f"{moved_ms / 1000:.0f}"}
    one, other = (verify_run(run_of(hall)) for hall in (plain, moved))
    assert one.wrong == other.wrong
    assert (one.same, one.cycles, one.charge_Ah) == (other.same, other.cycles, other.charge_Ah)
    assert other.gap_s == []
    assert read_run(run_of(moved)).problems == ()


async def test_rows_tell_the_time_that_the_wall_told(tmp_path):
    """Set back by an hour: two rows tell the same time, elapsed time tells them apart; months get their own files."""
    hall = await recorded(tmp_path, -31 * 24 * HOUR_MS)
    times = [parse_time(row["time_utc"]) for row in rows(run_of(hall) / "log.csv")]
    back = [later - sooner for sooner, later in pairwise(times) if later < sooner]
    assert back == [PERIOD_MS - 31 * 24 * HOUR_MS]
    names = sorted(path.name for path in (tmp_path / "A").glob("events-*.csv"))
    assert names == ["events-202602.csv", "events-202603.csv"]
    assert {row["time_utc"][:7] for row in rows(tmp_path / "A" / "events-202602.csv")} == {"2026-02"}


@pytest.mark.parametrize(("moved_ms", "name"), [
    (YEAR_1970_MS, "events-197001.csv"), (FAR_MS, "events-999912.csv"), (BEFORE_1970_MS, "events-185708.csv"),
    (-(10**15), "events-000101.csv"),
])  # fmt: skip
async def test_a_clock_that_was_never_set(tmp_path, moved_ms, name):
    """A whole run in 1970, before it, or beyond the last year: files have names, and it is read back like any other."""
    plant = Plant()
    plant.moved_ms = moved_ms
    hall = await Hall(tmp_path, plant).running()
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    hall.end()
    assert [path.name for path in (tmp_path / "A").glob("events-*.csv")] == [name]
    assert run_of(hall).name.startswith(name[7:13])
    assert read_run(run_of(hall)).problems == ()
    again = Hall(tmp_path, plant)
    assert again.left.records.keys() == {"A02"}
    again.end()


@pytest.mark.parametrize(("moved_ms", "known"), [
    (0, True), (HOUR_MS, False), (-HOUR_MS, False), (YEAR_1970_MS, False), (FAR_MS, False), (-(10**15), False),
])  # fmt: skip
async def test_set_while_nobody_was_there(tmp_path, moved_ms, known):
    """The machine ran on, so its boot clock tells: the gap is not known, a step is said, only an order resumes."""
    hall = await Hall(tmp_path).running()
    await hall.cycles(10)
    assert hall.writer.commit()
    before = hall.circuit("A01")
    hall.plant.moved_ms += moved_ms
    hall.away(600)
    left = hall.begin()
    assert left.now_ms == before.now_ms
    assert (hall.begun.begin_ms - before.now_ms) == (600_000 if known else 3_001)
    assert hall.begun.away.away_ms == (600_000 if known else None)
    await hall.cycles(20)
    after = hall.circuit("A01")
    assert after.state is State.HELD
    assert after.run.counters.charge_Ah == before.run.counters.charge_Ah
    assert all(command.set_current_A == 0.0 for command in hall.plant.held)
    assert (await hall.order("resume", "A01", {"reason": "looked at it"})).accepted
    await hall.cycles(4)
    assert hall.circuit("A01").state is State.RUNNING
    hall.end()
    steps = [row for path in hall.folders() for row in rows(path / "events.csv") if row["code"] == "clock_step"]
    assert len(steps) == (0 if known else 2)
    assert len(hall.bath_events("clock_step")) == (0 if known else 1)
    unknown = [row for row in hall.bath_events("notice") if row["text"].endswith("is not known")]
    assert len(unknown) == (0 if known else 1)
    assert [row["code"] for row in rows(run_of(hall) / "events.csv")].count("gap") == 1
    found = read_run(run_of(hall))
    assert found.problems == ()
    assert found.log.numbers("elapsed_s") == sorted(found.log.numbers("elapsed_s"))


@pytest.mark.parametrize(
    ("moved_ms", "away_ms"), [(HOUR_MS, HOUR_MS + 600_000), (-HOUR_MS, None), (YEAR_1970_MS, None)]
)
async def test_after_a_reboot_only_the_wall_clock_is_left(tmp_path, moved_ms, away_ms):
    """Set forward by an hour nobody can tell; behind the last row, or a week before it, the gap is not known."""
    hall = await Hall(tmp_path).running()
    assert hall.writer.commit()
    hall.plant.moved_ms += moved_ms
    hall.plant.boot = "another boot"
    hall.away(600)
    hall.begin()
    assert hall.begun.away.away_ms == away_ms
    assert not [event for event in hall.begun.told if event.code == "clock_step"]
    hall.end()


async def test_a_step_of_its_own_is_none_of_the_next_service(tmp_path):
    """Set in mid-run and said; the service is killed later, and the gap to the next one is known."""
    hall = await Hall(tmp_path).running()
    hall.plant.moved_ms += HOUR_MS
    await hall.cycles(2)
    assert hall.writer.commit()
    hall.away(60)
    hall.begin()
    assert hall.begun.away.away_ms == 60_000
    assert not [event for event in hall.begun.told if event.code == "clock_step"]
    hall.end()


async def test_summer_time_does_not_exist_inside(tmp_path, monkeypatch):
    """The machine's zone changes to summer time in mid-run: the same bytes as in a zone without."""
    trees = []
    for zone in ("UTC", "Europe/Berlin"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        plant = Plant(parse_time("2026-03-29T00:59:50.000Z"))  # summer time begins at 01:00 UTC
        hall = await Hall(tmp_path / zone.partition("/")[0], plant).running()
        await hall.cycles(20)
        hall.end()
        trees.append({path.name: path.read_bytes() for path in run_of(hall).iterdir()})
    monkeypatch.undo()
    time.tzset()
    assert trees[0] == trees[1]
    assert b"2026-03-29T01:00:0" in trees[0]["log.csv"]


def test_times_no_date_can_say_become_the_nearest():
    """The years 1 to 9999 are exact to the millisecond; what is beyond them ends no cycle."""
    assert time_utc(UTC_MS + 7) == "2026-03-16T06:00:00.007Z"
    assert time_utc(-1) == "1969-12-31T23:59:59.999Z"
    assert time_utc(-62_135_596_800_001) == time_utc(-62_135_596_800_000) == "0001-01-01T00:00:00.000Z"
    assert time_utc(253_402_300_800_000) == time_utc(253_402_300_799_999) == "9999-12-31T23:59:59.999Z"


MARK = {"id": "x", "boot_ms": 1_000_000, "wall_less_boot_ms": 5_000_000}


@pytest.mark.parametrize(("now", "moved_ms"), [
    ({}, 0), ({"wall_less_boot_ms": 5_002_000}, 0), ({"wall_less_boot_ms": 5_002_001}, 2_001),
    ({"wall_less_boot_ms": 4_997_999}, -2_001), ({"id": "y", "wall_less_boot_ms": 9}, 0),
    # Over a day a time service may have let it run fast by 43 s.
    ({"boot_ms": 87_400_000, "wall_less_boot_ms": 5_045_200}, 0),
    ({"boot_ms": 87_400_000, "wall_less_boot_ms": 5_045_201}, 45_201),
])  # fmt: skip
def test_how_far_a_wall_clock_was_set(now, moved_ms):
    """Against the boot clock, where the machine has run on; a clock that is only a little off was not set."""
    assert wall_moved_ms(MARK, {**MARK, **now}) == moved_ms


@pytest.mark.parametrize(
    "kept", [None, 5, {}, {"id": "x"}, {**MARK, "boot_ms": "1"}, {**MARK, "wall_less_boot_ms": 1.5}]
)
def test_a_mark_that_cannot_be_read_tells_nothing(kept):
    """A state.json of an older version, or a damaged one; nor does a machine whose lives cannot be told apart."""
    assert wall_moved_ms(kept, {**MARK, "wall_less_boot_ms": 0}) == 0
    assert wall_moved_ms({**MARK, "id": ""}, {**MARK, "id": "", "wall_less_boot_ms": 0}) == 0


def test_this_machine_s_clocks():
    """Two marks in a row agree, and name this life of the machine where the system tells it."""
    first, second = boot_mark(), boot_mark()
    assert wall_moved_ms(first, second) == 0
    assert first["boot_ms"] <= second["boot_ms"]
    assert bool(first["id"]) == BOOT_ID.exists()
