"""The command `study`: what it refuses, what Ctrl-C and a dead worker leave, what it writes."""

from __future__ import annotations

import argparse
import json
import os
import signal
from pathlib import Path

import pytest
from studykit import Terminal

from profiles.problems import InputError
from simulator.bench import studycmd
from simulator.bench.studyprogress import Progress


def parsed(*words):
    parser = argparse.ArgumentParser()
    studycmd.add_arguments(parser)
    return parser.parse_args(words)


WRONG = [
    (["no-such"], "PROFILE"),
    (["bench-36s", "--strings", "0"], "--strings: 0 is out of range, write 1 to 100000"),
    (["bench-36s", "--workers", "0"], "--workers: 0 is out of range"),
    (["bench-36s", "--scheduler", ""], "--scheduler: '' is no address, write one such as tcp://"),
    (["bench-36s", "--seed", "-1"], "--seed: -1 is out of range"),
    (["bench-36s", "--workers", "2", "--scheduler", "x"], "leave one of them out"),
    (["bench-36s", "--water-C", "warm"], "--water-C: 'warm' is no number"),
    (["bench-36s", "--water-C", "34:20"], "--water-C: '34:20' is out of range"),
    (["bench-36s", "--water-C", "nan"], "--water-C: 'nan' is no number"),
    (["bench-36s", "--water-C", "20:"], "--water-C: '20:' is no number, write such as 31 or 20:34"),
    (["bench-36s", "--water-C", ":20"], "--water-C: ':20' is no number"),
    (["bench-36s", "--water-C", "3_1"], "--water-C: '3_1' is no number"),
    (["bench-36s", "--strings", "1_0"], "--strings: 1_0 is no whole number, write 1 to 100000"),
    (["bench-36s", "--seed", "\uff13"], "--seed: \uff13 is no whole number"),
    (["bench-36s", "--workers", "9" * 5000], "is no whole number"),
    (["bench-36s", "--water-C", "20:34", "--vary", "air_C=1:2:1"], "a range goes with no --vary"),
    (["bench-36s", "--water-C", "20", "--vary", "water_C=1:2:1"], "--vary already says the water"),
    (["bench-36s", "--vary", "paste=1:2:1"], "--vary: 'paste' cannot be varied"),
    (["bench-36s", "--batteries", "x"], "--batteries"),
    (["bench-36s", "-o", "result.txt"], "write a name that ends in .svg or .csv"),
    (["bench-36s", "-o", "no-such-folder/result.svg"], "its folder does not exist, make it first"),
    (["bench-36s", "-o", "r.svg", "--vary", "air_C=1:2:1"], "has no figure"),
    (["bench-36s", "--strings", "100000", "--vary", "air_C=1:3:1"], "in all cells"),
    (["bench-36s", "-o", "a\0b.csv"], "its name cannot be used"),
    (["bench-36s", "-o", "pipe.csv"], "-o: pipe.csv is no plain file, name another one"),
    (["bench-36s", "-o", "run/log.csv"], "-o: run/log.csv would stand in the run folder"),
    (["bench-36s", "-o", "pipe.svg"], "-o: pipe.svg is no plain file, name another one"),
]


@pytest.mark.parametrize(("words", "said"), WRONG)
def test_wrong_settings_are_one_line_each(words, said, tmp_path, monkeypatch):
    """Each is refused before anything is computed, in one line that names the option and what would be right."""
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe.csv")
    os.mkfifo("pipe.svg")
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "run.json").write_text("{}")
    with pytest.raises(InputError) as error:
        studycmd.wanted_of(parsed(*words))
    (problem,) = error.value.problems
    assert said in str(problem)
    assert "\n" not in str(problem)


def test_everything_wrong_is_told_at_once():
    """Three wrong options are three lines, in one go."""
    with pytest.raises(InputError) as error:
        studycmd.wanted_of(parsed("bench-36s", "--strings", "0", "--water-C", "x", "--vary", "y"))
    assert len(error.value.problems) == 3


def test_a_study_keeps_its_own_water():
    """Where nothing is said a study is in water of 31 C whatever the profile's range is; one value and a range."""
    wanted = studycmd.wanted_of(parsed("starter-100"))
    assert (wanted.setting.water_C, wanted.water_C) == (31.0, None)
    assert studycmd.wanted_of(parsed("starter-100", "--water-C", "20")).setting.water_C == 20.0
    assert studycmd.wanted_of(parsed("starter-100", "--water-C", "20:22.5")).water_C == (20.0, 22.5)


def test_seed_and_strings_are_those_that_were_typed():
    """Whole numbers reach the study as they are, also a seed of nothing."""
    wanted = studycmd.wanted_of(parsed("bench-36s", "--seed", "0", "--strings", "12"))
    assert (wanted.seed, wanted.strings) == (0, 12)
    assert studycmd.wanted_of(parsed("bench-36s")).seed == 1


def test_a_table_needs_fewer_strings_a_cell():
    """A thousand strings by default, fewer in each cell of a table."""
    assert studycmd.wanted_of(parsed("bench-36s")).total == 1000
    assert studycmd.wanted_of(parsed("bench-36s", "--vary", "air_C=20:22:1")).total == 3 * 128


@pytest.mark.slow
def test_files_hold_figures_and_their_tables(tmp_path, monkeypatch, capsys):
    """`-o x.svg` writes the course and three shares, each with its table; `--json` is one object on standard output."""
    monkeypatch.chdir(tmp_path)
    words = ["bench-36s", "--strings", "8", "--batteries", "2", "--workers", "1", "--json", "-o", "x.svg"]
    assert studycmd.run(parsed(*words)) == 0
    names = ["x", "x-charge", "x-end", "x-hottest"]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(n + e for n in names for e in (".csv", ".svg"))
    out, err = capsys.readouterr()
    assert json.loads(out)["strings"] == 8
    assert err == ""  # no terminal, no progress
    os.mkfifo("pipe.csv")
    with pytest.raises(InputError, match=r"-o: 'pipe\.csv' is no plain file"):
        studycmd._write(Path("pipe.csv"), "")  # a table beside a figure, or one that came meanwhile
    monkeypatch.setattr(Path, "write_text", _full)
    with pytest.raises(InputError, match=r"-o: x\.svg cannot be written: No space left"):
        studycmd._write(Path("x.svg"), "")


def _full(*_args, **_named):
    raise OSError(28, "No space left on device")


def gone(pid):
    """Whether a process is no more, or only waits to be buried."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return True


@pytest.mark.slow
def test_interrupt_keeps_what_is_done():
    """Ctrl-C in a terminal reaches every process of it: the result so far, how many of how many, 130, nobody left."""
    terminal = Terminal("bench-36s", "--strings", "100000", "--batteries", "1", "--workers", "2")
    terminal.until("hot ")  # first figures
    workers = terminal.workers()
    assert len(workers) == 2
    os.killpg(terminal.process.pid, signal.SIGINT)
    code, out, said = terminal.ended()
    assert code == 130
    assert " of 100000 strings of 1 batteries" in out.splitlines()[0]
    assert "hottest battery, C" in out
    assert "study: interrupted; " in said
    assert " of 100000 strings were done" in said
    assert "Traceback" not in said + out
    assert all(gone(pid) for pid in workers)


@pytest.mark.slow
def test_a_killed_worker_is_one_sentence():
    """A worker that the system kills ends the study with 70, a sentence, and what was done."""
    terminal = Terminal("bench-36s", "--strings", "100000", "--batteries", "1", "--workers", "1")
    terminal.until("hot ")
    (pid,) = terminal.workers()
    os.kill(pid, signal.SIGKILL)
    code, out, said = terminal.ended()
    assert code == 70
    assert "study: a worker ended by itself (killed, or out of memory)" in said
    assert "hottest battery, C" in out
    assert "Traceback" not in said + out


class Screen:
    """A terminal that keeps what is written."""

    def __init__(self, terminal=True):
        self.written = ""
        self._terminal = terminal

    def isatty(self):
        return self._terminal

    def write(self, text):
        self.written += text

    def flush(self):
        pass


def test_progress_says_how_far_and_how_long():
    """Time left follows the pace since the first batch; the line is one, at most 79 wide, and gone at the end."""
    now = [0]
    screen = Screen()
    with Progress(1000, screen, lambda: now[0]) as progress:
        progress.waiting()
        assert screen.written == ""  # nothing in the first second
        now[0] = 5_000
        progress.done(16, "figures")
        assert progress.line() == "study 1 %  16 of 1000  5:08 left  figures"
        now[0] = 15_000
        progress.done(216, "figures " * 30)
        assert progress.line().startswith("study 21 %  216 of 1000  0:39 left  figures")
    shown = screen.written.split("\r\x1b[K")
    assert max(len(part) for part in shown) == 79
    assert screen.written.endswith("\r\x1b[K")
    quiet = Screen(terminal=False)
    with Progress(10, quiet, lambda: 0) as progress:
        progress.done(5, "")
    assert quiet.written == ""
