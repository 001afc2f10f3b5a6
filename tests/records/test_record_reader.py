"""The record as its readers see it: tables with rows, what is cut, what a later version added, what is too large."""

from __future__ import annotations

import io
import json

import pytest
from tablekit import RUN_JSON, Memory, chained

from controller.records import reader
from controller.records.errors import RecordError
from controller.records.reader import TABLES, read_run, read_table, read_tables, table_from
from controller.records.stream import LONGEST_LINE
from controller.records.tables import LOG_COLUMNS, LOG_HEADER

ROW = "2026-03-16T06:00:00.000Z,1.000,1,running" + ",1.000" * 9 + ","
WHOLE = chained(LOG_HEADER, [ROW] * 5)


def test_a_table_tells_where_it_is_whole_and_what_is_cut():
    """Rows, the last right chain value, the byte where whole lines end, and what stands behind them."""
    table = read_table("log.csv", WHOLE + b"2026", LOG_HEADER, RUN_JSON)
    assert (len(table.lines), table.walked.rows, table.walked.wrong_row) == (5, 5, None)
    assert table.walked.last == WHOLE.rstrip()[-16:].decode()
    assert (table.whole_bytes, table.cut, table.cut_bytes, table.damage) == (len(WHOLE), b"2026", 4, ())
    assert table.problems == ("log.csv: row 6 is unfinished: the last 4 bytes are left out",)
    assert table.columns == LOG_COLUMNS
    assert table.numbers("charge_Ah") == [1.0] * 5
    assert table.column("state") == ["running"] * 5


def test_rows_keep_their_numbers_behind_a_line_that_is_too_long():
    """Thrown away, it still counts: the rows behind it stand where they stood."""
    lines = WHOLE.split(b"\n")
    lines.insert(3, b"y" * (LONGEST_LINE + 1))
    table = read_table("log.csv", b"\n".join(lines), LOG_HEADER, RUN_JSON)
    assert [bool(line) for line in table.lines] == [True, True, False, True, True, True]
    assert table.walked.wrong_row == 3
    assert [len(row) for row in table.rows] == [15, 15, 0, 15, 15, 15]
    assert table.column("step") == ["1", "1", "", "1", "1", "1"]
    assert table.whole_bytes == len(WHOLE) + LONGEST_LINE + 2
    lines = [*WHOLE.split(b"\n")[:-1], b"y" * (LONGEST_LINE + 1), b""]
    assert len(read_table("log.csv", b"\n".join(lines), LOG_HEADER, RUN_JSON).lines) == 6


def test_empty_lines_are_rows_without_cells():
    """They are no rows of ours; what stands behind them is not moved."""
    table = read_table("log.csv", WHOLE + b"\n" + WHOLE.split(b"\n")[1] + b"\n", LOG_HEADER, RUN_JSON)
    assert [len(row) for row in table.rows] == [15] * 5 + [0, 15]
    assert table.walked.wrong_row == 6


def test_a_later_version_s_record_reads_as_far_as_its_header_says(kept_run, tmp_path):
    """One more column in each table, files and keys that nobody here knows: columns are found by their names."""
    run_json = (kept_run / "run.json").read_bytes()
    for name, header in TABLES.items():
        grown = header.removesuffix("chain") + "new,chain"
        rows = [",".join(f"{column[:3]}{n}" for column in grown.split(",")[:-1]) for n in range(3)]
        (tmp_path / name).write_bytes(chained(grown, rows, run_json))
    (tmp_path / "run.json").write_bytes(run_json)
    (tmp_path / "later.bin").write_bytes(b"?")
    (tmp_path / "summary.json").write_text(json.dumps({"format": "formbath/summary/1", "later": [1]}))
    run = read_run(tmp_path)
    assert {name: table.problems for name, table in run.tables.items()} == dict.fromkeys(TABLES, ())
    assert run.log.columns[-2:] == ("new", "chain")
    assert run.log.column("quality") == ["qua0", "qua1", "qua2"]
    assert run.events.column("text") == ["tex0", "tex1", "tex2"]
    assert run.summary["later"] == [1]


def test_missing_tables_are_empty_or_not_there():
    """A run that has just begun may have no table yet; batteries and later readings come at the end."""
    tables = read_tables(Memory({"run.json": RUN_JSON}), RUN_JSON)
    assert sorted(tables) == ["events.csv", "log.csv"]
    assert all((table.rows, table.header_right, table.whole_bytes) == ([], False, 0) for table in tables.values())


def test_absurdly_large_texts_are_not_read(kept_run, monkeypatch):
    """run.json and summary.json have their own bound."""
    monkeypatch.setattr(reader, "LARGEST_HEAD", 100)
    with pytest.raises(RecordError, match=r"run\.json: is larger than"):
        read_run(kept_run)


def test_a_table_is_read_from_any_file_however_it_comes():
    """A file that gives a few bytes at a time gives the same table."""

    class Slow(io.BytesIO):
        def read(self, size=-1):
            return super().read(min(size, 11))

    slow = table_from("log.csv", Slow(WHOLE), LOG_COLUMNS, RUN_JSON)
    assert slow == read_table("log.csv", WHOLE, LOG_HEADER, RUN_JSON)
