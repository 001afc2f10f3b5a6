"""The step of one battery, digit by digit, and what a battery does at rest and at the edges of a current."""

import numpy as np
import pytest

from profiles import chemistry
from simulator import acid, rows
from simulator.cell import advance
from simulator.parameters import build_cells
from simulator.rows import new_state

# One battery of 60 Ah, bath 30 C, air 25 C, steps of 10 s, one row after the other: steps, current, then
# V/cell, T, density, f_p, f_n, s_p, s_n, eta_p, eta_n, acid, surplus, water, W. Own reference: a second, scalar
# implementation of the same equations (bisection instead of Newton) agreed with it to 1e-9 V and 1e-7 K.
DIGITS = [
    (360, 0.0, 0.0, 38.87508, 1.194446, 0, 0, 0.2779051, 0.2779051, 0, 0, 1.789300, -0.1698972, 29.39961, 59.211),
    (180, 3.0, 2.077062, 38.62405, 1.177628, 0.01237049, 0.01292970, 0.3068869, 0.3068061, 0.0060590, 0.0080613,
     1.661438, -0.1167242, 29.52746, 56.923),
    (360, 15.0, 2.125883, 43.39788, 1.163427, 0.1362386, 0.1423633, 0.3123805, 0.3110460, 0.0253081, 0.0328483,
     1.639877, -0.0116378, 29.54895, 103.129),
    (30, 0.0, 2.020817, 41.65439, 1.163216, 0.1363244, 0.1423878, 0.3123701, 0.3110458, -3.5e-6, -1.42e-5,
     1.639901, -0.0098398, 29.54878, 0.010),
    (30, -6.0, 1.968003, 40.11711, 1.162824, 0.1322353, 0.1380820, 0.3164593, 0.3153516, -0.0126633, -0.0169007,
     1.621367, -0.0202566, 29.56724, -0.500),
    (1800, 12.0, 2.136802, 38.56458, 1.195864, 0.6277894, 0.6557549, 0.2130461, 0.2034477, 0.0239990, 0.0291923,
     2.096571, 0.0474593, 29.09126, 65.336),
]  # fmt: skip


def one_battery(capacity_Ah=60.0):
    cells = build_cells(np.array([capacity_Ah]), np.array([6.0]))
    return cells, new_state(cells)


def run(cells, state, current_A, seconds, dt_s=10.0, bath_C=30.0):
    readings = None
    for _ in range(round(seconds / dt_s)):
        state, readings = advance(cells, state, current_A, bath_C, dt_s, 25.0)
    return state, readings


def density_25C(state):
    w = acid.fraction(acid.outside(state[rows.ACID], state[rows.SURPLUS], 0.3), state[rows.WATER])
    return float(chemistry.density_kg_m3(w, np.array([25.0]))[0]) / 1000.0


def gassing_battery(current_A):
    """A battery formed by the usual courses of current, at the end gassing with this one for hours."""
    cells, state = one_battery()
    for hours, ampere in (
        (1, 0.0),
        (0.5, 3.0),
        (1, 6.0),
        (6, 15.0),
        (0.5, 0.0),
        (5, 12.0),
        (0.25, -6.0),
        (4, current_A),
    ):
        state, readings = run(cells, state, ampere, hours * 3600.0)
    return cells, state, readings


def test_digits_of_the_first_hours():
    """Voltage, temperature, plates, acid agree with the reference to its last digits, row after row."""
    cells, state = one_battery()
    for count, current_A, *expected in DIGITS:
        state, readings = run(cells, state, current_A, count * 10.0)
        formed = 1.0 - state[rows.FAST] - state[rows.SLOW]
        assert readings.cell_V[0] == pytest.approx(expected[0], abs=1e-5)
        assert state[rows.TEMPERATURE, 0] == pytest.approx(expected[1], abs=1e-4)
        assert density_25C(state) == pytest.approx(expected[2], abs=1e-6)
        plates = [*formed[:, 0], *state[rows.SULFATE][:, 0], *state[rows.ETA][:, 0]]
        assert plates == pytest.approx(expected[3:9], abs=1e-6)
        held = [state[row, 0] for row in (rows.ACID, rows.SURPLUS, rows.WATER)]
        assert held == pytest.approx(expected[9:12], abs=6e-6)
        assert readings.heat_W[0] == pytest.approx(expected[12], abs=1e-3)


def test_voltage_decays_after_gassing():
    """Switched off from 9 A of gassing the cell falls within minutes to rest, quickly at first."""
    cells, state, before = gassing_battery(9.0)
    assert before.cell_V[0] == pytest.approx(2.765, abs=0.005)
    expected = [(1.0, 0.02, 2.731), (10.0, 0.05, 2.627), (60.0, 0.25, 2.472), (300.0, 1.0, 2.241), (3600.0, 5.0, 2.128)]
    at = 0.0
    for moment, dt_s, volts in expected:
        state, readings = run(cells, state, 0.0, moment - at, dt_s)
        at = moment
        assert readings.cell_V[0] == pytest.approx(volts, abs=0.006)


def test_voltage_after_a_fall_of_current():
    """From 9 A to 4.8 A: the ohmic fall comes at once, the slow dip after it is polarisation, not resistance."""
    cells, state, _ = gassing_battery(9.0)
    state, first = run(cells, state, 4.8, 1.0, 0.05)
    state, minute = run(cells, state, 4.8, 59.0, 0.5)
    state, later = run(cells, state, 4.8, 1740.0, 5.0)
    seen = [reading.cell_V[0] for reading in (first, minute, later)]
    assert seen == pytest.approx([2.749, 2.702, 2.715], abs=0.006)


def test_capacity_follows_what_was_formed():
    """A formed battery gives about its rated charge to 1.75 V a cell at the 20 h current, a half-formed one half."""
    cells, state, _ = gassing_battery(9.0)
    state, _ = run(cells, state, 9.0, 2 * 3600.0)
    given_Ah = []
    for start in (state, run(*one_battery(), 0.0, 3600.0)[0]):
        if start is not state:
            start, _ = run(cells, start, 3.0, 1800.0)
            start, _ = run(cells, start, 15.0, 4 * 3600.0)
        start, _ = run(cells, start, 0.0, 1800.0)
        before = start[rows.OUT_AH, 0]
        for _ in range(3000):
            start, readings = advance(cells, start, -3.0, 30.0, 30.0, 25.0)
            if readings.cell_V[0] < 1.75:
                break
        given_Ah.append(start[rows.OUT_AH, 0] - before)
    assert given_Ah[0] == pytest.approx(59.0, abs=2.5)
    assert given_Ah[1] == pytest.approx(30.5, abs=2.5)


@pytest.mark.parametrize(
    ("fill_kg_m3", "lowest", "final", "plateau_V"),
    [(1050.0, 1.016, 1.095, 1.985), (1100.0, 1.042, 1.144, 2.020), (1280.0, 1.198, 1.323, 2.169)],
)
def test_other_fillings(fill_kg_m3, lowest, final, plateau_V):
    """Weaker or stronger acid at filling moves density and plateau as the reference has it."""
    from simulator.parameters import CellParameters

    cells = build_cells(np.array([60.0]), np.array([6.0]), CellParameters(fill_kg_m3=fill_kg_m3))
    state = new_state(cells)
    seen, at_5h = [], 0.0
    clock = 0.0
    for hours, ampere in ((1, 0), (0.5, 3), (1, 6), (6, 15), (0.5, 0), (5, 12), (0.25, -6), (4, 9), (3, 4.8)):
        for _ in range(round(hours * 3600 / 30)):
            state, readings = advance(cells, state, float(ampere), 30.0, 30.0, 25.0)
            clock += 30.0
            seen.append(density_25C(state))
            if clock == 5 * 3600.0:
                at_5h = readings.cell_V[0]
    assert min(seen) == pytest.approx(lowest, abs=0.002)
    assert seen[-1] == pytest.approx(final, abs=0.002)
    assert at_5h == pytest.approx(plateau_V, abs=0.006)


@pytest.mark.parametrize(("capacity_Ah", "hottest_C"), [(5.0, 35.7), (200.0, 48.2)])
def test_size_makes_heat(capacity_Ah, hottest_C):
    """At the same current per Ah a big battery gets hotter: its surface grows less than its content."""
    cells, state = one_battery(capacity_Ah)
    hottest = 0.0
    for hours, share in ((1, 0), (0.5, 0.05), (1, 0.1), (6, 0.25), (0.5, 0), (5, 0.2)):
        for _ in range(round(hours * 3600 / 30)):
            state, _ = advance(cells, state, share * capacity_Ah, 30.0, 30.0, 25.0)
            hottest = max(hottest, float(state[rows.TEMPERATURE, 0]))
    assert hottest == pytest.approx(hottest_C, abs=0.3)
