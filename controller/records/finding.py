"""Which recorded runs stand below a folder, archived or not, and what their bath's state.json says of them.

Looks at names only, and no deeper than two folders, so that thousands of runs are found at once.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from controller.records.errors import RecordError
from controller.records.place import SUFFIX, ArchivePlace, FolderPlace, read_all

HEAD = "run.json"
RUN_NAME = re.compile(r"\d{8}T\d{6}Z-")
"""How a run folder's name begins: the moment of its start."""

DEPTH = 2
"""`runs/` holds run folders; `demo-runs/` holds numbered folders that do."""

LARGEST_STATE = 20_000_000


def is_run(path: Path) -> bool:
    """Whether a folder or an archive looks like a record: by its run.json, else by its name."""
    if path.is_dir():
        return (path / HEAD).exists() or RUN_NAME.match(path.name) is not None
    return path.name.endswith(SUFFIX) and path.is_file()


def run_paths(folders: Sequence[Path]) -> list[Path]:
    """Every record below these folders, each once; a record named itself counts, too.

    Where a run stands there both as a folder and as an archive, the folder counts as long as it has its run.json.
    RecordError: a folder that was named is not there, or cannot be read.
    """
    found: dict[Path, None] = {}
    for folder in folders:
        if not folder.exists():
            raise RecordError(f"{folder}: there is no such folder")
        if is_run(folder):
            found[folder] = None
        elif folder.is_dir():
            found.update(dict.fromkeys(_below(folder, DEPTH)))
        else:
            raise RecordError(f"{folder}: is neither a folder of runs nor an archived run")
    return list(found)


def _below(folder: Path, depth: int) -> Iterator[Path]:
    try:
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=lambda entry: entry.name)
    except OSError as error:
        raise RecordError(f"{folder}: cannot be read: {error.strerror}") from None
    archives = {entry.name for entry in entries if entry.name.endswith(SUFFIX) and entry.is_file()}
    for entry in entries:
        path = folder / entry.name
        if entry.is_dir():
            if _is_run_folder(path, archives):
                yield path
            elif depth > 1 and not entry.name.startswith(".") and RUN_NAME.match(entry.name) is None:
                yield from _below_if_readable(path, depth - 1)
        elif entry.name in archives and _counts_as_run(path):
            yield path


def _is_run_folder(path: Path, archives: set[str]) -> bool:
    """Whether a folder is a record; without run.json, beside its archive, it is what an interrupted removal left."""
    if (path / HEAD).exists():
        return True
    looks_so = RUN_NAME.match(path.name) is not None and not path.name.endswith(f"{SUFFIX}.new")
    return looks_so and f"{path.name}{SUFFIX}" not in archives


def _counts_as_run(archive: Path) -> bool:
    """Whether an archive is a record, and its folder does not stand beside it; other archives may lie among runs."""
    if (archive.with_name(archive.name.removesuffix(SUFFIX)) / HEAD).exists():
        return False
    if RUN_NAME.match(archive.name) is not None:
        return True
    try:
        return ArchivePlace(archive).size(HEAD) is not None
    except RecordError:
        return False


def must_be_folder(runs: Path, name: str) -> None:
    """RecordError where a run is archived: nothing is added to an archive."""
    if not (runs / name / HEAD).exists() and (runs / f"{name}{SUFFIX}").exists():
        raise RecordError(
            f"{name} is archived: unpack {name}{SUFFIX} beside itself with any zip program, then write; "
            "formbath runs --archive packs it again"
        )


def _below_if_readable(folder: Path, depth: int) -> Iterator[Path]:
    """The same for a folder that nobody named: one that may not be read holds nothing for this person."""
    try:
        yield from list(_below(folder, depth))
    except RecordError:
        return


@dataclass(frozen=True)
class Standing:
    """What every state.json beside a run says: names of open runs, and of ended ones that are not unloaded.

    `problems`: state files that cannot be read, so that nobody can say which runs are open.
    """

    open: frozenset[str]
    ended: frozenset[str]
    problems: tuple[str, ...]


@dataclass
class Standings:
    """The standing of each folder of runs, read once."""

    _known: dict[Path, Standing] = field(default_factory=dict)

    def of(self, folder: Path) -> Standing:
        """What stands in `<folder>/<bath>/state.json`, for all baths there are."""
        if folder not in self._known:
            self._known[folder] = _standing(folder)
        return self._known[folder]


def _standing(folder: Path) -> Standing:
    opened: set[str] = set()
    ended: set[str] = set()
    problems: list[str] = []
    try:
        places = sorted(folder.glob("*/state.json"))
    except OSError as error:
        return Standing(frozenset(), frozenset(), (f"{folder}: cannot be read: {error.strerror}",))
    for path in places:
        try:
            plain = _state(path)
        except (RecordError, ValueError, RecursionError) as error:
            problems.append(f"{path.parent.name}/state.json: {error}")
            continue
        for key, names in (("open_runs", opened), ("ended_runs", ended)):
            part = plain.get(key)
            names.update(str(name) for name in (part.values() if isinstance(part, dict) else ()))
    return Standing(frozenset(opened), frozenset(ended), tuple(problems))


def _state(path: Path) -> dict[str, object]:
    place = FolderPlace(path.parent)
    if (place.size(path.name) or 0) > LARGEST_STATE:
        raise RecordError("is absurdly large")
    plain = json.loads(read_all(place, path.name))
    if not isinstance(plain, dict):
        raise RecordError("is no object")
    return plain
