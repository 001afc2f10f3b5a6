"""One run, one record: what was copied under another folder's or file's name counts once, and is named.

Two records are of the same run where their run.json is the same, byte for byte: it says when the run began, and where.
Only simulated runs are played again from the very same beginning: two of them that went differently are two. Heads are
compared by size first, so that among thousands of runs few are read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TypeVar

from controller.records.errors import RecordError
from controller.records.finding import HEAD, RUN_NAME
from controller.records.head import read_plain
from controller.records.place import Place, place_of, read_all
from controller.records.summary import NAME as SUMMARY
from controller.records.tables import TABLES
from controller.runs.takeaway import same

LARGEST_HEAD = 20_000_000
Key = TypeVar("Key")


@dataclass(frozen=True)
class _Copy:
    """A record among others of the same run. `bytes`: of its tables."""

    path: Path
    place: Place
    closed: bool
    bytes: int


def without_copies(paths: Sequence[Path], tell: Callable[[str], None]) -> list[Path]:
    """The records, each run once; `tell` hears of every other one, of which it is a copy, and where they differ.

    Of copies the closed one counts, of those the longest, then the folder, then one called as a run is, then the first.
    """
    left: set[Path] = set()
    for alike in _groups(_groups([paths], _size), _hash):
        for first, *others in _plays([_copy(path) for path in alike]):
            for other in others:
                left.add(other.path)
                tell(f"{other.path}: left out, it holds the same run as {first.path}{_differs(first, other)}")
    return [path for path in paths if path not in left]


def _groups(groups: Iterable[Sequence[Path]], key_of: Callable[[Path], Key | None]) -> Iterator[list[Path]]:
    """Paths that are alike by a key as well; those alone with theirs, or without one, are left out."""
    for group in groups:
        found: dict[Key, list[Path]] = {}
        for path in group:
            try:
                key = key_of(path)
            except RecordError:
                continue  # what is wrong with it is told where it is listed
            if key is not None:
                found.setdefault(key, []).append(path)
        yield from (alike for alike in found.values() if len(alike) > 1)


def _size(path: Path) -> int | None:
    return place_of(path).size(HEAD) or None


def _hash(path: Path) -> bytes:
    return sha256(read_all(place_of(path), HEAD, LARGEST_HEAD)).digest()


def _copy(path: Path) -> _Copy:
    place = place_of(path)
    return _Copy(path, place, _bytes(place, SUMMARY) > 0, sum(_bytes(place, name) for name in TABLES))


def _bytes(place: Place, name: str) -> int:
    try:
        return place.size(name) or 0
    except RecordError:
        return 0


def _plays(copies: list[_Copy]) -> Iterator[list[_Copy]]:
    """Copies of one run each, the one that counts in front: mostly all of them."""
    copies = sorted(copies, key=_rank)
    if not _is_simulated(copies[0].place):
        yield copies
        return
    while copies:
        first = copies[0]
        alike = [first, *(other for other in copies[1:] if _continues(first, other))]
        yield alike
        copies = [one for one in copies if one not in alike]


def _rank(one: _Copy) -> tuple[bool, int, bool, bool]:
    return not one.closed, -one.bytes, not one.path.is_dir(), RUN_NAME.match(one.path.name) is None


def _is_simulated(place: Place) -> bool:
    try:
        return read_plain(read_all(place, HEAD, LARGEST_HEAD)).get("virtual") is True
    except RecordError:
        return False


def _continues(first: _Copy, other: _Copy) -> bool:
    """Whether what the other record holds of the run stands in the first, as far as it goes."""
    try:
        return all(same(other.place, first.place, name, grown=True) for name in TABLES if _bytes(other.place, name))
    except (RecordError, OSError):
        return False


def _differs(first: _Copy, other: _Copy) -> str:
    """What a person must know of a copy that is left out; "": it is the same."""
    if not _continues(first, other):
        return ", but they differ: look at both"
    if (first.closed, first.bytes) != (other.closed, other.bytes):
        return ", which goes further" if first.bytes > other.bytes else ", which is closed"
    return ""
