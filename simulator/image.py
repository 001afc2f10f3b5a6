"""The register image of one virtual unit, from the same map file that the controller reads it with.

Signals of the plant become registers; what is written from outside becomes an order to the plant. Knows no socket.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from controller.bathfile import Bath
from controller.core.types import LinkState
from controller.field.blocks import Cell
from controller.field.codec import Codec, codec_of, decode, encode, no_value
from controller.field.registermap import RegisterMap, address_of
from controller.field.signalnames import COMMANDS
from controller.field.transport import Answer, Failure, Read, Write

PASSED_ON = ("set_current_A", "set_voltage_V", "output_on", "horn", "beacon", "healthy", "water_call")
NO_ADDRESS, NO_ANSWER = 2, 11
Signals = Mapping[str, float | None]
_NOTHING = object()


class Plant(Protocol):
    """What the image needs of a virtual plant; circuits counted from 0 in the bath file's order."""

    elapsed_s: float

    def signals(self, circuit: int) -> Signals:
        """Signals of a circuit by their names in register maps; None: the device has no number to show."""
        ...

    def bath_signals(self) -> Signals:
        """Signals of the bath's input box."""
        ...

    def order(self, circuit: int, signals: Mapping[str, float]) -> None:
        """A write reached the channel of a circuit."""
        ...

    def bath_order(self, signals: Mapping[str, float]) -> None:
        """A write reached the bath's outputs."""
        ...

    def link_up(self, which: str | int) -> bool:
        """Whether a circuit (by its place) or a link (by its name) answers now."""
        ...


@dataclass(frozen=True, slots=True)
class Port:
    """One channel's way to the plant: where its signals come from, and where written ones go."""

    signals: Callable[[], Signals]
    order: Callable[[Mapping[str, float]], None]


@dataclass(frozen=True, slots=True, eq=False)
class Slot:
    """One signal of one channel in the image."""

    name: str
    channel: int
    codec: Codec
    cells: tuple[Cell, ...]


class UnitImage:
    """Registers and coils of one unit. `ports` by channel (from 1); channels without one answer with no value."""

    def __init__(self, map_: RegisterMap, ports: Mapping[int, Port]) -> None:
        """Lay out the image; nothing is asked of the plant before the first read."""
        self.map = map_
        self._ports = dict(ports)
        self._slots = [slot for name in map_.signal for slot in self._slots_of(name)]
        self._commands = [slot for slot in self._slots if slot.name in COMMANDS[map_.device]]
        self._words: dict[str, list[int]] = {}
        self._first: dict[str, int] = {}
        self._writable = {cell for slot in self._commands for cell in slot.cells}
        self._shown: dict[Slot, float | None] = {}
        self._lay_out()
        self._live = [slot for slot in self._slots if slot.channel in self._ports or map_.signal[slot.name].shared]
        for slot in self._slots:
            if slot.name not in COMMANDS[map_.device]:
                self._show(slot, None)

    def _slots_of(self, name: str) -> list[Slot]:
        signal, codec = self.map.signal[name], codec_of(self.map, name)
        channels = range(1, 2 if signal.shared else self.map.channels.count + 1)
        slots = []
        for channel in channels:
            first = address_of(self.map, name, channel)
            cells = tuple((signal.entity, first + step) for step in range(codec.cells))
            slots.append(Slot(name, channel, codec, cells))
        return slots

    def _lay_out(self) -> None:
        for entity in {slot.cells[0][0] for slot in self._slots}:
            used = [address for slot in self._slots for at, address in slot.cells if at == entity]
            self._first[entity] = min(used)
            self._words[entity] = [0] * (max(used) - min(used) + 1)

    def refresh(self) -> None:
        """Take the signals of all channels from the plant into the registers."""
        shown = {channel: port.signals() for channel, port in self._ports.items()}
        shared = next(iter(shown.values()), {})
        for slot in self._live:
            signals = shared if self.map.signal[slot.name].shared else shown.get(slot.channel, {})
            if slot.name in signals or slot.name not in COMMANDS[self.map.device]:
                self._show(slot, signals.get(slot.name))

    def _show(self, slot: Slot, number: float | None) -> None:
        """Put a number into the registers; one that stands there already is left alone: most do not change."""
        if self._shown.get(slot, _NOTHING) == number:
            return
        self._shown[slot] = number
        if self.map.discharge == "mode" and slot.name in ("current_A", "set_current_A") and number is not None:
            number = abs(number)
        base = self.words(slot.cells) if slot.codec.bit is not None else ()
        words = None if number is None else encode(slot.codec, number, base)
        if words is None and slot.codec.bit is not None:
            words = encode(slot.codec, 0.0, base)
        self._put(slot.cells, no_value(slot.codec) if words is None else words)

    def words(self, cells: tuple[Cell, ...]) -> tuple[int, ...]:
        """What stands in these cells."""
        return tuple(self._words[entity][address - self._first[entity]] for entity, address in cells)

    def _put(self, cells: tuple[Cell, ...], words: tuple[int, ...]) -> None:
        for (entity, address), word in zip(cells, words, strict=True):
            self._words[entity][address - self._first[entity]] = word

    def read(self, entity: str, address: int, count: int) -> list[int] | None:
        """Registers or coils as they stand; None: not all of them are there."""
        words = self._words.get(entity, [])
        start = address - self._first.get(entity, 0)
        return words[start : start + count] if start >= 0 and count > 0 and start + count <= len(words) else None

    def write(self, entity: str, address: int, values: list[int]) -> bool:
        """Take a write from outside, all or nothing, and pass it on; False: not all of the cells can be written."""
        cells = tuple((entity, address + step) for step in range(len(values)))
        if not cells or not self._writable.issuperset(cells):
            return False
        self._put(cells, tuple(values))
        touched = set(cells)
        orders: dict[int, dict[str, float]] = {}
        directed: set[int] = set()
        for slot in self._commands:
            if touched.isdisjoint(slot.cells):
                continue
            if self.map.discharge == "mode" and slot.name in ("set_current_A", "discharge_mode"):
                directed.add(slot.channel)
            self._shown.pop(slot, None)
            order = orders.setdefault(slot.channel, {})
            number = decode(slot.codec, self.words(slot.cells)).number
            if slot.name in PASSED_ON and number is not None:
                order[slot.name] = number
        for channel, order in orders.items():
            if channel in self._ports:
                self._ports[channel].order(self._directed(channel, order) if channel in directed else order)
        return True

    def _directed(self, channel: int, order: dict[str, float]) -> dict[str, float]:
        """The plant counts charge positive: an amount under discharge mode becomes a negative set-point."""
        mode, amount = self._number("discharge_mode", channel), self._number("set_current_A", channel)
        return order if amount is None else {**order, "set_current_A": -abs(amount) if mode else abs(amount)}

    def _number(self, name: str, channel: int) -> float | None:
        slot = next(slot for slot in self._commands if slot.name == name and slot.channel == channel)
        return decode(slot.codec, self.words(slot.cells)).number


class UnitSet:
    """The units behind one link. Images are refreshed from the plant at the first read after something changed."""

    def __init__(
        self, images: Mapping[int, UnitImage], moment: Callable[[], float], answers: Callable[[int], bool] | None = None
    ) -> None:
        """`moment`: the plant's elapsed time; while it stands and nothing is written, images stay as they are.

        `answers`: whether a unit does; without it all do. One that does not is told as a gateway tells it.
        """
        self.images = dict(images)
        self._moment = moment
        self._answers = answers or self.images.__contains__
        self._shown: dict[int, float] = {}

    def read(self, unit: int, entity: str, address: int, count: int) -> list[int] | int:
        """Values, or the exception code: 11 no such unit or no answer from it, 2 no such address."""
        image = self._fresh(unit)
        values = image.read(entity, address, count) if image else None
        return values if values is not None else NO_ADDRESS if image else NO_ANSWER

    def write(self, unit: int, entity: str, address: int, values: list[int]) -> int:
        """0, or the exception code."""
        image = self._fresh(unit)
        if image is None:
            return NO_ANSWER
        self._shown.pop(unit, None)
        return 0 if image.write(entity, address, values) else NO_ADDRESS

    def _fresh(self, unit: int) -> UnitImage | None:
        """The image as the plant stands now: a write of one register must not order what stood in others long ago."""
        image = self.images.get(unit)
        if image is None or not self._answers(unit):
            return None
        now = self._moment()
        if self._shown.get(unit) != now:
            image.refresh()
            self._shown[unit] = now
        return image


class MemoryTransport:
    """A transport without sockets: the real channel code against the image. It can be dropped and restored."""

    def __init__(self, units: UnitSet) -> None:
        """Connected from the start."""
        self._units = units
        self._up = True
        self._epoch = 0

    @property
    def epoch(self) -> int:
        """Grows with each drop."""
        return self._epoch

    def tick(self, now_ms: int) -> None:
        """Time does not matter here."""

    def drop(self) -> None:
        """The link is gone."""
        self._epoch += self._up
        self._up = False

    def restore(self) -> None:
        """The link is back."""
        self._up = True

    async def exchange(self, request: Read | Write) -> Answer | Failure:
        """One request, answered at once."""
        if not self._up:
            return Failure("down", LinkState.DOWN)
        if isinstance(request, Read):
            found = self._units.read(request.unit, request.entity, request.address, request.count)
            return _exception(found) if isinstance(found, int) else Answer(tuple(found))
        code = self._units.write(request.unit, request.entity, request.address, list(request.values))
        return _exception(code) if code else Answer()

    async def close(self) -> None:
        """The next read begins a new connection."""
        self._epoch += 1


def _exception(code: int) -> Failure:
    return Failure(f"exception {code}", LinkState.LATE if code == NO_ANSWER else LinkState.WRONG_ANSWER)


def unit_sets(bath: Bath, plant: Plant) -> dict[str, UnitSet]:
    """The units of each link of a bath, over one plant."""
    ports: dict[tuple[str, int, str], dict[int, Port]] = {}
    circuits: dict[tuple[str, int], list[int]] = {}
    for index, entry in enumerate(bath.file.circuit):
        ports.setdefault((entry.link, entry.unit, entry.map), {})[entry.channel] = _circuit_port(plant, index)
        circuits.setdefault((entry.link, entry.unit), []).append(index)
    box = bath.file.inputs
    ports[box.link, box.unit, box.map] = {1: Port(plant.bath_signals, plant.bath_order)}
    images: dict[str, dict[int, UnitImage]] = {}
    for (link, unit, map_), channels in ports.items():
        images.setdefault(link, {})[unit] = UnitImage(bath.maps[map_], channels)
    return {link: _unit_set(plant, link, units, circuits) for link, units in images.items()}


def _unit_set(
    plant: Plant, link: str, units: dict[int, UnitImage], circuits: Mapping[tuple[str, int], list[int]]
) -> UnitSet:
    """A unit answers while its link and all its circuits do: channels of one unit share its wire."""

    def answers(unit: int) -> bool:
        return plant.link_up(link) and all(plant.link_up(circuit) for circuit in circuits.get((link, unit), ()))

    return UnitSet(units, lambda: plant.elapsed_s, answers)


def _circuit_port(plant: Plant, circuit: int) -> Port:
    return Port(lambda: plant.signals(circuit), lambda order: plant.order(circuit, order))
