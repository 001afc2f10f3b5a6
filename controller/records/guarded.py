"""Places in which nothing but a record's own files may stand: no other command writes its output there. Looks only."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from controller.records.finding import HEAD, RUN_NAME, holds, is_of_a_bath
from controller.records.statefile import LIMITS
from profiles.problems import clean

_RELEASES = "releases"
_ARCHIVE_BEGINS = b"PK"
"""First bytes of every zip file, an empty one as well."""


def guarded(path: Path) -> str | None:
    """Why no file may be written at `path`, in words that follow its name; None: it is no record's place.

    Links are followed: what counts is where the file would be, and what stands there now.
    """
    try:
        with suppress(FileNotFoundError):
            path.stat()
        # A link's own place counts as well as what it leads to.
        ways = {path.parent.resolve() / path.name, path.resolve()}
    except (OSError, RuntimeError, ValueError):
        return "leads nowhere that can be written to: look at its links"
    for place in sorted(ways):
        if (owner := next(_owners(place), None)) is not None:
            return f"would stand in {owner}, which holds a record and nothing else"
        if holds(lambda place=place: _is_archive(place)):  # type: ignore[misc]
            return "is an archive: name another file"
    return None


def _owners(place: Path) -> Iterator[str]:
    """The folders of records above a place, in words."""
    for folder in place.parents:
        if RUN_NAME.match(folder.name.lstrip(".")) or holds((folder / HEAD).is_file):
            yield f"the run folder {clean(str(folder))}"
    home = place.parent.parent if place.parent.name == _RELEASES else place.parent
    if holds(lambda: any(_is_of_a_bath(each) for each in home.iterdir())):
        yield f"a bath's own folder {clean(str(home))}"


def _is_of_a_bath(path: Path) -> bool:
    return (path.name == LIMITS or is_of_a_bath(path.name)) and path.is_file()


def _is_archive(place: Path) -> bool:
    if not place.is_file():
        return False
    with place.open("rb") as file:
        return file.read(len(_ARCHIVE_BEGINS)) == _ARCHIVE_BEGINS
