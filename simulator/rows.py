"""Rows of the state array (23, ..., n), and how a battery's state begins.

Pairs are (positive, negative). FAST, SLOW: shares of a plate's lead not yet formed, readily and slowly forming;
SULFATE: share that is PbSO4; BEST: highest formed share so far; ETA: overpotentials, V. Per cell: ACID, WATER, mol;
SURPLUS: acid in the pores beyond their share, mol; books of hydrogen, oxygen, vapour, mol. TEMPERATURE in C. Books of
the element: ENERGY in, CHEMICAL, TO_BATH, TO_AIR, J; charge IN_AH, OUT_AH.
"""

from __future__ import annotations

import numpy as np

from profiles import chemistry
from simulator.acid import moles
from simulator.parameters import Array, Cells

FAST, SLOW, SULFATE, BEST, ETA = slice(0, 2), slice(2, 4), slice(4, 6), slice(6, 8), slice(8, 10)
ACID, WATER, SURPLUS, TEMPERATURE = 10, 11, 12, 13
IN_AH, OUT_AH, H2, O2, VAPOUR, ENERGY, CHEMICAL, TO_BATH, TO_AIR = range(14, 23)
ROWS = 23


def new_state(cells: Cells) -> Array:
    """Freshly filled batteries, shape (23, n)."""
    state = np.zeros((ROWS, cells.count))
    state[FAST] = 1.0 - cells.slow
    state[SLOW] = cells.slow
    state[SULFATE] = cells.common.sulfate
    state[ACID], state[WATER] = moles(cells.fill_kg, cells.fill_w)
    state[TEMPERATURE] = cells.start_C
    return state


def formed_state(cells: Cells) -> Array:
    """Batteries that were formed before they came: no oxide left, the paste's sulfate in the acid, shape (23, n)."""
    state = new_state(cells)
    sulfate_mol = (cells.paste_Ah * state[SULFATE]).sum(axis=0) * 3600.0 * chemistry.MOL_PER_C
    state[ACID] += sulfate_mol
    state[WATER] -= sulfate_mol  # PbSO4 + H2O -> H2SO4 + oxide, at either plate
    state[0:6] = 0.0
    state[BEST] = 1.0
    return state
