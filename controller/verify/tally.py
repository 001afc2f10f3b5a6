"""Charge and energy counted again from a record's readings, by code of its own: nothing of the core's counting is used.

The rule (also in README.txt): each reading of current that was taken in its cycle and is good or suspect closes a
straight line from the last such one, where that is not older than the stale time; what lies above zero is charge, what
lies below is discharge. Power is current times the newest volts. After a silence longer than the stale time, or a clock
that went back, the line begins anew: gaps are never filled. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.types import CircuitIn, Quality, Value

COUNTED = ("charge_Ah", "discharge_Ah", "energy_Wh")
_ABSURD = 1e15
_MS_PER_H = 3_600_000


@dataclass(slots=True)
class Tally:
    """The sums so far, and the point that the next line begins at (`at_ms` None: none)."""

    stale_ms: int
    charge_Ah: float = 0.0
    discharge_Ah: float = 0.0
    energy_Wh: float = 0.0
    at_ms: int | None = None
    current_A: float = 0.0
    power_W: float = 0.0
    seen_ms: int | None = None

    def begin(self, charge_Ah: float, discharge_Ah: float, energy_Wh: float) -> None:
        """Go on from sums that stand elsewhere: a run whose first part is in another record, cycles that were lost."""
        self.charge_Ah, self.discharge_Ah, self.energy_Wh = charge_Ah, discharge_Ah, energy_Wh
        self.at_ms = self.seen_ms = None

    def see(self, cin: CircuitIn) -> None:
        """One cycle."""
        silent_ms = 0 if self.seen_ms is None else cin.now_ms - self.seen_ms
        self.seen_ms = cin.now_ms
        if not 0 <= silent_ms <= self.stale_ms:
            self.at_ms = None
            return
        reading = cin.reading
        current_A = _usable(reading.current_A, 0)
        if current_A is None:
            return
        voltage_V = _usable(reading.voltage_V, self.stale_ms)
        power_W = self.power_W if voltage_V is None else current_A * voltage_V
        if self.at_ms is not None and 0 <= cin.now_ms - self.at_ms <= self.stale_ms:
            hours = (cin.now_ms - self.at_ms) / _MS_PER_H
            self.charge_Ah += above_zero(self.current_A, current_A) * hours
            self.discharge_Ah += above_zero(-self.current_A, -current_A) * hours
            self.energy_Wh += above_zero(self.power_W, power_W) * hours
        self.at_ms, self.current_A, self.power_W = cin.now_ms, current_A, power_W

    def sums(self) -> dict[str, float]:
        """The sums by the names of their columns."""
        return dict(zip(COUNTED, (self.charge_Ah, self.discharge_Ah, self.energy_Wh), strict=True))


def above_zero(first: float, last: float) -> float:
    """The mean of a straight line from `first` to `last`, with what lies below zero counted as zero."""
    high, low = max(first, last), min(first, last)
    if low >= 0.0:
        return (high + low) / 2
    return high * high / (high - low) / 2 if high > 0.0 else 0.0


def _usable(value: Value, oldest_ms: int) -> float | None:
    number = value.number
    if number is None or value.age_ms > oldest_ms or not -_ABSURD < number < _ABSURD:
        return None
    return number if value.quality in (Quality.GOOD, Quality.SUSPECT) else None
