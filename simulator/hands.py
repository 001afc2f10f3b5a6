"""What hands do in the virtual hall: mend, the same way whoever blocked the circuit (a script's person or a real one),
and read a hydrometer.
"""

from __future__ import annotations

from collections.abc import Iterable

from simulator.faults import FaultLine
from simulator.plant import VirtualPlant

WORK_S = 600.0
"""How long a circuit must have been blocked in a row before the work on it is done."""

MENDED = {
    "open_clamp": "clamp remade",
    "reversed": "battery {battery}, formed and reversed, replaced by a fresh soaked one",
    "formed": "battery {battery}, formed before, replaced by a fresh soaked one",
}
"""The faults that hands can mend, and what is said of it."""

BY = "by the electrician"


class Hands:
    """The virtual electrician of a plant."""

    def __init__(self, plant: VirtualPlant, work_s: float = WORK_S) -> None:
        self._plant = plant
        self._work_s = work_s
        self._since_s: dict[str, float] = {}

    def look(self, blocked: Iterable[str]) -> list[tuple[str, str]]:
        """Mend what can be mended on circuits blocked long enough; return each circuit with what was done there."""
        now_s = self._plant.elapsed_s
        self._since_s = {name: self._since_s.get(name, now_s) for name in blocked}
        ready = {name for name, since_s in self._since_s.items() if now_s - since_s >= self._work_s}
        faults = [line for line in self._plant.active_faults if line.target in ready and line.name in MENDED]
        return [(str(line.target), f"{line.target}: {self._mend(line)} {BY}") for line in faults]

    def hydrometer(self, circuit: str, position: int) -> dict[str, float]:
        """Return what a hydrometer and its thermometer show at a battery (kg/L at 25 C, C), as a person reads them."""
        names = [each.name for each in self._plant.spec.circuits]
        battery = self._plant.batteries(names.index(circuit))[position - 1]
        return {"value": round(battery["density_kg_L"], 3), "temperature_C": round(battery["temperature_C"], 1)}

    def _mend(self, line: FaultLine) -> str:
        battery = line.battery or 1
        if line.kind.place == "battery":
            names = [circuit.name for circuit in self._plant.spec.circuits]
            self._plant.replace_battery(names.index(str(line.target)), battery)
        else:
            self._plant.clear(line)
        return MENDED[line.name].format(battery=battery)


def mended(notice: str) -> str:
    """Return in a word or two what a notice says was mended, nothing where it says no such thing."""
    if not notice.endswith(BY):
        return ""
    return "battery replaced" if " replaced " in notice else "remade"
