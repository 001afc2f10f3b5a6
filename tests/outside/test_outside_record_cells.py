"""Cells and times of a record's tables, read by parsers that are not ours, against what our reader gives."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing

import pytest

from controller.records.reader import read_run, read_table
from controller.records.rows import PROOF_HEADER, parse_time, time_utc

NAMES = ("log.csv", "events.csv", "batteries.csv", "after.csv")
MOMENTS_MS = (0, 951_782_399_999, 951_782_400_000, 1_773_640_800_007, 1_795_651_200_120, 4_102_444_799_999)


def tables_of(folder):
    """Name, bytes and our own rows of each table, proofs too."""
    found = read_run(folder)
    assert found.problems == ()
    yield from ((name, (folder / name).read_bytes(), found.tables[name]) for name in NAMES)
    proofs = (folder.parent / "A" / "proofs.csv").read_bytes()
    yield "proofs.csv", proofs, read_table("proofs.csv", proofs, PROOF_HEADER, b"")


def strict_cells(data: bytes) -> list[list[str]]:
    """RFC 4180's grammar, one character at a time, with LF for CRLF; anything it does not allow is an error.

    file = header LF *(record LF); field = escaped / non-escaped; non-escaped = *TEXTDATA (no comma, quote, control);
    escaped = DQUOTE *(TEXTDATA / COMMA / CR / LF / 2DQUOTE) DQUOTE. UTF-8 beyond ASCII counts as TEXTDATA, as RFC 7111
    has it. Line ends in fields are allowed there, and refused here: ours promise to have none.
    """
    rows, row, field, state = [], [], [], "begin"
    for place, character in enumerate(data.decode("utf-8")):
        if state == "inside":
            if character == '"':
                state = "quote"
            else:
                assert character >= " ", f"a control character in the field at {place}"
                field.append(character)
        elif character == '"' and state in ("begin", "quote"):
            if state == "quote":
                field.append('"')
            state = "inside"
        elif character in (",", "\n"):
            row.append("".join(field))
            field, state = [], "begin"
            if character == "\n":
                rows.append(row)
                row = []
        else:
            assert state != "quote", f"{character!r} behind a closing quote at {place}"
            assert character >= " ", f"a control character at {place}"
            assert character != '"', f"a quote within a plain field at {place}"
            field.append(character)
            state = "plain"
    assert (row, field, state) == ([], [], "begin"), "the last line has no end"
    return rows


@pytest.mark.parametrize(
    "broken", [b'a,b"c\n', b'"a"b\n', b"a,b", b"a\rb\n", b'"a\nb"\n', b'"open\n', b"a,b\r\n"]
)  # fmt: skip
def test_the_strict_parser_refuses_what_the_grammar_does(broken):
    """The parser below is no rubber stamp."""
    with pytest.raises(AssertionError):
        strict_cells(broken)


def test_the_strict_parser_reads_the_published_examples():
    """RFC 4180, 2.4 to 2.7: the examples there, with LF for CRLF."""
    assert strict_cells(b"aaa,bbb,ccc\nzzz,yyy,xxx\n") == [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]
    assert strict_cells(b'"aaa","bbb","ccc"\nzzz,yyy,xxx\n') == [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]
    assert strict_cells(b'"aaa","b""bb","ccc"\n') == [["aaa", 'b"bb', "ccc"]]


def test_cells_by_the_grammar(hostile_run):
    """Every table is RFC 4180 to the letter (but for LF), each row as long as the header, each cell as our reader's."""
    quoted = 0
    for name, data, ours in tables_of(hostile_run):
        header, *rows = strict_cells(data)
        assert tuple(header) == ours.columns, name
        assert rows == ours.rows, name
        assert {len(row) for row in rows} == {len(header)}, name
        quoted += data.count(b'""')
    assert quoted > 100


def test_texts_arrive_as_they_went_in(hostile_run, outside):
    """What a person typed is what the grammar gives back; only controls, blanks at ends, formulas, length change."""
    header, *rows = strict_cells((hostile_run / "events.csv").read_bytes())
    seen = [row[header.index("text")] for row in rows[: len(outside.texts)]]
    changed = {
        typed: found for typed, found in zip(outside.texts, seen, strict=True) if typed != found and len(typed) < 100
    }
    assert changed == {
        "=1+2": "'=1+2", "-5 C, then +3": "'-5 C, then +3", "@cell": "'@cell", "--help": "'--help", "-n": "'-n",
        "two\nlines\r\nand\ttabs": "two lines  and tabs", "  blanks  ": "blanks",
    }  # fmt: skip


def test_cells_by_arrow(hostile_run):
    """Arrow's own parser, all columns asked for as text (its guessed types would change the digits)."""
    arrow = pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    from pyarrow import csv

    for name, data, ours in tables_of(hostile_run):
        types = dict.fromkeys(ours.columns, arrow.string())
        table = csv.read_csv(
            arrow.BufferReader(data), convert_options=csv.ConvertOptions(column_types=types, strings_can_be_null=False)
        )
        assert [list(row.values()) for row in table.to_pylist()] == ours.rows, name


def test_cells_by_polars(hostile_run):
    """Polars' own parser, all columns as text, missing ones as empty text."""
    polars = pytest.importorskip("polars", reason="polars is not installed")
    for name, data, ours in tables_of(hostile_run):
        frame = polars.read_csv(data, infer_schema=False).fill_null("")
        assert [list(row) for row in frame.rows()] == ours.rows, name


def test_cells_by_duckdb(hostile_run, tmp_path):
    """DuckDB's own parser, all columns as text; an empty cell is NULL there."""
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed")
    for name, data, ours in tables_of(hostile_run):
        place = tmp_path / name
        place.write_bytes(data)
        rows = duckdb.read_csv(str(place), all_varchar=True).fetchall()
        assert [[cell or "" for cell in row] for row in rows] == ours.rows, name


def unix_ms_by_sqlite(texts):
    """SQLite's strftime: %s whole seconds since 1970, %f seconds with milliseconds (its Date And Time Functions)."""
    with closing(sqlite3.connect(":memory:")) as base:
        one = "SELECT CAST(strftime('%s', $text) AS INTEGER) * 1000 + CAST(substr(strftime('%f', $text), 4) AS INTEGER)"
        return [base.execute(one, {"text": text}).fetchone()[0] for text in texts]


def unix_ms_by_date(texts):
    """GNU coreutils' date, which reads one time a line."""
    told = subprocess.run(
        ["date", "-u", "-f", "-", "+%s%3N"], input="\n".join(texts).encode(), capture_output=True, check=True
    )
    return [int(line) for line in told.stdout.split()]


def unix_ms_by_pandas(texts):
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    moments = pandas.to_datetime(texts)
    assert str(moments.tz) == "UTC"
    return list((moments - pandas.Timestamp(0, tz="UTC")) // pandas.Timedelta(milliseconds=1))


def unix_ms_by_arrow(texts):
    arrow = pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    return arrow.array(texts).cast(arrow.timestamp("ms", tz="UTC")).cast(arrow.int64()).to_pylist()


def unix_ms_by_duckdb(texts):
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed")
    asked = "SELECT epoch_ms(CAST(t AS TIMESTAMPTZ)) FROM (SELECT unnest(?) AS t)"
    return [row[0] for row in duckdb.execute(asked, [texts]).fetchall()]


def unix_ms_by_dateutil(texts):
    parser = pytest.importorskip("dateutil.parser", reason="dateutil is not installed")
    return [round(parser.isoparse(text).timestamp() * 1000) for text in texts]


READERS = [
    unix_ms_by_sqlite, unix_ms_by_date, unix_ms_by_pandas, unix_ms_by_arrow, unix_ms_by_duckdb, unix_ms_by_dateutil,
]  # fmt: skip
if not shutil.which("date") or b"GNU" not in subprocess.run(["date", "--version"], check=False, stdout=-1).stdout:
    READERS.remove(unix_ms_by_date)


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.__name__)
def test_times_by_others(hostile_run, reader):
    """Times are ISO 8601 / RFC 3339 in UTC: leap days, ends of seconds and of the century give the same milliseconds.

    946684800 is 2000-01-01T00:00:00Z (POSIX.1, 4.16, seconds since the epoch: 10957 days of 86400 s), and 951782400 is
    59 days later, 29 February 2000.
    """
    texts = [time_utc(moment) for moment in MOMENTS_MS]
    assert texts[1:3] == ["2000-02-28T23:59:59.999Z", "2000-02-29T00:00:00.000Z"]
    assert reader(texts) == list(MOMENTS_MS)
    column = read_run(hostile_run).log.column("time_utc")
    assert reader(column) == [parse_time(text) for text in column]
