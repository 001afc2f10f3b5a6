"""What each fault of a battery is worth in volts of a string, hour by hour, and how it ends."""

from dataclasses import replace

import numpy as np
import pytest

from simulator import injectors, rows
from simulator.bath import advance_bath, scaled
from simulator.cell import advance
from simulator.faults import parse_fault_line
from simulator.parts import build_parts
from simulator.spec import CircuitSpec, PlantSpec

STEPS = ((1.0, 0.0), (0.5, 3.0), (1.0, 6.0), (6.0, 15.0), (0.5, 0.0), (5.0, 12.0), (0.25, -6.0), (4.0, 9.0), (3.0, 4.8))
HOURS = (1.02, 1.25, 2.6, 6.0, 8.4, 8.9, 9.5, 11.0, 13.9, 17.0, 21.0)
NORMAL_V = (238.6, 234.3, 229.5, 231.5, 237.4, 225.8, 252.0, 300.7, 300.5, 299.5, 295.6)
LEAD_OHM = 0.02

# Own reference, for regression: volts of a string of 18 x 60 Ah more than without the fault, at the hours above, the
# steps those of "studies" (a tenth of the time since the current changed, 0.5 to 60 s). None: not given.
# Fault, batteries of the string that have it, share of the water, cooling, volts.
CASES = {
    "clamp_ohm 0.05": (1, 1.0, True, (0.15, 0.15, 0.75, 0.75, 0.75, 0.0, 0.6, 0.6, 0.6, 0.45, 0.24)),
    "shorted_cell": (1, 1.0, True, (-2.2, -2.2, -2.1, -2.1, -2.2, -2.1, -2.3, -2.7, -2.7, -2.7, -2.7)),
    "shorted_cell 2": (1, 1.0, True, (-0.93, -0.65, -0.02, -0.03, -0.08, -0.07, -0.26, -0.67, -0.62, -0.15, -0.52)),
    "missing": (1, 1.0, True, (-13.2, -13.0, -12.7, -12.8, -13.2, -12.5, -13.8, -16.7, -16.6, -16.6, -16.4)),
    "extra": (1, 1.0, True, (13.2, 13.0, 12.7, 12.8, 13.2, 12.5, 13.8, 16.7, 16.6, 16.6, 16.4)),
    "reversed": (1, 1.0, True, (-25.9, -25.6, -24.8, -0.4, -0.8, -3.9, -2.3, -4.6, -4.6, -4.7, -4.9)),
    "formed": (1, 1.0, True, (2.4, 3.4, 4.4, 3.9, 3.6, 0.7, 2.7, 0.0, 0.0, 0.0, 0.0)),
    "reversed_unformed": (1, 1.0, True, (0.07, 0.0, 0.0, 0.0, 1.3, 0.0, 0.6, 0.0, 0.0, 0.0, 0.0)),
    "low_acid 0.7": (1, 1.0, True, (1.6, 0.0, 0.2, 0.4, 3.7, 0.1, 2.9, 0.1, 0.1, 0.2, 0.2)),
    "low_acid 0.4": (1, 1.0, True, (4.0, -0.2, 0.7, 4.2, 3.9, *(None,) * 6)),
    "over_soaked": (18, 1.0, True, (12.8, 5.0, 0.3, None, None, None, None, 0.0, 0.0, 0.0, 0.0)),
    "warm_place 0.4": (18, 0.4, True, (0.1, 0.1, 0.0, 0.1, -0.6, 0.2, -12.0, -5.4, -7.0, -5.6, -3.6)),
    "none": (1, 1.0, False, (0.0, 0.0, 0.0, 0.0, -0.3, 0.1, -10.0, -3.1, -3.6, -4.0, -3.6)),
    # Without a reference: at constant current foul acid lowers the gassing voltage by ln 3/11 V a cell (Schiffer 2007),
    # for one battery 0.60 V; before the knee it does nothing.
    "foul_acid 3": (1, 1.0, True, (0.0, 0.0, 0.0, 0.0, None, 0.0, None, -0.6, -0.6, -0.6, -0.6)),
}


class Side:
    """All cases side by side: in each string a sound battery, counted many times, and one with the fault."""

    def __init__(self, faults):
        circuits = tuple(CircuitSpec(f"A{k:02d}", batteries=2) for k in range(len(faults) + 1))
        self.parts = build_parts(PlantSpec(circuits, spread=False), np.random.default_rng(1), np.random.default_rng(1))
        self.lines = [parse_fault_line(f"{place(name, k)} {name}") for k, name in enumerate(faults) if name != "none"]
        for line in self.lines:
            injectors.begin(self.parts, line)
        injectors.stand(self.parts, self.lines)
        self.racks = self.parts.racks


def weights(racks, many):
    """How many batteries each element stands for, where so many of the 18 have the fault."""
    deviating = np.array(many, dtype=float)[racks.string_of]
    return np.where(racks.battery_of == 1, 18.0 - deviating, np.where(racks.battery_of == 2, deviating, 1.0))


def place(name, k):
    return f"A{k:02d}" if name.startswith("warm_place") else f"A{k:02d}/2"


def courses(side, many, water_shares, cooled):
    """String volts at the hours above, (hours, strings), and elements' temperatures there; each in its own bath."""
    racks, state = side.racks, side.racks.state
    of = racks.strings.of_element
    weight = weights(racks, many)
    sizes = [
        replace(size, water_kg=size.water_kg * share, flow_L_min=6.0 if cool else 0.0)
        for size, share, cool in zip([scaled(3)] * len(many), water_shares, cooled, strict=True)
    ]
    water_C = np.full(len(many), 25.0)
    seen, warm, clock_s = [], [], 0.0
    marks = [round(hour * 3600.0, 3) for hour in HOURS]
    for hours, current_A in STEPS:
        t, end_s = 0.0, hours * 3600.0
        while t < end_s - 1e-6:
            ahead = [mark - clock_s for mark in marks if mark > clock_s + 1e-6]
            dt_s = min(max(min(0.1 * t, 60.0), 0.5), end_s - t, *ahead[:1])
            before_J = state[rows.TO_BATH]
            state, readings = advance(racks.cells, state, current_A, water_C[of], dt_s, 22.0)
            heat_J = racks.strings.total(weight * (state[rows.TO_BATH] - before_J))
            water_C = np.array(
                [advance_bath(*case, dt_s)[0] for case in zip(sizes, water_C.tolist(), heat_J.tolist(), strict=True)]
            )
            t, clock_s = t + dt_s, clock_s + dt_s
            if any(abs(clock_s - mark) < 1e-3 for mark in marks):
                seen.append(racks.strings.total(weight * readings.voltage_V) + current_A * LEAD_OHM)
                warm.append(state[rows.TEMPERATURE])
    return np.array(seen), np.array(warm)


@pytest.fixture(scope="module")
def run():
    """The cases and, last, the string without a fault: racks, volts (hours, strings), temperatures of the elements."""
    side = Side(list(CASES))
    many, shares, cooled = ([case[k] for case in CASES.values()] for k in range(3))
    volts, warm = courses(side, [*many, 1], [*shares, 1.0], [*cooled, True])
    return side.racks, volts, warm


def test_the_string_without_a_fault(run):
    """The course the differences are taken from is the reference's."""
    assert run[1][:, -1] == pytest.approx(NORMAL_V, abs=0.06)


@pytest.mark.parametrize("name", CASES)
def test_volts_of_a_fault(run, name):
    """A tenth of a volt, half of one where the knee makes volts of a minute (9.5 h) or the couple only appears."""
    k = list(CASES).index(name)
    for at, expected in enumerate(CASES[name][3]):
        if expected is None:
            continue
        steep = HOURS[at] == 9.5 or (name == "shorted_cell 2" and HOURS[at] == 1.25)
        seen = run[1][at, k] - run[1][at, -1]
        assert seen == pytest.approx(expected, abs=0.5 if steep else 0.1), HOURS[at]


def test_heat_of_a_fault(run):
    """Little acid: 45 and 50 C at 8.4 h beside 38; badly cooled: 14 K hotter at 6 h, 12 K at 14 h; a softly shorted
    cell is 4-6 K hotter than the others of its battery, a hard one cool and unformed.
    """
    racks, _, warm = run

    def at(name, hour, last=True):
        elements = racks.elements(list(CASES).index(name), 2)
        return warm[HOURS.index(hour), elements[-1 if last else 0]]

    normal = racks.elements(len(CASES), 2)[0]
    assert warm[HOURS.index(8.4), normal] == pytest.approx(38.0, abs=0.7)
    assert at("low_acid 0.7", 8.4) == pytest.approx(45.0, abs=0.7)
    assert at("low_acid 0.4", 8.4) == pytest.approx(50.0, abs=0.7)
    assert at("warm_place 0.4", 6.0) - warm[HOURS.index(6.0), normal] == pytest.approx(14.0, abs=1.0)
    assert at("warm_place 0.4", 13.9) - warm[HOURS.index(13.9), normal] == pytest.approx(12.0, abs=1.0)
    assert 4.0 < at("shorted_cell 2", 8.4) - at("shorted_cell 2", 8.4, last=False) < 6.2
    assert at("shorted_cell", 6.0) < at("shorted_cell", 6.0, last=False) - 5.0
