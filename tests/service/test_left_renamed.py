"""A lost state.json is no first start, and a circuit that was not there before is nobody's to use yet."""

from __future__ import annotations

import json
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from leftkit import LOAD, NAMES, SETTINGS, TEXT, Hall, Plant, in_memory, state_bytes

from controller.core.types import State
from controller.records.writer import Writer
from controller.service.earlier import what_is_left
from controller.service.left import Left, what_was_left
from controller.service.recorder import Recorder, Sources

LOST = "restart: kept state unreadable"
NEW = "restart: new in the bath file"
RUNS = "is missing, although runs of this bath are on record"
RUN = "20260316T060000Z-A-A01-K1"


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture
async def runs(tmp_path) -> Path:
    """What a service left that never had a run: A02 is blocked, A01 out of use."""
    hall = Hall(tmp_path / "runs")
    await hall.cycles(3)
    assert (await hall.order("block", "A02")).accepted
    assert (await hall.order("out-of-use", "A01", {"reason": "cracked lead"})).accepted
    hall.end()
    return tmp_path / "runs"


def later() -> Plant:
    """The plant an hour on."""
    plant = Plant()
    plant.passed_ms = 3_600_000
    return plant


def said(hall: Hall) -> list[str]:
    return [event.data["what"] for event in hall.begun.told if event.code == "notice"]


def blocked(hall: Hall) -> list[str]:
    return [hall.circuit(name).blocked_by for name in NAMES]


def left_for(runs: Path, *names: str) -> Left:
    """What a service finds whose bath file names these circuits."""
    own = SETTINGS.circuits[0]
    settings = replace(SETTINGS, circuits=tuple(replace(own, name=name) for name in names))
    writer = Writer()
    sources = Sources(TEXT, dict.fromkeys(names, TEXT), {})
    return what_was_left(settings, Recorder(settings, sources, runs, 1_000, writer, by_count=False), writer, runs)


def told(left: Left) -> list[str]:
    return [event.data["what"] for event in left.events]


async def test_a_state_json_lost_without_any_run_blocks_all(runs):
    """No run was ever there: the bath's events prove the earlier service, and nobody's block may be forgotten."""
    (runs / "A" / "state.json").unlink()
    hall = Hall(runs)
    assert said(hall) == [
        "state.json: is missing, although A/events-202603.csv is there", "how long the service was away is not known",
    ]  # fmt: skip
    await hall.cycles(5)
    assert blocked(hall) == [LOST, LOST]
    assert not (await hall.order("load", "A01", LOAD)).accepted
    hall.end()


@pytest.mark.parametrize(
    "name", ["A/events-202603.csv", "A/proofs.csv", "A/limits.json", f"A/releases/{'0' * 64}.json"]
)
def test_whatever_a_service_writes_proves_one(tmp_path, name):
    """Each kind of file by itself, empty or not."""
    place = tmp_path / name
    place.parent.mkdir(parents=True)
    place.touch()
    assert what_is_left(tmp_path, "A", []) == f"is missing, although {name} is there"


def test_an_empty_state_json_proves_one_too(tmp_path):
    """It is never written so: what it held is lost."""
    (tmp_path / "A").mkdir()
    (tmp_path / "A" / "state.json").touch()
    assert what_is_left(tmp_path, "A", []) == "is empty"


def head(bath: str) -> str:
    return json.dumps({"format": "formbath/run/1", "bath": bath})


@pytest.mark.parametrize("bath", ["A", "A-A01"])
def test_an_archived_run_proves_a_service(tmp_path, bath):
    """As a folder does: by what its run.json says, for the name alone could be another bath's."""
    with zipfile.ZipFile(tmp_path / f"{RUN}.zip", "w") as archive:
        archive.writestr(zipfile.ZipInfo(f"{RUN}/run.json"), head(bath))
    (tmp_path / RUN).mkdir()
    (tmp_path / RUN / "run.json").write_text(head(bath))
    for _ in range(2):
        assert what_is_left(tmp_path, "A", []) == (RUNS if bath == "A" else None)
        shutil.rmtree(tmp_path / RUN, ignore_errors=True)


@pytest.mark.parametrize("name", [RUN, f"{RUN}.zip"])
def test_a_run_that_cannot_be_read_counts_for_the_worse(tmp_path, name):
    """A folder without its run.json, an archive that is none: their names are all there is."""
    place = tmp_path / name
    place.write_text("no zip") if name.endswith("zip") else place.mkdir()
    assert what_is_left(tmp_path, "A", []) == RUNS
    assert what_is_left(tmp_path, "B", []) is None


def test_what_this_start_made_itself_and_other_files_prove_nothing(tmp_path):
    """The bath's folder was made for its lock, the space kept back taken; a person's file is no run."""
    (tmp_path / "A").mkdir()
    (tmp_path / "A" / "kept-back").write_bytes(b"0")
    (tmp_path / f"{RUN}.txt").touch()
    assert what_is_left(tmp_path, "A", []) is None
    assert what_is_left(tmp_path / "not there", "A", []) is None


async def test_a_circuit_that_state_json_does_not_hold_comes_back_blocked(runs):
    """Its entry was taken out: it is blocked by the restart, and the others are as they were."""
    path = runs / "A" / "state.json"
    kept = json.loads(path.read_bytes())
    del kept["circuits"]["A02"]
    path.write_bytes(state_bytes(kept))
    hall = Hall(runs, later())
    assert said(hall) == ["state.json: does not hold A02: blocked until maintenance has looked and unblocks"]
    await hall.cycles(5)
    assert blocked(hall) == ["", NEW]
    assert hall.circuit("A01").out_of_use == "cracked lead"
    assert (await hall.order("unblock", "A02", {"reason": "looked at it"})).accepted
    assert blocked(hall) == ["", ""]
    hall.end()


def test_a_renamed_circuit_comes_back_blocked_and_its_old_name_is_told(runs):
    """What stood under the old name is said with all that must not be forgotten of it."""
    left = left_for(runs, "A01", "A12")
    assert {name: left.circuits[name].blocked_by for name in ("A01", "A12")} == {"A01": "", "A12": NEW}
    assert told(left) == [
        "state.json: does not hold A12: blocked until maintenance has looked and unblocks",
        "state.json: holds A02 (blocked by anna): not in the bath file any more, so this is no longer kept",
    ]


def test_out_of_use_under_a_name_that_is_gone_is_told(runs):
    """Its reason is all that is left of it."""
    (_, gone) = told(left_for(runs, "A02", "A03"))
    held = "A01 (out of use: cracked lead)"
    assert gone == f"state.json: holds {held}: not in the bath file any more, so this is no longer kept"


def test_a_first_start_and_an_unchanged_one_block_nobody(runs, tmp_path):
    """No state and nothing on record, or a state that names the same circuits."""
    assert left_for(tmp_path / "new", "A01", "A02").circuits == {}
    left = left_for(runs, "A02", "A01")
    assert (told(left), left.circuits["A01"].blocked_by, left.circuits["A02"].blocked_by) == ([], "", "anna")


async def test_a_circuit_put_back_with_its_open_run_waits_for_maintenance(tmp_path):
    """Its run is held as ever; nobody knows what was done to the string while the bath file lacked it."""
    hall = await Hall(tmp_path).running(["A01"])
    hall.end()
    folder = hall.folders()[0].name
    taken_out = left_for(tmp_path, "A02")
    held = f"A01 (18 batteries; open run {folder})"
    assert told(taken_out) == [f"state.json: holds {held}: not in the bath file any more, so this is no longer kept"]
    path = tmp_path / "A" / "state.json"
    kept = json.loads(path.read_bytes())
    del kept["circuits"]["A01"]
    path.write_bytes(state_bytes(kept))
    again = Hall(tmp_path, later())
    await again.cycles(3)
    assert (again.circuit("A01").state, again.circuit("A01").blocked_by) == (State.HELD, NEW)
    assert [each.name for each in again.folders()] == [folder]
    assert "blocked" in (await again.order("resume", "A01", {"reason": "x"})).text.lower()
    again.end()


async def test_a_person_s_block_on_record_stays_that_person_s(tmp_path):
    """The open run's record knows who works on the string."""
    hall = await Hall(tmp_path).running(["A01"])
    assert (await hall.order("block", "A01")).accepted
    await hall.cycles(2)
    hall.end()
    path = tmp_path / "A" / "state.json"
    kept = json.loads(path.read_bytes())
    del kept["circuits"]["A01"]
    path.write_bytes(state_bytes(kept))
    assert left_for(tmp_path, *NAMES).circuits["A01"].blocked_by == "anna"
