"""Deciding a record again: the core is fed what each cycle was decided on, and must give the same commands.

Also the way back after a crash: the last snapshot, with the cycles behind it folded over it. Pure but for the cycles'
decoding; the step function is a parameter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

from controller.core.circuit import step as core_step
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Command, Event
from controller.records.cycles import Cycle
from controller.records.head import Head
from controller.records.reader import Block

Watch = Callable[[CircuitIn, Command, CircuitState], None]


class Listener(Protocol):
    """Who wants to know more than the commands."""

    def block(self, number: int, led_to: CircuitState | None, start: CircuitState) -> None:
        """A block begins with cycle `number` from a state that was written, another than the cycles before led to.

        `led_to` None: it is not known what they led to.
        """
        ...

    def cycle(self, number: int, cycle: Cycle) -> None:
        """A cycle as it was recorded, before it is decided again."""
        ...

    def decided(self, number: int, cycle: Cycle, after: CircuitState, events: tuple[Event, ...]) -> None:
        """A cycle decided again: the new state, and the events of it."""
        ...


class Step(Protocol):
    """What decides a cycle."""

    def __call__(
        self, settings: BathSettings, own: CircuitSettings, state: CircuitState, cin: CircuitIn, /
    ) -> tuple[CircuitState, Command, tuple[Event, ...]]:
        """The new state, the command, the events."""
        ...


@dataclass(slots=True)
class Redecided:
    """What came of it. `same` of `compared` commands agree; cycles with no state to begin from are not compared.

    `restarts`: blocks whose first state is not the one the cycles before led to (a restart, an order of the bath).
    """

    compared: int = 0
    same: int = 0
    not_compared: int = 0
    restarts: int = 0
    first_difference: str | None = None
    problems: list[str] = field(default_factory=list)
    state: CircuitState | None = None
    last: Cycle | None = None


def redecide(
    head: Head,
    blocks: Iterable[Block | str],
    step: Step = core_step,
    watch: Watch | None = None,
    listener: Listener | None = None,
) -> Redecided:
    """Feed all cycles again; `watch` sees each cycle's input, recorded command and new state; `listener` all of it."""
    result = Redecided()
    expected = None
    for block in blocks:
        if isinstance(block, str):
            result.problems.append(block)
            result.state = None
            continue
        if block.first != expected:
            result.state = None
        expected = block.first + len(block.cycles)
        if block.start is not None:
            _begin(block.first, block.start, result, listener)
        for number, cycle in enumerate(block.cycles, block.first):
            if listener is not None:
                listener.cycle(number, cycle)
            _one(head, number, cycle, step, result, watch, listener)
    return result


def _begin(first: int, start: CircuitState, result: Redecided, listener: Listener | None) -> None:
    if result.state == start:
        return
    if result.state is not None:
        result.restarts += 1
    if listener is not None:
        listener.block(first, result.state, start)
    result.state = start


def _one(
    head: Head,
    number: int,
    cycle: Cycle,
    step: Step,
    result: Redecided,
    watch: Watch | None,
    listener: Listener | None,
) -> None:
    result.last = cycle
    if result.state is None:
        result.not_compared += 1
        return
    try:
        state, command, events = step(head.settings, head.own, result.state, cycle.cin)
    except Exception as error:  # noqa: BLE001 - whatever a record holds, the reader must go on to its next snapshot
        result.problems.append(f"cycle {number}: cannot be decided again: {type(error).__name__}: {error}")
        result.state = None
        result.not_compared += 1
        return
    result.compared += 1
    if command == cycle.command:
        result.same += 1
    elif result.first_difference is None:
        result.first_difference = f"cycle {number}: recorded {_shown(cycle.command)}, now {_shown(command)}"
    result.state = state
    if watch is not None:
        watch(cycle.cin, cycle.command, state)
    if listener is not None:
        listener.decided(number, cycle, state, events)


def _shown(command: Command) -> str:
    on = "on" if command.output_on else "off"
    closed = ", contactor closed" if command.contactor_closed else ""
    return f"{command.set_current_A:g} A, {command.voltage_limit_V:g} V, {on}{closed}"
