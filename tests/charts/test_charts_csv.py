"""The table beside a figure reads back as the numbers that were drawn."""

from __future__ import annotations

import csv
import io
import math

from hypothesis import given
from hypothesis import strategies as st

from controller.charts.csvtable import to_csv
from controller.charts.figure import Dot, Dots, Figure, Line, Panel, Span, band, limit, mark, shares


def table(figure):
    rows = list(csv.reader(io.StringIO(to_csv(figure)), strict=True))
    assert {len(row) for row in rows} == {len(rows[0])}
    return rows


def column(rows, head):
    return [row[rows[0].index(head)] for row in rows[1:]]


def figure(*lines, spans=(), unit="A"):
    return Figure("t", "f", "time", "h", [Panel("current", unit, lines)], spans)


def test_heads_have_units_and_rows_are_shared():
    """Lines of different x share one table, in the order of x; missing is empty; a limit stands in every row."""
    rows = table(
        figure(
            Line("read", [0, 1, 2], [1.5, None, math.nan]),
            Line("course", [0, 0.5, 2], [1, 2, 3], "course"),
            band("sisters", [2], [0.5], [4]),
            limit("most", 15),
        )
    )
    assert rows == [
        ["time (h)", "read (A)", "course (A)", "sisters low (A)", "sisters high (A)", "most (A)"],
        ["0", "1.5", "1", "", "", "15"],
        ["0.5", "", "2", "", "", "15"],
        ["1", "", "", "", "", "15"],
        ["2", "", "3", "0.5", "4", "15"],
    ]


def test_panels_name_their_columns_and_no_head_comes_twice():
    """With several panels the head says which quantity; equal heads are numbered."""
    panels = [
        Panel("current", "A", [Line("read", [0], [1]), Line("read", [0], [2])]),
        Panel("voltage", "V/cell", [Line("read", [0], [3])]),
    ]
    rows = table(Figure("t", "", "time", "h", panels))
    assert rows[0] == ["time (h)", "current: read (A)", "current: read (A) 2", "voltage: read (V/cell)"]
    assert rows[1] == ["0", "1", "2", "3"]


def test_spans_and_marks_are_columns():
    """Each row says its step, the end still the last one; a vertical mark and a step's start always have a row."""
    rows = table(
        figure(
            Line("read", [0, 3], [1, 2]),
            mark("knee", 1.5),
            mark("top", 3, 2),
            spans=[Span("1 a", 0, 1), Span("2 b", 1, 3)],
        )
    )
    assert rows == [
        ["time (h)", "read (A)", "top (A)", "step", "mark"],
        ["0", "1", "", "1 a", ""],
        ["1", "", "", "2 b", ""],
        ["1.5", "", "", "2 b", "knee"],
        ["3", "2", "2", "2 b", ""],
    ]


def test_order_is_kept_where_x_goes_back():
    """Lines that go back in x, or have points without x, keep their own order, one group below the other."""
    rows = table(figure(Line("a", [2, 1, 2], [5, 6, 7]), Line("b", [2, 1, 2], [1, 2, 3]), Line("c", [0, None], [8, 9])))
    assert rows[1:] == [
        ["2", "5", "1", ""],
        ["1", "6", "2", ""],
        ["2", "7", "3", ""],
        ["0", "", "", "8"],
        ["", "", "", "9"],
    ]


def test_steps_at_one_x_stay_two_rows():
    """A cumulative line starts with two points at its first x; both are kept in their order."""
    rows = table(figure(shares("runs", [3, 4]), unit="%"))
    assert rows[1:] == [["3", "0"], ["3", "50"], ["4", "100"]]


def test_nothing_and_limits_alone():
    """A figure without points is a head; with limits it has one row for them."""
    assert table(figure()) == [["time (h)"]]
    assert table(figure(limit("most", 15))) == [["time (h)", "most (A)"], ["", "15"]]


def test_texts_are_no_formulas():
    """Whatever a name begins with, no spreadsheet computes it; quotes, commas and controls do not leave their field."""
    names = ["=1+1", "+1", "-1", "@x", " =x", 'a"b,c', "d\ne\r", "\t=x"]
    rows = table(figure(*(Line(name, [0], [1]) for name in names), spans=[Span("=evil", 0, 1)]))
    assert rows[0][1:9] == [
        "'=1+1 (A)",
        "'+1 (A)",
        "'-1 (A)",
        "'@x (A)",
        "' =x (A)",
        'a"b,c (A)',
        "d e  (A)",
        "' =x (A) 2",
    ]
    assert rows[1][9] == "'=evil"
    assert "\r" not in to_csv(figure(Line("d\ne\r", [0], [-1])))
    assert table(figure(Line("a", [0], [-1])))[1] == ["0", "-1"]  # a number is no text


@given(
    st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=30).map(sorted),
    st.lists(st.none() | st.floats(-1e99, 1e99), min_size=30, max_size=30),
)
def test_numbers_read_back_exactly(x, y):
    """Every number is written so that it reads back as the same number."""
    rows = table(figure(Line("read", x, y[: len(x)])))
    assert [float(text) for text in column(rows, "time (h)")] == x
    assert [float(text) if text else None for text in column(rows, "read (A)")] == y[: len(x)]


def test_rows_of_dots():
    """Each row with its value, own range, and what all share; the head says what a row is."""
    dots = Dots("t", "", "off", "mV", [Dot("A01", 3, 1, None), Dot("=A02", None)], 0, -5, 5)
    assert table(dots) == [
        ["circuit", "off (mV)", "low (mV)", "high (mV)", "median (mV)", "range low (mV)", "range high (mV)"],
        ["A01", "3", "1", "", "0", "-5", "5"],
        ["'=A02", "", "", "", "0", "-5", "5"],
    ]
