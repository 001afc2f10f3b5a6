"""Locks on folders, and whether somebody holds one: asked without being in anybody's way."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from pathlib import Path

import inventedrun as invented
import pytest

from controller.records import claims as claiming
from controller.records.claims import Claims, is_held, locked, opened
from controller.records.finding import Standings, open_by_service
from controller.runs.archive import why_not
from controller.runs.seen import look

ROOT = Path(__file__).parents[2]
HOLDER = (
    "import sys; from pathlib import Path; from controller.records.claims import locked, opened\n"
    "handle = opened(Path(sys.argv[1])); print(locked(handle), flush=True); sys.stdin.read()\n"
)
"""What a service does with its bath's folder, and nothing else of it."""


def test_a_held_folder_is_told_and_one_that_was_let_go_is_not(tmp_path):
    """Of this process as of another; a shared look takes nothing."""
    assert is_held(tmp_path) is False
    with Claims() as claims:
        assert claims.take(tmp_path)
        assert is_held(tmp_path) is True
        assert is_held(tmp_path) is True
    assert is_held(tmp_path) is False


def test_to_ask_is_in_nobodys_way(tmp_path, monkeypatch):
    """A service that starts in the very moment of the question gets its lock: the question takes none."""
    real, got = fcntl.fcntl, []

    def meanwhile(handle, what, argument):
        told = real(handle, what, argument)
        if what == fcntl.F_OFD_GETLK:
            other = opened(tmp_path)
            got.append(locked(other))
            os.close(other)
        return told

    monkeypatch.setattr(claiming.fcntl, "fcntl", meanwhile)
    assert is_held(tmp_path) is False
    assert got == [True]


@pytest.mark.parametrize("wrong", [OSError(22, "no such locks here"), AttributeError("F_OFD_GETLK")])
def test_where_the_system_cannot_say_nobody_can(tmp_path, monkeypatch, wrong):
    """A file system or a system without such marks: locking goes on as ever, the answer is none."""

    def fails(*_):
        raise wrong

    monkeypatch.setattr(claiming.fcntl, "fcntl", fails)
    with Claims() as claims, Claims() as other:
        assert claims.take(tmp_path)
        assert not other.take(tmp_path)
        assert is_held(tmp_path) is None
    assert is_held(tmp_path / "gone") is None


def test_after_a_kill_nobody_has_a_run_open_though_state_json_names_it(tmp_path):
    """`open` while its service lives, then `unclosed`; verify and archiving wait for the next service as before."""
    runs = tmp_path / "runs"
    run = invented.make(runs, closed=False)
    invented.state(runs, "A", {"A01": run.name})
    words = [sys.executable, "-c", HOLDER, str(runs / "A")]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as service:
        try:
            assert service.stdout.readline() == "True\n"
            alive = Standings().of(runs)
            assert look(run, alive.open, alive.left).state == "open"
            assert why_not(look(run, alive.open, alive.left), alive) == "is open"
            assert open_by_service(run) is True
        finally:
            service.kill()
    dead = Standings().of(runs)
    one = look(run, dead.open, dead.left)
    assert (one.state, one.wrong, dead.open, dead.left) == ("unclosed", (), frozenset(), {run.name})
    assert why_not(one, dead) == "is unclosed: the next service of its bath goes on with it"
    assert open_by_service(run) is True
    invented.state(runs, "A", {})
    assert open_by_service(run) is False


def test_a_run_left_in_the_minute_of_its_end_is_not_damaged(tmp_path):
    """A kill may fall between the last row and the summary: the next service writes it."""
    run = invented.make(
        tmp_path, closed=False, events=[invented.event(invented.at("2026-03-16T10:00"), "event", "complete")]
    )
    assert look(run, frozenset()).wrong == (
        "summary.json: is missing: the run has ended, events.csv tells of complete",
    )
    left = look(run, frozenset(), frozenset({run.name}))
    assert (left.state, left.wrong) == ("unclosed", ())


def test_a_service_of_a_version_without_marks_is_believed_to_live(tmp_path):
    """It holds the folder, and nobody can ask: a run under current is not called left."""
    run = invented.make(tmp_path, closed=False)
    invented.state(tmp_path, "A", {"A01": run.name}, before=True)
    standing = Standings().of(tmp_path)
    assert (standing.open, standing.left) == ({run.name}, frozenset())


def test_where_nobody_can_say_state_json_is_believed(tmp_path, monkeypatch):
    """As it was before anybody could ask."""
    run = invented.make(tmp_path, closed=False)
    invented.state(tmp_path, "A", {"A01": run.name})
    monkeypatch.setattr("controller.records.finding.is_held", lambda _: None)
    standing = Standings().of(tmp_path)
    assert (standing.open, standing.left) == ({run.name}, frozenset())
