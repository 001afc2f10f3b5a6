"""Files of an archived run, read with suspicion: what an archive claims of itself is not believed.

Names, kinds, sizes and how densely it is packed are looked at before anything is unpacked; check sums while it is. So
an archive made to harm unpacks to no more than its log 25 times, its cycles 6 times, all else 100 times as large as
they are packed, and ten megabytes; reading that costs what it costs in a folder, where no file may be larger either.

Two kinds are read. One as archiving here packs it, asked for by its run's name: no byte of it may lie outside its files
and its list of them, no date, further field or remark of a file differ from what archiving writes, so that there is
nowhere to change one unseen. And (run None) any zip file with one top folder that holds a run.json, whoever packed it
and whatever it is called: dates and remarks are not looked at, the record's files have their own hashes. All others are
to be unpacked (`Unlike`): their folder can be read.
"""

from __future__ import annotations

import copy
import io
import stat
import struct
import zipfile
import zlib
from pathlib import Path
from typing import IO, BinaryIO, cast

from controller.records.errors import RecordError
from controller.records.place import DATED, LARGEST_FILE
from profiles.problems import clean

MOST_FILES = 1000
LARGEST_LIST = 200_000
"""Bytes of an archive's own list of its files: a thousand of them."""
DENSEST = 100
"""So many times may a file be larger than it is packed: a thousand notes of a thousand letters, all alike, have 50."""
DENSEST_OF = {"log.csv": 25, "cycles.bin": 6, "cycles.tail": 6}
"""The same of a record's large files. A row ends in eight bytes that nothing shrinks: a log of twenty hours packs to a
fifth, an hour of rows all alike to an eleventh. Cycles are packed already: blocks all alike go to a half (measured)."""
SMALL = 1_000_000
"""Files up to this size may be packed as densely as they like."""
MOST_SMALL = 10 * SMALL
"""What all files together may be larger than `DENSEST` allows: a record has nine."""

_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_FLAGS = (0, 0x800)  # none, or: the name is UTF-8
_UNIX, _VERSION = 3, 20  # whose kinds of files, and of which version of the format
_END = struct.Struct("<4s4H2LH")
_FILE = struct.Struct("<4s5H3L2H")
_LINE = struct.Struct("<4s4B4H3L5H2L")
_FILE_MARK, _LINE_MARK, _DATE = b"PK\3\4", b"PK\1\2", (DATED[0] - 1980) << 9 | DATED[1] << 5 | DATED[2]
_OTHERS = "is packed in a way that archives here never are: unpack it with any zip program, its folder can be read"
_UNLIKE = "is no archive that formbath packs: unpack it, its folder can be read"
_FREE_FLAGS = 0x80E
"""Of a zip file packed elsewhere: how hard it was pressed, sizes behind the bytes, the name is UTF-8."""
_BESIDE = "__MACOSX/"
"""What one system's programs pack beside the files: nothing of a record."""
_HEAD = "run.json"
_STEP_BYTES = 1 << 14
_END_MARK, _END64_MARK, _END64_SIZE = b"PK\5\6", b"PK\6\7", 20
_WRONG = (
    OSError, EOFError, zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, RuntimeError, ValueError,
    OverflowError, LookupError,
)  # fmt: skip


class Unlike(RecordError):
    """A zip file, but none whose files can be read as those of a record."""


def run_of(path: Path) -> str:
    """The folder that the one run in a zip file stands in; RecordError: it cannot be read, or (Unlike) holds none."""
    with _opened(path) as archive:
        return _any_entries(archive, path)[0]


def names(path: Path, run: str | None) -> tuple[str, ...]:
    """The files of the archive of the run folder `run`, sorted; RecordError: it is none that can be read."""
    with _opened(path) as archive:
        return tuple(sorted(_entries(archive, path, run)))


def size(path: Path, run: str | None, name: str) -> int | None:
    """Bytes that a file has once it is unpacked; None: it is not there."""
    with _opened(path) as archive:
        entry = _entries(archive, path, run).get(name)
    return None if entry is None else entry.file_size


def open_member(path: Path, run: str | None, name: str) -> BinaryIO | None:
    """One file to be read from its beginning; None: it is not there. The caller closes it."""
    archive = _opened(path)
    try:
        entry = _entries(archive, path, run).get(name)
        if entry is None:
            archive.close()
            return None
        return cast("BinaryIO", _Member(archive, entry, f"{clean(str(path))}: {clean(name)}"))
    except BaseException:
        archive.close()
        raise


def _opened(path: Path) -> zipfile.ZipFile:
    try:
        packed = _look_at_end(path)
        archive = zipfile.ZipFile(path)
        if sum(entry.file_size for entry in archive.infolist()) > MOST_SMALL + DENSEST * packed:
            archive.close()
            raise Unlike(f"{clean(str(path))}: unpacks to far more than any record")
        return archive
    except RecordError:
        raise
    except _WRONG as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise RecordError(f"{clean(str(path))}: is no archive that can be read: {clean(why, 100)}") from None


def _look_at_end(path: Path) -> int:
    """The archive's bytes; a list of files that would itself fill the memory is refused before anything parses it."""
    with path.open("rb") as file:
        length = file.seek(0, io.SEEK_END)
        file.seek(max(0, length - _END.size - _END64_SIZE))
        tail = file.read()
    if len(tail) < _END.size or not tail[-_END.size :].startswith(_END_MARK):
        raise RecordError(f"{clean(str(path))}: is no archive that can be read: it does not end as one")
    _, disk, first, here, files, list_bytes, list_at, comment = _END.unpack(tail[-_END.size :])
    large = tail[: -_END.size].startswith(_END64_MARK) or files > MOST_FILES or list_bytes > LARGEST_LIST
    if large or disk or first or here != files or comment or list_at + list_bytes + _END.size != length:
        raise Unlike(f"{clean(str(path))}: {_OTHERS}")
    return length


def _entries(archive: zipfile.ZipFile, path: Path, run: str | None) -> dict[str, zipfile.ZipInfo]:
    """The files of the record by their bare names; RecordError for anything that an archive of ours never holds."""
    if run is None:
        return _any_entries(archive, path)[1]
    found: dict[str, zipfile.ZipInfo] = {}
    at, listed = 0, b""
    for entry in archive.infolist():
        folder, _, name = entry.filename.rpartition("/")
        plain = name.isprintable() and "\\" not in name and entry.orig_filename == entry.filename
        if not name or folder != run or name in found or not plain or name in (".", ".."):
            told = clean(entry.orig_filename, 100)
            raise RecordError(f"{clean(str(path))}: {told!r} has no place in an archive of {clean(run)}")
        if why := _why_not(entry):
            raise RecordError(f"{clean(str(path))}: {clean(name, 100)}: {why}")
        head, line = _described(entry)
        if entry.header_offset != at or _bytes_at(archive, at, len(head)) != head:
            raise RecordError(f"{clean(str(path))}: {clean(name, 100)}: {_OTHERS}")
        found[name] = entry
        at, listed = at + len(head) + entry.compress_size, listed + line
    if at != archive.start_dir or _bytes_at(archive, at, len(listed)) != listed:
        raise RecordError(f"{clean(str(path))}: {_OTHERS}")
    return found


def _any_entries(archive: zipfile.ZipFile, path: Path) -> tuple[str, dict[str, zipfile.ZipInfo]]:
    """The one folder of any zip file and its files by their bare names; Unlike: it is not of that form."""
    found: dict[str, zipfile.ZipInfo] = {}
    folders: set[str] = set()
    ends = 0
    for entry in sorted(archive.infolist(), key=lambda entry: entry.header_offset):
        if entry.header_offset < ends:
            raise Unlike(f"{clean(str(path))}: {_UNLIKE}")
        ends = entry.header_offset + _FILE.size + entry.compress_size
        if entry.filename.startswith(_BESIDE):
            continue
        folder, _, name = entry.filename.partition("/")
        folders.add(folder)
        plain = entry.filename.isprintable() and "\\" not in entry.filename and entry.orig_filename == entry.filename
        if not plain or folder in ("", ".", "..") or "/" in name or name in found or name in (".", ".."):
            raise Unlike(f"{clean(str(path))}: {_UNLIKE} ({clean(entry.orig_filename, 100)!r} has no place in one)")
        if not name:
            continue  # the folder's own entry
        if why := _why_not_any(entry):
            raise Unlike(f"{clean(str(path))}: {clean(name, 100)}: {why}")
        found[name] = entry
    if len(folders) != 1 or _HEAD not in found or ends > archive.start_dir:
        raise Unlike(f"{clean(str(path))}: {_UNLIKE}")
    return folders.pop(), found


def _described(entry: zipfile.ZipInfo) -> tuple[bytes, bytes]:
    """What stands before a file's packed bytes, and in the list at the end, as archiving writes it."""
    name = entry.filename.encode("utf-8" if entry.flag_bits else "cp437")
    packing = (entry.flag_bits, entry.compress_type, 0, _DATE, entry.CRC, entry.compress_size, entry.file_size)
    head = _FILE.pack(_FILE_MARK, _VERSION, *packing, len(name), 0)
    about = (len(name), 0, 0, 0, 0, entry.external_attr, entry.header_offset)
    return head + name, _LINE.pack(_LINE_MARK, _VERSION, _UNIX, _VERSION, 0, *packing, *about) + name


def _bytes_at(archive: zipfile.ZipFile, at: int, count: int) -> bytes:
    if archive.fp is None:
        return b""
    archive.fp.seek(at)
    return archive.fp.read(count)


def _why_not(entry: zipfile.ZipInfo) -> str:
    """Why one file of an archive is not read; empty: it is."""
    if entry.flag_bits not in _FLAGS:
        return _OTHERS
    return _why_not_any(entry) or (_OTHERS if entry.external_attr & 0xFFFF else "")


def _why_not_any(entry: zipfile.ZipInfo) -> str:
    """The same, whoever packed it."""
    if entry.compress_type not in _METHODS or entry.flag_bits & ~_FREE_FLAGS:
        return _OTHERS
    if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG):
        return "is no plain file"
    if entry.file_size > LARGEST_FILE:
        return f"is larger than {LARGEST_FILE // 1_000_000} MB"
    densest = DENSEST_OF.get(entry.filename.rpartition("/")[2], DENSEST)
    if entry.file_size > max(SMALL, densest * entry.compress_size):
        return "is packed more densely than any record"
    return ""


class _Member(io.RawIOBase):
    """One file of an archive as a raw stream that closes the archive with itself and tells damage as RecordError.

    What was unpacked before the damage is given first, as a folder's file would give it.
    """

    def __init__(self, archive: zipfile.ZipFile, entry: zipfile.ZipInfo, told: str) -> None:
        super().__init__()
        self._archive = archive
        self._entry = entry
        self._told = told
        self._stream: IO[bytes] | None = None
        self._sum = 0
        self._trouble: RecordError | None = None

    def readable(self) -> bool:
        """It is for reading."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Read some bytes; RecordError where the packed bytes are damaged, once those before are given."""
        count = 0
        while count < len(buffer) and self._trouble is None:
            try:
                data = self._some(len(buffer) - count)
            except _WRONG as error:
                self._trouble = RecordError(
                    f"{self._told}: cannot be read: {clean(str(error) or type(error).__name__, 100)}"
                )
                break
            if not data:
                break
            buffer[count : count + len(data)] = data
            count += len(data)
        if not count and self._trouble is not None:
            raise self._trouble
        return count

    def _some(self, most: int) -> bytes:
        """Up to so many bytes, in little steps, so that few are lost with a damaged one; none at the whole end."""
        if self._stream is None:
            unproved = copy.copy(self._entry)
            del unproved.CRC  # the library would keep the last bytes back where their sum is wrong
            self._stream = self._archive.open(unproved)
        data = self._stream.read(min(most, _STEP_BYTES))
        self._sum = zlib.crc32(data, self._sum)
        if not data and self._sum != self._entry.CRC:
            raise zipfile.BadZipFile("its check sum is wrong")
        return data

    def close(self) -> None:
        """Give the archive back."""
        if not self.closed:
            if self._stream is not None:
                self._stream.close()
            self._archive.close()
        super().close()
