"""What the persons of a demo do, and when: orders through the service's own socket, in the plant's time.

The stepped clock waits for it: an order due before a cycle is in the service's hands when that cycle begins. Once a
real person gives an order, the script gives none any more.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.service.protocol import MAX_SHOWN_BYTES, OrderMessage, encode
from simulator.turns import turn

ANSWER_S = 20.0
"""Longest wait of wall time for the service's word; it answers in the same cycle."""


@dataclass(frozen=True, slots=True)
class Act:
    """One order a person gives at `at_s` of plant time. `refused`: the refusal's code expected (empty: accepted)."""

    at_s: float
    who: str
    verb: str
    target: str
    args: Mapping[str, Any] = field(default_factory=dict)
    refused: str = ""


def _nothing(_: Act) -> Mapping[str, Any]:
    """What is seen where nobody looks."""
    return {}


class Script:
    """Plays the acts in order. `surprises` tells what did not go as expected."""

    def __init__(
        self, acts: Sequence[Act], queued: Callable[[str], bool], seen: Callable[[Act], Mapping[str, Any]] = _nothing
    ) -> None:
        """Nothing is attached yet. `queued`: whether the next cycle will see this order.

        `seen`: what a person sees only in the moment of an act, and says beside its `args`.
        """
        self._queued = queued
        self._seen = seen
        self._acts = sorted(acts, key=lambda act: act.at_s)
        self._waiting: dict[str, Act] = {}
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._listening: asyncio.Task[None] | None = None
        self._given: set[str] = set()
        self._changed = asyncio.Event()
        self.surprises: list[str] = []

    async def attach(self, path: Path) -> None:
        """Connect to the service."""
        self._reader, self._writer = await asyncio.open_unix_connection(path, limit=MAX_SHOWN_BYTES)
        self._listening = asyncio.create_task(self._listen())

    def gave(self, order_id: str) -> bool:
        """Return whether an order is one of the script's own."""
        return order_id in self._given

    def retire(self) -> None:
        """Give no more orders; those given are still answered."""
        self._acts.clear()

    async def play(self, now_s: float) -> None:
        """Give every order that is due, and wait until the service has it and has answered those before."""
        async with asyncio.timeout(ANSWER_S):
            while self._waiting:
                self._changed.clear()
                await self._changed.wait()
            while self._acts and self._acts[0].at_s <= now_s:
                await self._give(self._acts.pop(0))
            # Each turn of the loop brings them nearer to the service; a load's profile is read beside the loop first.
            while not all(self._queued(order_id) for order_id in self._waiting):
                await turn()

    async def detach(self) -> None:
        """Hang up."""
        if self._listening is not None:
            self._listening.cancel()
            await asyncio.gather(self._listening, return_exceptions=True)
        if self._writer is not None:
            self._writer.close()

    @property
    def over(self) -> bool:
        """Whether everything was done and answered."""
        return not self._acts and not self._waiting

    async def _give(self, act: Act) -> None:
        if self._writer is None:
            raise RuntimeError("the script is not attached")
        order_id = f"demo-{len(self._given) + 1}"
        args = {**act.args, **self._seen(act)}
        said = {"verb": act.verb, "target": act.target, "args": args, "as_stated": act.who}
        message = OrderMessage.model_validate({"id": order_id, **said})
        self._given.add(order_id)
        self._waiting[order_id] = act
        self._writer.write(encode(message))
        await self._writer.drain()

    async def _listen(self) -> None:
        if self._reader is None:
            return
        while line := await self._reader.readline():
            said = json.loads(line)
            if said.get("type") != "answer" or said.get("id") not in self._waiting:
                continue
            act = self._waiting.pop(said["id"])
            code = "" if said["accepted"] else said["code"]
            if code != act.refused:
                wanted = act.refused or "accepted"
                self.surprises.append(f"{act.verb} {act.target}: {said['text']} (expected: {wanted})")
            self._changed.set()
