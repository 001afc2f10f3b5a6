"""What a crash took of rows and events is said in the first line, as a count; an order that was answered is no such."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
import shortkit
from memoryplace import MemoryPlace, in_memory

from controller.core.moves import restarted
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind, State
from controller.records.due import Due
from controller.records.resume import resume_run
from controller.verify.duecheck import DueCheck
from controller.verify.eventcheck import EventCheck, cells_of
from controller.verify.losses import Bounds, Interruptions
from controller.verify.runfolder import verify_place
from controller.verify.verdict import as_plain, lines

UNTOUCHED = "untouched as far as its own hashes tell"


@pytest.fixture
def runs() -> Iterator[Path]:
    """In memory: nothing here depends on a disk."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        yield Path(folder)


def without_end(folder: Path, name: str, rows: int) -> None:
    """A table as a crash leaves it that took its last rows."""
    path = folder / name
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[: -rows or None]))


def crashed(runs: Path, rows: int, events: int, note_s: int = 20) -> shortkit.ShortRun:
    """A row each second for 61 s, a note `note_s` before the kill, a hold just before it; then back and on."""
    run = shortkit.ShortRun(runs, Random(3), log_s=1)
    for second in range(60, 0, -1):
        run.order("note", text="all well") if second == note_s else run.cycle()
    run.order("hold")
    run.commit()
    without_end(run.folder, "log.csv", rows)
    without_end(run.folder, "events.csv", events)
    run.begin()
    resumed = resume_run(run.folder, run.writer)
    run.state = replace(run.state, circuits=(restarted(resumed.state),))
    run.recorder.adopt("A01", resumed.record, shortkit.UTC_MS + resumed.head.start_ms)
    run.current_A, run.command = 0.0, None
    run.cycle(skip_ms=60_000)
    return run


def told(place: MemoryPlace):
    verdict = verify_place(place)
    plain = as_plain(verdict)
    return verdict, lines(verdict), tuple(plain[key] for key in ("whole", "holds", "crash_rows", "crash_events"))


@pytest.mark.parametrize(
    ("rows", "events", "said"),
    [(31, 1, "31 rows and 1 event"), (1, 0, "1 row"), (0, 1, "1 event"), (0, 0, "")],
)
def test_the_first_line_counts_what_a_crash_took(runs, rows, events, said):
    """Nothing is called wrong, what was cut stays a note each; where nothing is missing nothing is said."""
    verdict, first, counts = told(in_memory(crashed(runs, rows, events).end()))
    assert verdict.wrong == []
    assert counts == (not said, True, rows, events)
    head = f"NOT WHOLE, a crash took {said} that its cycles tell of; what is there is {UNTOUCHED}: " if said else (
        f"whole, and {UNTOUCHED}: ")  # fmt: skip
    assert first[0].startswith(head)
    assert sum("the cycles go on to 0:01:0" in note for note in verdict.notes) == (rows > 0) + (events > 0)


def test_rows_behind_the_end_of_an_open_record_are_not_taken_yet(runs):
    """They may be under way; what an earlier crash took is counted in an open record, too."""
    run = crashed(runs, 3, 0)
    run.commit()
    place = in_memory(run.folder)
    assert told(place)[2] == (False, True, 3, 0)
    assert f"what is there is {UNTOUCHED}; open, never closed; a cut end would not show: " in told(place)[1][0]
    cut = place.files["log.csv"].splitlines(keepends=True)
    verdict, first, counts = told(place.with_file("log.csv", b"".join(cut[:-1])))
    assert (verdict.wrong, counts) == ([], (False, True, 3, 0))
    assert any(note.startswith("log.csv: 1 row missing behind ") for note in verdict.notes)
    assert first[0].startswith("NOT WHOLE, a crash took 3 rows that")


def test_a_lost_order_is_counted_and_named(runs):
    """A slow disk and a kill may take it: hold and stop wait for no disk, others say after a while that it waits."""
    verdict, first, counts = told(in_memory(crashed(runs, 31, 2, 30).end()))
    assert verdict.wrong == []
    assert counts == (False, True, 31, 2)
    assert first[0].startswith("NOT WHOLE, a crash took 31 rows and 2 events that its cycles tell of; ")
    assert any(
        note.startswith("events.csv: order note of 31.000 s and 1 more event are missing") for note in verdict.notes
    )


def order(code="note", who="anna"):
    return Event(code, "A01", EventKind.ORDER, {"order": "o1", "who": who, "verb": "note", "text": "x"})


@pytest.mark.parametrize(
    ("event", "before_ms", "wrong"),
    [
        (order(), 60_000, 0), (order(), 60_001, 1),
        (order("read_back", ""), 60_000, 0), (Event("held", "A01"), 60_000, 0), (Event("held", "A01"), 60_001, 1),
        (replace(order(), kind=EventKind.REFUSAL), 60_000, 0),
    ],
)  # fmt: skip
def test_which_events_a_crash_may_have_taken(event, before_ms, wrong):
    """All of the last minute."""
    check = EventCheck("A01", 0, [])
    check.decided(100_000 - before_ms, [event], None)
    notes = check.finish([(100_000, 200_000)], 300_000, Bounds())
    assert (len(check.lacking), check.missing, len(notes), check.crash_took) == (wrong, wrong, 1 - wrong, 1 - wrong)


def test_what_may_still_come_is_not_taken():
    """Behind the last cycle nothing counts as taken."""
    check = EventCheck("A01", 0, [])
    check.decided(60_000, [order()], None)
    assert len(check.finish([], 100_000, Bounds(behind_ms=1_000, is_open=True))) == 1
    assert (check.lacking, check.crash_took) == ([], 0)


def test_an_order_found_is_not_missing():
    """Its row is there: nothing is said, however long before a crash."""
    row = {**cells_of(order()), "elapsed_s": "60.000"}
    check = EventCheck("A01", 0, [row])
    check.decided(60_000, [order()], None)
    assert check.finish([(100_000, 200_000)], 300_000, Bounds()) == check.lacking == []


@pytest.mark.parametrize(("end_ms", "taken"), [(3_000, 0), (2_000, 1)])
def test_only_rows_before_a_new_beginning_count_as_taken(end_ms, taken):
    """The row due at 2 s, with an interruption behind it: at the end of the cycles it may still come."""
    running = CircuitState("A01", state=State.RUNNING)
    check = DueCheck(Due(1_000, 0), {1_000: [1]}, 0)
    for now_ms in (1_000, 2_000, 3_000)[: 2 if end_ms == 3_000 else 3]:
        check.decided(running, replace(running, now_ms=now_ms), maybe=False)
    at_ms = (2_000,) if end_ms == 3_000 else (2_000, 3_000)
    wrong, notes = check.finish(Interruptions(at_ms))
    assert (wrong, check.crash_took) == ([], taken)
    assert len(notes) == len(at_ms)
