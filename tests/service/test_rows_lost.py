"""Rows that found no room in memory: who gave the order hears it, and the bath's own are told once there is room."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest
from leftkit import FILE, SETTINGS, Hall, in_memory, rows

from controller.core.types import Event, EventKind
from controller.records.statefile import BATH_LOST
from controller.records.writer import Writer
from controller.service import start
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.kept import FULL, Kept
from controller.service.lostrows import LostRows, lost_before
from controller.service.protocol import Answer
from controller.service.recordroom import not_on_disk
from controller.verify.bathfolder import verify_bath

NOW = Now(0, 0)


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


async def running(runs) -> Hall:
    """A01 runs, all of it is on the disk; orders wait for it."""
    hall = await Hall(runs).running(("A01",))
    flush = partial(not_on_disk, hall.writer)
    hall.desk.kept = Desk(FILE, lambda: NOW, flush, hall.writer.has_dropped).kept
    return hall


def room(hall: Hall, whole: int) -> int:
    """So much memory for rows, seen at once; how much there was."""
    before, hall.writer._limit_bytes = hall.writer._limit_bytes, whole
    hall.writer._measure()
    return before


def kept_count(hall: Hall) -> int:
    return json.loads((hall.runs / "A" / "state.json").read_bytes())[BATH_LOST]


@pytest.mark.parametrize(("verb", "target"), [("note", "A01"), ("hold", "A01"), ("block", "A02")])
async def test_an_order_whose_row_was_dropped_is_not_kept(tmp_path, verb, target):
    """The disk takes all that waits by the time of the answer; the row was never among it, whichever table's it was."""
    hall = await running(tmp_path)
    whole = room(hall, 0)
    args = {"text": "battery 7 was swapped"} if verb == "note" else {}
    answer = await hall.order(verb, target, args)
    assert hall.writer.commit()
    assert (answer.accepted, answer.kept) == (True, False)
    assert FULL in answer.text
    room(hall, whole)
    answer = await hall.order("note", target, {"text": "all well"})
    assert (answer.accepted, answer.kept) == (True, True)


async def test_a_dropped_order_is_told_without_asking_the_disk():
    """Whoever gave another one is answered by the disk."""
    asked = []
    kept = Kept(asked.append, lambda order: order == "gone")
    for verb in ("note", "hold"):
        answer = await kept.answer(verb, Answer(id="gone", accepted=True, text="noted"))
        assert (answer.kept, answer.text.endswith("; noted")) == (False, True)
    assert asked == []
    assert (await kept.answer("note", Answer(id="there", accepted=True))).kept
    assert len(asked) == 1


async def test_a_proof_that_was_dropped_is_its_order_s(tmp_path):
    """A row of proofs.csv counts as one of the order that gave it, also where the room went between the two rows."""
    hall = await running(tmp_path)
    hall.recorder.bath.add_event = lambda row: None
    room(hall, 0)
    data = {"order": "order 7", "who": "anna", "item": "probe A01", "result": "pass"}
    hall.recorder.event(Event("proof", "A", EventKind.ORDER, data=data), 0, None)
    assert hall.writer.has_dropped("order 7")
    assert not hall.writer.has_dropped("")


async def test_what_tells_of_lost_rows_may_be_lost_too(tmp_path):
    """The room may go in between: then it was not told."""
    hall = await running(tmp_path)
    whole = room(hall, 0)
    assert not hall.recorder._tell_lost(0, 3)
    room(hall, whole)
    assert hall.recorder._tell_lost(0, 3)


async def test_no_cycle_looks_for_the_names_of_folders(tmp_path, monkeypatch):
    """They were read before the first cycle: a run begins without asking the disk."""
    hall = Hall(tmp_path)
    monkeypatch.setattr(Path, "iterdir", None)
    await hall.running(("A01",))
    hall.end()


async def test_lost_rows_of_a_bath_are_told_once_there_is_room(tmp_path):
    """A row with their number in the bath's own events; until it is safe, and no longer, state.json holds it."""
    hall = await running(tmp_path)
    whole = room(hall, 0)
    assert (await hall.order("block", "A02")).accepted
    await hall.cycles(2)
    lost = hall.recorder.bath.lost_rows
    assert lost >= 1
    assert hall.writer.commit()
    assert kept_count(hall) == lost
    assert hall.bath_events("rows_lost") == []
    room(hall, whole)
    await hall.cycles(2)
    assert hall.recorder.bath_lost() == lost  # said, and not on the disk yet
    assert hall.writer.commit()
    await hall.cycles(1)
    assert hall.writer.commit()
    (told,) = hall.bath_events("rows_lost")
    assert (float(told["value"]), told["unit"]) == (lost, "rows")
    assert f"{lost} rows" in told["text"]
    assert (kept_count(hall), hall.recorder.bath_lost()) == (0, 0)
    await hall.cycles(3)
    hall.end()
    assert len(hall.bath_events("rows_lost")) == 1
    assert verify_bath(tmp_path / "A").wrong == []


async def test_the_next_service_tells_what_this_one_could_not(tmp_path):
    """Killed while the memory was full, or before what it told was on the disk."""
    hall = await running(tmp_path)
    whole = room(hall, 0)
    assert (await hall.order("block", "A02")).accepted
    await hall.cycles(1)
    assert hall.writer.commit()
    lost = kept_count(hall)
    room(hall, whole)
    await hall.cycles(1)  # told, and killed
    assert lost == hall.recorder.bath.lost_rows > 0
    again = Hall(tmp_path, hall.plant)
    await again.cycles(3)
    assert again.writer.commit()
    await again.cycles(1)
    again.end()
    assert [float(row["value"]) for row in again.bath_events("rows_lost")] == [lost]
    assert kept_count(again) == 0


async def test_what_was_found_damaged_in_a_bath_s_tables_is_told(tmp_path):
    """With the first cycles of a new service, in the bath's own events."""
    hall = await running(tmp_path)
    hall.end()
    (month,) = (tmp_path / "A").glob("events-*.csv")
    month.write_bytes(month.read_bytes().replace(b"service_started", b"service_strated"))
    again = Hall(tmp_path, hall.plant)
    await again.cycles(1)
    assert again.writer.commit()
    await again.cycles(2)
    again.end()
    told = [row["text"] for row in rows(month) if row["code"] == "notice"]
    assert told == [f"{month.name}:4: row 3 is not as it was written, or one before it is missing"]


class Marks:
    """A writer of which a test says what is safe."""

    def __init__(self) -> None:
        self.given = self.settled = 0
        self.has_room = True

    def mark(self) -> tuple[int, int]:
        self.given += 1
        return self.given, self.settled


def test_losses_are_told_one_after_the_other():
    """What found no room either is told again; what is lost meanwhile waits until what was told is safe."""
    lost, writer, told = LostRows(), Marks(), []

    def tell(number: int) -> bool:
        told.append(number)
        return len(told) > 1

    lost.look(0, writer, tell)
    assert (told, writer.given) == ([], 0)
    writer.has_room = False
    lost.look(3, writer, tell)
    writer.has_room = True
    lost.look(3, writer, tell)
    lost.look(4, writer, tell)
    assert (told, lost.untold(4)) == ([3, 4], 4)
    lost.look(6, writer, tell)
    mark = writer.given
    writer.settled = mark - 1
    lost.look(6, writer, tell)
    assert (told, lost.untold(6)) == ([3, 4], 6)
    writer.settled = mark
    lost.look(6, writer, tell)
    assert (told, lost.untold(6)) == ([3, 4, 2], 2)
    lost.look(6, writer, tell)
    writer.settled = writer.given
    lost.look(6, writer, tell)
    assert (told, lost.untold(6)) == ([3, 4, 2], 0)


@pytest.mark.parametrize(("kept", "found"), [(7, 7), (0, 0), (-1, 0), (True, 0), ("7", 0), (None, 0), (7.0, 0)])
def test_a_count_that_is_none_is_none(kept, found):
    """Whatever stands in state.json, and where an older version did not write it."""
    assert lost_before({BATH_LOST: kept}) == found
    assert lost_before({}) == 0


async def test_a_real_service_asks_for_dropped_rows(tmp_path):
    """Put together as `run` does it: its desk knows what its writer dropped."""
    writer = Writer()
    writer.dropped("gone")
    bath = SimpleNamespace(file=FILE, runs_path=tmp_path)
    parts = start._parts(bath, SETTINGS, None, None, writer, SimpleNamespace(begin_ms=0, first_ms=0))
    answers = [await parts.desk.kept.answer("hold", Answer(id=order, accepted=True)) for order in ("gone", "there")]
    assert [answer.kept for answer in answers] == [False, True]
