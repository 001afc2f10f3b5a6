"""The field of one bath: all its links, read at once and written at once, one request at a time on each link.

Nothing a device or wire does comes out as an exception; it stands in the readings instead.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from controller.bathfile import Bath
from controller.core.types import BathCommand, BathReading, ChannelReading, Command, LinkState
from controller.field.channel import bath_reading, channel_reading
from controller.field.device import Device
from controller.field.link import TcpLink
from controller.field.registermap import sensors
from controller.field.transport import Answer, Failure, Read, Transport, Write
from profiles.problems import InputError

SILENT_IN_A_ROW = (
    2  # so many devices silent one after another: the wire is, and the rest of the cycle is not waited out
)


class Line:
    """One link and its devices: the healthy ones first, silent ones at growing intervals."""

    def __init__(self, transport: Transport) -> None:
        """Nothing is asked yet."""
        self.devices: list[Device] = []
        self._transport = transport
        self._silent = 0

    def epoch(self) -> int:
        """Grows whenever the connection ends."""
        return self._transport.epoch

    async def ask(self, request: Read | Write) -> Answer | Failure:
        """One request; counts how often the line was silent in a row."""
        outcome = await self._transport.exchange(request)
        late = isinstance(outcome, Failure) and outcome.link is LinkState.LATE and not outcome.why.startswith("exc")
        self._silent = self._silent + 1 if late else 0
        return outcome

    async def read(self, now_ms: int) -> None:
        """Read every device whose turn it is."""
        self._transport.tick(now_ms)
        self._silent = 0
        for device in sorted(self.devices, key=lambda device: device.failures):
            if self._silent >= SILENT_IN_A_ROW or now_ms < device.retry_ms:
                device.miss(LinkState.LATE, "time-out" if now_ms < device.retry_ms else "line silent")
            else:
                await device.read(now_ms)

    async def close(self) -> None:
        """End the connection."""
        await self._transport.close()


@dataclass(frozen=True, slots=True)
class Place:
    """Where a circuit, or the input box, is found."""

    device: Device
    channel: int
    sensors: tuple[str, ...]


class Field:
    """All devices of a bath behind their transports, one a link."""

    def __init__(self, bath: Bath, transports: Mapping[str, Transport]) -> None:
        """`transports` by link name. Raises KeyError when a link of the bath has none."""
        self._lines = {name: Line(transports[name]) for name in sorted(_links(bath))}
        devices = self._devices(bath)
        self._circuits = tuple(
            Place(devices[entry.link, entry.unit], entry.channel, sensors(bath.maps[entry.map])[: entry.probes])
            for entry in bath.file.circuit
        )
        inputs = bath.file.inputs
        self._inputs = Place(devices[inputs.link, inputs.unit], 1, sensors(bath.maps[inputs.map]))

    async def read(self, now_ms: int) -> tuple[BathReading, tuple[ChannelReading, ...]]:
        """Ask every device; circuits in the bath file's order. What could not be read is old, or lost."""
        async with asyncio.TaskGroup() as group:
            for line in self._lines.values():
                group.create_task(line.read(now_ms))
        box = self._inputs
        values = box.device.values_at(box.channel, now_ms)
        bath = bath_reading(box.device.map, values, box.sensors, box.device.link, box.device.fit)
        return bath, tuple(self._reading(place, now_ms) for place in self._circuits)

    async def write(self, commands: tuple[Command, ...], bath: BathCommand, now_ms: int) -> None:
        """The whole command of each circuit, in the bath file's order: devices that fall in current before others."""
        orders: dict[Device, dict[int, Command]] = {}
        for place, command in zip(self._circuits, commands, strict=True):
            orders.setdefault(place.device, {})[place.channel] = command
        falling = [device for device, order in orders.items() if _asked_A(order) <= device.told_A()]
        for wave in (falling, [device for device in orders if device not in falling]):
            await self._write_wave(wave, orders, now_ms)
        await self._inputs.device.write_outputs(bath, now_ms)

    async def close(self) -> None:
        """End all connections."""
        for line in self._lines.values():
            await line.close()

    def why(self) -> dict[str, str]:
        """By `link/unit`: what was wrong in the last cycle; devices without a fault are left out."""
        return {
            f"{name}/{device.unit}": device.why
            for name, line in self._lines.items()
            for device in line.devices
            if device.why
        }

    def _reading(self, place: Place, now_ms: int) -> ChannelReading:
        device = place.device
        values = device.values_at(place.channel, now_ms)
        return channel_reading(device.map, values, place.sensors, device.link, device.fit)

    def _devices(self, bath: Bath) -> dict[tuple[str, int], Device]:
        uses = [(entry.link, entry.unit, entry.map, entry.channel) for entry in bath.file.circuit]
        uses.append((bath.file.inputs.link, bath.file.inputs.unit, bath.file.inputs.map, 1))
        channels: dict[tuple[str, int, str], list[int]] = {}
        for link, unit, map_, channel in uses:
            channels.setdefault((link, unit, map_), []).append(channel)
        devices: dict[tuple[str, int], Device] = {}
        for (link, unit, map_), used in channels.items():
            device = Device(self._lines[link], unit, bath.maps[map_], used)
            devices[link, unit] = device
            self._lines[link].devices.append(device)
        return devices

    async def _write_wave(
        self, wave: list[Device], orders: Mapping[Device, Mapping[int, Command]], now_ms: int
    ) -> None:
        async def write_line(devices: list[Device]) -> None:
            for device in devices:
                await device.write(orders[device], now_ms)

        by_line = [[device for device in line.devices if device in wave] for line in self._lines.values()]
        busy = [devices for devices in by_line if devices]
        if len(busy) == 1:
            await write_line(busy[0])
            return
        async with asyncio.TaskGroup() as group:
            for devices in busy:
                group.create_task(write_line(devices))


def open_links(bath: Bath, ports: Mapping[str, int] | None = None) -> dict[str, Transport]:
    """The real TCP ends, by link name; `ports` stands in for a port 0 of a virtual bath. Nothing is connected yet.

    Raises InputError for a serial link, which this version cannot drive, and for a port that is not known.
    """
    links: dict[str, Transport] = {}
    problems = []
    for name in sorted(_links(bath)):
        entry = bath.file.link[name]
        if entry.tcp is None:
            what = 'serial links cannot be driven yet, right would be tcp = "host:port" of a gateway'
            problems.append(bath.document.problem(("link", name, "rtu"), what))
            continue
        host, _, port_text = entry.tcp.rpartition(":")
        port = int(port_text) or (ports or {}).get(name, 0)
        if not 1 <= port <= 65535:
            what = f"port {port} cannot be connected to, right would be 1 to 65535"
            problems.append(bath.document.problem(("link", name, "tcp"), what))
            continue
        links[name] = TcpLink(host.strip("[]"), port, entry.timeout_s, _pause_s(bath, name))
    if problems:
        raise InputError(problems)
    return links


def _links(bath: Bath) -> set[str]:
    return {entry.link for entry in bath.file.circuit} | {bath.file.inputs.link}


def _pause_s(bath: Bath, link: str) -> float:
    """The longest pause that any device on the link asks for."""
    inputs = bath.file.inputs
    used = [entry.map for entry in bath.file.circuit if entry.link == link]
    used += [inputs.map] if inputs.link == link else []
    return max(bath.maps[map_].quirk.pause_ms for map_ in used) / 1000.0


def _asked_A(order: Mapping[int, Command]) -> float:
    return sum(abs(command.set_current_A) for command in order.values())
