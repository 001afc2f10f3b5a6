"""A folder that is moved away under a running service: rows do not go where nobody finds them, and it is told."""

from __future__ import annotations

import shutil

import pytest

from controller.records.group import Group
from controller.records.space import Space
from controller.records.writer import Writer
from controller.verify.runfolder import verify_run

MOVED = "was moved, or another one stands in its place"


def group_of(writer: Writer, folder, *, of_a_run: bool):
    group = Group(folder, (lambda: None) if of_a_run else None)
    rows = group.append_file("rows.csv")
    writer.enter(group)
    return group, rows


def add(writer: Writer, rows, data: bytes) -> None:
    with writer.lock:
        rows.add(data)


@pytest.fixture
def writer():
    """Without a thread: commits when told."""
    one = Writer()
    yield one
    one.close()


def test_rows_do_not_follow_a_folder_that_is_moved_away(writer, tmp_path):
    """Told in the next commit; back again it eases, and nothing is missing or there twice."""
    _, rows = group_of(writer, tmp_path / "runs" / "run", of_a_run=True)
    add(writer, rows, b"one\n")
    assert writer.commit()
    (tmp_path / "runs").rename(tmp_path / "gone")
    add(writer, rows, b"two\n")
    assert not writer.commit()
    assert writer.trouble == f"run/rows.csv: {MOVED}"
    assert (tmp_path / "gone" / "run" / "rows.csv").read_bytes() == b"one\n"
    assert not writer.commit()
    assert writer.trouble == "run/rows.csv: No such file or directory"
    assert not (tmp_path / "runs").exists()
    (tmp_path / "gone").rename(tmp_path / "runs")
    assert writer.commit(), writer.trouble
    assert (tmp_path / "runs" / "run" / "rows.csv").read_bytes() == b"one\ntwo\n"
    assert writer.trouble is None


def test_a_file_in_the_place_of_another_is_told(writer, tmp_path):
    """As editors save: a new file under the old name, the old one kept beside it."""
    _, rows = group_of(writer, tmp_path, of_a_run=True)
    add(writer, rows, b"one\n")
    assert writer.commit()
    (tmp_path / "rows.csv").rename(tmp_path / "rows.csv~")
    (tmp_path / "rows.csv").write_bytes(b"other")
    add(writer, rows, b"two\n")
    assert not writer.commit()
    assert writer.trouble.endswith(f"rows.csv: {MOVED}")
    assert (tmp_path / "rows.csv").read_bytes() == b"other"


@pytest.mark.parametrize("another", [False, True])
def test_a_bath_s_own_folder_is_looked_for_though_nothing_is_written(writer, tmp_path, another):
    """Moved away, or with another one in its place that a second service may have locked: told; back again it eases."""
    place, away = tmp_path / "A", tmp_path / "away"
    group, rows = group_of(writer, place, of_a_run=False)
    state = group.replace_file("state.json")
    add(writer, rows, b"one\n")
    assert writer.commit()
    place.rename(away)
    if another:
        shutil.copytree(away, place)
    assert not writer.commit()
    assert writer.trouble == f"A: {MOVED}"
    with writer.lock:
        state.put(b"{}")
    assert not writer.commit()
    assert not (place / "state.json").exists()
    if another:
        shutil.rmtree(place)
    away.rename(place)
    assert writer.commit(), writer.trouble
    assert (place / "state.json").read_bytes() == b"{}"


def test_a_folder_nobody_has_written_to_yet_is_made(writer, tmp_path):
    """Nothing was there to be moved."""
    _, rows = group_of(writer, tmp_path / "A", of_a_run=False)
    assert writer.commit()
    assert not (tmp_path / "A").exists()
    add(writer, rows, b"one\n")
    assert writer.commit()
    assert (tmp_path / "A" / "rows.csv").read_bytes() == b"one\n"


def test_what_is_free_where_a_moved_folder_stood_is_not_its_disk_s(tmp_path):
    """The room is not known while it is away; one that never was there is asked for by its parent."""
    runs = tmp_path / "runs"
    space = Space(runs, 1, 1.0)
    space.look({})
    assert space.hours > 0
    runs.mkdir()
    space.look({})
    runs.rename(tmp_path / "gone")
    space.look({})
    assert space.hours is None
    (tmp_path / "gone").rename(runs)
    space.look({})
    assert space.hours > 0


def test_a_run_s_record_is_whole_after_its_folder_came_back(rec, tmp_path):
    """Cycles, rows and events that came meanwhile follow in the same files."""
    writer = Writer()
    runs = tmp_path / "runs"
    loop, record = rec.begin(runs, writer)
    rec.drive(record, loop, 20)
    assert writer.commit()
    runs.rename(tmp_path / "gone")
    rec.drive(record, loop, 20, first=21)
    assert not writer.commit()
    (tmp_path / "gone").rename(runs)
    rec.drive(record, loop, 20, first=41)
    record.close({"verdict": "complete"})
    record.release()
    assert writer.close(), writer.trouble
    verdict = verify_run(record.folder)
    assert (verdict.wrong, verdict.cycles) == ([], 61)
