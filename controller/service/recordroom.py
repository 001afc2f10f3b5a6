"""The writer of a bath's records with what its file says: memory, space kept back, and a look at the disk."""

from __future__ import annotations

from controller.bathfile import Bath
from controller.core.settings import BathSettings
from controller.core.types import Event
from controller.records.head import safe_name
from controller.records.reserve import NAME, Reserve
from controller.records.space import Space, planned_bytes_h
from controller.records.writer import Writer

BYTES_PER_MB = 1_000_000.0
RESERVE_MB = 64.0
"""Kept back on the disk of a plant whose bath file does not say: what 40 circuits fill in a shift (own choice)."""


SHORT = 1.2
"""Below so many times the hours of its warning the disk is looked at more often: above the tenth that eases it."""


def writer_of(bath: Bath, settings: BathSettings) -> tuple[Writer, tuple[Event, ...]]:
    """Return the writer, its reserve taken and its disk looked at; no room for a reserve is told, and stops nothing."""
    runs = bath.file.runs
    told: tuple[Event, ...] = ()
    by_default_MB = 0.0 if settings.virtual else RESERVE_MB
    reserve_MB = by_default_MB if runs.reserve_MB is None else runs.reserve_MB
    reserve = Reserve(bath.runs_path / safe_name(settings.name) / NAME, round(reserve_MB * BYTES_PER_MB))
    try:
        reserve.prepare()
    except OSError as error:
        what = f"no {reserve_MB:g} MB can be kept back for when the disk is full: {error.strerror}"
        told = (Event("notice", settings.name, data={"what": what}),)
    planned = planned_bytes_h(settings.period_ms, log_ms_of(bath))
    short_h = SHORT * settings.laws.record.space_warn_h
    space = Space(bath.runs_path, len(settings.circuits), planned, reserve=reserve, short_h=short_h)
    space.look({})
    return Writer(limit_bytes=round(runs.memory_MB * BYTES_PER_MB), reserve=reserve, space=space), told


def not_on_disk(writer: Writer, longest_s: float) -> str | None:
    """Wait until all that was added is on the disk, but not longer; return why it is not (None: it is).

    Where nobody may wait (`longest_s` 0) return what is known to be wrong.
    """
    if longest_s <= 0.0:
        return writer.known_trouble
    if writer.flush(longest_s):
        return None
    return writer.failing or f"the disk did not answer within {longest_s:g} s"


def log_ms_of(bath: Bath) -> int:
    """Return how often a row is written."""
    return round(bath.file.runs.log_s * 1000)
