"""What a Modbus TCP frame must be to answer the one that was sent; pure, bytes in, a fault or none out.

The client library takes several frames for good that are not: another function's, another number of registers, our
own request come back, transaction id 0. Layout: Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
"""

from __future__ import annotations

HEADER = 7
LONGEST = 254  # unit and PDU: 1 + 253 bytes
READS_BITS = (1, 2)
READS = (1, 2, 3, 4)


def fault_in(request: bytes, received: bytes) -> str | None:
    """What is wrong in the bytes that came after `request` (both with their MBAP header).

    None: nothing so far. A whole frame with another transaction id is an older answer: passed over.
    """
    place = 0
    while len(received) - place >= 6:
        frame = received[place:]
        length = int.from_bytes(frame[4:6], "big")
        if frame[2:4] != b"\0\0":
            return "not a Modbus frame"
        if not 3 <= length <= LONGEST:
            return f"length {length}"
        if frame[:2] == b"\0\0":
            return "transaction id 0"
        if frame[:2] == request[:2]:
            return _fault_in_answer(request, frame, length)
        place += 6 + length
    return None


def _fault_in_answer(request: bytes, frame: bytes, length: int) -> str | None:
    if len(frame) > HEADER and frame[6:8] != request[6:8]:
        if frame[6] != request[6]:
            return f"unit {frame[6]} answered for {request[6]}"
        if frame[7] != request[7] | 0x80:
            return f"function {frame[7]} answered for {request[7]}"
        return None if length == 3 else f"an exception of {length} bytes"
    if request[7] not in READS:
        return _fault_in_echo(request, frame, length)
    count = int.from_bytes(request[10:12], "big")
    size = (count + 7) // 8 if request[7] in READS_BITS else 2 * count
    if length != 3 + size:
        return f"{length} bytes where {3 + size} were asked for"
    if len(frame) > 8 and frame[8] != size:
        return f"byte count {frame[8]} where {size} was asked for"
    return None


def _fault_in_echo(request: bytes, frame: bytes, length: int) -> str | None:
    """The answer to a write repeats its address and its value or count."""
    if length != 6:
        return f"{length} bytes where 6 were asked for"
    if frame[8:12] != request[8:12][: len(frame[8:12])]:
        return "the answer repeats another address or value"
    return None
