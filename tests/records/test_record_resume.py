"""Opening a record again after a crash at any byte, and after damage."""

from __future__ import annotations

import shutil
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.types import State
from controller.records.errors import RecordError
from controller.records.resume import resume_run
from controller.records.writer import Writer
from controller.verify.runfolder import verify_run


@pytest.fixture(scope="module")
def broken_off(rec, tmp_path_factory):
    """A record of 401 cycles, killed after its last commit: a block in cycles.bin and 41 cycles in the tail."""
    writer = Writer()
    loop, record = rec.begin(tmp_path_factory.mktemp("killed"), writer, charge_Ah=1e9)
    rec.drive(record, loop, 400, commit=20)
    return record.folder, loop


def resumed_copy(folder, tmp_path):
    copy = tmp_path / "copy" / folder.name
    shutil.rmtree(copy.parent, ignore_errors=True)
    shutil.copytree(folder, copy)
    return copy


def test_the_last_state_comes_back(broken_off, tmp_path):
    """The last snapshot, folded over the cycles behind it, is the state the service had."""
    folder, loop = broken_off
    writer = Writer()
    resumed = resume_run(resumed_copy(folder, tmp_path), writer)
    assert resumed.state == loop.state.circuits[0]
    assert (resumed.last_now_ms, resumed.cut, resumed.problems) == (loop.now_ms, (), ())
    assert writer.close()


def test_a_resumed_record_goes_on_and_verifies(rec, broken_off, tmp_path):
    """After a crash, a gap and more cycles the record still holds: chains, counters, decisions, one stated gap."""
    folder, _ = broken_off
    copy = resumed_copy(folder, tmp_path)
    loop = rec.Loop(charge_Ah=1e9)
    rec_cycles = [loop.cycle(loop.start_order())]
    rec_cycles += [loop.cycle() for _ in range(400)]
    writer = Writer()
    resumed = resume_run(copy, writer)
    stored = resumed.state
    assert stored == loop.state.circuits[0]
    again = replace(stored, state=State.UNKNOWN, stored=State.HELD, confirmed=False)
    loop.state = replace(loop.state, circuits=(again,))
    rec.record_cycle(resumed.record, loop, 0, loop.cycle(skip_ms=600_000))
    rec.drive(resumed.record, loop, 30, commit=4)
    rec.record_cycle(resumed.record, loop, 0, loop.cycle())
    resumed.record.close({})
    resumed.record.release()
    assert writer.close()
    verdict = verify_run(copy)
    assert verdict.wrong == []
    assert (verdict.cycles, verdict.same, verdict.restarts) == (433, 433, 1)
    assert (verdict.gap_s, verdict.stated_gaps) == ([601.0], 1)
    assert not (copy / "cycles.tail").exists()


@pytest.mark.parametrize("name", ["log.csv", "events.csv", "cycles.bin", "cycles.tail"])
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_cut_at_any_byte_it_opens_with_all_that_is_whole(broken_off, tmp_path_factory, name, data):
    """A file cut anywhere by a crash loses its unfinished end alone, which is said; the chain goes on from there."""
    folder, _ = broken_off
    copy = resumed_copy(folder, tmp_path_factory.mktemp("cut"))
    whole = (copy / name).read_bytes()
    cut = data.draw(st.integers(0, len(whole)))
    (copy / name).write_bytes(whole[:cut])
    writer = Writer()
    resumed = resume_run(copy, writer)
    if name.endswith(".csv"):
        assert bool(resumed.cut) == (cut > 0 and whole[cut - 1 : cut] != b"\n")
        assert resumed.state is not None
        assert resumed.problems == ()
    assert writer.commit(), writer.trouble
    resumed.record.close({})
    resumed.record.release()
    assert writer.close()
    if name.endswith(".csv"):
        kept = whole[: whole.rfind(b"\n", 0, cut) + 1]
        back = (copy / name).read_bytes()
        assert back == (kept or whole[: whole.find(b"\n") + 1])
        wrong = verify_run(copy, chain_only=True).wrong
        assert [said for said in wrong if "summary" not in said and "rows are missing" not in said] == []


def test_damage_in_the_middle_is_said_and_stays(broken_off, tmp_path):
    """A row changed in the middle is not repaired: it is told at opening, and verify still names it afterwards."""
    folder, _ = broken_off
    copy = resumed_copy(folder, tmp_path)
    lines = (copy / "log.csv").read_bytes().splitlines(keepends=True)
    lines[3] = lines[3].replace(b"running", b"stopped")
    (copy / "log.csv").write_bytes(b"".join(lines))
    writer = Writer()
    resumed = resume_run(copy, writer)
    assert any("log.csv:4: row 3" in problem for problem in resumed.problems)
    assert writer.close()
    assert (copy / "log.csv").read_bytes() == b"".join(lines)


def test_a_damaged_last_block_gives_no_guessed_state(rec, tmp_path):
    """With its only snapshot unreadable a record still opens for rows, but gives no state."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 20, commit=20)
    tail = record.folder / "cycles.tail"
    data = bytearray(tail.read_bytes())
    data[60] ^= 1
    tail.write_bytes(bytes(data))
    other = Writer()
    resumed = resume_run(record.folder, other)
    assert resumed.state is None
    assert resumed.cut or resumed.problems


def test_a_folder_without_run_json_is_no_record(tmp_path):
    """What run.json would say is not guessed."""
    (tmp_path / "run").mkdir()
    with pytest.raises(RecordError, match=r"no run\.json"):
        resume_run(tmp_path / "run", Writer())


def test_a_tail_that_is_in_a_block_already_is_not_counted_twice(broken_off, rec, tmp_path):
    """Killed between a block's write and the tail's new beginning, no cycle is there twice."""
    folder, _ = broken_off
    copy = resumed_copy(folder, tmp_path)
    writer = Writer()
    loop, record = rec.begin(tmp_path / "other", writer, charge_Ah=1e9)
    rec.drive(record, loop, 340, commit=20)
    old_tail = (record.folder / "cycles.tail").read_bytes()
    (copy / "cycles.tail").write_bytes(old_tail)
    other = Writer()
    resumed = resume_run(copy, other)
    assert resumed.last_now_ms == 6_000 + 360_000
    assert [problem[:34] for problem in resumed.problems] == ["log.csv: row 41: its cycle is lost"]
    assert other.close()
