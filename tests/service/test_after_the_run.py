"""Readings and sign-offs of ended runs, proofs and due days, in a service of real desk, core, recorder and writer."""

# ruff: noqa: E402 - the builders of another test lie beside this file

from __future__ import annotations

import csv
import json
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

HERE = Path(__file__).parent
if str(HERE) not in sys.path:
    sys.path.append(str(HERE))

from test_loop_guard import LOAD, SETTINGS, UTC_MS, Rig

from controller.core.moves import started
from controller.core.types import Event, EventKind, State
from controller.records.head import Text
from controller.records.rows import time_utc
from controller.service.errors import Refused
from controller.service.keeping import begun_again
from controller.service.kept import Kept
from controller.service.left import what_was_left
from controller.service.proofs import Proofs, due_day, proof_cells
from controller.service.recorder import summary
from controller.service.recordroom import not_on_disk
from controller.verify.runfolder import verify_run

DAY_MS = 24 * 3_600_000
VOLTS = {"what": "voltage", "position": 4, "value": 12.84, "instrument": "M1", "taken_minutes_ago": 0}
DENSITY = {"what": "density", "position": 4, "value": 1.281, "temperature_C": 25.0, "instrument": "H1"}


async def ended(runs) -> Rig:
    """A service whose first circuit's run was stopped, and is closed."""
    rig = Rig(runs)
    await rig.cycles(3)
    assert (await rig.order("load", "A01", {**LOAD, "batch": "K1:1-17/P1 K2:18//S18"})).accepted
    assert (await rig.order("start", "A01")).accepted
    await rig.cycles(3)
    assert (await rig.order("stop", "A01")).accepted
    await rig.cycles(4)
    assert rig.states()[0] is State.STOPPED
    assert rig.recorder.folders() == {}
    assert rig.writer.commit()
    return rig


def restarted(rig) -> Rig:
    """A new service on what the old one left on the disk, which never came to its end."""
    again = Rig(rig.runs)
    left = what_was_left(SETTINGS, again.recorder, again.writer, rig.runs)
    for circuit, (record, start_utc_ms) in left.records.items():
        again.recorder.adopt(circuit, record, start_utc_ms)
    again.recorder.remember_ended(left.ended)
    again.clock.now_ms = left.now_ms
    again.service.state = begun_again(SETTINGS, left.circuits, left.now_ms, left.alarms, after_run=False)
    return again


def folder_of(rig) -> Path:
    (folder,) = (path.parent for path in rig.runs.glob("*/run.json"))
    return folder


def rows_of(place):
    with place.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


async def test_a_reading_of_an_ended_run_is_safe_when_it_is_accepted(tmp_path):
    """In the bath's events and in the run's after.csv, once the person hears "accepted"; the record verifies."""
    rig = await ended(tmp_path)
    rig.desk.kept = Kept(partial(not_on_disk, rig.writer))
    assert (await rig.order("reading", "A01", VOLTS)).accepted
    folder = folder_of(rig)
    (row,) = rows_of(folder / "after.csv")
    assert (row["position"], row["value"], row["unit"], row["who"]) == ("4", "12.84", "V", "anna")
    assert [each["code"] for each in rig.bath_events() if each["code"] == "reading"] == ["reading"]
    assert verify_run(folder).wrong == []


async def test_a_restart_goes_on_with_the_record_of_the_ended_run(tmp_path):
    """What a killed service had not written yet is completed, and the next reading and the sign-off follow behind."""
    rig = await ended(tmp_path)
    before = {path: path.read_bytes() for path in folder_of(rig).iterdir()}
    assert (await rig.order("reading", "A01", VOLTS)).accepted
    assert rig.writer.commit()
    folder = folder_of(rig)
    after = (folder / "after.csv").read_bytes()
    (folder / "after.csv").unlink()
    for path, data in before.items():
        path.write_bytes(data)
    again = restarted(rig)
    await again.cycles(2)
    assert again.writer.commit(), again.writer.trouble
    assert (folder / "after.csv").read_bytes() == after
    assert again.states()[0] is State.STOPPED
    assert (await again.order("reading", "A01", DENSITY)).accepted
    assert (await again.order("sign-off", "A01", {"result": "pass, 18 scrap burnt post"})).accepted
    again.closed()
    assert len(rows_of(folder / "after.csv")) == 2
    rows = rows_of(folder / "batteries.csv")
    assert [row["position"] for row in rows] == [str(place) for place in range(1, 19)]
    assert (rows[3]["ocv_V"], rows[3]["density"], rows[3]["pallet"]) == ("12.84", "1.281", "P1")
    assert (rows[17]["serial"], rows[17]["outcome"], rows[17]["reason"]) == ("S18", "scrap", "burnt post")
    summary = json.loads((folder / "summary.json").read_text())
    assert (summary["verdict"], summary["signed_off_by"]) == ("signed off: 17 pass, 1 scrap", "anna")
    assert summary["verdict_at_end"] == "ended by a person"
    assert verify_run(folder).wrong == []


async def signed_early(runs) -> Rig:
    """A service whose first circuit was signed off in the cycle after its stop, while its record is still open."""
    rig = Rig(runs)
    await rig.cycles(3)
    assert (await rig.order("load", "A01", LOAD)).accepted
    assert (await rig.order("start", "A01")).accepted
    await rig.cycles(2)
    assert (await rig.order("stop", "A01")).accepted
    assert rig.recorder.folders() != {}
    assert (await rig.order("sign-off", "A01", {"result": "rework dirty acid"})).accepted
    assert rig.recorder.folders() != {}
    return rig


async def test_a_sign_off_before_the_record_is_closed(tmp_path):
    """It stands in the run's own events, and is written to its table once the record is closed."""
    rig = await signed_early(tmp_path)
    await rig.cycles(5)
    # The bath's files are written before its runs': the first commit closes the record, the second finds it closed.
    assert rig.writer.commit()
    assert rig.writer.commit()
    folder = folder_of(rig)
    assert [row["outcome"] for row in rows_of(folder / "batteries.csv")] == ["rework"] * 18
    assert verify_run(folder).wrong == []


async def test_a_sign_off_of_a_record_that_a_killed_service_never_closed(tmp_path):
    """The next service opens the record again, closes it, and finds the sign-off in its events."""
    rig = await signed_early(tmp_path)
    assert rig.writer.commit()
    again = restarted(rig)
    assert set(again.recorder.folders()) == {"A01"}
    await again.cycles(5)
    assert again.recorder.folders() == {}
    assert again.writer.commit()
    assert again.writer.commit()
    assert [row["outcome"] for row in rows_of(folder_of(again) / "batteries.csv")] == ["rework"] * 18


async def test_an_unloaded_circuit_has_no_record_to_write_to(tmp_path):
    """Once the string is gone, nothing comes to its record any more."""
    rig = await ended(tmp_path)
    assert (await rig.order("unload", "A01", {"reason": "cold"})).accepted
    assert not (await rig.order("reading", "A01", VOLTS)).accepted
    rig.closed()
    assert not (folder_of(rig) / "after.csv").exists()


async def test_a_follow_on_run_says_so_in_its_record(tmp_path):
    """The earlier run, the first step, what went in before and what is owed: in run.json and in the summary."""
    rig = Rig(tmp_path)
    await rig.cycles(3)
    said = {"continues": "20260316T050000Z-A-A01-K3107", "from_step": 2, "credited_Ah": 12.5}
    assert (await rig.order("load", "A01", {**LOAD, **said})).accepted
    first = rig.service.state.circuits[0]
    begun = started(first, "anna", first.now_ms)
    owing = replace(begun, run=replace(begun.run, owed_Ah=1.25))
    rig.service.state = replace(rig.service.state, circuits=(owing, *rig.service.state.circuits[1:]))
    texts = (Text("p.toml", ""), None)
    rig.recorder._begin(owing, (), UTC_MS, texts, anew=True)
    ended = replace(owing, run=replace(owing.run, end_ms=owing.now_ms))
    told = summary(rig.recorder._open["A01"], ended, UTC_MS)["follow_on"]
    rig.closed()
    expected = {"continues": said["continues"], "first_step": 2, "credited_Ah": 12.5, "owed_Ah": 1.25}
    assert json.loads((folder_of(rig) / "run.json").read_text())["follow_on"] == told == expected


@pytest.mark.parametrize(("verb", "args", "code"), [
    ("sign-off", {"result": "pass, 1 scrap " + "x" * 1_800}, "outcome"),
    ("reading", {**DENSITY, "temperature_C": "30 C, 99 min before, instrument X"}, "reading_no_number"),
    ("reading", {**DENSITY, "temperature_C": True}, "reading_no_number"),
])  # fmt: skip
async def test_words_the_record_cannot_hold_as_they_are_meant(tmp_path, verb, args, code):
    """Refused before any cycle sees them, with what would be right; nothing of them is on record."""
    rig = await ended(tmp_path)
    with pytest.raises(Refused) as caught:
        await rig.order(verb, "A01", args)
    assert caught.value.code == code
    assert len(caught.value.text) < 300
    rig.closed()
    assert [row["code"] for row in rig.bath_events() if row["code"] in ("reading", "signed_off")] == []


async def test_a_proof_fills_its_table_and_its_due_day_counts(tmp_path):
    """Item, serial, result, who and when it is due; an overdue one comes to the core, also after a restart."""
    rig = Rig(tmp_path)
    await rig.cycles(2)
    today = time_utc(UTC_MS)[:10]
    told = {"item": "hydrogen sensor", "serial": "007", "result": "=ok", "due": today}
    assert (await rig.order("proof", "A", told)).accepted
    assert rig.recorder.proofs.overdue(UTC_MS) == ()
    assert rig.recorder.proofs.overdue(UTC_MS + DAY_MS) == ("hydrogen",)
    rig.clock.wall_moved_ms = DAY_MS
    with pytest.raises(Refused, match="write it as 2027-03-31"):
        await rig.order("proof", "A", {**told, "due": "soon"})
    rig.closed()
    (row,) = rows_of(tmp_path / "A" / "proofs.csv")
    assert [row[key] for key in ("item", "serial", "result", "by", "due")] == [
        "hydrogen sensor", "007", "'=ok", "anna", today,
    ]  # fmt: skip
    again = Rig(tmp_path)
    assert again.recorder.proofs.overdue(UTC_MS) == ()
    assert again.recorder.proofs.overdue(UTC_MS + DAY_MS) == ("hydrogen",)
    again.clock.wall_moved_ms = DAY_MS
    given = again.service._given
    again.service._now = again.clock.last()
    assert given(1_000, *await again.field.read(1_000), ()).overdue == ("hydrogen",)
    again.closed()


def test_the_newest_proof_of_an_item_and_serial_holds():
    """Another sensor's proof is no proof of this one; proved again without a day it is due no more."""
    rows = [
        {"item": "Hydrogen", "serial": "1", "due": "2026-01-31"},
        {"item": "hydrogen", "serial": "2", "due": "2027-01-31"},
        {"item": "shunt", "serial": "", "due": "2026-02-01"}, {"item": "", "due": "2020-01-01"}, {"due": "x"},
    ]  # fmt: skip
    proofs = Proofs(rows)
    assert proofs.overdue(UTC_MS) == ("hydrogen", "shunt")
    proofs.take(("t", "hydrogen", "1", "ok", "anna", "2026-03-16"))
    proofs.take(("t", "shunt", None, "ok", "anna", ""))
    assert proofs.overdue(UTC_MS) == ()
    assert proofs.overdue(UTC_MS + DAY_MS) == ("hydrogen",)


def test_due_days():
    """A day of the calendar in one form, or nothing."""
    assert (due_day(" 2028-02-29 "), due_day(None), due_day("")) == ("2028-02-29", "", "")
    for wrong in ("2027-02-29", "31.3.2027", 20270331, True, "2027-3-1", "\u0662027-03-31", "x" * 10_000):
        with pytest.raises(ValueError, match=r"due=|day"):
            due_day(wrong)


def test_rows_of_proofs():
    """An inspected contactor is one of its circuit; a refused proof, or another order, leaves none; nothing raises."""
    inspected = {"verb": "inspected", "who": "mia", "reason": None}
    assert proof_cells(Event("accepted", "A01", EventKind.ORDER, inspected), UTC_MS) == (
        time_utc(UTC_MS), "contactor A01", "", "inspected", "mia", "",
    )  # fmt: skip
    assert proof_cells(Event("proof", "A", EventKind.REFUSAL, {"item": "x"}), UTC_MS) is None
    assert proof_cells(Event("accepted", "A01", EventKind.ORDER, {"verb": "block"}), UTC_MS) is None
    odd = {"item": 7, "result": None, "serial": 3.5, "due": "never"}
    assert proof_cells(Event("proof", "A", EventKind.ORDER, odd), UTC_MS)[1:] == ("7", "3.5", "", "", "")
