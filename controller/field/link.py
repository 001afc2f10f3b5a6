"""The TCP end of a link, and the only file with a Modbus client.

After any time-out and any answer that does not fit, the connection is closed: a late reply must never be taken for
the answer to another question. Coming back is paced by core time, handed in with `tick`.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import struct
from typing import Any

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from controller.core.types import LinkState
from controller.field.frames import fault_in
from controller.field.transport import Answer, Failure, Read, Write

FIRST_PAUSE_MS = 1_000
LONGEST_PAUSE_MS = 10_000
# asyncio asks for 256 KiB with each recv; a Modbus frame is at most 260 bytes, and the smaller buffer is twice as fast.
RECEIVE_BYTES = 65_536
SILENT_CODES = (5, 6, 10, 11)  # acknowledge, busy, gateway has no path, gateway got no response

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # else its warnings land on the person's terminal

DOWN = Failure("down", LinkState.DOWN)
TIME_OUT = Failure("time-out", LinkState.LATE)


class TcpLink:
    """One Modbus TCP connection, opened by reads when needed. All times but `timeout_s` are core time.

    A failed connect is tried again in the next cycle, then after 1, 2, 4, ... 10 s. A connection that had brought
    good answers and then ends is opened again at once.
    """

    def __init__(self, host: str, port: int, timeout_s: float = 0.3, pause_s: float = 0.0) -> None:
        """`timeout_s` bounds each connect and each answer; `pause_s` is kept before each request."""
        self._host, self._port = host, port
        self._timeout_s, self._pause_s = timeout_s, pause_s
        self._client: AsyncModbusTcpClient | None = None
        self._lock = asyncio.Lock()
        self._closed = asyncio.Event()
        self._epoch = 0
        self._now_ms = 0
        self._retry_ms = 0
        self._pause_ms = 0
        self._proved = False
        self._sent = b""
        self._fault = ""

    @property
    def epoch(self) -> int:
        """Grows whenever a connection ends."""
        return self._epoch

    @property
    def connected(self) -> bool:
        """Whether a connection stands, as far as this side knows."""
        return self._client is not None and self._client.connected

    def tick(self, now_ms: int) -> None:
        """Core time of this cycle; without ticks a failed connect is not tried again."""
        self._now_ms = now_ms

    async def exchange(self, request: Read | Write) -> Answer | Failure:
        """One request and its answer, within the time-out (twice that where a connection is opened first)."""
        async with self._lock:
            self._closed.clear()
            if not self.connected and (isinstance(request, Write) or not await self._open()):
                return DOWN
            if self._pause_s > 0:
                await self._breathe()
                if self._closed.is_set() or not self.connected:
                    return DOWN
            before = _cancels()
            try:
                outcome = self._judge(request, await self._send(request))
            except (ModbusException, OSError, TimeoutError, ValueError, IndexError, struct.error):
                outcome = self._failed()
            except asyncio.CancelledError:
                self._end()
                raise
            if _cancels() > before:  # Python 3.11's wait_for swallows a cancel that comes together with the answer
                raise asyncio.CancelledError
            return outcome

    async def close(self) -> None:
        """End a pause that is being kept, wait for the exchange under way, end the connection; a read opens another."""
        self._closed.set()
        async with self._lock:
            self._end()

    async def _breathe(self) -> None:
        """Keep the device's pause, on the wire's own time as the time-outs are."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._closed.wait(), self._pause_s)

    async def _open(self) -> bool:
        if self._now_ms < self._retry_ms:
            return False
        self._end()
        client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            timeout=self._timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._watch,
            trace_connect=self._noticed,
        )
        self._client, self._fault, self._proved = client, "", False
        try:
            opened = await client.connect()
        except (ModbusException, OSError, TimeoutError, ValueError):
            opened = False
        except asyncio.CancelledError:
            self._end()
            raise
        if not opened:
            self._end()
            self._grow_pause()
        return opened

    async def _send(self, request: Read | Write) -> ModbusPDU:
        """The call itself raises when there is no connection, not only its await."""
        client = self._client
        if client is None:
            raise ConnectionError("down")
        unit, address = request.unit, request.address
        if isinstance(request, Read):
            count = request.count
            if request.entity == "HoldingRegister":
                return await client.read_holding_registers(address, count=count, device_id=unit)
            if request.entity == "InputRegister":
                return await client.read_input_registers(address, count=count, device_id=unit)
            if request.entity == "Coil":
                return await client.read_coils(address, count=count, device_id=unit)
            return await client.read_discrete_inputs(address, count=count, device_id=unit)
        if request.entity == "HoldingRegister":
            return await client.write_registers(address, list(request.values), device_id=unit)
        if len(request.values) == 1:
            return await client.write_coil(address, bool(request.values[0]), device_id=unit)
        return await client.write_coils(address, [bool(bit) for bit in request.values], device_id=unit)

    def _judge(self, request: Read | Write, response: ModbusPDU) -> Answer | Failure:
        if response.isError():
            self._prove()
            code = response.exception_code
            state = LinkState.LATE if code in SILENT_CODES else LinkState.WRONG_ANSWER
            return Failure(f"exception {code}", state)
        values: tuple[int, ...] = ()
        if isinstance(request, Read):
            bits = request.entity in ("Coil", "DiscreteInput")
            values = tuple(int(value) for value in (response.bits if bits else response.registers)[: request.count])
            if len(values) != request.count:
                self._fault = f"{len(values)} values where {request.count} were asked for"
                return self._failed()
        self._prove()
        return Answer(values)

    def _prove(self) -> None:
        self._proved, self._pause_ms = True, 0

    def _failed(self) -> Failure:
        """Close; a connection that never brought a good answer waits like one that could not be opened."""
        lost = not self.connected
        fault, proved = self._fault, self._proved
        self._end()
        if not proved:
            self._grow_pause()
        if fault:
            return Failure(f"wrong answer: {fault}", LinkState.WRONG_ANSWER)
        return DOWN if lost else TIME_OUT

    def _grow_pause(self) -> None:
        self._retry_ms = self._now_ms + max(1, self._pause_ms)
        self._pause_ms = min(LONGEST_PAUSE_MS, max(FIRST_PAUSE_MS, 2 * self._pause_ms))

    def _end(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            self._epoch += 1
            client.close()

    def _watch(self, sending: bool, data: bytes) -> bytes:
        """Sees every frame: remembers what was sent, and ends the wait as soon as an answer cannot be the right one."""
        if sending:
            self._sent, self._fault = data, ""
            return data
        fault = fault_in(self._sent, data)
        if fault is None:
            return data
        self._fault = fault
        self._end_wait()
        return b""

    def _noticed(self, connected: bool) -> None:
        """The library tells when a connection came or went, but lets the pending answer run into its time-out."""
        if connected:
            transport: Any = self._client.ctx.transport if self._client else None
            if hasattr(transport, "max_size"):
                transport.max_size = RECEIVE_BYTES
        else:
            self._end_wait()
            self._end()

    def _end_wait(self) -> None:
        waiting = getattr(self._client.ctx, "response_future", None) if self._client else None
        if isinstance(waiting, asyncio.Future) and not waiting.done():
            waiting.set_exception(ConnectionError("the answer will not come"))
            waiting.exception()  # nobody may be waiting; asyncio would report that as an error


def _cancels() -> int:
    task = asyncio.current_task()
    return task.cancelling() if task else 0
