"""What stands where in a string, as typed at the bath: `K3107:1-11 K3108:12-18`. Pure text, no file may enter."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

MAX_POSITION = 60
_ENTRY = re.compile(r"^([A-Za-z0-9][A-Za-z0-9._-]{0,31}):(\d{1,3})(?:-(\d{1,3}))?$")


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch and the positions its batteries stand in, first and last included, counted from the positive end."""

    name: str
    first: int
    last: int

    @property
    def batteries(self) -> int:
        """How many batteries of this batch."""
        return self.last - self.first + 1


def parse_batches(text: str) -> tuple[Batch, ...]:
    """The batches of a list like `K3107:1-11 K3108:12-18`, in the order of their positions.

    Raises `ValueError` with a sentence: no entry, an entry not of that form, or a position taken twice. A gap is
    allowed: a link stands there.
    """
    batches = sorted((_entry(part) for part in text.replace(",", " ").split()), key=lambda batch: batch.first)
    if not batches:
        raise ValueError("an empty list, right would be 'K3107:1-11 K3108:12-18'")
    for before, after in pairwise(batches):
        if after.first <= before.last:
            raise ValueError(f"position {after.first} is taken by {before.name} and by {after.name}")
    return tuple(batches)


def _entry(part: str) -> Batch:
    match = _ENTRY.match(part)
    if match is None:
        raise ValueError(f"{part!r} is not BATCH:FIRST-LAST, such as K3107:1-11")
    name, first, last = match[1], int(match[2]), int(match[3] or match[2])
    if not 1 <= first <= last <= MAX_POSITION:
        raise ValueError(f"{part!r}: positions run upwards from 1 to at most {MAX_POSITION}")
    return Batch(name, first, last)


def count(batches: tuple[Batch, ...]) -> int:
    """Batteries in the string, links not counted."""
    return sum(batch.batteries for batch in batches)
