"""Typed columns: cell by cell what the plainest reading gives, whatever stands in the cells."""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tablekit import RUN_JSON, Memory, chained, table_of

from controller.core.types import Quality, Value
from controller.records import typed
from controller.records.errors import RecordError
from controller.records.fastcells import cut, fixed, times
from controller.records.reader import read_table
from controller.records.rows import EventRow, LogRow, cell, event_text, log_text, time_utc
from controller.records.rows import fixed as written
from controller.records.tables import AFTER_HEADER, BATTERY_HEADER, EVENT_COLUMNS, EVENT_HEADER, LOG_COLUMNS, LOG_HEADER
from controller.records.typed import read_events, read_log
from controller.records.typedcolumns import MOST_TOLD, ms_of, number_of
from controller.records.typedlater import read_after, read_batteries

UTC_MS = 1_773_640_800_000
NUMBERS = LOG_COLUMNS[1:2] + LOG_COLUMNS[4:13]
DECIMALS = dict(zip(NUMBERS, (3, 3, 3, 3, 2, 2, 4, 4, 2, 1), strict=True))
TIME = "2026-03-16T06:00:00.000Z"


def row_of(**cells):
    """A row of the log without its chain value, its cells given as they stand there."""
    usual = {"time_utc": TIME, "step": "1", "state": "running", "quality": ""} | dict.fromkeys(NUMBERS, "1.0")
    return ",".join((usual | cells)[name] for name in LOG_COLUMNS[:-1])


def log_of(*rows, **changes):
    return read_log(table_of(chained(LOG_HEADER, list(rows))), **changes)


def plain_number(text):
    """The plainest way to read a number: Python's own, infinities and blanks left out."""
    try:
        found = float(text)
    except ValueError:
        return math.nan
    return found if math.isfinite(found) and text == text.strip() and text.isascii() and "_" not in text else math.nan


def same(a, b):
    return a == b or (math.isnan(a) and math.isnan(b))


usual_numbers = st.one_of(
    st.floats(-1e13, 1e13),
    st.floats(-100, 100),
    st.sampled_from([0.0, -0.0, 99_999.9999, 9.9999, 999.999, 1e9, 1e15, -1e15, 123456789.123456]),
)
odd_texts = st.one_of(
    st.text("0123456789.-+eE ", max_size=22),
    st.text("/09:.-", max_size=10),
    st.sampled_from(
        [
            "", "nan", "inf", "-", ".", "-.", "1.", ".5", "-.500", "1e3", "1e999", "1_0", " 1.0", "0x1", "--1.000",
            "1.000-", "12345678901234567890.000", "123456789012.345", "1234567890123456.789", "1\u0660", "\x00",
        ]
    ),
)  # fmt: skip


@settings(max_examples=150)
@given(data=st.data(), name=st.sampled_from(NUMBERS))
def test_numbers_are_what_float_gives(data, name):
    """With the writer's decimals or any others, negative, huge, empty or nonsense: the same number to the last bit."""
    made = st.builds(written, usual_numbers, st.just(DECIMALS[name]))
    texts = data.draw(st.lists(st.one_of(made, made, odd_texts), min_size=1, max_size=12))
    found = log_of(*(row_of(**{name: text}) for text in texts))
    values = getattr(found, name).tolist()
    assert found.rows == len(texts)
    assert all(same(value, plain_number(text)) for value, text in zip(values, texts, strict=True)), (texts, values)
    told = [text for text in texts if text and math.isnan(plain_number(text))]
    assert len([line for line in found.problems if f"in {name}" in line]) == len(told)


@given(st.lists(st.integers(-(10**16), 10**16), min_size=1, max_size=20), st.integers(0, 6))
def test_the_quick_way_alone_reads_all_that_has_fifteen_digits(numbers, decimals):
    """It is exact, and it does not leave to the slow way what it can read itself."""
    texts = [f"{'-' if n < 0 else ''}{abs(n) // 10**decimals}" for n in numbers]
    texts = [
        f"{t}.{abs(n) % 10**decimals:0{decimals}d}" if decimals else t for t, n in zip(texts, numbers, strict=True)
    ]
    cells = cut([f"{text},x".encode() for text in texts], 2)
    found, slow = fixed(cells, 0, decimals)
    short = [len(text.strip("-").replace(".", "")) <= 15 for text in texts]
    assert slow.tolist() == [row for row, ok in enumerate(short) if not ok]
    assert all(value == float(text) for value, text, ok in zip(found.tolist(), texts, short, strict=True) if ok)


moments = st.integers(-62_135_500_000_000, 253_402_2_00000_000).map(time_utc)
odd_times = st.one_of(
    st.sampled_from(
        [
            "", "2026-02-30T00:00:00.000Z", "2026-03-16T24:00:00.000Z", "2026-03-16T06:00:00.000", "now",
            "2026-03-16T06:60:00.000Z", "2026-03-16T06:00:60.000Z", "2026-03-16T06:00:00.000+01:00",
            "2026-03-16 06:00:00.000Z", "2026-W12-1T06:00:00.000Z", "2024-02-29T23:59:59.999Z",
            "2026-03-16T06:00:00.0000Z", "2026-03-16T0a:00:00.000Z", "2026-03-16T06:00:00.000z",
            "9999-12-31T23:59:59.999Z", "1969-12-31T23:59:59.999Z", "0000-00-00T00:00:00.000Z",
        ]
    ),
    st.text("0123456789-T:.Z", max_size=24),
)  # fmt: skip


@settings(max_examples=120)
@given(st.lists(st.one_of(moments, moments, odd_times), min_size=1, max_size=12))
def test_times_are_what_the_standard_library_gives(texts):
    """Any day of any year, next to each other, and what is no time is none."""
    found = log_of(*(row_of(time_utc=text) for text in texts))
    values = found.time.astype("datetime64[ms]").tolist()
    for text, value in zip(texts, values, strict=True):
        try:
            right = datetime.fromisoformat(text)
            right = right.astimezone(UTC).replace(tzinfo=None) if right.tzinfo else None
        except (ValueError, OverflowError):
            right = None
        if right is not None:
            right -= timedelta(microseconds=right.microsecond % 1000)
        assert value == right, text
    assert found.time.dtype == np.dtype("datetime64[ms]")


def test_times_and_words_of_any_table_go_the_quick_way():
    """As the writer writes them none is left to the slow way, wherever their column stands; signs or none."""
    for before in (0, 1):
        lines = [",".join(["-1"] * before + [time_utc(UTC_MS + 999 * n), "-2.5", "x"]).encode() for n in range(2_000)]
        cells = cut(lines, before + 3)
        found, slow = times(cells, before)
        assert found.tolist() == [UTC_MS + 999 * n for n in range(2_000)]
        assert slow.size == 0
        assert fixed(cells, before + 1, 1)[0].tolist() == [-2.5] * 2_000
        assert fixed(cells, before + 1, 1)[1].size == 0


words = st.sampled_from(["", "running", "held", "idle", "a_state_of_16_ch", "a_state_of_16_xh", "longer_than_sixteen_a",
                         "longer_than_sixteen_b", "longer_than_s1xteen_b", "\u00e9t\u00e9", "r"])  # fmt: skip


@given(st.lists(st.tuples(words, st.sampled_from(["", "1", "12", "0", "-1", "2147483648", "1.5", "x"])), min_size=1))
def test_words_and_steps_are_kept_as_they_stand(cells):
    """Each word has one code, however long and however often it changes; no step is -1."""
    found = log_of(*(row_of(state=word, step=step) for word, step in cells))
    assert found.state.texts() == [word for word, _ in cells]
    assert len(set(found.state.names)) == len(found.state.names)
    assert found.step.tolist() == [int(step) if step in {"1", "12", "0"} else -1 for _, step in cells]
    assert found.step.dtype == np.int32


def test_a_log_as_the_writer_writes_it_comes_back():
    """All columns of the writer's own rows, qualities by the number they belong to."""
    values = [Value(-15.25), Value(290.125), Value(None, Quality.OUT_OF_RANGE), Value(41.5, Quality.SUSPECT)]
    rows = [
        LogRow(UTC_MS, 1500, None, "held", 0.0, Value(0.0), Value(1.0), Value(2.0), Value(3.0), 0.0, 0.0, 0.0),
        LogRow(UTC_MS + 1, 2500, 3, "running", 15.0, *values, 12.3456, 1.5, 99.25, 62.5),
    ]
    found = log_of(*(log_text(row, 500) for row in rows))
    assert found.problems == ()
    assert found.time.astype(np.int64).tolist() == [UTC_MS, UTC_MS + 1]
    assert (found.elapsed_s.tolist(), found.step.tolist()) == ([1.0, 2.0], [-1, 3])
    assert found.state.texts() == ["held", "running"]
    columns = (
        found.set_current_A, found.current_A, found.voltage_V, found.bath_C, found.probe_C, found.charge_Ah,
        found.discharge_Ah, found.energy_Wh, found.allowed_percent,
    )  # fmt: skip
    second = [column.tolist()[1] for column in columns]
    assert second[:3] == [15.0, -15.25, 290.125]
    assert math.isnan(second[3])
    assert second[4:] == [41.5, 12.3456, 1.5, 99.25, 62.5]
    assert {name: one.texts() for name, one in found.quality.items()} == {
        "current_A": ["good", "good"],
        "voltage_V": ["good", "good"],
        "bath_C": ["good", "out_of_range"],
        "probe_C": ["good", "suspect"],
    }


texts = st.text(st.characters(codec="utf-8", exclude_characters="\n\r\0"), max_size=12)


def quoted(text):
    return '"' + text.replace('"', '""') + '"'


@given(
    st.lists(st.lists(st.one_of(texts.map(quoted), texts.map(cell)), min_size=11, max_size=11), min_size=1, max_size=8)
)
@example([['"a,""b"""'] + [""] * 10])
def test_events_are_what_the_csv_module_gives(rows):
    """Quoted commas, doubled quotes, any letters: the same texts, and numbers where they are some."""
    lines = [",".join([TIME, "1.000", *row]) for row in rows]
    found = read_events(table_of(chained(EVENT_HEADER, lines), "events.csv"))
    right = [next(csv.reader([line])) for line in lines]
    assert found.rows == len(rows)
    for name in ("id", "kind", "code", "target", "who", "role", "value_text", "limit_text", "unit", "text"):
        index = EVENT_COLUMNS.index(name.removesuffix("_text") if name != "text" else name)
        assert getattr(found, name).texts() == [row[index] for row in right]
    for name in ("value", "limit"):
        index = EVENT_COLUMNS.index(name)
        values = [plain_number(row[index]) for row in right]
        assert all(same(a, b) for a, b in zip(getattr(found, name).tolist(), values, strict=True))


def test_quoted_and_unquoted_pieces_give_the_same(monkeypatch):
    """A table with one quoted cell is read the slow way where it stands, and the columns do not show it."""
    rows = [event_text(EventRow(UTC_MS + n, n, "", "note", "c", "A01", value=n / 8, priority=2), 0) for n in range(400)]
    quick = read_events(table_of(chained(EVENT_HEADER, rows), "events.csv"))
    rows[200] = event_text(EventRow(UTC_MS + 200, 200, "", "note", "c", "A01", value=25.0, priority=2, text="a, b"), 0)
    monkeypatch.setattr("controller.records.stream.PIECE_BYTES", 3000)
    mixed = read_events(table_of(chained(EVENT_HEADER, rows), "events.csv"))
    for name in ("time", "elapsed_s", "priority", "value"):
        assert getattr(mixed, name).tolist() == getattr(quick, name).tolist()
        assert getattr(mixed, name).dtype == getattr(quick, name).dtype
    assert mixed.text.texts() == [""] * 200 + ["a, b"] + [""] * 199


def test_numbers_are_those_of_the_records_own_reader():
    """`read_table` and the typed columns see the same in one file."""
    rows = [row_of(current_A=f"{n / 7:.3f}", probe_C="" if n % 3 else f"{n:.2f}") for n in range(50)]
    data = chained(LOG_HEADER, rows)
    found, table = read_log(table_of(data)), read_table("log.csv", data, LOG_HEADER, RUN_JSON)
    for name in NUMBERS:
        assert [None if math.isnan(one) else one for one in getattr(found, name).tolist()] == table.numbers(name)


def test_damage_is_told_and_rows_behind_it_come_only_when_asked():
    """The chain is walked: `sound_rows` is how far it holds."""
    data = chained(LOG_HEADER, [row_of(elapsed_s=f"{n}.000") for n in range(10)])
    damaged = table_of(data.replace(b",4.000,", b",4.001,"))
    found = read_log(damaged)
    assert (found.rows, found.sound_rows, found.elapsed_s.tolist()) == (4, 4, [0.0, 1.0, 2.0, 3.0])
    assert found.problems == ("log.csv:6: row 5 is not as it was written, or one before it is missing",)
    found = read_log(damaged, behind=True)
    assert (found.rows, found.sound_rows, found.elapsed_s.tolist()[4]) == (10, 4, 4.001)
    other = Memory({"run.json": b"{}", "log.csv": data})
    assert read_log(other).sound_rows == 0


def test_cut_short_or_empty_tables_are_read():
    """An unfinished row is told; a table without rows has columns without values; none at all is an error."""
    data = chained(LOG_HEADER, [row_of(), row_of()])
    found = read_log(table_of(data[:-5]))
    assert (found.rows, found.sound_rows) == (1, 1)
    assert "row 2 is unfinished" in found.problems[0]
    empty = read_log(table_of(LOG_HEADER.encode() + b"\n"))
    assert (empty.rows, empty.problems, empty.time.dtype, empty.step.size) == (0, (), np.dtype("datetime64[ms]"), 0)
    assert empty.quality["probe_C"].texts() == []
    with pytest.raises(RecordError, match=r"log\.csv: is not there"):
        read_log(Memory({"run.json": RUN_JSON}))


def test_rows_with_other_numbers_of_cells_are_told():
    """Their chain may be right; cells that are there are read, the others are missing."""
    data = chained(LOG_HEADER, [row_of(), "2026-03-16T06:00:00.000Z,7.000", row_of() + ",more", ""])
    found = read_log(table_of(data))
    assert (found.rows, found.sound_rows) == (4, 4)
    assert [line for line in found.problems if "cells" in line] == [
        "log.csv:3: row 2 has 3 cells, not 15",
        "log.csv:4: row 3 has 16 cells, not 15",
        "log.csv:5: row 4 has 2 cells, not 15",
    ]
    assert found.elapsed_s.tolist()[:2] == [1.0, 7.0]
    assert math.isnan(found.charge_Ah[1])


def test_many_cells_that_are_nothing_are_counted_and_clean():
    """The first ones are told, one line each without anything a terminal acts on, the rest is a number."""
    found = log_of(*(row_of(bath_C="\x1b[2Jwarm") for _ in range(MOST_TOLD + 5)))
    assert len(found.problems) == MOST_TOLD + 1
    assert found.problems[0] == "log.csv:2: row 1 has in bath_C '?[2Jwarm', which is no number"
    assert found.problems[-1] == "log.csv: 5 more cells are not what they should be"


def test_a_later_version_reads_by_its_columns():
    """One more column before the chain: the known ones are where the header says."""
    header = LOG_HEADER.removesuffix("chain") + "hydrogen_percent,chain"
    found = log_of_header(header, [row_of(charge_Ah="7.5000", quality="bath_C=lost") + ",0.4"])
    assert (found.problems, found.charge_Ah.tolist()) == ((), [7.5])
    assert found.quality["bath_C"].texts() == ["lost"]


def log_of_header(header, rows):
    return read_log(table_of(chained(header, rows)))


def test_batteries_and_later_readings_are_typed():
    """Where they are; where they are not, there is nothing and no error."""
    batteries = chained(
        BATTERY_HEADER, ["1,K1,,'=S1,12.79,13.5,1.282,25.0,ok,pass,,", '2,K1,,,,,,,,scrap,leaks,"a, b"']
    )
    after = chained(AFTER_HEADER, [f"{TIME},{TIME},1,density,1.281,kg/L,24.5,H7,anna"])
    place = Memory({"run.json": RUN_JSON, "batteries.csv": batteries, "after.csv": after})
    found = read_batteries(place)
    assert (found.position.tolist(), found.outcome.texts()) == ([1, 2], ["pass", "scrap"])
    assert (found.ocv_V.tolist()[0], found.density.tolist()[0], found.text.texts()[1]) == (12.79, 1.282, "a, b")
    assert math.isnan(found.ocv_V[1])
    later = read_after(place)
    assert (later.value.tolist(), later.what.texts(), later.temperature_C.tolist()) == ([1.281], ["density"], [24.5])
    assert later.taken.astype(np.int64).tolist() == [UTC_MS]
    assert (found.problems, later.problems) == ((), ())
    assert read_batteries(table_of(b"")) is None
    assert read_after(table_of(b"")) is None


def test_a_bath_s_own_events_hang_on_no_run():
    """Outside run folders the chain begins with the header alone."""
    place = Memory({"events-202603.csv": chained(EVENT_HEADER, [f"{TIME},,,,,,,,,,,,"], b"")})
    found = read_events(place, "events-202603.csv")
    assert (found.sound_rows, found.problems, math.isnan(found.elapsed_s[0])) == (1, (), True)


def test_single_cells():
    """What counts as a number and as a time."""
    assert [number_of(text) for text in ("1.5", "-0", "", "1 ", "nan", "1e400", "\u0661")] == [1.5, 0.0, *[None] * 5]
    assert ms_of("1970-01-01T00:00:01.5+00:00") == 1500
    assert (ms_of("1970-01-01T00:00:01"), ms_of(""), typed.GOOD) == (None, None, "good")
