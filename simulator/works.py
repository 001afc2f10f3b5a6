"""What goes on in the plant between two looks at it: currents, strings, water, gas under the hood."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simulator import rows
from simulator.bath import advance_bath
from simulator.parameters import Array
from simulator.parts import Parts
from simulator.racks import Racks
from simulator.rectifier import follow
from simulator.steps import StepRule
from simulator.string import advance_strings

H2_M3_AH = 0.4564e-3  # at 25 C
HOOD_M3 = 4.0  # under the hood of three circuits, own choice
AIRFLOW_M3_H = 300.0  # the same
STILL_AIR_SHARE = 0.03  # of the extraction that goes on by itself, own choice

Flags = NDArray[np.bool_]


class Works:
    """Carries a plant's parts through time. Voltages and currents are true ones, shape (circuits,)."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        circuits = parts.spec.circuits
        k = len(circuits)
        self._with_string = np.array(list(parts.string_of), dtype=np.intp)
        self._ohm = np.array([c.load_ohm if c.load_ohm is not None else 1.0 for c in circuits])
        self._loose = np.array([not c.has_string and c.load_ohm is None for c in circuits])
        self._resistor = np.array([c.load_ohm is not None for c in circuits])
        self.rule = StepRule(np.array([circuits[i].capacity_C20_Ah for i in self._with_string]))
        self._limited = np.zeros(k, dtype=bool)
        self._aim_A = np.zeros(k)
        self.voltage_V = np.zeros(k)
        self.delivered_Ah = np.zeros(k)
        self.discharged_Ah = np.zeros(k)
        self.hydrogen_m3_h = 0.0
        self.hydrogen_percent = 0.0
        self.vapour_kg = 0.0

    def reset_books(self) -> None:
        """Charge counted from here on."""
        self.delivered_Ah[:] = 0.0
        self.discharged_Ah[:] = 0.0

    def go_on(self, seconds: float) -> None:
        """Advance everything by so many seconds."""
        r = self.parts.rectifiers
        left = seconds
        while left > 1e-9:
            alive_s = r.expire()
            open_ = self.parts.open_string | self._loose
            target = np.where(open_, 0.0, r.targets_A())
            self._tell_rule(target, open_)
            dt_s = min(self.rule.step_s(left), alive_s)
            self._step(target, open_, dt_s)
            left -= dt_s

    def _tell_rule(self, target: Array, open_: Flags) -> None:
        """What lies ahead: the way still to go to the target, or for a limited current the move of its target."""
        r = self.parts.rectifiers
        now = np.where(open_ | r.cut, 0.0, r.current_A)
        ahead = np.where(self._limited, target - self._aim_A, target - now)
        self._aim_A = target
        self.rule.changed((ahead + np.where(now == r.current_A, 0.0, r.current_A))[self._with_string])
        r.current_A = now

    def _step(self, target: Array, open_: Flags, dt_s: float) -> None:
        r = self.parts.rectifiers
        mean, end = follow(r.current_A, target, dt_s)
        limit = r.limits_V()
        idle_V = np.where((r.output_on > 0.0) & (r.set_current_A > 0.0), limit, 0.0)
        volts = np.where(open_, idle_V, 0.0)
        if self._resistor.any():
            most = limit / self._ohm
            mean = np.where(self._resistor, np.clip(mean, 0.0, most), mean)
            end = np.where(self._resistor, np.clip(end, 0.0, most), end)
            volts = np.where(self._resistor & ~open_, end * self._ohm, volts)
        racks = self.parts.racks
        heat_J = h2_Ah_h = 0.0
        if racks is not None:
            heat_J, h2_Ah_h, mean, end, volts = self._step_strings(racks, mean, end, limit, volts, dt_s)
        r.took(mean, end, dt_s)
        charge = mean * (dt_s / 3600.0)
        self.delivered_Ah += np.maximum(charge, 0.0)
        self.discharged_Ah -= np.minimum(charge, 0.0)
        self.voltage_V = volts
        self._step_bath(heat_J, dt_s)
        self._step_hood(h2_Ah_h, dt_s)
        self.rule.went_on(dt_s)

    def _step_strings(
        self, racks: Racks, mean: Array, end: Array, limit: Array, volts: Array, dt_s: float
    ) -> tuple[float, float, Array, Array, Array]:
        """One step of all strings: heat into the bath (J), hydrogen (A), mean and end currents, volts."""
        at = self._with_string
        r = self.parts.rectifiers
        wanted = mean[at]
        before = r.current_A[at]
        start = np.where(self._limited[at], before, wanted)
        held_J = float(racks.state[rows.TO_BATH].sum())
        racks.state, shown, readings = advance_strings(
            racks.cells,
            racks.strings,
            racks.state,
            wanted,
            limit[at],
            self.parts.water_C,
            dt_s,
            self.parts.size.air_C,
            start,
        )
        heat_J = float(racks.state[rows.TO_BATH].sum()) - held_J
        h2_A = float((racks.cells.cells * readings.hydrogen_A).sum())
        last = np.where(shown.limited, shown.current_A, end[at])
        # A reading belongs to the end of the step, the plates had its mean; within the step dV/dI bridges the two.
        reading = shown.voltage_V + shown.slope_ohm * (last - shown.current_A)
        reading = np.where(wanted > 0.0, np.minimum(reading, np.maximum(limit[at], shown.voltage_V)), reading)
        self.rule.changed(np.where(shown.limited, shown.current_A - before, 0.0))
        self._limited[at] = shown.limited
        mean, end, volts = mean.copy(), end.copy(), volts.copy()
        mean[at] = shown.current_A
        end[at] = last
        apart = self.parts.open_string[at]
        volts[at] = np.where(apart, volts[at], reading)
        return heat_J, h2_A, mean, end, volts

    def _step_bath(self, heat_J: float, dt_s: float) -> None:
        parts = self.parts
        size = parts.size
        if not parts.cooling or parts.water_share < 1.0:
            flow = size.flow_L_min if parts.cooling else 0.0
            size = replace(size, flow_L_min=flow, water_kg=size.water_kg * parts.water_share)
        parts.water_C, vapour_kg = advance_bath(size, parts.water_C, heat_J, dt_s)
        self.vapour_kg += vapour_kg

    def _step_hood(self, h2_A: float, dt_s: float) -> None:
        """Hydrogen in the air under the hood, well mixed (% by volume)."""
        spec = self.parts.spec
        grown = len(spec.circuits) / 3.0
        flow_m3_h = AIRFLOW_M3_H * grown if spec.airflow_m3_h is None else spec.airflow_m3_h
        if not self.parts.airflow:
            flow_m3_h *= STILL_AIR_SHARE
        self.hydrogen_m3_h = H2_M3_AH * h2_A
        flow_m3_h += self.hydrogen_m3_h + 1e-9
        rest = 100.0 * self.hydrogen_m3_h / flow_m3_h
        fade = math.exp(-dt_s / 3600.0 * flow_m3_h / (HOOD_M3 * grown))
        self.hydrogen_percent = rest + (self.hydrogen_percent - rest) * fade
