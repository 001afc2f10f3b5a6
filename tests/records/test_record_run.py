"""The run folder: what is in it, that its bytes hang on nothing else, and what it does when memory is used up."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records.chain import start
from controller.records.head import safe_name
from controller.records.logrow import log_row
from controller.records.reader import read_run
from controller.records.rows import LOG_HEADER
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.verify.runfolder import verify_run


def test_a_closed_run_holds_its_files_and_no_others(kept_run):
    """The folder is named by start, bath, circuit and batch; the tail is gone when the run is closed."""
    assert kept_run.name == "20260316T060000Z-A-A01-K1"
    names = {path.name for path in kept_run.iterdir()}
    assert names == {"run.json", "README.txt", "log.csv", "events.csv", "cycles.bin", "summary.json"}


def test_bytes_hang_on_the_cycles_alone(kept_run, rec, tmp_path):
    """Whenever the writer commits, with a tail or without, the files of a closed run are the same bytes."""
    for number, (commit, by_count) in enumerate([(1, False), (50, False), (None, True)]):
        other = rec.whole_run(tmp_path / str(number), commit=commit, by_count=by_count)
        assert {p.name: p.read_bytes() for p in other.iterdir()} == {p.name: p.read_bytes() for p in kept_run.iterdir()}


def test_run_json_holds_what_deciding_again_needs(kept_run, rec):
    """Texts with their hashes, the numbers, settings and load; the first chain value comes from its bytes."""
    found = read_run(kept_run)
    assert (found.head.settings, found.head.load.plan) == (rec.settings, rec.plan())
    assert found.plain["release"] is None
    assert found.plain["start_utc"] == "2026-03-16T06:00:00.000Z"
    assert found.problems == ()
    assert start(LOG_HEADER, found.run_json) != start(LOG_HEADER)


def test_no_path_host_or_process_in_a_record(kept_run, tmp_path_factory):
    """Nothing in the files tells where and by which process they were made."""
    import os
    import socket

    everything = b"".join(path.read_bytes() for path in kept_run.iterdir())
    assert str(tmp_path_factory.getbasetemp()).encode() not in everything
    assert b"/tmp" not in everything
    assert socket.gethostname().encode() not in everything or len(socket.gethostname()) < 6
    assert f'"pid": {os.getpid()}'.encode() not in everything


@given(st.text(st.characters(exclude_categories=()), max_size=80))
def test_any_batch_is_one_harmless_path_part(text):
    """Path parts, hidden names, endless and odd names become one plain name."""
    name = safe_name(text)
    assert name
    assert len(name) <= 40
    assert "/" not in name
    assert not name.startswith((".", "-"))
    assert name.isascii()


def test_an_existing_folder_is_never_written_into(rec, writer, tmp_path):
    """Two runs of one batch in one second get two folders."""
    first = RunRecord.create(tmp_path, rec.start(), writer)
    assert writer.commit()
    second = RunRecord.create(tmp_path, rec.start(), writer)
    assert second.folder != first.folder
    assert second.folder.name == first.folder.name + "-2"


def test_run_json_comes_before_the_first_row(rec, tmp_path):
    """A folder that has rows has the run.json they are chained to: it is the first file written."""
    order = []

    class Watching:
        def __init__(self):
            from controller.records.disk import Disk

            self._real = Disk()

        def __getattr__(self, name):
            def call(*args):
                if name in {"replace", "open"}:
                    order.append(args[0].name)
                return getattr(self._real, name)(*args)

            return call

    writer = Writer(disk=Watching())
    rec.begin(tmp_path, writer)
    assert writer.commit()
    assert order == ["run.json", "README.txt", "cycles.bin", "cycles.tail", "log.csv", "events.csv"]


def test_cycles_come_back_one_by_one(rec, writer, tmp_path):
    """Every cycle that was added is read back, from blocks and tail, in order and equal."""
    loop, record = rec.begin(tmp_path, writer)
    made = []
    for number in range(500):
        made.append(loop.cycle())
        record.add_cycle(*made[-1])
        if number % 17 == 0:
            assert writer.commit()
    assert writer.commit()
    found = read_run(record.folder)
    back = [cycle for block in found.cycles.blocks(found.head.codec) for cycle in block.cycles]
    assert [(cycle.cin, cycle.command) for cycle in back[1:]] == [(cin, command) for cin, _, command, _ in made]


def test_lost_cycles_and_rows_are_counted_and_leave_a_readable_record(rec, tmp_path):
    """When neither disk nor memory takes any more, what is lost is counted, and what follows still verifies."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 20)
    writer.has_room = False
    rec.drive(record, loop, 20, first=21)
    assert writer.commit()
    assert writer.has_room
    rec.drive(record, loop, 19, first=41)
    rec.record_cycle(record, loop, 0, loop.cycle())
    record.close({})
    assert writer.commit()
    assert (record.lost_cycles, record.lost_rows) == (20, 2)
    verdict = verify_run(record.folder)
    assert (verdict.cycles, verdict.same, verdict.restarts) == (41, 41, 1)
    assert any("lost cycles while no disk took them: 20" in note for note in verdict.notes)
    assert all("gap" in found for found in verdict.wrong)


def test_sign_off_adds_tables_and_replaces_the_summary(rec, tmp_path):
    """batteries.csv and after.csv have chains of their own; a second close tells of them."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 130)
    rec.record_cycle(record, loop, 0, loop.cycle())
    record.close({})
    record.add_later("batteries.csv", [1, "K1", "P1", "=1", 12.79, 14.0, 1.282, 25.0, "ok", "pass", "", ""])
    taken = ["2026-03-17T06:00:00.000Z", "2026-03-17T05:50:00.000Z", 1, "ocv", 12.8, "V", 25.0, "meter 2", "anna"]
    record.add_later("after.csv", taken)
    record.close({"remark": "signed"})
    assert writer.commit()
    summary = json.loads((record.folder / "summary.json").read_text())
    assert (summary["verdict"], summary["remark"]) == ("complete", "signed")
    assert summary["rows"]["batteries.csv"] == 1
    assert "'=1" in (record.folder / "batteries.csv").read_text()
    assert verify_run(record.folder).wrong == []
    (record.folder / "after.csv").unlink()
    assert verify_run(record.folder).wrong == ["after.csv: is missing, summary.json knows it"]


def test_a_summary_with_odd_numbers_is_still_written(rec, tmp_path):
    """What JSON cannot hold becomes null or text: the end of a run must not fail for it."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 3)
    record.close({"odd": float("nan"), "list": (1, float("inf")), "thing": loop})
    assert writer.commit()
    summary = json.loads((record.folder / "summary.json").read_text())
    assert (summary["odd"], summary["list"]) == (None, [1, None])


def test_log_row_of_a_cycle(rec):
    """A row takes the hottest valid probe, the water the laws used, the step's number, and the counters."""
    loop = rec.Loop()
    cin, _, command, after = loop.cycle(loop.start_order())
    row = log_row(5, cin, command, after, 3_000)
    assert (row.utc_ms, row.step, row.state, row.probe_C.number, row.bath_C.number) == (5, 1, "running", 30.0, 25.0)


@pytest.mark.parametrize("cells", [[1], list(range(20))])
def test_later_rows_need_all_their_cells(rec, writer, tmp_path, cells):
    """A row with another number of cells is refused, and leaves the table as it was."""
    _, record = rec.begin(tmp_path, writer)
    with pytest.raises(ValueError, match="values for the columns"):
        record.add_later("batteries.csv", cells)
