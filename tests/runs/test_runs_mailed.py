"""Runs that came by mail: packed by any program, renamed, damaged on the way: read where that is sound, else a line."""

from __future__ import annotations

import argparse
import json
import shutil
import zipfile
from pathlib import Path

import pytest

from controller.records.errors import RecordError
from controller.records.finding import run_paths
from controller.records.place import ArchivePlace, place_of, read_all
from controller.records.reader import read_run
from controller.runs import commands as runscmd
from controller.runs import exportcmd
from controller.runs.archive import archive_run
from controller.runs.seen import look
from controller.verify import commands
from controller.verify.runfolder import verify_run
from profiles.problems import InputError


@pytest.fixture
def folder(kept_run, tmp_path):
    return shutil.copytree(kept_run, tmp_path / "runs" / kept_run.name)


def zipped(folder: Path, place: Path, top: str | None = None, *, method=zipfile.ZIP_DEFLATED, more=()) -> Path:
    """As ordinary programs pack: entries for folders, dates, users, the files in any order."""
    top = f"{folder.name}/" if top is None else top
    with zipfile.ZipFile(place, "w", method) as archive:
        if top:
            archive.mkdir(top)
        for path in sorted(folder.iterdir(), reverse=True):
            archive.write(path, f"{top}{path.name}")
        for name, data in more:
            archive.writestr(name, data)
    return place


def as_streamed(folder: Path, place: Path) -> Path:
    """Sizes behind the bytes, as a program packs into a pipe."""

    class Pipe:
        def __init__(self, file):
            self.write, self.flush = file.write, file.flush

    with place.open("wb") as file, zipfile.ZipFile(Pipe(file), "w", zipfile.ZIP_DEFLATED) as archive:
        for path in folder.iterdir():
            archive.write(path, f"{folder.name}/{path.name}")
    return place


def parsed(module, *words) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    module.add_arguments(parser)
    return parser.parse_args([str(word) for word in words])


@pytest.mark.parametrize(
    "pack",
    [
        zipped,
        lambda folder, place: zipped(folder, place, method=zipfile.ZIP_STORED),
        lambda folder, place: zipped(folder, place, more=[(f"__MACOSX/{folder.name}/._log.csv", b"x")]),
        as_streamed,
    ],
)
@pytest.mark.parametrize("name", ["mail.zip", "A01 (1).ZIP"])
def test_a_run_folder_packed_by_any_program_is_read_under_its_own_name(folder, tmp_path, pack, name):
    """Whatever the file is called: the run is called as the folder inside, and reads byte by byte as that did."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    place = place_of(pack(folder, tmp_path / name))
    assert (place.name, place.path.name) == (folder.name, name)
    assert {each: read_all(place, each) for each in place.names()} == before
    assert not place.as_packed_here()
    assert verify_run(place.path).wrong == []
    seen = look(place.path, frozenset())
    assert (seen.name, seen.archived, seen.wrong) == (folder.name, True, ())
    assert read_run(place.path).problems == ()


def test_an_archive_of_ours_may_be_renamed(folder, tmp_path, capsys):
    """`... (1).zip`: verify, runs and export take it for the run it is."""
    archive_run(folder)
    mail = folder.with_name(f"{folder.name}.zip").rename(tmp_path / "mail (1).zip")
    assert verify_run(mail).wrong == []
    assert runscmd.run(parsed(runscmd, mail, "--json")) == 0
    assert json.loads(capsys.readouterr().out)["run"] == folder.name
    assert exportcmd.run(parsed(exportcmd, mail, "-o", "-")) == 0
    assert capsys.readouterr().out.splitlines()[1].startswith(f"{folder.name},")


def test_a_folder_inside_may_be_called_as_it_likes(folder, tmp_path):
    """The name of the run is that of the folder in the zip file, as it is for a folder that was renamed."""
    assert place_of(zipped(folder, tmp_path / "x.zip", "copy of it/")).name == "copy of it"


@pytest.mark.parametrize(
    "pack",
    [
        lambda folder, place: zipped(folder, place, ""),
        lambda folder, place: zipped(folder, place, f"runs/{folder.name}/"),
        lambda folder, place: zipped(folder, place, more=[("other/run.json", b"{}")]),
        lambda folder, place: zipped(folder, place, more=[("readme.txt", b"mail")]),
        lambda folder, place: zipped(folder, place, method=zipfile.ZIP_BZIP2),
        lambda folder, place: zipped(folder.parent, place, "none/"),
    ],
)
def test_any_other_zip_file_is_no_record_and_says_what_to_do(folder, tmp_path, capsys, pack):
    """Flat, deeper, two runs, pressed in another way, none: exit 2 with one line, never "not as it was written"."""
    place = pack(folder, tmp_path / "mail.zip")
    with pytest.raises(InputError) as wrong:
        commands.run(parsed(commands, place))
    (problem,) = wrong.value.problems
    assert str(problem).count("mail.zip") == 1
    assert "unpack it" in str(problem)
    assert "its folder can be read" in str(problem)
    for module, words in ((runscmd, ()), (exportcmd, ("-o", "-"))):
        with pytest.raises(InputError, match=r"mail\.zip: .*unpack it"):
            module.run(parsed(module, place, *words))
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("own", [True, False])
def test_a_file_that_reaches_into_the_list_is_refused(folder, tmp_path, own):
    """Its bytes would be those that describe the files."""
    place = zipped(folder, tmp_path / f"{folder.name}.zip")
    data = bytearray(place.read_bytes())
    last = data.rindex(b"PK\1\2")
    size = int.from_bytes(data[last + 20 : last + 24], "little")
    data[last + 20 : last + 24] = (size + 200).to_bytes(4, "little")
    place.write_bytes(data)
    with pytest.raises(RecordError):
        ArchivePlace(place, own=own).names()


@pytest.mark.parametrize("own", [True, False])
def test_files_that_share_their_bytes_are_refused(folder, tmp_path, own):
    """Many files out of the same packed bytes would grow without bound."""
    place = zipped(folder, tmp_path / f"{folder.name}.zip")
    data = bytearray(place.read_bytes())
    first = data.index(b"PK\1\2")
    second = data.index(b"PK\1\2", first + 4)
    data[second + 42 : second + 46] = data[first + 42 : first + 46]
    place.write_bytes(data)
    with pytest.raises(RecordError):
        ArchivePlace(place, own=own).names()


def test_copies_beside_a_run_count_once(folder, capsys):
    """A renamed copy in the same folder is left out, and said; one that stands alone counts."""
    runs = folder.parent
    archive_run(folder, keep=True)
    own = runs / f"{folder.name}.zip"
    for copy in ("a copy.zip", f"{folder.name} (1).zip"):
        shutil.copy(own, runs / copy)
    told: list[str] = []
    assert run_paths([runs], told.append) == [folder]
    assert len(told) == 2
    assert told[0] == f"{runs / f'{folder.name} (1).zip'}: left out, it holds the same run as {folder.name} beside it"
    shutil.rmtree(folder)
    assert run_paths([runs]) == [own]
    own.unlink()
    assert run_paths([runs]) == [runs / f"{folder.name} (1).zip"]
    capsys.readouterr()


def test_what_stands_beside_a_renamed_archive_is_not_its_folder(folder):
    """`mail.zip` beside a folder `mail`: archiving takes neither for what an interruption left."""
    runs = folder.parent
    archive_run(folder)
    (runs / f"{folder.name}.zip").rename(runs / "mail.zip")
    (runs / "mail").mkdir()
    assert runscmd.run(parsed(runscmd, runs, "--archive")) == 0
    assert (runs / "mail").is_dir()


def test_a_folder_is_taken_away_only_beside_an_archive_of_ours(folder):
    """A zip file of another program at the archive's place proves nothing: the folder stays."""
    zipped(folder, folder.with_name(f"{folder.name}.zip"))
    with pytest.raises(RecordError):
        archive_run(folder)
    assert folder.is_dir()


@pytest.mark.parametrize("pack", [zipped, None])
def test_a_damaged_byte_of_the_cycles_leaves_the_rows(folder, tmp_path, pack):
    """As in a folder: rows and events are there, the damage is told once, with the file's name and no path."""
    if pack is None:
        archive_run(folder, keep=True)
    place = folder.with_name(f"{folder.name}.zip") if pack is None else pack(folder, tmp_path / "mail.zip")
    whole = read_run(folder)
    with zipfile.ZipFile(place) as archive:
        entry = archive.getinfo(f"{folder.name}/cycles.bin")
    data = bytearray(place.read_bytes())
    data[entry.header_offset + 30 + len(entry.filename) + entry.compress_size // 2] ^= 1
    place.write_bytes(data)
    found = read_run(place)
    assert (found.log.rows, found.events.rows) == (whole.log.rows, whole.events.rows)
    assert found.cycles.damage[0].startswith("cycles.bin: cannot be read: ")
    assert sum("cycles.bin: cannot be read" in said for said in found.problems) == 1
    assert not any(str(tmp_path) in said for said in found.problems)
    with pytest.raises(RecordError, match=r"^cycles\.bin: cannot be read"):
        read_run(place, whole=True)


@pytest.mark.parametrize("name", ["log.csv", "summary.json"])
def test_a_damaged_byte_of_another_file_leaves_the_others(folder, tmp_path, name):
    """The rows of a log up to the damage; a summary that is none."""
    place = zipped(folder, tmp_path / "mail.zip", method=zipfile.ZIP_STORED)
    data = bytearray(place.read_bytes())
    text = (folder / name).read_bytes()
    data[data.index(text) + len(text) - 5] ^= 1
    place.write_bytes(data)
    found = read_run(place)
    assert found.events.rows
    assert found.cycles.count == 402
    assert any(said.startswith(f"{name}: ") for said in found.problems)
    assert (found.summary is None) == (name == "summary.json")


def test_an_empty_run_json_is_not_called_missing(folder):
    """What stands there is said."""
    (folder / "run.json").write_bytes(b"")
    with pytest.raises(RecordError, match=r"its run\.json is empty"):
        read_run(folder)
    (folder / "run.json").unlink()
    with pytest.raises(RecordError, match=r"it has no run\.json"):
        read_run(folder)


def test_cycles_before_a_damaged_byte_are_there(folder, tmp_path):
    """What was unpacked is given before the damage is told, as from a folder; its end is told all the same."""
    place = zipped(folder, tmp_path / "mail.zip", method=zipfile.ZIP_STORED)
    data = bytearray(place.read_bytes())
    whole = (folder / "cycles.bin").read_bytes()
    data[data.index(whole) + len(whole) - 5] ^= 1
    place.write_bytes(data)
    found = read_run(place)
    assert 0 < found.cycles.count < read_run(folder).cycles.count
    assert found.cycles_bin[:-5] == whole[:-5]
    assert "cycles.bin: cannot be read: its check sum is wrong" in found.problems
