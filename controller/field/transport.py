"""What the field asks of a link: exchange one request with a unit, and say when the connection was lost.

Two ends fit: `controller.field.link` over TCP, and the simulator's register image in memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from controller.core.types import LinkState


@dataclass(frozen=True, slots=True)
class Read:
    """Read `count` registers, coils or inputs of a unit; `entity` as in the register map."""

    unit: int
    entity: str
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class Write:
    """Write registers (0 to 65535 each) or coils (0 or 1) of a unit, one after another from `address`."""

    unit: int
    entity: str
    address: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What was read; empty for a write."""

    values: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no answer: "time-out", "down", "exception 2", or what was wrong with the answer."""

    why: str
    link: LinkState


class Transport(Protocol):
    """One link. A read opens the connection where there is none; a write never does, it fails with "down".

    So a write only ever goes over the connection on which the device was looked at.
    """

    @property
    def epoch(self) -> int:
        """Grows whenever a connection ends: what was learnt of the devices before counts no more."""
        ...

    def tick(self, now_ms: int) -> None:
        """Tell the link what time it is (core time), before the exchanges of a cycle."""
        ...

    async def exchange(self, request: Read | Write) -> Answer | Failure:
        """One request, one answer; never raises for what a device or wire does."""
        ...

    async def close(self) -> None:
        """End the connection."""
        ...
