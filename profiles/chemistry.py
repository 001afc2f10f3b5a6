"""Properties of sulfuric acid and of the lead-acid couple: pure functions on floats or numpy arrays.

Units stand in the names; `w` is the mass fraction of H2SO4 (0..1), temperatures are in degrees Celsius. Array arguments
may have any shapes that broadcast; the result has the broadcast shape. numpy is imported only once an array comes in.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar, cast

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Q = TypeVar("Q", float, "NDArray[np.float64]")

FARADAY_C_MOL = 96485.33212
H2SO4_G_MOL = 98.079
H2O_G_MOL = 18.0153
PBO_G_MOL = 223.20
MOL_PER_C = 1.0 / (2.0 * FARADAY_C_MOL)
"""Moles of a two-electron reaction per coulomb."""

LEAST_MOLALITY = 0.05
"""mol/kg. Below it the polynomials of Bode bend back, so that they are held there."""


def density_kg_m3(w: Q, temperature_C: Q) -> Q:
    """Density of the acid.

    Own polynomial through the values of Laliberte's correlation (J. Chem. Eng. Data 49 (2004) 1141 and 54 (2009) 1725)
    for 0-50 % by mass and 0-60 C; largest difference there 0.41 kg/m3.
    """
    d = temperature_C - 25.0
    at_25 = 997.1005 + w * (656.651 + w * (211.1619 + w * (80.4444 + 68.6251 * w)))
    slope = -0.2363377 + w * (-1.538590 + w * (0.1438316 + 1.080255 * w))
    return at_25 + d * (slope + d * (-4.927502e-3 + 1.038452e-2 * w))


def mass_fraction(density: Q, temperature_C: Q) -> Q:
    """Mass fraction of an acid of this density (kg/m3): `density_kg_m3` solved for `w` (to 1e-12, 950-1450 kg/m3)."""
    d = temperature_C - 25.0
    w = (density - 997.0) / 900.0
    for _ in range(8):
        rise = 656.651 + w * (422.3238 + w * (241.3332 + 274.5004 * w))
        rise = rise + d * (-1.538590 + w * (0.2876632 + 3.240765 * w) + 1.038452e-2 * d)
        w = w - (density_kg_m3(w, temperature_C) - density) / rise
    return w


def density_at(density: Q, temperature_C: Q, reference_C: Q) -> Q:
    """Density at `reference_C` of an acid that has this density (kg/m3) at `temperature_C`."""
    return density_kg_m3(mass_fraction(density, temperature_C), reference_C)


def reading_at(density_kg_L: float, temperature_C: float, reference_C: float = 25.0) -> float:
    """Hydrometer reading (kg/L) brought to the reference temperature; about 0.0007 a kelvin at 1.28."""
    return density_at(density_kg_L * 1000.0, temperature_C, reference_C) / 1000.0


def molality_mol_kg(w: Q) -> Q:
    """Moles of H2SO4 per kilogram of water; w below 1."""
    return w / (1.0 - w) * (1000.0 / H2SO4_G_MOL)


def conductivity_S_m(w: Q, temperature_C: Q) -> Q:
    """Conductivity of the acid, at least 1 S/m at 25 C.

    Own polynomial through Kohlrausch's row at 18 C (5-40 %, from memory), carried on by 1.3 % a kelvin.
    """
    return _at_least(w * (505.5 + w * (-735.6 - 172.3 * w)), 1.0) * (1.0 + 0.013 * (temperature_C - 25.0))


def positive_V(molality: Q) -> Q:
    """Equilibrium potential of PbO2/PbSO4 against hydrogen, 25 C (Bode, Lead-Acid Batteries, Wiley 1977)."""
    g = _log10(_at_least(molality, LEAST_MOLALITY))
    return 1.628 + g * (0.074 + g * (0.033 + g * (0.043 + 0.022 * g)))


def negative_V(molality: Q) -> Q:
    """Equilibrium potential of Pb/PbSO4 against hydrogen, 25 C (Bode, Lead-Acid Batteries, Wiley 1977)."""
    g = _log10(_at_least(molality, LEAST_MOLALITY))
    return -0.294 - g * (0.074 + g * (0.030 + g * (0.031 + 0.012 * g)))


def open_circuit_V(molality: Q) -> Q:
    """Rest voltage of one formed cell at 25 C, from the molality of its acid (mol/kg)."""
    return positive_V(molality) - negative_V(molality)


def water_vapour_Pa(temperature_C: Q) -> Q:
    """Saturated vapour over pure water, 0.2 % good at 20-60 C (Buck, J. Appl. Meteorol. 20 (1981) 1527, of 1996)."""
    t = temperature_C
    return 611.21 * _exp((18.678 - t / 234.5) * t / (257.14 + t))


def gassing_V_per_cell(current_C20: float, temperature_C: float) -> float:
    """Voltage at which a full cell gasses away all its current, without its I R; current in A per Ah of C20, positive.

    Schiffer et al., J. Power Sources 168 (2007) 66: 0.02 A per 100 Ah at 2.23 V and 25 C, 11 per volt, 0.06 per kelvin.
    """
    return 2.23 + (math.log(max(current_C20, 1e-9) / 2.0e-4) - 0.06 * (temperature_C - 25.0)) / 11.0


def _at_least(value: Q, floor: float) -> Q:
    if isinstance(value, (int, float)):
        return max(value, floor)
    import numpy as np

    return cast("Q", np.maximum(value, floor))


def _log10(value: Q) -> Q:
    if isinstance(value, (int, float)):
        return math.log10(value)
    import numpy as np

    return cast("Q", np.log10(value))


def _exp(value: Q) -> Q:
    if isinstance(value, (int, float)):
        return math.exp(value)
    import numpy as np

    return cast("Q", np.exp(value))
