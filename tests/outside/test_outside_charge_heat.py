"""Faraday's numbers of plates, acid, ventilation, and the heat of soaking, bath and vapour, against sources outside."""

from dataclasses import replace

import numpy as np
import pytest

from controller.bathcheck import AIR_M3_H_PER_CELL_A
from profiles import chemistry
from simulator import rows
from simulator.bath import BathSize, advance_bath, scaled
from simulator.cell import advance
from simulator.faults import parse_fault_line
from simulator.heat import VAPORISATION_J_MOL
from simulator.parameters import CellParameters, build_cells
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant
from simulator.rows import formed_state, new_state

# IUPAC standard atomic weights 2021, abridged; the Faraday constant is exact by the SI (CODATA 2018).
LEAD, OXYGEN, SULFUR, HYDROGEN = 207.2, 15.999, 32.06, 1.0080
AH_PER_MOL = 2 * 96485.33212 / 3600.0


def test_molar_masses():
    """H2SO4, H2O, PbO from atomic weights."""
    assert pytest.approx(2 * HYDROGEN + SULFUR + 4 * OXYGEN, abs=0.01) == chemistry.H2SO4_G_MOL
    assert pytest.approx(2 * HYDROGEN + OXYGEN, abs=0.001) == chemistry.H2O_G_MOL
    assert pytest.approx(LEAD + OXYGEN, abs=0.01) == chemistry.PBO_G_MOL


def test_charge_of_the_plates():
    """Two electrons a lead: PbO 240.16 Ah/kg (the trade rounds to 241), PbO2 224.09 Ah/kg, so 9 g of PbO2 an Ah of C20
    (about half of it used: from memory) are 2.0168 Ah of lead in the positive.
    """
    assert pytest.approx(240.16, abs=0.02) == 1000.0 / (chemistry.PBO_G_MOL * 3600.0 * chemistry.MOL_PER_C)
    dioxide_Ah_kg = AH_PER_MOL / (LEAD + 2 * OXYGEN) * 1000.0
    assert dioxide_Ah_kg == pytest.approx(224.09, abs=0.02)
    assert CellParameters().paste_Ah[0] == pytest.approx(9e-3 * dioxide_Ah_kg, abs=1e-4)


def test_acid_of_charge_and_discharge():
    """An Ah of Pb + PbO2 + 2 H2SO4 binds 3.6595 g of acid and makes 0.67218 g of water; charging gives both back.

    Per Ah of the plates: what the double layer holds and what gasses is no reaction of theirs. The water comes from the
    positive alone (PbO2's oxygen).
    """
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    state = formed_state(cells)
    for current_A, sign in ((-20.0, 1.0), (15.0, -1.0)):
        before = state
        for _ in range(180):
            state, _ = advance(cells, state, current_A, 25.0, 10.0, 25.0)
        moved = state - before
        each_Ah = (cells.paste_Ah * (moved[rows.FAST] + moved[rows.SLOW]))[:, 0]
        plates_Ah = each_Ah.mean()
        assert -moved[rows.ACID, 0] * chemistry.H2SO4_G_MOL / plates_Ah == pytest.approx(3.6595, rel=1e-3)
        vapour_and_gas = moved[rows.VAPOUR, 0] + 2.0 * moved[rows.O2, 0]
        water_g = (moved[rows.WATER, 0] + vapour_and_gas) * chemistry.H2O_G_MOL
        assert water_g / each_Ah[0] == pytest.approx(0.67218, rel=1e-3)
        assert plates_Ah * sign > 5.0


def insulated_soak():
    """Heat a battery keeps when nothing leaves it, grams of PbO its cells sulfated and grams of acid that took."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    cells = replace(cells, water_W_K=np.array([1e-9]), air_W_K=np.array([0.0]))
    first = state = new_state(cells)
    for _ in range(240):
        state, _ = advance(cells, state, 0.0, 20.0, 30.0, 20.0)
    moles = (cells.paste_Ah * (state[rows.SULFATE] - first[rows.SULFATE])).sum() * 3600.0 * chemistry.MOL_PER_C
    heat_kJ = float(cells.heat_J_K[0] * (state[rows.TEMPERATURE] - first[rows.TEMPERATURE])[0]) / 1000.0
    acid_g = float((first - state)[rows.ACID, 0]) * chemistry.H2SO4_G_MOL
    return heat_kJ / 6.0, moles * chemistry.PBO_G_MOL, acid_g


def test_soaking_binds_acid_and_makes_heat():
    """PbO + H2SO4 -> PbSO4 + H2O: 0.43942 g of acid a gram of PbO; 446 kJ a kg of PbO into very dilute acid (CRC
    enthalpies), more into stronger acid by its heat of dilution; 100 to 300 g of PbO a cell (from memory).
    """
    heat_kJ, lead_oxide_g, acid_g = insulated_soak()
    assert acid_g / lead_oxide_g == pytest.approx(0.43942, rel=1e-3)
    assert 1.0 < heat_kJ * 1000.0 / lead_oxide_g / 446.0 < 1.25
    assert 100.0 < lead_oxide_g < 300.0


# IEC 62485-2 as quoted in ventilation guides: Q = v q s n I with v = (100 - 4)/4, q = 0.42e-3 m3/Ah, s = 5, I the
# gassing current in amperes; for constant-current charging the whole current. Cells, amperes, m3/h.
VENTILATION = ((108, 3.6, 19.44), (108, 6.0, 32.4), (120, 10.0, 60.0), (108, 60 * 20e-3, 6.48), (108, 60 * 5e-3, 1.62))


@pytest.mark.parametrize(("cells", "current_A", "air_m3_h"), VENTILATION)
def test_ventilation(cells, current_A, air_m3_h):
    """The rule's worked values; at boost and float the standard's 20 and 5 mA an Ah stand for the gassing current."""
    assert AIR_M3_H_PER_CELL_A * cells * current_A == pytest.approx(air_m3_h, abs=1e-9)
    assert 24 * 0.42e-3 * 5 * cells * current_A == pytest.approx(air_m3_h, rel=0.01)


def test_ventilation_carries_away_what_a_full_string_makes():
    """With the rule's air the hydrogen of a string that only gasses stays under the fifth of 4 % that it wants, but
    for the gas's volume at 25 instead of 0 C (8.7 %, ideal gas).
    """
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    state = formed_state(cells)
    for _ in range(240):
        state, readings = advance(cells, state, 3.6, 25.0, 60.0, 25.0)
    hydrogen_m3_h = 108 * float(readings.hydrogen_A[0]) * 0.4564e-3
    assert hydrogen_m3_h == pytest.approx(0.1774, rel=1e-3)
    assert hydrogen_m3_h / 19.44 < 0.04 / 5 * 298.15 / 273.15 * 25 / 24 * 1.01


def test_water_picks_up_heat():
    """1 L/min and 1 K are 69.36 W (CoolProp at 30 C): 454.5 W into 1 L/min warm it by 6.55 K in the end."""
    size = BathSize(water_kg=20.0, flow_L_min=1.0, band_K=0.0, inlet_C=24.0, open_m2=0.0, wall_W_K=0.0)
    water_C = 24.0
    for _ in range(1000):
        water_C, _ = advance_bath(size, water_C, 454.5 * 30.0, 30.0)
    assert water_C - 24.0 == pytest.approx(454.5 / 69.36, rel=0.005)
    assert water_C - 24.0 == pytest.approx(6.55, abs=0.04)


def test_heat_of_vapour():
    """2.43 MJ a kg at 30 C (CoolProp: 2429.8 kJ/kg), in the battery's vapour and in the bath's."""
    assert pytest.approx(2429.8, rel=0.003) == VAPORISATION_J_MOL / chemistry.H2O_G_MOL
    size = replace(scaled(3), flow_L_min=0.0, wall_W_K=0.0)
    cooler_C, kilograms = advance_bath(size, 40.0, 0.0, 60.0)
    assert kilograms > 0.0
    lost_kJ = 4.179 * size.water_kg * (40.0 - cooler_C)
    assert lost_kJ / kilograms == pytest.approx(2430.0, rel=0.005)


def test_specific_heat_and_density_of_the_bath_with_coolprop():
    """What the bath takes for its water, 20 to 40 C, against the library."""
    coolprop = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is not installed")
    from simulator.bath import CP_J_KG_K, KG_PER_L

    for kelvin in (293.15, 303.15, 313.15):
        assert coolprop.PropsSI("C", "T", kelvin, "P", 101325, "Water") == pytest.approx(CP_J_KG_K, rel=0.001)
        assert coolprop.PropsSI("D", "T", kelvin, "P", 101325, "Water") == pytest.approx(1000 * KG_PER_L, rel=0.006)


def test_an_offset_of_a_quarter_ampere():
    """0.25 A over 20 h are 5.0 Ah that no reading shows (arithmetic); without it what is shown is what flows."""
    circuits = tuple(CircuitSpec(name, load_ohm=10.0, watchdog_s=90.0) for name in ("A01", "A02"))
    spec = PlantSpec(circuits=circuits, spread=False, noise=False)
    plant = VirtualPlant(spec, [parse_fault_line("A01 current_offset 0.25")])
    for _ in range(1200):
        for k in range(2):
            plant.order(k, {"set_current_A": 10.0, "set_voltage_V": 340.0, "output_on": 1.0})
        plant.advance(60.0)
    assert plant.delivered_Ah(0) - plant.delivered_Ah(1) == pytest.approx(5.0, abs=0.001)
    assert plant.delivered_Ah(1) == pytest.approx(200.0, abs=0.01)
    shown = [plant.signals(k)["counter_Ah"] for k in range(2)]
    assert shown == pytest.approx([200.0, 200.0], abs=0.01)
    assert [plant.signals(k)["current_A"] for k in range(2)] == [10.0, 10.0]


def test_energy_of_a_formation():
    """210 Ah at a mean of 14.0 V are 2.94 kWh a battery (arithmetic); the model's course of 208 Ah is as near to that
    as its own mean voltage is to 14.0 V.
    """
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    state = new_state(cells)
    volt_hours, charge_Ah = 0.0, 0.0
    for hours, current_A in ((1, 0), (0.5, 3), (1, 6), (6, 15), (0.5, 0), (5, 12), (0.25, -6), (4, 9), (3, 4.8)):
        for _ in range(round(hours * 60)):
            state, shown = advance(cells, state, float(current_A), 30.0, 60.0, 25.0)
            volt_hours += float(shown.cell_V[0]) * current_A / 60.0
            charge_Ah += current_A / 60.0
    kilowatt_hours = float(state[rows.ENERGY, 0]) / 3.6e6
    assert kilowatt_hours == pytest.approx(6 * volt_hours / 1000.0, rel=1e-9)
    assert state[rows.IN_AH, 0] - state[rows.OUT_AH, 0] == pytest.approx(206.4, abs=1e-6)
    assert kilowatt_hours == pytest.approx(2.94, rel=0.05)
    assert 1000.0 * kilowatt_hours / charge_Ah == pytest.approx(14.0, abs=0.8)
