"""Rows piece by piece: all whole ones, the chain walked, memory bounded, damage told with its row."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tablekit import RUN_JSON, Memory, chained, table_of

from controller.records import stream
from controller.records.chain import start as chain_start
from controller.records.chain import walk
from controller.records.errors import RecordError
from controller.records.stream import LONGEST_LINE, Mark, TableStream, cells_of, first_wrong, open_table
from controller.records.tables import AFTER_COLUMNS, TABLES, grown

KNOWN = ("a", "b", "chain")
HEADER = ",".join(KNOWN)
ROWS = [f"{number},{'x' * (number % 7)}" for number in range(300)]
WHOLE = chained(HEADER, ROWS)


def read(data, *, behind=False, mark=None, run_json=RUN_JSON, known=KNOWN, seekable=True):
    """The table after it was read, and all its pieces."""
    table, file = open_table(
        Memory({"t.csv": data}, seekable=seekable), "t.csv", known, run_json, mark=mark, behind=behind
    )
    with file:
        return table, list(table.pieces())


def rows_of(pieces):
    return [line.rpartition(b",")[0].decode() for piece in pieces for line in piece.lines]


@pytest.fixture(params=[7, 64, 1000, 1 << 20])
def piece_bytes(request, monkeypatch):
    """Reading in pieces of this size: no line, some lines, all of it at once."""
    monkeypatch.setattr(stream, "PIECE_BYTES", request.param)
    return request.param


def test_all_rows_come_in_order_with_their_numbers(piece_bytes):
    """However the bytes are cut: every row once, numbered from 1, and the last chain value kept."""
    table, pieces = read(WHOLE)
    assert rows_of(pieces) == ROWS
    at = 1
    for piece in pieces:
        assert (piece.first, piece.sound) == (at, True)
        at += len(piece.lines)
    last = WHOLE.rstrip().rpartition(b",")[2].decode()
    assert table.mark == Mark(len(WHOLE), 300, last)
    assert (table.rows, table.offset, table.problems, table.wrong_row) == (300, len(WHOLE), (), None)
    assert (table.columns, table.header_right, table.header) == (KNOWN, True, HEADER.encode())


@settings(max_examples=40)
@given(cut=st.integers(0, len(WHOLE)))
def test_what_was_read_and_what_came_later_are_the_whole(cut):
    """Read up to any byte, then on from the mark: the same rows, none twice, the chain held."""
    first, before = read(WHOLE[:cut])
    if not first.header:
        assert (first.header_right, first.mark.offset, before) == (False, 0, [])
        return
    for seekable in (True, False):
        second, after = read(WHOLE, mark=first.mark, seekable=seekable)
        assert rows_of(before) + rows_of(after) == ROWS
        assert [piece.first for piece in after][:1] in ([first.rows + 1], [])
        assert second.mark == Mark(len(WHOLE), 300, WHOLE.rstrip()[-16:].decode())
    assert first.cut == WHOLE[:cut].rpartition(b"\n")[2]
    assert first.cut_bytes == len(first.cut)
    assert bool(first.problems) == bool(first.cut)


def test_going_on_finds_what_does_not_follow():
    """From a mark on, a row that does not follow from the last one is damage; without a chain value nothing is held."""
    mark = read(WHOLE[: WHOLE.index(b"\n100,") + 1])[0].mark
    wrong = Mark(mark.offset, mark.rows, "0" * 16)
    table, pieces = read(WHOLE, mark=wrong)
    assert (table.wrong_row, pieces, table.mark) == (101, [], wrong)
    table, pieces = read(WHOLE, mark=Mark(mark.offset, mark.rows))
    assert (table.wrong_row, len(rows_of(pieces)), table.mark) == (None, 200, Mark(len(WHOLE), 300, ""))
    table, pieces = read(WHOLE.replace(b"\n100,", b"\n101,"), run_json=None)
    assert (table.wrong_row, len(rows_of(pieces)), table.problems) == (None, 300, ())


@pytest.mark.parametrize("row", [1, 2, 150, 300])
def test_rows_before_damage_are_given_those_behind_only_to_who_asks(piece_bytes, row):
    """The first wrong row is named; behind it all rows come marked, or none."""
    begin = WHOLE.index(f"\n{row - 1},".encode()) + 1
    damaged = WHOLE[:begin] + bytes([WHOLE[begin] ^ 1]) + WHOLE[begin + 1 :]
    table, pieces = read(damaged)
    assert rows_of(pieces) == ROWS[: row - 1]
    assert (table.wrong_row, table.rows, table.mark.rows) == (row, row - 1, row - 1)
    assert table.damage == [f"t.csv:{row + 1}: row {row} is not as it was written, or one before it is missing"]
    table, pieces = read(damaged, behind=True)
    assert len(rows_of(pieces)) == 300
    assert next(piece.first for piece in pieces if not piece.sound) == row
    assert rows_of(piece for piece in pieces if piece.sound) == ROWS[: row - 1]
    assert (table.rows, table.mark.rows, table.offset) == (300, row - 1, len(WHOLE))


@pytest.mark.parametrize("size", [1, 512, 4096, 3 * LONGEST_LINE])
def test_zero_bytes_at_the_end_are_an_unfinished_row(size):
    """Room that a crash left unwritten, however much: told with its length, and no row is called damaged."""
    table, pieces = read(WHOLE + bytes(size))
    assert (len(rows_of(pieces)), table.damage, table.cut_bytes) == (300, [], size)
    assert table.problems == (f"t.csv: row 301 is unfinished: the last {size} bytes are left out",)
    assert len(table.cut) == min(size, LONGEST_LINE)
    assert table.blank


def test_zero_bytes_in_the_middle_are_damage():
    """Zeros with rows behind them are no end."""
    at = WHOLE.index(b"\n200,") + 1
    table, pieces = read(WHOLE[:at] + bytes(600) + WHOLE[at:])
    assert (table.wrong_row, len(rows_of(pieces))) == (201, 200)
    table, _ = read(WHOLE[:at] + bytes(3 * LONGEST_LINE) + b"\n" + WHOLE[at:])
    assert (table.wrong_row, table.too_long) == (201, 1)


@pytest.mark.parametrize("piece", [1 << 12, LONGEST_LINE, 1 << 20])
def test_a_line_longer_than_any_row_is_damage_and_thrown_away(monkeypatch, piece):
    """It is told with its row; rows behind it keep their numbers; a line of just the bound is read."""
    monkeypatch.setattr(stream, "PIECE_BYTES", piece)
    at = WHOLE.index(b"\n200,") + 1
    for size, row in ((LONGEST_LINE + 1, 201), (5 * LONGEST_LINE, 201)):
        data = WHOLE[:at] + b"y" * size + b"\n" + WHOLE[at:]
        table, pieces = read(data, behind=True)
        assert table.damage == [f"t.csv:{row + 1}: row {row} is longer than any row"]
        assert (table.too_long, table.rows, table.offset) == (1, 301, len(data))
        assert rows_of(pieces) == ROWS
        assert next(each.first for each in pieces if not each.sound) == row + 1
        assert rows_of(read(data)[1]) == ROWS[:200]
    long = chained(HEADER, ["1," + "z" * (LONGEST_LINE - 19), "2,b"])
    assert read(long)[0].problems == ()
    assert read(chained(HEADER, ["1," + "z" * (LONGEST_LINE - 18), "2,b"]))[0].wrong_row == 1


def test_an_unfinished_line_longer_than_any_row_is_damage():
    """Not zeros, no end: nobody wrote that as a row."""
    table, pieces = read(WHOLE + b"y" * (LONGEST_LINE + 1))
    assert (len(rows_of(pieces)), table.wrong_row, table.blank) == (300, 301, False)
    assert table.damage == ["t.csv:302: row 301 is longer than any row"]
    assert read(WHOLE + b"y" * LONGEST_LINE)[0].damage == []


def test_memory_does_not_grow_with_the_file():
    """8 MB of rows, one line of 20 MB, 20 MB of zeros: a few pieces of memory, and no read larger than a piece."""
    row = "1," + "v" * 400
    tables = [chained(HEADER, [row] * 20_000), WHOLE + b"y" * 20_000_000 + b"\n", WHOLE + bytes(20_000_000)]
    for data in tables:
        memory = Memory({"t.csv": data})
        table, file = open_table(memory, "t.csv", KNOWN, RUN_JSON, behind=True)
        tracemalloc.start()
        try:
            count = sum(len(piece.lines) for piece in table.pieces())
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        file.close()
        assert count in (20_000, 300)
        assert peak < 7_000_000
        assert memory.largest[0] == stream.PIECE_BYTES


@given(
    rows=st.lists(st.text("abc,\"'\n", max_size=5).map(lambda text: text.replace("\n", "")), max_size=30),
    data=st.data(),
)
def test_first_wrong_is_the_walk_row_by_row(rows, data):
    """Checked all at once or one after the other: the same first wrong row, whatever byte was changed."""
    lines = chained(HEADER, rows).split(b"\n")[1:-1]
    begin = chain_start(HEADER, RUN_JSON)
    assert first_wrong(lines, begin) == len(lines)
    assert stream._all_follow(lines, begin.encode())  # else every walk would be the slow one
    if lines:
        which = data.draw(st.integers(0, len(lines) - 1))
        place = data.draw(st.integers(0, len(lines[which]) - 1))
        changed = bytearray(lines[which])
        changed[place] ^= data.draw(st.integers(1, 255))
        lines[which] = bytes(changed)
        assert first_wrong(lines, begin) == which == walk(lines, begin).wrong_row - 1
        assert not stream._all_follow(lines, begin.encode())


@pytest.mark.parametrize("line", [b"", b"x", b"0123456789abcdef", b",", b"a" * 17])
def test_a_line_too_short_for_a_chain_value_is_wrong(line):
    """Nothing is taken for a value that stands elsewhere."""
    lines = chained(HEADER, ["1,a", "2,b"]).split(b"\n")[1:-1]
    assert first_wrong([lines[0], line, lines[1]], chain_start(HEADER, RUN_JSON)) == 1


def test_a_damaged_header_is_told_and_the_rows_still_hold():
    """The rows are walked from the header that was written; they are whole."""
    table, pieces = read(b"A" + WHOLE[1:])
    assert (table.header_right, table.columns, table.wrong_row) == (False, KNOWN, None)
    assert table.damage == ["t.csv:1: the header is not a,b,chain"]
    assert rows_of(pieces) == ROWS
    for data in (b"", b"a,b", b"y" * (LONGEST_LINE + 1) + b"\n" + WHOLE.partition(b"\n")[2]):
        table = read(data)[0]
        assert table.damage == ["t.csv:1: the header is not a,b,chain"]
        assert table.cut_bytes == (3 if data == b"a,b" else 0)
        assert table.wrong_row is None


def test_columns_of_a_later_version_are_its_own():
    """One more column before the chain is read as the header says; any other header is not ours."""
    later = chained("a,b,new,chain", ["1,2,3"])
    table, pieces = read(later)
    assert (table.columns, table.problems, rows_of(pieces)) == (("a", "b", "new", "chain"), (), ["1,2,3"])
    for wrong in ("b,a,chain", "a,chain", "a,b,new", "a,b,b,chain", "a,b,,chain", "chain", "a,c,b,chain"):
        assert not grown(tuple(wrong.split(",")), KNOWN)
    assert all(grown(columns, columns) for columns in (*TABLES.values(), AFTER_COLUMNS))


def test_cells_are_as_rfc_4180_has_them():
    """Quotes, doubled quotes and commas inside them; bytes that are no text, zeros and stray line ends do no harm."""
    assert cells_of(b'1,"a, ""b""",,\xe2\x82\xac') == ["1", 'a, "b"', "", "\u20ac"]
    assert cells_of(b"") == []
    assert cells_of(b",") == ["", ""]
    assert cells_of(b"a\rb,c\0d,\xff") == ["a b", "c d", "\ufffd"]
    assert cells_of(b'"a\rb",c') == ["a b", "c"]
    assert cells_of(b'"open,c') == ["open,c"]


class Broken:
    def __init__(self, data):
        self.data = data

    def read(self, size):
        if not self.data:
            raise OSError(5, "Input/output\x1b error")
        data, self.data = self.data, b""
        return data


def test_a_disk_that_fails_is_a_clean_error_behind_the_rows():
    """What came is given; then one clean line says why no more does."""
    table = TableStream("t.csv", Broken(WHOLE), KNOWN, RUN_JSON)
    seen = []
    with pytest.raises(RecordError, match=r"t\.csv: cannot be read: Input/output\? error"):
        seen.extend(table.pieces())
    assert rows_of(seen) == ROWS
    assert open_table(table_of(b""), "after.csv", AFTER_COLUMNS) is None


def test_rows_behind_damage_are_given_to_nobody_by_itself():
    """Who does not ask gets the sound rows only, however the table was opened."""
    damaged = WHOLE.replace(b"\n200,", b"\n201,")
    table, file = open_table(Memory({"t.csv": damaged}), "t.csv", KNOWN, RUN_JSON)
    with file:
        assert len(rows_of(table.pieces())) == 200
    table = TableStream("t.csv", Memory({"t.csv": damaged}).open("t.csv"), KNOWN, RUN_JSON)
    assert len(rows_of(table.pieces())) == 200


def test_a_row_of_the_largest_size_is_still_cut_into_cells():
    """The bound is one that the standard library takes as a cell, too."""
    assert LONGEST_LINE == 131_072
    cell = b'"' + b"x," * (LONGEST_LINE // 2 - 2) + b'"'
    assert [len(one) for one in cells_of(cell + b",1")] == [LONGEST_LINE - 4, 1]


def test_the_end_of_a_line_that_is_too_long_may_begin_a_piece():
    """The line end itself is not lost when it is the first byte read."""
    line = stream._OpenLine()
    assert list(line.take(b"y" * (LONGEST_LINE + 1))) == []
    assert list(line.take(b"\nab\ncd")) == [([], LONGEST_LINE + 2), ([b"ab"], 3)]
    assert (line.start, line.length) == (b"cd", 2)
