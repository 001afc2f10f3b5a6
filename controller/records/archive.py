"""Archiving a closed run: its folder becomes one `<run folder>.zip`, proved equal before anything is taken away.

In this order, each step on the disk before the next: the archive is written in a folder `<run folder>.zip.new`; read
back and compared with the folder byte for byte; renamed to its place; only then run.json leaves the folder, after it
the other files, last the folder. So at every moment there is a whole folder, a whole archive, or both. Where both stand
readers take the folder as long as it has its run.json; what an interruption left is finished by the next archiving.

Entries are sorted, deflated, dated 1980-01-01: the same files give the same bytes (as long as zlib is the same).
"""

from __future__ import annotations

import os
import stat
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from controller.records.errors import RecordError
from controller.records.finding import HEAD, Standing
from controller.records.place import LARGEST_FILE, SUFFIX, ArchivePlace, FolderPlace, Place
from controller.records.seen import Seen
from controller.records.verify import verify_run

NEW = ".new"
CHUNK = 1 << 20
DATED = (1980, 1, 1, 0, 0, 0)
SUMMARY = "summary.json"
REPLACED = (SUMMARY, "README.txt")
"""Files that a sign-off may write anew; all others only grow, and run.json never changes."""

Stamp = tuple[int, int, int]


def why_not(run: Seen, standing: Standing) -> str | None:
    """Why a run may not be archived; None: it ended, was unloaded, and is whole."""
    if run.path.is_symlink():
        return "is a link: name the folder it leads to"
    if standing.problems:
        return f"nobody can say whether it is open: {standing.problems[0]}"
    if run.name in standing.open:
        return "is open"
    if run.name in standing.ended:
        return "is not unloaded"
    if run.wrong:
        return f"is damaged: {run.wrong[0]}"
    if not (run.path / SUMMARY).is_file():
        return "was never closed: it has no summary.json"
    try:
        _stamps(run.path)
        verdict = verify_run(run.path, chain_only=True)
    except RecordError as error:
        return str(error)
    return None if verdict.holds else f"is damaged: {verdict.wrong[0]}"


def archive_run(folder: Path, *, keep: bool = False) -> tuple[int, int]:
    """Put a run folder into an archive beside it; `keep` leaves the folder. Returns bytes before and after.

    RecordError: it was not archived; the folder is as it was. An archive that stands there already is replaced where
    the folder holds all of it and more, as after a later reading.
    """
    folder = folder.absolute()
    place = folder.with_name(f"{folder.name}{SUFFIX}")
    stamps = _stamps(folder)
    try:
        _clear_new(place)
        if place.exists():
            _must_have_grown(ArchivePlace(place), FolderPlace(folder))
        if not place.exists() or difference(FolderPlace(folder), ArchivePlace(place)) is not None:
            _put(folder, place, sorted(stamps))
        if not keep:
            if _stamps(folder) != stamps:
                raise RecordError(
                    f"{folder.name}: was written to meanwhile; its archive is behind it, archive it again"
                )
            _take_away(folder)
        return sum(size for _, size, _ in stamps.values()), place.stat().st_size
    except OSError as error:
        raise RecordError(f"{folder.name}: cannot be archived: {error.strerror or error}") from None


def finish(place: Path) -> bool:
    """Take away what an interruption left beside a whole archive; return whether there was anything.

    RecordError: what is left is not what the archive holds; nothing is taken away then.
    """
    place = place.absolute()
    folder = place.with_name(place.name.removesuffix(SUFFIX))
    try:
        left = _clear_new(place)
        if folder.is_symlink() or not folder.is_dir() or (folder / HEAD).exists():
            return left
        archived = ArchivePlace(place)
        for name in _stamps(folder):
            if not _same(FolderPlace(folder), archived, name):
                raise RecordError(f"{folder.name}: {name} is not in {place.name}: look at both")
        if archived.size(HEAD) is None:
            raise RecordError(f"{place.name}: holds no {HEAD}")
        _take_away(folder)
    except OSError as error:
        raise RecordError(f"{folder.name}: cannot be taken away: {error.strerror or error}") from None
    return True


def difference(one: Place, other: Place) -> str | None:
    """The first file that two places do not hold alike; None: they hold the same, byte for byte."""
    names = sorted({*one.names(), *other.names()})
    return next((name for name in names if not _same(one, other, name)), None)


def _stamps(folder: Path) -> Mapping[str, Stamp]:
    """Size, time of change and inode of each file; RecordError where the folder holds anything but plain files."""
    found = {}
    try:
        with os.scandir(folder) as listing:
            for entry in listing:
                seen = entry.stat(follow_symlinks=False)
                name = entry.name
                if not stat.S_ISREG(seen.st_mode):
                    raise RecordError(
                        f"{folder.name}: {name[:100]!r} is no plain file, a run folder holds nothing else"
                    )
                if not name.isprintable() or "\\" in name or seen.st_size > LARGEST_FILE:
                    raise RecordError(f"{folder.name}: {name[:100]!r} cannot be archived: its name or size")
                found[name] = (seen.st_mtime_ns, seen.st_size, seen.st_ino)
    except OSError as error:
        raise RecordError(f"{folder.name}: cannot be read: {error.strerror}") from None
    return found


def _put(folder: Path, place: Path, names: list[str]) -> None:
    """The archive stands at `place`, and is on the disk, and is equal to the folder."""
    beside = place.with_name(f"{place.name}{NEW}")
    beside.mkdir(0o755)
    new = beside / place.name
    fd = os.open(new, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    with os.fdopen(fd, "w+b") as file:
        _pack(file, folder, names)
        file.flush()
        os.fsync(fd)
        with suppress(OSError, AttributeError):
            # What is compared below shall come from the disk, not from memory; a wish, not all systems know it.
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    _sync(beside)
    different = difference(FolderPlace(folder), ArchivePlace(new))
    if different is not None:
        raise RecordError(f"{folder.name}: {different} does not read back from the archive as it stands in the folder")
    new.replace(place)
    _sync(place.parent)
    beside.rmdir()


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


def _take_away(folder: Path) -> None:
    """The folder goes: without its run.json it is no run folder for any reader, so that leaves first, for good."""
    names = sorted(each.name for each in folder.iterdir())
    if HEAD in names:
        (folder / HEAD).unlink()
        _sync(folder)
    for name in names:
        if name != HEAD:
            (folder / name).unlink()
    folder.rmdir()
    _sync(folder.parent)


def _clear_new(place: Path) -> bool:
    """Take away an archive that was never finished; return whether there was one."""
    beside = place.with_name(f"{place.name}{NEW}")
    if not beside.is_dir() or beside.is_symlink():
        return False
    with suppress(FileNotFoundError):
        (beside / place.name).unlink()
    beside.rmdir()
    return True


def _must_have_grown(old: Place, new: Place) -> None:
    """RecordError unless everything the old archive holds is in the folder, changed only as records may change."""
    for name in old.names():
        if name in REPLACED:
            continue
        if not _same(old, new, name, grown=name != HEAD):
            raise RecordError(f"{new.name}: {name} is not a continuation of what {old.path.name} holds: look at both")


def _same(one: Place, other: Place, name: str, *, grown: bool = False) -> bool:
    """Whether both hold a file alike; `grown`: the other may go on where the one ends."""
    first, second = one.open(name), other.open(name)
    try:
        if first is None or second is None:
            return False
        while data := first.read(CHUNK):
            if _exactly(second, len(data)) != data:
                return False
        return grown or not second.read(1)
    finally:
        for stream in (first, second):
            if stream is not None:
                stream.close()


def _exactly(stream: BinaryIO, count: int) -> bytes:
    data = b""
    while len(data) < count and (more := stream.read(count - len(data))):
        data += more
    return data


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
