"""A formation on the virtual plant against what the trade reports of it."""

import numpy as np
import pytest

from simulator import rows
from simulator.cell import advance
from simulator.faults import parse_fault_line
from simulator.parameters import build_cells
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant
from simulator.rows import new_state

STEPS = ((0.5, 3.0), (1.0, 6.0), (6.0, 15.0), (0.5, 0.0), (5.0, 12.0), (0.25, -6.0), (4.0, 9.0), (3.0, 4.8))
CELLS = 108


def formation(p, cycle_s=15.0):
    """Hours, charge put in, V per cell, current, true acid and bath temperatures, cycle by cycle."""
    seen = []
    for hours, current_A in STEPS:
        for _ in range(round(hours * 3600 / cycle_s)):
            limit_V = 340.0 if current_A > 0 else 0.0
            p.order(0, {"set_current_A": current_A, "set_voltage_V": limit_V, "output_on": float(current_A != 0)})
            p.advance(cycle_s)
            shown = p.signals(0)
            acid_C = p.batteries(0)[0]["temperature_C"]
            put_in = p.delivered_Ah(0)
            seen.append(
                (p.elapsed_s / 3600, put_in, shown["voltage_V"] / CELLS, shown["current_A"], acid_C, p.water_C())
            )
    return np.array(seen)


def plant(*faults):
    circuits = (CircuitSpec("A01", watchdog_s=30.0),)
    spec = PlantSpec(circuits=circuits, soaked_s=3600.0, spread=False, noise=False)
    return VirtualPlant(spec, [parse_fault_line(text) for text in faults])


@pytest.fixture(scope="module")
def run():
    p = plant()
    return p, formation(p)


def test_before_the_first_current():
    """Fresh plates show next to no volts (both are oxide; from memory)."""
    assert abs(plant().signals(0)["voltage_V"]) / CELLS < 0.1


def test_voltage_course(run):
    """Start peak 2.2-2.6, plateau 2.0-2.25, 2.40 V at 46-67 % of the charge, end 2.60-2.75 V (from memory)."""
    _, seen = run
    hours, charge, volts, current = seen[:, 0], seen[:, 1], seen[:, 2], seen[:, 3]
    assert 2.2 < volts[hours < 0.5].max() < 2.6
    flat = (hours > 0.3) & (charge < 0.46 * charge[-1]) & (current > 1)
    assert volts[flat].min() > 2.0
    assert volts[flat].max() < 2.25
    knee = charge[(volts > 2.40) & (hours > 1)][0] / charge[-1]
    assert 0.46 < knee < 0.67
    assert 2.60 < volts[-1] < 2.75


def test_temperatures(run):
    """Acid peaks at 35-55 C, the bath stays within 20-45 C (from memory); the hump is in the first half."""
    _, seen = run
    assert 35 < seen[:, 4].max() < 55
    assert seen[:, 4].argmax() < len(seen) / 2
    assert seen[:, 5].min() > 20
    assert seen[:, 5].max() < 45


def test_final_acid_and_length(run):
    """Filled with 1.240 it ends at 1.27-1.29 (from memory), after about 20 h (common practice, no published source)."""
    p, seen = run
    assert 1.27 < p.batteries(0)[0]["density_kg_L"] < 1.29
    assert seen[-1, 0] == pytest.approx(20, abs=2)
    assert 12.6 < p.batteries(0)[0]["open_circuit_V"] < 12.9


def test_charge_as_ordered(run):
    """The step list puts 207.9 Ah in and takes 1.5 Ah out (arithmetic), and the plant's own books say so."""
    p, _ = run
    assert p.delivered_Ah(0) == pytest.approx(207.9, rel=1e-3)
    assert p.discharged_Ah(0) == pytest.approx(1.5, rel=1e-2)


@pytest.mark.parametrize("current_A", [9.0, 12.0])
def test_how_much_charge_it_takes(current_A):
    """1.3 times the theoretical charge leaves the positive unfinished, 1.75 to 2.2 times forms it (from memory)."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    state = new_state(cells)
    for _ in range(120):
        state, _ = advance(cells, state, 0.0, 30.0, 30.0, 25.0)
    formed = []
    for times in (1.3, 1.75, 2.0, 2.2):
        while state[rows.IN_AH, 0] < times * 2.0168 * 60:
            state, _ = advance(cells, state, current_A, 30.0, 30.0, 25.0)
        formed.append(float((1 - state[rows.FAST] - state[rows.SLOW])[0, 0]))
    assert formed[0] < 0.965
    assert all(share > 0.97 for share in formed[1:])


def test_fault_pictures():
    """A charged battery reversed: -25 V at start; one missing: 1/18; a clamp: I R (common practice, arithmetic)."""
    volts = []
    for fault in ("", "A01/5 reversed", "A01/5 missing", "A01/5 clamp_ohm 0.05"):
        p = plant(*([fault] if fault else []))
        for _ in range(240):
            p.order(0, {"set_current_A": 6.0, "set_voltage_V": 340.0, "output_on": 1.0})
            p.advance(15.0)
        volts.append(p.signals(0)["voltage_V"])
    sound, reversed_V, missing_V, clamp_V = volts
    assert reversed_V - sound == pytest.approx(-25.0, abs=1.0)
    assert missing_V / sound == pytest.approx(17 / 18, rel=0.002)
    assert clamp_V - sound == pytest.approx(0.05 * 6.0, abs=0.06)
