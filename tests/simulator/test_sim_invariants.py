"""What holds at every step, for any current: conservation of charge, matter and energy, order, scale, sign."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from profiles import chemistry
from simulator import acid, prepared, rows
from simulator.cell import advance, prepare, solve
from simulator.parameters import GAS_V, Spread, build_cells
from simulator.rows import formed_state, new_state

FEW = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
PIECE = st.tuples(
    st.floats(-8.0, 20.0).map(lambda a: round(a, 3)),
    st.floats(0.1, 60.0).map(lambda s: round(s, 2)),
    st.integers(1, 40),
)
COURSE = st.lists(PIECE, min_size=1, max_size=8)
CAPACITY_AH = 60.0


def batteries(n=3, seed=1, leak_S=0.0):
    cells = build_cells(np.full(n, CAPACITY_AH), np.full(n, 6.0), spread=Spread(), random=np.random.default_rng(seed))
    leaks = np.zeros(n)
    leaks[-1] = leak_S
    return cells.changed(leak_S=leaks)


def started(cells, formed):
    """Fresh batteries, of which the first may have been formed before."""
    state = new_state(cells)
    if formed:
        state[:, 0] = formed_state(cells)[:, 0]
    return state


def plate_mol(cells):
    return cells.paste_Ah * 3600.0 * chemistry.MOL_PER_C


def matter(cells, state):
    """Sulfur, hydrogen, oxygen of one cell, in mol."""
    lead = plate_mol(cells)
    u = state[rows.FAST] + state[rows.SLOW]
    s = state[rows.SULFATE]
    layer = cells.double_layer_F * state[rows.ETA] / chemistry.FARADAY_C_MOL
    sulfur = state[rows.ACID] + (lead * s).sum(axis=0)
    hydrogen = 2 * (state[rows.ACID] + state[rows.WATER] + state[rows.H2] + state[rows.VAPOUR]) - (layer[0] - layer[1])
    oxygen = 4 * state[rows.ACID] + state[rows.WATER] + 2 * state[rows.O2] + state[rows.VAPOUR]
    oxygen = oxygen + 2 * lead[0] * (1 - u[0]) + (lead * (4 * s + u - s)).sum(axis=0)
    return np.array([sulfur, hydrogen, oxygen])


@FEW
@given(COURSE, st.booleans(), st.sampled_from([0.0, 2.0, 500.0]))
def test_nothing_is_lost(course, formed, leak_S):
    """Sulfur, hydrogen, oxygen and energy balance to rounding, whatever flows, with a leak too; no overflow."""
    cells = batteries(leak_S=leak_S)
    state = started(cells, formed)
    start, start_C = matter(cells, state), state[rows.TEMPERATURE].copy()
    with np.errstate(divide="raise", over="raise", invalid="raise"):
        for current_A, dt_s, count in course:
            for _ in range(count):
                state, _ = advance(cells, state, current_A, 30.0, dt_s, 22.0)
    assert np.isfinite(state).all()
    assert matter(cells, state) == pytest.approx(start, rel=1e-11)
    stored_J = cells.heat_J_K * (state[rows.TEMPERATURE] - start_C)
    out_J = state[rows.CHEMICAL] + state[rows.TO_BATH] + state[rows.TO_AIR] + stored_J
    size_J = np.abs(state[rows.ENERGY]) + np.abs(state[rows.CHEMICAL]) + np.abs(state[rows.TO_BATH])
    assert (np.abs(state[rows.ENERGY] - out_J) <= 1e-9 * (size_J + 1e3)).all()


@FEW
@given(COURSE, st.booleans())
def test_currents_and_charge(course, formed):
    """At each electrode the parts sum to the cell's current; the charge is in plates, gas and double layer."""
    cells = batteries()
    state = started(cells, formed)
    first = state.copy()
    gas_Ah = np.zeros((2, 3))
    for current_A, dt_s, count in course:
        for _ in range(count):
            state, readings = advance(cells, state, current_A, 30.0, dt_s, 22.0)
            c = readings.currents
            parts = c.main_A + c.gas_A - c.reverse_A + c.layer_A
            assert np.abs(parts - c.cell_A).max() < 1e-9
            gas_Ah += (c.gas_A - c.reverse_A) * dt_s / 3600.0
    u0, u1 = first[rows.FAST] + first[rows.SLOW], state[rows.FAST] + state[rows.SLOW]
    layer_Ah = cells.double_layer_F * (state[rows.ETA] - first[rows.ETA]) / 3600.0
    net_Ah = state[rows.IN_AH] - state[rows.OUT_AH]
    assert net_Ah == pytest.approx((cells.paste_Ah * (u0 - u1) + gas_Ah + layer_Ah)[0], abs=1e-6)
    assert net_Ah == pytest.approx((cells.paste_Ah * (u0 - u1) + gas_Ah + layer_Ah)[1], abs=1e-6)


@FEW
@given(COURSE, st.booleans(), st.sampled_from([0.0, 2.0, 500.0]))
def test_shares_stay_shares(course, formed, leak_S):
    """At every step: formed share between 0 and 1, sulfate within what is unformed, acid left, gas never negative,
    the main reaction loses energy and never makes any, all of it finite without a floating-point error.
    """
    cells = batteries(leak_S=leak_S)
    state = started(cells, formed)
    with np.errstate(divide="raise", over="raise", invalid="raise"):
        for current_A, dt_s, count in course:
            for _ in range(count):
                state, readings = advance(cells, state, current_A, 30.0, dt_s, 22.0)
                u = state[rows.FAST] + state[rows.SLOW]
                assert (u > -1e-6).all()
                assert (u < 1 + 1e-6).all()
                assert (state[rows.SULFATE] <= u + 1e-6).all()
                assert (state[rows.ACID] > 0).all()
                assert (readings.currents.gas_A >= -1e-9).all()
                assert (readings.currents.main_A * readings.currents.eta >= -1e-9).all()
                assert np.isfinite(readings.voltage_V).all()


@FEW
@given(COURSE, st.floats(-8.0, 19.0), st.floats(0.05, 1.0))
def test_more_current_more_voltage(course, current_A, more_A):
    """At any state a larger current needs a higher voltage, and dV/dI is positive."""
    cells = batteries(2)
    state = new_state(cells)
    for ampere, dt_s, count in course:
        for _ in range(count):
            state, _ = advance(cells, state, ampere, 30.0, dt_s, 22.0)
    p = prepare(cells, state, 5.0)
    lower, higher = solve(cells, p, current_A), solve(cells, p, current_A + more_A)
    assert (higher.voltage_V > lower.voltage_V).all()
    assert (lower.slope_ohm > 0).all()


@FEW
@given(COURSE)
def test_order_and_company_do_not_matter(course):
    """Elements in another order give the same numbers bit for bit; alone a battery does what it does among others."""
    cells = batteries(4)
    turned, alone = cells.part([3, 1, 0, 2]), cells.part([1])
    state, state_turned, state_alone = (new_state(c) for c in (cells, turned, alone))
    for current_A, dt_s, count in course:
        for _ in range(count):
            before = state.copy()
            after, readings = advance(cells, state, current_A, 30.0, dt_s, 22.0)
            assert (state == before).all()
            state = after
            state_turned, _ = advance(turned, state_turned, current_A, 30.0, dt_s, 22.0)
            state_alone, single = advance(alone, state_alone, current_A, 30.0, dt_s, 22.0)
    assert (state_turned == state[:, [3, 1, 0, 2]]).all()
    assert single.cell_V[0] == pytest.approx(readings.cell_V[1], abs=2e-4)


def test_leading_axes_and_steps_of_their_own():
    """Two runs in one array, each with its own current and step, are the two runs alone."""
    cells = batteries(2)
    one = new_state(cells)
    both = np.stack([one, one], axis=1)
    current, dt_s = np.array([[3.0], [6.0]]), np.array([[5.0], [4.0]])
    for _ in range(40):
        both, readings = advance(cells, both, current, 30.0, dt_s, 22.0)
    for k in range(2):
        state = one
        for _ in range(40):
            state, alone = advance(cells, state, float(current[k, 0]), 30.0, float(dt_s[k, 0]), 22.0)
        assert readings.cell_V[k] == pytest.approx(alone.cell_V, abs=1e-8)
        assert both[:, k] == pytest.approx(state, rel=1e-6, abs=1e-9)


def test_first_law_against_species(monkeypatch):
    """With constant potentials the chemical book is what the species themselves hold, without any voltage in it."""
    monkeypatch.setattr(prepared, "_POTENTIAL", np.array([[1.7, 0.36]] + [[0.0, 0.0]] * 4)[:, :, None])
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    cells = replace(cells, double_layer_F=cells.double_layer_F * 1e-9)
    state = new_state(cells)
    start = state.copy()
    for current_A, count in ((0.0, 200), (3.0, 100), (15.0, 2000), (0.0, 50), (-6.0, 60), (12.0, 1500)):
        for _ in range(count):
            state, _ = advance(cells, state, current_A, 30.0, 10.0, 22.0)
    h = 0.5 * (1.7 + 0.36 - 298.15 * 2.0e-4 - 0.83225)
    f = 1.0 - state[rows.FAST] - state[rows.SLOW]
    lead = plate_mol(cells)
    oxide = np.array([[1.17857], [-0.34632]])
    species = (lead * (f * oxide - h * (state[rows.SULFATE] - start[rows.SULFATE]))).sum(axis=0)
    expected_J = 2 * chemistry.FARADAY_C_MOL * 6 * (species + 2 * state[rows.O2] * 1.48121)
    assert state[rows.CHEMICAL] == pytest.approx(expected_J, rel=1e-6)


def test_rest_leads_to_the_equilibrium_of_its_acid():
    """After a day at no current a formed battery shows the rest voltage of its own acid."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    state = formed_state(cells)
    for _ in range(600):
        state, _ = advance(cells, state, 6.0, 25.0, 10.0, 25.0)
    for _ in range(24 * 60):
        state, readings = advance(cells, state, 0.0, 25.0, 60.0, 25.0)
    w = acid.fraction(state[rows.ACID], state[rows.WATER])
    assert readings.cell_V == pytest.approx(chemistry.open_circuit_V(chemistry.molality_mol_kg(w)), abs=0.003)


def test_scale():
    """Capacity, current and surface enlarged together change no voltage and no temperature."""
    small = build_cells(np.array([60.0]), np.array([6.0]))
    large = build_cells(np.array([180.0]), np.array([6.0]))
    large = replace(
        large,
        water_W_K=3 * small.water_W_K,
        air_W_K=3 * small.air_W_K,
        contact_ohm=small.contact_ohm / 3,
        heat_J_K=3 * small.heat_J_K,
    )
    a, b = new_state(small), new_state(large)
    for current_A, count in ((0.0, 300), (3.0, 100), (15.0, 600)):
        for _ in range(count):
            a, one = advance(small, a, current_A, 30.0, 10.0, 22.0)
            b, three = advance(large, b, 3 * current_A, 30.0, 10.0, 22.0)
    assert three.voltage_V == pytest.approx(one.voltage_V, abs=1e-9)
    assert b[rows.TEMPERATURE] == pytest.approx(a[rows.TEMPERATURE], abs=1e-9)


def test_shorter_steps_are_truer():
    """Half the step, about half the error of the temperature: the step is of first order or better."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    ends = []
    for dt_s in (60.0, 30.0, 15.0, 5.0):
        state = new_state(cells)
        for current_A, seconds in ((0.0, 3600), (6.0, 3600), (15.0, 7200)):
            for _ in range(round(seconds / dt_s)):
                state, _ = advance(cells, state, current_A, 30.0, dt_s, 22.0)
        ends.append(float(state[rows.TEMPERATURE, 0]))
    errors = [abs(end - ends[-1]) for end in ends[:-1]]
    assert errors[0] < 0.2
    assert errors[1] < 0.65 * errors[0]
    assert errors[2] < 0.65 * errors[1]


def test_newton_near_full_charge():
    """Where plain Newton would swing for ever (full plates, little double layer, long steps) it finds the current."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    cells = replace(cells, double_layer_F=cells.double_layer_F * 1e-3)
    state = formed_state(cells)
    state[rows.FAST] = 1e-4
    state[rows.SULFATE] = 1e-4
    for current_A in (0.5, 20.0, -8.0, 20.0, 0.0, 12.0, 0.1):
        for _ in range(5):
            state, readings = advance(cells, state, current_A, 30.0, 60.0, 22.0)
            c = readings.currents
            assert np.abs(c.main_A + c.gas_A - c.reverse_A + c.layer_A - c.cell_A).max() < 1e-9
            assert (c.gas_A >= 0.0).all()
            assert 1.0 < readings.cell_V[0] < 3.2
    assert len(GAS_V) == 2
