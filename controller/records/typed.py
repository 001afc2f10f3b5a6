"""The tables of a record as numpy columns, the chain walked on the way: for figures, export and trends.

Missing is nan, not-a-time or -1, words are codes with a tuple of names. A cell that is not what its column holds is
missing too, and told in `problems`. Columns are found by their names, so that a later version's table reads as well:
columns that this version does not know are left out. What opens a record quickly uses this, so it loads nothing heavy
but numpy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.records.place import Place
from controller.records.typedcolumns import Coded, Floats, Moments, Times, Whole, WholeNumbers, Words
from controller.records.typedtable import Collected, Kind, decimals

GOOD = "good"


@dataclass(frozen=True, slots=True, eq=False)
class LogColumns:
    """log.csv. The first `sound_rows` of `rows` follow from the chain; `quality` has a column of words for each number
    that has one, "good" where the log says nothing.
    """

    rows: int
    sound_rows: int
    problems: tuple[str, ...]
    time: Times
    elapsed_s: Floats
    step: Whole
    state: Coded
    set_current_A: Floats
    current_A: Floats
    voltage_V: Floats
    bath_C: Floats
    probe_C: Floats
    charge_Ah: Floats
    discharge_Ah: Floats
    energy_Wh: Floats
    allowed_percent: Floats
    quality: dict[str, Coded]


@dataclass(frozen=True, slots=True, eq=False)
class EventColumns:
    """events.csv, or a bath's own events. `value` and `limit` as numbers where they are, as written in `.._text`."""

    rows: int
    sound_rows: int
    problems: tuple[str, ...]
    time: Times
    elapsed_s: Floats
    id: Coded
    kind: Coded
    code: Coded
    target: Coded
    who: Coded
    role: Coded
    priority: Whole
    value: Floats
    value_text: Coded
    limit: Floats
    limit_text: Coded
    unit: Coded
    text: Coded


def read_log(place: Place, *, behind: bool = False) -> LogColumns:
    """The log of a record; `behind`: with the rows behind damage. RecordError: there is none, or it cannot be read."""
    table = Collected(place, "log.csv", _LOG, behind=behind)
    return LogColumns(**table.head(), **table.columns(), quality=_qualities(table.coded("quality")))


def read_events(place: Place, name: str = "events.csv", *, behind: bool = False) -> EventColumns:
    """The events of a record, or of a bath's folder by the file's name. RecordError as `read_log`."""
    table = Collected(place, name, _EVENTS, behind=behind, within_run=name == "events.csv")
    return EventColumns(**table.head(), **table.columns())


_LOG: dict[str, Kind] = {
    "time_utc": Moments, "elapsed_s": decimals(3), "step": WholeNumbers, "state": Words, "set_current_A": decimals(3),
    "current_A": decimals(3), "voltage_V": decimals(3), "bath_C": decimals(2), "probe_C": decimals(2),
    "charge_Ah": decimals(4), "discharge_Ah": decimals(4), "energy_Wh": decimals(2),
    "allowed_percent": decimals(1), "quality": Words,
}  # fmt: skip
_EVENTS: dict[str, Kind] = {
    "time_utc": Moments, "elapsed_s": decimals(3), "id": Words, "kind": Words, "code": Words, "target": Words,
    "who": Words, "role": Words, "priority": WholeNumbers, "value": Words, "limit": Words, "unit": Words,
    "text": Words,
}  # fmt: skip
_QUALITY_OF = ("current_A", "voltage_V", "bath_C", "probe_C")


def _qualities(coded: Coded) -> dict[str, Coded]:
    """The quality of each number that has one, from what the log says of those that are not good."""
    said = [dict(part.partition("=")[::2] for part in name.split()) for name in coded.names]
    found = {}
    for column in _QUALITY_OF:
        words = {GOOD: 0}
        codes = [words.setdefault(one.get(column, GOOD), len(words)) for one in said]
        table = np.array(codes, np.int32)
        found[column] = Coded(table[coded.codes] if table.size else np.empty(0, np.int32), tuple(words))
    return found
