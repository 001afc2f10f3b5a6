"""What one cycle of one circuit was decided on, and what was decided: cycles to bytes and back, exactly.

A cycle becomes one row of whole numbers and floats (cheap, done as it happens); a block of rows becomes columns,
compressed (done by the writer's thread). Orders, advice, blocks and reactions are rare: they stand as JSON, only in
the cycles where they change. Pure but for zlib.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from controller.core.state import CircuitState
from controller.core.types import (
    Advice,
    BathShare,
    ChannelReading,
    CircuitIn,
    Command,
    Condition,
    Fit,
    LinkState,
    Order,
    Quality,
    Value,
)
from controller.records.columns import ColumnError, pack_floats, pack_whole, unpack_floats, unpack_whole
from controller.records.outside import read_any_json
from controller.records.plain import Codec, PlainError

BLOCK_CYCLES = 360
MOST_PROBES = 16
"""Of a circuit: what a bath file may say."""
LARGEST_BODY = 16_000_000
"""Bytes of a block once it is unpacked: columns of 360 cycles have up to 190 kB, its JSON some 100 kB (own choice)."""
_FIXED_VALUES = 12
_WHOLE_LEAD = 3
_FLOAT_LEAD = 5
_QUALITIES = tuple(Quality)
_LINKS = tuple(LinkState)
_FITS = tuple(Fit)
_QUALITY_BITS = {quality: index << 2 for index, quality in enumerate(_QUALITIES)}
_LINK_BITS = {link: index for index, link in enumerate(_LINKS)}
_FIT_BITS = {fit: index << 2 for index, fit in enumerate(_FITS)}
_GOOD_NOW = 1 | 2 | _QUALITY_BITS[Quality.GOOD]

Row = tuple[tuple[int, ...], tuple[float, ...], "Extras | None"]


class DamagedCycles(ValueError):
    """Bytes of cycles that cannot be what was written."""


@dataclass(frozen=True, slots=True)
class Extras:
    """The rare part of a cycle."""

    orders: tuple[Order, ...] = ()
    advice: tuple[Advice, ...] = ()
    blocked: tuple[str, ...] = ()
    reactions: tuple[Condition, ...] = ()
    flow_lost_ms: int | None = None
    resume_for: str = ""
    alone: str = ""
    alone_until_ms: int = 0
    permit_by: str = ""


@dataclass(frozen=True, slots=True)
class Cycle:
    """One cycle as it was decided."""

    cin: CircuitIn
    command: Command


NO_EXTRAS = Extras()


def flatten(cin: CircuitIn, command: Command) -> Row:
    """One cycle as a row; runs in the control loop, so it is written for speed."""
    reading = cin.reading
    bath = cin.bath
    metas = []
    numbers = []
    for value in (
        reading.current_A, reading.voltage_V, reading.set_current_A, reading.set_voltage_V, reading.output_on,
        reading.local, reading.fault_code, reading.uptime_s, reading.watchdog_s, reading.counter_Ah,
        reading.ripple_percent, bath.water_C, *reading.probes,
    ):  # fmt: skip
        if value is None:
            metas.append(0)
            numbers.append(0.0)
            continue
        number = value.number
        if number is None:
            metas.append(1 | _QUALITY_BITS[value.quality] | value.age_ms << 5)
            numbers.append(0.0)
            continue
        age_ms = value.age_ms
        if age_ms == 0 and value.quality is Quality.GOOD:
            metas.append(_GOOD_NOW)
        else:
            metas.append(3 | _QUALITY_BITS[value.quality] | age_ms << 5)
        numbers.append(number)
    share_A = cin.share_A
    stand_in_C = cin.stand_in_C
    flags = (
        _LINK_BITS[reading.link] | _FIT_BITS[reading.fit]
        | bath.hood_closed << 4 | bath.airflow_ok << 5 | bath.inputs_ok << 6 | bath.emergency_stop_ok << 7
        | command.output_on << 8 | command.contactor_closed << 9
        | (share_A is not None) << 10 | (stand_in_C is not None) << 11
        | bath.keep_contactor << 12 | bath.gas_ok << 13 | (bath.sisters_K is not None) << 14
        | (cin.contactor is not None) << 15 | (cin.contactor is True) << 16 | command.silent << 17
        | bath.permit << 18
    )  # fmt: skip
    extras = _extras(cin) if cin.orders or cin.advice or _is_rare(bath) else None
    return (
        (cin.now_ms, bath.purge_left_ms, flags, *metas),
        (
            share_A or 0.0, stand_in_C or 0.0, command.set_current_A, command.voltage_limit_V, bath.sisters_K or 0.0,
            *numbers,
        ),
        extras,
    )  # fmt: skip


def _is_rare(bath: BathShare) -> bool:
    """Return whether a bath tells its circuits what most cycles do not hold."""
    return bool(
        bath.blocked
        or bath.reactions
        or bath.resume_for
        or bath.alone_until_ms
        or bath.flow_lost_ms is not None
        or bath.permit_by
    )


def _extras(cin: CircuitIn) -> Extras:
    bath = cin.bath
    return Extras(
        cin.orders, cin.advice, bath.blocked, bath.reactions, bath.flow_lost_ms, bath.resume_for, bath.alone,
        bath.alone_until_ms, bath.permit_by,
    )  # fmt: skip


def unflatten(whole: Sequence[int], floats: Sequence[float], extras: Extras) -> Cycle:
    """The cycle of a row."""
    now_ms, purge_left_ms, flags = whole[:_WHOLE_LEAD]
    share_A, stand_in_C, set_A, limit_V, sisters_K = floats[:_FLOAT_LEAD]
    values = [_value(meta, number) for meta, number in zip(whole[_WHOLE_LEAD:], floats[_FLOAT_LEAD:], strict=True)]
    present = [v if v is not None else Value(None, Quality.LOST, 0) for v in values]
    local, fault_code, uptime_s, watchdog_s, counter_Ah, ripple_percent = values[5:11]
    reading = ChannelReading(
        present[0], present[1], present[2], present[3], present[4], local, fault_code, uptime_s, watchdog_s,
        counter_Ah, ripple_percent, tuple(present[_FIXED_VALUES:]), _LINKS[flags & 3], _FITS[flags >> 2 & 3],
    )  # fmt: skip
    bath = BathShare(
        present[11], purge_left_ms, bool(flags & 16), bool(flags & 32), bool(flags & 64), bool(flags & 128),
        extras.blocked, extras.reactions, extras.flow_lost_ms, bool(flags & 4096), extras.resume_for,
        bool(flags & 8192), sisters_K if flags & 16384 else None, extras.alone, extras.alone_until_ms,
        bool(flags & 262144), extras.permit_by,
    )  # fmt: skip
    share = share_A if flags & 1024 else None
    stand_in = stand_in_C if flags & 2048 else None
    contactor = bool(flags & 65536) if flags & 32768 else None
    cin = CircuitIn(now_ms, reading, bath, share, stand_in, extras.orders, extras.advice, contactor)
    return Cycle(cin, Command(set_A, limit_V, bool(flags & 256), bool(flags & 512), bool(flags & 131072)))


def _value(meta: int, number: float) -> Value | None:
    if not meta & 1:
        return None
    return Value(number if meta & 2 else None, _QUALITIES[meta >> 2 & 7], meta >> 5)


def encode(rows: Sequence[Row], start: CircuitState | None, codec: Codec) -> bytes:
    """Rows (at least one, all with as many probes) and the state before the first of them, compressed."""
    texts = []
    previous = NO_EXTRAS
    for index, row in enumerate(rows):
        extras = row[2] or NO_EXTRAS
        if extras is not previous and extras != previous:
            texts.append([index, codec.dump(Extras, extras)])
        previous = extras
    head = {"start": None if start is None else codec.dump(CircuitState, start), "extras": texts}
    text = json.dumps(head, separators=(",", ":"), allow_nan=False).encode()
    parts = [struct.pack("<HI", len(rows[0][0]) - _WHOLE_LEAD - _FIXED_VALUES, len(text)), text]
    parts += map(pack_whole, zip(*(row[0] for row in rows), strict=True))
    parts += map(pack_floats, zip(*(row[1] for row in rows), strict=True))
    return zlib.compress(b"".join(parts), 6)


def decode(data: bytes, count: int, codec: Codec) -> tuple[CircuitState | None, list[Cycle]]:
    """The state before the first cycle (if it was written) and the `count` cycles; DamagedCycles if they are not.

    Columns of one value have few bytes whatever their length, so the bounds are those of who writes.
    """
    if not 0 < count <= BLOCK_CYCLES:
        raise DamagedCycles(f"{count} cycles in a block, which has at most {BLOCK_CYCLES}")
    try:
        return _decode(_inflate(data), count, codec)
    except (ColumnError, PlainError, struct.error, zlib.error, ValueError, LookupError, TypeError) as error:
        raise DamagedCycles(str(error)) from None


def _inflate(data: bytes) -> bytes:
    inflater = zlib.decompressobj()
    body = inflater.decompress(data, LARGEST_BODY)
    if not inflater.eof or inflater.unused_data:
        raise DamagedCycles("is not one whole compressed body")
    return body


def _decode(body: bytes, count: int, codec: Codec) -> tuple[CircuitState | None, list[Cycle]]:
    probes, length = struct.unpack_from("<HI", body)
    if probes > MOST_PROBES:
        raise DamagedCycles(f"{probes} probes, a circuit has at most {MOST_PROBES}")
    offset = 6 + length
    head: dict[str, Any] = read_any_json(body[6:offset])
    values = _FIXED_VALUES + probes
    wholes, floats = [], []
    for _ in range(_WHOLE_LEAD + values):
        whole, offset = unpack_whole(body, offset, count)
        wholes.append(whole)
    for _ in range(_FLOAT_LEAD + values):
        column, offset = unpack_floats(body, offset, count)
        floats.append(column)
    if offset != len(body):
        raise DamagedCycles("bytes are left over")
    changes = {index: codec.load(Extras, plain) for index, plain in head["extras"]}
    start = None if head["start"] is None else codec.load(CircuitState, head["start"])
    extras = NO_EXTRAS
    cycles = []
    for index, (whole_row, float_row) in enumerate(
        zip(zip(*wholes, strict=True), zip(*floats, strict=True), strict=True)
    ):
        extras = changes.get(index, extras)
        cycles.append(unflatten(whole_row, float_row, extras))
    return start, cycles
