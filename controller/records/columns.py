"""Columns of whole numbers and of float64 packed into bytes and back, bit for bit. Pure; the form is in README.txt.

Readings come from registers, so a column is mostly one value, or small steps of a fixed unit; both become almost
nothing after compression. What is neither is kept raw, byte planes apart.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import accumulate, pairwise
from math import isnan

CONSTANT, STEPS_1, STEPS_2, STEPS_4, STEPS_8, PRODUCT, QUOTIENT, RAW = range(8)
_WIDTHS = ((STEPS_1, "b", 1 << 7), (STEPS_2, "h", 1 << 15), (STEPS_4, "i", 1 << 31), (STEPS_8, "q", 1 << 63))
_SIZES = {STEPS_1: ("b", 1), STEPS_2: ("h", 2), STEPS_4: ("i", 4), STEPS_8: ("q", 8)}
_UNITS = (1, 10, 100, 1_000, 10_000)
_LARGEST = float(1 << 40)


class ColumnError(ValueError):
    """Bytes that are no column."""


def pack_whole(column: Sequence[int]) -> bytes:
    """Whole numbers (each below 2**62 in amount): constant, or the first and the steps from one to the next."""
    first = column[0]
    if column.count(first) == len(column):
        return struct.pack("<Bq", CONSTANT, first)
    steps = [b - a for a, b in pairwise(column)]
    low, high = min(steps), max(steps)
    for tag, letter, bound in _WIDTHS:
        if -bound <= low and high < bound:
            return struct.pack(f"<Bq{len(steps)}{letter}", tag, first, *steps)
    raise ColumnError("steps beyond 64 bits")


def pack_floats(column: Sequence[float]) -> bytes:
    """Float64 values: constant, whole multiples of a decimal unit, or raw byte planes."""
    count = len(column)
    data = struct.pack(f"<{count}d", *column)
    if data == data[:8] * count:
        return bytes((CONSTANT,)) + data[:8]
    for tag in (PRODUCT, QUOTIENT):
        for unit in _UNITS:
            wholes = _multiples(column, data, tag, unit)
            if wholes is not None:
                return struct.pack("<BH", tag, unit) + pack_whole(wholes)
    return bytes((RAW,)) + b"".join(data[plane::8] for plane in range(8))


def _multiples(column: Sequence[float], data: bytes, tag: int, unit: int) -> list[int] | None:
    """The whole numbers that give every value of the column back bit for bit, if there are such."""
    probe = column[0]
    if not -_LARGEST < probe < _LARGEST or _value(tag, unit, round(probe * unit)) != probe:
        return None
    if any(map(isnan, column)) or min(column) <= -_LARGEST or max(column) >= _LARGEST:
        return None
    wholes = [round(value * unit) for value in column]
    return wholes if struct.pack(f"<{len(wholes)}d", *_values(tag, unit, wholes)) == data else None


def _value(tag: int, unit: int, whole: int) -> float:
    return whole * (1 / unit) if tag == PRODUCT else whole / unit


def _values(tag: int, unit: int, wholes: Sequence[int]) -> list[float]:
    if tag == QUOTIENT:
        return [whole / unit for whole in wholes]
    factor = 1 / unit
    return [whole * factor for whole in wholes]


def unpack_whole(data: bytes, offset: int, count: int) -> tuple[list[int], int]:
    """`count` whole numbers at `offset`, and where the next column begins."""
    try:
        tag, first = struct.unpack_from("<Bq", data, offset)
        offset += 9
        if tag == CONSTANT:
            return [first] * count, offset
        if tag not in _SIZES:
            raise ColumnError(f"no column of whole numbers has the tag {tag}")
        letter, size = _SIZES[tag]
        steps = struct.unpack_from(f"<{count - 1}{letter}", data, offset)
    except struct.error as error:
        raise ColumnError(str(error)) from None
    return list(accumulate(steps, initial=first)), offset + size * (count - 1)


def unpack_floats(data: bytes, offset: int, count: int) -> tuple[list[float], int]:
    """`count` float64 values at `offset`, and where the next column begins."""
    try:
        tag = data[offset]
        offset += 1
        if tag == CONSTANT:
            return [struct.unpack_from("<d", data, offset)[0]] * count, offset + 8
        if tag == RAW:
            planes = data[offset : offset + 8 * count]
            mixed = b"".join(planes[i::count] for i in range(count))
            return list(struct.unpack(f"<{count}d", mixed)), offset + 8 * count
        (unit,) = struct.unpack_from("<H", data, offset)
    except (struct.error, IndexError) as error:
        raise ColumnError(str(error)) from None
    if tag not in (PRODUCT, QUOTIENT) or unit not in _UNITS:
        raise ColumnError(f"no column of numbers has the tag {tag} with the unit {unit}")
    wholes, offset = unpack_whole(data, offset + 2, count)
    return _values(tag, unit, wholes), offset
