"""Virtual strings side by side, each in water of its own and on a clock of its own: one array carries them all.

Built from the same parts as the virtual plant: batteries, rectifiers, probes, and whatever faults do to them. Held
water keeps its temperature whatever the string gives it (the heat is counted); without cooling it warms as a bath does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from profiles import chemistry
from simulator import acid, injectors, rows
from simulator.bath import CP_J_KG_K
from simulator.faults import FaultLine
from simulator.parameters import Array
from simulator.parts import Parts, build_parts
from simulator.racks import Racks
from simulator.rectifier import CURRENT_STEP_A, RIPPLE_PERCENT, VOLTAGE_STEP_V, follow
from simulator.spec import CircuitSpec, PlantSpec
from simulator.string import StringReadings, advance_strings

WATER_KG = 150.0
"""Water a string stands in: a third of a bath for three strings of 18 x 60 Ah; own choice."""
BACK_S = 1_800.0
"""Time constant with which water that had warmed comes back once cooling flows again; own choice."""
SOAK_STEP_S = 30.0
LONGEST_STEP_S = 60.0
"""The plates' equations are good for steps up to this."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the instruments show and what is true at the end of a step, shape (k,) by string."""

    current_A: Array
    voltage_V: Array
    probe_C: Array  # of each string's first probe
    water_C: Array
    hottest_C: Array  # the hottest battery, whether a probe sits there or not
    hydrogen_A: Array  # summed over all cells
    cooling_W: Array


def as_one(circuit: CircuitSpec) -> CircuitSpec:
    """The circuit with all its equal batteries as one element: exact as long as none differs from the others."""
    return replace(circuit, batteries=1, cells=circuit.cells * circuit.batteries, probe_at=(), probes=circuit.probes)


class Strings:
    """All strings of `spec`, freshly filled. `merged`: how many equal batteries one element stands for.

    Raises FaultError for a fault that these strings cannot have.
    """

    def __init__(self, spec: PlantSpec, water_C: Array, faults: Sequence[FaultLine] = (), merged: int = 1) -> None:
        for line in faults:
            injectors.check_target(spec, line)
        spread, errors, self._random = (np.random.default_rng(s) for s in np.random.SeedSequence(spec.seed).spawn(3))
        self._noisy = spec.spread
        self.parts: Parts = build_parts(spec, spread, errors)
        if self.parts.racks is None or len(self.parts.string_of) != len(spec.circuits):
            raise ValueError("each circuit of a bench has a string")
        self.racks: Racks = self.parts.racks
        if merged > 1:
            base = self.racks.base
            self.racks.base = base.changed(contact_ohm=base.contact_ohm * merged)
        self.held_C = np.array(water_C, dtype=float)
        self.water_C = self.held_C.copy()
        self._cooling_W = np.zeros(len(spec.circuits))
        self._pending = sorted(
            (line for line in faults if line.begin_h is not None), key=lambda line: line.begin_h or 0
        )
        self._active: list[FaultLine] = []
        for line in faults:
            if line.begin_h is None:
                self._begin(line)
        injectors.stand(self.parts, self._active)
        self._limited = np.zeros(len(spec.circuits), dtype=bool)
        self._lowest_w = np.ones(len(spec.circuits))
        self.parts.probes.inside_C = self._places_C()
        self._step(np.full(len(spec.circuits), 0.2))

    @property
    def air_C(self) -> float:
        """Air above the bath."""
        return self.parts.size.air_C

    def soak(self, seconds: float) -> None:
        """Let all strings stand for so long without an order."""
        left = seconds
        while left > 1e-9:
            dt_s = min(left, SOAK_STEP_S)
            self._step(np.full(self.water_C.shape, dt_s))
            left -= dt_s

    def order(self, string: int, current_A: float, limit_V: float, on: bool) -> None:
        """A whole command reaches a channel; a negative current discharges, `limit_V` is then the floor."""
        signals = {"set_current_A": current_A, "set_voltage_V": limit_V, "output_on": 1.0 if on else 0.0}
        self.parts.rectifiers.order(string, signals)

    def advance(self, dt_s: Array, hours: float = 0.0) -> Shown:
        """Go on, each string by its own `dt_s` (k,); `hours` on the first string's clock decide which faults stand."""
        self._schedule(hours)
        parts = math.ceil(float(dt_s.max()) / LONGEST_STEP_S - 1e-9)
        for _ in range(parts - 1):
            self._step(dt_s / parts)
        return self._step(dt_s / parts)

    def bath_flags(self) -> Mapping[str, bool]:
        """Airflow, hood and emergency stop as faults leave them."""
        parts = self.parts
        return {"airflow": parts.airflow, "hood": parts.hood_closed, "emergency_stop": parts.emergency_stop_ok}

    def link_up(self, string: int) -> bool:
        """Whether the string's rectifier answers."""
        circuit = self.parts.spec.circuits[string]
        return not self.parts.all_links_off and self.parts.links_off.isdisjoint({circuit.name, circuit.link})

    def ripple_percent(self, string: int) -> float:
        """What the rectifier tells of its ripple while current flows."""
        return injectors.ripple_percent(self._active, self.parts.spec.circuits[string].name, RIPPLE_PERCENT)

    def refill(self, string: int, density_20C: float) -> None:
        """The acid outside the plates is poured out, acid of this density (kg/L at 20 C) poured in."""
        self.racks.refill(string, density_20C)

    def lowest_kg_L(self, string: int) -> float:
        """Lowest density at 25 C of a string's mixed acid so far."""
        return chemistry.density_kg_m3(float(self._lowest_w[string]), 25.0) / 1000.0

    def _step(self, dt_s: Array) -> Shown:
        r, racks = self.parts.rectifiers, self.racks
        r.expire()
        open_ = self.parts.open_string
        target = np.where(open_, 0.0, r.targets_A())
        before = np.where(open_ | r.cut, 0.0, r.current_A)
        mean, end = follow(before, target, dt_s)
        of, held_J = racks.strings.of_element, racks.state[rows.TO_BATH]
        racks.state, shown, readings = advance_strings(
            racks.cells, racks.strings, racks.state, mean, r.limits_V(), self.water_C[of], dt_s[of], self.air_C,
            np.where(self._limited, before, mean),
        )  # fmt: skip
        self._limited = shown.limited
        last = np.where(shown.limited, shown.current_A, end)
        r.took(shown.current_A, last, dt_s)
        self._water(racks.strings.total(racks.state[rows.TO_BATH] - held_J) / dt_s, dt_s)
        count = self.parts.probe_circuit.size
        noise = self._random.standard_normal(count) if self._noisy else np.zeros(count)
        self.parts.probes.advance(self._places_C(), self.air_C, dt_s[self.parts.probe_circuit], noise)
        first = racks.state[:, racks.strings.starts]
        self._lowest_w = np.minimum(self._lowest_w, acid.fraction(first[rows.ACID], first[rows.WATER]))
        return self._shown(self._volts(shown, mean, last), racks.cells.cells * readings.hydrogen_A)

    def _volts(self, shown: StringReadings, mean_A: Array, last_A: Array) -> Array:
        """True volts at the end of the step: the plates had its mean current, within it dV/dI bridges to the last."""
        r, limit = self.parts.rectifiers, self.parts.rectifiers.limits_V()
        volts = shown.voltage_V + shown.slope_ohm * (last_A - shown.current_A)
        volts = np.where(mean_A > 0.0, np.minimum(volts, np.maximum(limit, shown.voltage_V)), volts)
        idle_V = np.where((r.output_on > 0.0) & (r.set_current_A > 0.0), limit, 0.0)
        return np.where(self.parts.open_string, idle_V, volts)

    def _shown(self, volts: Array, hydrogen_A: Array) -> Shown:
        """What instruments show now; `hydrogen_A` of all cells of each element."""
        r, racks = self.parts.rectifiers, self.racks
        starts, total = racks.strings.starts, racks.strings.total(hydrogen_A)
        return Shown(
            current_A=_stepped(r.shown_A(), CURRENT_STEP_A),
            voltage_V=_stepped(volts + r.errors.voltage_V, VOLTAGE_STEP_V),
            probe_C=self._first_probe_C(),
            water_C=self.water_C.copy(),
            hottest_C=np.maximum.reduceat(racks.state[rows.TEMPERATURE], starts),
            hydrogen_A=total,
            cooling_W=self._cooling_W,
        )

    def _water(self, heat_W: Array, dt_s: Array) -> None:
        """Held water stays; without cooling it warms by what the string gives, and comes back afterwards."""
        if not self.parts.cooling:
            self.water_C = self.water_C + heat_W * dt_s / (CP_J_KG_K * WATER_KG * self.parts.water_share)
            self._cooling_W = np.zeros_like(heat_W)
            return
        self.water_C = self.held_C + (self.water_C - self.held_C) * np.exp(-dt_s / BACK_S)
        self._cooling_W = heat_W

    def _places_C(self) -> Array:
        """True temperature where each probe hangs."""
        return np.asarray(self.racks.state[rows.TEMPERATURE, self.racks.first_of[self.parts.probe_slot]])

    def _first_probe_C(self) -> Array:
        """Reading of each string's hottest probe; NaN where none gives a value.

        Without noise it is finer than a probe's steps: a reading that stood still would look like a frozen probe.
        """
        probes, k = self.parts.probes, self.water_C.size
        exact = np.round(probes.inside_C + probes.offset_K + probes.drifted_K, 4)
        shown = probes.shown_C if self._noisy else np.where(probes.frozen, probes.shown_C, exact)
        shown = np.where(probes.lost, np.nan, shown)
        found = np.full(k, np.nan)
        np.fmax.at(found, self.parts.probe_circuit, shown)
        return found

    def _schedule(self, hours: float) -> None:
        """Begin and end the faults whose moment has come."""
        due = [line for line in self._pending if (line.begin_h or 0.0) <= hours]
        over = [line for line in self._active if line.end_h is not None and line.end_h <= hours]
        if not due and not over:
            return
        for line in due:
            self._pending.remove(line)
            self._begin(line)
        for line in over:
            self._active.remove(line)
            injectors.end(self.parts, line)
        injectors.stand(self.parts, self._active)
        for string in range(self.water_C.size):
            if not self.link_up(string):
                self.order(string, 0.0, 0.0, on=False)  # nothing feeds the watchdog any more, which is quick

    def _begin(self, line: FaultLine) -> None:
        self._active.append(line)
        injectors.begin(self.parts, line)

    @property
    def next_change_h(self) -> float:
        """When the next fault begins or ends, in hours; infinity: never."""
        begins = [line.begin_h for line in self._pending if line.begin_h is not None]
        ends = [line.end_h for line in self._active if line.end_h is not None]
        return min([*begins, *ends], default=float("inf"))


def _stepped(values: Array, step: float) -> NDArray[np.float64]:
    """Readings in the steps of the device, without the dust of binary numbers."""
    return np.asarray(np.round(np.round(values / step) * step, 6) + 0.0)
