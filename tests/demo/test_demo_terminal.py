"""The command `demo` where it is typed: on a terminal a child and a console, anywhere else stepped; its options."""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from profiles.problems import InputError
from simulator.commands import demo_arguments, run_demo

ROOT = Path(__file__).parents[2]
BOUND_S = 90.0

# The program with another console in the place of its own: looks at the plant once, says what it was asked, leaves.
STAND_IN = """
import sys, types
sys.path.insert(0, sys.argv.pop(1))
def run_console(paths, **look):
    from controller.service.client import Connection
    with Connection(paths[0]) as connection:
        seen = connection.snapshot(60)
    asked = " ".join(f"{key}={value}" for key, value in sorted(look.items()))
    print(f"console {asked} pace={seen['pace']['ratio']:g} bath={seen['bath']}", flush=True)
    return 0
stand_in = types.ModuleType("controller.console.running")
stand_in.run_console = run_console
sys.modules["controller.console.running"] = stand_in
import formbath
sys.exit(formbath.main(sys.argv[1:]))
"""


@contextlib.contextmanager
def terminal() -> Iterator[tuple[int, int]]:
    ours, theirs = pty.openpty()
    try:
        yield ours, theirs
    finally:
        os.close(ours)


def on_terminal(folder: Path, *words: str, **env: str) -> tuple[int, str]:
    """The program, with the stand-in console, on a terminal of its own: exit code, and all that it showed there."""
    with terminal() as (ours, theirs):
        process = subprocess.Popen(
            [sys.executable, "-c", STAND_IN, str(ROOT), *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env={**os.environ, "TERM": "xterm", **env},
            start_new_session=True,
        )  # fmt: skip
        os.close(theirs)
        try:
            said = _read_all(ours)
            return process.wait(BOUND_S), said.decode().replace("\r\n", "\n")
        finally:
            process.kill()
            process.wait(BOUND_S)


def _read_all(ours: int) -> bytes:
    give_up_s, said = time.monotonic() + BOUND_S, b""
    while time.monotonic() < give_up_s:
        if not select.select([ours], [], [], 1.0)[0]:
            continue
        try:
            piece = os.read(ours, 65_536)
        except OSError:  # how Linux says that nobody has the other end any more
            return said
        if not piece:
            return said
        said += piece
    raise AssertionError(f"no end in time, said: {said!r}")


def in_pipe(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, ROOT / "formbath.py", *words],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, cwd=folder, timeout=BOUND_S, check=False,
    )  # fmt: skip


def test_on_a_terminal_the_console_opens_and_the_closing_lines_follow(tmp_path):
    """Caution, console on the child's socket at the usual pace, then the closing lines with the hour it was left."""
    code, said = on_terminal(tmp_path, "demo")
    assert code == 0, said
    lines = said.splitlines()
    assert lines[0].startswith("DEMO, virtual plant: nothing here is a safety system")
    assert lines[1] == "console ascii_only=False colour=None mouse=False plain=False still=False pace=300 bath=A"
    assert lines[2] == "DEMO, virtual plant, seed 7"
    left = next(line for line in lines if line.startswith("left at "))
    assert left.startswith("left at 0:0")
    assert left.endswith(" of plant time, 0 of 8 complete")
    assert sorted(path.name for path in (tmp_path / "demo-runs").iterdir()) == ["1"]


def test_options_reach_child_and_console(tmp_path):
    """Seed and speed go to the plant, looks to the console; a dumb terminal gets the plain one."""
    words = ("--speed", "600", "--seed", "9", "--ascii", "--still", "--mouse", "--no-colour")
    code, said = on_terminal(tmp_path, "demo", *words, TERM="dumb")
    assert code == 0, said
    assert "console ascii_only=True colour=False mouse=True plain=True still=True pace=600 bath=A" in said
    assert "DEMO, virtual plant, seed 9" in said


@pytest.mark.parametrize("words", [("demo", "--speed", "600"), ("demo", "--headless", "--speed", "600")])
def test_speed_is_refused_where_nobody_watches(tmp_path, words):
    """Stepped to its end a demo has no pace: one sentence, 2, and no folder is made."""
    done = in_pipe(tmp_path, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("demo: --speed: only a demo on a terminal has a pace")
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_headless_on_a_terminal_refuses_a_speed_too(tmp_path):
    """What counts is whether there is a console, not whether there is a terminal."""
    code, said = on_terminal(tmp_path, "demo", "--json", "--speed", "600")
    assert (code, said.count("\n")) == (2, 1)
    assert "leave it out" in said


def test_speed_out_of_bounds(tmp_path):
    """Below 1 and above 3600 there is no pace; the sentence says the bounds."""
    done = in_pipe(tmp_path, "demo", "--speed=0")
    assert done.returncode == 2
    assert "write 1 to 3600" in done.stderr


@pytest.mark.parametrize("speed", ["0", "0.5", "0.999", "3600.1", "3601", "nan", "inf", "-1"])
def test_no_speed_out_of_bounds_is_taken(tmp_path, monkeypatch, speed):
    """The command itself refuses each of them before it makes a folder."""
    monkeypatch.chdir(tmp_path)
    parser = argparse.ArgumentParser()
    demo_arguments(parser)
    with pytest.raises(InputError) as refused:
        run_demo(parser.parse_args([f"--speed={speed}"]))
    (problem,) = refused.value.problems
    assert problem.key == "--speed"
    assert problem.what.endswith("write 1 to 3600")
    assert list(tmp_path.iterdir()) == []


def test_folder_that_cannot_be_made_is_told_before_anything_runs(tmp_path):
    """A file where the folder should be: one sentence, 2, no child is started."""
    (tmp_path / "demo-runs").write_text("mine")
    code, said = on_terminal(tmp_path, "demo")
    assert code == 2
    assert "go to a folder you may write to" in said
    assert "console" not in said
