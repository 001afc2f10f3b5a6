"""Whether a bath had a service before, by what stands on its disk without state.json. Reads, changes nothing.

A first start blocks nobody; a lost state.json must not look like one. So anything a service writes counts, run folders
and archived runs too, and what cannot be read counts for the worse.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from controller.records.errors import RecordError
from controller.records.finding import is_of_a_bath
from controller.records.head import read_plain, safe_name
from controller.records.place import SUFFIX, place_of, read_all
from controller.records.statefile import LIMITS
from controller.records.statefile import NAME as STATE
from profiles.problems import clean

ALSO = (LIMITS, "releases/*")
"""What else a service leaves in its bath's own folder, beside what tells such a folder. The space it keeps back is
none: a service takes that before it looks here."""


def names_below(runs: Path, bath: str, said: list[str]) -> list[str]:
    """The names of what may be runs of a bath; `said` gets why they cannot be read."""
    try:
        return sorted(path.name for path in runs.iterdir() if may_be_of(path.name, bath))
    except FileNotFoundError:
        return []
    except OSError as error:
        said.append(f"{runs}: cannot be read: {error.strerror}")
        return []


def may_be_of(name: str, bath: str, circuit: str = "") -> bool:
    """Whether a folder's name may be one of a run; names hold `-` themselves, so only run.json says it."""
    return name.partition("-")[2].startswith(f"{safe_name(bath)}-{f'{safe_name(circuit)}-' if circuit else ''}")


def what_is_left(runs: Path, bath: str, said: list[str]) -> str | None:
    """What is wrong with a state.json without a byte, in words; None: nothing proves that this bath had a service.

    `said`: what could not be looked at.
    """
    own = runs / safe_name(bath)
    if (own / STATE).exists():
        return "is empty"
    found = next(_of_a_service(own), None)
    if found is not None:
        return f"is missing, although {clean(str(found.relative_to(runs)))} is there"
    if any(_is_run_of(runs / name, bath) for name in names_below(runs, bath, said)):
        return "is missing, although runs of this bath are on record"
    return None


def _of_a_service(own: Path) -> Iterator[Path]:
    """What proves a service, in the bath's own folder, which need not be there."""
    yield from (each for each in sorted(own.glob("*")) if is_of_a_bath(each.name))
    for pattern in ALSO:
        yield from sorted(own.glob(pattern))


def _is_run_of(path: Path, bath: str) -> bool:
    """Whether a folder or an archive is a run of this bath, or may be one that cannot be read any more."""
    if not path.is_dir() and not path.name.endswith(SUFFIX):
        return False
    try:
        return read_plain(read_all(place_of(path), "run.json")).get("bath") == bath
    except RecordError:
        return True
