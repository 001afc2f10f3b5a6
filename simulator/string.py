"""Elements in series: string volts, the voltage limit on charge, the floor on discharge, a clamp that came off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator import cell
from simulator.parameters import Array, Cells
from simulator.prepared import prepare

LEAD_OHM = 0.02
"""Both leads of a string together; own choice."""
GOOD_V = 0.01
MOST_PASSES = 25


@dataclass(frozen=True, slots=True)
class Series:
    """Which elements stand in which string: they lie one string after the other."""

    starts: NDArray[np.intp]  # first element of each string, shape (k,)
    of_element: NDArray[np.intp]  # string of each element, shape (n,)

    def total(self, values: Array) -> Array:
        """Sum over each string, (n,) -> (k,)."""
        return np.asarray(np.add.reduceat(values, self.starts))


def series(lengths: list[int]) -> Series:
    """Strings of so many elements each (at least one)."""
    if any(length < 1 for length in lengths):
        raise ValueError("a string has at least one element")
    ends = np.cumsum(np.array(lengths, dtype=np.intp))
    return Series(
        starts=ends - np.array(lengths, dtype=np.intp), of_element=np.repeat(np.arange(len(lengths)), lengths)
    )


@dataclass(frozen=True, slots=True)
class StringReadings:
    """What a step showed of each string, shape (k,)."""

    current_A: Array
    voltage_V: Array
    slope_ohm: Array
    limited: NDArray[np.bool_]  # held back by the voltage limit or floor


def advance_strings(
    cells: Cells,
    strings: Series,
    state: Array,
    wanted_A: Array,
    limit_V: Array,
    bath_C: float | Array,
    dt_s: float | Array,
    air_C: float,
    start_A: Array | None = None,
) -> tuple[Array, StringReadings, cell.Readings]:
    """One step of all strings: each takes `wanted_A` (k,), or what its voltage allows of it.

    On charge (positive) the string never exceeds `limit_V` (k,), on discharge it never falls below. `start_A` is where
    the search for a limited current begins. The limit holds within 10 mV; the current stays between 0 and `wanted_A`.
    `bath_C`, `dt_s`: one for all, or of each element (n,), so that each string may keep its own time.
    """
    p = prepare(cells, state, dt_s)
    low, high = np.minimum(wanted_A, 0.0), np.maximum(wanted_A, 0.0)
    current = wanted_A if start_A is None else np.minimum(np.maximum(start_A, low), high)
    eta: Array | None = None
    passes = 0
    while True:
        found = cell.solve(cells, p, current[strings.of_element], eta)
        volts = strings.total(found.voltage_V) + current * LEAD_OHM
        slope = strings.total(found.slope_ohm) + LEAD_OHM
        over = volts - limit_V
        better = np.minimum(np.maximum(current - over / slope, low), high)
        passes += 1
        if not np.any((np.abs(over) > GOOD_V) & (better != current)) or passes >= MOST_PASSES:
            break
        # A second and third pass are near the first: its overpotentials are the better start.
        current, eta = better, found.currents.eta
    after, readings = cell.finish(cells, state, p, found, bath_C, air_C)
    limited = current != wanted_A
    return after, StringReadings(current_A=current, voltage_V=volts, slope_ohm=slope, limited=limited), readings
