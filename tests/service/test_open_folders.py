"""Which runs a new service takes up."""

from __future__ import annotations

from dataclasses import replace

from controller.core.settings import BathSettings, CircuitSettings
from controller.service.start import open_folders

KEPT_AT_MS = 1_773_642_000_000  # 2026-03-16T06:20:00Z
OWN = CircuitSettings("A01", 18, 0.5, 20.0, 340.0)
BATH = BathSettings("north", "A", True, 1000, 3000, 5000, (OWN, replace(OWN, name="A02")))


def folder(runs, name, ended=False):
    """A run folder with nothing in it but what is looked for."""
    (runs / name).mkdir()
    (runs / name / "run.json").write_text("{}")
    if ended:
        (runs / name / "summary.json").write_text("{}")
    return name


def test_a_run_begun_after_the_last_state_is_found(tmp_path):
    """Killed in the second after a start: state.json does not name the folder yet."""
    new = folder(tmp_path, "20260316T062100Z-A-A01-K1")
    assert open_folders(BATH, {"utc_ms": KEPT_AT_MS, "open_runs": {}}, tmp_path) == {"A01": new}


def test_what_is_older_ended_or_of_another_bath_stays(tmp_path):
    """A run that state.json knew of and did not name is over, whatever its folder lacks."""
    folder(tmp_path, "20260316T061000Z-A-A01-K1")
    folder(tmp_path, "20260316T063000Z-A-A02-K1", ended=True)
    folder(tmp_path, "20260316T063000Z-B-A02-K1")
    named = {"A02": "20260315T060000Z-A-A02-K0"}
    assert open_folders(BATH, {"utc_ms": KEPT_AT_MS, "open_runs": named}, tmp_path) == named


def test_without_state_json_every_run_without_an_end_is_open(tmp_path):
    """The file is lost: the folders are all there is."""
    open_run = folder(tmp_path, "20260316T061000Z-A-A02-K1")
    assert open_folders(BATH, {}, tmp_path) == {"A02": open_run}
