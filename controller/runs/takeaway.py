"""Taking a run folder away beside its archive, so that whatever happens no row is lost that the archive does not hold.

The folder is first renamed to the hidden `.<run folder>.going`: from then on nobody finds a file of it by its path. It
is then compared once more, byte for byte, with what stands at the archive's place; where anything came meanwhile it is
renamed back. Its run.json goes first, so that what an interruption leaves is never taken for a record.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from controller.records.claims import Claims, bath_folder
from controller.records.errors import RecordError
from controller.records.finding import HEAD
from controller.records.head import read_plain
from controller.records.place import LARGEST_FILE, ArchivePlace, FolderPlace, Place, read_all
from profiles.problems import clean

GOING = ".going"
CHUNK = 1 << 20
LARGEST_HEAD = 20_000_000
SERVED = "a service is running for this bath and may add rows to it: stop it first, or add --keep"
MEANWHILE = "was written to meanwhile; its archive is behind it, archive it again"

Stamp = tuple[int, int, int]


@contextmanager
def alone(folder: Path, record: Place, claims: Claims | None, *, served: bool) -> Iterator[None]:
    """Keep every other archiving out of a run's folder of runs, and (unless `served`) its bath's service, for a while.

    RecordError: somebody is at work there. `claims`: what the caller holds, and goes on holding.
    """
    with Claims() as own:
        if not (own if claims is None else claims).take(folder.parent):
            raise RecordError(f"{folder.name}: not archived: another archiving is at work in this folder of runs")
        if not served and not kept_out(record, own):
            raise RecordError(f"{folder.name}: not archived: {SERVED}")
        yield


def kept_out(record: Place, claims: Claims) -> bool:
    """Whether the service of a record's bath is kept out from now on; False: it runs. RecordError: nobody can say."""
    bath = read_plain(read_all(record, HEAD, LARGEST_HEAD)).get("bath")
    folder = bath_folder(record.path.absolute().parent, bath if isinstance(bath, str) else "")
    try:
        # Where a bath has no folder no service has this record among those it may still write to.
        return claims.take(folder) if folder.is_dir() else True
    except OSError as error:
        raise RecordError(f"{clean(str(folder))}: cannot be locked: {error.strerror}") from None


def stamps_of(folder: Path) -> Mapping[str, Stamp]:
    """Time of change, size and inode of each file; RecordError where the folder holds anything but plain files."""
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
                found[name] = _stamp(seen)
    except OSError as error:
        raise RecordError(f"{folder.name}: cannot be read: {error.strerror}") from None
    return found


def _stamp(seen: os.stat_result) -> Stamp:
    return seen.st_mtime_ns, seen.st_size, seen.st_ino


def take_away(folder: Path, place: Path, stamps: Mapping[str, Stamp], *, part: bool = False) -> None:
    """The folder goes, as it was stamped and as the archive at `place` has it; `part`: it holds only some of its files.

    RecordError: it was written to meanwhile, and stands where it stood.
    """
    going = _going(folder)
    folder.rename(going)
    try:
        sync(folder.parent)
        if part:
            must_hold(ArchivePlace(place, own=True), FolderPlace(going))
        elif difference(FolderPlace(going), ArchivePlace(place, own=True)) is not None:
            raise RecordError(f"{folder.name}: {MEANWHILE}")
        if stamps_of(going) != stamps:
            raise RecordError(f"{folder.name}: {MEANWHILE}")
    except (RecordError, OSError):
        going.rename(folder)
        sync(folder.parent)
        raise
    _remove(going, stamps)


def settle(folder: Path, place: Path) -> None:
    """Take away what an interrupted `take_away` left, or put it back where the archive does not hold all of it.

    RecordError: it can neither go nor come back; nothing is done.
    """
    going = _going(folder)
    if not going.is_dir() or going.is_symlink():
        return
    try:
        must_hold(ArchivePlace(place, own=True), FolderPlace(going))
    except RecordError:
        if os.path.lexists(folder) or not (going / HEAD).exists():
            raise
        going.rename(folder)
        sync(folder.parent)
        raise RecordError(f"{folder.name}: {MEANWHILE}") from None
    _remove(going, stamps_of(going))


def headless(folder: Path) -> bool:
    """Whether something stands there that an interruption left: a folder that is going, or one without its run.json."""
    if _going(folder).is_dir():
        return True
    return folder.is_dir() and not folder.is_symlink() and not (folder / HEAD).exists()


def must_hold(archived: Place, folder: FolderPlace) -> None:
    """RecordError unless a whole archive holds every file of a folder as it is there."""
    if archived.size(HEAD) is None:
        raise RecordError(f"{archived.path.name}: holds no {HEAD}")
    for name in stamps_of(folder.path):
        if not same(folder, archived, name):
            raise RecordError(f"{folder.path.name}: {name} is not in {archived.path.name}: look at both")


def difference(one: Place, other: Place) -> str | None:
    """The first file that two places do not hold alike; None: they hold the same, byte for byte."""
    names = sorted({*one.names(), *other.names()})
    return next((name for name in names if not same(one, other, name)), None)


def same(one: Place, other: Place, name: str, *, grown: bool = False) -> bool:
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


def sync(folder: Path) -> None:
    """New, renamed and removed entries of a folder survive a power cut."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _going(folder: Path) -> Path:
    return folder.with_name(f".{folder.name}{GOING}")


def _remove(going: Path, stamps: Mapping[str, Stamp]) -> None:
    """Remove the stamped files and no others, each only as it was stamped; RecordError leaves what is not so."""
    for name in sorted(stamps, key=lambda name: (name != HEAD, name)):
        if _stamp((going / name).lstat()) != stamps[name]:
            raise RecordError(f"{going.name}: {name} was written to meanwhile: look at it")
        (going / name).unlink()
        if name == HEAD:
            sync(going)
    going.rmdir()
    sync(going.parent)


def _exactly(stream: BinaryIO, count: int) -> bytes:
    data = b""
    while len(data) < count and (more := stream.read(count - len(data))):
        data += more
    return data
