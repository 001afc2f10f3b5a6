"""Which runs a new service takes up."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from controller.core.settings import BathSettings, CircuitSettings
from controller.service.left import NO_HEAD, folders_to_open

OWN = CircuitSettings("A01", 18, 0.5, 20.0, 340.0)
BATH = BathSettings("north", "A", True, 1000, 3000, 5000, (OWN, replace(OWN, name="A02")))
KEPT_MS = 100_000
NONE = {"A01": [], "A02": []}


def folder(runs, name, start_ms=KEPT_MS + 1, bath="A", circuit="A01", ended=False):
    """A run folder with nothing in it but what is looked for."""
    (runs / name).mkdir()
    head = {
        "format": "formbath/run/1", "bath": bath, "circuit": circuit, "start_ms": start_ms,
        "start_utc": "2026-03-16T06:21:00.000Z",
    }  # fmt: skip
    (runs / name / "run.json").write_text(json.dumps(head))
    if ended:
        (runs / name / "summary.json").write_text("{}")
    return name


def opened(runs, content=None, ended=None, bath=BATH):
    """What would be opened, where everything can be read."""
    said = []
    found = folders_to_open(
        bath, {"now_ms": KEPT_MS, "circuits": {"A01": 1}, **(content or {})}, runs, said, ended or {}
    )
    assert said == []
    return found


@pytest.mark.parametrize("moment", ["20260316T062100Z", "19700101T000000Z", "99991231T235959Z"])
def test_a_run_begun_after_the_last_state_is_found(tmp_path, moment):
    """Killed in the second after a start: state.json does not name the folder yet. No clock on the wall matters."""
    new = folder(tmp_path, f"{moment}-A-A01-K1")
    assert opened(tmp_path, {"open_runs": {}}) == {**NONE, "A01": [new]}
    assert opened(tmp_path, {"open_runs": {"A01": new}}) == {**NONE, "A01": [new]}


def test_what_is_older_ended_or_of_another_stays(tmp_path):
    """A run that state.json knew of and did not name is over, whatever its folder lacks; names alone say nothing."""
    folder(tmp_path, "20260316T061000Z-A-A01-K1", start_ms=KEPT_MS)
    folder(tmp_path, "20260316T063000Z-A-A02-K1", circuit="A02", ended=True)
    folder(tmp_path, "20260316T063000Z-B-A02-K1", bath="B", circuit="A02")
    folder(tmp_path, "20260316T063000Z-A-A01-A02-K1", circuit="A01-A02")
    folder(tmp_path, "20260316T063000Z-A-A02-K9", bath="A-A02", circuit="K9")
    (tmp_path / "20260316T063000Z-A-A01-K2").mkdir()
    (tmp_path / "20260316T063000Z-A-A01-K2" / "run.json").write_text("{}")
    named = {"A02": "20260315T060000Z-A-A02-K0"}
    assert opened(tmp_path, {"open_runs": named}) == {"A01": [], "A02": [named["A02"]]}


def test_of_several_the_one_that_began_last_by_core_time_comes_first(tmp_path):
    """The one that state.json names is the last resort: it is opened only where the newer one cannot be."""
    old = folder(tmp_path, "20260316T064000Z-A-A01-K1", start_ms=KEPT_MS + 5)
    new = folder(tmp_path, "20260316T063000Z-A-A01-K1", start_ms=KEPT_MS + 6)
    named = {"open_runs": {"A01": "20260315T060000Z-A-A01-K0"}}
    assert opened(tmp_path, named)["A01"] == [new, old, "20260315T060000Z-A-A01-K0"]


def test_without_state_json_every_run_without_an_end_is_open(tmp_path):
    """The file is lost: the folders are all there is."""
    open_run = folder(tmp_path, "20260316T061000Z-A-A02-K1", start_ms=5, circuit="A02")
    said = []
    found = folders_to_open(BATH, {"now_ms": 0}, tmp_path, said, {})
    assert (found, said) == ({**NONE, "A02": [open_run]}, [])


def test_an_ended_run_whose_record_was_not_closed_is_opened_once_more(tmp_path):
    """Killed after state.json knew of the end and before the record did."""
    open_run = folder(tmp_path, "20260316T061000Z-A-A01-K1", start_ms=5)
    closed = folder(tmp_path, "20260316T061000Z-A-A02-K1", start_ms=5, circuit="A02", ended=True)
    ended = {"A01": open_run, "A02": closed}
    assert opened(tmp_path, ended=ended) == {**NONE, "A01": [open_run]}
    newer = {"open_runs": {"A01": "20260316T062000Z-A-A01-K2"}}
    assert opened(tmp_path, newer, ended)["A01"] == ["20260316T062000Z-A-A01-K2"]


def test_names_are_looked_for_as_folders_spell_them(tmp_path):
    """A bath's name may end in what a folder's name leaves out."""
    bath = replace(BATH, name="A_", circuits=(replace(OWN, name="-A01"),))
    new = folder(tmp_path, "20260316T062100Z-A-A01-K1", bath="A_", circuit="-A01")
    assert opened(tmp_path, bath=bath) == {"-A01": [new]}


def test_a_place_that_cannot_be_read_is_said(tmp_path):
    """It does not end the start; one that is not there yet holds nothing."""
    said = []
    (tmp_path / "file").write_text("")
    assert folders_to_open(BATH, {"now_ms": 0}, tmp_path / "file", said, {}) == NONE
    assert said == [f"{tmp_path / 'file'}: cannot be read: Not a directory"]
    assert opened(tmp_path / "gone") == opened(tmp_path, {"open_runs": [1]}) == NONE


def test_a_folder_whose_head_never_reached_the_disk_is_said_by_name(tmp_path):
    """Killed between folder and run.json: told, never opened, never touched; what archiving makes is no news."""
    bare, half = "20260316T062000Z-A-A01-K1", "20260316T062000Z-A-A02-K1"
    (tmp_path / bare).mkdir()
    (tmp_path / half).mkdir()
    (tmp_path / half / "run.json.new").write_text("{")
    (tmp_path / "20260316T062100Z-B-A01-K1").mkdir()
    (tmp_path / "20260316T062200Z-A-A01-K1.zip.new").mkdir()
    (tmp_path / "20260316T062300Z-A-A01-K1").mkdir()
    (tmp_path / "20260316T062300Z-A-A01-K1.zip").write_bytes(b"")
    whole = folder(tmp_path, "20260316T061000Z-A-A02-K1", start_ms=5, circuit="A02")
    said = []
    assert folders_to_open(BATH, {"now_ms": 0}, tmp_path, said, {}) == {**NONE, "A02": [whole]}
    assert said == [f"{name}: {NO_HEAD}" for name in (bare, half)]
    assert (tmp_path / half / "run.json.new").read_text() == "{"
