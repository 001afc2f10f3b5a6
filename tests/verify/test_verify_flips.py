"""Every single bit of a record: flipped, it is found, and in a table with its row.

FORMBATH_LONG=1 flips every bit of every file and looks with the whole of verify; else every bit of the tables and the
summary is looked at by the part of verify that it can touch, and a sample of all files by the whole.
"""

from __future__ import annotations

import os
import random

import pytest
from memoryplace import in_memory

from controller.core.types import Value
from controller.records.rows import LogRow
from controller.records.run import RunRecord
from controller.records.summary import read_summary
from controller.records.tables import LOG_COLUMNS, TABLES
from controller.records.writer import Writer
from controller.verify.chained import read_chained
from controller.verify.runfolder import verify_place

LONG = bool(os.environ.get("FORMBATH_LONG"))
ROWS = 7_200 if LONG else 1_200
FILES = ("run.json", "README.txt", "log.csv", "events.csv", "batteries.csv", "after.csv", "cycles.bin", "summary.json")
READINGS = (("density", 1.282, "kg/L"), ("voltage", 12.79, "V"), ('note, of "both"', "high, but even", ""))


@pytest.fixture(scope="module")
def short(rec, tmp_path_factory):
    """A whole record with all of its files: 32 cycles, signed off, with readings that came after it."""
    writer = Writer()
    loop, record = rec.begin(tmp_path_factory.mktemp("short"), writer, charge_Ah=0.1)
    rec.drive(record, loop, 30)
    rec.record_cycle(record, loop, 0, loop.cycle())
    for position, (what, value, unit) in enumerate(READINGS, 1):
        moment = f"2026-03-17T06:0{position}:00.000Z"
        record.add_later("after.csv", [moment, moment, position, what, value, unit, 25.0, "meter 2", "anna"])
        record.add_later("batteries.csv", [position, "K1", "P1", "=1", 12.79, 14.0, 1.282, 25.0, "", "pass", "", ""])
    record.close({})
    record.release()
    assert writer.close(), writer.trouble
    place = in_memory(record.folder)
    assert set(place.names()) == set(FILES)
    assert verify_place(place).wrong == []
    return place


@pytest.fixture(scope="module")
def table(rec, tmp_path_factory):
    """A log of 7,200 rows; the short form has 1,200."""
    writer = Writer()
    record = RunRecord.create(tmp_path_factory.mktemp("long"), rec.start(), writer, by_count=True)
    for row in range(ROWS):
        amps, volts = Value(15.0 + row % 7 * 0.01), Value(248.4 + row % 11 * 0.1)
        record.add_log(
            LogRow(rec.utc_ms + row * 10_000, row * 10_000, 1, "running", 15.0, amps, volts, Value(25.0),
                   Value(31.0), row / 24, 0.0, row * 10.0)
        )  # fmt: skip
    record.close({})
    record.release()
    assert writer.close(), writer.trouble
    return in_memory(record.folder)


def flipped(data, bit):
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def named(data, bit, name):
    """How the place of a flip must be told: the header, or a row by its number."""
    row = data[: bit // 8].count(b"\n")
    return f"{name}:1: " if row == 0 else f"row {row} "


def said_of(place, name, data):
    """What verify's part for tables says of one."""
    table = read_chained(place.with_file(name, data), name, TABLES[name], place.files["run.json"])
    return [*table.damage, *table.broken(table.breaks), *([table.cut] if table.cut else [])]


@pytest.mark.parametrize("name", TABLES)
def test_every_bit_of_a_table_is_found_with_its_row(short, name):
    """Whatever bit is flipped, of cells, chain values, commas and line ends: its row is named, and none before."""
    data = short.files[name]
    for bit in range(8 * len(data)):
        said = said_of(short, name, flipped(data, bit))
        assert said, bit
        assert said[0].startswith(name), bit
        assert named(data, bit, name) in said[0], (bit, said)


def test_every_bit_of_a_summary_is_found(short):
    """Whatever bit of summary.json is flipped, blanks and its own hash alike, it does not fit its own hash."""
    data = short.files["summary.json"]
    assert read_summary(data)[1] is None
    for bit in range(8 * len(data)):
        wrong = read_summary(flipped(data, bit))[1]
        assert wrong is not None, bit
        assert wrong.startswith("summary.json: "), bit


@pytest.mark.parametrize("name", FILES)
def test_the_whole_of_verify_finds_a_bit_of_any_file(short, name):
    """A flipped bit of any file makes the record one that does not hold, and a finding names the file."""
    data = short.files[name]
    stride = 1 if LONG else max(1, 8 * len(data) // 40) | 1
    for bit in range(0, 8 * len(data), stride):
        verdict = verify_place(short.with_file(name, flipped(data, bit)), chain_only=True)
        assert not verdict.holds, bit
        assert any(said.startswith(name) for said in verdict.wrong), (bit, verdict.wrong)
        assert not verdict.files[name], bit


def test_random_bits_of_a_long_log_are_found_with_their_rows(table):
    """Of a long log random bits are flipped, one at a time: each is found, and its row is named."""
    data = table.files["log.csv"]
    chance = random.Random(20)
    for _ in range(20_000 if LONG else 200):
        bit = chance.randrange(8 * len(data))
        said = said_of(table, "log.csv", flipped(data, bit))
        assert said, bit
        assert named(data, bit, "log.csv") in said[0], (bit, said)


def test_a_table_is_whole_without_a_flip(table, short):
    """The same look finds nothing in what was not changed."""
    assert said_of(table, "log.csv", table.files["log.csv"]) == []
    assert len(table.files["log.csv"].splitlines()) == ROWS + 1
    assert [said_of(short, name, short.files[name]) for name in TABLES] == [[]] * 4
    assert short.files["log.csv"].startswith(",".join(LOG_COLUMNS).encode())
