"""One battery of a logged run, simulated with many parameter sets side by side: what the logger would have shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from profiles import chemistry
from simulator import acid, cell, rows
from simulator.bench.calibratecourse import Course
from simulator.parameters import Array, CellParameters, Cells, build_cells
from simulator.sensors import PROBE_LAG_S
from simulator.string import LEAD_OHM

FITTED = ("water_W_K", "paste_Ah", "gas_A", "sulfate_most", "sulfate", "skin_ohm")
"""What a course can tell, in the order in which it is found: each is seen best once those before it are right."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the logger would show, a column for each parameter set: V per cell, probe C, density kg/m3."""

    volts: Array
    probe: Array
    density: Array


def varied(base: CellParameters, course: Course, factors: Mapping[str, Array]) -> Cells:
    """One battery for each of n parameter sets; `factors` (n,) multiply the base's values, of a pair both."""
    n = next(iter(factors.values())).size
    cells = build_cells(np.full(n, course.capacity_C20_Ah), np.full(n, float(course.cells)), base)
    arrays: dict[str, Any] = {}
    common: dict[str, Any] = {}  # one number for all elements elsewhere; the step takes one for each as well
    for name, factor in factors.items():
        if name in ("sulfate", "sulfate_most"):
            common[name] = getattr(base, name) * factor
        else:
            arrays[name] = getattr(cells, name) * factor
    return replace(cells, common=replace(base, **common), **arrays)


def simulated(base: CellParameters, course: Course, factors: Mapping[str, Array], air_C: float) -> Seen:
    """The whole course from filling on, for every parameter set at once."""
    cells = varied(base, course, factors)
    state = rows.new_state(cells)
    inside_C = state[rows.TEMPERATURE].copy()
    volts = np.empty((course.dt_s.size, cells.count))
    probe = np.empty((course.dt_s.size, cells.count))
    wanted = {at for index in course.density_at.tolist() for at in (index - 1, index)}
    densities: dict[int, Array] = {}
    fades = np.exp(-course.dt_s / PROBE_LAG_S).tolist()
    given = (course.dt_s.tolist(), course.mean_A.tolist(), course.end_A.tolist(), course.bath_C.tolist())
    with np.errstate(all="ignore"):  # a parameter set beyond reason gives no number, which the fit weighs as far off
        for at, (dt_s, mean_A, end_A, bath_C) in enumerate(zip(*given, strict=True)):
            state, shown = cell.advance(cells, state, mean_A, bath_C, dt_s, air_C)
            battery_V = shown.voltage_V + (end_A - mean_A) * shown.slope_ohm
            volts[at] = (battery_V + end_A * (LEAD_OHM / course.batteries)) / course.cells
            inside_C = state[rows.TEMPERATURE] + (inside_C - state[rows.TEMPERATURE]) * fades[at]
            probe[at] = inside_C
            if at in wanted:
                densities[at] = _fraction(cells, state)
    return Seen(volts[course.volts_at], probe[course.probe_at], _read(course, densities, cells.count))


def _fraction(cells: Cells, state: Array) -> Array:
    """Mass fraction of the acid that a hydrometer reaches."""
    outside = acid.outside(state[rows.ACID], state[rows.SURPLUS], cells.common.pore)
    return acid.fraction(outside, state[rows.WATER])


def _read(course: Course, fractions: Mapping[int, Array], count: int) -> Array:
    """Densities at the moments at which they were read, at their reference temperature."""
    found = np.empty((course.density_at.size, count))
    moments = zip(course.density_at.tolist(), course.density_share, course.density_reference_C, strict=True)
    for index, (at, share, reference_C) in enumerate(moments):
        before = fractions[max(at - 1, 0)] if at > 0 else fractions[at]
        w = before + (fractions[at] - before) * float(share)
        found[index] = chemistry.density_kg_m3(w, np.full(count, float(reference_C)))
    return found
