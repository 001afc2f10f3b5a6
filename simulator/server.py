"""The virtual plant on Modbus TCP: one server a link, in the caller's loop. Uses the library's server, no client."""

from __future__ import annotations

import asyncio
from typing import Any, cast

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from controller.bathfile import Bath
from controller.field.link import RECEIVE_BYTES
from simulator.image import Plant, UnitSet, unit_sets

READ = {1: "Coil", 2: "DiscreteInput", 3: "HoldingRegister", 4: "InputRegister"}
WRITE = {5: "Coil", 15: "Coil", 6: "HoldingRegister", 16: "HoldingRegister"}
CODES = {2: ExcCodes.ILLEGAL_ADDRESS, 11: ExcCodes.GATEWAY_NO_RESPONSE}


class Datastore:
    """What the library's server asks: its own simulated device would keep a second copy of every register."""

    def __init__(self, units: UnitSet) -> None:
        """Serve these units."""
        self._units = units
        self._written: list[int] | list[bool] = []

    def device_ids(self) -> list[int]:
        """Units there are."""
        return list(self._units.images)

    async def async_getValues(self, unit: int, function: int, address: int, count: int = 1) -> Any:
        """Values for a read, or the library's exception code. After a write of one: what is echoed, applied or not."""
        if function in WRITE:
            return self._written
        entity = READ.get(function)
        if entity is None:
            return ExcCodes.ILLEGAL_FUNCTION
        found = self._units.read(unit, entity, address, count)
        if isinstance(found, int):
            return CODES[found]
        return [bool(value) for value in found] if entity in ("Coil", "DiscreteInput") else found

    async def async_setValues(self, unit: int, function: int, address: int, values: list[int] | list[bool]) -> Any:
        """Take a write; None when done."""
        entity = WRITE.get(function)
        if entity is None:
            return ExcCodes.ILLEGAL_FUNCTION
        self._written = values
        code = self._units.write(unit, entity, address, [int(value) for value in values])
        return CODES[code] if code else None


class PlantServer:
    """One link of the virtual plant. `drop` and `restore` are the cable pulled and put back."""

    def __init__(self, units: UnitSet) -> None:
        """Not listening yet."""
        self._datastore = Datastore(units)
        self._server: ModbusTcpServer | None = None
        self._host = "127.0.0.1"
        self._port = 0

    @property
    def port(self) -> int:
        """The port listened on; it stays the same over drop and restore."""
        return self._port

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> int:
        """Listen, on a free port for 0. Returns the port. Raises OSError when it cannot be had."""
        self._host, self._port = host, port
        blank = SimDevice(id=1, simdata=[SimData(0, values=[0], datatype=DataType.REGISTERS)])
        server = ModbusTcpServer(blank, address=(host, port), trace_connect=self._tune)
        server.context = cast("Any", self._datastore)
        if not await server.listen():
            raise OSError(f"cannot listen on {host}:{port}")
        self._server = server
        sockets = cast("asyncio.Server", server.transport).sockets
        self._port = int(sockets[0].getsockname()[1])
        return self._port

    async def stop(self) -> None:
        """Close everything."""
        self.drop()

    def drop(self) -> None:
        """Close all connections and the listening socket: the next connect is refused."""
        server, self._server = self._server, None
        if server is not None:
            server.close()

    async def restore(self) -> int:
        """Listen again on the same port; raises OSError when another has taken it meanwhile."""
        if self._server is not None:
            return self._port
        return await self.start(self._host, self._port)

    def _tune(self, connected: bool) -> None:
        """A smaller receive buffer for each connection, as the client has it."""
        server = self._server
        if not connected or server is None:
            return
        for handler in server.active_connections.values():
            transport: Any = handler.transport
            if hasattr(transport, "max_size"):
                transport.max_size = RECEIVE_BYTES


def serve(bath: Bath, plant: Plant) -> dict[str, PlantServer]:
    """One server for each link of the bath, by link name; not started."""
    return {link: PlantServer(units) for link, units in unit_sets(bath, plant).items()}
