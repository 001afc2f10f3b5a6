"""A run that was copied counts once, whatever its copies are called and wherever they lie; zip files that hold none."""

from __future__ import annotations

import csv
import json
import shutil
import zipfile
from pathlib import Path

import inventedrun as invented
import pytest
from runskit import said_and_told

from controller.records.finding import run_paths
from controller.runs import exportcmd
from controller.runs.archive import archive_run
from controller.runs.copies import without_copies

END = "chain values not checked, formbath verify does\n"


def one_of_each(*named: Path) -> tuple[list[Path], list[str]]:
    told: list[str] = []
    return without_copies(run_paths(named), told.append), told


@pytest.fixture
def run(tmp_path) -> Path:
    return invented.make(tmp_path / "runs")


def test_a_copied_run_counts_once_in_list_table_and_export(run, tmp_path, capsys):
    """Two copies, one under a name of its own: one line, one run in the table, its rows once; the others are named."""
    runs = run.parent
    shutil.copytree(run, runs / "backup of monday")
    shutil.copytree(run, tmp_path / "elsewhere" / run.name)
    copies = (tmp_path / "elsewhere" / run.name, runs / "backup of monday")
    told = "".join(f"{copy}: left out, it holds the same run as {run}\n" for copy in copies)
    code, out, err = said_and_told(capsys, runs, tmp_path / "elsewhere")
    assert (code, out.count("\n"), err) == (0, 2, f"{told}1 of 1 runs; {END}")
    _, out, err = said_and_told(capsys, runs, tmp_path / "elsewhere", "--table")
    assert (next(csv.DictReader(out.splitlines()))["runs"], err) == ("1", told)
    parser = exportcmd.argparse.ArgumentParser()
    exportcmd.add_arguments(parser)
    words = [str(word) for word in (runs, tmp_path / "elsewhere", "-o", "-")]
    assert exportcmd.run(parser.parse_args(words)) == 0
    out, err = capsys.readouterr()
    assert (out.count("\n"), err) == (6, f"{told}-: 5 rows of 1 run\n")


def test_of_copies_the_folder_counts_then_the_one_called_as_a_run_then_the_first(run, tmp_path):
    """Whichever was found first: an archive elsewhere and a folder called otherwise give way."""
    odd = shutil.copytree(run, run.with_name("00 copy"))
    assert one_of_each(run.parent) == ([run], [f"{odd}: left out, it holds the same run as {run}"])
    shutil.rmtree(odd)
    away = Path(shutil.copytree(run, tmp_path / "away" / run.name))
    archive_run(away)
    packed = away.with_name(f"{run.name}.zip")
    assert one_of_each(packed, run) == ([run], [f"{packed}: left out, it holds the same run as {run}"])
    other = Path(shutil.copytree(run, tmp_path / "other" / run.name))
    assert one_of_each(other, run)[0] == [other]
    assert one_of_each(run, other)[0] == [run]


def test_of_copies_the_closed_and_longer_one_counts_and_that_is_said(run, tmp_path):
    """A copy made while the run was open, one made before a later row, one in which something was changed."""
    copy = Path(shutil.copytree(run, tmp_path / "a" / run.name))
    (copy / "summary.json").unlink()
    same = f"{copy}: left out, it holds the same run as {run}"
    assert one_of_each(copy, run) == ([run], [f"{same}, which is closed"])
    with (copy / "log.csv").open("ab") as file:
        file.write(b"a row behind the end\n")
    assert one_of_each(copy, run) == ([run], [f"{same}, but they differ: look at both"])
    shutil.copy(run / "summary.json", copy)
    assert one_of_each(run, copy) == ([copy], [f"{run}: left out, it holds the same run as {copy}, which goes further"])
    (copy / "events.csv").write_bytes((copy / "events.csv").read_bytes().replace(b"time", b"tIme"))
    (told,) = one_of_each(run, copy)[1]
    assert told.endswith(", but they differ: look at both")


def test_a_table_that_only_the_copy_has_is_a_difference(run, tmp_path):
    """Later readings in the shorter one: nothing is left out as the same that holds more."""
    copy = Path(shutil.copytree(run, tmp_path / "a" / run.name))
    (copy / "after.csv").write_bytes(b"x\n")
    with (run / "log.csv").open("ab") as file:
        file.write(b"three more rows\n")
    assert one_of_each(run, copy)[1] == [
        f"{copy}: left out, it holds the same run as {run}, but they differ: look at both"
    ]


def test_runs_that_only_look_alike_stay(tmp_path):
    """run.json of the same size, another batch; run.json empty in both; one that cannot be read."""
    made = [invented.make(tmp_path, f"2026-03-1{day}T06:00", batch=f"K{day}") for day in (5, 6)]
    for name in ("x", "y"):
        (tmp_path / f"20260317T060000Z-{name}").mkdir()
        (tmp_path / f"20260317T060000Z-{name}" / "run.json").write_bytes(b"")
        (tmp_path / f"20260318T060000Z-{name}.zip").write_bytes(b"no archive")
    found, told = one_of_each(tmp_path)
    assert (len(found), found[:2], told) == (6, made, [])


def test_a_simulated_run_played_otherwise_is_another_run(tmp_path):
    """Two demos begin alike to the byte; where the same came of them they are copies, else both count."""
    first = invented.make(tmp_path / "1", head={"virtual": True})
    again = invented.make(tmp_path / "2", head={"virtual": True})
    other = invented.make(tmp_path / "3", head={"virtual": True}, hours=((0, 0.0), (1, 5.0)), end="stopped")
    assert len({(one / "run.json").read_bytes() for one in (first, again, other)}) == 1
    assert one_of_each(tmp_path) == ([first, other], [f"{again}: left out, it holds the same run as {first}"])


def zipped(place: Path, files: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(place, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return place


def test_zip_files_that_hold_no_run_are_named_each_with_its_reason(run, capsys):
    """Cut short, two runs in one, no record, a way out, a hostile name: a line each, and nothing else changes."""
    runs = run.parent
    head = (run / "run.json").read_bytes()
    whole = zipped(runs / "two\n\x1b[31m.zip", {"a/run.json": head, "b/run.json": head}).read_bytes()
    (runs / "old backup.zip").write_bytes(whole[:-30])
    zipped(runs / "notes.zip", {"notes/x.txt": b"x"})
    zipped(runs / "out.zip", {"a/run.json": head, "../../x": b"x"})
    (runs / "month").mkdir()
    zipped(runs / "month" / "more.ZIP", {})
    twice = zipped(runs / "twice.zip", {"a/run.json": head, "b/run.json": b"{}"})
    twice.write_bytes(twice.read_bytes().replace(b"b/run.json", b"a/run.json"))
    code, out, err = said_and_told(capsys, runs)
    no = "left out: is no archive that formbath packs: unpack it, its folder can be read"
    assert (code, out.count("\n")) == (0, 2)
    assert err.splitlines()[:-1] == [
        f"{runs}/month/more.ZIP: {no}", f"{runs}/notes.zip: {no}",
        f"{runs}/old backup.zip: left out: is no archive that can be read: it does not end as one",
        f"{runs}/out.zip: {no} ('../../x' has no place in one)",
        f"{runs}/twice.zip: {no} ('a/run.json' has no place in one)",
        f"{runs}/two ?[31m.zip: {no} ('b/run.json' has no place in one)",
    ]  # fmt: skip
    assert len(json.loads(said_and_told(capsys, runs, "--json")[1])["wrong"]) == 0


def test_an_archive_beside_its_folder_is_nothing_to_be_told(run, capsys):
    """What `--archive --keep` leaves is no copy that anybody must look at."""
    archive_run(run, keep=True)
    assert said_and_told(capsys, run.parent)[2] == f"1 of 1 runs; {END}"
