"""Archiving: a closed run becomes one file, and at no moment is there neither a whole folder nor a whole archive."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import zipfile
from contextlib import contextmanager
from pathlib import Path

import inventedrun as invented
import pytest

from controller.records.claims import Claims
from controller.records.errors import RecordError
from controller.records.finding import Standing, Standings, must_be_folder, run_paths
from controller.records.place import ArchivePlace, FolderPlace, place_of, read_all
from controller.runs import archive, takeaway
from controller.runs import commands as runscmd
from controller.runs.archive import archive_run, finish, why_not
from controller.runs.seen import look
from controller.runs.takeaway import difference
from controller.service.locks import hold, runs_lock
from controller.verify.runfolder import verify_run
from profiles.problems import InputError

FREE = Standing()
ROOT = Path(__file__).parents[2]
CHANGING = ("mkdir", "replace", "rename", "unlink", "rmdir", "fsync", "open", "remove")
REAL = {name: getattr(os, name) for name in CHANGING}


class Killed(BaseException):
    """The process dies here: nothing that would tidy up runs behind it."""


@pytest.fixture
def folder(kept_run, tmp_path):
    return shutil.copytree(kept_run, tmp_path / "runs" / kept_run.name)


def files(folder) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def command(*words) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    return parser.parse_args([str(word) for word in words])


@contextmanager
def dying_at(monkeypatch, nth):
    """The nth call that changes or syncs something on the disk is not made any more; yields the calls made."""
    made = []
    with monkeypatch.context() as patch:
        for name in CHANGING:

            def counted(*args, _name=name, _real=REAL[name], **kwargs):
                writes = _name != "open" or args[1] & (os.O_CREAT | os.O_WRONLY | os.O_RDWR)
                if writes:
                    made.append(_name)
                    if len(made) == nth:
                        raise Killed
                return _real(*args, **kwargs)

            patch.setattr(os, name, counted)
        yield made


def test_an_archive_holds_the_folders_files_byte_for_byte(folder):
    """After archiving only the archive stands there; each file reads from it as it read from the folder."""
    before = files(folder)
    sizes = archive_run(folder)
    place = place_of(folder.with_name(f"{folder.name}.zip"))
    assert {name: read_all(place, name) for name in place.names()} == before
    assert [path.name for path in folder.parent.iterdir()] == [f"{folder.name}.zip"]
    assert sizes == (sum(map(len, before.values())), place.path.stat().st_size)
    assert sizes[1] < sizes[0] / 2


def test_unpacking_with_another_program_gives_the_folder_back(folder, tmp_path):
    """The standard library's own command unpacks it into a folder of the same name, which verifies."""
    before = files(folder)
    archive_run(folder)
    packed = folder.with_name(f"{folder.name}.zip")
    subprocess.run([sys.executable, "-m", "zipfile", "-e", packed, tmp_path / "out"], check=True, timeout=60)
    assert files(tmp_path / "out" / folder.name) == before
    assert verify_run(tmp_path / "out" / folder.name, chain_only=True).holds


def test_the_same_files_give_the_same_bytes(folder, tmp_path):
    """Times of files and their order on the disk leave no trace in an archive."""
    other = tmp_path / "other" / folder.name
    other.mkdir(parents=True)
    for name, data in reversed(list(files(folder).items())):
        (other / name).write_bytes(data)
        os.utime(other / name, (1, 1))
    archive_run(folder)
    archive_run(other)
    packed = folder.with_name(f"{folder.name}.zip").read_bytes()
    assert packed == other.with_name(f"{folder.name}.zip").read_bytes()
    with zipfile.ZipFile(folder.with_name(f"{folder.name}.zip")) as found:
        assert {entry.date_time for entry in found.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {entry.compress_type for entry in found.infolist()} == {zipfile.ZIP_DEFLATED}
        assert found.namelist() == sorted(found.namelist())


def test_a_kill_at_any_step_leaves_a_whole_folder_or_a_whole_archive(kept_run, tmp_path, monkeypatch):
    """Dying before each change on the disk in turn; readers then find one record, whole, and archiving goes through."""
    before = files(kept_run)
    steps = 0
    for nth in range(1, 100):
        runs = tmp_path / str(nth)
        folder = shutil.copytree(kept_run, runs / kept_run.name)
        with dying_at(monkeypatch, nth) as made:
            try:
                archive_run(folder)
            except Killed:
                steps = nth
        (path,) = run_paths([runs])
        place = place_of(path)
        assert {name: read_all(place, name) for name in place.names()} == before, made
        assert runscmd.run(command(runs, "--archive")) == 0
        assert [each.name for each in runs.iterdir()] == [f"{kept_run.name}.zip"], made
        assert difference(FolderPlace(kept_run), ArchivePlace(runs / f"{kept_run.name}.zip")) is None
        if steps < nth:
            break
    # new folders, new file, its sync, its folder's sync, rename, sync, both rmdirs; the folder's rename, sync,
    # run.json, sync, six files, rmdir, sync
    assert steps >= 20
    assert made.index("replace") < made.index("rename") < made.index("unlink")


def test_an_archive_cut_in_the_middle_is_thrown_away(folder, monkeypatch):
    """A kill while the archive is written leaves half of it under another name; the next try begins anew."""
    real = archive._pack

    def half(file, *args):
        real(file, *args)
        file.truncate(100)
        file.flush()
        raise Killed

    monkeypatch.setattr(archive, "_pack", half)
    with pytest.raises(Killed):
        archive_run(folder)
    assert run_paths([folder.parent]) == [folder]
    monkeypatch.setattr(archive, "_pack", real)
    archive_run(folder)
    assert [path.name for path in folder.parent.iterdir()] == [f"{folder.name}.zip"]


def test_an_archive_that_reads_back_otherwise_is_not_put_in_place(folder, monkeypatch):
    """One byte of one file differs when read back: the folder stays as it was."""
    before, real = files(folder), archive._pack

    def wrong(file, source, names):
        other = shutil.copytree(source, source.parent.parent / "other" / source.name)
        (other / "log.csv").write_bytes(before["log.csv"].replace(b"running", b"runninG", 1))
        real(file, other, names)

    monkeypatch.setattr(archive, "_pack", wrong)
    with pytest.raises(RecordError, match=r"log\.csv does not read back"):
        archive_run(folder)
    assert files(folder) == before
    assert not folder.with_name(f"{folder.name}.zip").exists()


def test_a_folder_written_to_meanwhile_is_not_taken_away(folder, monkeypatch):
    """A row that came after the archive was compared stays where it is."""
    real = archive._put

    def slow(source, place, names):
        real(source, place, names)
        with (source / "after.csv").open("ab") as file:
            file.write(b"more")

    monkeypatch.setattr(archive, "_put", slow)
    with pytest.raises(RecordError, match="was written to meanwhile"):
        archive_run(folder)
    assert (folder / "after.csv").read_bytes() == b"more"
    assert run_paths([folder.parent]) == [folder]


def writes_when_gone(monkeypatch, does):
    """Do something between the folder's renaming and the comparison behind it."""
    real = takeaway.difference

    def slow(one, other):
        if one.path.name.endswith(takeaway.GOING):
            does(one.path)
        return real(one, other)

    monkeypatch.setattr(takeaway, "difference", slow)


def test_a_row_through_an_open_file_comes_back_with_its_folder(folder, monkeypatch):
    """A writer that opened a table before still writes into it when the folder has its other name: nothing goes."""
    with (folder / "events.csv").open("ab", buffering=0) as table:
        writes_when_gone(monkeypatch, lambda _: table.write(b"late row\n"))
        with pytest.raises(RecordError, match="was written to meanwhile"):
            archive_run(folder)
    assert (folder / "events.csv").read_bytes().endswith(b"late row\n")
    assert not list(folder.parent.glob(".*"))
    assert run_paths([folder.parent]) == [folder]


def test_a_file_that_comes_meanwhile_comes_back_with_its_folder(folder, monkeypatch):
    """No folder is left without its run.json because something new stood in it."""
    before = files(folder)
    writes_when_gone(monkeypatch, lambda going: (going / "after.csv").write_bytes(b"new"))
    with pytest.raises(RecordError, match="was written to meanwhile"):
        archive_run(folder)
    assert files(folder) == {**before, "after.csv": b"new"}


def test_a_row_behind_the_last_look_is_never_removed(folder, monkeypatch):
    """Each file goes only as it was when it was compared; what grew since stays, and is said."""
    table = folder / "log.csv"
    with table.open("ab", buffering=0) as file:
        real = takeaway.stamps_of

        def looked(path):
            found = real(path)
            if path.name.endswith(takeaway.GOING):
                file.write(b"late row\n")
            return found

        monkeypatch.setattr(takeaway, "stamps_of", looked)
        with pytest.raises(RecordError, match=r"log\.csv was written to meanwhile: look at it"):
            archive_run(folder)
    going = folder.with_name(f".{folder.name}{takeaway.GOING}")
    assert (going / "log.csv").read_bytes().endswith(b"late row\n")
    monkeypatch.undo()
    with pytest.raises(RecordError, match=r"log\.csv is not in .*: look at both"):
        finish(folder.with_name(f"{folder.name}.zip"))
    assert (going / "log.csv").exists()


def test_what_was_written_to_a_folder_that_was_going_comes_back(folder, monkeypatch):
    """Killed between the renaming and the look, with a row that the archive lacks: the next archiving puts it back."""
    with (folder / "events.csv").open("ab", buffering=0) as table, monkeypatch.context() as patch:

        def dies(_):
            table.write(b"late row\n")
            raise Killed

        writes_when_gone(patch, dies)
        with pytest.raises(Killed):
            archive_run(folder)
    packed = folder.with_name(f"{folder.name}.zip")
    assert run_paths([folder.parent]) == [packed]
    with pytest.raises(RecordError, match="archive it again"):
        finish(packed)
    assert run_paths([folder.parent]) == [folder]
    assert (folder / "events.csv").read_bytes().endswith(b"late row\n")
    archive_run(folder)
    assert read_all(ArchivePlace(packed), "events.csv").endswith(b"late row\n")


def test_a_folder_unpacked_beside_one_that_was_going_stays(folder, monkeypatch):
    """Interrupted, then unpacked to be written to: what was going goes, what was unpacked stays till it is archived."""

    def dies(*_):
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(takeaway, "_remove", dies)
        with pytest.raises(Killed):
            archive_run(folder)
    packed = folder.with_name(f"{folder.name}.zip")
    subprocess.run([sys.executable, "-m", "zipfile", "-e", packed, folder.parent], check=True, timeout=60)
    (folder / "after.csv").write_bytes(b"new")
    assert finish(packed) is True
    assert run_paths([folder.parent]) == [folder]
    archive_run(folder)
    assert [path.name for path in folder.parent.iterdir()] == [packed.name]
    assert read_all(ArchivePlace(packed), "after.csv") == b"new"


def test_an_archive_put_in_anothers_place_takes_no_folder_away(folder, monkeypatch):
    """What stands at the archive's place is the very file that was compared, or the folder stays."""
    before, real = files(folder), archive.sync
    packed = folder.with_name(f"{folder.name}.zip")

    def swapped(path):
        real(path)
        if packed.exists() and path == folder.parent:
            other = packed.with_name("other")
            other.write_bytes(packed.read_bytes()[:100])
            other.replace(packed)

    monkeypatch.setattr(archive, "sync", swapped)
    with pytest.raises(RecordError, match="somebody put another file there meanwhile"):
        archive_run(folder)
    assert files(folder) == before


def test_two_archivings_of_one_folder_of_runs_exclude_each_other(folder, capsys):
    """Whoever comes second is told, in a line for each run, and touches nothing; finishing waits as well."""
    runs = folder.parent
    begun = runs / f".{folder.name}.zip.new"
    begun.mkdir()
    with Claims() as other:
        assert other.take(runs)
        assert other.take(runs)
        assert runscmd.run(command(runs, "--archive")) == 1
        assert capsys.readouterr().err == (
            f"{folder.name}: not archived: another archiving is at work in this folder of runs\n"
        )
        with pytest.raises(RecordError, match="another archiving is at work"):
            finish(folder.with_name(f"{folder.name}.zip"))
        assert begun.is_dir()
    assert runscmd.run(command(runs, "--archive")) == 0
    assert [path.name for path in runs.iterdir()] == [f"{folder.name}.zip"]


def test_processes_that_archive_at_once_lose_nothing(kept_run, tmp_path):
    """Four processes begin together, eight times: in the end there is one whole archive and nothing beside it."""
    script = (
        "import sys; from pathlib import Path; from controller.runs.archive import archive_run, finish\n"
        "from controller.records.errors import RecordError\n"
        "folder = Path(sys.argv[1])\n"
        "for line in sys.stdin:\n"
        "    one = folder / line.strip() / sys.argv[2]\n"
        "    for what in (archive_run, lambda one: finish(one.with_name(one.name + '.zip'))):\n"
        "        try:\n            what(one)\n        except RecordError:\n            pass\n"
        "    print('done', flush=True)\n"
    )
    words = [sys.executable, "-c", script, str(tmp_path), kept_run.name]
    pipe = subprocess.PIPE
    started = [subprocess.Popen(words, stdin=pipe, stdout=pipe, text=True, cwd=ROOT) for _ in range(4)]
    try:
        for turn in range(8):
            runs = tmp_path / str(turn)
            shutil.copytree(kept_run, runs / kept_run.name)
            for one in started:
                one.stdin.write(f"{turn}\n")
                one.stdin.flush()
            assert [one.stdout.readline() for one in started] == ["done\n"] * 4
            assert [path.name for path in runs.iterdir()] == [f"{kept_run.name}.zip"]
            assert difference(FolderPlace(kept_run), ArchivePlace(runs / f"{kept_run.name}.zip")) is None
    finally:
        for one in started:
            one.communicate(timeout=60)


def test_beside_a_running_service_no_run_of_its_bath_is_taken_away(folder, capsys):
    """The lock a service holds is asked for; `--keep` only reads; another bath's service is no reason."""
    runs, name = folder.parent, folder.name
    with hold([runs_lock(runs / "A"), runs_lock(runs / "B")], "a.toml"):
        for words in (("--archive", "--dry-run"), ("--archive",)):
            assert runscmd.run(command(runs, *words)) == 1
            assert capsys.readouterr().err.startswith(f"{name}: not archived: a service is running for this bath")
        with pytest.raises(RecordError, match="not archived: a service is running for this bath"):
            archive_run(folder)
        assert [path.name for path in runs.glob("*K1*")] == [name]
        assert runscmd.run(command(runs, "--archive", "--keep")) == 0
        assert folder.is_dir()
    with hold([runs_lock(runs / "B")], "a.toml"):
        assert runscmd.run(command(runs, "--archive")) == 0
    assert not folder.exists()
    hold([runs_lock(runs / "A")], "a.toml").close()


def test_no_service_begins_while_a_run_of_its_bath_is_taken_away(folder, monkeypatch):
    """It would open what is going; a moment later it may."""
    lock, refused = runs_lock(folder.parent / "A"), []

    def begins(_):
        with pytest.raises(InputError, match="has it") as why:
            hold([lock], "a.toml")
        refused.append(why)

    writes_when_gone(monkeypatch, begins)
    archive_run(folder)
    assert len(refused) == 1
    hold([lock], "a.toml").close()


def test_an_unreadable_state_json_stops_only_its_own_bath(folder, capsys):
    """What another bath's service left has no say over this bath's runs."""
    runs = folder.parent
    (runs / "B").mkdir()
    os.mkfifo(runs / "B" / "state.json")
    assert runscmd.run(command(runs, "--archive")) == 0
    assert capsys.readouterr().err == ""
    assert not folder.exists()
    assert Standings().of(runs).problems == {"B": "B/state.json: is no plain file"}


def test_a_full_disk_leaves_the_folder_and_says_so(folder, monkeypatch):
    """What the system says is said; nothing is taken away."""
    before = files(folder)

    def full(*args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(archive, "_pack", full)
    with pytest.raises(RecordError, match="cannot be archived: No space left on device"):
        archive_run(folder)
    assert files(folder) == before


def test_keep_leaves_the_folder_and_a_second_time_only_takes_it_away(folder):
    """The archive that stands there is not written again when it holds the same."""
    before = files(folder)
    archive_run(folder, keep=True)
    packed = folder.with_name(f"{folder.name}.zip")
    stamp = packed.stat().st_ino
    assert files(folder) == before
    archive_run(folder)
    assert packed.stat().st_ino == stamp
    assert not folder.exists()


def test_an_unpacked_run_with_later_rows_is_packed_anew(folder):
    """What only grew, as records do, replaces its archive; what was changed does not."""
    archive_run(folder, keep=True)
    packed = ArchivePlace(folder.with_name(f"{folder.name}.zip"))
    old = packed.path.read_bytes()
    with (folder / "log.csv").open("ab") as file:
        file.write(b"one row more\n")
    (folder / "summary.json").write_bytes(b"another")
    (folder / "after.csv").write_bytes(b"new\n")
    archive_run(folder, keep=True)
    assert packed.path.read_bytes() != old
    assert difference(FolderPlace(folder), packed) is None
    for name, data in (("log.csv", b"time"), ("events.csv", b"x" * 10_000)):
        kept = (folder / name).read_bytes()
        (folder / name).write_bytes(data)
        with pytest.raises(RecordError, match=f"{name} is not a continuation"):
            archive_run(folder)
        (folder / name).write_bytes(kept)
    (folder / "run.json").write_bytes((folder / "run.json").read_bytes() + b" ")
    with pytest.raises(RecordError, match=r"run\.json is not a continuation"):
        archive_run(folder)
    assert folder.exists()


def test_what_an_interruption_left_is_taken_away_only_where_the_archive_holds_it(folder):
    """Rest of a folder without run.json: gone when each file is in the archive, kept and said when one is not."""
    archive_run(folder, keep=True)
    packed = folder.with_name(f"{folder.name}.zip")
    assert finish(packed) is False
    (folder / "run.json").unlink()
    log = (folder / "log.csv").read_bytes()
    (folder / "log.csv").write_bytes(log + b"x")
    with pytest.raises(RecordError, match=r"log\.csv is not in .*: look at both"):
        finish(packed)
    assert (folder / "log.csv").exists()
    (folder / "log.csv").write_bytes(log)
    assert finish(packed) is True
    assert not folder.exists()
    assert finish(packed) is False


@pytest.mark.parametrize("odd", ["link", "folder", "pipe", "name"])
def test_a_folder_with_anything_but_plain_files_is_not_archived(folder, tmp_path, odd):
    """A link could lead out of the runs: what it leads to is neither packed nor removed."""
    outside = tmp_path / "outside.txt"
    outside.write_text("mine")
    name = {"name": "a\nb"}.get(odd, "odd")
    if odd == "link":
        (folder / name).symlink_to(outside)
    elif odd == "folder":
        (folder / name).mkdir()
    elif odd == "pipe":
        os.mkfifo(folder / name)
    else:
        (folder / name).write_text("x")
    assert why_not(look(folder, frozenset()), FREE) is not None
    with pytest.raises(RecordError, match=r"no plain file|cannot be archived"):
        archive_run(folder)
    assert outside.read_text() == "mine"
    assert (folder / "run.json").exists()


def test_a_link_to_a_run_folder_is_not_archived(folder, tmp_path):
    """Who wants that archived names the folder itself."""
    link = tmp_path / "linked"
    link.mkdir()
    (link / folder.name).symlink_to(folder)
    assert why_not(look(link / folder.name, frozenset()), FREE) == "is a link: name the folder it leads to"


def test_only_closed_unloaded_whole_runs_are_archived(folder):
    """Each reason against it, one at a time."""
    name = folder.name
    run = look(folder, frozenset())
    assert why_not(run, FREE) is None
    assert why_not(run, Standing(open=frozenset({name}))) == "is open"
    assert why_not(run, Standing(ended=frozenset({name}))) == "is not unloaded"
    for bath in ("A", ""):
        unread = why_not(run, Standing(problems={bath: "A/state.json: is no object"}))
        assert unread == "nobody can say whether it is open: A/state.json: is no object"
    assert why_not(run, Standing(problems={"B": "B/state.json: is no object"})) is None
    assert Standing(problems={"B": "x"}).problem_of("") == "x"
    assert Standing(problems={"A_1": "x"}).problem_of("A 1") == "x"
    log = (folder / "log.csv").read_bytes()
    (folder / "log.csv").write_bytes(log.replace(b"running", b"runninG", 1))
    assert "is damaged: log.csv" in str(why_not(run, FREE))
    (folder / "log.csv").write_bytes(log)
    (folder / "summary.json").unlink()
    assert why_not(run, FREE) == "was never closed: it has no summary.json"
    (folder / "run.json").write_bytes(b"{")
    assert str(why_not(look(folder, frozenset()), FREE)).startswith("is damaged: run.json")


def test_every_state_json_beside_a_run_is_asked(tmp_path, served):
    """Open and ended runs of all baths in the folder; one that cannot be read is a reason to wait."""
    invented.state(tmp_path, "A", {"A01": "one"}, {"A02": "two"})
    invented.state(tmp_path, "B", {"B01": "three"})
    found = Standings().of(tmp_path)
    assert (found.left, found.open, found.ended, found.problems) == ({"one", "three"}, set(), {"two"}, {})
    served(tmp_path / "B")
    found = Standings().of(tmp_path)
    assert (found.left, found.open, found.ended) == ({"one"}, {"three"}, {"two"})
    (tmp_path / "B" / "state.json").write_text("[]")
    assert Standings().of(tmp_path).problems == {"B": "B/state.json: is no object"}


def test_nothing_is_written_to_an_archived_run(folder):
    """The refusal says what would be right; a folder, and one that stands beside its archive, may be written to."""
    runs, name = folder.parent, folder.name
    must_be_folder(runs, name)
    archive_run(folder, keep=True)
    must_be_folder(runs, name)
    archive_run(folder)
    with pytest.raises(RecordError, match=rf"{name} is archived: unpack {name}\.zip .* with any zip program"):
        must_be_folder(runs, name)
    must_be_folder(runs, "another")


def test_the_command_archives_what_it_may_and_names_the_rest(folder, capsys):
    """Bytes before and after; the open run stays and is named, which is nothing wrong; a damaged one ends with 1."""
    runs = folder.parent
    opened = invented.make(runs, "2026-03-17T06:00", circuit="A02", batch="K2")
    invented.state(runs, "A", {"A02": opened.name})
    size = sum(map(len, files(folder).values()))
    assert runscmd.run(command(runs, "--archive", "--dry-run")) == 0
    assert f"{folder.name}: would be archived\n1 of 2 runs would be archived; 1 not yet\n" in capsys.readouterr().out
    assert folder.is_dir()
    assert runscmd.run(command(runs, "--archive")) == 0
    out, err = capsys.readouterr()
    assert f"{folder.name}: archived, {size / 1000:.0f} kB, now " in out
    assert out.splitlines()[-1].startswith("1 of 2 runs archived, 0.")
    assert err == f"{opened.name}: not archived: is unclosed: the next service of its bath goes on with it\n"
    assert opened.is_dir()
    invented.state(runs, "A", {})
    (opened / "events.csv").write_bytes(b"")
    assert runscmd.run(command(runs, "--archive")) == 1
    assert f"{opened.name}: not archived: is damaged: " in capsys.readouterr().err
    (one,) = (json.loads(text) for text in _json_lines(capsys, runs) if folder.name in text)
    assert (one["archived"], one["wrong"]) == (True, [])


def _json_lines(capsys, runs) -> list[str]:
    runscmd.run(command(runs, "--json"))
    return capsys.readouterr().out.splitlines()
