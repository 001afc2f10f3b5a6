"""The hydrogen line of a bath's check against constants and rules published elsewhere."""

from __future__ import annotations

import pytest

from controller.bathcheck import AIR_M3_H_PER_CELL_A, H2_M3_PER_AH_CELL, hydrogen_percent_LEL

# CODATA 2018, exact by the SI's definition: https://physics.nist.gov/cuu/Constants/
FARADAY_C_MOL = 96485.33212
GAS_CONSTANT_J_MOL_K = 8.314462618


def test_hydrogen_of_an_ampere_hour_is_faradays():
    """Two electrons a molecule, one cell, ideal gas at 25 C and 101325 Pa."""
    mole_m3 = GAS_CONSTANT_J_MOL_K * 298.15 / 101_325.0
    assert pytest.approx(3600.0 / (2.0 * FARADAY_C_MOL) * mole_m3, rel=1e-3) == H2_M3_PER_AH_CELL


def test_air_by_the_standards_rule_keeps_a_fifth_of_the_limit():
    """IEC 62485-2: Q = v q s n I with v = 24, q = 0.42e-3 m3/Ah, s = 5: a fivefold dilution below 4 % hydrogen.

    The rule was seen quoted in ventilation guides, not in the standard itself; q there is hydrogen at 0 C.
    """
    assert pytest.approx(24 * 0.42e-3 * 5, rel=0.01) == AIR_M3_H_PER_CELL_A
    percent = hydrogen_percent_LEL(cells=108, current_A=6.0, airflow_m3_h=32.4)
    assert percent == pytest.approx(100.0 / 5.0 * 298.15 / 273.15 * (25 / 24), rel=0.02)
