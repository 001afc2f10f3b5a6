"""The step of the plates against scipy's stiff integrator on the same equations, written here once more, in scalars.

Nothing of the simulator's own formulas is used on this side: what agrees is two writings of one set of equations, one
with a step of its own kind, one with Radau's method at tight tolerances.
"""

import math
import os

import numpy as np
import pytest

from simulator import rows
from simulator.cell import advance
from simulator.parameters import build_cells
from simulator.rows import new_state

integrate = pytest.importorskip("scipy.integrate", reason="scipy is not installed")
optimize = pytest.importorskip("scipy.optimize", reason="scipy is not installed")

F, C20, BATH_C, AIR_C = 96485.33212, 60.0, 30.0, 25.0
K = 1.0 / (2.0 * F)
Q = (2.0168 * C20, 1.93 * C20)  # Ah of lead in each plate set
FAST, SLOW, SLOW_SHARE, USE = (1.8, 4.0), (0.145, 0.30), (0.12, 0.05), (0.4958, 0.53)
B, E_GAS, LAYER_F = (0.0387909, 0.0521182), (1.794, 0.436), (25.0 * C20, 6.0 * C20)
REVERSE_A = [0.1 * C20 * math.exp(-1.95 / b) for b in B]
OXIDE_V, GAS_V = (1.17857, -0.34632), (1.48121, 0.0)
PORE, WATER_KG, ACID_KG = 0.30, 0.0180153, 0.098079

SHORT = ((0.3, 0.0), (0.2, 3.0), (1.0, 15.0), (0.1, 0.0), (0.05, -6.0))
KNEE = ((0.1, 0.0), (1.2, 12.0), (0.1, 0.0), (0.1, -6.0), (0.2, 4.8))
LONG = ((1.0, 0.0), (0.5, 3.0), (1.0, 6.0), (6.0, 15.0), (0.5, 0.0), (5.0, 12.0), (0.25, -6.0), (4.0, 9.0), (3.0, 4.8))
MARKS = (0.002, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 1.0)  # where of each row the two are compared


def density(w, temperature_C):
    d = temperature_C - 25.0
    at_25 = np.polyval([68.6251, 80.4444, 211.1619, 656.651, 997.1005], w)
    return at_25 + d * np.polyval([1.080255, 0.1438316, -1.538590, -0.2363377], w) + d * d * (
        -4.927502e-3 + 1.038452e-2 * w
    )  # fmt: skip


FILL_W = optimize.brentq(lambda w: density(w, 20.0) - 1240.0, 0.1, 0.5, xtol=1e-14)
FILL_KG = 0.010283 * C20 * 1.240
HEAT_J_K = 46.13 * C20 + 6.0 * FILL_KG * (4206.0 - 3450.0 * FILL_W)


class Moment:
    """All that flows at one state and current."""

    def __init__(self, y, current_A):
        x1, x2, s, eta, best = y[0:2], y[2:4], y[4:6], y[6:8], y[12:14]
        acid, water, surplus, temperature_C = y[8:12]
        u = x1 + x2
        warm = temperature_C - 25.0
        self.molality = (PORE * acid + surplus) / (PORE * WATER_KG * water)
        lg = math.log10(max(self.molality, 0.05))
        half_V = [np.polyval(c, lg) for c in ([0.022, 0.043, 0.033, 0.074, 1.628], [0.012, 0.031, 0.030, 0.074, 0.294])]
        self.h = (half_V[0] + half_V[1] - 298.15 * 2e-4 - 0.83225) / 2.0
        there = [1.0 - math.exp(-f / 2e-4) for f in best]
        self.potential = [there[0] * (half_V[0] + 2e-4 * warm), there[1] * half_V[1]]
        w = acid * ACID_KG / (acid * ACID_KG + water * WATER_KG)
        siemens_m = max(505.5 * w - 735.6 * w**2 - 172.3 * w**3, 1.0) * (1.0 + 0.013 * warm)
        skin = 12.0 / C20 * math.exp(-min(best) / 0.006) * (s[0] + s[1]) / 2.0 / 0.25
        self.ohm = (0.024 + 0.036 * 80.0 / siemens_m + 0.18 * (0.5 * (u[0] + u[1])) ** 2) / C20
        self.ohm += skin / (1.0 + abs(current_A) / (0.075 * C20))
        faster = max(1.0 + 0.02 * (temperature_C - 40.0), 0.2)
        self.main, self.gas, self.reverse, self.layer, self.phi, self.rates = [], [], [], [], [], []
        for e in range(2):
            rate = FAST[e] * x1[e] + SLOW[e] * x2[e]
            yy = math.exp(eta[e] / B[e])
            n = yy**2 - yy**-2
            usable = max(1.0 - u[e] - (1.0 - USE[e]) * best[e], 0.0)
            most = Q[e] * faster * rate if n > 0 else 8.0 * Q[e] * usable * self.molality / (self.molality + 0.3)
            main = n / (1.0 / (0.08 * C20) + abs(n) / (most + 1e-10 * C20))
            over = 0.06 * warm + (self.potential[e] - E_GAS[e]) / B[e]
            gas = there[e] * 2e-4 * C20 * math.exp(over) * yy
            self.main.append(main)
            self.gas.append(gas)
            self.reverse.append(REVERSE_A[e] / yy)
            self.layer.append(current_A - main - gas + REVERSE_A[e] / yy)
            self.phi.append(min(s[e] / u[e], 1.0) ** 2 if main > 0 else 1.0)
            self.rates.append(FAST[e] * x1[e] / rate if main > 0 else 1.0)
        self.volts = sum(self.potential) + eta[0] + eta[1] + current_A * self.ohm


def slopes(y, current_A):
    """d/dt of x1, x2, s, eta, acid, water, surplus, temperature, best; pairs are (positive, negative)."""
    now = Moment(y, current_A)
    x1, x2, s, eta, best = y[0:2], y[2:4], y[4:6], y[6:8], y[12:14]
    out = np.zeros(14)
    soak_mol = sulfate_A = stored_W = 0.0
    for e in range(2):
        u = x1[e] + x2[e]
        dx = now.main[e] / (3600.0 * Q[e])
        soak = 2.0 / 3600.0 * now.molality / 5.0 * max(0.36 * u - s[e], 0.0)
        out[e], out[2 + e] = -dx * now.rates[e], -dx * (1.0 - now.rates[e])
        out[4 + e] = soak - now.phi[e] * dx
        out[6 + e] = now.layer[e] / LAYER_F[e]
        out[12 + e] = dx if dx > 0.0 and 1.0 - u >= best[e] - 1e-9 else 0.0
        soak_mol += 3600.0 * Q[e] * K * soak
        sulfate_A += now.phi[e] * now.main[e]
        stored_W += now.main[e] * (OXIDE_V[e] + now.phi[e] * now.h) + now.gas[e] * GAS_V[e]
        stored_W += now.layer[e] * (now.potential[e] + eta[e]) - now.reverse[e] * GAS_V[1 - e]
    stored_W -= soak_mol * 2.0 * F * now.h
    oxygen_A, hydrogen_A = now.gas[0] + now.reverse[1], now.gas[1] + now.reverse[0]
    d = y[11] - 25.0
    vapour_Pa = 0.75 * 3169.0 * math.exp(0.06 * d) * (1.0 - 0.0022 * d - 1.25e-4 * d * d)
    vapour = K * (oxygen_A / 2.0 + hydrogen_A) * vapour_Pa / (101325.0 - vapour_Pa)
    source = K * sulfate_A - soak_mol
    taken = (1.0 + now.phi[0]) * now.main[0] - (1.0 - now.phi[1]) * now.main[1] + oxygen_A
    out[8] = source
    out[9] = soak_mol - K * taken - vapour
    out[10] = (1.0 - PORE) * source - y[10] / 1800.0 * (1.0 + 12.0 * (now.gas[0] + now.gas[1]) / C20)
    heat_W = 6.0 * (now.volts * current_A - stored_W - 43.7e3 * vapour)
    out[11] = (7.2 * (BATH_C - y[11]) + 0.5 * (AIR_C - y[11]) + heat_W) / HEAT_J_K
    return out


def filled():
    """A battery just filled."""
    y = np.zeros(14)
    for e in range(2):
        y[e], y[2 + e], y[4 + e] = 1.0 - SLOW_SHARE[e], SLOW_SHARE[e], 0.1085
    y[8], y[9], y[11] = FILL_KG * FILL_W / ACID_KG, FILL_KG * (1.0 - FILL_W) / WATER_KG, 20.0
    return y


def before_the_knee():
    """A battery whose positive has an eighth left to form, its negative a tenth; some of it sulfate."""
    y = filled()
    y[0:6] = 0.03, 0.07, 0.095, 0.03, 0.06, 0.05
    y[12:14] = 1.0 - y[0:2] - y[2:4]
    y[11] = 36.0
    return y


def by_radau(step_list, y):
    """Volts of a cell, temperature and formed shares at the marks of each row."""
    scale = np.array([*[1e-9] * 8, 1e-8, 1e-8, 1e-8, 1e-6, 1e-10, 1e-10])
    seen = []
    for hours, current_A in step_list:
        at = [mark * hours * 3600.0 for mark in MARKS]
        found = integrate.solve_ivp(
            lambda _, state, ampere=current_A: slopes(state, ampere),
            (0.0, at[-1]), y, method="Radau", t_eval=at, rtol=1e-5, atol=10.0 * scale, max_step=900.0,
        )  # fmt: skip
        assert found.success, found.message
        seen += [(Moment(s, current_A).volts, s[11], 1 - s[0] - s[2], 1 - s[1] - s[3]) for s in found.y.T]
        y = found.y[:, -1]
    return np.array(seen)


def by_steps(step_list, y):
    """The same from the simulator, steps of 0.03 of the time since the current changed, 0.1 to 15 s."""
    cells = build_cells(np.array([C20]), np.array([6.0]))
    state, seen = new_state(cells), []
    places = ([*range(4), 4, 5], slice(8, 10), [rows.ACID, rows.WATER, rows.SURPLUS], rows.TEMPERATURE, rows.BEST)
    for place, values in zip(places, (y[0:6], y[6:8], y[8:11], y[11], y[12:14]), strict=True):
        state[place, 0] = values
    for hours, current_A in step_list:
        t = 0.0
        for mark in MARKS:
            goal = mark * hours * 3600.0
            while t < goal - 1e-6:
                dt_s = min(max(min(0.03 * t, 15.0), 0.1), goal - t)
                state, shown = advance(cells, state, current_A, BATH_C, dt_s, AIR_C)
                t += dt_s
            formed = 1.0 - state[rows.FAST] - state[rows.SLOW]
            seen.append((shown.cell_V[0], state[rows.TEMPERATURE, 0], formed[0, 0], formed[1, 0]))
    return np.array(seen)


def apart(step_list, start):
    """Largest differences of volts, temperature, formed shares, and what the integrator saw."""
    ours, theirs = by_steps(step_list, start), by_radau(step_list, start)
    return np.abs(ours - theirs).max(axis=0), theirs


def test_from_filling_on():
    """Volts within 5 mV a cell, temperature within 0.2 K, formed shares within 0.0005, at every mark of every row."""
    step_list = LONG if os.environ.get("FORMBATH_LONG") else SHORT
    most, seen = apart(step_list, filled())
    assert most[0] < 0.005
    assert most[1] < 0.2
    assert most[2:].max() < 5e-4
    # It did go through a formation: soaked without volts, charged to over 2 V, warmed by more than 10 K.
    assert seen[len(MARKS) - 1, 0] == pytest.approx(0.0, abs=1e-3)
    assert seen[:, 0].max() > 2.05
    assert seen[:, 1].max() > 35.0


def test_through_the_knee():
    """The same where the positive, then the negative begins to gas, and in rest and discharge after it."""
    most, seen = apart(KNEE, before_the_knee())
    assert most[0] < 0.005
    assert most[1] < 0.2
    assert most[2:].max() < 5e-4
    assert seen[:, 0].max() > 2.7
    assert seen[-len(MARKS), 2] > 0.9
