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
    """Bytes `[offset, end)` that are no whole frame."""

    offset: int
    end: int


def frame(first: int, count: int, body: bytes) -> bytes:
    """The bytes of one frame: mark, first, count, 0, length of the body, CRC-32 of all these and the body, body."""
    head = _HEAD.pack(MARK, first, count, 0, len(body))
    return head + _CRC.pack(zlib.crc32(body, zlib.crc32(head))) + body


def scan(data: bytes, offset: int) -> Iterator[Frame | Damage]:
    """All whole frames from `offset` on, in order, and the stretches between them that are none."""
    while offset < len(data):
        found = _frame_at(data, offset)
        if found is None:
            begin, offset = offset, offset + 1
            while (offset := data.find(MARK, offset)) >= 0 and _frame_at(data, offset) is None:
                offset += 1
            offset = offset if offset >= 0 else len(data)
            yield Damage(begin, offset)
        else:
            yield found
            offset = found.end


def _frame_at(data: bytes, offset: int) -> Frame | None:
    begin = offset + OVERHEAD
    if begin > len(data) or data[offset : offset + 4] != MARK:
        return None
    _, first, count, zero, length = _HEAD.unpack_from(data, offset)
    (crc,) = _CRC.unpack_from(data, offset + _HEAD.size)
    body = data[begin : begin + length]
    if zero or not count or len(body) != length or zlib.crc32(body, zlib.crc32(data[offset : begin - 4])) != crc:
        return None
    return Frame(first, count, body, offset, begin + length)
