"""Tables that an editor or a spreadsheet saved anew, and tables that are gone, as the readers tell them."""

from __future__ import annotations

import io
import shutil

import pytest

from controller.records.place import FolderPlace
from controller.records.reader import read_run
from controller.records.resume import resume_run
from controller.records.stream import CRLF, SAVED, TableStream
from controller.records.table import is_saved_elsewhere
from controller.records.tables import LOG_COLUMNS
from controller.records.typed import read_log
from controller.records.writer import Writer

MARK = b"\xef\xbb\xbf"


@pytest.fixture
def copy(kept_run, tmp_path):
    """A copy to damage."""
    folder = tmp_path / kept_run.name
    shutil.copytree(kept_run, folder)
    return folder


def crlf(data: bytes) -> bytes:
    return data.replace(b"\n", b"\r\n")


@pytest.mark.parametrize("begin", [b"", MARK])
def test_rows_are_given_as_they_were_written(kept_run, begin):
    """Without the carriage return; the offset is that of the bytes as they stand in the file, an unfinished end too."""
    data, run_json = (kept_run / "log.csv").read_bytes(), (kept_run / "run.json").read_bytes()
    saved = begin + crlf(data) + b"2026"
    table = TableStream("log.csv", io.BytesIO(saved), LOG_COLUMNS, run_json)
    rows = [line for piece in table.pieces() for line in piece.lines]
    assert rows == data.split(b"\n")[1:-1]
    assert (table.header, table.header_right, table.wrong_row) == (data.split(b"\n")[0], True, None)
    assert (table.offset, table.cut) == (len(saved) - 4, b"2026")
    told = [f"log.csv: begins with a byte order mark: {SAVED}"] if begin else []
    assert table.damage == [*told, f"log.csv: {CRLF}"]


def test_offsets_behind_a_changed_row_are_those_of_the_file(kept_run):
    """Sound rows end where the changed one begins, byte by byte; all that was passed ends with the file."""
    data, run_json = crlf((kept_run / "log.csv").read_bytes()), (kept_run / "run.json").read_bytes()
    lines = data.splitlines(keepends=True)
    lines[5] = lines[5].replace(b"running", b"stopped")
    table = TableStream("log.csv", io.BytesIO(b"".join(lines)), LOG_COLUMNS, run_json, behind=True)
    pieces = list(table.pieces())
    assert [(len(piece.lines), piece.sound) for piece in pieces] == [(4, True), (len(lines) - 5, False)]
    assert table.mark.offset == sum(map(len, lines[:5]))
    assert table.offset == len(data)


def test_a_stray_mark_or_carriage_return_stays_what_it_is(kept_run):
    """In a row, with a header as it was written: that row is damaged, and the file is not called saved elsewhere."""
    data, run_json = (kept_run / "log.csv").read_bytes(), (kept_run / "run.json").read_bytes()
    for old, new in ((b"\n", b"\r\n"), (b"2026", MARK + b"2026")):
        header, rest = data.split(b"\n", 1)
        table = TableStream("log.csv", io.BytesIO(header + b"\n" + rest.replace(old, new, 1)), LOG_COLUMNS, run_json)
        list(table.pieces())
        assert table.damage == ["log.csv:2: row 1 is not as it was written, or one before it is missing"]


def test_a_header_that_is_another_one_is_still_told(kept_run):
    """With the line ends as well; rows are then taken for those of this version."""
    data, run_json = (kept_run / "log.csv").read_bytes(), (kept_run / "run.json").read_bytes()
    table = TableStream("log.csv", io.BytesIO(crlf(b"x" + data)), LOG_COLUMNS, run_json)
    assert sum(len(piece.lines) for piece in table.pieces()) == 42
    assert table.damage == [f"log.csv: {CRLF}", f"log.csv:1: the header is not {','.join(LOG_COLUMNS)}"]


def test_typed_columns_are_the_same(copy):
    """Figures, export and trends see the same numbers, and why the table is not as it was written."""
    whole = read_log(FolderPlace(copy))
    (copy / "log.csv").write_bytes(MARK + crlf((copy / "log.csv").read_bytes()))
    found = read_log(FolderPlace(copy))
    assert (found.charge_Ah == whole.charge_Ah).all()
    assert (found.sound_rows, found.rows, len(found.problems)) == (42, 42, 2)


def test_a_record_goes_on_behind_what_was_saved_elsewhere(copy):
    """The chain goes on from the last row; with the right line ends back, the whole table holds."""
    (copy / "summary.json").unlink()
    (copy / "log.csv").write_bytes(crlf((copy / "log.csv").read_bytes()))
    assert is_saved_elsewhere(read_run(copy).log)
    assert not is_saved_elsewhere(read_run(copy).events)
    writer = Writer()
    resumed = resume_run(copy, writer)
    told = "log.csv: saved by another program: its line ends are CRLF; it stays so, rows go on behind"
    assert [said for said in resumed.problems if said.startswith("log.csv")] == [told]
    resumed.record._log.add("2026-03-16T07:00:00.000Z,3600.000,1,held,,,,,,,,,,")
    assert writer.commit(), writer.trouble
    writer.close()
    data = (copy / "log.csv").read_bytes()
    assert data.count(b"\r\n") == 43
    (copy / "log.csv").write_bytes(data.replace(b"\r\n", b"\n"))
    found = read_run(copy).log
    assert (found.problems, len(found.lines)) == ((), 43)


@pytest.mark.parametrize("name", ["log.csv", "events.csv", "cycles.bin"])
def test_a_file_that_is_gone_is_missing(copy, name):
    """Not an odd header, not a torn first line; an empty one is no missing one."""
    (copy / name).unlink()
    assert read_run(copy).problems == (f"{name}: is missing",)
    (copy / name).touch()
    assert f"{name}: is missing" not in read_run(copy).problems
    assert read_run(copy).problems


def test_a_record_of_which_no_table_was_made_yet_opens(copy):
    """A kill in the first moments leaves run.json alone: nothing is damage that was never written."""
    for each in copy.iterdir():
        if each.name != "run.json":
            each.unlink()
    resumed = resume_run(copy, Writer())
    assert resumed.problems == ()
    assert set(resumed.cut) <= {"cycles.bin: is missing"}
