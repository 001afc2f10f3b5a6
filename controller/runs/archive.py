"""Archiving a closed run: its folder becomes one `<run folder>.zip`, proved equal before anything is taken away.

In this order, each step on the disk before the next: the archive is written under a hidden name of this attempt alone,
read back, compared with the folder byte for byte, and renamed to its place; then the folder is taken away (`takeaway`).
So at every moment there is a whole folder, a whole archive, or both. Where both stand readers take the folder as long
as it has its run.json; what an interruption left is finished by the next archiving.

Nobody else may be at work there: the folder of runs is locked against a second archiving, the bath's own folder against
its service. A service adds rows to closed records, and a rename takes no open file from it: so beside a running one no
folder is taken away. `keep` only reads, and goes on beside it.

Entries are sorted, deflated, dated 1980-01-01: the same files give the same bytes (as long as zlib is the same).
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
import zipfile
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from controller.records.claims import Claims
from controller.records.errors import RecordError
from controller.records.finding import HEAD, Standing
from controller.records.place import DATED, SUFFIX, ArchivePlace, FolderPlace, Place
from controller.runs.seen import Seen
from controller.runs.takeaway import (
    CHUNK,
    SERVED,
    alone,
    difference,
    headless,
    kept_out,
    must_hold,
    same,
    settle,
    stamps_of,
    sync,
    take_away,
)
from controller.verify.runfolder import verify_run

NEW = ".new"
SUMMARY = "summary.json"
IS_OPEN, NOT_UNLOADED = "is open", "is not unloaded"
LEFT = "is unclosed: the next service of its bath goes on with it"
IN_ITS_TIME = (IS_OPEN, LEFT, NOT_UNLOADED)
"""Why a run is not archived yet, where nothing is wrong with it."""
REPLACED = (SUMMARY, "README.txt")
"""Files that a sign-off may write anew; all others only grow, and run.json never changes."""


def why_not(run: Seen, standing: Standing, *, keep: bool = False) -> str | None:
    """Why a run may not be archived; None: it ended, was unloaded, is whole, and (unless `keep`) no service runs."""
    if run.path.is_symlink():
        return "is a link: name the folder it leads to"
    if (problem := standing.problem_of(run.bath)) is not None:
        return f"nobody can say whether it is open: {problem}"
    if run.name in standing.open:
        return IS_OPEN
    if run.name in standing.left:
        return LEFT
    if run.name in standing.ended:
        return NOT_UNLOADED
    if run.wrong:
        return f"is damaged: {run.wrong[0]}"
    if not (run.path / SUMMARY).is_file():
        return "was never closed: it has no summary.json"
    try:
        stamps_of(run.path)
        verdict = verify_run(run.path, chain_only=True)
        if not verdict.holds:
            return f"is damaged: {verdict.wrong[0]}"
        with Claims() as claims:
            return None if keep or kept_out(FolderPlace(run.path), claims) else SERVED
    except RecordError as error:
        return str(error)


def archive_run(folder: Path, *, keep: bool = False, claims: Claims | None = None) -> tuple[int, int]:
    """Put a run folder into an archive beside it; `keep` leaves the folder. Returns bytes before and after.

    RecordError: it was not archived; the folder is as it was. An archive that stands there already is replaced where
    the folder holds all of it and more, as after a later reading. `claims`: what the caller holds already.
    """
    folder = folder.absolute()
    place = folder.with_name(f"{folder.name}{SUFFIX}")
    try:
        with alone(folder, FolderPlace(folder), claims, served=keep):
            _clear_new(place)
            settle(folder, place)
            stamps = stamps_of(folder)
            if place.exists():
                _must_have_grown(ArchivePlace(place, own=True), FolderPlace(folder))
            if not place.exists() or difference(FolderPlace(folder), ArchivePlace(place, own=True)) is not None:
                _put(folder, place, sorted(stamps))
            after = place.stat().st_size
            if not keep:
                take_away(folder, place, stamps)
            return sum(size for _, size, _ in stamps.values()), after
    except OSError as error:
        raise RecordError(f"{folder.name}: cannot be archived: {error.strerror or error}") from None


def finish(place: Path, *, claims: Claims | None = None) -> bool:
    """Take away what an interruption left beside a whole archive; return whether there was anything.

    RecordError: what is left is not what the archive holds, or somebody is at work there; nothing is lost then.
    """
    place = place.absolute()
    folder = place.with_name(place.name.removesuffix(SUFFIX))
    try:
        if not (_new_of(place).is_dir() or headless(folder)):
            return False
        if ArchivePlace(place).name != folder.name:
            return False  # a renamed one: what stands beside it is not its folder
        with alone(folder, ArchivePlace(place, own=True), claims, served=False):
            left = _clear_new(place)
            if not headless(folder):
                return left
            settle(folder, place)
            if headless(folder):
                must_hold(ArchivePlace(place, own=True), FolderPlace(folder))
                take_away(folder, place, stamps_of(folder), part=True)
    except OSError as error:
        raise RecordError(f"{folder.name}: cannot be taken away: {error.strerror or error}") from None
    return True


def _put(folder: Path, place: Path, names: list[str]) -> None:
    """The archive stands at `place`, and is on the disk, and is equal to the folder."""
    beside = _new_of(place)
    beside.mkdir(0o755)
    new = Path(tempfile.mkdtemp(dir=beside)) / place.name
    fd = os.open(new, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    with os.fdopen(fd, "w+b") as file:
        _pack(file, folder, names)
        file.flush()
        os.fsync(fd)
        with suppress(OSError, AttributeError):
            # What is compared below shall come from the disk, not from memory; a wish, not all systems know it.
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        sync(new.parent)
        different = difference(FolderPlace(folder), ArchivePlace(new, own=True))
        if different is not None:
            raise RecordError(
                f"{folder.name}: {different} does not read back from the archive as it stands in the folder"
            )
        _must_be_mine(new, fd)
        new.replace(place)
        sync(place.parent)
        _must_be_mine(place, fd)
    shutil.rmtree(beside)


def _must_be_mine(path: Path, fd: int) -> None:
    """RecordError unless a name leads to the very file that was written here."""
    named, written = path.lstat(), os.fstat(fd)
    if (named.st_dev, named.st_ino) != (written.st_dev, written.st_ino):
        raise RecordError(f"{path.name}: somebody put another file there meanwhile: look at it")


def _pack(file: BinaryIO, folder: Path, names: list[str]) -> None:
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            entry = zipfile.ZipInfo(f"{folder.name}/{name}", DATED)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = (stat.S_IFREG | 0o644) << 16
            fd = os.open(folder / name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
            with os.fdopen(fd, "rb") as source, archive.open(entry, "w") as target:
                while data := source.read(CHUNK):
                    target.write(data)


def _new_of(place: Path) -> Path:
    """The hidden folder in which an archive is written."""
    return place.with_name(f".{place.name}{NEW}")


def _clear_new(place: Path) -> bool:
    """Take away an archive that was never finished; return whether there was one."""
    beside = _new_of(place)
    if not beside.is_dir() or beside.is_symlink():
        return False
    shutil.rmtree(beside)
    return True


def _must_have_grown(old: Place, new: Place) -> None:
    """RecordError unless everything the old archive holds is in the folder, changed only as records may change."""
    for name in old.names():
        if name in REPLACED:
            continue
        if not same(old, new, name, grown=name != HEAD):
            raise RecordError(f"{new.name}: {name} is not a continuation of what {old.path.name} holds: look at both")
