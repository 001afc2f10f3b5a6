"""Where a file that a person named may be written: one answer for every command that writes one."""

from __future__ import annotations

import os

import inventedrun as invented
import pytest

from controller.runs.outfile import wrong_place

RUN = "20260316T060000Z-A-A01-K1"


@pytest.fixture
def places(tmp_path, monkeypatch):
    """A folder with one of each thing that a name may lead to."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there").write_text("mine")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name, target in (("null", "/dev/null"), ("dead", "nowhere"), ("link", "there"), ("round", "round")):
        (tmp_path / name).symlink_to(target)
    invented.make(tmp_path, name=RUN)
    return tmp_path


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("new", None),
        ("there", None),
        ("link", None),
        ("dead", None),
        ("folder", "folder is a folder, name a file"),
        ("pipe", "pipe is no plain file, name another one"),
        ("null", "null is no plain file, name another one"),
        ("none/new", "none/new: its folder does not exist, make it first"),
        ("there/new", "there/new: its folder does not exist, make it first"),
        ("a\0b", "a?b: its name cannot be used"),
        ("x" * 300, f"{'x' * 117}...: its name cannot be used"),
        ("round", "round leads nowhere that can be written to: look at its links"),
        (
            f"{RUN}/new",
            f"{RUN}/new would stand in the run folder {{here}}/{RUN}, which holds a record and nothing else",
        ),
    ],
)
def test_what_stands_against_a_place(places, name, why):
    """Nothing, or one sentence; a pipe or a device is never opened, and a record's folder takes nothing else."""
    wanted = None if why is None else why.replace("{here}", str(places))
    assert wrong_place(type(places)(name)) == wanted
    if why is not None:
        assert wrong_place(type(places)(name), force=False) == wanted


@pytest.mark.parametrize(("name", "taken"), [("new", False), ("there", True), ("link", True), ("dead", True)])
def test_what_is_there_is_written_over_by_force_alone(places, name, taken):
    """A link counts as something, wherever it leads."""
    assert wrong_place(type(places)(name), force=True) is None
    wanted = f"{name} exists, name another file or add --force" if taken else None
    assert wrong_place(type(places)(name), force=False) == wanted
