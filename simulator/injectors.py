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
from simulator.racks import Racks, Stood
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


OF_ALL = ("low_acid", "over_soaked", "foul_acid", "wrong_fill", "wrong_type")
"""Faults that are of the whole string where no battery is named; the others of a battery are of the first one then."""


def goes_with(line: FaultLine, circuit: str, battery: int | None) -> bool:
    """Whether a fault is gone once this battery (None: the whole string) was replaced by a fresh one.

    A battery too many stays behind the new one; what all batteries have does not go with one of them.
    """
    if line.kind.place != "battery" or line.target != circuit or line.name == "extra":
        return False
    if battery is None:
        return True
    return line.battery == battery or (line.battery is None and line.name not in OF_ALL and battery == 1)


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
    parts.open_string = marked("open_clamp") | marked("unfilled")
    parts.probes.lost = marked("probe_lost")[at]
    parts.probes.frozen = marked("probe_frozen")[at]
    parts.probes.in_air = marked("probe_in_air")[at] | _bare(parts)[at]
    parts.probes.drift_K_h = amounts("probe_drift", 0.0)[at]
    parts.probe_slot = _slots(parts, [parts.circuit(line.target) for line in active if line.name == "probe_swapped"])
    r = parts.rectifiers
    gain = amounts("current_gain", 1.0)
    r.errors = replace(
        parts.sound,
        gain=parts.sound.gain * gain,
        offset_A=parts.sound.offset_A + amounts("current_offset", 0.0),
        counter=parts.sound.counter * amounts("counter_gain", 1.0),
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


def ripple_percent(active: Sequence[FaultLine], circuit: str, usual: float) -> float:
    """Ripple that a circuit's rectifier tells while current flows: what a fault says, else the usual."""
    told = [line.amount for line in active if line.name == "ripple" and line.target == circuit]
    return told[-1] if told else usual


def _slots(parts: Parts, swapped: Sequence[int]) -> NDArray[np.intp]:
    """Battery each probe hangs in, counted over all strings, after these circuits changed probes with the next one."""
    slots: list[list[int]] = []
    first = 0
    for circuit in parts.spec.circuits:
        slots.append([first + battery - 1 if battery else -1 for battery in circuit.probe_places])
        first += circuit.batteries if circuit.has_string else 0
    for circuit_index in swapped:
        other = (circuit_index + 1) % len(slots)
        for k in range(min(len(slots[circuit_index]), len(slots[other]))):
            slots[circuit_index][k], slots[other][k] = slots[other][k], slots[circuit_index][k]
    return np.array([slot for own in slots for slot in own], dtype=np.intp)


def _bare(parts: Parts) -> NDArray[np.bool_]:
    """Circuits without batteries: their probes hang in the air."""
    return np.array([not circuit.has_string for circuit in parts.spec.circuits])


Act = Callable[[Parts, int, FaultLine], None]


RackAct = Callable[[Racks, int, FaultLine, Stood], None]


def _on_racks(do: RackAct) -> Act:
    """An act on the batteries of the circuit's string."""

    def act(parts: Parts, circuit: int, line: FaultLine) -> None:
        if parts.racks is not None:
            soaked_s = max(parts.spec.soaked_s, LEAST_SOAK_S)
            do(parts.racks, parts.string_of[circuit], line, Stood(soaked_s, parts.water_C, parts.size.air_C))

    return act


def _stuck(parts: Parts, circuit: int, line: FaultLine) -> None:
    r = parts.rectifiers
    r.stuck_A[circuit] = line.amount if line.amount > 0.0 else float(r.current_A[circuit])


def _restart(parts: Parts, circuit: int, line: FaultLine) -> None:  # noqa: ARG001 - one of a table of acts
    parts.rectifiers.restart(circuit)


def _shifted(sign: float) -> Act:
    """The circuit's probes read higher by the fault's value, or no longer."""

    def act(parts: Parts, circuit: int, line: FaultLine) -> None:
        parts.probes.offset_K = parts.probes.offset_K + sign * line.amount * (parts.probe_circuit == circuit)

    return act


def _fresh(parts: Parts, circuit: int, line: FaultLine) -> None:
    put_fresh(parts, circuit, line.battery or 1)


def _fresh_all(parts: Parts, circuit: int, line: FaultLine) -> None:
    """Where no battery is named, it was all of them."""
    put_fresh(parts, circuit, line.battery)


_BEGIN: dict[str, Act] = {
    "reversed": _on_racks(lambda racks, string, line, _: racks.put_formed(string, line.battery or 1, -1.0)),
    "formed": _on_racks(lambda racks, string, line, _: racks.put_formed(string, line.battery or 1, 1.0)),
    "missing": _on_racks(lambda racks, string, line, _: racks.take_out(string, line.battery or 1)),
    "extra": _on_racks(lambda racks, string, line, stood: racks.add(string, line.battery or 1, stood)),
    "shorted_cell": _on_racks(lambda racks, string, line, _: racks.bridge_cell(string, line.battery or 1, line.amount)),
    "reversed_unformed": _on_racks(
        lambda racks, string, line, stood: racks.put_turned(string, line.battery or 1, stood)
    ),
    "low_acid": _on_racks(lambda racks, string, line, _: racks.drain(string, line.battery, line.amount)),
    "over_soaked": _on_racks(lambda racks, string, line, _: racks.over_soak(string, line.battery)),
    "foul_acid": _on_racks(lambda racks, string, line, _: racks.foul(string, line.battery, line.amount)),
    "wrong_fill": _on_racks(
        lambda racks, string, line, stood: racks.put_filled(string, line.battery, line.amount, stood)
    ),
    "wrong_type": _on_racks(
        lambda racks, string, line, stood: racks.put_type(string, line.battery, line.amount, stood)
    ),
    "probe_offset": _shifted(1.0),
    "stuck_on": _stuck,
    "rectifier_restart": _restart,
}
_END: dict[str, Act] = {
    "reversed": _fresh,
    "formed": _fresh,
    "missing": _fresh,
    "extra": _on_racks(lambda racks, string, line, _: racks.remove_added(string)),  # noqa: ARG005 - as the others
    "shorted_cell": _on_racks(lambda racks, string, line, _: racks.bridge_cell(string, line.battery or 1, 0.0)),
    "reversed_unformed": _fresh,
    "low_acid": _fresh_all,
    "over_soaked": _fresh_all,
    "foul_acid": _on_racks(lambda racks, string, line, _: racks.foul(string, line.battery, 1.0)),
    "wrong_fill": _fresh_all,
    "wrong_type": _fresh_all,
    "probe_offset": _shifted(-1.0),
}
