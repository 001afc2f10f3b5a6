"""A service told to end while its disk takes nothing: it says what is lost, and its exit code is no success."""

from __future__ import annotations

import errno
import gc
import os

import pytest
from leftkit import Hall, in_memory

from controller.core.types import ALL_OFF
from controller.records.disk import Disk
from controller.service.commands import run_service


class Full(Disk):
    """Takes nothing while it is full."""

    full = False

    def write(self, fd, data, offset):
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().write(fd, data, offset)


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture
async def hall(tmp_path):
    """A01 and A02 run, with the record on a disk that can be full."""
    made = await Hall(tmp_path / "runs").running()
    made.writer._disk = Full()
    yield made
    gc.unfreeze()


async def ended(hall: Hall) -> int:
    hall.service.ending = True
    return await run_service(hall.service)


async def test_rows_that_no_disk_took_are_told_and_fail_the_exit(hall, capsys):
    """One line names how many and why; the rectifiers were at zero before."""
    hall.writer._disk.full = True
    assert await ended(hall) == 70
    (line,) = capsys.readouterr().err.splitlines()
    rows = hall.writer.waiting_rows
    assert rows > 4
    assert line.startswith(f"bath A: {rows} rows are NOT on the disk and lost with this process: A/")
    assert line.endswith("No space left on device")
    assert all(command.set_current_A == 0.0 for command in hall.plant.held)
    assert [command.output_on for command in hall.plant.held] == [ALL_OFF.output_on] * 2


async def test_a_disk_that_takes_all_is_an_end_without_a_word(hall, capsys):
    """Exit 0, nothing on standard error, nothing waits."""
    assert await ended(hall) == 0
    assert (capsys.readouterr().err, hall.writer.waiting_rows) == ("", 0)
    assert [row["text"] for row in hall.bath_events("service_ended")] == ["service ended: done"]
