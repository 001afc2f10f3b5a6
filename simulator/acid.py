"""The acid of a cell as moles of H2SO4 and of water: filling, what a hydrometer sees, dumping and refilling."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from profiles import chemistry

if TYPE_CHECKING:
    from simulator.parameters import Array

ACID_KG = chemistry.H2SO4_G_MOL * 1e-3
WATER_KG = chemistry.H2O_G_MOL * 1e-3
LEAST_HELD = 0.2  # of the acid in the pores that they keep in any case


def moles(mass_kg: Array, w: Array) -> tuple[Array, Array]:
    """Moles of H2SO4 and of water in so much acid of mass fraction `w`."""
    return mass_kg * w / ACID_KG, mass_kg * (1.0 - w) / WATER_KG


def fraction(acid_mol: Array, water_mol: Array) -> Array:
    """Mass fraction of H2SO4."""
    acid = acid_mol * ACID_KG
    return acid / (acid + water_mol * WATER_KG)


def outside(acid_mol: Array, surplus_mol: Array, pore: float) -> Array:
    """Acid as if all of it were like that between and above the plates, where hydrometer and eye reach (mol).

    `surplus_mol` is what the pores hold beyond their share `pore`.
    """
    return acid_mol - surplus_mol / (1.0 - pore)


def refilled(
    acid_mol: Array, water_mol: Array, surplus_mol: Array, fresh_kg: Array, fresh_w: Array, pore: float
) -> tuple[Array, Array, Array]:
    """Acid, water, surplus after what stood outside the plates was poured out and fresh acid poured in.

    The plates keep what they hold. `fresh_kg` would fill the whole cell, so that its share outside the plates goes in.
    Water is not told apart by place: the surplus is such that a hydrometer finds the fresh acid.
    """
    held_acid = pore * acid_mol + surplus_mol
    new_acid, new_water = moles((1.0 - pore) * fresh_kg, fresh_w)
    acid = held_acid + new_acid
    water = pore * water_mol + new_water
    surplus = (1.0 - pore) * (acid - water * (new_acid / new_water))
    return acid, water, np.maximum(surplus, LEAST_HELD * held_acid - pore * acid)
