"""A logged run as the model's input: nothing lost, nothing made up, and rows held to the right moments."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from calibratekit import AIR_C, BASE, SHORT, TRUE, blank, densities, true_run, typed

from simulator import cell, rows
from simulator.bench.calibratecourse import BESIDE_EDGE_S, LONGEST_S, course_of
from simulator.bench.calibratemodel import FITTED, simulated
from simulator.parameters import build_cells


def ends(run, course):
    return run.at_s[0] - run.soak_s + np.cumsum(course.dt_s)


def full(run):
    """Readings everywhere, so that only the course decides what is compared."""
    return replace(run, voltage_V=np.full(run.at_s.size, 216.0), probe_C=np.full(run.at_s.size, 30.0))


@pytest.mark.parametrize("row_s", [10.0, 60.0, 240.0])
def test_time_and_charge_are_those_of_the_log(row_s):
    """Whatever the logging interval: soak and run as long as they were, the steps' charge is the profile's."""
    run = blank(row_s=row_s)
    course = course_of(run)
    assert ends(run, course)[-1] == pytest.approx(run.at_s[-1], abs=1e-6)
    assert course.dt_s.sum() == pytest.approx(run.soak_s + run.at_s[-1])
    assert course.dt_s.max() <= LONGEST_S + 1e-9
    asked_Ah = sum(hours * amps for hours, amps in SHORT)
    assert course.mean_A @ course.dt_s / 3600.0 == pytest.approx(asked_Ah, abs=0.03 * row_s / 10.0)
    assert course.gap_s == 0.0
    soaking = ends(run, course) < 1e-6
    assert np.all(course.mean_A[soaking] == 0.0)


def test_steps_are_short_behind_a_change_and_long_elsewhere():
    """A change of current begins the rule anew; long rows are cut, short ones joined up to a minute."""
    for row_s in (5.0, 60.0):
        run = blank(row_s=row_s)
        course = course_of(run)
        at_s = ends(run, course)
        for edge_s in (0.0, 3600.0 * 0.2, 3600.0 * 1.4):
            behind = at_s > edge_s + 1e-6
            assert course.dt_s[behind][0] <= 0.5 + 1e-9
            assert course.dt_s[(at_s > edge_s + 1500.0) & (at_s < edge_s + 2000.0)].min() > 25.0 or edge_s == 0.0


def test_current_flows_from_the_moment_at_which_it_was_asked_for():
    """The row that shows the old current and the new set-point is where the new one begins; else it rises evenly."""
    run = blank()
    course = course_of(run)
    first = (ends(run, course) > 1e-6) & (ends(run, course) < 60.0 + 1e-6)
    assert np.all(course.mean_A[first] == 6.0)
    slow = course_of(replace(run, asked_A=np.zeros(run.at_s.size)))
    first = (ends(run, slow) > 1e-6) & (ends(run, slow) < 60.0 + 1e-6)
    assert slow.mean_A[first] @ slow.dt_s[first] / 60.0 == pytest.approx(3.0)


def test_rows_without_a_good_current_are_a_gap_of_no_current():
    """Forty minutes without current readings counts as none flowing, is told, and nothing beside it is compared."""
    run = full(blank())
    hole = (run.at_s > 1200.0) & (run.at_s < 3600.0)
    course = course_of(replace(run, current_A=np.where(hole, np.nan, run.current_A)))
    at_s = ends(run, course)
    inside = (at_s > 1200.0 + 1e-6) & (at_s <= 3600.0)
    assert course.gap_s == pytest.approx(2400.0)
    assert np.all(course.mean_A[inside] == 0.0)
    assert course.mean_A[at_s > 3600.0 + 1.0][0] == 24.0
    volts_s = at_s[course.volts_at]
    assert not np.any((volts_s > 1200.0 - BESIDE_EDGE_S) & (volts_s < 3600.0 + BESIDE_EDGE_S))
    short = (run.at_s > 1800.0) & (run.at_s < 1900.0)
    bridged = course_of(replace(run, current_A=np.where(short, np.nan, run.current_A)))
    assert bridged.gap_s == 0.0
    at_s = ends(run, bridged)
    assert np.all(bridged.mean_A[(at_s > 1800.0) & (at_s < 1900.0)] == 24.0)


def test_voltage_counts_away_from_edges_only_and_probes_everywhere():
    """No voltage before the first current or within 2.4 min of a change; each good probe; no missing value."""
    run = full(blank())
    run.voltage_V[100], run.probe_C[100] = np.nan, np.nan
    course = course_of(run)
    at_s = ends(run, course)
    volts_s, probe_s = at_s[course.volts_at], at_s[course.probe_at]
    edges_s = [0.0, *(3600.0 * np.cumsum([hours for hours, _ in SHORT[:-1]]))]
    assert min(np.abs(volts_s - edge_s).min() for edge_s in edges_s) >= BESIDE_EDGE_S
    assert set(np.round(volts_s)) < set(np.round(probe_s))
    assert 6000.0 not in np.round(probe_s)
    assert course.volts_V_per_cell == pytest.approx(216.0 / 108)
    assert volts_s.size > 0.9 * run.at_s.size - 30


def test_densities_stand_at_their_moments_also_after_the_run():
    """A density between two steps is read between them, one after the last row when no current flows any more."""
    run = blank()
    run = replace(run, densities=densities(run, (1.003, run.at_s[-1] / 3600.0 + 1.0)))
    course = course_of(run)
    at_s = ends(run, course)
    begins_s = at_s[course.density_at] - course.dt_s[course.density_at]
    assert begins_s + course.density_share * course.dt_s[course.density_at] == pytest.approx(
        [one.at_s for one in run.densities]
    )
    assert np.all(course.mean_A[at_s > run.at_s[-1] + 1e-6] == 0.0)
    assert at_s[-1] == pytest.approx(run.at_s[-1] + 3600.0)


def test_parameter_sets_side_by_side_are_batteries_of_their_own():
    """Six factors in one array give what each battery type gives by itself; plates grow up together, which is 3 mV."""
    course = course_of(full(replace(blank(((0.25, 6.0), (0.3, 24.0))), densities=densities(blank(), (0.5,)))))
    factors = {name: np.array([1.0, 1.1 if at else 0.9]) for at, name in enumerate(FITTED)}
    seen = simulated(BASE, course, factors, AIR_C)
    for column in (0, 1):
        model = typed({name: float(values[column]) for name, values in factors.items()})
        cells = build_cells(np.array([60.0]), np.array([6.0]), model)
        state, shown = rows.new_state(cells), []
        for dt_s, amps, water_C in zip(course.dt_s, course.mean_A, course.bath_C, strict=True):
            state, readings = cell.advance(cells, state, amps, water_C, float(dt_s), AIR_C)
            shown.append(float(readings.cell_V[0]))
        lead_V = course.mean_A * (0.5e-3 / 6.0 + 0.02 / 108.0)
        assert seen.volts[:, column] == pytest.approx((np.array(shown) + lead_V)[course.volts_at], abs=3e-3)
        lag_K = abs(seen.probe[-1, column] - float(state[rows.TEMPERATURE, 0]))
        assert 0.01 < lag_K < 0.3


def test_a_true_run_leaves_nothing():
    """The kit's own runs come back as they were made: what is left of them is rounding."""
    run = true_run()
    course = course_of(run)
    seen = simulated(typed({}), course, {name: np.array([f]) for name, f in TRUE.items()}, AIR_C)
    assert np.abs(seen.volts[:, 0] - course.volts_V_per_cell).max() < 1e-9
    assert np.abs(seen.probe[:, 0] - course.probe_C).max() < 1e-9
    assert np.abs(seen.density[:, 0] - course.density_kg_m3).max() < 1e-9
