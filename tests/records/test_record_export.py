"""Export: what other people's readers find in the file is what stands in the records, cell by cell."""

from __future__ import annotations

import argparse
import csv
import importlib
import json
import shutil
from hashlib import sha256
from math import isnan
from pathlib import Path

import inventedrun as invented
import pytest

from controller.records import exportcmd, exporting, exportparquet
from controller.records.archive import archive_run
from controller.records.exporting import FRONT, UNITS
from controller.records.tables import TABLES
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
        assert [row[name] for name in FRONT] == [folder.name, "K1", "A", "A01", "a plan", 1]
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


def test_batteries_say_their_own_batch(tmp_path):
    """A string may hold several batches: the column stands once, and holds each battery's."""
    folder = invented.make(tmp_path / "runs", batch="K1", outcomes=("pass", "scrap"))
    run_json = (folder / "run.json").read_bytes()
    rows = [f"{n},K{n},,,12.79,24.0,1.281,25.0,ok,pass,," for n in (1, 2)]
    (folder / "batteries.csv").write_bytes(invented.chained(invented.BATTERIES, rows, run_json))
    (folder / "summary.json").unlink()
    table = pyarrow().read_table(exported(tmp_path / "x.parquet", folder, "--batteries"))
    columns = ["run", "bath", "circuit", "profile", "revision", *TABLES["batteries.csv"]]
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
    front = dict(zip(FRONT, (events.name, "K1", "A", "A01", "starter 60", "3"), strict=True))
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
    assert err[1] == f"{tmp_path / f'x.{ending}'}: 7 rows of 2 runs, 1 damaged, exported up to the damage"


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


def test_a_right_chain_over_a_wrong_cell_ends_the_run_there(tmp_path, capsys):
    """A number that is none, in a row whose chain holds: nothing is guessed, Parquet takes no row of that piece."""
    pyarrow()
    folder = invented.make(tmp_path / "runs", hours=((0, 0.0), (1, 10.0)), closed=False)
    run_json = (folder / "run.json").read_bytes()
    rows = [line.rpartition(",")[0] for line in (folder / "log.csv").read_text().splitlines()[1:]]
    wrong = [rows[0], rows[1].replace("250.000", "many")]
    (folder / "log.csv").write_bytes(invented.chained(invented.LOG, wrong, run_json))
    exported(tmp_path / "x.parquet", folder, code=1)
    assert "log.csv: behind row 0: " in capsys.readouterr().err


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
    assert place.read_text().startswith("run,batch,bath,circuit,profile,revision,time_utc,")


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
