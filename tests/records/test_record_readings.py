"""Readings by hand: what the record's words say of one comes back as numbers, whatever a person typed."""

from __future__ import annotations

import csv
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.core.listchecks import KINDS
from controller.core.types import Event, EventKind
from controller.records.bathrows import rows_after
from controller.records.eventrow import event_row
from controller.records.readings import (
    Reading,
    after_cells,
    after_rows,
    event_rows,
    from_after,
    reading_of,
    readings_of,
    reference_C,
)
from controller.records.rows import AFTER_COLUMNS, EVENT_HEADER, cells_text, clean, event_text
from controller.service.protocol import clean as cleaned_name

UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
TEXTS = st.text(max_size=40)
NAMES = TEXTS.map(lambda text: cleaned_name(text, 64))
AMOUNTS = st.one_of(st.integers(-1000, 1000), st.floats(-1e3, 1e3).map(lambda number: round(number, 5)))


def line_of(who="anna", **args) -> str:
    """The line of events.csv (without its chain) that the service writes of an accepted reading."""
    said = {"what": "density", "position": 3, "value": 1.212, "unit": "kg/L", "temperature_C": 31.5}
    said |= {"taken_minutes_ago": 10, "instrument": "H1", **args}
    data = {"order": "o1", "verb": "reading", "who": who, "role": "technician", **said}
    return event_text(event_row(Event("reading", "A01", EventKind.ORDER, data), UTC_MS, None), 0)


def back(line: str) -> Reading | None:
    """The reading of such a line."""
    (row,) = event_rows([line])
    return reading_of(row)


def test_one_reading_in_full():
    """Taken ten minutes before it was typed; the density as it was read, at its own temperature."""
    assert back(line_of()) == Reading(UTC_MS, UTC_MS - 600_000, 3, "density", 1.212, "kg/L", 31.5, "H1", "anna")


@given(
    who=NAMES, what=st.sampled_from(sorted(KINDS)), position=st.integers(1, 60), value=AMOUNTS,
    temperature_C=st.none() | AMOUNTS, minutes=st.floats(0.0, 240.0) | st.integers(0, 240), instrument=TEXTS,
)  # fmt: skip
@example("a, b: c", "level", 1, -5, None, 1e-05, '=1+1, "x" of battery 9')
@example("'=x", "joint_mV", 60, 0.0, -0.5, 0, "-- C, 5 min before, instrument Z")
def test_words_and_readings_are_two_ways_of_one_thing(who, what, position, value, temperature_C, minutes, instrument):
    """Whatever a person typed as name, number or instrument: what the row tells comes back as it was meant."""
    unit = KINDS[what].unit
    said = {"what": what, "position": position, "value": value, "unit": unit, "temperature_C": temperature_C}
    found = back(line_of(who, **said, taken_minutes_ago=minutes, instrument=instrument))
    assert found is not None
    assert (found.what, found.position, found.unit, found.utc_ms) == (what, position, unit, UTC_MS)
    assert found.value == pytest.approx(value, rel=1e-8, abs=1e-12)
    assert found.temperature_C == (None if temperature_C is None else pytest.approx(temperature_C))
    assert found.taken_ms == UTC_MS - round(minutes * 60_000)
    cleaned = clean(f"x{instrument}")[1:].strip()
    assert found.instrument == ("" if cleaned == "--" else cleaned)
    again = from_after(next(after_rows([cells_text(after_cells(found), AFTER_COLUMNS)])))
    assert replace(again, instrument="", who="") == replace(found, instrument="", who="")
    assert (again.instrument.removeprefix("'"), again.who) == (found.instrument.removeprefix("'"), found.who)


@pytest.mark.parametrize("said", ["30 C", "warm", True, "nan", ""])
def test_a_temperature_that_is_none_changes_nothing_else(said):
    """Words in its place give no temperature, and never another age or instrument."""
    found = back(line_of(what="temperature", unit="C", value=31, temperature_C=said))
    assert (found.temperature_C, found.instrument, found.taken_ms) == (None, "H1", UTC_MS - 600_000)


@pytest.mark.parametrize("spoil", [
    {"code": "note"}, {"kind": "refusal"}, {"value": ""}, {"value": "inf"}, {"time_utc": "x"}, {"text": "reading"},
    {"text": "reading by anna: density of battery 3 1.2 kg/L at 30 C, -5 min before, instrument H1"},
    {"text": "reading by anna: density of battery 3 1.2 kg/L at 30 C, 1e300 min before, instrument H1"},
    {"text": "reading by anna: density of battery 99999 1.2 kg/L at 30 C, 5 min before, instrument H1"},
    {"time_utc": "0001-01-01T00:00:00+14:00"},
])  # fmt: skip
def test_what_is_no_reading_is_none(spoil):
    """Another row, a refused order, a damaged cell: nothing is guessed."""
    (row,) = event_rows([line_of()])
    assert reading_of(row) is not None
    assert reading_of({**row, **spoil}) is None


@pytest.mark.parametrize("spoil", [
    {"position": "x"}, {"position": "-1"}, {"value": "much"}, {"taken_utc": ""}, {"time_utc": ""},
])  # fmt: skip
def test_a_damaged_row_of_after_csv_is_none(spoil):
    """As in events.csv."""
    (row,) = after_rows([cells_text(after_cells(back(line_of())), AFTER_COLUMNS)])
    assert from_after(row) == back(line_of())
    assert from_after({**row, **spoil}) is None
    assert from_after({}) is None


def test_a_reading_in_two_tables_counts_once():
    """One of an ended run stands in the bath's events and in after.csv; another minute is another reading."""
    rows = list(event_rows([line_of(), line_of(position=4)]))
    after = list(after_rows([cells_text(after_cells(back(line_of())), AFTER_COLUMNS)]))
    assert [each.position for each in readings_of(rows, after)] == [3, 4]
    assert [each.position for each in readings_of([], after)] == [3]


def test_rows_of_a_bath_until_the_string_was_unloaded(tmp_path):
    """Of that circuit, from that moment on, over the turn of the month; what cannot be read is left out."""

    def written(name, *rows):
        lines = [EVENT_HEADER, *(f"{row},chain" for row in rows)]
        (tmp_path / name).write_text("\n".join(lines) + "\n")

    def row(moment, code="reading", target="A01", text="x"):
        return f"{moment},,o,order,{code},{target},anna,technician,,1,,,{text}"

    written("events-202602.csv", row("2026-02-28T23:00:00.000Z"))
    written(
        "events-202603.csv", row("2026-03-16T05:00:00.000Z"), row("2026-03-16T06:00:00.000Z", text="first"),
        row("2026-03-16T06:00:00.000Z", target="A02"), row("yesterday"),
    )  # fmt: skip
    (tmp_path / "events-202604.csv").mkdir()
    written(
        "events-202605.csv", row("2026-05-01T00:00:00.000Z", text="second"),
        row("2026-05-01T00:00:01.000Z", "accepted", text="unload by anna"), row("2026-05-02T00:00:00.000Z"),
    )  # fmt: skip
    assert [each["text"] for each in rows_after(tmp_path, "A01", UTC_MS)] == ["first", "second"]
    assert list(rows_after(tmp_path, "A01", 10**18)) == []


@pytest.mark.parametrize(("text", "expected"), [
    ("density_reference_C = 20\n", 20.0), ("x = 1\n", 25.0), ("density_reference_C = 80\n", 25.0), ("= broken", 25.0),
    ("density_reference_C = true\n", 25.0), (None, 25.0), ("density_reference_C = 'x'\n", 25.0),
])  # fmt: skip
def test_the_reference_temperature_is_the_bath_file_s(text, expected):
    """20 and 25 C differ by a third of a sort class; where the file says nothing usable, 25 C."""
    assert reference_C({"bath_file": {"text": text}}) == expected
    assert reference_C({"bath_file": text}) == 25.0


def test_rows_survive_what_csv_readers_choke_on():
    """A row with a carriage return or a zero byte in it is still one row."""
    assert next(event_rows(["2026,,o\r,or\0der"]))["kind"] == "or der"
    assert next(csv.reader([line_of(instrument="a,b")]))[12].endswith("instrument a,b")


def test_the_row_of_a_reading_holds_its_unit():
    """As a cell of its own; a row of before, without it, reads the same."""
    line = line_of()
    cells = next(csv.reader([line]))
    assert cells[9:12] == ["1.212", "", "kg/L"]
    assert back(line.replace("1.212,,kg/L,", "1.212,,,")) == back(line)
    event = Event("note", "A01", EventKind.ORDER, {"who": "anna", "unit": "kg/L"})
    assert event_row(event, UTC_MS, None).unit == ""
