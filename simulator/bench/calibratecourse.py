"""A logged run as the model's input: steps of current and bath from filling on, and which step each row is held to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.bench.calibratedata import LoggedRun
from simulator.parameters import Array

STEP_SHARE, SHORTEST_S, LONGEST_S = 0.1, 0.5, 60.0
"""A step is this share of the time since a current last changed, within these bounds: good to 14 mV and 0.15 K."""
YOUNG_C20, YOUNG_STEP_C20 = 0.025, 2e-4
"""While less than this share of C20 went in, a step moves at most so much: the model passes from its terms for plates
that only begin to form to those for grown ones in one step, a jump of 20 mV in a step of a minute, 2 mV in these."""
EDGE_C20 = 0.02
"""A change of current above this much of C20 is an edge; own choice, as in the plant's own rule."""
BESIDE_EDGE_S = 144.0
"""Voltage nearer to an edge than 2.4 min is left out: there the moment of the edge and the step's length decide."""
GAP_FACTOR, LEAST_GAP_S = 3.0, 60.0
"""Rows without a good current further apart than so many usual intervals, and this long, are a gap."""
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Course:
    """Input and observations of one run. Steps lie one behind the other from filling on, arrays of shape (steps,).

    `volts_at`, `probe_at`: the step at whose end each value was read. `density_at`: the step within which a density
    was read, `density_share` how far into it. `gap_s`: time without a good current, taken as none.
    """

    cells: int
    batteries: int
    capacity_C20_Ah: float
    dt_s: Array
    mean_A: Array
    end_A: Array
    bath_C: Array
    volts_at: Index
    volts_V_per_cell: Array
    probe_at: Index
    probe_C: Array
    density_at: Index
    density_share: Array
    density_kg_m3: Array
    density_reference_C: Array
    gap_s: float


class _Steps:
    """The steps as they are laid down, one behind the other."""

    def __init__(self, begin_s: float, capacity_C20_Ah: float) -> None:
        self.now_s = begin_s
        self._young_As = YOUNG_C20 * capacity_C20_Ah * 3600.0
        self._young_step_As = YOUNG_STEP_C20 * capacity_C20_Ah * 3600.0
        self.since_s = 0.0
        self.ends_s: list[float] = []
        self.dt_s: list[float] = []
        self.mean_A: list[float] = []
        self.end_A: list[float] = []

    def longest_s(self, current_A: float) -> float:
        """How long the next step may be at this current."""
        longest_s = min(max(STEP_SHARE * self.since_s, SHORTEST_S), LONGEST_S)
        if current_A <= 0.0 or self._young_As <= 0.0:
            return longest_s
        return min(longest_s, max(self._young_step_As / current_A, SHORTEST_S))

    def add(self, dt_s: float, mean_A: float, end_A: float) -> None:
        """One step."""
        self.now_s += dt_s
        self.since_s += dt_s
        self._young_As -= max(mean_A, 0.0) * dt_s
        self.ends_s.append(self.now_s)
        self.dt_s.append(dt_s)
        self.mean_A.append(mean_A)
        self.end_A.append(end_A)

    def stretch(self, length_s: float, from_A: float, to_A: float) -> None:
        """As many steps as the rule asks for, the current going evenly from one value to the other."""
        done = 0.0
        while length_s - done > 1e-9:
            left = length_s - done
            dt_s = min(self.longest_s(max(from_A, to_A)), left)
            dt_s = 0.5 * left if dt_s < left < 1.5 * dt_s else dt_s
            middle, end = (done + 0.5 * dt_s) / length_s, (done + dt_s) / length_s
            self.add(dt_s, from_A + (to_A - from_A) * middle, from_A + (to_A - from_A) * end)
            done += dt_s


def course_of(run: LoggedRun) -> Course:
    """Soak, rows, and what follows the last row up to the last density, as steps."""
    good = np.flatnonzero(np.isfinite(run.current_A))
    at_s, current_A, asked_A = run.at_s[good], run.current_A[good], run.asked_A[good]
    steps = _Steps(at_s[0] - run.soak_s, run.capacity_C20_Ah)
    if run.soak_s > 0.0:
        steps.stretch(run.soak_s, 0.0, 0.0)
    edge, gap = _marks(run, at_s, current_A)
    _lay(steps, at_s, current_A, asked_A, edge, gap)
    last_s = max((reading.at_s for reading in run.densities), default=0.0)
    if last_s > steps.now_s:
        steps.since_s = 0.0 if abs(current_A[-1]) > EDGE_C20 * run.capacity_C20_Ah else steps.since_s
        steps.stretch(last_s - steps.now_s, 0.0, 0.0)
    ends_s = np.array(steps.ends_s)
    dry = np.isfinite(run.bath_C)
    return Course(
        cells=run.cells,
        batteries=run.batteries,
        capacity_C20_Ah=run.capacity_C20_Ah,
        dt_s=np.array(steps.dt_s),
        mean_A=np.array(steps.mean_A),
        end_A=np.array(steps.end_A),
        bath_C=np.interp(ends_s, run.at_s[dry], run.bath_C[dry]),
        gap_s=float(np.diff(at_s)[gap].sum()),
        **_observed(run, ends_s, at_s, edge, gap),
    )


def _marks(run: LoggedRun, at_s: Array, current_A: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Of each stretch between two good rows: whether the current changed in it, whether it is a gap."""
    length_s = np.diff(at_s)
    gap = length_s > max(LEAST_GAP_S, GAP_FACTOR * float(np.median(length_s)))
    edge = np.abs(np.diff(current_A)) > EDGE_C20 * run.capacity_C20_Ah
    flows = np.maximum(np.abs(current_A[:-1]), np.abs(current_A[1:])) > EDGE_C20 * run.capacity_C20_Ah
    return edge | (gap & flows), gap


def _lay(
    steps: _Steps, at_s: Array, current_A: Array, asked_A: Array, edge: NDArray[np.bool_], gap: NDArray[np.bool_]
) -> None:
    """Steps over the rows: smooth stretches are joined up to the rule's length, an edge begins the rule anew.

    A row shows the current read before its own cycle's set-point took effect: where the next row's current is what was
    asked for in this one, it flowed all the way between them.
    """
    row, last = 0, at_s.size - 1
    while row < last:
        length_s = float(at_s[row + 1] - at_s[row])
        here, there = float(current_A[row]), float(current_A[row + 1])
        if gap[row]:
            steps.since_s = 0.0 if edge[row] else steps.since_s
            steps.stretch(length_s, 0.0, 0.0)
            steps.since_s = 0.0 if edge[row] else steps.since_s
            row += 1
        elif edge[row]:
            steps.since_s = 0.0
            at_once = abs(asked_A[row] - abs(there)) < abs(asked_A[row] - abs(here))
            steps.stretch(length_s, there if at_once else here, there)
            row += 1
        else:
            row = _joined(steps, row, at_s, current_A, edge | gap)


def _joined(steps: _Steps, row: int, at_s: Array, current_A: Array, stops: NDArray[np.bool_]) -> int:
    """One step over as many smooth stretches as the rule allows, or one stretch in parts; returns the row reached."""
    longest_s, end, charge = steps.longest_s(float(current_A[row])), row, 0.0
    while end < at_s.size - 1 and not stops[end] and at_s[end + 1] - at_s[row] <= longest_s + 1e-9:
        charge += 0.5 * float(current_A[end] + current_A[end + 1]) * float(at_s[end + 1] - at_s[end])
        end += 1
    if end == row:
        steps.stretch(float(at_s[row + 1] - at_s[row]), float(current_A[row]), float(current_A[row + 1]))
        return row + 1
    dt_s = float(at_s[end] - at_s[row])
    steps.add(dt_s, charge / dt_s, float(current_A[end]))
    return end


def _observed(
    run: LoggedRun, ends_s: Array, at_s: Array, edge: NDArray[np.bool_], gap: NDArray[np.bool_]
) -> dict[str, Any]:
    """Which values are compared with which step. Voltage counts from the first current on."""
    rows = np.searchsorted(run.at_s, ends_s - 1e-6)
    rows = np.minimum(rows, run.at_s.size - 1)
    meets = np.abs(run.at_s[rows] - ends_s) < 1e-6
    edges_s = np.concatenate([at_s[:-1][edge], at_s[1:][edge & gap]])
    near = np.zeros(ends_s.shape, dtype=bool)
    for moment in edges_s:
        near |= np.abs(ends_s - moment) < BESIDE_EDGE_S
    flowed_s = edges_s.min() if edges_s.size else np.inf
    known = np.isfinite(run.current_A[rows]) & meets
    volts = np.flatnonzero(known & np.isfinite(run.voltage_V[rows]) & ~near & (ends_s > flowed_s))
    probe = np.flatnonzero(meets & np.isfinite(run.probe_C[rows]))
    moments = np.array([reading.at_s for reading in run.densities])
    within = np.minimum(np.searchsorted(ends_s, moments - 1e-6), ends_s.size - 1)
    begins = np.where(within > 0, ends_s[within - 1], ends_s[0] - 1.0)
    return {
        "volts_at": volts,
        "volts_V_per_cell": run.voltage_V[rows[volts]] / (run.batteries * run.cells),
        "probe_at": probe,
        "probe_C": run.probe_C[rows[probe]],
        "density_at": within,
        "density_share": np.clip((moments - begins) / np.maximum(ends_s[within] - begins, 1e-9), 0.0, 1.0),
        "density_kg_m3": np.array([1000.0 * reading.density_kg_L for reading in run.densities]),
        "density_reference_C": np.array([reading.reference_C for reading in run.densities]),
    }
