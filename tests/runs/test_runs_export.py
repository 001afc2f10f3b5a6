"""Export: what other people's readers find in the file is what stands in the records, cell by cell."""

from __future__ import annotations

import argparse
import csv
import importlib
import json
import shutil
from datetime import datetime, timedelta
from hashlib import sha256
from math import isnan
from pathlib import Path

import inventedrun as invented
import pytest

from controller.records import stream
from controller.records.tables import TABLES
from controller.records.typedcolumns import Odd
from controller.runs import exportcmd, exporting, exportparquet
from controller.runs.archive import archive_run
from controller.runs.exportcells import UNITS, fit
from controller.runs.exporting import FRONT
from profiles.problems import InputError

MOMENT = invented.at("2026-03-16T07:00")
SCALARS = ("12.5", "-3", "1e-07", "yes", "'=2+2", "1_0", "inf", "nan", "", "0x10", '"a, b"')


def command(*words) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    exportcmd.add_arguments(parser)
    return parser.parse_args([str(word) for word in words])


def exported(out: Path, *words, code=0) -> Path:
    assert exportcmd.run(command(*words, "-o", out)) == code
    return out


def pyarrow():
    pytest.importorskip("pyarrow", reason="pyarrow is not installed (extra export)")
    return importlib.import_module("pyarrow.parquet")


def cells(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def folder(kept_run, tmp_path):
    return shutil.copytree(kept_run, tmp_path / "runs" / kept_run.name)


@pytest.fixture
def events(tmp_path):
    """A run whose events hold every kind of scalar."""
    rows = [f"{invented.utc(MOMENT)},{n}.000,,alarm,c{n},A01,,,{n % 3 or ''},{value},5,A,a word" for n, value in
            enumerate(SCALARS)]  # fmt: skip
    return invented.make(tmp_path / "runs", events=rows, outcomes=("pass", "scrap"))


def same(found, text: str) -> bool:
    """Whether a value that a reader gives is what a cell says; a missing one is empty."""
    if found is None or (isinstance(found, float) and isnan(found)) or str(found) == "NaT":
        return text == ""
    if hasattr(found, "isoformat"):
        return invented.utc(found) == text
    return found == (text if isinstance(found, str) else float(text))


def test_pyarrow_reads_the_log_cell_by_cell(folder, tmp_path):
    """Every cell of log.csv, its chain values among them, with the run in front."""
    parquet = pyarrow()
    found = parquet.read_table(exported(tmp_path / "x.parquet", folder)).to_pylist()
    wanted = cells(folder, "log.csv")
    assert len(found) == len(wanted) > 40
    for row, cell in zip(found, wanted, strict=True):
        assert [row[name] for name in FRONT] == [
            folder.name, "K1", "A", "A01", "a plan", 1, "north", None, False, True, "K1",
        ]  # fmt: skip
        assert all(same(row[name], text) for name, text in cell.items()), (row, cell)
    assert list(found[0]) == [*FRONT, *TABLES["log.csv"]]


def test_scalars_are_numbers_where_they_are_some_and_nothing_is_lost(events, tmp_path):
    """12.5 is a number; yes, inf, a formula with its apostrophe are texts beside it; an empty cell is null in both."""
    parquet = pyarrow()
    found = parquet.read_table(exported(tmp_path / "x.parquet", events, "--events")).to_pylist()
    wanted = cells(events, "events.csv")
    numbers = {"12.5": 12.5, "-3": -3.0, "1e-07": 1e-07}
    for row, cell in zip(found, wanted, strict=True):
        number = numbers.get(cell["value"])
        assert row["value"] == number
        assert row["value_text"] == (None if number is not None else cell["value"] or None)
        assert (row["limit"], row["limit_text"]) == (5.0, None)
        rest = {name: text for name, text in cell.items() if name not in ("value", "limit")}
        assert all(same(row[name], text) for name, text in rest.items())


@pytest.mark.parametrize(
    ("code", "text", "number"),
    [
        ("log_continues", "6893143e42075336", None), ("log_continues", "1234567890123456", None),
        ("log_continues", "0000000000000007", None), ("notice", "6893143e42075336", None), ("notice", "1e400", None),
        ("notice", "1e+400", None), ("notice", "1e-400", None), ("notice", "9007199254740992", 2.0**53),
        ("notice", "-9007199254740992", -(2.0**53)), ("notice", "9007199254740994", None), ("notice", "1e+17", None),
        ("notice", "0.1", 0.1), ("notice", "0.30000000000000004", 0.1 + 0.2), ("notice", "12.50", 12.5),
        ("notice", "0.1000000000000000055", None), ("notice", "1e+16", None), ("notice", "1.5e+15", 1.5e15),
        ("notice", "nan", None), ("notice", "-0.0", 0.0), ("notice", "\u0663", None),
    ],
)  # fmt: skip
def test_a_scalar_is_a_number_where_it_is_that_very_one(tmp_path, code, text, number):
    """A chain value is none, though it may look like one; what a float would hold with other digits stays as it is."""
    rows = [f"{invented.utc(MOMENT)},1.000,,event,{code},A,,,,{text},{text},,a word"]
    folder = invented.make(tmp_path / "runs", events=rows)
    (found,) = pyarrow().read_table(exported(tmp_path / "x.parquet", folder, "--events")).to_pylist()
    for name in ("value", "limit"):
        assert (found[name], found[f"{name}_text"]) == (number, None if number is not None else text)
    with exported(tmp_path / "x.csv", folder, "--events").open(encoding="utf-8", newline="") as file:
        (plain,) = csv.DictReader(file)
    assert (plain["value"], plain["limit"]) == (text, text)


def test_later_readings_have_numbers_without_a_code(tmp_path):
    """after.csv has values, too, and no codes."""
    folder = invented.make(tmp_path / "runs")
    rows = [f"{invented.utc(MOMENT)},{invented.utc(MOMENT)},1,voltage,{text},V,,M1,anna" for text in ("12.84", "1e400")]
    run_json = (folder / "run.json").read_bytes()
    (folder / "after.csv").write_bytes(invented.chained(",".join(TABLES["after.csv"]), rows, run_json))
    found = pyarrow().read_table(exported(tmp_path / "x.parquet", folder, "--after")).to_pylist()
    assert [(row["value"], row["value_text"]) for row in found] == [(12.84, None), (None, "1e400")]


def test_batteries_say_their_own_batch(tmp_path):
    """A string may hold several batches: the column stands once, and holds each battery's."""
    folder = invented.make(tmp_path / "runs", batch="K1", outcomes=("pass", "scrap"))
    run_json = (folder / "run.json").read_bytes()
    rows = [f"{n},K{n},,,12.79,24.0,1.281,25.0,ok,pass,," for n in (1, 2)]
    (folder / "batteries.csv").write_bytes(invented.chained(invented.BATTERIES, rows, run_json))
    (folder / "summary.json").unlink()
    table = pyarrow().read_table(exported(tmp_path / "x.parquet", folder, "--batteries"))
    columns = [*(name for name in FRONT if name != "batch"), *TABLES["batteries.csv"]]
    assert table.column_names == columns
    assert [(row["batch"], row["position"], row["density"]) for row in table.to_pylist()] == [
        ("K1", 1, 1.281), ("K2", 2, 1.281),
    ]  # fmt: skip
    exported(tmp_path / "x.csv", folder, "--batteries")
    assert (tmp_path / "x.csv").read_text().splitlines()[0].split(",") == columns


def test_fields_say_their_units_and_types(events, tmp_path):
    """UCUM codes in the fields' metadata; times with their zone; words by a dictionary; no unit where there is none."""
    parquet = pyarrow()
    schema = parquet.read_schema(exported(tmp_path / "x.parquet", events))
    units = {field.name: (field.metadata or {}).get(b"unit") for field in schema}
    assert {name: code.decode() for name, code in units.items() if code} == {
        "elapsed_s": "s", "set_current_A": "A", "current_A": "A", "voltage_V": "V", "bath_C": "Cel", "probe_C": "Cel",
        "charge_Ah": "A.h", "discharge_Ah": "A.h", "energy_Wh": "W.h", "allowed_percent": "%",
    }  # fmt: skip
    assert str(schema.field("time_utc").type) == "timestamp[ms, tz=UTC]"
    assert str(schema.field("state").type) == "dictionary<values=string, indices=int32, ordered=0>"
    assert str(schema.field("step").type) == "int32"
    for table in ("batteries", "events"):
        fields = parquet.read_schema(exported(tmp_path / f"{table}.parquet", events, f"--{table}"))
        assert {field.name for field in fields if field.metadata} == UNITS.keys() & set(fields.names)


def test_the_files_metadata_lead_back_to_the_record(folder, tmp_path):
    """Run, batch, circuit, profile; the hash of run.json and the last chain values, by which it can be checked."""
    parquet = pyarrow()
    place = exported(tmp_path / "x.parquet", folder)
    content = json.loads(parquet.read_metadata(place).metadata[b"formbath"])
    last = (folder / "log.csv").read_text().splitlines()[-1].rpartition(",")[2]
    (run,) = content.pop("runs")
    assert content == {"format": "formbath/export/1", "table": "log.csv", "units": "UCUM"}
    assert (run["run"], run["batch"], run["circuit"], run["profile"]) == (folder.name, "K1", "A01", "a plan")
    assert run["run_json_sha256"] == sha256((folder / "run.json").read_bytes()).hexdigest()
    assert (run["chain"], run["summary_chains"]["log.csv"]) == (last, last)
    assert run["rows"] == len(cells(folder, "log.csv"))


def test_many_runs_are_one_table_in_the_order_they_were_named(tmp_path):
    """Folders of runs and archives: rows follow each other run by run, each with its own run in front."""
    parquet = pyarrow()
    runs = tmp_path / "runs"
    one = invented.make(runs, "2026-03-16T06:00", batch="K1")
    two = invented.make(runs, "2026-03-17T06:00", batch="K2", circuit="A02")
    other = invented.make(tmp_path / "other", "2026-03-15T06:00", bath="B", profile="truck")
    archive_run(two)
    found = parquet.read_table(exported(tmp_path / "x.parquet", runs, other)).to_pylist()
    assert [row["run"] for row in found] == [one.name] * 5 + [two.name] * 5 + [other.name] * 5
    assert [(row["batch"], row["circuit"], row["bath"], row["profile"]) for row in found[::5]] == [
        ("K1", "A01", "A", "starter 60"), ("K2", "A02", "A", "starter 60"), ("K1", "A01", "B", "truck"),
    ]  # fmt: skip
    assert [row["charge_Ah"] for row in found] == [0.0, 10.0, 20.0, 20.0, 30.0] * 3


def test_rows_are_written_in_groups_and_none_waits_for_the_end(tmp_path, monkeypatch):
    """Memory holds a group of rows, not all: with groups of at least 7, runs of 5 rows give groups of 10."""
    parquet = pyarrow()
    monkeypatch.setattr(exportparquet, "ROW_GROUP", 7)
    for day in range(10, 15):
        invented.make(tmp_path / "runs", f"2026-03-{day}T06:00")
    meta = parquet.read_metadata(exported(tmp_path / "x.parquet", tmp_path / "runs"))
    assert sum(meta.row_group(n).num_rows for n in range(meta.num_row_groups)) == 25
    assert meta.num_row_groups >= 3


def test_pandas_reads_the_same(folder, tmp_path):
    """A data frame of the file, against the cells."""
    pandas = pytest.importorskip("pandas", reason="pandas is not installed (extra outside)")
    pyarrow()
    frame = pandas.read_parquet(exported(tmp_path / "x.parquet", folder))
    for name in TABLES["log.csv"]:
        found, wanted = frame[name], [cell[name] for cell in cells(folder, "log.csv")]
        assert all(same(None if pandas.isna(one) else one, text) for one, text in zip(found, wanted, strict=True)), name


def test_duckdb_adds_up_the_same(events, tmp_path):
    """A database asks the file and finds what a spreadsheet would."""
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed (extra outside)")
    pyarrow()
    place = exported(tmp_path / "x.parquet", events)
    asked = f"select run, count(*), max(charge_Ah), min(time_utc) from '{place}' group by run"
    ((run, rows, charge_Ah, first),) = duckdb.sql(asked).fetchall()
    assert (run, rows, charge_Ah) == (events.name, 5, 30.0)
    assert first.timestamp() == invented.at("2026-03-16T06:00").timestamp()


@pytest.mark.parametrize("name", ["log", "events", "batteries"])
def test_csv_has_the_rows_as_they_stand(events, tmp_path, name):
    """No library needed: the run in front, then every cell of the table's row, untouched."""
    words = [] if name == "log" else [f"--{name}"]
    out = exported(tmp_path / "x.csv", events, *words)
    with out.open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    run = (events.name, "K1", "A", "A01", "starter 60", "3", "north", "", "false", "false", "K1")
    front = dict(zip(FRONT, run, strict=True))
    assert found == [{**front, **cell} for cell in cells(events, f"{name}.csv")]
    assert len(found) == {"log": 5, "events": len(SCALARS), "batteries": 2}[name]


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_columns_of_a_later_version_are_left_out(tmp_path, ending):
    """A format only grows: a table with one column more before its chain is one table with the others."""
    runs = tmp_path / "runs"
    invented.make(runs, "2026-03-16T06:00")
    later = invented.make(runs, "2026-03-17T06:00", closed=False)
    run_json = (later / "run.json").read_bytes()
    rows = [line.rpartition(",")[0] for line in (later / "log.csv").read_text().splitlines()[1:]]
    grown = invented.chained(
        invented.LOG.replace(",chain", ",fan,chain"), [f'{row},"on, slow"' for row in rows], run_json
    )
    (later / "log.csv").write_bytes(grown)
    if ending == "parquet":
        found = pyarrow().read_table(exported(tmp_path / "x.parquet", runs)).to_pylist()
    else:
        with exported(tmp_path / "x.csv", runs).open(encoding="utf-8", newline="") as file:
            found = list(csv.DictReader(file))
    assert [float(row["charge_Ah"]) for row in found] == [0.0, 10.0, 20.0, 20.0, 30.0] * 2
    assert "fan" not in found[0]
    assert {row["chain"] for row in found[5:]} == {line.rpartition(",")[2] for line in grown.decode().splitlines()[1:]}


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_damaged_run_is_exported_up_to_the_damage(tmp_path, capsys, ending):
    """The rows before it are there, those behind it are not; standard error says so, the end is 1."""
    if ending == "parquet":
        pyarrow()
    folder = invented.make(tmp_path / "runs")
    invented.make(tmp_path / "runs", "2026-03-17T06:00")
    log = (folder / "log.csv").read_bytes()
    (folder / "log.csv").write_bytes(log.replace(b",20.0000,", b",21.0000,", 1))
    exported(tmp_path / f"x.{ending}", tmp_path / "runs", code=1)
    err = capsys.readouterr().err.splitlines()
    assert err[0] == f"{folder.name}: log.csv:4: row 3 is not as it was written, or one before it is missing"
    assert err[1] == f"{tmp_path / f'x.{ending}'}: 7 rows of 2 runs, 1 damaged, exported as far as is said above"


def test_a_cut_end_shows_against_the_summary(tmp_path, capsys):
    """Two whole rows fewer than the summary knows: the chain itself cannot tell."""
    folder = invented.make(tmp_path / "runs")
    lines = (folder / "log.csv").read_bytes().splitlines(keepends=True)
    (folder / "log.csv").write_bytes(b"".join(lines[:-2]))
    exported(tmp_path / "x.csv", folder, code=1)
    assert "log.csv: ends in row 3, " in capsys.readouterr().err


def test_an_unfinished_row_of_an_open_run_is_told_and_no_damage(tmp_path, capsys):
    """The writer is at work; what is whole is exported."""
    folder = invented.make(tmp_path / "runs", closed=False)
    with (folder / "log.csv").open("ab") as file:
        file.write(b"2026-03")
    exported(tmp_path / "x.csv", folder)
    assert "log.csv: row 6 is unfinished" in capsys.readouterr().err


def rechained(folder, change, count=40):
    """A log of so many rows, one every six minutes, changed as `change(rows)` says, its chain made again."""
    began = invented.at("2026-03-16T06:00")
    rows = [
        f"{invented.utc(began + timedelta(minutes=6 * n))},{n * 360}.000,1,running,10.000,10.000,250.000,28.00,35.00,"
        f"{n / 10:.4f},0.0000,{n}.00,100.0,"
        for n in range(count)
    ]
    change(rows)
    (folder / "log.csv").write_bytes(invented.chained(invented.LOG, rows, (folder / "run.json").read_bytes()))


def both(tmp_path, folder, code, capsys) -> tuple[list[dict], str]:
    """What the two files say, which must be the same, and what was said on standard error, which must be as well."""
    out = exported(tmp_path / "x.csv", folder, code=code)
    said = capsys.readouterr().err
    found = pyarrow().read_table(exported(tmp_path / "x.parquet", folder, code=code)).to_pylist()
    assert capsys.readouterr().err == said.replace("x.csv", "x.parquet")
    with out.open(encoding="utf-8", newline="") as file:
        wanted = list(csv.DictReader(file))
    assert len(found) == len(wanted)
    for row, cell in zip(found, wanted, strict=True):
        assert all(same(row[name], text) for name, text in cell.items() if name not in ("trial", "virtual")), row
    return found, said


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (",250.000,", ",0x10,", "has in voltage_V '0x10', which is no number"),
        (",250.000,", ",many,", "has in voltage_V 'many', which is no number"),
        (",250.000,", ",1_0,", "has in voltage_V '1_0', which is no number"),
        (",1,running", ",1.5,running", "has in step '1.5', which is no whole number"),
        (",1,running", ",-1,running", "has in step '-1', which is no whole number"),
        ("2026-03-16", "2026-13-16", "has in time_utc '2026-13-16T09:00:00.000Z', which is no time"),
        ("2026-03-16", "2026-02-29", "has in time_utc '2026-02-29T09:00:00.000Z', which is no time"),
        ("2026-03-16", "2026-04-31", "has in time_utc '2026-04-31T09:00:00.000Z', which is no time"),
        ("2026-03-16", "0000-03-16", "has in time_utc '0000-03-16T09:00:00.000Z', which is no time"),
        (",1,running", ",3000000000,running", "has in step '3000000000', which is no whole number"),
        (",1,running", ",2147483648,running", "has in step '2147483648', which is no whole number"),
        (",35.00,", ",35.00,,", "has 16 cells, not 15"),
    ],
)
def test_a_wrong_cell_under_a_right_chain_ends_the_run_before_its_row(tmp_path, capsys, old, new, told):
    """Both formats give the rows before it, say which row it is, and count alike; nothing is guessed."""
    pyarrow()
    folder = invented.make(tmp_path / "runs", closed=False)

    def change(rows):
        rows[30] = rows[30].replace(old, new)

    rechained(folder, change)
    rows, said = both(tmp_path, folder, 1, capsys)
    assert said.startswith(f"{folder.name}: log.csv:32: row 31 {told}\n")
    assert said.endswith("x.csv: 30 rows of 1 run, 1 damaged, exported as far as is said above\n")
    assert rows[-1]["chain"] == cells(folder, "log.csv")[29]["chain"]
    content = json.loads(pyarrow().read_metadata(tmp_path / "x.parquet").metadata[b"formbath"])
    assert (content["runs"][0]["rows"], content["runs"][0]["chain"]) == (30, rows[-1]["chain"])


def test_numbers_without_end_are_left_empty_and_told(tmp_path, capsys):
    """nan, inf and 1e999 are no readings; their rows stay, all other cells as they are."""
    pyarrow()
    folder = invented.make(tmp_path / "runs", closed=False)

    def change(rows):
        for row, text in ((3, "nan"), (4, "-inf"), (5, "1e999"), (6, "1E2"), (7, "+5"), (8, ".5")):
            rows[row] = rows[row].replace(",250.000,", f",{text},")

    rechained(folder, change)
    rows, said = both(tmp_path, folder, 1, capsys)
    assert [row["voltage_V"] for row in rows[2:10]] == [250.0, None, None, None, 100.0, 5.0, 0.5, 250.0]
    assert len(rows) == 40
    assert said.splitlines()[:3] == [
        f"{folder.name}: log.csv:{row + 1}: row {row} has in voltage_V {text!r}, which is no number: left empty"
        for row, text in ((4, "nan"), (5, "-inf"), (6, "1e999"))
    ]


def test_the_largest_whole_number_is_one_in_both(tmp_path, capsys):
    """What Parquet's column of whole numbers still holds goes out as it stands."""
    pyarrow()
    folder = invented.make(tmp_path / "runs", closed=False)

    def change(rows):
        rows[1] = rows[1].replace(",1,running", ",2147483647,running")

    rechained(folder, change, 3)
    rows, _ = both(tmp_path, folder, 0, capsys)
    assert [row["step"] for row in rows] == [1, 2**31 - 1, 1]


def test_a_row_that_is_changed_is_quoted_anew(tmp_path):
    """One cell is put right: beside it a comma, quotes and a formula stay one cell each, and numbers their signs."""
    row = f'{invented.utc(MOMENT)},+1.000,,event,x,A01,"a, ""b""",\'=cmd,,-3.5,-1e-7,A,"-2,5"'
    (line,) = invented.chained(invented.EVENTS, [row]).splitlines()[1:]
    piece = stream.Piece(1, [line], True)
    columns = tuple(invented.EVENTS.split(","))
    fitting = fit("events.csv", columns, piece, Odd("events.csv"))
    assert fitting.wrong == ""
    assert fitting.lines[0] == line.replace(b",+1.000,", b",1.0,").replace(b'"-2,5"', b'"\'-2,5"')
    assert stream.cells_of(fitting.lines[0])[6:13] == ['a, "b"', "'=cmd", "", "-3.5", "-1e-7", "A", "'-2,5"]


class Picky:
    """A sink that does not take one row, nor anything together with it. `pieces`: what it took."""

    def __init__(self, cell: bytes) -> None:
        self.lines, self.pieces, self._cell = [], [], cell

    def add(self, piece) -> None:
        if any(self._cell in line for line in piece.lines):
            raise ValueError("not this one")
        self.lines += piece.lines
        self.pieces.append(piece)


def test_what_a_sink_does_not_take_ends_the_run_before_that_very_row(tmp_path):
    """Wherever it stands in a piece: rows before it are there, are counted, and the last one's chain value told."""
    folder = invented.make(tmp_path / "runs", closed=False)
    rechained(folder, lambda rows: None)
    for at in (0, 1, 19, 20, 23, 38, 39):
        picky = Picky(f",{at * 360}.000,".encode())
        (found,) = exporting.export([folder], "log.csv", picky)
        assert (found.rows, len(picky.lines)) == (at, at)
        assert found.chain == (cells(folder, "log.csv")[at - 1]["chain"] if at else "")
        assert found.wrong == (f"log.csv:{at + 2}: row {at + 1} cannot be exported: not this one",)


@pytest.mark.parametrize("at", range(8))
def test_rows_of_a_bath_stay_a_bath_s_in_a_piece_that_is_halved(tmp_path, at):
    """Whichever row a sink does not take: each part it takes is told as the bath's, with its columns, in order."""
    rows = [invented.event(MOMENT, "event", f"c{number}", "A") for number in range(8)]
    invented.orders(tmp_path, "A", *rows)
    picky = Picky(f",c{at},".encode())
    (found,) = exporting.export([tmp_path / "A"], "events.csv", picky)
    assert (found.rows, found.wrong) == (
        at,
        (f"events-202603.csv:{at + 2}: row {at + 1} cannot be exported: not this one",),
    )
    assert [stream.cells_of(line)[4] for line in picky.lines] == [f"c{number}" for number in range(at)]
    assert all(piece.of_bath for piece in picky.pieces)
    assert all((piece.run.bath, piece.columns) == ("A", TABLES["events.csv"]) for piece in picky.pieces)


def test_behind_a_wrong_cell_nothing_more_of_the_run_is_exported(tmp_path, monkeypatch):
    """Pieces of a few rows: the ones behind are not taken up again; numbers of rows go on from piece to piece."""
    folder = invented.make(tmp_path / "runs", closed=False)

    def change(rows):
        rows[20] = rows[20].replace(",250.000,", ",0x10,")

    rechained(folder, change)
    monkeypatch.setattr(stream, "PIECE_BYTES", 700)
    everything = Picky(b"no such cell")
    (found,) = exporting.export([folder], "log.csv", everything)
    assert (found.rows, len(everything.lines)) == (20, 20)
    assert found.wrong == ("log.csv:22: row 21 has in voltage_V '0x10', which is no number",)


@pytest.mark.parametrize(
    "moment", ["2024-02-29T23:59:59.999Z", "2026-01-31T00:00:00.000Z", "2026-03-16T07:00:00+01:00"]
)
def test_moments_of_any_day_are_the_same_in_both(tmp_path, capsys, moment):
    """Ends of months, and a time that another program wrote with its zone."""
    pyarrow()
    folder = invented.make(tmp_path / "runs", closed=False)

    def change(rows):
        rows[1] = moment + rows[1][24:]

    rechained(folder, change, 3)
    rows, _ = both(tmp_path, folder, 0, capsys)
    assert rows[1]["time_utc"] == datetime.fromisoformat(moment)


def test_simulated_runs_and_trials_can_be_told_apart(tmp_path):
    """Columns and metadata say hall, battery type, trial, simulated, and all batches of a string."""
    two = [{"position": n, "batch": batch} for n, batch in enumerate(("K1", "K2"), 1)]
    folder = invented.make(
        tmp_path / "runs", kind="S60", load={"trial": True}, head={"virtual": True, "batteries": two}
    )
    found = pyarrow().read_table(exported(tmp_path / "x.parquet", folder))
    assert str(found.schema.field("virtual").type) == "bool"
    row = found.to_pylist()[0]
    assert [row[name] for name in FRONT[6:]] == ["north", "S60", True, True, "K1 K2"]
    content = json.loads(pyarrow().read_metadata(tmp_path / "x.parquet").metadata[b"formbath"])
    assert [content["runs"][0][name] for name in FRONT[6:]] == ["north", "S60", True, True, ["K1", "K2"]]
    with exported(tmp_path / "x.csv", folder).open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    assert [row[name] for name in FRONT[6:]] == ["north", "S60", "true", "true", "K1 K2"]


def test_runs_are_chosen_as_the_list_chooses_them(tmp_path, served):
    """By day, circuit, batch, open or not: the same options as those of `runs`; a date that is none is told."""
    runs = tmp_path / "runs"
    one = invented.make(runs, "2026-03-16T06:00", batch="K1")
    two = invented.make(runs, "2026-03-17T06:00", batch="K2", circuit="A02", closed=False)
    invented.state(runs, "A", {"A02": two.name})
    served(runs / "A")
    for words, wanted in (
        (("--since", "2026-03-17"), {two.name}), (("--until", "2026-03-16"), {one.name}),
        (("--batch", "k2"), {two.name}),
        (("--circuit", "A01"), {one.name}), (("--open",), {two.name}), (("--verdict", "complete"), {one.name}),
        (("--type", "starter"), {one.name, two.name}), (("--bath", "B"), set()),
    ):  # fmt: skip
        out = exported(tmp_path / "x.csv", runs, "--force", *words)
        with out.open(encoding="utf-8", newline="") as file:
            assert {row["run"] for row in csv.DictReader(file)} == wanted, words
    with pytest.raises(InputError, match="export: --since: 'soon' is no date"):
        exportcmd.run(command(runs, "-o", tmp_path / "x.csv", "--since", "soon"))


def test_a_bath_s_own_events_are_exported_by_its_folder(tmp_path, capsys):
    """Orders that belong to no run, month by month, up to damage; its name in front. Other tables it has none."""
    runs = tmp_path / "runs"
    invented.orders(runs, "A", *(invented.event(MOMENT, "order", "accepted", text=f"load {n}") for n in range(3)))
    april = invented.event(invented.at("2026-04-01T00:00"), "order", "accepted", text="load 4")
    (runs / "A" / "events-202604.csv").write_bytes(invented.chained(invented.EVENTS, [april]))
    with exported(tmp_path / "x.csv", runs / "A", "--events").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert capsys.readouterr().err.endswith("x.csv: 4 rows of 1 bath\n")
    assert [row["text"] for row in found] == ["load 0", "load 1", "load 2", "load 4"]
    assert {tuple(row[name] for name in FRONT) for row in found} == {("", "", "A", *[""] * 8)}
    table = pyarrow().read_table(exported(tmp_path / "x.parquet", runs / "A", "--events")).to_pylist()
    assert [(row["bath"], row["virtual"]) for row in table] == [("A", None)] * 4
    data = (runs / "A" / "events-202603.csv").read_bytes()
    (runs / "A" / "events-202603.csv").write_bytes(data.replace(b"load 1", b"load x"))
    exported(tmp_path / "x.csv", runs / "A", "--events", "--force", code=1)
    assert "A/events-202603.csv: events-202603.csv:3: row 2 is not as it was written" in capsys.readouterr().err
    with pytest.raises(InputError, match="is a bath's own folder, which holds events and no runs: add --events"):
        exportcmd.run(command(runs / "A", "-o", tmp_path / "y.csv"))


def test_what_is_not_there_is_said(tmp_path, capsys):
    """No sign-off yet is worth a note; a log that is missing, or a run.json that is none, is damage."""
    folder = invented.make(tmp_path / "runs")
    exported(tmp_path / "a.csv", folder, "--batteries")
    assert f"{folder.name}: batteries.csv is not there" in capsys.readouterr().err
    (folder / "log.csv").unlink()
    exported(tmp_path / "b.csv", folder, code=1)
    assert f"{folder.name}: log.csv is not there" in capsys.readouterr().err
    (folder / "run.json").write_bytes(b"{")
    exported(tmp_path / "c.csv", folder, code=1)
    assert "run.json: is not readable" in capsys.readouterr().err


def test_hostile_names_are_cleaned_and_quoted(tmp_path):
    """A batch that is a formula, or holds an escape, is harmless in a spreadsheet and on a terminal."""
    folder = invented.make(tmp_path / "runs", batch='=cmd,"x"\x1b[0m', name="20260316T060000Z-odd")
    with exported(tmp_path / "x.csv", folder).open(encoding="utf-8", newline="") as file:
        assert next(csv.DictReader(file))["batch"] == '\'=cmd,"x" [0m'


@pytest.mark.parametrize(
    ("place", "told"),
    [
        ("x.txt", "x.txt: its name says no format, end it in .parquet or .csv"),
        ("there.csv", "there.csv exists, name another file or add --force"),
        ("folder.csv", "folder.csv is a folder, name a file"),
        ("none/x.csv", "none/x.csv: its folder does not exist, make it first"),
    ],
)
def test_a_place_that_cannot_be_is_refused_before_any_work(tmp_path, monkeypatch, place, told):
    """One line with what would be right."""
    monkeypatch.chdir(tmp_path)
    invented.make(tmp_path / "runs")
    Path("there.csv").write_text("mine")
    Path("folder.csv").mkdir()
    with pytest.raises(InputError) as wrong:
        exportcmd.run(command("runs", "-o", place))
    assert str(wrong.value) == f"export: -o: {told}"
    assert Path("there.csv").read_text() == "mine"


@pytest.mark.parametrize("force", [(), ("--force",)])
@pytest.mark.parametrize(
    ("place", "told"),
    [
        ("runs/RUN/log.csv", "would stand in the run folder "),
        ("runs/RUN/new.csv", "would stand in the run folder "),
        ("runs/RUN/sub/new.csv", "would stand in the run folder "),
        ("link/events.csv", "would stand in the run folder "),
        ("renamed/x.csv", "would stand in the run folder "),
        ("mine/of.csv", "would stand in the run folder "),
        ("runs/A/events-202603.csv", "would stand in a bath's own folder "),
        ("runs/A/other.parquet", "would stand in a bath's own folder "),
        ("runs/A/releases/x.csv", "would stand in a bath's own folder "),
        ("runs/B/x.csv", "would stand in a bath's own folder "),
        ("mine/zip.csv", "is an archive: name another file"),
        ("mine/round.csv", "leads nowhere that can be written to: look at its links"),
    ],
)
def test_no_record_is_written_over_or_into(tmp_path, monkeypatch, place, told, force):
    """Into a run's or a bath's folder, through a link or not, forced or not: one line, and not one byte is changed."""
    monkeypatch.chdir(tmp_path)
    folder, other = invented.make(Path("runs")), invented.make(Path("runs"), "2026-03-18T06:00")
    invented.orders(Path("runs"), "A")
    invented.state(Path("runs"), "B", {})
    shutil.copytree(folder, "renamed")
    for made in (folder / "sub", Path("runs/A/releases"), Path("mine")):
        made.mkdir()
    archive_run(other)
    for link, target in (
        ("link", folder), ("mine/of.csv", Path("..") / folder / "log.csv"), ("mine/round.csv", "round.csv"),
        ("mine/zip.csv", Path("..") / f"{other}.zip"),
    ):  # fmt: skip
        Path(link).symlink_to(target)
    before = {path: path.read_bytes() for path in Path("runs").rglob("*") if path.is_file()}
    with pytest.raises(InputError) as wrong:
        exportcmd.run(command(folder, "-o", place.replace("RUN", folder.name), *force))
    assert told in str(wrong.value)
    assert {path: path.read_bytes() for path in Path("runs").rglob("*") if path.is_file()} == before
    assert exportcmd.run(command(folder, "-o", "runs/all.csv")) == 0


def test_force_replaces_the_file_only_once_the_new_one_is_whole(tmp_path, monkeypatch):
    """A full disk in the middle leaves the old file, and nothing beside it."""
    invented.make(tmp_path / "runs")
    place = tmp_path / "x.csv"
    place.write_text("mine")

    def full(self, piece):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(exporting.CsvSink, "add", full)
        with pytest.raises(InputError, match="cannot be written: No space left on device"):
            exportcmd.run(command(tmp_path / "runs", "-o", place, "--force"))
    assert place.read_text() == "mine"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["runs", "x.csv"]
    exported(place, tmp_path / "runs", "--force")
    assert place.read_text().startswith(f"{','.join(FRONT)},time_utc,")


def test_without_pyarrow_the_line_says_what_to_install(tmp_path, monkeypatch):
    """The extra's name, and that CSV needs none; no file is left."""
    invented.make(tmp_path / "runs")
    monkeypatch.setitem(importlib.import_module("sys").modules, "pyarrow", None)
    with pytest.raises(
        InputError, match=r"Parquet needs pyarrow: pip install 'formbath\[export\]', or name a \.csv file"
    ):
        exportcmd.run(command(tmp_path / "runs", "-o", tmp_path / "x.parquet"))
    assert [each.name for each in tmp_path.iterdir()] == ["runs"]


def test_a_dash_is_standard_output(tmp_path, capsys):
    """CSV into a pipe."""
    invented.make(tmp_path / "runs")
    assert exportcmd.run(command(tmp_path / "runs", "-o", "-")) == 0
    assert len(capsys.readouterr().out.splitlines()) == 6


HOSTILE = "\x1b]0;x\x07word \u202eback"
"""Sequences that a terminal acts upon and a change of direction, as a re-chained record may hold them."""


def test_what_a_hostile_record_holds_is_cleaned_on_the_way_out(tmp_path):
    """Control characters and formulas that no writer of ours would have left; numbers keep their signs."""
    rows = [
        f'{invented.utc(MOMENT)},1.000,,alarm,{HOSTILE},A01,=cmd,,2,-3.5,-1e-07,A,"{HOSTILE}, said ""he"""',
        f"{invented.utc(MOMENT)},2.000,,alarm,c,A01,-anna,,2,-x,+5,A,@x",
        f"{invented.utc(MOMENT)},3.000,,alarm,c,A01,,,2,1,2,A,\u00e4rger & so on",
    ]
    folder = invented.make(tmp_path / "runs", events=rows)
    text = exported(tmp_path / "x.csv", folder, "--events").read_text(encoding="utf-8")
    assert not any(ord(letter) < 32 and letter != "\n" for letter in text)
    assert "\u202e" not in text
    first, second, third = csv.DictReader(text.splitlines())
    clean = "]0;x word  back"
    assert (first["code"], first["who"], first["value"], first["limit"]) == (clean, "'=cmd", "-3.5", "-1e-07")
    assert first["text"] == f'{clean}, said "he"'
    assert (second["who"], second["value"], second["limit"], second["text"]) == ("'-anna", "'-x", "'+5", "'@x")
    assert third["text"] == "\u00e4rger & so on"
    assert [row["chain"] for row in (first, second, third)] == [row["chain"] for row in cells(folder, "events.csv")]


def test_hostile_cells_are_cleaned_in_parquet_too(tmp_path):
    """The same cells, typed."""
    parquet = pyarrow()
    row = f"{invented.utc(MOMENT)},1.000,,alarm,{HOSTILE},A01,=cmd,,2,-3.5,\x1b[2J,A,{HOSTILE}"
    folder = invented.make(tmp_path / "runs", events=[row])
    (found,) = parquet.read_table(exported(tmp_path / "x.parquet", folder, "--events")).to_pylist()
    assert (found["who"], found["value"], found["limit_text"]) == ("'=cmd", -3.5, "[2J")
    assert found["code"] == found["text"] == "]0;x word  back"


def test_a_row_as_the_writer_leaves_it_goes_out_byte_by_byte():
    """Numbers, quotes, apostrophes and other letters than English ones; no row of our own is changed."""
    for line in (b'-1.5,2,\'=x,"a, b",-3', b'"he said ""no""",-1e-07,,', "\u00fcber,-2.0".encode(), b""):
        assert exporting.cleaned(line) == line


def test_a_folder_that_is_not_there_is_told_by_this_command(tmp_path):
    """Two commands share the search; each names itself, and only options that it has."""
    with pytest.raises(InputError) as wrong:
        exportcmd.run(command(tmp_path / "nowhere", "-o", tmp_path / "x.csv"))
    assert [problem.file for problem in wrong.value.problems] == ["export"]
    assert "--runs" not in str(wrong.value)
