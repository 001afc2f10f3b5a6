"""The chart: nothing drawn that was not read, no limit touched that was not reached, no extreme left out."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from datetime import timedelta, timezone
from itertools import pairwise

import pictures
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from controller.console import layout
from controller.console.scale import Limit, Span, edges, levels, row_of
from controller.console.scene import TrendData
from controller.console.series import Column, Window, columns_of, extremes
from controller.console.trend import QUANTITIES, RIGHT_END, chart, plot_width

ZONE = timezone(timedelta(hours=1))
START_MS = pictures.NOW_MS - 11 * pictures.HOUR
END = 11 * 360
"""Rows of eleven hours, one each ten seconds: up to the picture's moment."""


def data(rows=END, folder="f", **columns):
    """A log; a column is a function from the row's number to its value."""
    made = {name: tuple(made(number) for number in range(rows)) for name, made in columns.items()}
    return TrendData(folder, tuple(10.0 * number for number in range(rows)), **made)


def scene(log, **place):
    one = pictures.picture([pictures.circuit("A07", folder="f")])
    return replace(pictures.scene(one, zone=ZONE, **place), trend=log)


def texts(log, quantity="hot", width=80, height=8, **place):
    return [each.text for each in chart(scene(log, **place), width, height, quantity)]


def stars(lines):
    """The columns with a reading, over all rows of the plot."""
    found = set()
    for line in lines[1:-1]:
        found |= {at for at, glyph in enumerate(line[7:]) if glyph == "*"}
    return found


def test_chart_has_the_layout_of_eight_rows():
    """Head, six rows of four kelvin below the hold level, times; every glyph is ASCII."""
    lines = texts(data(hot_C=lambda number: 35.0 + 17.0 * number / END))
    assert lines[0] == "hot C  * read  - limit  # reached                                last 4 h  [+ -]"
    assert [line[:7] for line in lines[1:7]] == [f"{at:>5} |" for at in (55, 51, 47, 43, 39, 35)]
    assert lines[1] == "   55 |" + "-" * 67 + " hold"
    assert lines[-1].startswith("      |23:14---")
    assert lines[-1].endswith("---03:14")
    assert all(line.isascii() and len(line) <= 80 for line in lines)


def test_one_reading_of_four_hours_is_drawn():
    """A spike of one row stands in its column: an extreme, no mean."""
    peak = END - 700
    lines = texts(data(hot_C=lambda number: 54.9 if number == peak else 40.0))
    column = int((700 * 10 / -14400 + 1) * 67)
    assert {at for at, glyph in enumerate(lines[1][7:]) if glyph == "*"} & {column, column - 1, column + 1}
    assert sum(line.count("*") for line in lines[1:3]) == 1


def test_both_ends_of_a_column_that_spans_rows_are_drawn():
    """A current that was off and on again within a column shows both."""
    log = data(current_A=lambda number: 0.0 if number == END - 700 else 12.0)
    lines = texts(log, "A")
    assert lines[-2].count("*") == 1
    assert lines[2].count("*") == 67


def test_gaps_stay_empty():
    """Neither lost values nor missing rows are drawn over; the rest is."""
    log = data(hot_C=lambda number: None if END - 800 < number < END - 500 else 40.0)
    holes = set(range(67)) - stars(texts(log))
    assert len(holes) == pytest.approx(300 * 10 / 14400 * 67, abs=2)
    assert holes == set(range(min(holes), max(holes) + 1))
    keep = [number for number in range(END) if not END - 800 < number < END - 500]
    missing = TrendData("f", tuple(10.0 * number for number in keep), tuple(40.0 for _ in keep))
    assert set(range(67)) - stars(texts(missing)) == holes


def test_columns_narrower_than_the_interval_are_no_gaps():
    """Ten minutes on wide paper: between two rows that follow each other the earlier value stands."""
    lines = texts(data(hot_C=lambda number: 40.0), width=213, window_s=600.0)
    assert stars(lines) == set(range(200))


def test_one_lost_value_is_a_gap_where_columns_are_narrow():
    """What was read before a lost value does not stand on over it."""
    lines = texts(data(hot_C=lambda number: None if number == END - 30 else 40.0), width=213, window_s=600.0)
    holes = set(range(200)) - stars(lines)
    assert 3 <= len(holes) <= 7
    assert holes == set(range(min(holes), max(holes) + 1))


def test_record_that_lags_shows_its_gap_at_the_right():
    """The right edge is now: what was not written for half an hour is seen as missing."""
    lines = texts(data(rows=END - 180, hot_C=lambda number: 40.0))
    assert max(stars(lines)) == pytest.approx(67 - 1800 / 14400 * 67, abs=2)
    assert lines[-1].endswith("03:14")


def test_fast_plant_s_record_is_no_gap():
    """Rows that reach the disk a little later are no gap where an hour of the plant takes seconds."""
    log = data(rows=END - 60, hot_C=lambda number: 40.0)
    one = pictures.picture([pictures.circuit("A07", folder="f")], pace={"ratio": 300.0, "paused": False})
    lines = [each.text for each in chart(replace(pictures.scene(one), trend=log), 80, 8, "hot")]
    assert stars(lines) == set(range(67))


def test_ended_run_ends_where_its_record_does():
    """A run that is over does not grow a gap for ever."""
    ended = pictures.circuit("A07", "complete", folder="f")
    log = data(rows=4000, hot_C=lambda number: 40.0)
    made = replace(pictures.scene(pictures.picture([ended])), trend=log)
    assert stars([each.text for each in chart(made, 80, 8, "hot")]) == set(range(67))


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_another_circuit_s_record_is_never_drawn(quantity):
    """While the selected circuit's log is still being read, there is nothing, not the one before."""
    log = data(folder="another", **dict.fromkeys(("hot_C", "voltage_V", "current_A", "charge_Ah"), lambda _: 1.0))
    lines = texts(log, quantity)
    assert "*" not in "".join(lines[1:])
    assert "nothing of this run" in lines[1]
    assert len(lines) == 8


def test_why_there_is_nothing_is_said():
    """No run, or a record that cannot be read."""
    free = replace(pictures.scene(pictures.picture([pictures.idle("A07")])), trend=None)
    assert "no run" in chart(free, 80, 8, "hot")[1].text
    log = TrendData("f", trouble="log.csv is not there")
    assert texts(log)[1] == "  log.csv is not there"


def test_quantities_have_their_own_scales_and_units():
    """Volts are per cell, current begins at zero, charge ends at the cap."""
    log = data(
        hot_C=lambda _: 40.0, voltage_V=lambda _: 108 * 2.77, current_A=lambda _: 12.02, charge_Ah=lambda _: 144.0
    )  # fmt: skip
    volts, amps, charge = (texts(log, quantity) for quantity in ("V", "A", "Ah"))
    assert (volts[0][:10], amps[0][:9], charge[0][:9]) == ("V per cell", "current A", "charge Ah")
    assert volts[1].startswith(" 2.85 |***")
    assert volts[1].endswith(" limit")
    assert [line.count("*") for line in volts[1:3]] == [67, 0]
    assert [line[:5].strip() for line in amps[1:7]] == ["15", "12", "9", "6", "3", "0"]
    assert amps[2].count("*") == 67
    assert charge[1].startswith("212.6 |---")
    assert [line.count("*") for line in charge[1:4]] == [0, 67, 0]


def test_scale_is_the_same_whatever_was_read_within_it():
    """Two pictures compare: their rows stand for the same values."""
    labels = [
        [line[:7] for line in texts(data(hot_C=lambda number, at=at: at + number % 2))[1:-1]] for at in (36.0, 45, 53)
    ]
    assert labels[0] == labels[1] == labels[2]


def test_scale_widens_in_fixed_steps_where_a_value_lies_outside():
    """A cold start and a trip both fit, and the hold level keeps its own row."""
    cold = texts(data(hot_C=lambda number: 18.0 if number == END - 9 else 40.0))
    assert [line[:5].strip() for line in cold[1:-1]] == ["55", "47", "39", "31", "23", "15"]
    hot = texts(data(hot_C=lambda number: 61.0 if number == END - 9 else 40.0))
    assert [line[:5].strip() for line in hot[1:-1]] == ["60", "55", "50", "45", "40", "35"]
    assert hot[1].endswith(" trip")
    assert hot[2].endswith(" hold")


def test_fresh_string_does_not_widen_the_volts():
    """Before the first current there are no volts per cell; the lowest row says that it holds what is below."""
    lines = texts(data(voltage_V=lambda number: 0.3 if number < 30 else 290.0), "V", window_s=0.0)
    assert lines[-2].startswith("<1.85 |*")
    assert lines[1].startswith(" 2.85 |")


@st.composite
def scales(draw):
    """A full scale with a hold and a trip level, or with marks, and values about it."""
    high, width = draw(st.floats(1.0, 300.0)), draw(st.floats(0.5, 100.0))
    trip = high + width * draw(st.floats(0.05, 0.6))
    values = draw(st.lists(st.floats(-1.5, 0.8), min_size=1, max_size=20))
    limited = Span(high - width, high, high, (Limit(high, "hold"), Limit(trip, "trip")))
    span = draw(st.sampled_from((limited, Span(0.0, high, 0.0, marks=(high,)))))
    return span, [high + width * value for value in values]


@given(scales(), st.integers(2, 40))
def test_value_stands_in_the_row_whose_label_is_the_nearest(scale, count):
    """Whatever the scale became and however its labels are rounded: no other printed label is nearer to a value."""
    span, values = scale
    rows = levels(span, count, min(values), max(values))
    printed = [float(one.text) for one in rows]
    assert len(rows) == count
    assume(printed == sorted(set(printed)))
    if span.limits:
        assert "hold" in {one.name for one in rows}
        assert next(one.label for one in rows if one.name == "hold") == span.limits[0].at
    between = [(one + other) / 2.0 for one, other in pairwise(printed)]
    near = [middle + step for middle in between for step in (-1e-4, 1e-4)]
    for value in [*values, *printed, *near, printed[0] - 1e3, printed[-1] + 1e3]:
        here = abs(printed[row_of(edges(rows), value)] - value)
        assert here <= min(abs(one - value) for one in printed) + 1e-6


READ_OUT = re.compile(r"\d\d:\d\d:\d\d (-?\d+\.\d+) ")


def stands_at(lines):
    """The printed labels of the rows that hold something in the cursor's column, and all labels."""
    column = next(at for at in range(7, len(lines[-1])) if lines[-1][at] == "|")
    labels = {line[:5].strip(): line[column : column + 1] in {"*", "#"} for line in lines[1:-1]}
    return [float(label) for label, there in labels.items() if there], [float(label) for label in labels]


@pytest.mark.parametrize("quantity", ["hot", "A", "Ah"])
@pytest.mark.parametrize("height", [4, 5, 7, 8, 13, 17, 30])
def test_chart_and_cursor_tell_the_same(quantity, height):
    """On any height a value stands where the nearest printed label is, and that is the value that the cursor reads."""
    name = {"hot": "hot_C", "A": "current_A", "Ah": "charge_Ah"}[quantity]
    for value in (0.0, 1.0, 12.9, 15.0, 29.9, 41.0, 42.9, 49.9, 50.0, 50.8, 54.9, 55.0, 60.2, 211.9, 212.7):
        lines = texts(data(**{name: lambda _, value=value: value}), quantity, height=height, trend_cursor=30)
        here, labels = stands_at(lines)
        assert float(READ_OUT.search(lines[0])[1]) == value
        (label,) = here
        assert abs(label - value) == pytest.approx(min(abs(one - value) for one in labels))


def test_circuit_page_draws_the_same_as_the_trend_page():
    """Both pages draw one chart: 50.8 degrees stand at 51, with the alarm above them or not."""
    log = data(hot_C=lambda _: 50.8)
    for page, height in (("circuit", 18), ("trend", 18), ("circuit", 34)):
        made = replace(scene(log, page=page, trend_cursor=30))
        lines = [row.text for row in layout.PAGES[page](made, 80, height)]
        lines = lines[next(at for at, line in enumerate(lines) if line.endswith("[+ -]")) :]
        lines = lines[: next(at for at, line in enumerate(lines) if line.startswith("      |")) + 1]
        (label,), labels = stands_at(lines)
        assert "50.8 C" in lines[0]
        assert abs(label - 50.8) == min(abs(one - 50.8) for one in labels)


def test_plan_s_current_has_a_row_of_its_own():
    """Fifteen amperes stand at 15, not at 16 or 20, on however few rows."""
    for height in range(4, 30):
        here, _ = stands_at(texts(data(current_A=lambda _: 15.0), "A", height=height, trend_cursor=30))
        assert here == [15.0]


@pytest.mark.parametrize(
    ("value", "row", "glyph"), [(52.9, 2, "*"), (53.1, 1, "*"), (54.9, 1, "*"), (55.0, 1, "#"), (56.9, 1, "#")]
)
def test_a_limit_s_row_tells_whether_it_was_reached(value, row, glyph):
    """The row is the nearest one; the glyph says whether what stands in a limit's row is at it, or only near it."""
    lines = texts(data(hot_C=lambda _: value))
    assert lines[0].startswith("hot C  * read  - limit  # reached ")
    assert {number: line[7:74] for number, line in enumerate(lines[1:-1], 1) if set(line[7:74]) & {"*", "#"}} == {
        row: glyph * 67
    }


@pytest.mark.parametrize(
    ("charge", "label", "glyph"), [(159.0, "160", "*"), (211.9, "212.6", "*"), (212.6, "212.6", "#")]
)
def test_cap_has_a_row_of_its_own(charge, label, glyph):
    """The cap lies between two steps of the scale; its row stands for just the cap."""
    lines = texts(data(charge_Ah=lambda _: charge), "Ah")
    (row,) = [line for line in lines[1:-1] if set(line[7:74]) & {"*", "#"}]
    assert (row[:5].strip(), row[7]) == (label, glyph)


def test_the_axis_is_no_elapsed_time():
    """A clock time at its left end, perhaps of before the run, has no plus before it as a time since the start has."""
    for at in (None, 0):
        last = texts(data(hot_C=lambda _: 40.0), trend_cursor=at)[-1]
        assert "+" not in last
        assert last.startswith("      |")


@given(st.lists(st.floats(-20.0, 20.0), min_size=1, max_size=60), st.integers(1, 30), st.booleans())
def test_no_extreme_of_a_column_is_lost(values, columns, highest):
    """The greatest is drawn, and whatever lies a whole row away from it."""
    times = [float(number) for number in range(len(values))]
    found = columns_of(times, values, Window(0.0, float(len(values)), columns))
    known = [column for column in found if column is not None]
    assert max(column.greatest for column in known) == max(values)
    assert min(column.least for column in known) == min(values)
    for column in known:
        drawn = extremes(column, None, 1.0, highest=highest)
        assert column.greatest in drawn
        assert all(abs(column.least - one) < 1.0 for one in drawn) or column.least in drawn


def test_extreme_is_what_departs_from_the_column_before():
    """A current that fell shows its fall."""
    before = Column(12.0, 12.0, 12.0)
    assert extremes(Column(11.2, 12.0, 12.0), before, 3.0, highest=False) == (11.2,)
    assert extremes(Column(11.2, 12.0, 12.0), before, 3.0, highest=True) == (12.0,)
    assert extremes(Column(0.0, 12.0, 12.0), before, 3.0, highest=True) == (0.0, 12.0)


def test_cursor_reads_out_time_and_value():
    """One line tells both, the axis shows where; from the right end it counts back."""
    log = data(hot_C=lambda number: 40.0 + 10.0 * number / END)
    lines = texts(log, trend_cursor=0)
    assert lines[0].startswith("hot C  23:14:")
    assert f"{40.0 + 10.0 * 7 / 11:.1f} C" in lines[0]
    assert lines[-1][7] == "|"
    last = texts(log, trend_cursor=RIGHT_END)
    assert last[-1][7 + plot_width(80) - 1] == "|"
    assert " 50.0 C" in last[0]
    assert texts(log, trend_cursor=RIGHT_END - 5)[-1][7 + plot_width(80) - 6] == "|"
    assert texts(log, trend_cursor=10**9)[-1] == last[-1]


def test_cursor_in_a_gap_reads_nothing():
    """Where nothing was read no value is told."""
    assert "nothing read" in texts(data(hot_C=lambda number: None), trend_cursor=30)[0]


def test_event_s_moment_is_shown_with_the_cursor_on_it():
    """A moment before the window moves the window; the head no longer says that it is the last."""
    log = data(hot_C=lambda number: 40.0 if number != 360 else 47.5)
    lines = texts(log, trend_utc="2026-03-16T16:14:31.000Z", window_s=3600.0)
    assert "17:1" in lines[0]
    assert "47.5 C" in lines[0]
    assert "1 h of it" in lines[0]
    assert abs(lines[-1].index("|", 7) - 7 - plot_width(80) // 2) <= 1
    assert texts(log, trend_utc="nonsense", window_s=3600.0) == texts(log, window_s=3600.0)


def test_any_scene_any_size_never_raises_and_never_is_wider():
    """Whatever was read, at any size: exactly the rows asked for, none wider, ASCII only."""
    chance = random.Random(11)
    numbers = (None, 0.0, 40.0, -7.5, 1e300, -1e300, float("nan"), float("inf"), 55.0)
    for _ in range(400):
        made = pictures.any_scene(
            chance, window_s=chance.choice([600.0, 0.0, -5.0, float("nan"), 1e12]), trend_utc=chance.choice(["", "x"]),
            trend_cursor=chance.choice([None, 0, 30, -4, 10**6, 10**7]),
        )  # fmt: skip
        count = chance.choice([0, 1, 2, 50])
        columns = [tuple(chance.choice(numbers) for _ in range(count)) for _ in range(5)]
        times = tuple(sorted(chance.choice([0.0, 1e9, 10.0, 3e4]) + number for number in range(count)))
        folder = chance.choice(["", "f"])
        if made.selected is not None:
            seen, circuit = made.selected
            known = circuit.model_copy(update={"folder": folder})
            one = seen.picture.model_copy(update={"circuits": (known,)})
            made = replace(made, baths=tuple(replace(seen, picture=one) if b is seen else b for b in made.baths))
        made = replace(made, trend=chance.choice([None, TrendData(folder, times, *columns)]))
        width, height = chance.randint(40, 300), chance.randint(1, 100)
        rows = chart(made, width, height, chance.choice([*QUANTITIES, "else"]))
        assert len(rows) == height
        assert all(len(row.text) <= width and row.text.isascii() for row in rows)
