"""What stands where in a string, as typed at the bath: `K3107:1-11 K3108:12-18`. Pure text, no file may enter.

An entry may name the pallet the batteries came on, and, of one battery, its serial: `K3107:1-6/P12`, `K3108:7/P13/S81`,
`K3108:8//S82`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

MAX_POSITION = 60
# No character of a pallet or serial may begin a formula, part a list or end a line.
_NAME = r"[A-Za-z0-9][A-Za-z0-9._+*#%-]{0,39}"
_ENTRY = re.compile(
    rf"([A-Za-z0-9][A-Za-z0-9._-]{{0,31}}):([0-9]{{1,3}})(?:-([0-9]{{1,3}}))?(?:/((?:{_NAME})?)(?:/({_NAME}))?)?"
)


@dataclass(frozen=True, slots=True)
class Battery:
    """What a load list says of one place; empty: not said. `position` counts from the plus end lead."""

    position: int
    batch: str
    pallet: str = ""
    serial: str = ""
    type: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch and the positions its batteries stand in, first and last included, counted from the positive end.

    `pallet`, `serial`: empty where they are not said; a serial is that of the one battery of its entry.
    """

    name: str
    first: int
    last: int
    pallet: str = ""
    serial: str = ""

    @property
    def batteries(self) -> int:
        """How many batteries of this batch."""
        return self.last - self.first + 1


def parse_batches(text: str) -> tuple[Batch, ...]:
    """The batches of a list like `K3107:1-11 K3108:12-18`, in the order of their positions.

    Raises `ValueError` with a sentence: no entry, an entry not of that form, a position taken twice, or one battery
    standing twice. A gap is allowed: a link stands there.
    """
    batches = sorted((_entry(part) for part in text.replace(",", " ").split()), key=lambda batch: batch.first)
    if not batches:
        raise ValueError("an empty list, right would be 'K3107:1-11 K3108:12-18'")
    for before, after in pairwise(batches):
        if after.first <= before.last:
            raise ValueError(f"position {after.first} is taken by {before.name} and by {after.name}")
    stands: dict[str, int] = {}
    for batch in batches:
        if batch.serial and stands.setdefault(batch.serial, batch.first) != batch.first:
            raise ValueError(f"battery {batch.serial} stands at {stands[batch.serial]} and at {batch.first}")
    return tuple(batches)


def _entry(part: str) -> Batch:
    match = _ENTRY.fullmatch(part)
    if match is None:
        raise ValueError(
            f"{part[:60]!r} is not BATCH:FIRST-LAST, such as K3107:1-11, K3107:1-11/PALLET or K1:7/P1/SERIAL"
        )
    name, first, last = match[1], int(match[2]), int(match[3] or match[2])
    if not 1 <= first <= last <= MAX_POSITION:
        raise ValueError(f"{part!r}: positions run upwards from 1 to at most {MAX_POSITION}")
    if match[5] and first != last:
        raise ValueError(f"{part!r}: a serial is that of one battery, write one position")
    return Batch(name, first, last, match[4] or "", match[5] or "")


def count(batches: tuple[Batch, ...]) -> int:
    """Batteries in the string, links not counted."""
    return sum(batch.batteries for batch in batches)


def listed(text: str, battery_type: str = "") -> tuple[Battery, ...]:
    """Each battery of a list by its position; none where the text is no list (that of an older or another service)."""
    try:
        batches = parse_batches(text)
    except ValueError:
        return ()
    return tuple(
        Battery(position, batch.name, batch.pallet, batch.serial, battery_type)
        for batch in batches
        for position in range(batch.first, batch.last + 1)
    )
