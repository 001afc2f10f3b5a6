"""A service told to end while its disk takes nothing: it says what is lost, and its exit code is no success."""

from __future__ import annotations

import asyncio
import errno
import gc
import os
import signal
from types import SimpleNamespace

import pytest
from leftkit import BOUND_S, Hall, in_memory

from controller.core.types import ALL_OFF
from controller.records.disk import Disk
from controller.service import leaving
from controller.service.commands import run_service
from controller.service.leaving import BY_HAND, ENDS_ALREADY, Ending, all_written

FULL = os.strerror(errno.ENOSPC)


class Full(Disk):
    """Takes nothing while it is full; `spared`: the folder whose files it takes all the same."""

    def __init__(self) -> None:
        self.full, self.spared = False, ""
        self._folders = {}

    def open(self, path, create=True):
        fd, created = super().open(path, create)
        self._folders[fd] = path.parent.name
        return fd, created

    def write(self, fd, data, offset):
        if self.full and self._folders[fd] != self.spared:
            raise OSError(errno.ENOSPC, FULL)
        super().write(fd, data, offset)


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture
async def hall(tmp_path):
    """A01 and A02 run, with the record on a disk that can be full."""
    yield await on_a_disk_that_fills(Hall(tmp_path / "runs"), runs=True)
    gc.unfreeze()


async def on_a_disk_that_fills(made: Hall, *, runs: bool) -> Hall:
    await (made.running() if runs else made.cycles(3))
    assert made.writer.close()  # no descriptor of the disk before
    made.writer._disk = Full()
    return made


async def ended(hall: Hall) -> int:
    hall.service.ending = True
    return await run_service(hall.service)


def full(hall: Hall, spared: str = "") -> None:
    hall.writer._disk.full, hall.writer._disk.spared = True, spared


async def test_rows_that_no_disk_took_are_told_and_fail_the_exit(hall, capsys):
    """At once that it is tried and how to end that; at the end how many and why; the rectifiers were at zero before."""
    full(hall)
    assert await ended(hall) == 70
    first, last = capsys.readouterr().err.splitlines()
    rows = hall.writer.waiting_rows
    assert rows > 4
    assert first.startswith(f"bath A: every circuit is at zero; {rows} rows wait for the disk: A/")
    assert first.endswith(
        f"{FULL}; it is tried for up to 30 s; Ctrl-C or `kill -TERM {os.getpid()}` ends now, without them"
    )
    assert last.startswith(f"bath A: {rows} rows are NOT on the disk and lost with this process: A/")
    assert last.endswith(FULL)
    assert all(command.set_current_A == 0.0 for command in hall.plant.held)
    assert [command.output_on for command in hall.plant.held] == [ALL_OFF.output_on] * 2


async def test_a_disk_that_takes_all_is_an_end_without_a_word(hall, capsys):
    """Exit 0, nothing on standard error, nothing waits."""
    assert await ended(hall) == 0
    assert (capsys.readouterr().err, hall.writer.waiting_rows) == ("", 0)
    assert [row["text"] for row in hall.bath_events("service_ended")] == ["service ended: done"]


async def test_a_block_that_no_disk_took_is_named(hall, capsys):
    """A01's block is on the disk, A02's is not, and is the last word: hands may be there that nobody will know of."""
    assert (await hall.order("block", "A01")).accepted
    assert hall.writer.commit()
    full(hall)
    assert (await hall.order("block", "A02")).accepted
    assert await ended(hall) == 70
    assert capsys.readouterr().err.splitlines()[2:] == [f"bath A: NOT on the disk: A02: blocked by anna: {BY_HAND}"]


async def test_out_of_use_that_no_disk_took_is_named_with_a_block(tmp_path, capsys):
    """Both of one circuit, and another circuit's block, in one line."""
    hall = await on_a_disk_that_fills(Hall(tmp_path / "runs"), runs=False)
    full(hall)
    assert (await hall.order("out-of-use", "A02", {"reason": "cracked lead"})).accepted
    for name in ("A01", "A02"):
        assert (await hall.order("block", name)).accepted
    assert await ended(hall) == 70
    said = "A01: blocked by anna; A02: blocked by anna and out of use (cracked lead)"
    assert capsys.readouterr().err.splitlines()[2:] == [f"bath A: NOT on the disk: {said}: {BY_HAND}"]
    gc.unfreeze()


async def test_a_block_in_a_state_that_was_written_is_not_lost(hall, capsys):
    """Only the runs' folders take nothing: rows are lost, and the next service knows of the block."""
    full(hall, spared="A")
    assert (await hall.order("block", "A02")).accepted
    assert await ended(hall) == 70
    assert [" rows are NOT on the disk" in line for line in capsys.readouterr().err.splitlines()] == [False, True]
    again = Hall(hall.runs, hall.plant)
    assert again.left.circuits["A02"].blocked_by == "anna"


async def test_a_block_that_nobody_kept_is_named_though_the_disk_takes_all(hall, capsys):
    """A cycle that failed behind its decision: what it decided holds in memory alone."""
    hall.recorder.bath.put_state = lambda content: None
    hall.service._holds.given = lambda mark, state: None
    assert (await hall.order("block", "A02")).accepted
    assert await ended(hall) == 70
    assert capsys.readouterr().err.splitlines() == [f"bath A: NOT on the disk: A02: blocked by anna: {BY_HAND}"]


def test_what_is_no_row_is_lost_in_words_of_its_own(capsys):
    """Where a summary alone found no place nobody reads of nought rows."""
    writer = SimpleNamespace(
        known_trouble=FULL, waiting_rows=0, flush=lambda bound_s: False, close=lambda bound_s, given_up: False
    )
    parts = SimpleNamespace(writer=writer, settings=SimpleNamespace(name="A"))
    service = SimpleNamespace(parts=parts, lost_holds=list)
    assert not all_written(service, Ending(service), at_zero=True)
    last = capsys.readouterr().err.splitlines()[-1]
    assert last == (
        f"bath A: cycles, a summary or the newest state is NOT on the disk and lost with this process: {FULL}"
    )


async def test_a_block_that_was_found_is_not_called_lost(hall, capsys):
    """An earlier service wrote it; this one's disk takes nothing, and the block stands there all the same."""
    assert (await hall.order("block", "A01")).accepted
    hall.end()
    again = Hall(hall.runs, hall.plant)
    again.writer._disk = Full()
    full(again)
    await again.cycles(2)
    assert await ended(again) == 70
    assert [line for line in capsys.readouterr().err.splitlines() if "blocked by" in line] == []


async def test_zero_that_was_not_read_back_is_not_claimed(hall, capsys, monkeypatch):
    """A cycle that fails ends the service: its word on the disk says that zero was only ordered."""
    full(hall)

    async def fails() -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(hall.service, "cycle", fails)
    assert await run_service(hall.service) == 70
    assert "bath A: zero was ordered, NOT read back; " in capsys.readouterr().err.splitlines()[1]


async def told(capsys, words: str) -> str:
    """Wait until that was said; return all that was."""
    said = ""
    async with asyncio.timeout(BOUND_S):
        while words not in said:
            await asyncio.sleep(0)
            said += capsys.readouterr().err
    return said


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_a_signal_gives_up_a_disk_that_is_tried(hall, capsys, monkeypatch, number):
    """Whoever was told that rows wait may end it at once; it still says what is lost, and fails."""
    monkeypatch.setattr(leaving, "TRIES_S", 3 * BOUND_S)
    full(hall)
    hall.writer.start()
    ending = asyncio.create_task(ended(hall))
    said = await told(capsys, f"is tried for up to {3 * BOUND_S:g} s")
    assert "are NOT on the disk" not in said
    os.kill(os.getpid(), number)
    async with asyncio.timeout(BOUND_S):
        assert await ending == 70
    assert "are NOT on the disk and lost with this process" in capsys.readouterr().err


async def test_a_disk_that_comes_back_while_it_is_tried_loses_nothing(hall, capsys):
    """Somebody made room: all is written, the exit is a success, nothing else is said."""
    full(hall)
    hall.writer.start()
    ending = asyncio.create_task(ended(hall))
    await told(capsys, "wait for the disk")
    hall.writer._disk.full = False
    async with asyncio.timeout(BOUND_S):
        assert await ending == 0
    assert (capsys.readouterr().err, hall.writer.waiting_rows) == ("", 0)


async def test_what_is_known_of_the_disk_is_said_without_asking_it_again(hall, capsys, monkeypatch):
    """Two seconds of a person's patience are not spent on a disk that is known to take nothing."""
    full(hall)
    await hall.cycles(1)
    assert not hall.writer.commit()
    monkeypatch.setattr(hall.writer, "flush", lambda _: pytest.fail("asked"))
    assert await ended(hall) == 70
    assert "every circuit is at zero" in capsys.readouterr().err


async def test_signals_to_a_service_that_ends_already_change_nothing(hall, capsys):
    """The first word stands, and nobody is told to press again what does nothing any more."""
    ending = Ending(hall.service)
    ending._end("interrupted", 130)
    ending._end("told to end", 0)
    ending._press()
    assert (ending.why, ending.code, ending.given_up.is_set()) == ("interrupted", 130, False)
    assert capsys.readouterr().err == f"bath A: {ENDS_ALREADY}\n" * 2


async def test_a_service_that_failed_is_not_held_by_a_second_press(hall, capsys):
    """Nothing is controlled any more: a press says that, and asks for no other."""
    ending = Ending(hall.service)
    ending.over = True
    ending._press()
    assert (capsys.readouterr().err, hall.service.ending) == (f"bath A: {ENDS_ALREADY}\n", False)


async def test_one_press_asks_and_the_second_in_time_ends(hall, capsys, monkeypatch):
    """Over five seconds later it is a first press again."""
    now_s = iter((100.0, 105.1, 110.1))
    monkeypatch.setattr(asyncio.get_running_loop(), "time", lambda: next(now_s))
    ending = Ending(hall.service)
    for ends in (False, False, True):
        ending._press()
        assert hall.service.ending is ends
    monkeypatch.undo()
    assert (ending.why, ending.code) == ("interrupted", 130)
    assert capsys.readouterr().err.count("Ctrl-C again within 5 s holds every circuit and ends the service") == 2
