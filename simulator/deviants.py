"""Batteries that are not what the load list says: low or foul acid, over-soaked, another type or acid, turned.

Pure: parameters and states of some elements in, changed copies out. What each change is worth in volts is pinned by
tests; all numbers here are own choice unless a source is named.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from profiles import chemistry
from simulator import rows
from simulator.parameters import Array, Cells, build_cells

TURNED_RATE = 0.7
"""A plate that is formed with the other sign forms so much more slowly."""
WET_ACID_J_KG_K = 3080.0
"""Heat capacity of the acid at filling strength (Laliberte 2009 at 32 % by mass, 25 C)."""


def turned(cells: Cells) -> Cells:
    """Unformed batteries connected the wrong way round: each plate becomes what the other should have been."""
    return replace(
        cells,
        paste_Ah=cells.paste_Ah[::-1],
        k_fast_h=TURNED_RATE * cells.k_fast_h,
        k_slow_h=TURNED_RATE * cells.k_slow_h,
    )


def low_acid(cells: Cells, state: Array, wet: float) -> tuple[Cells, Array]:
    """Only this share of each plate stands in acid; the rest takes no part. Returns parameters and state.

    Resistances grow as the wetted surface shrinks, the way of heat to the bath is half by metal and case.
    """
    shares: dict[str, Any] = {
        name: getattr(cells, name) * wet for name in ("paste_Ah", "gas_A", "reverse_A", "double_layer_F", "fill_kg")
    }
    shares |= {
        name: getattr(cells, name) / wet for name in ("inverse_exchange", "acid_ohm", "unformed_ohm", "skin_ohm")
    }
    dry_kg = (1.0 - wet) * cells.cells * cells.fill_kg
    drained = state.copy()
    drained[[rows.ACID, rows.WATER, rows.SURPLUS]] *= wet
    return replace(
        cells,
        heat_J_K=cells.heat_J_K - WET_ACID_J_KG_K * dry_kg,
        water_W_K=cells.water_W_K * (0.5 + 0.5 * wet),
        **shares,
    ), drained


def over_soaked(cells: Cells, state: Array) -> Array:
    """The state after standing in acid for very long: all the sulfate that can form has, the acid is thin and even."""
    old = state[rows.SULFATE]
    unformed = state[rows.FAST] + state[rows.SLOW]
    full = np.maximum(old, cells.common.sulfate_most * unformed)
    taken = (cells.paste_Ah * (full - old)).sum(axis=0) * (3600.0 * chemistry.MOL_PER_C)
    new = state.copy()
    new[rows.SULFATE] = full
    new[rows.ACID] -= taken
    new[rows.WATER] += taken
    new[rows.SURPLUS] = 0.0
    return new


def filled_with(cells: Cells, density_20C: float) -> Cells:
    """The same volume of acid of another density (kg/L at 20 C); the heat of its mass with it."""
    w = np.full(cells.count, chemistry.mass_fraction(density_20C * 1000.0, 20.0))
    litres = cells.fill_kg / chemistry.density_kg_m3(cells.fill_w, np.full(cells.count, 20.0))
    fill_kg = litres * density_20C * 1000.0
    return replace(
        cells,
        fill_kg=fill_kg,
        fill_w=w,
        heat_J_K=cells.heat_J_K + cells.cells * (acid_J_K(fill_kg, w) - acid_J_K(cells.fill_kg, cells.fill_w)),
    )


def acid_J_K(mass_kg: Array, w: Array) -> Array:
    """Heat capacity of so much acid, as the battery's own is reckoned."""
    return mass_kg * (4206.0 - 3450.0 * w)


def of_size(cells: Cells, capacity_C20_Ah: float) -> Cells:
    """Batteries of another rated capacity at the same places: clamps, water and place stay, no spread."""
    other = build_cells(np.full(cells.count, capacity_C20_Ah), cells.cells, cells.common)
    return replace(
        other,
        polarity=cells.polarity,
        contact_ohm=cells.contact_ohm,
        offset_K=cells.offset_K,
        start_C=cells.start_C,
        leak_S=cells.leak_S,
        leaking=cells.leaking,
    )
