"""One step of many elements at once: voltage, plates, acid, gas, heat.

State is one array (23, ..., n), its rows named in `rows`; electrode 0 is the positive. For the negative all
potentials are sign-reversed, so that charging raises the overpotential of both and both go through the same lines.
A step is backward Euler for the overpotentials, trapezoid for the temperature, forward Euler for the rest: every
balance (charge, sulfur, hydrogen, oxygen, lead, energy) closes to rounding whatever the step. Charge is positive.

`advance` is the whole step. A string under a voltage limit needs the voltage of several currents before it takes one:
`prepare` once, `solve` for each current, `finish` with the last.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from profiles import chemistry
from simulator.heat import step_heat
from simulator.parameters import Array, Cells
from simulator.prepared import LEAST_RATE, Prepared, prepare, young_plates
from simulator.rows import ACID, BEST, ETA, FAST, H2, IN_AH, O2, OUT_AH, SLOW, SULFATE, SURPLUS, VAPOUR, WATER
from simulator.solver import Currents, Electrodes, solve_overpotential

_K = chemistry.MOL_PER_C
# Half voltages in V (H+ and e- taken as zero), from formation enthalpies of the CRC Handbook.
_H_OXIDE = np.array([[1.17857], [-0.34632]])
_H_GAS = np.array([[1.48121], [0.0]])
_H_OTHER = _H_GAS[::-1]
_HOTTEST_VAPOUR_K = 60.0  # above 25 C; beyond it the formula for vapour turns over


@dataclass(frozen=True, slots=True)
class Readings:
    """What a step showed, at its end; shape (..., n), or (2, ..., n) by electrode."""

    voltage_V: Array  # of the element at its clamps
    slope_ohm: Array  # dV/dI there
    cell_V: Array
    heat_W: Array
    currents: Currents

    @property
    def hydrogen_A(self) -> Array:
        """Current that makes hydrogen in one cell."""
        return np.asarray(self.currents.gas_A[1] + self.currents.reverse_A[0])

    @property
    def oxygen_A(self) -> Array:
        """Current that makes oxygen in one cell."""
        return np.asarray(self.currents.gas_A[0] + self.currents.reverse_A[1])


@dataclass(frozen=True, slots=True)
class Solution:
    """A step's electrical answer for one current."""

    current_A: Array | float
    voltage_V: Array
    slope_ohm: Array
    cell_V: Array
    potential_V: Array
    currents: Currents


def solve(cells: Cells, p: Prepared, current_A: Array | float, start_eta: Array | None = None) -> Solution:
    """Voltage and currents at the end of the step for this current (scalar or (..., n)).

    `start_eta`: where the iteration begins, if a neighbouring current was solved before.
    """
    current = cells.polarity * current_A
    potential, gas_A, skin = p.potential_V, p.gas_A, p.skin
    if p.young is not None:
        potential, gas_A, fade = young_plates(cells, p, p.young, current)
        skin = None if skin is None else skin * fade
    direct = slope = p.ohmic
    if skin is not None:
        f = 1.0 / (1.0 + np.abs(current) / (cells.common.skin_A * cells.capacity_Ah))
        direct, slope = p.ohmic + skin * f, p.ohmic + skin * (f * f)
    leak, cell_current = None, current
    if cells.leaking:
        leak = cells.leak_S / (1.0 + cells.leak_S * direct)
        cell_current = current / (1.0 + cells.leak_S * direct) - leak * (potential[0] + potential[1])
    found = solve_overpotential(
        p.eta if start_eta is None else start_eta, cell_current, _electrodes(cells, p, current, gas_A, leak)
    )
    across = potential + found.eta
    cell_V = across[0] + across[1] + found.cell_A * direct
    stiff = slope + found.resistance[0] + found.resistance[1]
    if cells.leaking:
        stiff = stiff / (1.0 + cells.leak_S * stiff)
    turned = cells.polarity * cells.cells
    return Solution(
        current_A=current,
        voltage_V=turned * cell_V + current_A * cells.contact_ohm,
        slope_ohm=turned * cells.polarity * stiff + cells.contact_ohm,
        cell_V=cell_V,
        potential_V=potential,
        currents=found,
    )


def _electrodes(cells: Cells, p: Prepared, current: Array, gas_A: Array, leak: Array | None) -> Electrodes:
    """The limiting current is that of the step's end, in closed form: else the knee comes one step late."""
    k = p.kinetics
    taken = k.fading * np.minimum(np.maximum(current, 0.0), k.charge_A / (1.0 + k.fading))
    return Electrodes(
        before=p.eta,
        inverse_exchange=cells.inverse_exchange,
        charge_A=k.charge_A - taken + 1e-10 * cells.capacity_Ah,
        discharge_A=k.discharge_A,
        gas_A=gas_A,
        reverse_A=cells.reverse_A,
        layer_S=p.layer_S,
        leak=leak,
    )


def finish(
    cells: Cells, state: Array, p: Prepared, found: Solution, bath_C: float | Array, air_C: float | Array
) -> tuple[Array, Readings]:
    """State after the step, and what it showed."""
    new = np.empty_like(state)
    c = found.currents
    phi, soak = _plates(cells, state, p, c, new)
    soak_mol = cells.paste_Ah * (3600.0 * _K) * soak
    soak_sum = soak_mol[0] + soak_mol[1]
    sulfate_A = phi * c.main_A
    vapour = _acid_and_gas(cells, state, p, c, sulfate_A[0] + sulfate_A[1], soak_sum, new)
    hours = p.dt_s / 3600.0
    charged = np.maximum(found.current_A, 0.0) * hours
    new[IN_AH] = state[IN_AH] + charged
    new[OUT_AH] = state[OUT_AH] + charged - found.current_A * hours
    ends = c.main_A * _H_OXIDE + sulfate_A * p.sulfate_V + c.gas_A * _H_GAS - c.reverse_A * _H_OTHER
    ends += c.layer_A * (found.potential_V + c.eta)
    chem = ends[0] + ends[1] - soak_sum * (p.sulfate_V / (_K * p.dt_s))
    power = cells.cells * found.cell_V * found.current_A
    heat = step_heat(cells, state, new, power, cells.cells * chem, vapour, p.dt_s, bath_C, air_C)
    return new, Readings(
        voltage_V=found.voltage_V,
        slope_ohm=found.slope_ohm,
        cell_V=found.cell_V,
        heat_W=heat,
        currents=c,
    )


def _acid_and_gas(
    cells: Cells, state: Array, p: Prepared, c: Currents, sulfate_A: Array, soak_mol: Array, new: Array
) -> Array:
    """Acid, water, gas; `sulfate_A` is what the sulfate route carries at both plates. Returns vapour (mol a cell)."""
    k_dt = _K * p.dt_s
    o2_A = c.gas_A[0] + c.reverse_A[1]
    h2_A = c.gas_A[1] + c.reverse_A[0]
    d = np.minimum(p.warm_K, _HOTTEST_VAPOUR_K)
    vapour_Pa = (0.75 * 3169.0) * np.exp(cells.common.gas_temperature * d) * (1.0 - d * (0.0022 + 1.25e-4 * d))
    vapour = k_dt * (0.5 * o2_A + h2_A) * (vapour_Pa / (101325.0 - vapour_Pa))
    source = k_dt * sulfate_A - soak_mol
    new[ACID] = state[ACID] + source
    new[WATER] = state[WATER] + soak_mol - k_dt * (c.main_A[0] - c.main_A[1] + sulfate_A + o2_A) - vapour
    stirred = 1.0 + cells.common.stir * (c.gas_A[0] + c.gas_A[1]) / cells.capacity_Ah
    mixed = p.dt_s / (3600.0 * cells.common.mixing_h) * stirred
    new[SURPLUS] = (state[SURPLUS] + (1.0 - cells.common.pore) * source) / (1.0 + mixed)
    new[ETA] = c.eta
    new[H2] = state[H2] + k_dt * h2_A
    new[O2] = state[O2] + (0.5 * k_dt) * o2_A
    new[VAPOUR] = state[VAPOUR] + vapour
    return np.asarray(vapour)


def _plates(cells: Cells, state: Array, p: Prepared, c: Currents, new: Array) -> tuple[Array, Array]:
    """Oxide, sulfate, formed share. Returns the sulfate's share of the main reaction and what soaking sulfated."""
    s, u = state[SULFATE], p.kinetics.u
    dx = c.main_A * (p.dt_s / 3600.0) / cells.paste_Ah
    charging = c.main_A > 0.0
    share = np.minimum(np.maximum(s, 0.0) / np.maximum(u, LEAST_RATE), 1.0)
    phi = np.where(charging, share * share, 1.0)
    fast = dx * np.where(charging, p.kinetics.fast_rate / p.kinetics.rate, 1.0)
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
    """One step of `dt_s` seconds (at most 60) at this current. Pure.

    state: (23, ..., n); current, bath, air and step: whatever broadcasts to (..., n), so (..., 1) gives each run a
    current and a step of its own. What an element does hangs on its own state alone, to the last bit, once all plates
    are past their first minutes. Returns the new state and the readings, which belong to the end of the step.
    """
    if state.ndim > 2:
        return _advance_runs(cells, state, current_A, bath_C, dt_s, air_C)
    p = prepare(cells, state, dt_s)
    return finish(cells, state, p, solve(cells, p, current_A), bath_C, air_C)


def _advance_runs(cells: Cells, state: Array, *conditions: Array | float) -> tuple[Array, Readings]:
    """Runs side by side in leading axes: laid out as one row of elements, and back."""
    shape = state.shape[1:]
    row = cells.repeated(int(np.prod(shape[:-1])))
    current_A, bath_C, dt_s, air_C = (np.broadcast_to(value, shape).ravel() for value in conditions)
    new, seen = advance(row, state.reshape(state.shape[0], -1), current_A, bath_C, dt_s, air_C)

    def folded(values: Array) -> Array:
        return values.reshape(*values.shape[:-1], *shape)

    currents = Currents(**{f.name: folded(getattr(seen.currents, f.name)) for f in fields(Currents)})
    return folded(new), Readings(
        folded(seen.voltage_V), folded(seen.slope_ohm), folded(seen.cell_V), folded(seen.heat_W), currents
    )
