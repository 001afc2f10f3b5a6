"""One column of a table while the table is read: times, numbers, whole numbers, words; and cells that are none of it.

Each takes rows that were cut (`fast`) or their cells as texts (`slow`); both give the same. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from controller.records.fastcells import Cells, fixed, texts, times
from controller.records.stream import plain_text
from profiles.problems import clean

Floats = NDArray[np.float64]
Whole = NDArray[np.int32]
Times = NDArray[np.datetime64]

MOST_TOLD = 20
"""Cells that are told one by one; more are counted."""
_MOST_WHOLE = 2.0**31
_NO_TIME = np.iinfo(np.int64).min
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """A column of words: `names[codes[i]]` is what stands in row i, empty where nothing does."""

    codes: Whole
    names: tuple[str, ...]

    def texts(self) -> list[str]:
        """The words themselves, one a row."""
        return [self.names[code] for code in self.codes.tolist()]


def number_of(text: str) -> float | None:
    """The number that a cell holds; None: none, or nothing that a record writes as one (no infinity, no spaces)."""
    if not text or not text.isascii() or "_" in text or text[0].isspace() or text[-1].isspace():
        return None
    try:
        found = float(text)
    except ValueError:
        return None
    return found if isfinite(found) else None


def ms_of(text: str) -> int | None:
    """Milliseconds since 1970 of a time with its zone; None: it is none."""
    try:
        moment = datetime.fromisoformat(text)
        return None if moment.tzinfo is None else (moment - _EPOCH) // timedelta(milliseconds=1)
    except (ValueError, OverflowError):
        return None


class Odd:
    """Cells that are not what their column holds."""

    def __init__(self, name: str) -> None:
        self.told: list[str] = []
        self._name = name
        self._more = 0

    def tell(self, row: int, what: str) -> None:
        """Keep one; `row` counts from 1."""
        if len(self.told) < MOST_TOLD:
            self.told.append(f"{self._name}:{row + 1}: row {row} {what}")
        else:
            self._more += 1

    def all(self) -> list[str]:
        """What is told in the end."""
        return (
            [*self.told, f"{self._name}: {self._more} more cells are not what they should be"]
            if self._more
            else self.told
        )


class Column(Protocol):
    """One column while its table is being read; `first` is the number of the first row given."""

    def fast(self, cells: Cells, index: int, first: int, odd: Odd) -> None:
        """Take the column of rows that were cut."""
        ...

    def slow(self, given: list[str], first: int, odd: Odd) -> None:
        """Take cells as texts."""
        ...


class Numbers:
    """Numbers with the decimals that the writer gives them; any others are read as well, but slower."""

    def __init__(self, name: str, decimals: int) -> None:
        self._name = name
        self._decimals = decimals
        self._parts: list[Floats] = []

    def fast(self, cells: Cells, index: int, first: int, odd: Odd) -> None:
        """See Column."""
        found, rest = fixed(cells, index, self._decimals)
        for row in rest.tolist():
            found[row] = self._one(cells.text(row, index).decode("utf-8", "replace"), first + row, odd)
        self._parts.append(found)

    def slow(self, given: list[str], first: int, odd: Odd) -> None:
        """See Column."""
        self._parts.append(np.array([self._one(text, first + row, odd) for row, text in enumerate(given)], np.float64))

    def made(self) -> Floats:
        """The whole column."""
        return np.concatenate(self._parts) if self._parts else np.empty(0)

    def _one(self, text: str, row: int, odd: Odd) -> float:
        found = number_of(text)
        if found is None and text:
            odd.tell(row, f"has in {self._name} {clean(text, 40)!r}, which is no number")
        return float("nan") if found is None else found


class WholeNumbers:
    """Whole numbers from 0 on, -1 where there is none."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._parts: list[Whole] = []

    def fast(self, cells: Cells, index: int, first: int, odd: Odd) -> None:
        """See Column."""
        found, rest = fixed(cells, index, 0)
        right = (found >= 0.0) & (found < _MOST_WHOLE)
        whole = np.where(right, found, -1.0).astype(np.int32)
        for row in {*rest.tolist(), *np.flatnonzero(np.isfinite(found) & ~right).tolist()}:
            whole[row] = self._one(cells.text(row, index).decode("utf-8", "replace"), first + row, odd)
        self._parts.append(whole)

    def slow(self, given: list[str], first: int, odd: Odd) -> None:
        """See Column."""
        self._parts.append(np.array([self._one(text, first + row, odd) for row, text in enumerate(given)], np.int32))

    def made(self) -> Whole:
        """The whole column."""
        return np.concatenate(self._parts) if self._parts else np.empty(0, np.int32)

    def _one(self, text: str, row: int, odd: Odd) -> int:
        found = number_of(text)
        if found is not None and 0.0 <= found < _MOST_WHOLE and found == int(found):
            return int(found)
        if text:
            odd.tell(row, f"has in {self._name} {clean(text, 40)!r}, which is no whole number")
        return -1


class Moments:
    """Times."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._parts: list[NDArray[np.int64]] = []

    def fast(self, cells: Cells, index: int, first: int, odd: Odd) -> None:
        """See Column."""
        found, rest = times(cells, index)
        for row in rest.tolist():
            found[row] = self._one(cells.text(row, index).decode("utf-8", "replace"), first + row, odd)
        self._parts.append(found)

    def slow(self, given: list[str], first: int, odd: Odd) -> None:
        """See Column."""
        found = [self._one(text, first + row, odd) for row, text in enumerate(given)]
        self._parts.append(np.array(found, np.int64))

    def made(self) -> Times:
        """The whole column."""
        return (np.concatenate(self._parts) if self._parts else np.empty(0, np.int64)).view("datetime64[ms]")

    def _one(self, text: str, row: int, odd: Odd) -> int:
        found = ms_of(text)
        if found is None and text:
            odd.tell(row, f"has in {self._name} {clean(text, 40)!r}, which is no time")
        return _NO_TIME if found is None else found


class Words:
    """Words and texts, each different one kept once."""

    def __init__(self, name: str) -> None:
        self._codes: dict[bytes, int] = {}
        self._parts: list[Whole] = []

    def fast(self, cells: Cells, index: int, first: int, odd: Odd) -> None:
        """See Column."""
        self._parts.append(texts(cells, index, self._codes))

    def slow(self, given: list[str], first: int, odd: Odd) -> None:
        """See Column."""
        codes = self._codes
        found = [codes.setdefault(text.encode("utf-8", "replace"), len(codes)) for text in given]
        self._parts.append(np.array(found, np.int32))

    def made(self) -> Coded:
        """The whole column."""
        codes = np.concatenate(self._parts) if self._parts else np.empty(0, np.int32)
        return Coded(codes, tuple(plain_text(name) for name in self._codes))
