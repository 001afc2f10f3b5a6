"""The core in a closed loop with the virtual plant, without a wire: `bath.step` on what the plant's registers hold.

    python tests/core/closed.py --profile starter-60 --inlet 28     one bath, a line a circuit every ten minutes
    python tests/core/closed.py --demo --quiet                      the demo's circuits without its faults; sums only

Several profiles go to the circuits in turn. What is wrong in a clean bath (alarms, refusals, holds) stands at the end.

Readings pass through the registers of the circuit's own map (steps, rounding, ranges) and commands back through them,
so that the core sees what it would see of a real field. Time is stepped; orders come by a script.
"""

# ruff: noqa: E402 - run by itself, too: its path comes first

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
for place in (ROOT, Path(__file__).parent):
    if str(place) not in sys.path:
        sys.path.insert(0, str(place))

from closedlook import Extremes, clock, line, told

from controller.bathfile import Bath, load_bath, settings_of
from controller.core import bath as core_bath
from controller.core.plan import compile_plan
from controller.core.planned import Load, Plan
from controller.core.types import BathIn, BathReading, ChannelReading, Event, EventKind, Fit, LinkState, Order, Value
from controller.field.channel import bath_reading, channel_reading, command_numbers
from controller.field.codec import Codec, codec_of, decode, encode, no_value
from controller.field.registermap import RegisterMap
from profiles.loader import found_profile, load_model, read_document
from profiles.profile import Profile
from simulator.faults import FaultLine, parse_fault_line
from simulator.hall import BATH_FILE, SETTING
from simulator.plant import VirtualPlant
from simulator.spec import PlantSpec
from simulator.stage import Setting, spec_of

WHO, ROLES = "anna", ("technician", "engineer", "maintenance")
LOAD_s, FIRST_s = 60.0, 660.0
"""The load lists, then the first current: the purge of ten minutes is over then."""
APART_s = 75.0
"""From one circuit's start to the next: a first current flows alone for a while."""
TASK_s = 600.0
"""How long persons take for a task that a step waits for, and until they read what is to be read."""
WALK_s = 60.0
"""From the first minute of the meter walk on; one circuit is done before the next one's turn comes."""
LEVEL_mm = 150.0
"""Acid above the case's floor; the plant has no level."""
DUES = ("walk_due",)
"""What calls people to work in every bath is no sign of anything wrong; that they come too late is."""
WEAK_ACID = 1.100
"""What a profile with a change of acid is filled with, kg/L at 20 C."""
ORDERS = ("set_current_A", "set_voltage_V", "output_on")
STOPS = ("held", "tripped", "gap")


@dataclass(frozen=True, slots=True)
class Act:
    """One order at `at_s` of plant time."""

    at_s: float
    verb: str
    target: str
    args: Mapping[str, Any] = field(default_factory=dict)
    load: Load | None = None
    who: str = WHO


class Registers:
    """A map's registers: what a number of the plant reads as behind them, and what a written one arrives as.

    Nearly all numbers were there before; what they read as is remembered.
    """

    def __init__(self, map_: RegisterMap) -> None:
        if map_.discharge == "mode":
            raise ValueError("a map with a discharge mode is not served here")
        self._signals = tuple((name, codec_of(map_, name), dict[float | None, Value]()) for name in map_.signal)
        self._written = tuple(entry for entry in self._signals if entry[0] in ORDERS)

    def values(self, signals: Mapping[str, float | None]) -> dict[str, Value]:
        found = {}
        for name, codec, known in self._signals:
            number = signals.get(name)
            value = known.get(number)
            found[name] = _through(codec, known, number) if value is None else value
        return found

    def arrives(self, numbers: Mapping[str, float]) -> dict[str, float]:
        read = {name: _through(codec, known, numbers[name]) for name, codec, known in self._written}
        return {name: value.number for name, value in read.items() if value.number is not None}


def _through(codec: Codec, known: dict[float | None, Value], number: float | None) -> Value:
    if number not in known:
        words = None if number is None else encode(codec, number)
        known[number] = decode(codec, no_value(codec) if words is None else words)
    return known[number]


class Closed:
    """A bath of the core on a plant. Each cycle: read, decide, write; then the plant goes on by one period."""

    def __init__(self, bath: Bath, spec: PlantSpec, faults: Sequence[FaultLine] = ()) -> None:
        self.bath = bath
        self.settings = settings_of(bath)
        self.plant = VirtualPlant(spec, faults)
        self.names = tuple(own.name for own in self.settings.circuits)
        self.state = core_bath.fresh_state(self.settings)
        self.before = self.state
        self.given: BathIn | None = None
        self.out: core_bath.BathOut | None = None
        self.now_ms = 0
        self.events: list[tuple[float, Event]] = []
        self.acts: list[Act] = []
        self.after: list[Callable[[Closed], None]] = []
        self._maps = tuple(bath.maps[entry.map] for entry in bath.file.circuit)
        self._box_map = bath.maps[bath.file.inputs.map]
        served = {entry.map: Registers(bath.maps[entry.map]) for entry in bath.file.circuit}
        self._registers = tuple(served[entry.map] for entry in bath.file.circuit)
        self._box = Registers(self._box_map)
        self._probes = tuple(
            tuple("probe_C" if n == 1 else f"probe_{n}_C" for n in range(1, own.probes + 1))
            for own in self.settings.circuits
        )
        self._last: list[tuple[dict[str, Value], int]] = [({}, 0) for _ in self._maps]

    @property
    def now_s(self) -> float:
        return self.now_ms / 1000.0

    def circuit(self, name: str) -> Any:
        return self.state.circuits[self.names.index(name)]

    def reading(self, index: int) -> ChannelReading:
        """What the field says of a circuit; while its link is off, the last values grow old."""
        if self.plant.link_up(index):
            values = self._registers[index].values(self.plant.signals(index))
            self._last[index] = (values, self.now_ms)
            return channel_reading(self._maps[index], values, self._probes[index], LinkState.UP, Fit.OK)
        values, read_ms = self._last[index]
        age_ms = self.now_ms - read_ms
        old = {name: replace(value, age_ms=value.age_ms + age_ms) for name, value in values.items()}
        return channel_reading(self._maps[index], old, self._probes[index], LinkState.DOWN, Fit.OK)

    def inputs(self) -> BathReading:
        values = self._box.values(self.plant.bath_signals())
        return bath_reading(self._box_map, values, ("water_C",), LinkState.UP, Fit.OK)

    def cycle(self, *orders: Order) -> tuple[Event, ...]:
        self.now_ms += self.settings.period_ms
        channels = tuple(self.reading(index) for index in range(len(self.names)))
        self.given = BathIn(self.now_ms, self.inputs(), channels, (*self._due(), *orders))
        self.before = self.state
        self.state, self.out = core_bath.step(self.settings, self.before, self.given)
        for index, command in enumerate(self.out.commands):
            if command.silent or not self.plant.link_up(index):
                continue
            numbers = command_numbers(self._maps[index], command, self._last[index][0], 0)
            self.plant.order(index, self._registers[index].arrives(numbers))
        self.events += [(self.now_s, event) for event in self.out.events]
        for look in self.after:
            look(self)
        self.plant.advance(self.settings.period_ms / 1000.0)
        return self.out.events

    def _due(self) -> tuple[Order, ...]:
        due = [act for act in self.acts if act.at_s <= self.now_s]
        if due:
            self.acts = [act for act in self.acts if act.at_s > self.now_s]
        return tuple(
            Order(f"o{self.now_ms}-{at}", act.verb, act.target, act.who, ROLES, dict(act.args), None, act.load)
            for at, act in enumerate(due)
        )

    def until(self, done: Callable[[Closed], bool], longest_s: float) -> Closed:
        """Cycle until `done`, at the longest so long."""
        end_s = self.now_s + longest_s
        while self.now_s < end_s and not done(self):
            self.cycle()
        return self

    def over(self) -> bool:
        """Whether every circuit was unloaded again."""
        return self.now_s > FIRST_s and not self.acts and all(each.load is None for each in self.state.circuits)

    def wrong(self) -> list[str]:
        """All that a clean bath must not show: alarms, refusals, holds, trips, gaps; code, time and values."""
        kinds = (EventKind.ALARM, EventKind.REFUSAL)
        return [
            told(at_s, event)
            for at_s, event in self.events
            if (event.kind in kinds or event.code in STOPS) and event.code not in DUES
        ]


def plan_of(profile: str) -> Plan:
    """The plan of a profile of the library, or of a file."""
    path = found_profile(profile)
    if path is None:
        raise FileNotFoundError(f"there is no profile {profile}")
    document = read_document(path)
    return compile_plan(load_model(document, Profile), document.sha256)


def shortened(plan: Plan, share: float) -> Plan:
    """The plan with this share of each step's time and charge."""
    steps = []
    for step in plan.steps:
        time_ms, charge_Ah, longest_ms = step.ends.time_ms, step.ends.charge_Ah, step.longest_ms
        ends = replace(
            step.ends,
            time_ms=None if time_ms is None else round(share * time_ms),
            charge_Ah=None if charge_Ah is None else share * charge_Ah,
        )
        own = {"expected_ms": None} if getattr(step, "expected_ms", None) is not None else {}
        steps.append(
            replace(step, ends=ends, longest_ms=None if longest_ms is None else round(share * longest_ms), **own)
        )
    planned, cap = share * plan.planned_charge_Ah, share * plan.charge_cap_Ah
    return replace(plan, steps=tuple(steps), planned_charge_Ah=planned, charge_cap_Ah=cap)


def bath_of(circuits: int = 3, period_s: float = 5.0, **changes: Any) -> Bath:
    """The demo's bath file cut to so many circuits of 60 A and their part of its air; `changes` of the file's keys."""
    bath = load_bath(BATH_FILE)
    air_m3_h = bath.file.airflow_m3_h
    if air_m3_h is not None:
        changes = {"airflow_m3_h": air_m3_h * circuits / len(bath.file.circuit), **changes}
    entries = tuple(entry.model_copy(update={"current_max_A": 60.0}) for entry in bath.file.circuit[:circuits])
    times = {"period_s": period_s, "stale_after_s": 3 * period_s, "watchdog_s": 5 * period_s}
    return replace(bath, file=bath.file.model_copy(update={"circuit": entries, **times, **changes}))


def closed(bath: Bath, plans: Sequence[Plan], setting: Setting, faults: Sequence[str] = ()) -> Closed:
    """A bath with these plans in its circuits in turn, and the orders of a clean run: load, tick, start, unload."""
    spec = spec_of(bath, setting)
    mine = [plans[index % len(plans)] for index in range(len(spec.circuits))]
    sized = zip(spec.circuits, mine, strict=True)
    circuits = tuple(replace(own, capacity_C20_Ah=plan.capacity_C20_Ah, cells=plan.cells) for own, plan in sized)
    # The plant has the air that its file says: laws may compare gas with it.
    spec = replace(spec, circuits=circuits, airflow_m3_h=bath.file.airflow_m3_h)
    loop = Closed(bath, spec, [parse_fault_line(fault) for fault in faults])
    filled_ms = -round(1000 * setting.soaked_s)
    items = len(loop.settings.start_items)
    for index, own in enumerate(loop.settings.circuits):
        load = Load(mine[index], own.places, "K1:1-18", first_filled_ms=filled_ms, last_filled_ms=filled_ms)
        loop.acts.append(Act(LOAD_s, "load", own.name, {}, load))
        start_s = FIRST_s + APART_s * index
        for item in range(1, items + 1):
            at_s = start_s - 10.0 * (items + 1 - item)
            loop.acts.append(Act(at_s, "done", own.name, {"item": item, "ok": True}))
        loop.acts.append(Act(start_s, "start", own.name))
        loop.acts += _walk(loop, own.name, start_s)
        if any(step.refill_density is not None for step in mine[index].steps):
            loop.plant.refill(index, WEAK_ACID)
    loop.after += [_work, _read, _unload]
    return loop


def _walk(loop: Closed, name: str, start_s: float) -> list[Act]:
    """The meter walk: blocked, at zero, every item found right, unblocked, resumed."""
    if loop.settings.walk_ms is None:
        return []
    at_s = start_s + loop.settings.walk_ms[0] / 1000.0 + WALK_s
    items = range(1, len(loop.settings.walk_items) + 1)
    ticks = [Act(at_s + 30.0, "done", name, {"walk": item, "ok": True}) for item in items]
    return [Act(at_s, "block", name), *ticks, Act(at_s + 40.0, "unblock", name), Act(at_s + 50.0, "resume", name)]


def _read(loop: Closed) -> None:
    """What a plan wants read by hand after a step is read, from the batteries as they are."""
    for event in loop.out.events:
        if event.code != "step_ended":
            continue
        index, plan = loop.names.index(event.target), loop.circuit(event.target).load.plan
        batteries = loop.plant.batteries(index)
        for wanted in plan.readings:
            if wanted.after_step == event.data["step"] - 1:
                loop.acts += [
                    _reading(loop, event.target, wanted.what, position, batteries[position - 1], plan)
                    for position in wanted.batteries
                ]


def _reading(loop: Closed, name: str, what: str, position: int, battery: Mapping[str, float], plan: Plan) -> Act:
    values = {
        "density": battery["density_kg_L"],
        "voltage": battery["open_circuit_V"],
        "temperature": battery["temperature_C"],
        "level": plan.level_mm or LEVEL_mm,
    }
    said = {"what": what, "position": position, "value": round(values[what], 3), "instrument": "H1"}
    return Act(loop.now_s + TASK_s, "reading", name, {**said, "temperature_C": round(battery["temperature_C"], 1)})


def _work(loop: Closed) -> None:
    """A step that waits for a task: persons refill with its acid and say so after their time."""
    for event in loop.out.events:
        if event.code != "step_began" or not event.data.get("task"):
            continue
        circuit, index = loop.circuit(event.target), loop.names.index(event.target)
        density = circuit.load.plan.steps[circuit.run.step].refill_density
        if density is not None:
            loop.plant.refill(index, density)
        loop.acts.append(Act(loop.now_s + TASK_s, "done", event.target))


def _unload(loop: Closed) -> None:
    """A complete circuit is unloaded once its cool-down is over."""
    for event in loop.out.events:
        if event.code == "complete":
            loop.acts.append(Act(loop.now_s + loop.settings.after_run_ms / 1000.0 + 60.0, "unload", event.target))


def _parsed(given: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="The core in a closed loop with the virtual plant.")
    parser.add_argument("--profile", nargs="+", default=["starter-60"], help="names of the library, or files")
    parser.add_argument("--demo", action="store_true", help="the demo's circuits, as its bath file has them")
    parser.add_argument("--circuits", type=int, default=3)
    parser.add_argument("--batteries", type=int, help="in each circuit; default: all places")
    parser.add_argument("--inlet", type=float, default=20.0, help="cooling water, C")
    parser.add_argument("--water", type=float, default=25.0, help="the bath's water at the start, C")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--period", type=float, default=5.0, help="of a cycle, s")
    parser.add_argument("--share", type=float, default=1.0, help="of the profile's times and charges")
    parser.add_argument("--fault", nargs="*", default=[], help="lines as the simulator takes them")
    parser.add_argument("--hours", type=float, default=60.0, help="the longest")
    parser.add_argument("--every", type=float, default=10.0, help="minutes from line to line")
    parser.add_argument("--quiet", action="store_true", help="no lines, only what it came to")
    return parser.parse_args(given)


def loop_of(asked: argparse.Namespace) -> Closed:
    """The closed loop that the command line asks for."""
    setting = Setting(water_inlet_C=asked.inlet, water_start_C=asked.water, seed=asked.seed)
    setting = replace(setting, batteries=asked.batteries)
    bath = bath_of(asked.circuits, asked.period)
    if asked.demo:
        setting, bath = replace(SETTING, seed=asked.seed, water_inlet_C=asked.inlet), load_bath(BATH_FILE)
    plans = [shortened(plan_of(name), asked.share) for name in asked.profile]
    return closed(bath, plans, setting, asked.fault)


def main(given: Sequence[str]) -> None:
    """Play a bath to its end and print it."""
    asked = _parsed(given)
    loop = loop_of(asked)
    spans, every_s, seen = Extremes(loop), 60.0 * asked.every, 0
    loop.after.append(spans.look)
    while loop.now_s < 3600.0 * asked.hours and not loop.over():
        loop.cycle()
        if asked.quiet:
            continue
        for at_s, event in loop.events[seen:]:
            sys.stdout.write(f"{told(at_s, event)}\n")
        seen = len(loop.events)
        if loop.now_s % every_s == 0.0:
            sys.stdout.writelines(f"{line(loop, index)}\n" for index in range(len(loop.names)))
    sys.stdout.writelines(f"{text}\n" for text in spans.lines())
    wrong = loop.wrong()
    sys.stdout.write(f"{clock(loop.now_s)} {', '.join(each.state.value for each in loop.state.circuits)}\n")
    sys.stdout.writelines(f"wrong: {text}\n" for text in wrong or ["nothing"])


if __name__ == "__main__":
    main(sys.argv[1:])
