"""Frames around blocks of cycles: mark, place, length, CRC-32; and finding the whole ones in damaged bytes. Pure."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

FILE_HEAD = b"formbath cycles 2\n"
MARK = b"FBcy"
_HEAD = struct.Struct("<4sQHHI")
_CRC = struct.Struct("<I")
OVERHEAD = _HEAD.size + _CRC.size
LEAST_BODY = 64
"""Bytes of a compressed body; one of a single cycle without a probe has 88 (measured). Less holds next to nothing."""
LARGEST_BODY = 16_000_000
"""Bytes of a compressed body; one of 360 cycles has some kilobytes (own choice)."""
_WORK = 4
"""So many times the file's size are checked for false marks, and `_LEAST_WORK` bytes; then it is given up."""
_LEAST_WORK = 1_000_000
_MOST_FALSE = 100_000
"""False marks looked at: by chance one stands in 4 GB, and damage makes one of each block. So many blocks may be small,
too."""


@dataclass(frozen=True, slots=True)
class Frame:
    """`count` cycles from the record's cycle number `first` (from 0) on; `body` is compressed. At `[offset, end)`."""

    first: int
    count: int
    body: bytes
    offset: int
    end: int


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes `[offset, end)` that are no whole frame. `given_up`: so many false marks that nobody looked any further."""

    offset: int
    end: int
    given_up: bool = False


def frame(first: int, count: int, body: bytes) -> bytes:
    """The bytes of one frame: mark, first, count, 0, length of the body, CRC-32 of all these and the body, body."""
    head = _HEAD.pack(MARK, first, count, 0, len(body))
    return head + _CRC.pack(zlib.crc32(body, zlib.crc32(head))) + body


def scan(data: bytes, offset: int) -> Iterator[Frame | Damage]:
    """All whole frames from `offset` on, in order, and the stretches between them that are none.

    The work is bounded, whatever the bytes are: see `Damage`.
    """
    search, small = _Search(data), 0
    while offset < len(data):
        found = search.frame_at(offset)
        if found is None:
            begin, offset = offset, search.next_frame(offset + 1)
            yield Damage(begin, offset, given_up=search.given_up)
        elif (small := small + (len(found.body) < LEAST_BODY)) > _MOST_FALSE:
            yield Damage(offset, len(data), given_up=True)
            return
        else:
            yield found
            offset = found.end


class _Search:
    """Looks for frames in bytes, and counts what it spends on marks that are none."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._view = memoryview(data)
        self._left = _WORK * len(data) + _LEAST_WORK
        self._false = 0
        self.given_up = False

    def next_frame(self, offset: int) -> int:
        """Where the next whole frame begins, from `offset` on; the end of all bytes where there is none."""
        while (offset := self._data.find(MARK, offset)) >= 0:
            if self.frame_at(offset) is not None:
                return offset
            if self._left < 0 or self._false > _MOST_FALSE:
                self.given_up = True
                break
            offset += 1
        return len(self._data)

    def frame_at(self, offset: int) -> Frame | None:
        """The whole frame that begins here; None: there is none. Nothing is copied or hashed before it can be one."""
        begin = offset + OVERHEAD
        if begin > len(self._data):
            return None
        mark, first, count, zero, length = _HEAD.unpack_from(self._data, offset)
        if mark != MARK:
            return None
        self._false += 1
        if zero or not count or length > LARGEST_BODY or begin + length > len(self._data):
            return None
        self._left -= length
        (crc,) = _CRC.unpack_from(self._data, offset + _HEAD.size)
        head, body = self._view[offset : begin - _CRC.size], self._view[begin : begin + length]
        if zlib.crc32(body, zlib.crc32(head)) != crc:
            return None
        self._left += length
        self._false -= 1
        return Frame(first, count, bytes(body), offset, begin + length)
