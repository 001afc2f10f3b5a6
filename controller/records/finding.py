"""Which recorded runs stand below a folder, archived or not, and what their bath's state.json says of them.

Looks at names only, and no deeper than two folders, so that thousands of runs are found at once.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from controller.records.claims import bath_folder, is_held
from controller.records.errors import RecordError
from controller.records.place import SUFFIX, ArchivePlace, FolderPlace, bare, is_archive_name, place_of, read_all
from controller.records.statefile import BATH_LOST, read_state
from controller.records.statefile import NAME as STATE
from profiles.problems import clean

HEAD = "run.json"
RUN_NAME = re.compile(r"\d{8}T\d{6}Z-")
"""How a run folder's name begins: the moment of its start."""

MONTH = re.compile(r"events-(\d{6})\.csv")
"""A bath's own events of one month, in its own folder."""

PROOFS = "proofs.csv"

DEPTH = 2
"""`runs/` holds run folders; `demo-runs/` holds numbered folders that do."""

LARGEST_STATE = 20_000_000
_NOTHING = (errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.ENAMETOOLONG)


def holds(ask: Callable[[], bool]) -> bool:
    """What the system says of a file; no where it cannot say: a link to itself, or to a name too long, is nothing."""
    try:
        return ask()
    except (OSError, ValueError):
        return False


def is_run(path: Path) -> bool:
    """Whether a folder or an archive looks like a record: by its run.json, else by its name."""
    if holds(path.is_dir):
        return holds((path / HEAD).exists) or RUN_NAME.match(path.name) is not None
    return is_archive_name(path.name) and holds(path.is_file)


def is_bath_folder(path: Path) -> bool:
    """Whether a folder is a bath's own, beside its runs: it holds what a service keeps there, and no run.json."""
    if not holds(path.is_dir) or holds((path / HEAD).exists):
        return False
    return holds(lambda: any(is_of_a_bath(each.name) for each in path.iterdir()))


def is_of_a_bath(name: str) -> bool:
    """Whether a file's name is one of a bath's own folder: a month of events, proofs, the state."""
    return name in (PROOFS, STATE) or MONTH.fullmatch(name) is not None


def run_paths(folders: Sequence[Path], tell: Callable[[str], None] | None = None) -> list[Path]:
    """Every record below these folders, each once, whatever ways lead to it; a record named itself counts, too.

    Where a run stands there both as a folder and as an archive, the folder counts as long as it has its run.json. Links
    are followed where a person names them and nowhere below; `tell` hears which are left out, and which zip files hold
    no run. RecordError: a folder that was named is not there, or cannot be read.
    """
    found: dict[tuple[int, int], Path] = {}
    seen: set[tuple[int, int]] = set()
    for folder in folders:
        _must_be_there(folder)
        if is_run(folder):
            _must_be_record(folder)
            found.setdefault(_identity(folder), folder)
        elif not holds(folder.is_dir):
            raise RecordError(f"{folder}: is neither a folder of runs nor an archived run")
        elif _identity(folder) not in seen:
            seen.add(_identity(folder))
            for path in _below(folder, DEPTH, tell or _unheard):
                found.setdefault(_identity(path), path)
    return list(found.values())


def _must_be_there(folder: Path) -> None:
    told = clean(str(folder), 200)
    try:
        there = folder.exists()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise RecordError(f"{told}: cannot be read: {why}") from None
    if not there:
        raise RecordError(f"{told}: there is no such folder")


def _must_be_record(path: Path) -> None:
    """RecordError where somebody named a zip file that holds no run."""
    try:
        place_of(path)
    except RecordError as error:
        raise RecordError(f"{clean(str(path), 200)}: {error}") from None


def _unheard(_: str) -> None:
    """Nobody wants to hear of what is left out."""


def _identity(path: Path) -> tuple[int, int]:
    """What a path leads to, the same for every way to it. RecordError: nothing any more."""
    try:
        found = path.stat()
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from None
    return found.st_dev, found.st_ino


def _below(folder: Path, depth: int, tell: Callable[[str], None]) -> Iterator[Path]:
    try:
        with os.scandir(folder) as listing:
            # Hidden ones are none: among them what is just being archived, or taken away.
            entries = sorted((each for each in listing if not each.name.startswith(".")), key=lambda each: each.name)
    except OSError as error:
        raise RecordError(f"{folder}: cannot be read: {error.strerror}") from None
    archives = {entry.name for entry in entries if is_archive_name(entry.name) and holds(entry.is_file)}
    packed: dict[str, str] = {}
    for entry in entries:
        path = folder / entry.name
        if entry.is_symlink():
            if entry.name in archives or holds(entry.is_dir):
                tell(f"{path}: left out, it is a link: name what it leads to")
        elif holds(entry.is_dir):
            if _is_run_folder(path, archives):
                yield path
            elif depth > 1 and RUN_NAME.match(entry.name) is None:
                yield from _below_if_readable(path, depth - 1, tell)
        elif entry.name in archives and not _stands_unpacked(path):
            if (why := _why_no_run(path)) is not None:
                tell(f"{path}: left out: {why}")
            elif (first := _first_of(path, packed, archives)) is not None:
                tell(f"{path}: left out, it holds the same run as {first} beside it")
            else:
                yield path


def _is_run_folder(path: Path, archives: set[str]) -> bool:
    """Whether a folder is a record; without run.json, beside its archive, it is what an interrupted removal left."""
    if holds((path / HEAD).exists):
        return True
    looks_so = RUN_NAME.match(path.name) is not None and not path.name.endswith(f"{SUFFIX}.new")
    return looks_so and f"{path.name}{SUFFIX}" not in archives


def _stands_unpacked(archive: Path) -> bool:
    """Whether the folder of an archive's name stands beside it as a record."""
    return holds((archive.with_name(archive.name.removesuffix(SUFFIX)) / HEAD).exists)


def _why_no_run(archive: Path) -> str | None:
    """Why a zip file among runs is none of them; None: it is one, by its run.json or by its name's beginning."""
    if RUN_NAME.match(archive.name) is not None:
        return None
    try:
        ArchivePlace(archive).size(HEAD)
    except RecordError as error:
        return bare(archive, error)
    return None


def _first_of(archive: Path, packed: dict[str, str], archives: set[str]) -> str | None:
    """What else in its folder holds the run of an archive, where the archive is called otherwise; None: nothing."""
    run = ArchivePlace(archive).name
    own = f"{run}{SUFFIX}"
    if archive.name != own:
        if holds((archive.with_name(run) / HEAD).exists):
            return run
        if own in archives:
            return own
    first = packed.setdefault(run, archive.name)
    return None if first == archive.name else first


def must_be_folder(runs: Path, name: str) -> None:
    """RecordError where a run is archived: nothing is added to an archive."""
    if not holds((runs / name / HEAD).exists) and holds((runs / f"{name}{SUFFIX}").exists):
        raise RecordError(
            f"{name} is archived: unpack {name}{SUFFIX} beside itself with any zip program, then write; "
            "formbath runs --archive packs it again"
        )


def _below_if_readable(folder: Path, depth: int, tell: Callable[[str], None]) -> Iterator[Path]:
    """The same for a folder that nobody named: one that may not be read holds nothing for this person."""
    try:
        yield from list(_below(folder, depth, tell))
    except RecordError:
        return


@dataclass(frozen=True)
class Standing:
    """What every state.json beside a run says: names of open runs, and of ended ones that are not unloaded.

    `open`: a service has them open, or nobody can say whether one runs. `left`: no service runs for their bath; the
    next one goes on with them.
    `problems`: by the bath's folder, what is wrong with a state file that cannot be read, so that nobody can say which
    of that bath's runs are open; "" is the folder of runs itself, and means all. `baths`: how many stand there.
    """

    open: frozenset[str] = frozenset()
    ended: frozenset[str] = frozenset()
    problems: Mapping[str, str] = field(default_factory=dict)
    baths: int = 0
    left: frozenset[str] = frozenset()

    def problem_of(self, bath: str) -> str | None:
        """Why nobody can say which runs of a bath are open; None: it is known. Of a run without a bath: any reason."""
        if not bath:
            return next(iter(self.problems.values()), None)
        return self.problems.get("", self.problems.get(bath_folder(Path(), bath).name))


@dataclass
class Standings:
    """The standing of each folder of runs, read once."""

    _known: dict[Path, Standing] = field(default_factory=dict)

    def of(self, folder: Path) -> Standing:
        """What stands in `<folder>/<bath>/state.json`, for all baths there are."""
        if folder not in self._known:
            self._known[folder] = _standing(folder)
        return self._known[folder]


def open_by_service(run: Path) -> bool | None:
    """Whether the state.json of the baths beside a run has it open; None: nobody can say.

    One that was left by a service that was killed counts as well: the next one goes on with it, and closes it.
    """
    standing = Standings().of(run.parent)
    if run.name.removesuffix(SUFFIX) in standing.open | standing.left:
        return True
    return False if standing.baths and not standing.problems else None


def _standing(folder: Path) -> Standing:
    opened: set[str] = set()
    left: set[str] = set()
    ended: set[str] = set()
    problems: dict[str, str] = {}
    try:
        with os.scandir(folder) as listing:
            places = sorted(folder / entry.name / STATE for entry in listing)
    except OSError as error:
        return Standing(problems={"": f"{folder}: cannot be read: {error.strerror}"})
    baths = 0
    for path in places:
        if not _may_be_there(path):
            continue
        baths += 1
        try:
            plain = _state(path)
        except (RecordError, ValueError, RecursionError) as error:
            problems[path.parent.name] = f"{path.parent.name}/{STATE}: {bare(path, error)}"
            continue
        ended |= _names(plain.get("ended_runs"))
        if names := _names(plain.get("open_runs")):
            # A service that leaves no mark to be asked for keeps no such count either: of it nobody can say.
            is_left = BATH_LOST in plain and is_held(path.parent) is False
            (left if is_left else opened).update(names)
    return Standing(frozenset(opened), frozenset(ended), problems, baths, frozenset(left))


def _names(part: object) -> set[str]:
    """The runs that a part of state.json names, by circuit."""
    return {str(name) for name in part.values()} if isinstance(part, dict) else set()


def _may_be_there(path: Path) -> bool:
    """Whether something stands at a path, or nobody may look; no where nothing can: below a file, or an odd link."""
    try:
        path.lstat()
    except OSError as error:
        return error.errno not in _NOTHING
    return True


def _state(path: Path) -> dict[str, object]:
    place = FolderPlace(path.parent)
    if (place.size(path.name) or 0) > LARGEST_STATE:
        raise RecordError("is absurdly large")
    plain, trouble = read_state(read_all(place, path.name))
    if plain is None:
        raise RecordError((trouble or "is empty").removeprefix(f"{path.name}: "))
    return plain
