"""batteries.csv and after.csv as typed columns: what is written of a run once it is over. See `typed`."""

from __future__ import annotations

from dataclasses import dataclass

from controller.records.place import Place
from controller.records.typedcolumns import Coded, Floats, Moments, Times, Whole, WholeNumbers, Words
from controller.records.typedtable import Collected, Kind, decimals


@dataclass(frozen=True, slots=True, eq=False)
class BatteryColumns:
    """batteries.csv: a row a battery, written at sign-off."""

    rows: int
    sound_rows: int
    problems: tuple[str, ...]
    position: Whole
    batch: Coded
    pallet: Coded
    serial: Coded
    ocv_V: Floats
    ocv_age_h: Floats
    density: Floats
    density_C: Floats
    level: Coded
    outcome: Coded
    reason: Coded
    text: Coded


@dataclass(frozen=True, slots=True, eq=False)
class AfterColumns:
    """after.csv: readings that came once the run was over."""

    rows: int
    sound_rows: int
    problems: tuple[str, ...]
    time: Times
    taken: Times
    position: Whole
    what: Coded
    value: Floats
    value_text: Coded
    unit: Coded
    temperature_C: Floats
    instrument: Coded
    who: Coded


def read_batteries(place: Place, *, behind: bool = False) -> BatteryColumns | None:
    """The batteries of a record; None: not signed off."""
    if place.size("batteries.csv") is None:
        return None
    table = Collected(place, "batteries.csv", _BATTERIES, behind=behind)
    return BatteryColumns(**table.head(), **table.columns())


def read_after(place: Place, *, behind: bool = False) -> AfterColumns | None:
    """The later readings of a record; None: there are none."""
    if place.size("after.csv") is None:
        return None
    table = Collected(place, "after.csv", _AFTER, behind=behind)
    return AfterColumns(**table.head(), **table.columns())


_BATTERIES: dict[str, Kind] = {
    "position": WholeNumbers, "batch": Words, "pallet": Words, "serial": Words, "ocv_V": decimals(3),
    "ocv_age_h": decimals(1), "density": decimals(3), "density_C": decimals(1), "level": Words,
    "outcome": Words, "reason": Words, "text": Words,
}  # fmt: skip
_AFTER: dict[str, Kind] = {
    "time_utc": Moments, "taken_utc": Moments, "position": WholeNumbers, "what": Words, "value": Words, "unit": Words,
    "temperature_C": decimals(1), "instrument": Words, "who": Words,
}  # fmt: skip
