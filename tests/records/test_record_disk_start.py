"""What a bath's writer is put together with: memory, space kept back, its disk looked at; and what is told of it."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from controller.bathfile import load_bath, settings_of
from controller.records.disk import Disk
from controller.records.space import planned_bytes_h
from controller.service import recordroom
from controller.service.recordroom import log_ms_of, writer_of

BATH = (Path(__file__).parents[1] / "service" / "small" / "bath.toml").read_text(encoding="utf-8").format(port=1502)
PEOPLE = '[people.technician]\nusers = ["ines"]\n'


def bath_of(folder: Path, runs: str = "", *, virtual: bool = True):
    """The small bath with more in its [runs] table."""
    text = BATH.replace("[runs]\n", f"[runs]\n{runs}\n")
    if not virtual:
        text = text.replace("virtual = true", "virtual = false") + PEOPLE
    (folder / "bath.toml").write_text(text, encoding="utf-8")
    return load_bath(folder / "bath.toml")


def made(bath):
    writer, told = writer_of(bath, settings_of(bath))
    return writer, [event.data["what"] for event in told]


def kept_back(folder: Path) -> int | None:
    path = folder / "runs" / "A" / "kept-back"
    return path.stat().st_size if path.exists() else None


@pytest.mark.parametrize(("virtual", "runs", "size"), [
    (True, "", None),
    (False, "", 64_000_000),
    (False, "reserve_MB = 0", None),
    (True, "reserve_MB = 0.5", 500_000),
    (False, "reserve_MB = 2", 2_000_000),
])  # fmt: skip
def test_a_plant_keeps_space_back_and_a_virtual_bath_only_when_told(tmp_path, virtual, runs, size):
    """64 MB by default, beside the bath's own files; any other size, and none, as the bath file says."""
    writer, told = made(bath_of(tmp_path, runs, virtual=virtual))
    assert kept_back(tmp_path) == size
    assert told == []
    assert writer.trouble is None


@pytest.mark.parametrize(("runs", "limit"), [("", 64_000_000), ("memory_MB = 8.5", 8_500_000)])
def test_memory_is_as_the_bath_file_says(tmp_path, runs, limit):
    """How much may wait while the disk takes nothing."""
    assert made(bath_of(tmp_path, runs))[0].limit_bytes == limit


def test_the_disk_was_looked_at_before_the_first_cycle(tmp_path, monkeypatch):
    """By what this bath's own intervals take: a start must not be let through because nobody looked yet."""
    bath = bath_of(tmp_path)
    assert log_ms_of(bath) == 1_000
    monkeypatch.setattr(Disk, "free_bytes", lambda *_: 10**9)
    assert made(bath)[0].space.hours == pytest.approx(10**9 / planned_bytes_h(1_000, 1_000))


def test_no_room_for_the_reserve_is_told_and_stops_nothing(tmp_path, monkeypatch):
    """A service with less is better than none; who reads the events knows."""

    def full(self, path, size):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Disk, "allocate", full)
    writer, told = made(bath_of(tmp_path, virtual=False))
    assert told == ["no 64 MB can be kept back for when the disk is full: No space left on device"]
    assert writer.commit()
    assert recordroom.RESERVE_MB == 64.0
