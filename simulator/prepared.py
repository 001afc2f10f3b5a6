"""What a step of the plates needs before the current is known: potentials, kinetics, resistances, gas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from profiles import chemistry
from simulator.acid import WATER_KG, fraction
from simulator.parameters import GAS_V, Array, Cells
from simulator.rows import ACID, BEST, ETA, FAST, SLOW, SULFATE, SURPLUS, TEMPERATURE, WATER

LEAST_RATE = 1e-30
LEAST_WATER = 0.02  # mol/Ah: a cell that has gassed itself dry keeps finite numbers
_POTENTIAL = np.array([[1.628, 0.294], [0.074, 0.074], [0.033, 0.030], [0.043, 0.031], [0.022, 0.012]])[:, :, None]
"""Bode's polynomials as in `profiles.chemistry`, both electrodes at once, the negative with its sign turned."""
_INVERSE_B = 1.0 / np.array(GAS_V)[:, None]


@dataclass(frozen=True, slots=True)
class Kinetics:
    """How fast the plates may be formed and discharged."""

    u: Array  # share not yet formed
    fast_rate: Array  # 1/h
    rate: Array
    charge_A: Array  # limiting current at the start of the step
    fading: Array  # by how much of the current it falls within the step
    discharge_A: Array


@dataclass(frozen=True, slots=True)
class Prepared:
    """All of a step that does not hang on the current."""

    dt_s: float | Array
    eta: Array
    warm_K: Array  # above 25 C
    molality: Array  # in the pores
    potential_V: Array  # of a grown plate
    sulfate_V: Array  # what the sulfate route takes beyond the oxide route, at each electrode
    kinetics: Kinetics
    ohmic: Array
    skin: Array | None  # still to be faded by the formed share, while any plate is young
    young: Array | None  # highest formed share so far, while any plate is young
    gas_exponent: Array
    gas_A: Array  # at no overpotential
    layer_S: Array


def prepare(cells: Cells, state: Array, dt_s: float | Array) -> Prepared:
    """Everything at the start of the step that `cell.solve` needs, for any current."""
    p = cells.common
    best, warm = state[BEST], state[TEMPERATURE] - 25.0
    inside = p.pore * state[ACID] + state[SURPLUS]
    water = np.maximum(state[WATER], LEAST_WATER * cells.capacity_Ah)
    molality = np.maximum(inside / (p.pore * WATER_KG * water), 0.0)
    g = np.log10(np.maximum(molality, chemistry.LEAST_MOLALITY))
    c = _POTENTIAL
    potential = c[0] + g * (c[1] + g * (c[2] + g * (c[3] + g * c[4])))
    sulfate_V = 0.5 * (potential[0] + potential[1] - (298.15 * p.entropy_V_K + 0.83225))
    potential[0] += p.entropy_V_K * warm
    kinetics = _kinetics(cells, state, warm, molality, dt_s)
    least = np.minimum(best[0], best[1])
    lowest = float(least.min()) if least.size else 1.0
    young = lowest < 40.0 * p.couple_f
    skin = None
    if lowest < 12.0 * p.skin_f:
        skin = cells.skin_ohm * (0.5 / p.skin_s) * (state[SULFATE][0] + state[SULFATE][1])
        if not young:
            skin = skin * np.exp(-least / p.skin_f)
    exponent = p.gas_temperature * warm + (potential - np.array(p.gas_from_V)[:, None]) * _INVERSE_B
    return Prepared(
        dt_s=dt_s,
        eta=state[ETA],
        warm_K=warm,
        molality=molality,
        potential_V=potential,
        sulfate_V=sulfate_V,
        kinetics=kinetics,
        ohmic=_ohmic(cells, fraction(state[ACID], water), warm, kinetics.u),
        skin=skin,
        young=best if young else None,
        gas_exponent=exponent,
        gas_A=exponent if young else cells.gas_A * np.exp(exponent),
        layer_S=cells.double_layer_F / dt_s,
    )


def _kinetics(cells: Cells, state: Array, warm: Array, molality: Array, dt_s: float | Array) -> Kinetics:
    p = cells.common
    x1, x2 = state[FAST], state[SLOW]
    u = x1 + x2
    faster = np.maximum(1.0 + p.k_temperature * (warm - 15.0), 0.2)
    # A pool that rounding left below nothing must not turn the shares of the two around.
    a1, a2 = cells.k_fast_h * np.maximum(x1, 0.0), cells.k_slow_h * np.maximum(x2, 0.0)
    rate = np.maximum(a1 + a2, LEAST_RATE)
    usable = np.maximum(1.0 - u - (1.0 - cells.use) * state[BEST], 0.0)
    return Kinetics(
        u=u,
        fast_rate=a1,
        rate=rate,
        charge_A=cells.paste_Ah * faster * rate,
        fading=(faster * (dt_s / 3600.0)) * (cells.k_fast_h * a1 + cells.k_slow_h * a2) / rate,
        discharge_A=p.k_discharge_h * cells.paste_Ah * usable * (molality / (molality + 0.3))
        + 1e-10 * cells.capacity_Ah,
    )


def _ohmic(cells: Cells, w: Array, warm: Array, u: Array) -> Array:
    conductivity = chemistry.conductivity_S_m(w, warm + 25.0)
    mean_u = 0.5 * (u[0] + u[1])
    return np.asarray(cells.metal_ohm + cells.acid_ohm * 80.0 / conductivity + cells.unformed_ohm * (mean_u * mean_u))


def young_plates(cells: Cells, p: Prepared, best: Array, current: Array) -> tuple[Array, Array, Array]:
    """Potentials, gas currents, fading of the skin while the couple only appears.

    With the formed share as the step itself will leave it: in the first seconds it is all there is.
    """
    i0 = 1.0 / cells.inverse_exchange
    wanted = np.maximum(2.0 * i0 * np.sinh(np.clip(2.0 * _INVERSE_B * p.eta, 0.0, 9.0)), 0.0)
    gain = np.clip(0.5 * (wanted + current), 0.0, np.maximum(current, 0.0))
    ahead = best + p.dt_s / (3600.0 * cells.paste_Ah) * gain
    share = -np.expm1(-ahead / cells.common.couple_f)
    exponent = p.gas_exponent - (1.0 - share) * p.potential_V * _INVERSE_B
    fade = np.exp(-np.minimum(ahead[0], ahead[1]) / cells.common.skin_f)
    return share * p.potential_V, share * cells.gas_A * np.exp(exponent), fade
