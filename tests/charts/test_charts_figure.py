"""What a figure takes and refuses, and what counts as missing."""

from __future__ import annotations

import math

import pytest

from controller.charts.figure import Dot, Dots, Figure, Line, Panel, Span, band, limit, mark, shares


def test_missing_numbers_are_none():
    """NaN, infinity, None and numbers beyond any quantity are one thing: missing; all others stay as they are."""
    line = Line("a", [0, 1, 2, 3, 4, 5], [1.5, math.nan, math.inf, None, -2e100, -1e100])
    assert line.y == (1.5, None, None, None, None, -1e100)
    assert line.x == (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)
    assert Dot("a", math.nan, low=-math.inf, high=3) == Dot("a", None, None, 3.0)


@pytest.mark.parametrize(
    ("make", "what"),
    [
        (lambda: Line("a", [0, 1], [1]), "2 x but 1 y"),
        (lambda: Line("a", [0], [1], "dotted"), "style 'dotted' is none of read, course, band, limit, mark"),
        (lambda: Line("a", [0, 1], [1, 2], "band", [3]), "`high` has 1 values"),
        (lambda: Line("a", [0], [1], "read", [3]), "`high` has 1 values"),
        (lambda: Line("a", [], [1, 2], "limit"), "one value, not 2"),
        (lambda: Span("a", 2, 1), "from 2 to 1"),
        (lambda: Span("a", 0, math.nan), "from 0 to nan"),
        (lambda: Figure("a", "", "x", "h", ()), "no panel"),
    ],
)
def test_what_cannot_be_drawn_is_refused(make, what):
    """A mistake of the caller is named where it is made, not found in the picture."""
    with pytest.raises(ValueError, match="a") as refused:
        make()
    assert what in str(refused.value)


def test_short_forms_make_lines():
    """Limit, band and mark are lines of their style, with the numbers where the drawing looks for them."""
    assert limit("hold", 55) == Line("hold", (), (55.0,), "limit")
    assert limit("hold", 55).everywhere
    assert not Line("hold", [0, 1], [55, 54], "limit").everywhere
    assert band("b", [0], [1], [2]).high == (2.0,)
    assert mark("knee", 3) == Line("knee", (3.0,), (None,), "mark")
    assert mark("knee", 3, 4).y == (4.0,)


def test_shares_count_all_runs():
    """The share at x is that of all values at most x; equal values are one step; the missing count but never arrive."""
    line = shares("end", [3, 1, None, 2, 2])
    assert line.x == (1.0, 1.0, 2.0, 3.0)
    assert line.y == (0.0, 20.0, 60.0, 80.0)
    assert line.stepped
    assert shares("end", []).x == shares("end", [None]).x == ()


def test_outside_needs_a_value_and_a_range():
    """A row differs only by a value beyond an edge; on the edge it does not."""
    dots = Dots("t", "", "x", "mV", (), low=-1, high=2)
    values = (None, -1.0, 2.0, 0.0, -1.1, 2.1)
    assert [dots.outside(Dot("a", value)) for value in values] == [False, False, False, False, True, True]
    assert not Dots("t", "", "x", "mV", ()).outside(Dot("a", 1e9))
    assert Panel("y", "", [], include=[math.nan, 1]).include == (1.0,)
