"""A record's tables opened as an engineer would open them: by name, with no options, in four programs.

Where a program needs an option to read a table rightly, the test shows what it does without, and that it needs no more.
What each does by default is in its own documentation: pandas "IO tools", Polars "read_csv", DuckDB "CSV Auto Detection"
and SQLite "Command Line Shell For SQLite", section 7.5.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from itertools import count

import pytest

from controller.records.chain import link, start
from controller.records.reader import read_run
from controller.records.rows import AFTER_COLUMNS, AFTER_HEADER, LOG_COLUMNS, cells_text, parse_time, time_utc
from controller.records.writer import Writer

TEXT_COLUMNS = ("time_utc", "state", "quality", "chain")
NUMBERS = tuple(name for name in LOG_COLUMNS if name not in TEXT_COLUMNS)
COUNTERS = ("charge_Ah", "discharge_Ah", "energy_Wh")


@pytest.fixture
def log(hostile_run):
    """Our own reading of log.csv: its numbers by column, None where missing."""
    table = read_run(hostile_run).log
    return {name: table.numbers(name) for name in NUMBERS} | {"time_utc": table.column("time_utc")}


def total(numbers):
    return math.fsum(number for number in numbers if number is not None)


def same(theirs, ours):
    """Equal numbers, missing in the same places; theirs may say None or not a number."""
    return len(theirs) == len(ours) and all(
        mine is None if it is None or math.isnan(it) else it == mine for it, mine in zip(theirs, ours, strict=True)
    )


def test_missing_values_are_part_of_this(log):
    """The log that all are shown lacks steps, currents and 150 probe values at its beginning."""
    missing = {name: numbers.count(None) for name, numbers in log.items() if None in numbers}
    assert missing == {"step": 3, "current_A": 10, "probe_C": 150}


def test_pandas(hostile_run, log):
    """Names, numbers, NaN for missing, times by to_datetime, all without an option."""
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    frame = pandas.read_csv(hostile_run / "log.csv")
    assert tuple(frame.columns) == LOG_COLUMNS
    for name in NUMBERS:
        assert frame[name].dtype.kind == "f", name
        assert same(frame[name].tolist(), log[name]), name
    assert [round(frame[name].sum(), 6) for name in COUNTERS] == [round(total(log[name]), 6) for name in COUNTERS]
    moments = pandas.to_datetime(frame["time_utc"])
    assert str(moments.dt.tz) == "UTC"
    assert [round(moment.timestamp() * 1000) for moment in moments] == [parse_time(text) for text in log["time_utc"]]


def test_pandas_on_words_that_mean_missing(hostile_run):
    """A note "NA", "null" or "nan" is read as missing unless keep_default_na=False; pandas needs that for texts."""
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    ours = read_run(hostile_run).events.column("text")
    guessed = pandas.read_csv(hostile_run / "events.csv")["text"]
    assert guessed.isna().sum() == sum(text in ("", "NA", "null", "nan") for text in ours)
    assert pandas.read_csv(hostile_run / "events.csv", keep_default_na=False)["text"].tolist() == ours


def test_numbers_that_name_things(hostile_run):
    """Batches and serials such as 0042 and 1E5 need dtype=str; without it pandas takes them for 42 and 100000."""
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    place = hostile_run / "batteries.csv"
    guessed, told = pandas.read_csv(place).iloc[3], pandas.read_csv(place, dtype=str).iloc[3]
    assert (guessed["batch"], guessed["pallet"], guessed["serial"]) == (42, 100_000.0, 3)
    assert (told["batch"], told["pallet"], told["serial"]) == ("0042", "1E5", "000003")


def test_polars(hostile_run, log):
    """Names, numbers, whole steps, null for missing; a column empty in the first 100 rows stays text by default."""
    polars = pytest.importorskip("polars", reason="polars is not installed")
    guessed = polars.read_csv(hostile_run / "log.csv")
    assert tuple(guessed.columns) == LOG_COLUMNS
    assert [name for name in NUMBERS if not guessed[name].dtype.is_numeric()] == ["probe_C"]
    frame = polars.read_csv(hostile_run / "log.csv", infer_schema_length=None)
    assert [str(frame[name].dtype) for name in NUMBERS] == ["Float64", "Int64", *["Float64"] * 9]
    assert all(same(frame[name].to_list(), log[name]) for name in NUMBERS)
    assert [round(frame[name].sum(), 6) for name in COUNTERS] == [round(total(log[name]), 6) for name in COUNTERS]
    moments = frame["time_utc"].str.to_datetime()
    assert moments.dt.timestamp("ms").to_list() == [parse_time(text) for text in log["time_utc"]]


def test_polars_on_values_of_many_kinds(hostile_run):
    """events.csv's `value` holds numbers and words: Polars needs infer_schema_length=None, or stops in mid-file."""
    polars = pytest.importorskip("polars", reason="polars is not installed")
    place = hostile_run / "events.csv"
    with pytest.raises(polars.exceptions.ComputeError, match="value"):
        polars.read_csv(place)
    frame = polars.read_csv(place, infer_schema_length=None)
    ours = read_run(hostile_run).events
    assert [text or "" for text in frame["value"]] == ours.column("value")
    assert frame["priority"].to_list() == [
        None if number is None else int(number) for number in ours.numbers("priority")
    ]


def test_duckdb(hostile_run, log):
    """SELECT * FROM 'log.csv': its sniffer finds names, times, whole numbers, numbers, NULL for missing."""
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed")
    found = duckdb.sql(f"SELECT * FROM '{hostile_run / 'log.csv'}'")
    assert tuple(found.columns) == LOG_COLUMNS
    types = dict(zip(found.columns, map(str, found.types), strict=True))
    assert {name: kind for name, kind in types.items() if kind != "DOUBLE"} == {
        "time_utc": "TIMESTAMP WITH TIME ZONE", "step": "BIGINT", "state": "VARCHAR", "quality": "VARCHAR",
        "chain": "VARCHAR",
    }  # fmt: skip
    for name in NUMBERS:
        assert same([row[0] for row in found.select(name).fetchall()], log[name]), name
    moments = [row[0] for row in found.project("epoch_ms(time_utc)").fetchall()]
    assert moments == [parse_time(text) for text in log["time_utc"]]


def test_duckdb_on_every_table(hostile_run):
    """The tables with texts, quotes and words among numbers open without options, too, with all their rows."""
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed")
    for name, table in read_run(hostile_run).tables.items():
        found = duckdb.sql(f"SELECT * FROM '{hostile_run / name}'")
        assert tuple(found.columns) == table.columns, name
        assert len(found) == len(table.lines), name
        chain = [row[0] for row in found.select("chain").fetchall()]
        assert chain == table.column("chain"), name


@pytest.mark.skipif(shutil.which("sqlite3") is None, reason="the program sqlite3 is not on this machine")
def test_sqlite(hostile_run, log):
    """.mode csv, .import: names from the header, every row, sums right; missing is empty text there."""
    asked = [f"sum({name}), count(nullif({name}, ''))" for name in NUMBERS]
    words = [".mode csv", f'.import "{hostile_run / "log.csv"}" log', "SELECT count(*) FROM log;"]
    words += [f"SELECT {one} FROM log;" for one in asked] + ["SELECT name FROM pragma_table_info('log');"]
    told = subprocess.run(["sqlite3", ":memory:"], input="\n".join(words), capture_output=True, text=True, check=True)
    assert told.stderr == ""
    rows, *rest = told.stdout.split()
    assert int(rows) == len(log["step"])
    for name, line in zip(NUMBERS, rest, strict=False):
        in_all, present = line.split(",")
        assert float(in_all) == pytest.approx(total(log[name]), rel=1e-12), name
        assert int(present) == len(log[name]) - log[name].count(None), name
    assert tuple(rest[len(NUMBERS) :]) == LOG_COLUMNS


@pytest.mark.skipif(shutil.which("sqlite3") is None, reason="the program sqlite3 is not on this machine")
def test_sqlite_on_odd_texts(hostile_run):
    """Quotes, commas and apostrophes arrive in SQLite as our reader has them."""
    words = [".mode csv", f'.import "{hostile_run / "events.csv"}" e', "SELECT hex(text) FROM e;"]
    told = subprocess.run(["sqlite3", ":memory:"], input="\n".join(words), capture_output=True, text=True, check=True)
    texts = [bytes.fromhex(line.strip('"')).decode() for line in told.stdout.splitlines()]
    assert texts == read_run(hostile_run).events.column("text")


@pytest.fixture(params=[r"\d{3,13}e[1-9]\d{3,}", r"0\d{15}"], ids=["too large", "leading zero"])
def number_like(request, outside, tmp_path):
    """A closed record whose only reading afterwards has a chain value that looks like a number; one in 800 does."""
    writer = Writer()
    record = outside.record_of(tmp_path, writer, 0, outside.settings_of(), outside.load_of([(15.0, 1.0)]))
    assert writer.commit()
    begin = start(AFTER_HEADER, (record.folder / "run.json").read_bytes())
    taken = time_utc(outside.utc_ms)
    for tries in count():
        cells = (taken, taken, 1, "ocv", 12.8, "V", 25.5, f"meter {tries}", "anna")
        chain = link(begin, cells_text(cells, AFTER_COLUMNS))
        if re.fullmatch(request.param, chain):
            break
    record.add_later("after.csv", cells)
    record.close({})
    record.release()
    assert writer.close(), writer.trouble
    return record.folder / "after.csv", chain


def test_a_chain_value_that_looks_like_a_number(number_like):
    """In a table of one row it is taken for one by guessing programs: the column must be asked for as text."""
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    polars = pytest.importorskip("polars", reason="polars is not installed")
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed")
    place, chain = number_like
    assert read_run(place.parent).problems == ()
    assert str(pandas.read_csv(place)["chain"][0]) != chain
    assert pandas.read_csv(place, dtype={"chain": str})["chain"][0] == chain
    assert polars.read_csv(place, schema_overrides={"chain": polars.String})["chain"][0] == chain
    assert duckdb.read_csv(str(place), dtype={"chain": "VARCHAR"}).select("chain").fetchall() == [(chain,)]
