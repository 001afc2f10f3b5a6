"""Elements side by side do not feel each other, whatever is broken nothing is lost, and rows may be split."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from profiles import chemistry
from simulator import injectors, rows
from simulator.cell import advance
from simulator.faults import CATALOGUE, FaultLine
from simulator.parameters import Spread, build_cells
from simulator.parts import build_parts
from simulator.rows import new_state
from simulator.solver import Currents
from simulator.spec import CircuitSpec, PlantSpec

FEW = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
RUNS, BATTERIES = 2, 3
SHAPES = ((), (RUNS, 1), (1, BATTERIES), (RUNS, BATTERIES), (BATTERIES,), (1, 1))
BATTERY_FAULTS = sorted(name for name, kind in CATALOGUE.items() if kind.place == "battery")


@pytest.fixture(scope="module")
def grown():
    """Three batteries that differ, one with a soft short, past the first minutes of their plates."""
    cells = build_cells(
        np.full(BATTERIES, 60.0), np.full(BATTERIES, 6.0), spread=Spread(), random=np.random.default_rng(2)
    )
    cells = cells.changed(leak_S=np.array([0.0, 0.0, 2.0]))
    state = new_state(cells)
    for current_A, count in ((0.0, 60), (3.0, 60), (15.0, 250)):
        for _ in range(count):
            state, _ = advance(cells, state, current_A, 30.0, 30.0, 22.0)
    assert state[rows.BEST].min() > 0.1
    return cells, state


def drawn(random, shape, low, high):
    return float(random.uniform(low, high)) if shape == () else random.uniform(low, high, shape)


@FEW
@given(st.sampled_from(SHAPES), st.sampled_from(SHAPES), st.sampled_from(SHAPES), st.integers(0, 2**32 - 1))
def test_runs_side_by_side_are_the_runs_alone(grown, current_shape, step_shape, bath_shape, seed):
    """Any mix of shapes of current, step and bath: each battery does, bit for bit, what it does alone with its own."""
    cells, state = grown
    random = np.random.default_rng(seed)
    both = np.stack([state] * RUNS, axis=1)
    alone = {(i, j): state[:, [j]] for i in range(RUNS) for j in range(BATTERIES)}
    full = (RUNS, BATTERIES)
    for _ in range(12):
        given_values = [
            drawn(random, current_shape, -8.0, 20.0),
            drawn(random, bath_shape, 15.0, 45.0),
            drawn(random, step_shape, 0.1, 60.0),
        ]
        before = both.copy()
        after, shown = advance(cells, both, *given_values, 22.0)
        assert (both == before).all()
        both = after
        current_A, bath_C, dt_s = (np.broadcast_to(value, full) for value in given_values)
        for (i, j), one in alone.items():
            ampere, water_C, seconds = (float(v[i, j]) for v in (current_A, bath_C, dt_s))
            alone[i, j], single = advance(cells.part([j]), one, ampere, water_C, seconds, 22.0)
            assert (alone[i, j][:, 0] == both[:, i, j]).all()
            for name in ("voltage_V", "slope_ohm", "cell_V", "heat_W"):
                assert getattr(single, name)[0] == getattr(shown, name)[i, j], name
            for field in fields(Currents):
                theirs, ours = (getattr(r.currents, field.name) for r in (single, shown))
                assert (theirs[..., 0] == ours[..., i, j]).all(), field.name


def test_three_axes(grown):
    """More leading axes are the same: runs of runs, each with its own current."""
    cells, state = grown
    current_A = np.array([1.0, 9.0, -3.0, 15.0]).reshape(2, 2, 1)
    many = np.broadcast_to(state[:, None, None, :], (rows.ROWS, 2, 2, BATTERIES)).copy()
    dt_s = np.array([3.0, 40.0]).reshape(2, 1, 1)
    for _ in range(5):
        many, shown = advance(cells, many, current_A, 30.0, dt_s, 22.0)
    assert shown.voltage_V.shape == (2, 2, BATTERIES)
    assert shown.currents.eta.shape == (2, 2, 2, BATTERIES)
    for a in range(2):
        for b in range(2):
            one = state
            for _ in range(5):
                one, alone = advance(cells, one, float(current_A[a, b, 0]), 30.0, float(dt_s[a, 0, 0]), 22.0)
            assert (many[:, a, b] == one).all()
            assert (shown.voltage_V[a, b] == alone.voltage_V).all()


def test_young_plates_in_company():
    """In the first minutes the terms of young plates hang on the youngest of the array, by less than 0.02 mV."""
    cells = build_cells(np.full(2, 60.0), np.full(2, 6.0))
    state = new_state(cells)
    for _ in range(60):
        state, _ = advance(cells, state, 0.0, 30.0, 30.0, 22.0)
    old, worst = state, 0.0
    for _ in range(600):
        old, _ = advance(cells, old, 3.0, 30.0, 10.0, 22.0)
    mixed = np.stack([state[:, 0], old[:, 0]], axis=1)
    for _ in range(200):
        mixed, together = advance(cells, mixed, 6.0, 30.0, 5.0, 22.0)
        old, alone = advance(cells, old, 6.0, 30.0, 5.0, 22.0)
        worst = max(worst, abs(float(together.cell_V[1] - alone.cell_V[1])))
    assert worst < 2e-5


def sulfur_and_lead(cells, state):
    """Sulfur of a cell, and the heat and work its books hold, in mol and J."""
    lead = cells.paste_Ah * 3600.0 * chemistry.MOL_PER_C
    sulfur = state[rows.ACID] + (lead * state[rows.SULFATE]).sum(axis=0)
    layer = cells.double_layer_F * state[rows.ETA] / chemistry.FARADAY_C_MOL
    held = state[rows.ACID] + state[rows.WATER] + state[rows.H2] + state[rows.VAPOUR]
    energy = state[rows.ENERGY] - state[rows.CHEMICAL] - state[rows.TO_BATH] - state[rows.TO_AIR]
    return sulfur, 2 * held - (layer[0] - layer[1]), energy - cells.heat_J_K * state[rows.TEMPERATURE]


@FEW
@given(
    st.lists(st.sampled_from(BATTERY_FAULTS), min_size=1, max_size=3, unique=True),
    st.lists(st.tuples(st.floats(-8.0, 20.0), st.floats(0.1, 60.0), st.integers(1, 25)), min_size=1, max_size=5),
)
def test_nothing_is_lost_whatever_is_broken(faults, course):
    """Whatever stands in the string, in any mix: sulfur, hydrogen, energy balance to rounding, all stays finite."""
    parts = build_parts(
        PlantSpec((CircuitSpec("A01", batteries=3),)), np.random.default_rng(4), np.random.default_rng(4)
    )
    lines = [FaultLine(name, "A01", 2) for name in faults]
    for line in lines:
        injectors.begin(parts, line)
    injectors.stand(parts, lines)
    cells, state = parts.racks.cells, parts.racks.state
    start = sulfur_and_lead(cells, state)
    with np.errstate(divide="raise", over="raise", invalid="raise"):
        for current_A, dt_s, count in course:
            for _ in range(count):
                state, readings = advance(cells, state, current_A, 30.0, dt_s, 22.0)
    assert np.isfinite(state).all()
    assert np.isfinite(readings.voltage_V).all()
    end = sulfur_and_lead(cells, state)
    for now, once in zip(end[:2], start[:2], strict=True):
        assert now == pytest.approx(once, rel=1e-11)
    size_J = np.abs(state[[rows.ENERGY, rows.CHEMICAL, rows.TO_BATH]]).sum(axis=0)
    size_J += cells.heat_J_K * 100.0
    assert (np.abs(end[2] - start[2]) <= 1e-9 * size_J).all()


def course_of(cells, state, step_list):
    """By the rule of studies: a tenth of the time since the current changed, 0.5 to 60 s."""
    since_s, before_A = 0.0, None
    for hours, current_A in step_list:
        since_s = since_s if current_A == before_A else 0.0
        left_s = hours * 3600.0
        while left_s > 1e-6:
            dt_s = min(max(min(0.1 * since_s, 60.0), 0.5), left_s)
            state, readings = advance(cells, state, current_A, 30.0, dt_s, 22.0)
            since_s, left_s = since_s + dt_s, left_s - dt_s
        before_A = current_A
    return state, readings


def test_a_row_split_in_two_is_the_row():
    """Two equal rows of half the length change no more than the step that ends between them."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    whole, one = course_of(cells, new_state(cells), ((1.0, 0.0), (0.5, 3.0), (4.0, 15.0)))
    halves, two = course_of(
        cells, new_state(cells), ((0.5, 0.0), (0.5, 0.0), (0.25, 3.0), (0.25, 3.0), (2.0, 15.0), (2.0, 15.0))
    )
    assert two.cell_V == pytest.approx(one.cell_V, abs=2e-4)
    assert halves[rows.TEMPERATURE] == pytest.approx(whole[rows.TEMPERATURE], abs=0.02)
    assert halves[rows.FAST] == pytest.approx(whole[rows.FAST], abs=2e-5)
    assert halves[rows.IN_AH] == pytest.approx(whole[rows.IN_AH], rel=1e-12)
