"""How much acid to draw off and what to add, so that a cell has the wanted density and its level stays.

Pure mass balance of H2SO4 and water: volumes do not add when acids of different strength mix, masses do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from profiles import chemistry

LEAST_L, MOST_L = 0.01, 100.0
LEAST_kg_L, MOST_kg_L = 1.0, 1.42
"""What can be reckoned with: `chemistry.density_kg_m3` holds to 50 % by mass, 1.39 kg/L at 25 C, and a little on."""
LEAST_C, MOST_C = 0.0, 60.0
SAME_kg_L = 0.0005
"""Half of a hydrometer's last digit: closer is the same."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What brings the acid of a cell to the wanted density; volumes at the reference temperature.

    `shrinks_mL`: by so much mixing shrinks the volume; so much more is added than is drawn off.
    """

    draw_off_mL: float
    add_mL: float
    shrinks_mL: float


def correction(
    volume_L: float,
    density_kg_L: float,
    wanted_kg_L: float,
    correcting_kg_L: float | None = None,
    reference_C: float = 25.0,
) -> Correction:
    """Millilitres to draw off and to add to acid of this volume and density; `correcting_kg_L` None: water is added.

    All densities at `reference_C`. Where the acid has the wanted density already, nothing is to be done. Raises
    ValueError with a sentence for densities, volumes and temperatures that cannot be, and for a wanted density that
    does not lie between the cell's and the correcting acid's.
    """
    _check("the volume", volume_L, LEAST_L, MOST_L, "L")
    _check("the temperature", reference_C, LEAST_C, MOST_C, "C")
    water_kg_L = chemistry.density_kg_m3(0.0, reference_C) / 1000.0
    named = {"the density": density_kg_L, "the wanted density": wanted_kg_L}
    if correcting_kg_L is not None:
        named["the correcting acid's density"] = correcting_kg_L
    for name, value in named.items():
        _check(name, value, LEAST_kg_L, MOST_kg_L, "kg/L")
    if abs(wanted_kg_L - density_kg_L) < SAME_kg_L:
        return Correction(0.0, 0.0, 0.0)
    added_kg_L = water_kg_L if correcting_kg_L is None else correcting_kg_L
    _check_between(density_kg_L, wanted_kg_L, added_kg_L, "water" if correcting_kg_L is None else "correcting acid")
    now, wanted, added = (
        chemistry.mass_fraction(value * 1000.0, reference_C) for value in (density_kg_L, wanted_kg_L, added_kg_L)
    )
    # What is in the end in the cell is of the old acid and of the added one by this lever of mass fractions.
    final_kg = volume_L * wanted_kg_L
    share = (wanted - now) / (added - now)
    kept_L = final_kg * (1.0 - share) / density_kg_L
    add_L = final_kg * share / added_kg_L
    return Correction(
        draw_off_mL=1000.0 * (volume_L - kept_L),
        add_mL=1000.0 * add_L,
        shrinks_mL=1000.0 * (kept_L + add_L - volume_L),
    )


def _check(name: str, value: float, least: float, most: float, unit: str) -> None:
    if not (math.isfinite(value) and least <= value <= most):
        raise ValueError(f"{name} must be {least:g} to {most:g} {unit}, not {value:g}")


def _check_between(density_kg_L: float, wanted_kg_L: float, added_kg_L: float, added: str) -> None:
    """Adding moves a density towards what is added, and never as far as that."""
    low, high = min(density_kg_L, added_kg_L), max(density_kg_L, added_kg_L)
    if not low < wanted_kg_L < high or abs(wanted_kg_L - added_kg_L) < SAME_kg_L:
        way = "thicker" if wanted_kg_L > density_kg_L else "thinner"
        raise ValueError(
            f"{added} of {added_kg_L:.3f} kg/L cannot bring {density_kg_L:.3f} to {wanted_kg_L:.3f}; "
            f"it takes something {way} than {wanted_kg_L:.3f}"
        )
