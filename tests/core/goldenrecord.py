"""The golden record: one run of three circuits in which everything happens once; its decisions are kept to the bit.

    python tests/core/goldenrecord.py --draw [FILE]        draws it anew, with the number of the core that is here

The plant is the core tests' toy: plain floats, no numpy, so no last bit hangs on a machine. Every event stands in the
file, and every command: one that is not written there is the same as the circuit's command before it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from dataclasses import fields, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

ROOT = Path(__file__).parents[2]
FILE = Path(__file__).parent / "golden" / "decisions.txt"
COMMAND = "python tests/core/goldenrecord.py --draw"
PERIOD_MS = 5_000


class Scribe:
    """Plays cycles of the toy bath and writes down what was decided."""

    def __init__(self, kit: Any) -> None:
        self.kit = kit
        items = ("polarity", "nobody at this bath")
        settings = kit.settings(
            period_ms=PERIOD_MS, circuits=3, start_items=items, alone_ms=60_000, apart_ms=10_000
        )  # fmt: skip
        self.names = tuple(own.name for own in settings.circuits)
        self.bench = kit.bench(settings)
        self.lines: list[str] = []
        self.written: dict[str, str] = {}
        self.cycles = 0

    def cycle(self, *orders: Any, skip_ms: int = 0) -> None:
        self.cycles += 1
        for index, toy in enumerate(self.bench.toys):
            if toy.probe_C < 45.0:  # a battery's temperature never stands still; set higher, it is the play's
                toy.probe_C = 30.0 + 0.5 * index + 0.1 * (self.cycles % 7)
        events = self.bench.cycle(*orders, skip_ms=skip_ms)
        for name, command in zip(self.names, self.bench.out.commands, strict=True):
            self._write(name, command)
        self._write(self.bench.settings.name, self.bench.out.bath)
        self.lines += [f"{self.bench.now_ms} {event.target} {_event(event)}" for event in events]

    def _write(self, name: str, command: Any) -> None:
        said = _command(command)
        if self.written.get(name) != said:
            self.written[name] = said
            self.lines.append(f"{self.bench.now_ms} {name} command {said}")

    def cycles_of(self, count: int) -> None:
        for _ in range(count):
            self.cycle()

    def until(self, done: Callable[[], bool], most: int = 2_000) -> None:
        """Cycle until it is so; what never comes ends the play, and the record says how far it went."""
        for _ in range(most):
            if done():
                return
            self.cycle()

    def say(self, verb: str, *targets: str, load: Any = None, **args: Any) -> None:
        """One order a target, all in one cycle."""
        given = [self.kit.order(verb, target, load=load, **args) for target in targets or self.names]
        self.cycle(*(replace(order, id=f"{verb}-{self.cycles}-{at}") for at, order in enumerate(given)))

    def state(self, name: str) -> str:
        return str(self.bench.state.circuits[self.names.index(name)].state.value)

    def again(self, *targets: str) -> None:
        """Whoever is tripped is seen and reset, whoever is held or idle gets current: each alone at first."""
        for name in targets or self.names:
            if self.state(name) == "tripped":
                self.say("acknowledge", name)
                self.say("reset", name)
            verb = {"held": "resume", "idle": "start"}.get(self.state(name))
            if verb is not None:
                self.say(verb, name)
                self.cycles_of(15)


def _command(command: Any) -> str:
    """What a command says; a field at its default is left out."""
    said = {field.name: getattr(command, field.name) for field in fields(command)}
    plain = type(command)()
    return " ".join(f"{key}={value!r}" for key, value in said.items() if value != getattr(plain, key)) or "all off"


def _event(event: Any) -> str:
    weight = f" reaction={event.reaction.name} priority={event.priority}" if event.priority else ""
    return f"{event.kind.value} {event.code} {dict(event.data)!r}{weight}"


def play(kit: Any) -> list[str]:
    """Play the whole record; return its lines."""
    scribe = Scribe(kit)
    _begin(scribe)
    _heat(scribe)
    _people(scribe)
    _devices(scribe)
    _bath(scribe)
    _end(scribe)
    return [*scribe.lines, f"{scribe.cycles} cycles to {scribe.bench.now_ms} ms"]


def _begin(scribe: Scribe) -> None:
    """Zero read, loads, the start list with one item refused first, starts."""
    step = scribe.kit.step
    steps = (
        step(1, current_A=15.0, ends={"time_ms": 3_600_000}, ramp_ms=60_000, restart_ms=20_000),
        step(2, "rest", 0.0, {"time_ms": 60_000}, voltage_V_per_cell=0.0),
        step(3, "rest", 0.0, {"order": True}, voltage_V_per_cell=0.0, task="look at the acid"),
        step(4, current_A=12.0, ends={"charge_Ah": 1.0}, takes_owed=True),
        step(5, current_A=6.0, ends={"temperature_C": 20.0}, longest_ms=300_000, on_overrun="next"),
    )
    load = scribe.kit.load(plan=scribe.kit.plan(*steps, planned_charge_Ah=17.0, charge_cap_Ah=40.0))
    scribe.cycles_of(5)
    scribe.say("start", "A01")
    scribe.say("load", load=load)
    scribe.say("done", item=1, ok=True)
    scribe.say("done", "A01", "A03", item=2, ok=True)
    scribe.say("done", "A02", item=2, ok=False, reason="somebody at the bath")
    scribe.say("start", "A02")
    scribe.say("start")
    scribe.cycles_of(15)
    scribe.say("done", "A02", item=2, ok=True)
    scribe.again("A02", "A03")


def _heat(scribe: Scribe) -> None:
    """One battery warms to its derate and cools, and the whole current comes back; another loses its probe."""
    for probe_C in (50.5, 51.0, 51.7, 52.3, 52.3, 51.9, 50.8):
        scribe.bench.toys[0].probe_C = probe_C
        scribe.cycle()
    scribe.bench.toys[0].probe_C = 40.0
    scribe.cycles_of(40)
    scribe.bench.bad[(1, "probes")] = None
    scribe.cycles_of(10)
    del scribe.bench.bad[(1, "probes")]
    scribe.cycles_of(10)
    scribe.say("acknowledge", "A01", "A02")


def _people(scribe: Scribe) -> None:
    """A hold and a resume by order, and a note; a block and its end; what is not allowed."""
    scribe.say("hold", "A02")
    scribe.cycles_of(6)
    scribe.say("note", "A02", text="a vent plug was loose")
    scribe.say("resume", "A02")
    scribe.cycles_of(8)
    scribe.say("block", "A02", who="otto")
    scribe.cycles_of(12)
    scribe.say("resume", "A02")
    scribe.say("unblock", "A02", who="otto")
    scribe.say("resume", "A02")
    scribe.say("reset", "A01")
    scribe.cycles_of(8)


def _devices(scribe: Scribe) -> None:
    """A hold by a law, a short link loss, a trip with all that leads out of it."""
    bad = scribe.bench.bad
    bad[(1, "local")] = 1.0
    scribe.cycles_of(5)
    del bad[(1, "local")]
    scribe.cycles_of(2)
    scribe.again("A02")
    bad[(0, "link")] = "old"
    scribe.cycles_of(5)
    scribe.bench.toys[0].set_A, scribe.bench.toys[0].on = 0.0, False  # the rectifier's own watchdog
    scribe.cycles_of(3)
    del bad[(0, "link")]
    scribe.cycles_of(10)
    bad[(2, "current_A")] = 21.5
    scribe.cycles_of(4)
    del bad[(2, "current_A")]
    scribe.cycles_of(4)
    scribe.say("reset", "A03")
    scribe.say("acknowledge", "A03")
    scribe.say("block", "A03", who="otto")
    scribe.cycles_of(12)
    scribe.say("reset", "A03")
    scribe.say("unblock", "A03", who="otto")
    scribe.say("reset", "A03")
    scribe.say("resume", "A03")
    scribe.cycles_of(30)


def _bath(scribe: Scribe) -> None:
    """Warm water, a hold of the whole bath, a time in which nothing was read, the emergency stop."""
    signals = scribe.bench.bath_signals
    for water_C in (41.0, 46.0, 47.5, 47.5, 44.0):
        signals["water_C"] = water_C
        scribe.cycles_of(2)
    signals["water_C"] = 25.0
    scribe.cycles_of(40)
    scribe.say("acknowledge", "A")
    scribe.say("hold", "A")
    scribe.cycles_of(6)
    scribe.again()
    scribe.cycles_of(6)
    scribe.cycle(scribe.kit.order("resume", "A01"), skip_ms=60_000)
    scribe.cycles_of(6)
    scribe.again()
    scribe.cycles_of(6)
    signals["emergency_stop_ok"] = 0.0
    scribe.cycles_of(4)
    signals["emergency_stop_ok"] = 1.0
    scribe.cycles_of(4)
    scribe.say("acknowledge", "A")
    scribe.say("reset", "A")
    scribe.again()
    scribe.cycles_of(6)


def _end(scribe: Scribe) -> None:
    """One circuit is stopped, the others are done with their task and complete, one is signed off; all are unloaded."""
    scribe.say("stop", "A03", reason="batch recalled")
    scribe.cycles_of(6)
    scribe.until(lambda: all(each.run is not None and each.run.step == 2 for each in scribe.bench.state.circuits[:2]))
    scribe.cycles_of(3)
    scribe.say("done", "A01", "A02", step=3)
    scribe.until(lambda: scribe.state("A01") == scribe.state("A02") == "complete")
    scribe.cycles_of(6)
    scribe.say("sign-off", "A02", result="pass, 4 scrap reversed", reason="seen with the foreman")
    scribe.say("unload", "A01")
    scribe.say("unload", reason="the bath is wanted")
    scribe.cycles_of(2)


def difference(held: list[str], drawn: list[str], core: int) -> str | None:
    """Say what is wrong between the golden file (its first line names its core) and what was decided now, or None."""
    first, kept = held[0], held[1:]
    same_core = first == head_of(core)
    if drawn == kept:
        return None if same_core else f"the golden record is of another core ({first}), draw it anew: {COMMAND}"
    at = next((i for i, (a, b) in enumerate(zip(kept, drawn, strict=False)) if a != b), min(len(kept), len(drawn)))
    was, now = (lines[at] if at < len(lines) else "nothing more" for lines in (kept, drawn))
    what = f"line {at + 2} of {FILE.name}:\n  was: {was}\n  now: {now}\n"
    if same_core:
        return f"decisions differ while the core is still {core}: raise CORE, then {COMMAND}\n{what}"
    return f"decisions of core {core} are not drawn yet (the golden record says {first}): {COMMAND}\n{what}"


def head_of(core: int) -> str:
    """The golden file's first line."""
    return f"core = {core}"


def written(core: int, drawn: Iterable[str]) -> str:
    """The golden file's text."""
    return "\n".join([head_of(core), *drawn]) + "\n"


def draw(file: Path = FILE) -> None:
    """Play the record on the toy of the core's tests and write it as the golden file."""
    for place in (ROOT, Path(__file__).parent):
        sys.path.insert(0, str(place))
    import conftest

    from controller.core.version import CORE

    kit = SimpleNamespace(
        settings=conftest.make_settings,
        step=conftest.make_step,
        plan=conftest.make_plan,
        load=conftest.make_load,
        order=conftest.make_order,
        bench=conftest.make_bench,
    )
    drawn = play(kit)
    if file.exists():
        said = difference(file.read_text(encoding="utf-8").splitlines(), drawn, CORE)
        sys.stdout.write(f"{said or 'nothing changed'}\n")
    file.parent.mkdir(exist_ok=True)
    file.write_text(written(CORE, drawn), encoding="utf-8")
    sys.stdout.write(f"{file.name}: {len(drawn)} lines of core {CORE}\n")


if __name__ == "__main__":
    if sys.argv[1:2] != ["--draw"]:
        sys.exit(f"what to do? {COMMAND}")
    draw(*map(Path, sys.argv[2:3]))
