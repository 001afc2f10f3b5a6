"""The circuit's states as one table: which cause leads from which state to which; nothing else changes a state."""

from __future__ import annotations

from enum import StrEnum

from controller.core.types import State


class Cause(StrEnum):
    """What can change a circuit's state."""

    ZERO_READ_LATCHED = "zero read back, a latch is stored"
    ZERO_READ_OPEN = "zero read back, a run is open"
    ZERO_READ_IDLE = "zero read back, idle before"
    ZERO_READ_COMPLETE = "zero read back, complete before"
    ZERO_READ_STOPPED = "zero read back, stopped before"
    LOAD = "load"
    UNLOAD = "unload"
    START = "start"
    HOLD = "hold"
    RESUME = "resume"
    LAST_END = "last end"
    TRIP = "trip"
    RESET_OPEN = "reset, a run is open"
    RESET_IDLE = "reset, no run is open"
    STOP = "stop"


TABLE: dict[tuple[State, Cause], State] = {
    (State.UNKNOWN, Cause.ZERO_READ_LATCHED): State.TRIPPED,
    (State.UNKNOWN, Cause.ZERO_READ_OPEN): State.HELD,
    (State.UNKNOWN, Cause.ZERO_READ_IDLE): State.IDLE,
    (State.UNKNOWN, Cause.ZERO_READ_COMPLETE): State.COMPLETE,
    (State.UNKNOWN, Cause.ZERO_READ_STOPPED): State.STOPPED,
    (State.IDLE, Cause.LOAD): State.IDLE,
    (State.IDLE, Cause.UNLOAD): State.IDLE,
    (State.IDLE, Cause.START): State.RUNNING,
    (State.IDLE, Cause.TRIP): State.TRIPPED,
    (State.RUNNING, Cause.HOLD): State.HELD,
    (State.RUNNING, Cause.LAST_END): State.COMPLETE,
    (State.RUNNING, Cause.TRIP): State.TRIPPED,
    (State.RUNNING, Cause.STOP): State.STOPPED,
    (State.HELD, Cause.RESUME): State.RUNNING,
    (State.HELD, Cause.TRIP): State.TRIPPED,
    (State.HELD, Cause.STOP): State.STOPPED,
    (State.TRIPPED, Cause.RESET_OPEN): State.HELD,
    (State.TRIPPED, Cause.RESET_IDLE): State.IDLE,
    (State.TRIPPED, Cause.STOP): State.STOPPED,
    (State.COMPLETE, Cause.UNLOAD): State.IDLE,
    (State.STOPPED, Cause.UNLOAD): State.IDLE,
}


def after(state: State, cause: Cause) -> State | None:
    """Return the state that `cause` leads to from `state`, or None where the table knows no such way."""
    return TABLE.get((state, cause))


def mermaid() -> str:
    """Return the table as the text of a mermaid state diagram (the documentation's drawing is this text)."""
    lines = ["stateDiagram-v2", "    [*] --> unknown"]
    lines += [f"    {old.value} --> {new.value}: {cause.value}" for (old, cause), new in TABLE.items()]
    return "\n".join(lines)
