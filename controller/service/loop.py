"""The control cycle: read, decide, write, record, tell. One at a time, for as long as the service lives.

Around deciding and writing stands one guard: whatever goes wrong there ends with zero to every rectifier, once, and
with nothing refreshing their watchdogs any more.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

from controller.core import bath as core_bath
from controller.core.bath import BathOut
from controller.core.bathstate import BathState
from controller.core.moves import interrupted
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.table import Cause
from controller.core.types import (
    ALL_OFF,
    BathCommand,
    BathIn,
    BathReading,
    ChannelReading,
    Command,
    Event,
    Order,
    Output,
    State,
)
from controller.records.room import Room
from controller.records.space import waiting_bytes_h
from controller.records.statefile import NAME as STATE
from controller.records.writer import Writer
from controller.service.advising import Advising
from controller.service.away import Away, followed
from controller.service.clock import CLOCK_STEP_MS, Clock, Now
from controller.service.desk import Desk
from controller.service.holds import Holds
from controller.service.keeping import rested_on, state_to_keep
from controller.service.recorder import Recorder
from controller.service.snapshot import Seen, snapshot
from controller.service.sockets import OrderSocket

ROWS_A_FLUSH = 1000
"""A stepped clock waits for the writer after so many rows, so that memory stays small however fast it runs."""

ZERO_WAIT_CYCLES = 12


class FieldLike(Protocol):
    """What the loop needs of the field."""

    async def read(self, now_ms: int) -> tuple[BathReading, tuple[ChannelReading, ...]]:
        """Read everything once."""
        ...

    async def write(self, commands: tuple[Command, ...], bath: BathCommand, now_ms: int) -> None:
        """Write every command once."""
        ...

    async def close(self) -> None:
        """End the connections."""
        ...


@dataclass
class Parts:
    """What a service is put together from. `pace`: of a stepped plant, (ratio, paused), for the snapshots.

    `since_ms`: how long ago the running cycle began; where time is stepped it stands still within a cycle.
    `log_ms`: how often a row is written. `boot`: how the real clocks stand, for state.json.
    """

    settings: BathSettings
    clock: Clock
    field: FieldLike
    desk: Desk
    recorder: Recorder
    writer: Writer
    socket: OrderSocket | None
    stepped: bool
    pace: Callable[[], tuple[float, bool]] | None = None
    since_ms: Callable[[], int] = lambda: 0
    log_ms: int = 10_000
    boot: Callable[[], Mapping[str, Any]] = dict


class Service:
    """One bath's control. `state` is the bath as last decided; `ending` asks the loop to hold all and leave."""

    def __init__(self, parts: Parts, state: BathState, told: tuple[Event, ...] = (), away: Away | None = None) -> None:
        """`told`: events of the start (a gap, a damaged record), written with the first cycle.

        `away`: runs that an earlier service left open.
        """
        self.parts = parts
        self.state = state
        self.ending = False
        self.not_zero: tuple[str, ...] = ()
        self._told = told
        self._away = away
        self._last: tuple[BathOut, BathReading] | None = None
        self._now = Now(state.now_ms, 0)
        self._kept_revision: object = None
        self._rows = 0
        self._gap_ms = 0
        self._wall_offset_ms: int | None = None
        self._clock_steps = 0
        self._trouble: str | None = None
        self._room = _room_of(parts)
        self._holds = Holds(state)
        self._advising = Advising(parts.settings)
        if away is not None and away.away_ms is None:
            parts.recorder.gap_not_known(away.runs)

    async def run(self, until: Callable[[BathState], bool] = lambda _: False) -> None:
        """Cycle until `until(state)` holds, or until the service was asked to end and zero was read back."""
        waited = 0
        while not until(self.state):
            await self.cycle()
            if self.ending:
                waited += 1
                self.not_zero = tuple(each.name for each in self.state.circuits if not _at_zero(each))
                if not self.not_zero or waited > ZERO_WAIT_CYCLES:
                    return

    async def cycle(self) -> None:
        """One cycle. Raises what went wrong in any part of it, after zero was written to all."""
        parts = self.parts
        now_ms = await parts.clock.next_cycle()
        try:
            await self._guarded(now_ms)
        except BaseException:
            await self._zero(now_ms)
            raise

    async def _guarded(self, now_ms: int) -> None:
        parts = self.parts
        reading, channels = await parts.field.read(now_ms)
        self._now = parts.clock.last()
        stood_ms = parts.since_ms()
        if stood_ms > parts.settings.stale_ms:
            # The process stood still in mid-cycle: what was read and ordered is as old, and the core must see the gap.
            now_ms += stood_ms
            self._now = Now(now_ms, self._now.utc_ms + stood_ms)
        orders = self._in_time(parts.desk.take(), now_ms)
        if self.ending:
            parts.desk.refuse_all()
            orders = ()
        before, held = self.state, list[Event]()
        if self.ending:
            before, held = self._held(self.state, "service_ending")
        given = self._given(now_ms, reading, channels, orders)
        state, out = core_bath.step(parts.settings, before, given)
        await parts.field.write(out.commands, out.bath, now_ms)
        self.state = state
        parts.desk.settle(out.events, state.circuits)
        parts.recorder.cycle(before, out, state, self._now.utc_ms, parts.desk.profiles, parts.desk.releases)
        self._advising.look(given, state)
        self._told = (*self._told, *held, *self._advising.notices())
        await self._tell(out, reading)

    def _given(
        self, now_ms: int, reading: BathReading, channels: tuple[ChannelReading, ...], orders: tuple[Order, ...]
    ) -> BathIn:
        """Return all that this cycle is decided on."""
        waiting = self._room.look(now_ms)
        return BathIn(
            now_ms,
            reading,
            channels,
            orders,
            self._advising.advice,
            record_left_ms=waiting.left_ms,
            record_age_ms=waiting.age_ms,
            record_space_h=waiting.space_h,
            record_space_unknown=waiting.space_unknown,
            overdue=self.parts.recorder.proofs.overdue(self._now.utc_ms),
        )

    def _in_time(self, orders: tuple[Order, ...], now_ms: int) -> tuple[Order, ...]:
        """Return the orders without those that may have waited in the socket while nothing was read.

        In the first cycle after such a time the core itself refuses them; here in the second, for what came in late.
        """
        before_ms, dt_ms = self._gap_ms, now_ms - self.state.now_ms
        self._gap_ms = dt_ms if dt_ms > self.parts.settings.stale_ms else 0
        return self.parts.desk.refuse_late(orders, before_ms / 1000.0) if before_ms else orders

    def _held(self, state: BathState, why: str) -> tuple[BathState, list[Event]]:
        """Return the bath with every running circuit held, and the events that say so."""
        running = [each.name for each in state.circuits if each.state is State.RUNNING]
        circuits = tuple(
            interrupted(each, Cause.HOLD, why, state.now_ms) if each.state in (State.RUNNING, State.HELD) else each
            for each in state.circuits
        )
        return replace(state, circuits=circuits), [Event("held", name, data={"cause": why}) for name in running]

    async def _zero(self, now_ms: int) -> None:
        """Write zero to all once; what fails here is left to the rectifiers' watchdogs."""
        off = tuple(replace(ALL_OFF, contactor_closed=each.command.contactor_closed) for each in self.state.circuits)
        try:
            async with asyncio.timeout(2.0):
                await self.parts.field.write(off, BathCommand(), now_ms)
        except Exception:  # noqa: BLE001 - the first error is the one to tell; the watchdogs do the rest
            return

    async def _tell(self, out: BathOut, reading: BathReading) -> None:
        parts, state = self.parts, self.state
        for event in (*self._told, *self._notices()):
            parts.recorder.event(event, self._now.utc_ms, state.now_ms)
        self._told = ()
        await self._advising.learn(parts.desk.releases, wait=parts.stepped)
        self._away = followed(self._away, state, self._now.utc_ms)
        self._last = (out, reading)
        told_to_all = parts.desk.answer(out.events)
        folders = parts.recorder.folders()
        revisions = tuple(each.revision for each in state.circuits)
        reacts = (*(timer.code for timer in state.timers if timer.active), state.inputs.flow_lost_ms)
        steps = self._clock_steps  # the next service must not take this one's step for one of its own
        lost, bath_lost = parts.recorder.lost(), parts.recorder.bath_lost()
        # Grows in every cycle while memory is full: then written when it doubled, and once it is over as it is.
        over = parts.writer.has_room or self.ending
        counts = (*lost.items(), (parts.settings.name, (bath_lost,)))
        grown = tuple((name, *(each if over else each.bit_length() for each in both)) for name, both in counts)
        revision = (state.revision, revisions, state.duty, state.resume_for, tuple(folders), reacts, steps, grown)
        if revision != self._kept_revision:
            self._kept_revision = revision
            for release in rested_on(state, parts.desk.releases).values():
                parts.recorder.bath.keep_release(release)
            kept = state_to_keep(
                state, self._now.utc_ms, folders, parts.desk.profiles, parts.recorder.ended(), parts.desk.releases,
                lost, bath_lost,
            )  # fmt: skip
            with parts.writer.lock:
                parts.recorder.bath.put_state({**kept, "boot": parts.boot()})
                self._holds.given(parts.writer.mark()[0], state)
                self._holds.forget(self._safe_mark())
        if parts.socket is not None and parts.socket.clients:
            urgent = any(event.kind.value == "alarm" for event in out.events)
            if urgent or parts.socket.due:
                await parts.socket.publish(self._snapshot(out, reading), urgent=urgent)
            for message in told_to_all:
                await parts.socket.tell(message)
        if parts.stepped and self._much_waits():
            self._rows = parts.recorder.rows
            await asyncio.to_thread(parts.writer.flush)

    def lost_holds(self) -> list[str]:
        """Return in words the blocks and circuits out of use that hold now, and that the disk does not have yet."""
        return self._holds.lost(self.state, self._safe_mark())

    def _safe_mark(self) -> int:
        return self.parts.writer.safe_mark(self.parts.recorder.bath.folder, STATE)

    def _much_waits(self) -> bool:
        writer, rows = self.parts.writer, self.parts.recorder.rows
        return rows - self._rows >= ROWS_A_FLUSH or 2 * writer.waiting_bytes > writer.limit_bytes

    async def show_again(self) -> None:
        """Hand the last cycle's picture to every client again, with what changes between cycles: pace and dialogues.

        For a stepped plant that stands still on purpose: its service must not look frozen.
        """
        socket = self.parts.socket
        if socket is not None and socket.clients and self._last is not None:
            await socket.publish(self._snapshot(*self._last), urgent=True)

    def _snapshot(self, out: BathOut, reading: BathReading) -> dict[str, Any]:
        parts = self.parts
        return snapshot(
            Seen(
                settings=parts.settings,
                state=self.state,
                out=out,
                bath=reading,
                utc_ms=self._now.utc_ms,
                trouble=self._room.trouble,
                folders={**parts.recorder.ended(), **parts.recorder.folders()},
                prompts=parts.socket.prompts if parts.socket is not None else (),
                pace=parts.pace() if parts.pace is not None else None,
                away=self._away,
                beside=self._advising.shown,
                courses=self._advising.courses.known,
            )
        )

    def _notices(self) -> list[Event]:
        """Return what the service itself has to say: steps of the wall clock, trouble of the record."""
        name = self.parts.settings.name
        events: list[Event] = []
        offset = self._now.utc_ms - self._now.now_ms
        if self._wall_offset_ms is not None and abs(offset - self._wall_offset_ms) > CLOCK_STEP_MS:
            self._clock_steps += 1
            step = {"seconds": (offset - self._wall_offset_ms) / 1000.0}
            # Each open record says it too: read alone, its times would jump for no reason.
            events += [Event("clock_step", each, data=step) for each in (name, *self.parts.recorder.folders())]
        self._wall_offset_ms = offset
        trouble = self._room.trouble
        if trouble != self._trouble:
            self._trouble = trouble
            events.append(Event("record_trouble", name, data={"why": trouble or "well again"}, priority=2))
        return events


def _room_of(parts: Parts) -> Room:
    settings = parts.settings
    fills = waiting_bytes_h(settings.period_ms, parts.log_ms) * len(settings.circuits)
    return Room(parts.writer, fills, settings.laws.record.slow_s * 1000.0, watched=not parts.stepped)


def _at_zero(each: CircuitState) -> bool:
    """Return whether nothing is asked of a circuit, and, where it has a run to lose, zero was read back."""
    open_run = each.run is not None and each.run.end_ms is None
    return each.output is Output.OFF and (each.confirmed or not open_run)
