"""A full cell against published laws: gassing voltage, gas, water, heat, and the heats of reaction."""

import math
from dataclasses import replace

import numpy as np
import pytest

from profiles import chemistry
from simulator import acid, rows
from simulator.cell import advance, prepare
from simulator.parameters import HEAT_DRY_J_K_AH, build_cells
from simulator.rows import formed_state

CASES = ((3.6, 25.0, 2.749), (3.6, 40.0, 2.667), (3.6, 60.0, 2.558), (6.0, 25.0, 2.795), (6.0, 40.0, 2.713),
         (6.0, 60.0, 2.604), (1.8, 25.0, 2.686), (1.8, 40.0, 2.604))  # fmt: skip


def held_at(temperature_C):
    """A full battery of 60 Ah that the bath keeps at this temperature whatever it does."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    cells = replace(cells, water_W_K=np.array([1e7]), air_W_K=np.array([0.0]))
    state = formed_state(cells)
    state[rows.TEMPERATURE] = temperature_C
    return cells, state


def gassing(current_A, temperature_C, hours=3.0):
    """After hours at this current: state before and after the last hour, readings, volts without I R."""
    cells, state = held_at(temperature_C)
    before = state
    for k in range(round(hours * 120)):
        if k == round((hours - 1) * 120):
            before = state
        state, readings = advance(cells, state, current_A, temperature_C, 30.0, temperature_C)
    ohmic = float(prepare(cells, state, 30.0).ohmic[0])
    return cells, before, state, readings, float(readings.cell_V[0]) - current_A * ohmic


@pytest.mark.parametrize(("current_A", "temperature_C", "volts"), CASES)
def test_end_voltage(current_A, temperature_C, volts):
    """All current gassing: Schiffer et al., J. Power Sources 168 (2007) 66: 11/V, 0.06/K, 0.02 A/100 Ah."""
    assert gassing(current_A, temperature_C)[-1] == pytest.approx(volts, abs=0.002)
    assert chemistry.gassing_V_per_cell(current_A / 60, temperature_C) == pytest.approx(volts, abs=0.002)


def test_slope():
    """209.3 mV a decade (ln 10/11, same source); "factor 10 for every 0.2 V" (Kunze, TELESCON 1994)."""
    decade_V = gassing(6.0, 40.0)[-1] - gassing(0.6, 40.0, hours=12.0)[-1]
    assert decade_V * 1000 == pytest.approx(209.3, abs=1.5)
    assert decade_V == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize("temperature_C", [25.0, 40.0])
def test_current_left_at_constant_voltage(temperature_C):
    """Held at 2.45 V a cell the current falls to that law's 0.02 A/100 Ah x exp(11 x 0.22 + 0.06 (T - 25))."""
    from simulator.string import advance_strings, series

    cells, state = held_at(temperature_C)
    one = series([1])
    current = np.array([12.0])
    for _ in range(48 * 60):
        state, shown, _ = advance_strings(
            cells, one, state, np.array([12.0]), np.array([6 * 2.45]), temperature_C, 60.0, temperature_C, current
        )
        current = shown.current_A
    expected_A = 60.0 / 100.0 * 0.02 * math.exp(11 * 0.22 + 0.06 * (temperature_C - 25.0))
    assert current[0] == pytest.approx(expected_A, rel=0.08)


def test_gas_and_water_per_ampere_hour():
    """Faraday: 0.4564 L H2, 0.2282 L O2 (25 C, 1 atm) and 0.33609 g of water an Ah and cell."""
    _, before, after, _, _ = gassing(6.0, 25.0)
    amp_hours = float(after[rows.IN_AH, 0] - before[rows.IN_AH, 0])
    change = (after - before)[:, 0] / amp_hours
    assert change[rows.H2] * 24.465 == pytest.approx(0.4564, rel=1e-3)
    assert change[rows.O2] * 24.465 == pytest.approx(0.2282, rel=1e-3)
    water_g = -(change[rows.WATER] + change[rows.VAPOUR]) * chemistry.H2O_G_MOL
    assert water_g == pytest.approx(0.33609, rel=1e-3)


def test_hydrogen_of_a_string():
    """108 cells at 3.6 A: 0.1774 m3/h at 25 C (Faraday and the gas law)."""
    readings = gassing(3.6, 25.0)[3]
    moles_h = float(readings.hydrogen_A[0]) * 3600 * chemistry.MOL_PER_C * 108
    assert moles_h * 0.024465 == pytest.approx(0.1774, rel=1e-3)


def test_heat_of_gassing():
    """All current gassing leaves I (V - 1.481) in a cell (thermoneutral voltage of water, CRC Handbook)."""
    readings = gassing(3.6, 40.0, hours=8.0)[3]
    assert readings.heat_W[0] == pytest.approx(6 * 3.6 * (readings.cell_V[0] - 1.4812), rel=0.002)


def test_heats_of_reaction():
    """Forming oxide and sulfating it, from formation enthalpies of the CRC Handbook (kJ/mol)."""
    lead_oxide, lead_dioxide, lead_sulfate, water, bisulfate = -219.0, -277.4, -920.0, -285.8, -887.3
    check_heats(lead_oxide, lead_dioxide, lead_sulfate, water, bisulfate)


def test_heats_of_reaction_with_chemicals():
    """The same with the solids' enthalpies as the library holds them."""
    chemicals = pytest.importorskip("chemicals", reason="chemicals is not installed")
    solids = [chemicals.Hfs(number) / 1000 for number in ("1317-36-8", "1309-60-0", "7446-14-2")]
    check_heats(*solids, -285.8, -887.3)


def check_heats(lead_oxide, lead_dioxide, lead_sulfate, water, bisulfate):
    kilojoule_V = 2 * chemistry.FARADAY_C_MOL / 1000
    from simulator.cell import _H_OXIDE

    assert float(_H_OXIDE.sum()) == pytest.approx((lead_dioxide - 2 * lead_oxide) / kilojoule_V, abs=1e-3)
    cells, state = held_at(25.0)
    state[rows.WATER] = state[rows.ACID] / (1.0 * acid.WATER_KG)  # one mole of acid in a kilogram of water
    sulfation = -float(prepare(cells, state, 1.0).sulfate_V[0]) * kilojoule_V
    assert sulfation == pytest.approx(lead_sulfate + water - lead_oxide - bisulfate, abs=0.2)


def test_sulfate_pair_is_thermoneutral_below_rest():
    """Charging sulfate takes heat in: thermoneutral about 0.06 V under the rest voltage (298 K x 0.2 mV/K, CRC)."""
    cells, state = held_at(25.0)
    p = prepare(cells, state, 1.0)
    neutral_V = 0.83225 + 2 * float(p.sulfate_V[0])
    assert float(p.potential_V.sum()) - neutral_V == pytest.approx(0.06, abs=0.001)


def test_sulfation_thins_the_acid():
    """100, 200, 300 g of PbO sulfated by 0.617 L of 1.240, at 20 C: Faraday, density of Myhre 1998."""
    for lead_oxide_g, expected in ((100, 1.204), (200, 1.165), (300, 1.123)):
        mass = np.array([0.617 * 1.240])
        w = chemistry.mass_fraction(np.array([1240.0]), np.array([20.0]))
        sulfuric, water = acid.moles(mass, w)
        moles = lead_oxide_g / chemistry.PBO_G_MOL
        thin = acid.fraction(sulfuric - moles, water + moles)
        assert chemistry.density_kg_m3(thin, np.array([20.0]))[0] / 1000 == pytest.approx(expected, abs=0.002)


def test_final_acid():
    """All sulfate back in the acid and 89 Ah of gassing a cell: 38.28 % by mass (worked balance)."""
    cells, state = held_at(25.0)
    for _ in range(890):
        state, _ = advance(cells, state, 6.0, 25.0, 60.0, 25.0)
    assert 100 * acid.fraction(state[rows.ACID], state[rows.WATER])[0] == pytest.approx(38.28, abs=0.1)


def test_heat_capacity_and_time_constant():
    """16.1 kJ/K, 0.63 h to the bath for 60 Ah (handbook heats of 9.6 kg metal, 4.6 kg acid, 0.8 kg case)."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    assert cells.heat_J_K[0] / 1000 == pytest.approx(16.1, abs=0.9)
    assert cells.heat_J_K[0] / (cells.water_W_K + cells.air_W_K)[0] / 3600 == pytest.approx(0.63, abs=0.04)
    assert pytest.approx(2.77, abs=0.01) == HEAT_DRY_J_K_AH * 60 / 1000


# Specific heat at 25 C, J/kg/K: Laliberte, J. Chem. Eng. Data 54 (2009) 1725, as thermo computes it.
SPECIFIC_HEAT = {10: 3857, 20: 3510, 30: 3161, 37: 2924, 40: 2826}


def acid_specific_heat(percent):
    """What the heat capacity of a battery takes for its acid."""
    from simulator.parameters import CellParameters

    rho = chemistry.density_kg_m3(percent / 100, 20.0)
    cells = build_cells(np.array([60.0]), np.array([6.0]), CellParameters(fill_kg_m3=rho))
    return float((cells.heat_J_K - HEAT_DRY_J_K_AH * 60)[0] / (6 * cells.fill_kg[0]))


def test_specific_heat_of_the_acid():
    """Linear in the mass fraction, within 12 J/kg/K of the correlation."""
    for percent, expected in SPECIFIC_HEAT.items():
        assert acid_specific_heat(percent) == pytest.approx(expected, abs=12)


def test_specific_heat_with_thermo():
    """The same against the library."""
    electrochem = pytest.importorskip("thermo.electrochem", reason="thermo is not installed")
    for percent in range(10, 41, 5):
        theirs = electrochem.Laliberte_heat_capacity(298.15, [percent / 100], ["7664-93-9"])
        assert acid_specific_heat(percent) == pytest.approx(theirs, abs=12)


def test_internal_resistance():
    """A formed 60 Ah battery has 4.5-10 mOhm between 25 and 60 C (from memory)."""
    for temperature_C in (25.0, 40.0, 60.0):
        cells, state = held_at(temperature_C)
        ohm = 6 * float(prepare(cells, state, 1.0).ohmic[0]) + float(cells.contact_ohm[0])
        assert 0.0045 < ohm < 0.010
