"""A whole virtual plant: strings, bath, rectifiers, instruments, faults; time is handed in, nothing does I/O."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from profiles import chemistry
from simulator import acid, injectors, rows
from simulator.bath import flow_L_min
from simulator.faults import FaultLine, catalogue_text
from simulator.parameters import Array
from simulator.parts import build_parts
from simulator.racks import Racks
from simulator.rectifier import RIPPLE_PERCENT, VOLTAGE_STEP_V
from simulator.sensors import Noise, draw_noise, shown_volts
from simulator.spec import CircuitSpec, PlantSpec
from simulator.works import Works

__all__ = ["MODEL_CODE", "CircuitSpec", "PlantSpec", "VirtualPlant"]

MODEL_CODE = 22086
"""Number that a device's identity register keeps for: virtual."""
BATH_ORDERS = ("horn", "beacon", "healthy", "water_call")
LEL_PERCENT = 4.0  # lower explosive limit of hydrogen in air, % by volume
LOW_LEVEL_SHARE = 0.85


class VirtualPlant:
    """One bath with its circuits. The same spec, faults and calls give the same plant, to the last bit.

    `signals` and `bath_signals` show what the instruments showed at the end of the last `advance`; set-points and
    `output_on` are read back as they stand. Circuits are counted from 0 in the spec's order, batteries from 1. A fault
    with hours begins and ends with the first `advance` at or after its moment.
    """

    def __init__(self, spec: PlantSpec, faults: Sequence[FaultLine] = ()) -> None:
        for line in faults:
            injectors.check_target(spec, line)
        self.spec = spec
        self.elapsed_s = 0.0
        self.outputs: dict[str, float] = dict.fromkeys(BATH_ORDERS, 0.0)
        spread, errors, noise = (np.random.default_rng(s) for s in np.random.SeedSequence(spec.seed).spawn(3))
        self._random = noise
        self._parts = build_parts(spec, spread, errors)
        self._works = Works(self._parts)
        self._active: list[FaultLine] = []
        self._pending = [line for line in faults if line.begin_h is not None]
        for line in faults:
            if line.begin_h is None:
                self.inject(line)
        injectors.stand(self._parts, self._active)
        self._works.go_on(spec.soaked_s)
        self._works.reset_books()
        settled = self._places_C()
        self._parts.probes.inside_C = settled
        self._parts.water_probes.inside_C[:] = self._parts.water_C
        self._sample(1.0)

    @property
    def faults_catalogue(self) -> str:
        """Names, places and usual values of the faults, one a line."""
        return catalogue_text()

    @property
    def active_faults(self) -> tuple[FaultLine, ...]:
        """The faults that stand now."""
        return tuple(self._active)

    def advance(self, dt_s: float) -> None:
        """Go on by so many seconds, in as many smaller steps as the plates need."""
        if not (math.isfinite(dt_s) and dt_s > 0.0):
            raise ValueError(f"a plant goes on by a time above 0 s, not {dt_s}")
        self._schedule()
        self._works.go_on(dt_s)
        self.elapsed_s += dt_s
        self._sample(dt_s)

    def signals(self, circuit: int) -> dict[str, float | None]:
        """What the registers of a channel hold, by signal name; None: no value (a broken probe)."""
        r = self._parts.rectifiers
        rating = self.spec.circuits[circuit]
        shown = self._shown_A[circuit]
        values: dict[str, float | None] = {
            "current_A": shown,
            "voltage_V": self._shown_V[circuit],
            "set_current_A": float(r.set_current_A[circuit]),
            "set_voltage_V": float(r.set_voltage_V[circuit]),
            "output_on": 1.0 if not math.isnan(r.stuck_A[circuit]) else float(r.output_on[circuit]),
            "local": float(r.local[circuit]),
            "fault_code": float(r.fault_code[circuit]),
            "uptime_s": round(float(r.uptime_s[circuit]), 3),
            "watchdog_s": rating.watchdog_s,
            "counter_Ah": float(r.counter_Ah[circuit]),
            "ripple_percent": injectors.ripple_percent(self._active, rating.name, RIPPLE_PERCENT)
            if abs(shown) > 0.2
            else 0.0,
            "model_code": float(MODEL_CODE),
            "rating_current_A": rating.current_max_A,
            "rating_voltage_V": rating.voltage_max_V,
        }
        for number, shown_C in enumerate(self._probe_C[circuit], start=1):
            values["probe_C" if number == 1 else f"probe_{number}_C"] = shown_C
        return values

    def bath_signals(self) -> dict[str, float | None]:
        """What the registers of the bath's input box hold, by signal name; None: no value."""
        parts = self._parts
        values: dict[str, float | None] = {
            "flow_L_min": round(flow_L_min(parts.size, parts.water_C), 2) if parts.cooling else 0.0,
            "level": -1.0 if parts.water_share < LOW_LEVEL_SHARE else 0.0,
            "airflow": float(parts.airflow),
            "hood_closed": float(parts.hood_closed),
            "emergency_stop_ok": float(parts.emergency_stop_ok),
            "hydrogen_percent_LEL": round(100.0 / LEL_PERCENT * self._works.hydrogen_percent, 1),
            "model_code": float(MODEL_CODE),
        }
        for number, shown_C in enumerate(parts.water_probes.values(), start=1):
            values["water_C" if number == 1 else f"water_{number}_C"] = shown_C
        return values | self.outputs

    def order(self, circuit: int, signals: Mapping[str, float]) -> None:
        """A write reached the channel: any of set_current_A, set_voltage_V, output_on. It feeds the watchdog.

        A negative current discharges, and `set_voltage_V` is then the floor. While the link is off nothing arrives.
        """
        if self.link_up(circuit):
            self._parts.rectifiers.order(circuit, signals)

    def bath_order(self, signals: Mapping[str, float]) -> None:
        """A write reached the bath's outputs: any of horn, beacon, healthy, water_call. They only show."""
        wrong = sorted(set(signals) - set(BATH_ORDERS))
        if wrong:
            raise ValueError(f"the bath has no output {', '.join(wrong)}; it has {', '.join(BATH_ORDERS)}")
        self.outputs.update({name: float(value) for name, value in signals.items()})

    def link_up(self, which: str | int) -> bool:
        """Whether a circuit (index or name) or a link (name) answers now."""
        parts = self._parts
        if parts.all_links_off or not parts.links_off:
            return not parts.all_links_off
        name = self.spec.circuits[which].name if isinstance(which, int) else which
        links = {name} | {c.link for c in self.spec.circuits if c.name == name and c.link}
        return not links & parts.links_off

    def inject(self, line: FaultLine) -> None:
        """A fault begins now, whatever its hours say of the begin; its end holds. Raises FaultError."""
        injectors.check_target(self.spec, line)
        if line in self._active:
            return
        self._active.append(line)
        injectors.begin(self._parts, line)
        injectors.stand(self._parts, self._active)
        self._works.rule.restart()

    def clear(self, line: FaultLine) -> bool:
        """End all active faults of this name at this place now; False: there was none."""
        place = (line.name, line.target, line.battery)
        ending = [one for one in self._active if (one.name, one.target, one.battery) == place]
        for one in ending:
            self._active.remove(one)
            injectors.end(self._parts, one)
        injectors.stand(self._parts, self._active)
        self._works.rule.restart()
        return bool(ending)

    def replace_battery(self, circuit: int, battery: int | None = None) -> None:
        """A fresh soaked battery (None: all of the string) stands here now; faults of what stood there are gone."""
        injectors.put_fresh(self._parts, circuit, battery)
        name = self.spec.circuits[circuit].name
        self._active = [one for one in self._active if not injectors.goes_with(one, name, battery)]
        injectors.stand(self._parts, self._active)
        self._works.rule.restart()

    def refill(self, circuit: int, density_20C: float) -> None:
        """Replace the acid outside the plates of a circuit by one of this density (kg/L at 20 C)."""
        if not 1.0 <= density_20C <= 1.4:
            raise ValueError(f"acid has 1.0 to 1.4 kg/L, not {density_20C}")
        racks = self._parts.racks
        if racks is not None and circuit in self._parts.string_of:
            racks.refill(self._parts.string_of[circuit], density_20C)
            self._works.rule.restart()

    def delivered_Ah(self, circuit: int) -> float:
        """Charge that truly went into the load since the plant's start, discharge not taken off."""
        return float(self._works.delivered_Ah[circuit])

    def discharged_Ah(self, circuit: int) -> float:
        """Charge that truly came out of the load since the plant's start."""
        return float(self._works.discharged_Ah[circuit])

    def true_current_A(self, circuit: int) -> float:
        """Current that truly flows."""
        return float(self._parts.rectifiers.current_A[circuit])

    def water_C(self) -> float:
        """True temperature of the water."""
        return self._parts.water_C

    def batteries(self, circuit: int) -> list[dict[str, float]]:
        """True state of each battery, for tests and for what a hydrometer or voltmeter would read.

        density_kg_L (at 25 C, outside the plates), temperature_C, formed_positive, formed_negative, open_circuit_V.
        A battery with a deviating cell is listed by its other cells.
        """
        racks = self._parts.racks
        if racks is None or circuit not in self._parts.string_of:
            return []
        found = []
        for battery in range(1, self.spec.circuits[circuit].batteries + 1):
            at = int(racks.elements(self._parts.string_of[circuit], battery)[0])
            found.append(_look(racks, at))
        return found

    def _schedule(self) -> None:
        """Begin and end the faults whose moment has come."""
        hours = (self.elapsed_s + 1e-6) / 3600.0
        for line in [one for one in self._pending if one.begin_h is not None and one.begin_h <= hours]:
            self._pending.remove(line)
            self.inject(line)
        for line in [one for one in self._active if one.end_h is not None and one.end_h <= hours]:
            self.clear(line)

    def _places_C(self) -> Array:
        """True temperature where each probe hangs."""
        parts = self._parts
        places = np.full(parts.probe_circuit.size, parts.size.air_C)
        if parts.racks is not None:
            hung = parts.probe_slot >= 0
            places[hung] = parts.racks.state[rows.TEMPERATURE, parts.racks.first_of[parts.probe_slot[hung]]]
        return places

    def _sample(self, dt_s: float) -> None:
        """Let the instruments look."""
        parts, k = self._parts, len(self.spec.circuits)
        noise = draw_noise(self._random, k, parts.probe_circuit.size, self.spec.water_probes)
        if not self.spec.noise:
            noise = Noise(0.0 * noise.volts, 0.0 * noise.probes, 0.0 * noise.water)
        parts.probes.advance(self._places_C(), parts.size.air_C, dt_s, noise.probes)
        water = np.full(self.spec.water_probes, parts.water_C)
        parts.water_probes.advance(water, parts.size.air_C, dt_s, noise.water)
        self._shown_A = [round(a, 6) + 0.0 for a in parts.rectifiers.shown_A().tolist()]
        volts = shown_volts(self._works.voltage_V, parts.rectifiers.errors.voltage_V, noise.volts, VOLTAGE_STEP_V)
        self._shown_V = [round(v, 6) + 0.0 for v in volts.tolist()]
        self._probe_C: list[list[float | None]] = [[] for _ in range(k)]
        for circuit, shown_C in zip(parts.probe_circuit.tolist(), parts.probes.values(), strict=True):
            self._probe_C[circuit].append(shown_C)


def _look(racks: Racks, at: int) -> dict[str, float]:
    """What is true of one element."""
    state = racks.state[:, at]
    pore = racks.base.common.pore
    w_outside = acid.fraction(acid.outside(state[rows.ACID], state[rows.SURPLUS], pore), state[rows.WATER])
    w = acid.fraction(state[rows.ACID], state[rows.WATER])
    formed = np.clip(1.0 - state[rows.FAST] - state[rows.SLOW], 0.0, 1.0)
    couple = -np.expm1(-state[rows.BEST] / racks.base.common.couple_f)
    molality = chemistry.molality_mol_kg(float(w))
    ocv = couple[0] * chemistry.positive_V(molality) - couple[1] * chemistry.negative_V(molality)
    number = float(racks.base.cells[at])
    return {
        "density_kg_L": chemistry.density_kg_m3(float(w_outside), 25.0) / 1000.0,
        "temperature_C": float(state[rows.TEMPERATURE]),
        "formed_positive": float(formed[0]),
        "formed_negative": float(formed[1]),
        "open_circuit_V": float(racks.base.polarity[at] * racks.marked[at] * number * ocv),
        "hydrogen_L": float(state[rows.H2]) * number * 24.465,
    }
