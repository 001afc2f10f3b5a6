"""Verify on rows whose chain is right but whose writer was not: each cell has its form."""

from __future__ import annotations

import pytest

from controller.records.tables import AFTER_COLUMNS, BATTERY_COLUMNS, EVENT_COLUMNS, LOG_COLUMNS
from controller.verify.forms import AFTER, BATTERIES, EVENTS, LOG, MOST_TOLD, TABLE_FORMS, wrong_forms

CHAIN = "0123456789abcdef"
AT = "2026-03-16T06:00:00.000Z"
LOG_ROW = f"{AT},5.000,1,running,15.000,-0.400,248.400,25.00,31.00,0.0021,0.0000,0.13,100.0,,{CHAIN}"
LOST_ROW = (
    f"{AT},5.000,1,running,15.000,,,25.00,31.00,0.0021,0.0000,0.13,100.0,current_A=lost voltage_V=out_of_range,{CHAIN}"
)
EVENT_ROW = f'{AT},5.000,o1,alarm,open_string:new,A01,anna,technician,2,0.4,1.5,A,"a, ""b""",{CHAIN}'
BATTERY_ROW = f"1,K1,P1,'=1,12.79,14,1.282,25,high,pass,,,{CHAIN}"
AFTER_ROW = f"{AT},{AT},1,density,1.282,kg/L,25,meter 2,anna,{CHAIN}"


def found(name, columns, *rows):
    return wrong_forms(name, columns, [row.encode() for row in rows], TABLE_FORMS[name])


def with_cell(row, columns, name, text):
    cells = row.split(",")
    cells[columns.index(name)] = text
    return ",".join(cells)


@pytest.mark.parametrize(
    ("name", "columns", "row"),
    [
        ("log.csv", LOG_COLUMNS, LOG_ROW),
        ("log.csv", LOG_COLUMNS, LOST_ROW),
        ("log.csv", LOG_COLUMNS, LOG_ROW.replace(",,0123", ",probe_C=suspect,0123")),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW.replace("0.4,1.5", "-1.5e-05,yes").replace("5.000", "")),
        ("batteries.csv", BATTERY_COLUMNS, BATTERY_ROW),
        ("batteries.csv", BATTERY_COLUMNS, "7,,,,,,,,,,,," + CHAIN),
        ("after.csv", AFTER_COLUMNS, AFTER_ROW),
    ],
)  # fmt: skip
def test_right_rows_pass(name, columns, row):
    """What the writer writes has its form: empty cells for what is missing, quotes where a comma or a quote stands."""
    assert found(name, columns, row) == []


@pytest.mark.parametrize(
    ("column", "text", "right"),
    [
        ("time_utc", "2026-03-16T06:00:00Z", "an ISO 8601 time"),
        ("time_utc", "2026-02-30T06:00:00.000Z", "an ISO 8601 time"),
        ("time_utc", "2026-03-16 06:00:00.000Z", "an ISO 8601 time"),
        ("time_utc", "", "an ISO 8601 time"),
        ("elapsed_s", "5.00", "a number with 3 decimals"),
        ("elapsed_s", "", "a number with 3 decimals"),
        ("elapsed_s", "05.000", "a number with 3 decimals"),
        ("step", "1.0", "a whole number or nothing"),
        ("state", "Running", "one of unknown, idle, running"),
        ("set_current_A", "", "a number with 3 decimals"),
        ("current_A", "15", "a number with 3 decimals or nothing"),
        ("current_A", "nan", "a number with 3 decimals or nothing"),
        ("current_A", "-0.000", "a number with 3 decimals or nothing"),
        ("voltage_V", "248.40", "a number with 3 decimals or nothing"),
        ("bath_C", "25.000", "a number with 2 decimals or nothing"),
        ("probe_C", "1e2", "a number with 2 decimals or nothing"),
        ("charge_Ah", "0.002", "a number with 4 decimals"),
        ("discharge_Ah", "", "a number with 4 decimals"),
        ("energy_Wh", "0.130", "a number with 2 decimals"),
        ("allowed_percent", "100", "a number with 1 decimals"),
        ("quality", "current_A=bad", "empty, or like"),
        ("quality", "current_A=stale ", "empty, or like"),
        ("quality", "charge_Ah=stale", "empty, or like"),
        ("chain", CHAIN.upper(), "16 small hex digits"),
    ],
)
def test_each_cell_of_the_log_has_its_form(column, text, right):
    """One wrong cell is named with its row, its column, what it is and what would be right."""
    (said,) = found("log.csv", LOG_COLUMNS, LOG_ROW, with_cell(LOG_ROW, LOG_COLUMNS, column, text))
    assert said.startswith(f"log.csv:3: row 2: {column} is {text!r}, not {right}")


@pytest.mark.parametrize(
    ("name", "columns", "row", "column", "text"),
    [
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "kind", "alert"),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "code", "two\twords"),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "who", "=1+2"),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "priority", "high"),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "value", "+1"),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "elapsed_s", "5"),
        ("events.csv", EVENT_COLUMNS, EVENT_ROW, "target", "x" * 2_002),
        ("batteries.csv", BATTERY_COLUMNS, BATTERY_ROW, "position", "one"),
        ("batteries.csv", BATTERY_COLUMNS, BATTERY_ROW, "ocv_V", "high"),
        ("batteries.csv", BATTERY_COLUMNS, BATTERY_ROW, "outcome", "passed"),
        ("batteries.csv", BATTERY_COLUMNS, BATTERY_ROW, "serial", "=1"),
        ("after.csv", AFTER_COLUMNS, AFTER_ROW, "taken_utc", "yesterday"),
        ("after.csv", AFTER_COLUMNS, AFTER_ROW, "temperature_C", "warm"),
    ],
)
def test_each_cell_of_the_other_tables_has_its_form(name, columns, row, column, text):
    """Words that are not known, text that was not cleaned, numbers that are none are named with their column."""
    (said,) = found(name, columns, with_cell(row, columns, column, text))
    assert said.startswith(f"{name}:2: row 1: {column} is ")


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (LOG_ROW.replace(",100.0", ""), "has 14 cells, not 15"),
        (LOG_ROW.replace("running", '"running"'), "is not quoted as RFC 4180 asks"),
        (LOG_ROW.replace("running", '"running'), "is no CSV row"),
        (LOG_ROW.replace(",,0123", ",current_A=stale,0123"), "current_A is '-0.400' though its quality is stale"),
    ],
)
def test_a_row_has_its_form(row, told):
    """Too few cells, needless or open quotes, and a number that its own quality denies are named."""
    assert found("log.csv", LOG_COLUMNS, row) == [f"log.csv:2: row 1: {told}"]


def test_bytes_that_are_no_text_are_named():
    """A row that is not UTF-8 is named."""
    assert wrong_forms("log.csv", LOG_COLUMNS, [b"\xff" + LOG_ROW.encode()], LOG) == ["log.csv:2: row 1: is not UTF-8"]


def test_elapsed_time_never_falls():
    """Rows at the same moment pass, a row at an earlier one does not; a row without a moment breaks no order."""
    rows = [LOG_ROW, LOG_ROW, LOG_ROW.replace("5.000", "4.999", 1), LOG_ROW]
    assert found("log.csv", LOG_COLUMNS, *rows) == ["log.csv:4: row 3: elapsed_s fell to 4.999"]
    assert found("events.csv", EVENT_COLUMNS, EVENT_ROW, EVENT_ROW.replace("5.000", "", 1), EVENT_ROW) == []


def test_many_wrong_rows_are_counted():
    """The first few are named, the others counted."""
    said = found("log.csv", LOG_COLUMNS, *[LOG_ROW.replace("running", "ran")] * (MOST_TOLD + 3))
    assert len(said) == MOST_TOLD + 1
    assert said[-1] == "log.csv: 3 more rows are not of their form"


def test_a_column_of_a_later_version_is_let_through():
    """A column between the known ones and the chain is no fault of form; the known ones are still looked at."""
    columns = (*LOG_COLUMNS[:-1], "later", "chain")
    row = LOG_ROW.replace(f",{CHAIN}", f",anything,{CHAIN}")
    assert wrong_forms("log.csv", columns, [row.encode()], LOG) == []
    assert "state is 'ran'" in wrong_forms("log.csv", columns, [row.replace("running", "ran").encode()], LOG)[0]


def test_every_column_that_is_no_text_has_a_form():
    """Forms are given for columns that there are."""
    for forms, columns in (
        (LOG, LOG_COLUMNS),
        (EVENTS, EVENT_COLUMNS),
        (BATTERIES, BATTERY_COLUMNS),
        (AFTER, AFTER_COLUMNS),
    ):
        assert set(forms) <= set(columns)
    assert set(LOG) == set(LOG_COLUMNS)
