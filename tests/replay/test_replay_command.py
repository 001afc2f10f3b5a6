"""The command: lines and objects in a pipe, one line for what is wrong, and a child that leaves nothing behind."""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import stat
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from controller.replay import commands, watching
from controller.replay.watching import child, watch
from controller.service.client import Connection, find_sockets
from controller.service.errors import Unreachable
from profiles.problems import InputError

FRONT_DOOR = Path(__file__).parents[2] / "formbath.py"
BOUND_S = 60.0


def replay(*words):
    return subprocess.run(
        [sys.executable, str(FRONT_DOOR), "replay", *map(str, words)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=BOUND_S, check=False,
    )  # fmt: skip


@pytest.fixture
def here(capsys, monkeypatch):
    """The command in this process, in a pipe; gives its lines."""
    monkeypatch.setattr(commands, "on_terminal", lambda: False)

    def run(*words):
        parser = argparse.ArgumentParser()
        commands.add_arguments(parser)
        assert commands.run(parser.parse_args([*map(str, words)])) == 0
        return capsys.readouterr().out.splitlines()

    return run


def test_in_a_pipe_every_line_says_replay(kept):
    """What happened, in order, each line with its moment; then how it ended. Nothing else on either stream."""
    done = replay(kept.folder)
    lines = done.stdout.splitlines()
    assert (done.returncode, done.stderr) == (0, "")
    assert all(line.startswith("REPLAY DEMO ") for line in lines)
    assert lines[0].startswith("REPLAY DEMO 2026-03-16, bath A, circuit A01, ")
    assert "batch K1" in lines[0]
    assert kept.folder.name in lines[0]
    moments = [re.search(r" \+(\d+:\d\d:\d\d) ", line)[1] for line in lines[1:]]
    assert moments == sorted(moments)
    assert any("alarm probe_derate:new" in line for line in lines)
    assert any("order start by anna" in line for line in lines)
    assert "complete: 2.50" in lines[-1]


def test_a_recorded_text_that_asks_for_something_asked_it_then(kept, tmp_path, here):
    """A refusal, a flood, a horn test: no line of a replay asks anybody for anything now; objects hold the record."""
    folder = shutil.copytree(kept.folder, tmp_path / kept.folder.name)
    at = "2026-03-16T06:00:01.000Z,1.000"
    asked = (
        "refusal,block_first",
        "event,flood_begins",
        "event,horn_test",
        "event,notice",
        "event,record_trouble",
        "alarm,block_first:new",
    )
    plain = ("order,accepted", "event,complete", "alarm,block_first:returned", "event,flood_ends")
    rows = "".join(f"{at},,{one},A01,,,,,,,what {one.split(',')[1]} says,0\n" for one in (*asked, *plain))
    with (folder / "events.csv").open("a") as file:
        file.write(rows)
    lines = [line for line in here(folder) if " says" in line]
    assert [" then: what " in line for line in lines] == [True] * len(asked) + [False] * len(plain)
    assert all("A01 refusal then: what block_first says" in line for line in lines[:1])
    told = [json.loads(line) for line in here(folder, "--json")]
    assert not any("then: " in each.get("text", "") for each in told)


def test_json_is_an_object_a_line(kept, here):
    """The record first, then each event with its moment; missing is null."""
    record, *events = map(json.loads, here(kept.folder, "--json"))
    assert record["format"] == "formbath/replay/1"
    assert (record["bath"], record["circuit"], record["batch"], record["problems"]) == ("A", "A01", "K1", [])
    assert record["virtual"] is True
    assert (record["signed_off_by"], record["signed_off_date"], record["outcomes"]) == (None, None, None)
    assert not any(each["after_end"] for each in events)
    assert record["length_s"] == (kept.end_ms - kept.start_ms) / 1000.0
    assert {each["format"] for each in events} == {"formbath/replay/1"}
    assert [each["elapsed_s"] for each in events] == sorted(each["elapsed_s"] for each in events)
    (began,) = (each for each in events if each["code"] == "step_began" and "pause" in each["text"])
    assert (began["event"], began["target"], began["priority"], began["who"]) == ("event", "A01", None, None)
    assert any(each["priority"] == 2 for each in events)


def test_from_a_time_on(kept, here):
    """Since the start or by a date; what was before it is left out."""
    whole, later = (here(kept.folder, "--json", *more) for more in ((), ("--from", "+0:10")))
    assert 1 < len(later) < len(whole)
    assert all(json.loads(line)["elapsed_s"] >= 600.0 for line in later[1:])
    assert here(kept.folder, "--json", "--from=2026-03-16T06:11:48Z") == later


def test_archive_in_a_pipe(kept, tmp_path, here):
    """An archived run is told as its folder is."""
    name = kept.folder.name
    with zipfile.ZipFile(tmp_path / f"{name}.zip", "w") as archive:
        for file in kept.folder.iterdir():
            archive.writestr(zipfile.ZipInfo(f"{name}/{file.name}"), file.read_bytes())
    packed = here(tmp_path / f"{name}.zip")
    assert [line.replace(f"{name}.zip", name) for line in packed] == here(kept.folder)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["/nowhere"], "/nowhere: is no run folder: there is no such folder"),
        (["RUN", "--from", "noon"], "--from: 'noon' is no time"),
        (["RUN", "--from", "+9:00"], "--from: the record is 0:"),
        (["RUN", "--from", "2020-01-01T00:00Z"], "--from: the record goes from 2026-03-16T"),
        (["RUN", "--speed", "0.5"], "--speed: 0.5, write 1 to 3600"),
        (["RUN", "--speed", "60"], "--speed: only a replay on a terminal has a pace"),
    ],
)
def test_what_is_wrong_is_said_with_what_would_be_right(kept, here, words, told):
    """One problem, named by its option or its path."""
    with pytest.raises(InputError) as found:
        here(*(kept.folder if word == "RUN" else word for word in words))
    (problem,) = found.value.problems
    assert told in str(problem)


def test_what_is_wrong_is_one_line_and_two(tmp_path):
    """Exit 2, nothing on standard output, one line on the other stream."""
    done = replay(tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"{tmp_path}: is no run folder: it has no run.json\n"


def test_child_serves_and_leaves_nothing(kept, tmp_path):
    """It shows the record on a private socket that nobody finds, refuses orders, and all of it is gone afterwards."""
    env = {"TMPDIR": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    with pytest.MonkeyPatch.context() as patch:
        for name, value in env.items():
            patch.setenv(name, value)
        patch.setattr("tempfile.tempdir", str(tmp_path))
        with child(kept.folder, ["--speed=60", "--from=+0:05"]) as one:
            path = one.socket()
            assert path.is_socket()
            assert str(one.process.pid) in path.name
            assert path not in find_sockets()
            with Connection(path) as connection:
                assert connection.who().targets == ("A", "A01")
                assert connection.snapshot()["replay"]["elapsed_s"] >= 300.0
            refused = order("hold", "A01", "--socket", path)
            assert (refused.returncode, refused.stdout) == (1, "hold A01: refused (replay): a replay takes no order\n")
            unfound = order("hold", "A01")
            assert unfound.returncode == 3
    assert one.process.returncode == 0
    assert list(tmp_path.glob("formbath-replay-*")) == []


def order(*words):
    return subprocess.run(
        [sys.executable, str(FRONT_DOOR), "order", *map(str, words)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=BOUND_S, check=False, env=dict(os.environ),
    )  # fmt: skip


def test_child_that_cannot_start_says_why(tmp_path):
    """What went wrong there is told here in one sentence."""
    with child(tmp_path, []) as one, pytest.raises(Unreachable, match=r"did not start: .*is no run folder"):
        one.socket()


def test_child_ends_with_its_parent(kept, tmp_path):
    """When the other side dies without a word, the child goes and takes its files with it."""
    folder = tmp_path / "private"
    words = [sys.executable, str(FRONT_DOOR), "replay", "--serve", str(folder), str(kept.folder)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert Path(os.fsdecode(process.stdout.readline().strip())).is_socket()
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        process.stdin.close()
        assert process.wait(BOUND_S) == 0
    assert not folder.exists()


def test_a_child_removes_no_file_but_its_own(kept, tmp_path):
    """What somebody puts into its folder meanwhile is theirs and stays."""
    folder = tmp_path / "private"
    words = [sys.executable, str(FRONT_DOOR), "replay", "--serve", str(folder), str(kept.folder)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline()
        (folder / "thesis.txt").write_text("mine")
        process.stdin.close()
        assert process.wait(BOUND_S) == 0
    assert [path.name for path in folder.iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize("empty", [True, False])
def test_a_folder_that_is_there_is_refused_and_left_alone(kept, tmp_path, empty):
    """The option is no way to remove a folder: neither one with files in it nor an empty one."""
    folder = tmp_path / "mine"
    folder.mkdir()
    if not empty:
        (folder / "thesis.txt").write_text("mine")
    done = replay("--serve", folder, kept.folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"replay: --serve: {folder}: is there already: name a folder that is not there, it is made\n"
    assert [path.name for path in folder.iterdir()] == ([] if empty else ["thesis.txt"])


def test_a_folder_that_cannot_be_made_is_one_line(kept, tmp_path):
    """What the system says of it is said."""
    done = replay("--serve", tmp_path / "none" / "deep", kept.folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"replay: --serve: {tmp_path}/none/deep: No such file or directory\n"


def test_a_child_that_is_killed_leaves_nothing_either(kept):
    """It cannot tidy up any more: who started it does."""
    with child(kept.folder, []) as one:
        place = one.socket()
        assert place.is_socket()
        one.process.kill()
        one.process.wait(BOUND_S)
        assert place.parent.is_dir()
    assert not place.parent.exists()


def test_a_long_temporary_folder_is_no_hindrance(kept, tmp_path, monkeypatch):
    """Below a folder of 150 characters no socket can stand: another one is taken."""
    long = tmp_path / ("l" * 150)
    long.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(long))
    with child(kept.folder, []) as one:
        assert one.socket().is_socket()
    assert list(long.iterdir()) == []


def test_what_the_child_says_is_what_the_person_reads(kept, tmp_path, monkeypatch):
    """Where it cannot show the record its own line counts; where it lives, that the console could not reach it."""

    def hears_nothing(_):
        raise Unreachable("no running service")

    with pytest.raises(InputError) as found:
        watch(tmp_path, [], hears_nothing)
    assert str(found.value) == f"replay: {tmp_path}: is no run folder: it has no run.json"
    monkeypatch.setattr(watching, "END_S", 0.01)
    with pytest.raises(Unreachable, match="no running service"):
        watch(kept.folder, [], hears_nothing)


@pytest.mark.parametrize("digits", [17, 400])
def test_a_start_beyond_all_time_is_one_line(kept, tmp_path, digits):
    """A number no clock gives is no reason to fail unexpectedly."""
    folder = shutil.copytree(kept.folder, tmp_path / kept.folder.name)
    told = (folder / "run.json").read_text()
    (folder / "run.json").write_text(re.sub(r'"start_ms": \d+', f'"start_ms": {"9" * digits}', told))
    done = replay(folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert re.search(r": run\.json: (start_ms: is no core time|is not readable: a number of 400 digits)", done.stderr)
    assert done.stderr.count("\n") == 1
