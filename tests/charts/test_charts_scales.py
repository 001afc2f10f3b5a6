"""Axes: round numbers, hours of a clock, ranges that hold the data."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.charts.scales import exact_range, make_axis, padded_range, plain


def texts(low, high, unit="", length=600.0, room=60.0):
    return [text for _, text in make_axis((low, high), unit, length, lambda _: room).ticks]


def test_steps_are_1_2_5():
    """The finest step that fits is taken, and every tick has the digits that the step needs."""
    assert texts(0, 10) == [str(n) for n in range(11)]
    assert texts(0, 18) == ["0", "2", "4", "6", "8", "10", "12", "14", "16", "18"]
    assert texts(0, 40) == ["0", "5", "10", "15", "20", "25", "30", "35", "40"]
    assert texts(2.05, 2.25, room=140) == ["2.05", "2.10", "2.15", "2.20", "2.25"]
    assert texts(-0.3, 0.3, room=150) == ["-0.2", "0.0", "0.2"]


def test_hours_are_those_of_a_clock():
    """Whole hours as a number, shorter steps as h:mm or h:mm:ss; the unit says which."""
    assert texts(0, 24, "h", room=120) == ["0", "6", "12", "18", "24"]
    assert texts(0, 18.4, "h", room=60) == ["0", "2", "4", "6", "8", "10", "12", "14", "16", "18"]
    assert texts(0, 1, "h", room=140) == ["0:00", "0:15", "0:30", "0:45", "1:00"]
    assert texts(-0.5, 0.5, "h", room=140) == ["-0:30", "-0:15", "0:00", "0:15", "0:30"]
    assert texts(1, 1 + 60 / 3600, "h", room=140) == ["1:00:00", "1:00:15", "1:00:30", "1:00:45", "1:01:00"]
    units = [make_axis((0, high), "h", 600, lambda _: 140.0).unit for high in (20, 1, 0.01, 1e-6)]
    assert units == ["h", "h:mm", "h:mm:ss", "h"]
    assert make_axis((0, 1), "A", 600, lambda _: 140.0).unit == "A"


@pytest.mark.parametrize("size", [1e-90, 1e-9, 1e-3, 1.0, 1e6, 1e15, 1e99])
def test_every_size_has_ticks_that_differ(size):
    """From the smallest to the largest quantity: two ticks at least, all different texts, none long."""
    for low, high in ((0.0, size), (-size, size), (-size, 0.0), (0.31 * size, size)):
        found = texts(low, high, length=150, room=28)
        assert 2 <= len(found) <= 6
        assert len(set(found)) == len(found)
        assert max(map(len, found)) <= 9


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.sampled_from(["h", "A"]), st.floats(100, 900))
def test_ticks_lie_in_the_range_and_apart(low, span, unit, length):
    """No tick leaves the axis, and neighbours have the room that was asked for."""
    axis = make_axis((low, low + span), unit, length, lambda text: 6.0 * len(text) + 10)
    places = [axis.share(value) * length for value, _ in axis.ticks]
    assert all(-1e-6 <= place <= length + 1e-6 for place in places)
    assert all(
        b - a >= 6.0 * len(text) + 10 - 1e-3 for a, b, (_, text) in zip(places, places[1:], axis.ticks, strict=False)
    )


def test_ranges_are_opened_where_there_is_none():
    """A constant gets an axis around it, nothing one from 0 to 1; positive data get no negative axis."""
    assert exact_range([]) == (0.0, 1.0)
    assert exact_range([3, 1, 2]) == (1, 3)
    assert exact_range([20.0, 20.0]) == (19.0, 21.0)
    assert exact_range([0.0]) == (-1.0, 1.0)
    assert exact_range([-20.0]) == (-21.0, -19.0)
    assert padded_range([0.0, 10.0]) == (0.0, 10.5)
    assert padded_range([-10.0, 0.0]) == (-10.5, 0.0)
    assert padded_range([10.0, 20.0]) == (9.5, 20.5)
    assert padded_range([-10.0, 10.0]) == (-11.0, 11.0)


def test_plain_numbers():
    """Six digits at most, no minus at zero, no filling in an exponent."""
    assert [plain(n) for n in (50.0, 2.85, -0.0, 1234567, 1e9, 1e-7)] == ["50", "2.85", "0", "1.23457e6", "1e9", "1e-7"]
