"""What a closed loop shows, as lines: events, a circuit at a moment, the span of each quantity over a whole bath."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

from controller.core.types import Event

WINDOW_s = 600.0
FLOWS_A = 0.3
LEAST_Ah = 5.0
"""Before so much charge a counter's last digits make per cents."""


def told(at_s: float, event: Event) -> str:
    """One line: time, target, kind, code and data."""
    data = " ".join(f"{key}={_short(value)}" for key, value in event.data.items() if value not in ("", None))
    return f"{clock(at_s)} {event.target:4} {event.kind.value:7} {event.code:20} {data}"


def _short(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def clock(at_s: float) -> str:
    minutes, seconds = divmod(round(at_s), 60)
    return f"{minutes // 60:2d}:{minutes % 60:02d}:{seconds:02d}"


@dataclass(slots=True)
class Extremes:
    """The span of what a bath shows while its circuits run, each with its moment: what limits can be set beside."""

    loop: Any
    highest: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)
    lowest: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)
    trails: dict[tuple[str, str], deque[tuple[float, float]]] = field(default_factory=dict)
    begun: dict[str, tuple[float, float]] = field(default_factory=dict)

    def look(self, loop: Any) -> None:
        """Take in one cycle."""
        running = [index for index, each in enumerate(loop.state.circuits) if each.state.value == "running"]
        if not running:
            return
        for index in running:
            self._circuit(loop, index)
        inputs = loop.given.bath
        self._see("bath", "flow L/min", _number(inputs.flow_L_min))
        self._see("bath", "hydrogen %LEL", _number(inputs.hydrogen_percent_LEL))
        self._moving("bath", "water", _number(inputs.water_C[0]))

    def _circuit(self, loop: Any, index: int) -> None:
        each, told = loop.state.circuits[index], loop.out.told[index]
        name, reading, run = each.name, told.reading, each.run
        amps, water_C = _number(reading.current_A), _number(told.bath.water_C)
        volts = _number(reading.voltage_V)
        probe_C = max((one.number for one in reading.probes if one.number is not None), default=None)
        self._moving(name, "probe", probe_C)
        self._see(name, "ripple %", _number(reading.ripple_percent))
        if probe_C is not None and water_C is not None:
            self._see(name, "probe - water K", probe_C - water_C)
        if amps is None or volts is None or each.load is None or amps < FLOWS_A:
            return
        volts /= each.load.plan.cells * each.load.batteries
        self._see(name, "V/cell", volts)
        since_s, counter_Ah = self.begun.setdefault(name, (loop.now_s, _number(reading.counter_Ah) or 0.0))
        if loop.now_s - since_s <= WINDOW_s:
            self._see(name, "V/cell first 10min", volts)
        if each.command == loop.before.circuits[index].command:
            self._see(name, "A - asked A", amps - each.command.set_current_A)
        if (
            run.counters.charge_Ah > LEAST_Ah
            and reading.counter_Ah is not None
            and reading.counter_Ah.number is not None
        ):
            ours_Ah = run.counters.charge_Ah
            self._see(name, "counter - ours %", 100.0 * (reading.counter_Ah.number - counter_Ah - ours_Ah) / ours_Ah)

    def _moving(self, name: str, what: str, value_C: float | None) -> None:
        """A temperature: itself, how fast it moves over ten minutes, how long it stood still to the bit."""
        now_s = self.loop.now_s
        self._see(name, f"{what} C", value_C)
        if value_C is None:
            return
        trail = self.trails.setdefault((name, what), deque())
        still = self.trails.setdefault((name, f"{what} still"), deque([(now_s, value_C)], maxlen=1))
        if still[0][1] != value_C:
            still.append((now_s, value_C))
        self._see(name, f"{what} still min", (now_s - still[0][0]) / 60.0)
        trail.append((now_s, value_C))
        while now_s - trail[0][0] > WINDOW_s:
            trail.popleft()
        if now_s - trail[0][0] == WINDOW_s:
            self._see(name, f"{what} K/h", (value_C - trail[0][1]) * 3600.0 / WINDOW_s)

    def _see(self, name: str, what: str, number: float | None) -> None:
        if number is None:
            return
        key = (name, what)
        if key not in self.highest or number > self.highest[key][0]:
            self.highest[key] = (number, self.loop.now_s)
        if key not in self.lowest or number < self.lowest[key][0]:
            self.lowest[key] = (number, self.loop.now_s)

    def lines(self) -> list[str]:
        """A line a quantity: where, what, lowest and highest with their moments."""
        return [
            f"{key[0]:5} {key[1]:18} {self.lowest[key][0]:8.3f} at {clock(self.lowest[key][1])}   to "
            f"{high[0]:8.3f} at {clock(high[1])}"
            for key, high in sorted(self.highest.items())
        ]


def _number(value: Any) -> float | None:
    return None if value is None else value.number


def line(loop: Any, index: int) -> str:
    """One circuit now: time, state, step, V per cell, A, asked A, probe, water, charge."""
    each, reading = loop.state.circuits[index], loop.out.told[index].reading
    cells = each.load.plan.cells * each.load.batteries if each.load is not None else 0
    volts = f"{reading.voltage_V.number / cells:6.3f}" if cells and reading.voltage_V.number is not None else "     -"
    step = each.run.step + 1 if each.run is not None else 0
    charge = each.run.counters.charge_Ah if each.run is not None else 0.0
    numbers = (reading.current_A.number, each.command.set_current_A, *(probe.number for probe in reading.probes))
    shown = " ".join("      -" if number is None else f"{number:7.2f}" for number in numbers)
    water = loop.out.told[index].bath.water_C.number
    head = f"{clock(loop.now_s)} {each.name} {each.state.value:8} {step:2d}"
    return f"{head} {volts} {shown} {water or 0:6.2f} {charge:7.2f}"
