"""The demo's hall put together: plant, the real controller on real Modbus, the script's persons, hands, the pace."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from contextlib import AsyncExitStack, ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from controller.bathfile import Bath, load_bath, settings_of
from controller.core.bath import fresh_state
from controller.core.types import Event, Output
from controller.field.lines import Field, open_links
from controller.records.claims import bath_folder
from controller.records.rows import parse_time
from controller.records.writer import Writer
from controller.service.clock import SteppedClock
from controller.service.desk import Desk
from controller.service.leaving import Ending, all_written
from controller.service.locks import hold, runs_lock
from controller.service.loop import Parts, Service
from controller.service.people import Person, people_of
from controller.service.places import socket_place
from controller.service.protocol import Answer, OrderMessage
from controller.service.recorder import Recorder
from controller.service.recordroom import log_ms_of
from controller.service.sockets import OrderSocket
from controller.service.start import sources_of, targets_of
from simulator.hands import WORK_S, Hands
from simulator.pace import Pace
from simulator.plot import acts, faults
from simulator.script import Act, Script
from simulator.stage import Setting, Stage

START_UTC = "2026-03-16T06:00:00Z"
BATH_FILE = Path(__file__).parent / "plants" / "demo-bath.toml"
SETTING = Setting(soaked_s=3_000.0)
TAKEN_OVER = "a person at the console has taken over: the demo's own persons give no more orders"
YOURS = (
    "the bath is yours now: the demo's own persons give no more orders; "
    f"what is blocked for {WORK_S / 60.0:.0f} min is mended by the electrician"
)
"""What is told to whoever is attached in the moment of the takeover."""


class Hall:
    """One demo. `pace` None: as fast as the machine goes. `service` is there once it is open.

    `over`: every circuit was complete once. `taken_over`: a real person gave an order before that. `written`: once it
    is closed, whether a disk took all of its record.
    """

    def __init__(self, bath: Bath, runs: Path, seed: int, ratio: float | None) -> None:
        """Make all of it; nothing listens yet."""
        self.bath = bath
        self.stage = Stage(bath, replace(SETTING, seed=seed), faults())
        self.hands = Hands(self.stage.plant)
        items = bath.file.start_list.items if bath.file.start_list is not None else ()
        names = [circuit.name for circuit in bath.file.circuit]
        self.script = Script(acts(names, len(items)), self._queued, self._seen)
        self.over = self.taken_over = False
        self.written = True
        self._runs = runs
        self._held = ExitStack()
        self.pace = Pace(ratio, self._show, self._settled) if ratio is not None else None

    async def open(self) -> None:
        """Serve the plant, put the controller on it, attach the script. Raises OSError, InputError (a lock)."""
        # As any service: beside it nobody takes one of its records away.
        lock = runs_lock(bath_folder(self._runs, self.bath.file.name))
        with ExitStack() as held:
            held.push(hold([lock], self.bath.document.name))
            await self.stage.open()
            self.service = self._service()
            self.service.parts.writer.start()
            await self.socket.start()
            await self.script.attach(self.socket.path)
            self._held = held.pop_all()

    def end(self) -> None:
        """Ask the service to hold all and leave; the script and the pace stand in its way no more."""
        self.script.retire()
        self.service.ending = True
        if self.pace is not None:
            self.pace.free()

    async def close(self) -> None:
        """End everything, and say on standard error what of the record no disk took; open records stay open."""
        parts = self.service.parts
        async with AsyncExitStack() as ending:
            ending.callback(self._held.close)
            ending.push_async_callback(self._write_all)
            ending.callback(parts.recorder.end_all)
            ending.push_async_callback(self.stage.close)
            ending.push_async_callback(parts.field.close)
            ending.push_async_callback(self.socket.close)
            ending.callback(parts.desk.refuse_all)
            ending.push_async_callback(self.script.detach)

    async def _write_all(self) -> None:
        """Have a disk take the record, or say what it did not take; a signal gives that up."""
        ending = Ending(self.service)
        ending.over = True
        ending.listen()
        at_zero = all(each.output is Output.OFF and each.confirmed for each in self.service.state.circuits)
        self.written = await asyncio.to_thread(all_written, self.service, ending, at_zero=at_zero)

    def _service(self) -> Service:
        bath, settings = self.bath, settings_of(self.bath)
        clock = SteppedClock(settings.period_ms, parse_time(START_UTC), self._advance)
        writer = Writer()
        log_ms = log_ms_of(bath)
        recorder = Recorder(settings, sources_of(bath), self._runs, log_ms, writer, by_count=True)
        self._desk = Desk(bath.file, clock.last)
        place = socket_place(bath.file.hall, bath.file.name, demo_pid=os.getpid())
        self.socket = OrderSocket(
            place.path,
            people_of(bath.file, os.getuid()).identify,
            self._on_order,
            targets=targets_of(bath),
            virtual=True,
            group=place.group,
            hall=bath.file.hall,
            runs=str(self._runs.resolve()),
            on_pace=self.pace.ask if self.pace is not None else None,
        )
        field = Field(bath, open_links(bath, self.stage.ports))
        told = self.pace.told if self.pace is not None else None
        parts = Parts(
            settings, clock, field, self._desk, recorder, writer, self.socket, stepped=True, pace=told, log_ms=log_ms
        )
        return Service(parts, fresh_state(settings))

    async def _advance(self, dt_s: float) -> None:
        """What lies between two cycles: the wait for the moment, hands, the script's orders, the plant."""
        if self.pace is not None:
            await self.pace.before(dt_s)
        for circuit, what in self.hands.look(each.name for each in self.service.state.circuits if each.blocked_by):
            await self._notice(circuit, what, what)
        await self.script.play(self.stage.plant.elapsed_s)
        await self.stage.advance(dt_s)

    async def _on_order(self, message: OrderMessage, person: Person) -> Answer:
        if not self.script.gave(message.id):
            await self._take_over()
            if self.pace is not None:
                self.pace.order()
        return await self._desk.on_order(message, person)

    async def _take_over(self) -> None:
        """A real person gives an order: from now on the demo is theirs, and is not held to its plan."""
        self.taken_over = self.taken_over or not self.over
        if not self.script.over:
            self.script.retire()
            await self._notice(self.bath.file.name, TAKEN_OVER, YOURS)

    async def _notice(self, target: str, what: str, told: str) -> None:
        """Put on record what happened, and tell everybody who is attached at once."""
        now = self.service.parts.clock.last()
        self.service.parts.recorder.event(Event("notice", target, data={"what": what}), now.utc_ms, now.now_ms)
        await self.socket.tell({"type": "notice", "text": told})

    def _queued(self, order_id: str) -> bool:
        return self._desk.has(order_id)

    def _seen(self, act: Act) -> Mapping[str, Any]:
        """What the script's person reads off an instrument at that moment."""
        return self.hands.hydrometer(act.target, int(act.args["position"])) if act.verb == "reading" else {}

    async def _show(self) -> None:
        await self.service.show_again()

    def _settled(self) -> bool:
        return not any(each.pending for each in self.service.state.circuits)


async def open_hall(runs: Path, seed: int, ratio: float | None) -> Hall:
    """Return the demo, open, with its records going to `runs`."""
    hall = Hall(load_bath(BATH_FILE), runs, seed, ratio)
    await hall.open()
    return hall
