"""A whole formation of three strings in one bath against the reference, from soak to the last ampere."""

from dataclasses import dataclass

import numpy as np
import pytest

from profiles import chemistry
from simulator import acid, rows, string
from simulator.bath import advance_bath, scaled
from simulator.parameters import build_cells
from simulator.rows import new_state

STEPS = ((1.0, 0.0), (0.5, 3.0), (1.0, 6.0), (6.0, 15.0), (0.5, 0.0), (5.0, 12.0), (0.25, -6.0), (4.0, 9.0), (3.0, 4.8))
# h, V/cell, acid C, bath C, density 25 C, formed p, formed n, O2 A, H2 A, W a battery: own reference, three circuits of
# 18 batteries of 60 Ah without spread. The moment is the end of the step where one ends.
TABLE = (
    (0.25, 0.0000, 32.58, 25.23, 1.2284, 0.0, 0.0, 0.0, 0.0, 167.9),
    (1.0, 0.0000, 36.59, 28.78, 1.1944, 0.0, 0.0, 0.0, 0.0, 59.1),
    (1.5, 2.0766, 37.08, 29.34, 1.1776, 0.0124, 0.0129, 0.00, 0.00, 56.9),
    (2.5, 2.0567, 36.43, 29.35, 1.1602, 0.0619, 0.0647, 0.00, 0.00, 47.6),
    (4.0, 2.1304, 42.09, 30.12, 1.1627, 0.2478, 0.2589, 0.00, 0.01, 100.1),
    (6.0, 2.1395, 41.81, 30.13, 1.1805, 0.4956, 0.5177, 0.01, 0.01, 90.8),
    (8.5, 2.2015, 38.67, 29.70, 1.2191, 0.8053, 0.8412, 0.01, 0.02, 63.3),
    (9.0, 2.0887, 33.21, 29.08, 1.2253, 0.8054, 0.8412, 0.00, 0.01, 0.0),
    (9.5, 2.3145, 33.95, 28.87, 1.2318, 0.8544, 0.8929, 0.20, 0.02, 49.3),
    (10.0, 2.7100, 35.26, 29.00, 1.2443, 0.8880, 0.9435, 6.11, 2.72, 76.4),
    (11.0, 2.7781, 39.26, 29.64, 1.2575, 0.9180, 0.9714, 9.78, 10.84, 90.0),
    (14.0, 2.7761, 41.14, 30.01, 1.2695, 0.9498, 0.9887, 11.10, 11.60, 91.5),
    (14.25, 2.0773, 37.15, 29.74, 1.2684, 0.9383, 0.9760, 0.00, 0.01, -1.0),
    (15.0, 2.7639, 37.07, 29.39, 1.2702, 0.9515, 0.9901, 7.58, 8.36, 66.2),
    (18.25, 2.7677, 37.77, 29.50, 1.2788, 0.9711, 0.9964, 8.51, 8.88, 68.5),
    (21.25, 2.7333, 32.89, 28.70, 1.2828, 0.9803, 0.9983, 4.50, 4.75, 35.5),
)
STRING_V = {1.5: 224.36, 6.0: 231.50, 9.5: 250.31, 14.0: 300.16, 21.25: 295.33}


@dataclass
class Course:
    seen: dict
    string_V: dict
    state: np.ndarray
    peak_V: float
    hottest_C: float
    hottest_bath_C: float
    hydrogen_m3_h: float
    evaporated_kg: float


def moments(start_h, hours):
    return [row[0] * 3600 - start_h * 3600 for row in TABLE if start_h < row[0] <= start_h + hours + 1e-9]


@pytest.fixture(scope="module")
def course():
    """All of it once: the rule is share 0.03 of the time since a current changed, 0.1 to 15 s."""
    cells = build_cells(np.full(54, 60.0), np.full(54, 6.0))
    strings = string.series([18, 18, 18])
    state, water_C, size = new_state(cells), 25.0, scaled(3)
    c = Course({}, {}, state, 0.0, 0.0, 0.0, 0.0, 0.0)
    start_h = 0.0
    for hours, current_A in STEPS:
        t = 0.0
        marks = [*moments(start_h, hours), hours * 3600]
        limit = np.full(3, 1e6 if current_A >= 0 else -1e6)
        while t < hours * 3600 - 1e-6:
            following = min(mark for mark in marks if mark > t + 1e-6)
            dt_s = min(max(min(0.03 * t, 15.0), 0.1), following - t)
            before_J = state[rows.TO_BATH].sum()
            state, shown, readings = string.advance_strings(
                cells, strings, state, np.full(3, current_A), limit, water_C, dt_s, 22.0
            )
            heat_J = state[rows.TO_BATH].sum() - before_J
            water_C, vapour_kg = advance_bath(size, water_C, heat_J, dt_s)
            t += dt_s
            c.evaporated_kg += vapour_kg
            c.hottest_C = max(c.hottest_C, float(state[rows.TEMPERATURE, 0]))
            c.hottest_bath_C = max(c.hottest_bath_C, water_C)
            c.hydrogen_m3_h = max(c.hydrogen_m3_h, 54 * 6 * 0.4564e-3 * float(readings.hydrogen_A[0]))
            if start_h + t / 3600 < 2.0:
                c.peak_V = max(c.peak_V, float(readings.cell_V[0]))
            for mark in marks:
                if abs(t - mark) < 1e-6:
                    c.seen[round(start_h + mark / 3600, 4)] = look(state, readings, water_C)
                    c.string_V[round(start_h + mark / 3600, 4)] = float(shown.voltage_V[0])
        start_h += hours
    c.state = state
    return c


def look(state, readings, water_C):
    w = acid.fraction(acid.outside(state[rows.ACID], state[rows.SURPLUS], 0.3), state[rows.WATER])
    formed = 1.0 - state[rows.FAST] - state[rows.SLOW]
    return (
        readings.cell_V[0],
        state[rows.TEMPERATURE, 0],
        water_C,
        chemistry.density_kg_m3(w, np.full(54, 25.0))[0] / 1000.0,
        formed[0, 0],
        formed[1, 0],
        readings.oxygen_A[0],
        readings.hydrogen_A[0],
        readings.heat_W[0],
    )


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}h")
def test_table_of_the_course(course, row):
    """Each moment of the course agrees: voltage, temperatures, density, plates, gas, heat."""
    volts, acid_C, bath_C, density, positive, negative, oxygen, hydrogen, heat_W = course.seen[row[0]]
    assert volts == pytest.approx(row[1], abs=0.0005)
    assert acid_C == pytest.approx(row[2], abs=0.02)
    assert bath_C == pytest.approx(row[3], abs=0.02)
    assert density == pytest.approx(row[4], abs=0.0001)
    assert (positive, negative) == pytest.approx(row[5:7], abs=0.0002)
    assert (oxygen, hydrogen) == pytest.approx(row[7:9], abs=0.02)
    assert heat_W == pytest.approx(row[9], abs=1.0)  # soaking: it falls by a watt in a quarter of a minute


def test_string_volts_with_leads(course):
    """The string's volts are 18 batteries and two leads."""
    assert {h: course.string_V[h] for h in STRING_V} == pytest.approx(STRING_V, abs=0.02)


def test_totals_of_the_course(course):
    """Peaks and sums over the whole course: start peak, heat, gas, energy, water."""
    state = course.state[:, 0]
    assert course.peak_V == pytest.approx(2.3463, abs=0.002)
    assert course.hottest_C == pytest.approx(42.3, abs=0.05)
    assert course.hottest_bath_C == pytest.approx(30.2, abs=0.06)
    assert course.hydrogen_m3_h == pytest.approx(1.715, abs=0.005)
    assert course.evaporated_kg == pytest.approx(14.1, abs=0.1)
    assert state[rows.H2] * 6 * 24.465 == pytest.approx(248.5, abs=0.3)
    assert state[rows.O2] * 6 * 24.465 == pytest.approx(120.0, abs=0.3)
    assert state[rows.ENERGY] / 3.6e6 == pytest.approx(3.03, abs=0.005)
    assert state[rows.IN_AH] == pytest.approx(207.9, abs=1e-6)
    assert state[rows.OUT_AH] == pytest.approx(1.5, abs=1e-6)
    lost_g = 6 * (state[rows.H2] * 2.01588 + state[rows.O2] * 31.9988 + state[rows.VAPOUR] * 18.0153)
    assert lost_g == pytest.approx(191.6, abs=0.3)


def test_all_strings_alike(course):
    """Without spread no battery differs from another in any digit."""
    assert np.ptp(course.state, axis=1).max() == 0.0
