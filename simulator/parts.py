"""The parts of one plant as its spec asks for them: racks, rectifiers, instruments, and the flags that faults set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.bath import BathSize, scaled
from simulator.faults import FaultError
from simulator.parameters import Spread, build_cells
from simulator.racks import Racks
from simulator.rectifier import Errors, Rectifiers, drawn_errors, no_errors, ratings_of
from simulator.sensors import PROBE_LAG_S, WATER_LAG_S, Probes, probe_offsets
from simulator.spec import PlantSpec


@dataclass(slots=True)
class Parts:
    """The parts of one plant that faults reach, and the flags they set."""

    spec: PlantSpec
    size: BathSize
    racks: Racks | None
    string_of: dict[int, int]  # circuit -> string
    rectifiers: Rectifiers
    sound: Errors
    probes: Probes
    probe_circuit: NDArray[np.intp]
    probe_slot: NDArray[np.intp]  # battery it hangs in, counted over all strings; -1: in the air
    water_probes: Probes
    water_C: float
    open_string: NDArray[np.bool_]
    links_off: frozenset[str] = frozenset()
    all_links_off: bool = False
    airflow: bool = True
    hood_closed: bool = True
    emergency_stop_ok: bool = True
    cooling: bool = True
    water_share: float = 1.0

    def circuit(self, name: str | None) -> int:
        """Index of a circuit by its name."""
        for index, circuit in enumerate(self.spec.circuits):
            if circuit.name == name:
                return index
        raise FaultError(f"no circuit is called {name!r}; there are {', '.join(c.name for c in self.spec.circuits)}")


def build_parts(spec: PlantSpec, spread: np.random.Generator, instruments: np.random.Generator) -> Parts:
    """All parts at the moment of filling; the generators are drawn from only where the spec asks for differences."""
    size = _bath_size(spec)
    strings = [(i, c) for i, c in enumerate(spec.circuits) if c.has_string]
    racks = _racks(spec, spread)
    ratings = ratings_of(
        [c.current_max_A for c in spec.circuits],
        [c.voltage_max_V for c in spec.circuits],
        [c.watchdog_s for c in spec.circuits],
    )
    k = len(spec.circuits)
    exact = not (spec.spread if spec.errors is None else spec.errors)
    sound = no_errors(k) if exact else drawn_errors(ratings, instruments)
    chance = None if exact else instruments
    places = [(i, battery) for i, c in enumerate(spec.circuits) for battery in c.probe_places]
    first = {i: sum(c.batteries for j, c in strings if j < i) for i, _ in strings}
    starts = [spec.model.start_C if battery else size.air_C for _, battery in places]
    return Parts(
        spec=spec,
        size=size,
        racks=racks,
        string_of={i: string for string, (i, _) in enumerate(strings)},
        rectifiers=Rectifiers(ratings, sound),
        sound=sound,
        probes=Probes(np.array(starts, dtype=float), probe_offsets(chance, len(places)), PROBE_LAG_S),
        probe_circuit=np.array([i for i, _ in places], dtype=np.intp),
        probe_slot=np.array([first[i] + battery - 1 if battery else -1 for i, battery in places], dtype=np.intp),
        water_probes=Probes(
            np.full(spec.water_probes, spec.water_start_C), probe_offsets(chance, spec.water_probes), WATER_LAG_S
        ),
        water_C=spec.water_start_C,
        open_string=np.zeros(k, dtype=bool),
    )


def _bath_size(spec: PlantSpec) -> BathSize:
    return scaled(
        len(spec.circuits),
        inlet_C=spec.water_inlet_C,
        air_C=spec.air_C,
        water_kg=spec.water_kg,
        flow_L_min=spec.flow_L_min,
        valve_C=spec.valve_C,
        band_K=spec.band_K,
        open_m2=spec.open_m2,
        wall_W_K=spec.wall_W_K,
        humidity=spec.humidity,
    )


def _racks(spec: PlantSpec, random: np.random.Generator) -> Racks | None:
    with_string = [c for c in spec.circuits if c.has_string]
    if not with_string:
        return None
    lengths = [c.batteries for c in with_string]
    cells = build_cells(
        np.repeat([c.capacity_C20_Ah for c in with_string], lengths),
        np.repeat([float(c.cells) for c in with_string], lengths),
        spec.model,
        Spread() if spec.spread else None,
        random,
    )
    return Racks(cells, lengths)
