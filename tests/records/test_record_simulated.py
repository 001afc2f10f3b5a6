"""That no battery was there: summary.json says it as run.json does, and older summaries without it stay valid."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from forgekit import reheaded, resealed
from memoryplace import in_memory

from controller.records.resume import resume_run
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.verify.runfolder import verify_place


@pytest.fixture(scope="module")
def place(kept_run):
    """The whole record of a virtual plant in memory."""
    return in_memory(kept_run)


def closed(rec, runs, virtual):
    writer = Writer()
    settings = replace(rec.settings, virtual=virtual)
    record = RunRecord.create(runs, rec.start(settings=settings), writer)
    record.close({})
    record.release()
    assert writer.close()
    return record.folder


@pytest.mark.parametrize("virtual", [True, False])
def test_the_summary_says_whether_the_plant_was_virtual(rec, tmp_path, virtual):
    """The same truth value as in run.json; and again after the record was opened anew and closed by a later service."""
    folder = closed(rec, tmp_path, virtual)
    assert json.loads((folder / "summary.json").read_text())["virtual"] is virtual
    readme = (folder / "README.txt").read_bytes()
    assert (b"SIMULATED" in readme.splitlines()[0]) is virtual
    writer = Writer()
    again = resume_run(folder, writer).record
    again.close({})
    again.release()
    assert writer.close()
    assert json.loads((folder / "summary.json").read_text())["virtual"] is virtual
    assert (folder / "README.txt").read_bytes() == readme


def test_what_is_given_with_the_end_does_not_change_it(rec, tmp_path):
    """Nobody who closes a record says whether a battery was there: run.json does."""
    writer = Writer()
    _, record = rec.begin(tmp_path, writer)
    record.close({"virtual": False})
    record.release()
    assert writer.close()
    assert json.loads((record.folder / "summary.json").read_text())["virtual"] is True


@pytest.mark.parametrize("told", [False, None, "true"])
def test_a_summary_that_says_otherwise_is_found(place, told):
    """A simulated record passed off as a real one: verify names the key."""
    found = verify_place(resealed(place, virtual=told)).wrong
    assert f"summary.json: virtual is {told!r}, the record says True".replace("'true'", "true") in found


def test_a_head_that_says_otherwise_is_found(place):
    """So is run.json changed together with everything that hangs on it."""
    found = verify_place(reheaded(place, lambda plain: plain.update(virtual=False))).wrong
    assert "run.json: virtual: is not that of the settings" in found
    assert "summary.json: virtual is True, the record says False" in found


def test_a_summary_without_the_key_stays_valid(place):
    """Records from before do not have it."""
    assert verify_place(resealed(place, drop=("virtual",))).wrong == []
