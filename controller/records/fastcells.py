"""Cells of many rows at once, as numpy arrays, from the bytes of whole rows without quotes.

Eight characters at a time stand as one 64-bit word and are turned into digits by a few multiplications (a well known
way of counting in parallel inside a word). What does not look as the writer writes it is not guessed at: its row is
named, and the caller reads that cell the slow way. Mantissa and power of ten are both exact in a float64, so that their
quotient is the very number that `float` gives for the text. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Words = NDArray[np.uint64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

_PAD = b"\n" * 32
_MOST_DIGITS = 15
"""So many always fit into a float64."""
_DAY_MS = 86_400_000
_EPOCH_DAY = date(1970, 1, 1).toordinal()


def _word(text: bytes) -> np.uint64:
    return np.uint64(int.from_bytes(text, "little"))


def _bytes(value: int) -> np.uint64:
    return _word(bytes([value] * 8))


_ZEROS = _bytes(0x30)
_HIGH, _SIX, _THREES, _LOW = _bytes(0xF0), _bytes(0x06), _bytes(0x33), _bytes(0x0F)
_PAIRS, _QUADS = np.uint64(0x00FF00FF00FF00FF), np.uint64(0x0000FFFF0000FFFF)
_MUL2, _MUL4, _MUL8 = np.uint64(2561), np.uint64(6_553_601), np.uint64(42_949_672_960_001)
_S4, _S8, _S16, _S24, _S32, _S48, _S56 = (np.uint64(n) for n in (4, 8, 16, 24, 32, 48, 56))
_BYTE, _PAIR = np.uint64(0xFF), np.uint64(0xFFFF)
_TEN, _SIXTY, _HUNDRED = np.uint64(10), np.uint64(60), np.uint64(100)
_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
_NO_ROWS = np.empty(0, np.intp)


def _last_bytes(count: int) -> int:
    return ((1 << 8 * count) - 1) << 8 * (8 - count)


# By how many of a word's last (or first) characters count: which bytes they are, and "0" in all others.
_KEEP = np.array([_last_bytes(min(n, 8)) for n in range(17)], np.uint64)
_FILL = _ZEROS & ~_KEEP
_KEEP_FIRST = np.array([(1 << 8 * min(n, 8)) - 1 for n in range(17)], np.uint64)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Whole rows cut into cells; `words[i]`: the 8 bytes of `data` from i on.

    Cell c of row r is `data[edges[c, r] + 1 : edges[c + 1, r]]`. `minus`: signs are looked for; without it a number
    with one is read the slow way.
    """

    data: bytes
    codes: NDArray[np.uint8]
    words: Words
    edges: Index
    minus: bool

    def text(self, row: int, column: int) -> bytes:
        """One cell."""
        return self.data[self.edges[column, row] + 1 : self.edges[column + 1, row]]


def cut(lines: Sequence[bytes], columns: int) -> Cells | None:
    """The rows as cells; None where a row has a quote or another number of cells: those are read the slow way."""
    data = b"".join((_PAD, b"\n".join(lines), b"\n", _PAD))
    if b'"' in data:
        return None
    codes = np.frombuffer(data, np.uint8)
    inside = codes[len(_PAD) : len(data) - len(_PAD)]
    # Of all that a row is usually made of only comma and line end stand below the minus sign.
    found = np.flatnonzero(inside < 45)
    if found.size != len(lines) * columns:
        found = np.flatnonzero((inside == 44) | (inside == 10))
        if found.size != len(lines) * columns:
            return None
    found += len(_PAD)
    edges = np.empty((columns + 1, len(lines)), np.intp)
    edges[1:] = found.reshape(-1, columns).T
    edges[0, 0] = len(_PAD) - 1
    edges[0, 1:] = edges[-1, :-1]
    if not (codes[edges[-1]] == 10).all():
        return None
    words = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))
    # A date has two of them; more are signs, or stand in words.
    minus = int(np.count_nonzero(inside == 45)) != 2 * len(lines)
    return Cells(data, codes, words, edges, minus)


def _is_digits(word: Words) -> Flags:
    right: Flags = ((word & _HIGH) | (((word + _SIX) & _HIGH) >> _S4)) == _THREES
    return right


def _number(word: Words) -> Words:
    """The number that eight digits make."""
    word = ((word & _LOW) * _MUL2) >> _S8
    word = ((word & _PAIRS) * _MUL4) >> _S16
    return ((word & _QUADS) * _MUL8) >> _S32


def fixed(cells: Cells, column: int, decimals: int) -> tuple[Floats, Index]:
    """A column of numbers with so many decimals (at most 6), nan where empty; and the rows to be read the slow way."""
    starts, ends = cells.edges[column], cells.edges[column + 1]
    digits = ends - starts
    digits -= 2 if decimals else 1
    minus = cells.codes[starts + 1] == 45 if cells.minus or not column else None
    if minus is not None:
        digits -= minus
    right = digits >= max(decimals, 1)
    most = int(digits.max(initial=0))
    if most > _MOST_DIGITS:
        right &= digits <= _MOST_DIGITS
        digits[digits > _MOST_DIGITS] = 0
    last = cells.words[ends - 8]
    before = cells.words[ends - 16] if most > 7 else None
    if decimals:
        point = np.uint64(8 * (7 - decimals))
        right &= ((last >> point) & _BYTE) == 46
        last = (last & (_ALL << (point + _S8))) | ((last & ~(_ALL << point)) << _S8)
        if before is not None:
            last |= before >> _S56
            before <<= _S8
    np.maximum(digits, 0, out=digits)
    last = (last & _KEEP[digits]) | _FILL[digits]
    right &= _is_digits(last)
    mantissa = _number(last)
    if before is not None:
        digits -= 8
        np.maximum(digits, 0, out=digits)
        before = (before & _KEEP[digits]) | _FILL[digits]
        right &= _is_digits(before)
        mantissa += _number(before) * np.uint64(100_000_000)
    found = mantissa.astype(np.float64)
    if decimals:
        found /= 10.0**decimals
    if minus is not None:
        np.negative(found, out=found, where=minus)
    if right.all():
        return found, _NO_ROWS
    found[~right] = np.nan
    return found, np.flatnonzero(~right & (ends - starts > 1))


def times(cells: Cells, column: int) -> tuple[NDArray[np.int64], Index]:
    """A column of times such as 2026-03-16T06:00:00.000Z as ms since 1970, and the rows to be read the slow way."""
    starts = cells.edges[column] + 1
    day, hour, second = (cells.words[starts + offset] for offset in (0, 8, 16))
    right = cells.edges[column + 1] - starts == 24
    right &= _looks_as(day, b"0000-00-") & _looks_as(hour, b"00T00:00") & _looks_as(second, b":00.000Z")
    # Hours, minutes, seconds and hundredths as four numbers of two digits in one word.
    four = ((hour >> _S24) & _PAIR) | ((hour >> _S32) & (_PAIR << _S16))
    four |= ((second << _S24) & (_PAIR << _S32)) | ((second << _S16) & (_PAIR << _S48))
    four = (((four & _LOW) * _MUL2) >> _S8) & _PAIRS
    hours, minutes, seconds = four & _BYTE, (four >> _S16) & _BYTE, (four >> _S32) & _BYTE
    right &= (hours < 24) & (minutes < 60) & (seconds < 60)
    ms = (((hours * _SIXTY + minutes) * _SIXTY + seconds) * _HUNDRED + (four >> _S48)) * _TEN
    ms += (second >> _S48) & np.uint64(15)
    within = hour & _PAIR  # the day of the month
    changed = (within[1:] != within[:-1]) | (day[1:] != day[:-1]) | (right[1:] != right[:-1])
    first = [0, *(np.flatnonzero(changed) + 1).tolist()]
    known = [_day_number(cells.data, int(starts[row])) if right[row] else None for row in first]
    days = np.repeat([0 if one is None else one for one in known], np.diff([*first, len(starts)]))
    right &= np.repeat([one is not None for one in known], np.diff([*first, len(starts)]))
    return days * _DAY_MS + ms.astype(np.int64), np.flatnonzero(~right)


def _looks_as(word: Words, pattern: bytes) -> Flags:
    """Whether each word has digits where the pattern has "0", and its other characters."""
    wanted = bytes(0xFF if one == 0x30 else 0 for one in pattern)
    digits, rest = _word(wanted), _word(bytes(0xFF - one for one in wanted))
    right: Flags = _is_digits((word & digits) | (_ZEROS & rest)) & ((word & rest) == (_word(pattern) & rest))
    return right


def _day_number(data: bytes, start: int) -> int | None:
    """Days since 1970 of a date; None: there is no such day."""
    try:
        return date.fromisoformat(data[start : start + 10].decode()).toordinal() - _EPOCH_DAY
    except ValueError:
        return None


def texts(cells: Cells, column: int, codes: dict[bytes, int]) -> NDArray[np.int32]:
    """A column of words that seldom change, as a code for each, taken from `codes`, which gets those it lacks."""
    starts, ends = cells.edges[column] + 1, cells.edges[column + 1]
    sizes = ends - starts
    kept = np.minimum(sizes, 8)
    first, last = cells.words[starts] & _KEEP_FIRST[kept], cells.words[ends - 8] & _KEEP[kept]
    new = np.ones(len(sizes), np.bool_)
    # First and last eight characters are all of a text up to sixteen; a longer one is looked at itself.
    new[1:] = (sizes[1:] != sizes[:-1]) | (first[1:] != first[:-1]) | (last[1:] != last[:-1]) | (sizes[1:] > 16)
    rows = np.flatnonzero(new)
    found = [
        codes.setdefault(cells.data[a:b], len(codes))
        for a, b in zip(starts[rows].tolist(), ends[rows].tolist(), strict=True)
    ]
    return np.repeat(np.array(found, np.int32), np.diff([*rows.tolist(), len(sizes)]))
