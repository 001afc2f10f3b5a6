"""Every file of a record cut at any byte, ended in zeros or in rubbish: whole rows stay, ends are cut and said.

What stood in front of the damage is never touched, what is damaged in the middle stays byte by byte and is said again
by each later look, and nothing is completed by guessing.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from random import Random

import pytest
from cutkit import in_memory
from killkit import Made

from controller.records import run as run_module
from controller.records.errors import RecordError
from controller.records.frames import FILE_HEAD
from controller.records.reader import TABLES, read_cycles, read_run, read_table
from controller.records.resume import resume_run, since_last_state
from controller.records.writer import Writer

LONG = bool(os.environ.get("FORMBATH_LONG"))
CYCLES = 150
ALONE = "what it counted is in these rows alone"
BLOCK_CYCLES = 40
TAILS = (bytes(1), bytes(512), bytes(4096), b"\xff" * 700, b",,,,", b'"', Random(1).randbytes(900).replace(b"\n", b"."))
BATTERY = ["K1", "P1", "", 12.79, 14.0, 1.282, 25.0, "ok", "pass", "", 'a word, and "more"']


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture(scope="module")
def made():
    """What is recorded."""
    return Made(CYCLES)


@pytest.fixture(scope="module")
def torn_off(rec, made, tmp_path_factory):
    """A record killed in mid-run: three blocks, a tail of several commits, batteries; nothing of it unfinished."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run_module, "BLOCK_CYCLES", BLOCK_CYCLES)
        writer = Writer()
        start = rec.start(made.first_ms, 1e9)
        record = run_module.RunRecord.create(tmp_path_factory.mktemp("torn"), start, writer)
        for number in range(CYCLES):
            made.record(record, number)
            if number % 7 == 6 and number < CYCLES - 5:
                assert writer.commit()
        for position in range(1, 41):
            record.add_later("batteries.csv", [position, *BATTERY])
        assert writer.commit()
    return record.folder


@pytest.fixture(scope="module")
def closed(kept_run):
    """A record that was closed."""
    return kept_run


def points(size):
    """Where to cut: each of the last 10 kB in the long form; else each of the last 60 and some before."""
    first = max(0, size - 10_000)
    return range(first, size) if LONG else sorted({*range(max(0, size - 60), size), *range(first, size, 311)})


def table_points(size):
    """The same for tables, which are read faster."""
    first = max(0, size - 10_000)
    return range(first, size) if LONG else sorted({*range(max(0, size - 300), size), *range(first, size, 37)})


def few(size):
    """Some of them, where each costs a folder."""
    return sorted(
        {0, 5, size - 1, *(size - 1 - each for each in Random(size).sample(range(1, min(size - 6, 10_000)), 5))}
    )


def damaged(whole, at):
    """Cut there; zeros from there on; cut there with something else behind it."""
    yield whole[:at], whole[:at]
    yield whole[:at] + bytes(len(whole) - at), whole[:at]
    yield whole[:at] + TAILS[at % len(TAILS)], whole[:at]


@pytest.mark.parametrize("name", ["log.csv", "events.csv", "batteries.csv"])
def test_a_table_keeps_its_whole_rows(torn_off, name):
    """Behind the last whole row everything is cut and counted; every row in front of it is given, its chain whole."""
    whole, run_json = (torn_off / name).read_bytes(), (torn_off / "run.json").read_bytes()
    every = read_table(name, whole, TABLES[name], run_json)
    assert every.problems == ()
    for at in table_points(len(whole)):
        for data, sound in damaged(whole, at):
            found = read_table(name, data, TABLES[name], run_json)
            kept = sound.rfind(b"\n") + 1
            assert (found.whole_bytes, found.cut_bytes) == (kept, len(data) - kept)
            assert found.lines == every.lines[: max(0, sound.count(b"\n") - 1)]
            assert found.walked.wrong_row is None
            if len(data) > kept > 0:
                row = len(found.lines) + 1
                assert found.problems == (
                    f"{name}: row {row} is unfinished: the last {len(data) - kept} bytes are left out",
                )
            elif kept:
                assert found.problems == ()


@pytest.mark.parametrize("name", ["cycles.bin", "cycles.tail"])
def test_cycles_keep_their_whole_blocks(torn_off, name):
    """Whole blocks are given, undecoded ends are cut and said; damage further in front is no unfinished end."""
    files = {each: (torn_off / each).read_bytes() for each in ("cycles.bin", "cycles.tail")}
    every = read_cycles(files["cycles.bin"], files["cycles.tail"] if name == "cycles.tail" else b"")
    assert (every.problems, every.next_cycle) == ((), CYCLES if name == "cycles.tail" else 3 * BLOCK_CYCLES)
    begin = every.in_bin if name == "cycles.tail" else 0
    ends = [frame.end for frame in every.frames[begin:]]
    for at in table_points(len(files[name])):
        for data, sound in damaged(files[name], at):
            tail = data if name == "cycles.tail" else b""
            found = read_cycles(data if name == "cycles.bin" else files["cycles.bin"], tail)
            number = sum(end <= len(sound) for end in ends)
            assert found.frames == every.frames[: begin + number]
            whole_end = ends[number - 1] if number else len(FILE_HEAD)
            # Rubbish in the very first line is no unfinished end, however short the file is.
            rubbish = len(sound) < len(FILE_HEAD) and data.rstrip(b"\0") != sound
            assert bool(found.damage) == rubbish
            assert all(said.startswith(name) for said in found.problems)
            if len(data) > whole_end:
                assert len(found.problems) == 1 + rubbish
            else:
                begun = len(data) < len(FILE_HEAD) and bool(data) | (name == "cycles.bin")
                assert len(found.torn) == (begun and not rubbish)


@pytest.mark.parametrize("name", ["log.csv", "events.csv", "batteries.csv", "cycles.bin", "cycles.tail"])
def test_opened_again_only_the_end_is_gone(torn_off, made, tmp_path, name):
    """Resumed and gone on with: what was whole is the beginning of what then stands there, and the rest was said."""
    whole = (torn_off / name).read_bytes()
    for at in points(len(whole)) if LONG else few(len(whole)):
        for data, sound in damaged(whole, at):
            folder = Path(shutil.copytree(torn_off, tmp_path / "copy" / torn_off.name))
            (folder / name).write_bytes(data)
            if name == "cycles.bin":
                (folder / "cycles.tail").unlink()  # it is begun anew only when the block is safe
            goes_on(folder, made, name, data, sound)
            shutil.rmtree(folder.parent)


def goes_on(folder, made, name, data, sound):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    found = read_run(folder)
    writer = Writer()
    resumed = resume_run(folder, writer)
    number = made.counted(found)
    assert resumed.state == made.state_after(number)
    first_line = ["does not begin with" in said for said in resumed.problems]
    behind = [said for said in resumed.problems if "its cycle is lost" in said]
    assert (len(resumed.problems), bool(behind)) == (len(behind) + sum(first_line), number < CYCLES)
    assert bool(resumed.cut) == (unfinished(name, data, sound) > 0)
    for cycle in range(number, min(number + 3, CYCLES)):
        made.record(resumed.record, cycle)
    assert writer.commit(), writer.trouble
    writer.close()
    for other, bytes_before in before.items():
        if other not in (name, "cycles.tail", "cycles.bin"):
            assert (folder / other).read_bytes().startswith(bytes_before)
    if name.endswith(".csv"):
        header = TABLES[name].encode() + b"\n"
        kept = sound[: sound.rfind(b"\n") + 1]
        if kept or name != "batteries.csv":
            assert (folder / name).read_bytes().startswith(kept or header)
    again = read_run(folder)
    assert all(said in found.problems for said in again.problems)
    assert again.problems == () or any(first_line) or not kept_of(name, sound)
    assert made.counted(again) >= number


def kept_of(name, sound):
    """Whether anything whole was left of a table that is not begun anew by itself."""
    return name != "batteries.csv" or b"\n" in sound


def unfinished(name, data, sound):
    """Bytes behind what is whole."""
    if name.endswith(".csv"):
        return len(data) - (sound.rfind(b"\n") + 1)
    found = read_cycles(data) if name == "cycles.bin" else read_cycles(FILE_HEAD, data)
    return len(found.torn)


def test_damage_in_the_tail_goes_into_the_record_as_it_is(torn_off, tmp_path):
    """A block of the tail that was changed is not left out when its neighbours move: its cycles stay missing, said."""
    folder = Path(shutil.copytree(torn_off, tmp_path / torn_off.name))
    store = read_run(folder).cycles
    first, second, *_ = store.frames[store.in_bin :]
    tail = bytearray((folder / "cycles.tail").read_bytes())
    tail[second.end - 3] ^= 1
    (folder / "cycles.tail").write_bytes(tail)
    writer = Writer()
    resumed = resume_run(folder, writer)
    lost = f"cycles {second.first} to {second.first + second.count - 1} are missing"
    assert lost in resumed.problems
    assert resumed.state is None  # what the lost cycles did is not guessed
    assert writer.commit()
    writer.close()
    moved = (folder / "cycles.bin").read_bytes()
    assert moved == (torn_off / "cycles.bin").read_bytes() + bytes(tail[len(FILE_HEAD) :])
    again = read_run(folder).cycles
    assert lost in again.damage
    assert again.next_cycle == CYCLES
    assert not (folder / "cycles.tail").exists()
    assert first.first == 3 * BLOCK_CYCLES


def test_a_tail_that_is_half_in_the_blocks_is_taken_from_there_on(torn_off, made, tmp_path):
    """Old blocks in front of new ones, as a power cut may mix them: no cycle is there twice."""
    folder = Path(shutil.copytree(torn_off, tmp_path / torn_off.name))
    held, tail = (folder / "cycles.bin").read_bytes(), (folder / "cycles.tail").read_bytes()
    store = read_cycles(held)
    old = held[store.frames[-1].offset :]
    (folder / "cycles.tail").write_bytes(FILE_HEAD + old + tail[len(FILE_HEAD) :])
    writer = Writer()
    resumed = resume_run(folder, writer)
    assert (resumed.problems, resumed.state) == ((), made.state_after(CYCLES))
    assert writer.commit()
    writer.close()
    assert (folder / "cycles.bin").read_bytes() == held + tail[len(FILE_HEAD) :]
    assert made.counted(read_run(folder)) == CYCLES


def test_only_what_follows_the_last_state_is_decoded(torn_off):
    """However long a run is, opening it takes as long as its last block; without any state all of it is looked at."""
    found = read_run(torn_off)
    blocks = since_last_state(found.cycles, found.head.codec)
    assert [block.first for block in blocks] == [f.first for f in found.cycles.frames[found.cycles.in_bin :]]
    assert blocks[0].start is not None
    assert {block.start for block in blocks[1:]} == {None}
    no_state = [frame for frame in found.cycles.frames if frame.first > 3 * BLOCK_CYCLES]
    store = read_cycles(
        FILE_HEAD + b"".join((torn_off / "cycles.tail").read_bytes()[f.offset : f.end] for f in no_state)
    )
    assert [block.first for block in since_last_state(store, found.head.codec)] == [f.first for f in no_state]


def test_rows_whose_cycles_are_lost_are_told(torn_off, tmp_path):
    """A record that lost its last cycles, which are written first, says that its rows know more than its state."""
    folder = Path(shutil.copytree(torn_off, tmp_path / torn_off.name))
    (folder / "cycles.tail").unlink()
    resumed = resume_run(folder, Writer())
    late_s = CYCLES - 3 * BLOCK_CYCLES
    assert resumed.problems == (
        f"log.csv: row {CYCLES}: its cycle is lost (the last whole one is {late_s} s older): {ALONE}",
    )
    (folder / "cycles.bin").write_bytes(b"")
    resumed = resume_run(folder, Writer())
    assert resumed.problems == (f"log.csv: row {CYCLES}: its cycle is lost (none is whole): {ALONE}",)
    assert (resumed.state, resumed.last_now_ms) == (None, None)


def test_the_newest_row_by_its_own_time_dates_the_record(torn_off, rec, tmp_path):
    """The wall clock was set back between the last row of the log and the last event: the event is the newer."""
    folder = Path(shutil.copytree(torn_off, tmp_path / torn_off.name))
    log = (folder / "log.csv").read_bytes()
    (folder / "log.csv").write_bytes(log[: log.rstrip(b"\n").rfind(b"\n") + 1])
    events = (folder / "events.csv").read_bytes()
    *lines, last, _ = events.split(b"\n")
    (folder / "events.csv").write_bytes(b"\n".join((*lines, last.replace(b"2026-03-16T06", b"2026-03-16T05"), b"")))
    resumed = resume_run(folder, Writer())
    assert resumed.last_utc_ms == rec.utc_ms + resumed.last_now_ms - 3_600_000


def test_a_summary_is_whole_or_said_not_to_be(closed, tmp_path):
    """Cut at any byte or ended in zeros it is no summary, which is said; the record opens all the same."""
    whole = (closed / "summary.json").read_bytes()
    folder = Path(shutil.copytree(closed, tmp_path / closed.name))
    assert json.loads(whole)["verdict"] == "complete"
    assert resume_run(folder, Writer()).closed
    for at in points(len(whole)):
        for data, _ in damaged(whole, at):
            (folder / "summary.json").write_bytes(data)
            found = read_run(folder)
            assert (found.summary_problem is not None) == (data not in (b"", whole))
    resumed = resume_run(folder, Writer())
    assert any(said.startswith("summary.json") for said in resumed.problems)
    assert (folder / "summary.json").read_bytes() == data


def test_without_run_json_it_is_no_record(torn_off, tmp_path):
    """What a run began with is not guessed from the rest; cut anywhere, run.json is refused and nothing is touched."""
    folder = Path(shutil.copytree(torn_off, tmp_path / torn_off.name))
    whole = (folder / "run.json").read_bytes()
    for at in (0, 1, len(whole) // 2, len(whole) - 2):
        (folder / "run.json").write_bytes(whole[:at])
        before = {path.name: path.read_bytes() for path in folder.iterdir()}
        writer = Writer()
        with pytest.raises(RecordError):
            resume_run(folder, writer)
        assert writer.commit()
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
