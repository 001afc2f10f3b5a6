"""What the batteries of a string are like at the end of a try, by the model's own books."""

from __future__ import annotations

import numpy as np

from profiles import chemistry
from simulator import acid, rows
from simulator.bench.strings import Strings
from simulator.bench.tried import EndState
from simulator.parameters import Array

L_PER_MOL = 24.465
"""Volume of a mole of gas at 25 C and 101325 Pa."""


def densities_kg_L(bench: Strings, at: Array) -> Array:
    """Density of the acid outside the plates of these elements, at 25 C."""
    state = bench.racks.state[:, at]
    pore = bench.racks.base.common.pore
    w = acid.fraction(acid.outside(state[rows.ACID], state[rows.SURPLUS], pore), state[rows.WATER])
    return np.asarray(chemistry.density_kg_m3(w, np.full(w.shape, 25.0)) / 1000.0)


def end_state(bench: Strings, string: int) -> EndState:
    """The end of one string; means over its batteries, weighted by their cells."""
    racks = bench.racks
    at = racks.elements(string)
    cells, state = racks.base.part(at.tolist()), racks.state[:, at]
    share = cells.cells / cells.cells.sum()
    formed = np.clip(1.0 - state[rows.FAST] - state[rows.SLOW], 0.0, 1.0)
    w = acid.fraction(state[rows.ACID], state[rows.WATER])
    density = chemistry.density_kg_m3(w, np.full(w.shape, 25.0)) / 1000.0
    molality = chemistry.molality_mol_kg(w)
    couple = -np.expm1(-state[rows.BEST] / cells.common.couple_f)
    ocv = couple[0] * chemistry.positive_V(molality) - couple[1] * chemistry.negative_V(molality)
    paste = cells.paste_Ah
    net = state[rows.IN_AH] - state[rows.OUT_AH]
    lost_g = 2.016 * state[rows.H2] + 31.998 * state[rows.O2] + chemistry.H2O_G_MOL * state[rows.VAPOUR]
    battery = 6.0 if cells.cells.max() >= 6.0 else float(cells.cells.max())
    water_g = chemistry.H2O_G_MOL * (state[rows.H2] + state[rows.VAPOUR])
    return EndState(
        density_kg_L=float((share * density).sum()),
        density_spread_kg_L=float(np.sqrt((share * (density - (share * density).sum()) ** 2).sum())),
        open_circuit_V=float(battery * (share * ocv).sum()),
        formed_positive=float((share * formed[0]).sum()),
        formed_positive_least=float(formed[0].min()),
        formed_negative=float((share * formed[1]).sum()),
        overcharge=float((share * net / np.minimum(paste[0], paste[1])).sum()),
        charge_over_theory=float((share * net / paste[0]).sum()),
        hydrogen_L=float(battery * L_PER_MOL * (share * state[rows.H2]).sum()),
        oxygen_L=float(battery * L_PER_MOL * (share * state[rows.O2]).sum()),
        lost_g=float(battery * (share * lost_g).sum()),
        water_g_per_cell=float((share * water_g).sum()),
        c20_Ah=float((share * _c20_Ah(paste, formed, cells.use, state)).sum()),
        lowest_density_kg_L=bench.lowest_kg_L(string),
    )


def _c20_Ah(paste: Array, formed: Array, use: Array, state: Array) -> Array:
    """A rough estimate (+-15 %) of the rated capacity: the least of both plates' usable mass and of the acid."""
    acid_g = 1e3 * acid.ACID_KG * state[rows.ACID]
    total_g = acid_g + 1e3 * acid.WATER_KG * state[rows.WATER]
    by_acid = (acid_g - 0.08 * total_g) / (3.6595 - 0.08 * 2.98732)
    plates = paste * formed * use
    return np.asarray(np.minimum(np.minimum(plates[0], plates[1]), by_acid))
