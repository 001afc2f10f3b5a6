"""Two services never drive one rectifier, and never write one bath's runs."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.bathfile import load_bath
from controller.service.locks import hold, locks_of, rtu_name, runs_lock, tcp_name, unit_lock
from profiles.problems import InputError

HOLDER = """
import sys
from pathlib import Path
from controller.service.locks import hold, tcp_name, unit_lock
held = hold([unit_lock(tcp_name("127.0.0.1:502"), 1, "k")], "a.toml", Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.readline()
"""


def test_second_bath_with_the_same_unit_is_refused(tmp_path):
    """The problem names the bath file, its line and its key; other units of the same link stay free."""
    first = hold([unit_lock("tcp 10.0.0.5:502", 1, "circuit[1].unit")], "a.toml", tmp_path)
    with pytest.raises(InputError) as caught:
        hold([unit_lock("tcp 10.0.0.5:502", 1, "circuit[3].unit", line=14)], "b.toml", tmp_path)
    assert str(caught.value).startswith(
        "b.toml:14: circuit[3].unit: unit 1 at tcp 10.0.0.5:502: another running service"
    )
    hold([unit_lock("tcp 10.0.0.5:502", 2, "k")], "b.toml", tmp_path).close()
    first.close()


def test_refusal_keeps_nothing(tmp_path):
    """Who is refused one lock holds none of the others either, and every one that is taken is named."""
    first = hold([unit_lock("x", 2, "k2"), unit_lock("x", 3, "k3")], "a.toml", tmp_path)
    with pytest.raises(InputError) as caught:
        hold([unit_lock("x", n, f"k{n}") for n in (1, 2, 3)], "b.toml", tmp_path)
    assert [problem.key for problem in caught.value.problems] == ["k2", "k3"]
    hold([unit_lock("x", 1, "k1")], "c.toml", tmp_path).close()
    first.close()


def test_channels_of_one_unit_are_one_lock(tmp_path):
    """Circuits of one bath that share a cabinet's unit do not lock each other out."""
    hold([unit_lock("x", 1, "circuit[1].unit"), unit_lock("x", 1, "circuit[2].unit")], "a.toml", tmp_path).close()


def test_lock_is_free_again_after_closing(tmp_path):
    """A stopped service leaves nothing behind that would keep the next one out."""
    for _ in range(2):
        hold([unit_lock("x", 1, "k"), runs_lock(tmp_path / "runs")], "a.toml", tmp_path).close()


def test_runs_folder_has_one_writer(tmp_path):
    """Two bath files with one folder of runs are refused, by whatever way the folder is named."""
    first = hold([runs_lock(tmp_path / "runs" / "A")], "a.toml", tmp_path)
    (tmp_path / "link").symlink_to(tmp_path / "runs")
    with pytest.raises(InputError, match=r"runs\.path: the runs in .*link/A"):
        hold([runs_lock(tmp_path / "link" / "A")], "b.toml", tmp_path)
    first.close()


def test_lock_of_a_killed_service_is_free(tmp_path):
    """The system takes the lock from a process that was killed; while it lives it holds against other processes."""
    root = Path(__file__).parents[2]
    words = [sys.executable, "-c", HOLDER, str(tmp_path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root) as holder:
        assert holder.stdout.readline() == b"held\n"
        mine = unit_lock(tcp_name("127.0.0.1:502"), 1, "k")
        with pytest.raises(InputError):
            hold([mine], "b.toml", tmp_path)
        holder.kill()
        holder.wait(30)
        hold([mine], "b.toml", tmp_path).close()


def test_one_device_has_one_name(tmp_path):
    """An address or a serial device written in two ways is still one device."""
    assert tcp_name("localhost:502") == tcp_name("127.0.0.1:502")
    assert tcp_name("127.0.0.1:503") != tcp_name("127.0.0.1:502")
    (tmp_path / "by-name").symlink_to(tmp_path / "ttyX")
    assert rtu_name(str(tmp_path / "by-name")) == rtu_name(os.fspath(tmp_path / "ttyX"))


def test_lock_file_laid_as_a_link_is_not_followed(tmp_path):
    """A link in a lock file's place leads nowhere else."""
    hold([unit_lock("x", 1, "k")], "a.toml", tmp_path).close()
    [file] = tmp_path.glob("*.lock")
    file.unlink()
    file.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match="symbolic links"):
        hold([unit_lock("x", 1, "k")], "a.toml", tmp_path)
    assert not (tmp_path / "elsewhere").exists()


def two_baths(tmp_path):
    """Two bath files, each of them right, with the same rectifier under two names of its address."""
    example = (Path(__file__).parents[2] / "controller/examples/bath-a.toml").read_text()
    for name, host in (("A", "127.0.0.1"), ("B", "localhost")):
        text = example.replace('name = "A"', f'name = "{name}"', 1)
        for port in (1502, 1503):
            text = text.replace("127.0.0.1:0", f"{host}:{port}", 1)
        (tmp_path / f"{name}.toml").write_text(text)
    return [load_bath(tmp_path / f"{name}.toml") for name in "AB"]


def test_two_bath_files_with_one_rectifier_are_refused(tmp_path):
    """Read from the files as a person writes them: the second bath cannot start, and is told its line."""
    first, second = two_baths(tmp_path)
    with hold(locks_of(first), first.document.name, tmp_path), pytest.raises(InputError) as caught:
        hold(locks_of(second), second.document.name, tmp_path)
    problem = caught.value.problems[0]
    assert problem.key == "circuit[1].unit"
    assert second.document.text.splitlines()[problem.line - 1].startswith("unit")
    hold(locks_of(second), second.document.name, tmp_path).close()


def test_free_port_needs_no_unit_lock(tmp_path):
    """A demo's links have no place before its plant runs, so two demos do not meet; their runs have one writer."""
    path = tmp_path / "a.toml"
    path.write_text((Path(__file__).parents[2] / "controller/examples/bath-a.toml").read_text())
    bath = load_bath(path)
    assert [lock.key for lock in locks_of(bath)] == ["runs.path"]


def bath_over(tmp_path, name, bath_file, runs):
    """A bath file with its runs elsewhere, and rectifiers of its own."""
    text = (Path(__file__).parents[2] / "controller/examples/bath-a.toml").read_text()
    text = text.replace('name = "A"', f'name = "{name}"', 1).replace('path = "runs"', f'path = "{runs}"')
    (tmp_path / bath_file).write_text(text)
    return load_bath(tmp_path / bath_file)


@pytest.mark.parametrize(
    ("name", "runs"), [("A", "runs"), ("A", "link"), ("A_", "runs"), ("A-", "link"), ("A", "sub/../runs")]
)
def test_two_bath_files_with_one_folder_of_runs_are_refused(tmp_path, name, runs):
    """By the same path, a link or a detour, also where two names make one folder: one service writes there."""
    (tmp_path / "runs").mkdir()
    (tmp_path / "sub").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "runs")
    first, second = bath_over(tmp_path, "A", "one.toml", "runs"), bath_over(tmp_path, name, "two.toml", runs)
    with hold(locks_of(first), first.document.name, tmp_path), pytest.raises(InputError) as caught:
        hold(locks_of(second), second.document.name, tmp_path)
    assert [problem.key for problem in caught.value.problems] == ["runs.path"]
    hold(locks_of(second), second.document.name, tmp_path).close()
    assert sorted(path.name for path in (tmp_path / "runs").iterdir()) == ["A"]


def test_another_bath_beside_it_is_let_in(tmp_path):
    """Several baths share a folder of runs: each has its own part of it."""
    first, second = bath_over(tmp_path, "A", "one.toml", "runs"), bath_over(tmp_path, "B", "two.toml", "runs")
    with hold(locks_of(first), "one.toml", tmp_path):
        hold(locks_of(second), "two.toml", tmp_path).close()
