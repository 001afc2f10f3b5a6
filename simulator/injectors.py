"""What each fault does to the parts of a plant.

Standing effects (a clamp is off, a probe is lost) follow from the list of active faults and are set anew whenever it
changes, so that faults may overlap; swaps of batteries and the like happen once, at the fault's begin and end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simulator.faults import FaultError, FaultLine
from simulator.parts import Parts
from simulator.racks import Racks
from simulator.spec import PlantSpec

LEAST_SOAK_S = 3600.0
"""A battery that comes as a replacement was filled at least so long ago."""


def check_target(spec: PlantSpec, line: FaultLine) -> None:
    """Refuse a fault whose circuit, battery or link this plant does not have. Raises FaultError."""
    kind = line.kind
    if line.target is None:
        return
    circuits = {circuit.name: circuit for circuit in spec.circuits}
    links = {circuit.link for circuit in spec.circuits if circuit.link} | set(spec.links)
    if line.target not in circuits and not (kind.place == "link" and line.target in links):
        known = ", ".join([*circuits, *(sorted(links) if kind.place == "link" else [])])
        raise FaultError(f"{line.name}: no circuit is called {line.target!r}; there are {known}")
    if kind.place == "battery":
        circuit = circuits[line.target]
        if not circuit.has_string:
            raise FaultError(f"{line.name}: {line.target} has no batteries")
        if (line.battery or 1) > circuit.batteries:
            raise FaultError(f"{line.name}: {line.target} has batteries 1 to {circuit.batteries}, not {line.battery}")


def put_fresh(parts: Parts, circuit: int, battery: int | None) -> None:
    """A fresh soaked battery (or a whole string of them) comes into the bath."""
    racks = parts.racks
    if racks is None or circuit not in parts.string_of:
        raise ValueError("this circuit has no batteries")
    soaked_s = max(parts.spec.soaked_s, LEAST_SOAK_S)
    racks.put_fresh(parts.string_of[circuit], battery, soaked_s, parts.water_C, parts.size.air_C)


def begin(parts: Parts, line: FaultLine) -> None:
    """What happens once, when a fault begins."""
    act = _BEGIN.get(line.name)
    if act is not None:
        act(parts, parts.circuit(line.target), line)


def end(parts: Parts, line: FaultLine) -> None:
    """What happens once, when a fault ends."""
    act = _END.get(line.name)
    if act is not None:
        act(parts, parts.circuit(line.target), line)


def stand(parts: Parts, active: Sequence[FaultLine]) -> None:
    """Set all standing effects from the active faults."""
    names = {line.name for line in active}
    links = [line.target for line in active if line.name == "link_off"]
    parts.all_links_off = None in links
    parts.links_off = frozenset(target for target in links if target is not None)
    parts.airflow = "no_airflow" not in names
    parts.hood_closed = "hood_open" not in names
    parts.emergency_stop_ok = "emergency_stop" not in names
    parts.cooling = "cooling_lost" not in names
    parts.water_share = min([line.amount for line in active if line.name == "low_water"], default=1.0)
    parts.water_probes.lost[:] = "water_probe_lost" in names
    _stand_circuits(parts, active)
    if parts.racks is not None:
        _stand_racks(parts, parts.racks, active)


def _stand_circuits(parts: Parts, active: Sequence[FaultLine]) -> None:
    def marked(name: str) -> NDArray[np.bool_]:
        flags = np.zeros(len(parts.spec.circuits), dtype=bool)
        flags[[parts.circuit(line.target) for line in active if line.name == name]] = True
        return flags

    def amounts(name: str, otherwise: float) -> NDArray[np.float64]:
        values = np.full(len(parts.spec.circuits), otherwise)
        for line in active:
            if line.name == name:
                values[parts.circuit(line.target)] = line.amount
        return values

    at = parts.probe_circuit
    parts.open_string = marked("open_clamp")
    parts.probes.lost = marked("probe_lost")[at]
    parts.probes.frozen = marked("probe_frozen")[at]
    parts.probes.in_air = marked("probe_in_air")[at] | _bare(parts)[at]
    parts.probes.drift_K_h = amounts("probe_drift", 0.0)[at]
    r = parts.rectifiers
    gain = amounts("current_gain", 1.0)
    r.errors = replace(
        parts.sound, gain=parts.sound.gain * gain, offset_A=parts.sound.offset_A + amounts("current_offset", 0.0)
    )
    r.local = marked("local_control").astype(float)
    r.fault_code = amounts("rectifier_fault", 0.0)
    r.stuck_A = np.where(marked("stuck_on"), r.stuck_A, np.nan)
    r.cut = marked("rectifier_fault") | (not parts.emergency_stop_ok)
    r.set_current_A[r.cut] = 0.0
    r.output_on[r.cut] = 0.0


def _stand_racks(parts: Parts, racks: Racks, active: Sequence[FaultLine]) -> None:
    racks.extra_ohm[:] = 0.0
    for circuit, string in parts.string_of.items():
        racks.shield(string, parts.water_share)
        name = parts.spec.circuits[circuit].name
        for line in active:
            if line.target == name and line.name == "warm_place":
                racks.shield(string, line.amount * parts.water_share)
            if line.target == name and line.name == "clamp_ohm":
                racks.clamp(string, line.battery or 1, line.amount)


def _bare(parts: Parts) -> NDArray[np.bool_]:
    """Circuits without batteries: their probes hang in the air."""
    return np.array([not circuit.has_string for circuit in parts.spec.circuits])


Act = Callable[[Parts, int, FaultLine], None]


def _formed(polarity: float) -> Act:
    def act(parts: Parts, circuit: int, line: FaultLine) -> None:
        if parts.racks is not None:
            parts.racks.put_formed(parts.string_of[circuit], line.battery or 1, polarity)

    return act


def _missing(parts: Parts, circuit: int, line: FaultLine) -> None:
    if parts.racks is not None:
        parts.racks.take_out(parts.string_of[circuit], line.battery or 1)


def _short(parts: Parts, circuit: int, line: FaultLine) -> None:
    if parts.racks is not None:
        parts.racks.bridge_cell(parts.string_of[circuit], line.battery or 1, line.amount)


def _heal(parts: Parts, circuit: int, line: FaultLine) -> None:
    if parts.racks is not None:
        parts.racks.bridge_cell(parts.string_of[circuit], line.battery or 1, 0.0)


def _stuck(parts: Parts, circuit: int, line: FaultLine) -> None:
    r = parts.rectifiers
    r.stuck_A[circuit] = line.amount if line.amount > 0.0 else float(r.current_A[circuit])


def _restart(parts: Parts, circuit: int, line: FaultLine) -> None:  # noqa: ARG001 - one of a table of acts
    parts.rectifiers.restart(circuit)


def _fresh(parts: Parts, circuit: int, line: FaultLine) -> None:
    put_fresh(parts, circuit, line.battery or 1)


_BEGIN: dict[str, Act] = {
    "reversed": _formed(-1.0),
    "formed": _formed(1.0),
    "missing": _missing,
    "shorted_cell": _short,
    "stuck_on": _stuck,
    "rectifier_restart": _restart,
}
_END: dict[str, Act] = {"reversed": _fresh, "formed": _fresh, "missing": _fresh, "shorted_cell": _heal}
