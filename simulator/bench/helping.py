"""What persons do while a profile is tried: load, start, a task and its "done", and resume after a hold or a trip.

They never shorten anything: they wait out the soak, and after a hold look again every ten minutes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.core.bathstate import BathState
from controller.core.planned import Load
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind, Order, State
from simulator.bench.strings import Strings

ROLES = ("technician", "engineer", "maintenance")
LOAD_MS, TASK_MS, LOOK_MS = 60_000, 600_000, 600_000
AGAIN_MS = 60_000
MOST_LOOKS = 12
"""Two hours of looking again after a hold or a trip, then the string is given up; own choice."""
MOST_STARTS = 60
BEFORE_LONGEST_MS = 5_000
"""Who says `done` where the step waits for nothing but time says it so much before the longest time; own choice."""
ENDED = (State.COMPLETE, State.STOPPED)


@dataclass(slots=True)
class Hands:
    """The persons of one string. `helped`: what they had to do beside starting, with its moment in ms."""

    name: str
    load: Load
    bench: Strings
    at: int
    helped: list[tuple[int, str]] = field(default_factory=list)
    refused: str = ""
    _due: list[tuple[int, str, Mapping[str, Any]]] = field(default_factory=lambda: [(LOAD_MS, "load", {})])
    _starts: int = 0
    _looks: int = 0
    _number: int = 0
    _given_up: bool = False

    def orders(self, now_ms: int, state: BathState) -> Iterator[Order]:
        """The orders whose moment has come."""
        if not self._due or self._due[0][0] > now_ms:
            return
        ready = [act for act in self._due if act[0] <= now_ms]
        self._due = [act for act in self._due if act[0] > now_ms]
        for _, verb, args in ready:
            if verb == "look":
                yield from self._look(now_ms, state.circuits[0])
            else:
                yield self._order(verb, args, self.load if verb == "load" else None)

    def hears(self, now_ms: int, events: Iterable[Event]) -> None:
        """Take note of what the core said, and plan what follows from it."""
        for event in events:
            if event.code == "loaded" or (event.kind is EventKind.ORDER and event.data.get("verb") == "load"):
                start_ms = max(now_ms, self.load.plan.soak_min_ms)
                self._plan(start_ms, "start", {})
            elif event.kind is EventKind.REFUSAL:
                self._was_refused(now_ms, event)
            elif event.code == "step_began":
                self._step_began(now_ms, event)
            elif event.code in ("held", "tripped"):
                self._plan(now_ms + LOOK_MS, "look", {})
            elif event.code == "step_ended":
                self._looks = 0

    def over(self, now_ms: int, circuit: CircuitState) -> bool:
        """Whether nothing more will come of it."""
        if circuit.state in ENDED:
            return circuit.command.set_current_A == 0.0 and not circuit.command.output_on
        return self._given_up

    def wakes_s(self, now_ms: int, longest_s: float) -> float:
        """Seconds until they act, at most `longest_s`."""
        if not self._due:
            return longest_s
        return min(longest_s, max(0.5, (self._due[0][0] - now_ms) / 1000.0))

    def _plan(self, at_ms: int, verb: str, args: Mapping[str, Any]) -> None:
        self._due = sorted([*self._due, (at_ms, verb, args)], key=lambda act: act[0])

    def _order(self, verb: str, args: Mapping[str, Any], load: Load | None = None) -> Order:
        self._number += 1
        return Order(f"b{self._number}", verb, self.name, "bench", ROLES, dict(args), None, load)

    def _step_began(self, now_ms: int, event: Event) -> None:
        step = self.load.plan.steps[int(str(event.data["step"])) - 1]
        if step.refill_density is not None:
            self.bench.refill(self.at, step.refill_density)
        if step.task:
            self._plan(now_ms + TASK_MS, "done", {})
            self.helped.append((now_ms, f"task: {step.task}"))
        elif step.ends.order:
            wait_ms = step.longest_ms - BEFORE_LONGEST_MS if step.longest_ms is not None else TASK_MS
            self._plan(now_ms + max(wait_ms, 0), "done", {})

    def _was_refused(self, now_ms: int, event: Event) -> None:
        verb, self.refused = str(event.data.get("verb", "")), event.code
        if verb == "load":
            self._given_up = True
        elif verb == "start":
            self._starts += 1
            self._given_up = self._starts > MOST_STARTS
            self._plan(now_ms + AGAIN_MS, "start", {})

    def _look(self, now_ms: int, circuit: CircuitState) -> Iterator[Order]:
        """Look at a string that stands: reset what may be reset, resume what may go on."""
        if circuit.state not in (State.HELD, State.TRIPPED):
            return
        self._looks += 1
        if self._looks > MOST_LOOKS:
            self._given_up = True
            return
        why = {"reason": "tried on the bench"}
        tripped = circuit.state is State.TRIPPED
        self.helped.append((now_ms, "reset and resume" if tripped else "resume"))
        if tripped:
            yield self._order("acknowledge", {})
            yield self._order("reset", why)
        yield self._order("resume", why)
        if not any(verb == "look" for _, verb, _ in self._due):
            self._plan(now_ms + LOOK_MS, "look", {})
