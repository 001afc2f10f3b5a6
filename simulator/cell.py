"""One step of many elements at once: voltage, plates, acid, gas, heat.

State is one array (23, ..., n), its rows named in `rows`; electrode 0 is the positive. For the negative all
potentials are sign-reversed, so that charging raises the overpotential of both and both go through the same lines.
A step is backward Euler for the overpotentials, trapezoid for the temperature, forward Euler for the rest: every balance
(charge, sulfur, hydrogen, oxygen, lead, energy) closes to rounding whatever the step. Charge current is positive.

`advance` is the whole step. A string under a voltage limit needs the voltage of several currents before it takes one:
`prepare` once, `solve` for each current, `finish` with the last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from profiles import chemistry
from simulator.acid import WATER_KG, fraction
from simulator.heat import step_heat
from simulator.parameters import GAS_V, Array, Cells
from simulator.rows import (
    ACID,
    BEST,
    ETA,
    FAST,
    H2,
    IN_AH,
    O2,
    OUT_AH,
    SLOW,
    SULFATE,
    SURPLUS,
    TEMPERATURE,
    VAPOUR,
    WATER,
)
from simulator.solver import Currents, solve_overpotential

_K = chemistry.MOL_PER_C
_POTENTIAL = np.array([[1.628, 0.294], [0.074, 0.074], [0.033, 0.030], [0.043, 0.031], [0.022, 0.012]])[:, :, None]
# Half voltages in V (H+ and e- taken as zero), from formation enthalpies of the CRC Handbook.
_H_OXIDE = np.array([[1.17857], [-0.34632]])
_H_GAS = np.array([[1.48121], [0.0]])
_H_OTHER = _H_GAS[::-1]
_INVERSE_B = 1.0 / np.array(GAS_V)[:, None]
_LEAST_RATE = 1e-30


@dataclass(frozen=True, slots=True)
class Readings:
    """What a step showed, at its end; shape (..., n), or (2, ..., n) by electrode."""

    voltage_V: Array  # of the element at its clamps
    slope_ohm: Array  # dV/dI there
    cell_V: Array
    heat_W: Array
    main_A: Array
    gas_A: Array
    reverse_A: Array
    layer_A: Array
    cell_A: Array

    @property
    def hydrogen_A(self) -> Array:
        """Current that makes hydrogen in one cell."""
        return np.asarray(self.gas_A[1] + self.reverse_A[0])

    @property
    def oxygen_A(self) -> Array:
        """Current that makes oxygen in one cell."""
        return np.asarray(self.gas_A[0] + self.reverse_A[1])


@dataclass(frozen=True, slots=True)
class Prepared:
    """All of a step that does not hang on the current."""

    dt_s: float | Array
    u: Array
    eta: Array
    potential_V: Array  # without the factor of a young plate
    molality: Array
    warm: Array  # T - 25
    kT: Array
    a1: Array
    rate: Array
    limit_A: Array
    beta: Array
    discharge_A: Array
    ohmic: Array
    skin: Array | None  # still to be faded by the formed share, while any plate is young
    best: Array | None  # highest formed share so far, while any plate is young
    gas_exponent: Array
    gas_A: Array
    layer_S: Array
    h_V: Array  # surplus of the sulfate route


@dataclass(frozen=True, slots=True)
class Solution:
    """A step's electrical answer for one current."""

    current_A: Array | float
    voltage_V: Array
    slope_ohm: Array
    cell_V: Array
    eta: Array
    potential_V: Array
    currents: Currents


def prepare(cells: Cells, state: Array, dt_s: float | Array) -> Prepared:
    """Everything at the start of the step that `solve` needs, for any current."""
    p = cells.common
    x1, x2, s, best = state[FAST], state[SLOW], state[SULFATE], state[BEST]
    acid, water, warm = state[ACID], state[WATER], state[TEMPERATURE] - 25.0
    u = x1 + x2
    molality = np.maximum((p.pore * acid + state[SURPLUS]) / (p.pore * WATER_KG * water), 0.0)
    g = np.log10(np.maximum(molality, chemistry.LEAST_MOLALITY))
    c = _POTENTIAL
    potential = c[0] + g * (c[1] + g * (c[2] + g * (c[3] + g * c[4])))
    h_V = 0.5 * (potential[0] + potential[1] - (298.15 * p.entropy_V_K + 0.83225))
    potential[0] += p.entropy_V_K * warm

    kT = np.maximum(1.0 + p.k_temperature * (warm - 15.0), 0.2)
    a1, a2 = cells.k_fast_h * x1, cells.k_slow_h * x2
    rate = np.maximum(a1 + a2, _LEAST_RATE)
    limit = cells.paste_Ah * kT * rate
    beta = (kT * (dt_s / 3600.0)) * (cells.k_fast_h * a1 + cells.k_slow_h * a2) / rate
    usable = np.maximum(1.0 - u - (1.0 - cells.use) * best, 0.0)
    discharge = p.k_discharge_h * cells.paste_Ah * usable * (molality / (molality + 0.3)) + 1e-10 * cells.capacity_Ah

    conductivity = chemistry.conductivity_S_m(fraction(acid, water), warm + 25.0)
    mean_u = 0.5 * (u[0] + u[1])
    ohmic = cells.metal_ohm + cells.acid_ohm * 80.0 / conductivity + cells.unformed_ohm * (mean_u * mean_u)
    least_best = np.minimum(best[0], best[1])
    skin = None
    if least_best.size and least_best.min() < 12.0 * p.skin_f:
        skin = cells.skin_ohm * (0.5 / p.skin_s) * (s[0] + s[1])
        if least_best.min() >= 40.0 * p.couple_f:
            skin = skin * np.exp(-least_best / p.skin_f)
    young = bool(least_best.size) and bool(least_best.min() < 40.0 * p.couple_f)
    exponent = p.gas_temperature * warm + (potential - np.array(p.gas_from_V)[:, None]) * _INVERSE_B
    return Prepared(
        dt_s=dt_s,
        u=u,
        eta=state[ETA],
        potential_V=potential,
        molality=molality,
        warm=warm,
        kT=kT,
        a1=a1,
        rate=rate,
        limit_A=limit,
        beta=beta,
        discharge_A=discharge,
        ohmic=ohmic,
        skin=skin,
        best=best if young else None,
        gas_exponent=exponent,
        gas_A=exponent if young else cells.gas_A * np.exp(exponent),
        layer_S=cells.double_layer_F / dt_s,
        h_V=h_V,
    )


def _young(cells: Cells, p: Prepared, best: Array, current: Array) -> tuple[Array, Array, Array]:
    """Potentials, gas currents, fading of the skin while the couple only appears: with what the step itself will form."""
    i0 = 1.0 / cells.inverse_exchange
    wanted = np.maximum(2.0 * i0 * np.sinh(np.clip(2.0 * _INVERSE_B * p.eta, 0.0, 9.0)), 0.0)
    gain = np.clip(0.5 * (wanted + current), 0.0, np.maximum(current, 0.0))
    ahead = best + p.dt_s / (3600.0 * cells.paste_Ah) * gain
    share = -np.expm1(-ahead / cells.common.couple_f)
    exponent = p.gas_exponent - (1.0 - share) * p.potential_V * _INVERSE_B
    fade = np.exp(-np.minimum(ahead[0], ahead[1]) / cells.common.skin_f)
    return share * p.potential_V, share * cells.gas_A * np.exp(exponent), fade


def solve(cells: Cells, p: Prepared, current_A: Array | float, start_eta: Array | None = None) -> Solution:
    """Voltage and currents at the end of the step for this current (scalar or (..., n)).

    `start_eta`: where the iteration begins, if a neighbouring current was solved before.
    """
    current = cells.polarity * current_A
    potential, gas_A, skin = p.potential_V, p.gas_A, p.skin
    if p.best is not None:
        potential, gas_A, fade = _young(cells, p, p.best, current)
        skin = None if skin is None else skin * fade
    charge = np.maximum(current, 0.0)
    tiny = 1e-10 * cells.capacity_Ah
    limit = p.limit_A - p.beta * np.minimum(charge, p.limit_A / (1.0 + p.beta)) + tiny
    direct = slope = p.ohmic
    if skin is not None:
        f = 1.0 / (1.0 + np.abs(current) / (cells.common.skin_A * cells.capacity_Ah))
        direct = p.ohmic + skin * f
        slope = p.ohmic + skin * (f * f)
    leak = None
    cell_current = current
    if cells.leaking:
        leak = cells.leak_S / (1.0 + cells.leak_S * direct)
        base = potential[0] + potential[1]
        cell_current = current / (1.0 + cells.leak_S * direct) - leak * base
    found = solve_overpotential(
        eta=p.eta if start_eta is None else start_eta,
        before=p.eta,
        cell_A=cell_current,
        inverse_exchange=cells.inverse_exchange,
        charge_A=limit,
        discharge_A=p.discharge_A,
        gas_A=gas_A,
        reverse_A=cells.reverse_A,
        layer_S=p.layer_S,
        leak=leak,
    )
    across = potential + found.eta
    cell_V = across[0] + across[1] + found.cell_A * direct
    stiff = slope + found.resistance[0] + found.resistance[1]
    if cells.leaking:
        stiff = stiff / (1.0 + cells.leak_S * stiff)
    return Solution(
        current_A=current,
        voltage_V=cells.polarity * cells.cells * cell_V + current_A * cells.contact_ohm,
        slope_ohm=cells.cells * stiff + cells.contact_ohm,
        cell_V=cell_V,
        eta=found.eta,
        potential_V=potential,
        currents=found,
    )


def finish(
    cells: Cells, state: Array, p: Prepared, found: Solution, bath_C: float | Array, air_C: float | Array
) -> tuple[Array, Readings]:
    """State after the step, and what it showed."""
    new = np.empty_like(state)
    c = found.currents
    dt_s = p.dt_s
    n_plate = cells.paste_Ah * (3600.0 * _K)
    phi, soak = _plates(cells, state, p, c, new)
    soak_mol = n_plate * soak
    soak_sum = soak_mol[0] + soak_mol[1]
    k_dt = _K * dt_s
    sulfate_A = phi * c.main_A
    source = k_dt * (sulfate_A[0] + sulfate_A[1]) - soak_sum
    o2_A = c.gas_A[0] + c.reverse_A[1]
    h2_A = c.gas_A[1] + c.reverse_A[0]
    d = p.warm
    pv = (0.75 * 3169.0) * np.exp(cells.common.gas_temperature * d) * (1.0 - d * (0.0022 + 1.25e-4 * d))
    vapour = k_dt * (0.5 * o2_A + h2_A) * (pv / (101325.0 - pv))
    water_A = c.main_A[0] - c.main_A[1] + sulfate_A[0] + sulfate_A[1] + o2_A
    new[ACID] = state[ACID] + source
    new[WATER] = state[WATER] + soak_sum - k_dt * water_A - vapour
    mix = (
        dt_s
        / (3600.0 * cells.common.mixing_h)
        * (1.0 + cells.common.stir * (c.gas_A[0] + c.gas_A[1]) / cells.capacity_Ah)
    )
    new[SURPLUS] = (state[SURPLUS] + (1.0 - cells.common.pore) * source) / (1.0 + mix)
    new[ETA] = found.eta
    charged = np.maximum(found.current_A, 0.0) * (dt_s / 3600.0)
    new[IN_AH] = state[IN_AH] + charged
    new[OUT_AH] = state[OUT_AH] + charged - found.current_A * (dt_s / 3600.0)
    new[H2] = state[H2] + k_dt * h2_A
    new[O2] = state[O2] + (0.5 * k_dt) * o2_A
    new[VAPOUR] = state[VAPOUR] + vapour
    ends = c.main_A * _H_OXIDE + sulfate_A * p.h_V + c.gas_A * _H_GAS - c.reverse_A * _H_OTHER
    ends += c.layer_A * (found.potential_V + found.eta)
    chem = ends[0] + ends[1] - soak_sum * (p.h_V / (_K * dt_s))
    power = cells.cells * found.cell_V * found.current_A
    heat = step_heat(cells, state, new, power, cells.cells * chem, vapour, dt_s, bath_C, air_C)
    return new, Readings(
        voltage_V=found.voltage_V,
        slope_ohm=found.slope_ohm,
        cell_V=found.cell_V,
        heat_W=heat,
        main_A=c.main_A,
        gas_A=c.gas_A,
        reverse_A=c.reverse_A,
        layer_A=c.layer_A,
        cell_A=c.cell_A,
    )


def _plates(cells: Cells, state: Array, p: Prepared, c: Currents, new: Array) -> tuple[Array, Array]:
    """Oxide, sulfate, formed share. Returns the sulfate's share of the main reaction and what soaking sulfated."""
    s, u = state[SULFATE], p.u
    dx = c.main_A * (p.dt_s / 3600.0) / cells.paste_Ah
    charging = c.main_A > 0.0
    share = np.minimum(s / np.maximum(u, _LEAST_RATE), 1.0)
    phi = np.where(charging, share * share, 1.0)
    fast = dx * np.where(charging, p.a1 / p.rate, 1.0)
    k_soak = cells.common.k_soak_h * (p.dt_s / 3600.0) * 0.2
    soak = k_soak * p.molality * np.maximum(cells.common.sulfate_most * u - s, 0.0)
    new[FAST] = state[FAST] - fast
    new[SLOW] = state[SLOW] - (dx - fast)
    new[SULFATE] = s + soak - phi * dx
    new[BEST] = np.maximum(state[BEST], 1.0 - (new[FAST] + new[SLOW]))
    return phi, soak


def advance(
    cells: Cells,
    state: Array,
    current_A: Array | float,
    bath_C: float | Array,
    dt_s: float | Array,
    air_C: float | Array,
) -> tuple[Array, Readings]:
    """One step of `dt_s` seconds (scalar or (..., 1), at most 60 s) at this current (same shapes). Pure.

    state: (23, ..., n). Returns the new state and the readings, which belong to the end of the step.
    """
    p = prepare(cells, state, dt_s)
    return finish(cells, state, p, solve(cells, p, current_A), bath_C, air_C)
