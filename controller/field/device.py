"""One unit on a link: what is read of it, what it last said, whether it fits its map, what is written to it.

It asks through the line handed in and decides nothing: a device that does not fit is never written to.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from controller.core.types import ALL_OFF, LOST, BathCommand, Command, Fit, LinkState, Value
from controller.field.blocks import MAX_WRITE_REGISTERS, Cell, Span, covers, plan_reads, plan_writes
from controller.field.channel import bath_numbers, cells_of, command_cells, falls
from controller.field.codec import Codec, codec_of, decode
from controller.field.registermap import RegisterMap, address_of, commands
from controller.field.startcheck import check, check_signals
from controller.field.transport import Answer, Failure, Read, Write

NEVER_READ = frozenset({"heartbeat", "remote_request", "horn", "beacon", "healthy", "water_call"})
BUSY, ACKNOWLEDGE = "exception 6", "exception 5"
LONGEST_PAUSE_MS = 10_000


class Asker(Protocol):
    """The line as its devices see it."""

    def epoch(self) -> int:
        """Grows whenever the connection ends."""
        ...

    async def ask(self, request: Read | Write) -> Answer | Failure:
        """One request and its answer."""
        ...


@dataclass(frozen=True, slots=True)
class Item:
    """One signal inside a block: for which channels it counts, and where it begins."""

    channels: tuple[int, ...]
    name: str
    codec: Codec
    offset: int


@dataclass(slots=True)
class Block:
    """One planned read, what it brings, which raw registers are kept, and when it last came."""

    read: Read
    items: tuple[Item, ...]
    kept: tuple[tuple[Cell, int], ...]
    read_ms: int | None = None


class Device:
    """One unit with its map. `channels` are those that circuits of this bath use (counted from 1)."""

    def __init__(self, line: Asker, unit: int, map_: RegisterMap, channels: Iterable[int]) -> None:
        """Plan the reads; nothing is known of the device yet."""
        self.unit, self.map, self._line = unit, map_, line
        self.channels = tuple(sorted(set(channels)))
        self.values: dict[int, dict[str, Value]] = {channel: {} for channel in self.channels}
        self.link, self.why = LinkState.DOWN, "never read"
        self.fit = Fit.NOT_CHECKED
        self.failures = 0
        self.retry_ms = 0
        self._confirmed = False
        self._pause_ms = 0
        self._epoch: int | None = None
        self._beat = 0
        self._held: dict[Cell, int] = {}
        self._codecs = {name: codec_of(map_, name) for name in map_.signal}
        self._plan()

    async def read(self, now_ms: int) -> None:
        """Read all blocks; what could not be read keeps its last values, and `link` and `why` say why."""
        seen = self._line.epoch()
        if self._epoch != seen:
            self.fit = Fit.NOT_CHECKED
        extra = self._checks if self.fit is not Fit.OK else []
        self._note(await self._read_blocks([*extra, *self._blocks], now_ms), now_ms)
        if all(block.read_ms == now_ms for block in self._checks or self._alone_in(self._blocks)):
            self._conclude(seen)
        elif self._epoch != self._line.epoch():
            self.fit = Fit.NOT_CHECKED

    def miss(self, link: LinkState, why: str) -> None:
        """Not asked in this cycle: its link failed, or it is not its turn."""
        self.link, self.why = link, why
        if self._epoch != self._line.epoch():
            self.fit = Fit.NOT_CHECKED

    def values_at(self, channel: int, now_ms: int) -> dict[str, Value]:
        """Signals of a channel by name; what was not read in this cycle with its grown age."""
        values = self.values[channel]
        old = [block for block in self._blocks if block.read_ms != now_ms]
        if not old:
            return values
        aged = dict(values)
        for block in old:
            for item in block.items:
                if channel in item.channels:
                    aged[item.name] = _aged(values.get(item.name), block.read_ms, now_ms)
        return aged

    def told_A(self) -> float:
        """The sum of the set-points read back, without their signs."""
        return sum(abs(values.get("set_current_A", LOST).number or 0.0) for values in self.values.values())

    async def write(self, orders: Mapping[int, Command], now_ms: int) -> None:
        """The whole command of each channel, those that fall first; zero only, until the device was checked again.

        A channel whose command is silent is not written.
        """
        orders = {channel: order for channel, order in orders.items() if not order.silent}
        if not orders or not await self._may_write(now_ms):
            return
        self._beat += 1
        cells: dict[Cell, int] = {}
        for channel in sorted(orders, key=lambda channel: not falls(orders[channel], self.values[channel])):
            order = orders[channel] if self.fit is Fit.OK else ALL_OFF
            held = {**self._held, **cells}
            cells |= command_cells(self.map, self._codecs, channel, order, self.values[channel], held, self._beat)
        await self._send(cells, orders)

    async def write_outputs(self, order: BathCommand, now_ms: int) -> None:
        """The outputs of a bath's input box, where its map has any."""
        numbers = bath_numbers(self.map, order, self._beat + 1)
        if not numbers or not await self._may_write(now_ms) or self.fit is not Fit.OK:
            return
        self._beat += 1
        channel = self.channels[0]
        await self._send(cells_of(self.map, self._codecs, channel, numbers, self._held) or {}, (channel,))

    def _plan(self) -> None:
        """The check's signals ride along where that costs no request of its own, else they are read when needed."""
        names = check_signals(self.map)
        daily = [
            name
            for name, signal in self.map.signal.items()
            if (name not in NEVER_READ or signal.bit is not None) and name not in names
        ]
        lone, all_, fewer = self._reads(names), self._reads([*daily, *names]), self._reads(daily)
        rides = len(all_) == len(fewer)
        self._blocks = [self._block(read) for read in (all_ if rides else fewer)]
        self._alone = [self._block(read) for read in lone]
        self._checks = [] if rides else self._alone

    def _reads(self, names: Iterable[str]) -> tuple[Read, ...]:
        """Reads that bring something wanted; registers of channels that nobody uses may be passed over."""
        quirk, names = self.map.quirk, tuple(names)
        wanted = {span for name in names for span in self._spans(name, self.channels)}
        every = range(1, self.map.channels.count + 1)
        known = wanted if quirk.one_at_a_time else {span for name in names for span in self._spans(name, every)}
        reads = plan_reads(self.unit, known, quirk.max_registers, quirk.bridge_registers, quirk.one_at_a_time)
        return tuple(read for read in reads if any(covers(read, span) for span in wanted))

    def _spans(self, name: str, channels: Iterable[int]) -> Iterator[Span]:
        signal = self.map.signal[name]
        return (Span(signal.entity, address_of(self.map, name, channel), signal.cells) for channel in channels)

    def _block(self, read: Read) -> Block:
        items, kept = [], {}
        for name, signal in self.map.signal.items():
            groups = [self.channels] if signal.shared else [(channel,) for channel in self.channels]
            for group in groups:
                offset = address_of(self.map, name, group[0]) - read.address
                if covers(read, Span(signal.entity, read.address + offset, signal.cells)):
                    items.append(Item(group, name, self._codecs[name], offset))
                    if signal.bit is not None:
                        steps = range(offset, offset + signal.cells)
                        kept.update({(signal.entity, read.address + step): step for step in steps})
        return Block(read, tuple(items), tuple(kept.items()))

    def _alone_in(self, blocks: Iterable[Block]) -> list[Block]:
        names = check_signals(self.map)
        return [block for block in blocks if any(item.name in names for item in block.items)]

    async def _read_blocks(self, blocks: Iterable[Block], now_ms: int) -> Failure | None:
        worst: Failure | None = None
        for block in blocks:
            outcome = await self._ask(block.read)
            if isinstance(outcome, Answer):
                self._take(block, outcome.values, now_ms)
            else:
                worst = outcome
                if _ends_the_turn(outcome):
                    break
        return worst

    async def _ask(self, request: Read | Write) -> Answer | Failure:
        """Busy: once more, as often as the map says. A write that was acknowledged is not repeated but read back."""
        outcome = await self._line.ask(request)
        for _ in range(self.map.quirk.busy_retry):
            again = isinstance(outcome, Failure) and (
                outcome.why == BUSY or (outcome.why == ACKNOWLEDGE and isinstance(request, Read))
            )
            if not again:
                break
            outcome = await self._line.ask(request)
        return outcome

    def _take(self, block: Block, words: tuple[int, ...], now_ms: int) -> None:
        block.read_ms = now_ms
        for item in block.items:
            value = decode(item.codec, words[item.offset : item.offset + item.codec.cells])
            for channel in item.channels:
                self.values[channel][item.name] = value
        for cell, step in block.kept:
            self._held[cell] = words[step]

    def _note(self, failure: Failure | None, now_ms: int) -> None:
        """A silent device is asked again in the next cycle, then after 1, 2, 4, ... 10 s."""
        self.link, self.why = (LinkState.UP, "") if failure is None else (failure.link, failure.why)
        if self.link is LinkState.LATE:
            self.failures += 1
            self.retry_ms = now_ms + max(1, self._pause_ms)
            self._pause_ms = min(LONGEST_PAUSE_MS, max(1_000, 2 * self._pause_ms))
        else:
            self.failures = self._pause_ms = self.retry_ms = 0

    def _conclude(self, seen: int) -> None:
        """The check counts only where the connection on which it was made still stands."""
        fits = [check(self.map, self.values[channel]) for channel in self.channels]
        self.fit = next((fit for fit in fits if fit is not Fit.OK), Fit.OK)
        self._confirmed = self.fit is Fit.OK
        self._epoch = seen
        if self._line.epoch() != seen and self.fit is Fit.OK:
            self.fit = Fit.NOT_CHECKED

    async def _may_write(self, now_ms: int) -> bool:
        """A connection opened since the last check is checked first; a silent device is left alone until its turn."""
        if self.link is LinkState.LATE:
            return False
        seen = self._line.epoch()
        if self._epoch != seen:
            self.fit = Fit.NOT_CHECKED
            failure = await self._read_blocks(self._alone, now_ms)
            if failure is None:
                self._conclude(seen)
            elif _ends_the_turn(failure):
                return False
        return self.fit is Fit.OK or (self.fit is Fit.NOT_CHECKED and self._confirmed)

    async def _send(self, cells: Mapping[Cell, int], channels: Iterable[int]) -> None:
        quirk, channels = self.map.quirk, tuple(channels)
        limit = min(quirk.max_registers, MAX_WRITE_REGISTERS)
        spans = (span for name in commands(self.map) for span in self._spans(name, channels))
        full = [span for span in spans if (span.entity, span.address) in cells]
        for request in plan_writes(self.unit, cells, full, limit, quirk.one_at_a_time):
            outcome = await self._ask(request)
            if isinstance(outcome, Failure):
                self.link, self.why = outcome.link, f"write: {outcome.why}"
                if _ends_the_turn(outcome):
                    return


def _ends_the_turn(failure: Failure) -> bool:
    """After an exception the connection is sound; after anything else it is gone, or the device is silent."""
    return failure.link in (LinkState.LATE, LinkState.DOWN) or not failure.why.startswith("exception")


def _aged(value: Value | None, read_ms: int | None, now_ms: int) -> Value:
    if value is None or read_ms is None:
        return LOST
    return Value(value.number, value.quality, max(0, now_ms - read_ms))
