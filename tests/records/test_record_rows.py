"""Cells, rows, columns: hostile text in, plain CSV out."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.types import LOST, Quality, Value
from controller.records.rows import (
    EVENT_COLUMNS,
    LOG_COLUMNS,
    PROOF_COLUMNS,
    EventRow,
    LogRow,
    cell,
    cells_text,
    clean,
    elapsed,
    event_text,
    fixed,
    log_text,
    parse_time,
    scalar,
    time_utc,
)

hostile = st.text(st.characters(exclude_categories=()), max_size=60) | st.sampled_from(
    [
        "=1+1",
        "+A1",
        "-2",
        "@SUM(A1)",
        "\t=1",
        " =1",
        "\r\n=cmd",
        'a"b',
        "a,b",
        "\x1b[31mred",
        "\u202eabc",
        "\ud800",
        "'",
        "",
    ]
)


@given(st.lists(hostile, min_size=7, max_size=7))
def test_hostile_text_comes_back_cleaned_and_in_its_own_cell(texts):
    """Any text, whatever it holds, is one cell of one line for a CSV reader, and reads as its cleaned form."""
    row = EventRow(0, 0, texts[0], texts[1], texts[2], texts[3], texts[4], texts[5], 1, None, None, "", texts[6])
    line = event_text(row, 0) + ",0123456789abcdef\n"
    line.encode("utf-8")
    assert line.count("\n") == 1
    assert "\r" not in line
    (back,) = csv.reader(io.StringIO(line, newline=""))
    assert len(back) == len(EVENT_COLUMNS)
    assert [back[2], back[3], back[4], back[5], back[6], back[7], back[12]] == [clean(text) for text in texts]


@given(hostile)
def test_cleaning_leaves_nothing_to_act_upon_and_is_done_once(text):
    """Cleaned text has no control or direction character, begins no formula, and does not change when cleaned again."""
    cleaned = clean(text)
    assert not cleaned.startswith(("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20"))
    assert not any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 or 0x202A <= ord(c) <= 0x202E for c in cleaned)
    assert clean(cleaned) == cleaned


def test_endless_text_is_cut_and_says_so():
    """Ten megabytes become one bounded cell."""
    cleaned = clean("x" * 10_000_000)
    assert len(cleaned) <= 2_000
    assert cleaned.endswith("...")


@pytest.mark.parametrize(
    ("number", "text"),
    [(None, ""), (float("nan"), ""), (float("inf"), ""), (-0.0004, "0.000"), (-1.5, "-1.500"), (0.0, "0.000")],
)
def test_missing_numbers_are_empty_and_zero_has_no_sign(number, text):
    """Missing is never 0, and no number is printed as minus nothing."""
    assert fixed(number, 3) == text


def test_scalars_of_events():
    """Numbers stay numbers, a flag is a word, text is cleaned and quoted."""
    assert [scalar(v) for v in (None, True, 3, -2.5, float("nan"), "=1", "a,b")] == [
        "", "yes", "3", "-2.5", "", "'=1", '"a,b"',
    ]  # fmt: skip


@given(st.integers(-62_000_000_000_000, 253_000_000_000_000))
def test_times_are_iso_8601_with_milliseconds_and_exact(utc_ms):
    """A wall time, before 1970 too, comes back to the millisecond."""
    text = time_utc(utc_ms)
    assert text.endswith("Z")
    assert text[19] == "."
    assert parse_time(text) == utc_ms


def test_time_without_zone_is_refused():
    """A moment without its zone is no moment."""
    with pytest.raises(ValueError, match="time zone"):
        parse_time("2026-03-16T06:00:00")


def test_elapsed_is_exact_after_weeks():
    """Elapsed seconds come from whole milliseconds, with no rounding."""
    assert elapsed(9_007_199_254_740_993, 0) == "9007199254740.993"
    assert elapsed(0, 1) == "-0.001"


def test_log_row_leaves_bad_numbers_out_and_says_why():
    """A lost or stale number is an empty cell; the quality column names it; a suspect number is printed."""
    row = LogRow(
        0, 12_345, 3, "running", 15.0, Value(14.9, Quality.STALE, 4000), Value(250.0, Quality.SUSPECT),
        Value(31.0, Quality.OUT_OF_RANGE), LOST, 1.0, 0.0, 2.0,
    )  # fmt: skip
    cells = dict(zip(LOG_COLUMNS, log_text(row, 0).split(","), strict=False))
    assert cells["elapsed_s"] == "12.345"
    assert (cells["current_A"], cells["voltage_V"], cells["bath_C"], cells["probe_C"]) == ("", "250.000", "", "")
    assert cells["quality"] == "current_A=stale voltage_V=suspect bath_C=out_of_range probe_C=lost"
    assert len(log_text(row, 0).split(",")) == len(LOG_COLUMNS) - 1


def test_a_row_with_too_few_cells_is_refused():
    """Every column has a value, or the row is no row of this table."""
    with pytest.raises(ValueError, match="time_utc, item"):
        cells_text(["2026", "probe"], PROOF_COLUMNS)


def test_quoting_is_done_only_where_needed():
    """A comma or a quote makes a quoted cell, nothing else does."""
    assert (cell("a b"), cell("a,b"), cell('say "x"')) == ("a b", '"a,b"', '"say ""x"""')
