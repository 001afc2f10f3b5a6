"""Where the heat of an element goes: into itself, the bath, the air, and with the vapour."""

from __future__ import annotations

import numpy as np

from simulator.parameters import Array, Cells
from simulator.rows import CHEMICAL, ENERGY, TEMPERATURE, TO_AIR, TO_BATH

VAPORISATION_J_MOL = 43.7e3


def step_heat(
    cells: Cells,
    state: Array,
    new: Array,
    power_W: Array,
    stored_W: Array,
    vapour: Array,
    dt_s: float | Array,
    bath_C: float | Array,
    air_C: float | Array,
) -> Array:
    """Write temperature and energy books of the elements into `new`; returns the heat set free in each (W).

    `power_W` goes in at the clamps, `stored_W` of it becomes chemical energy, `vapour` (mol a cell) carries heat away.
    `mean` is the temperature that closes the balance exactly, whatever the integrator did.
    """
    q = power_W - stored_W
    sink = cells.cells * VAPORISATION_J_MOL / dt_s * vapour
    ua = cells.water_W_K + cells.air_W_K
    water = cells.offset_K + bath_C
    push = cells.water_W_K * water + cells.air_W_K * air_C
    half = ua * dt_s / (2.0 * cells.heat_J_K)
    t0 = state[TEMPERATURE]
    rest = (push + q - sink) / ua
    t1 = rest + (t0 - rest) * ((1.0 - half) / (1.0 + half))
    both = (q - sink) * dt_s - cells.heat_J_K * (t1 - t0)
    mean = (both / dt_s + push) / ua
    to_bath = cells.water_W_K * dt_s * (mean - water)
    new[TEMPERATURE] = t1
    new[ENERGY] = state[ENERGY] + power_W * dt_s
    new[CHEMICAL] = state[CHEMICAL] + stored_W * dt_s
    new[TO_BATH] = state[TO_BATH] + to_bath
    new[TO_AIR] = state[TO_AIR] + both - to_bath + sink * dt_s
    return np.asarray(q)
