"""Registers to numbers and back: type, word order, scale, offset, bit.

Reading never raises, whatever the registers hold. Writing never rounds away from zero: what is written is never
more than what was asked.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass

from controller.core.types import Quality, Value
from controller.field.registermap import BIT_ENTITIES, RegisterMap, Signal

FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
OUT_OF_RANGE = Value(None, Quality.OUT_OF_RANGE)
NOISE_COUNTS = 1e-6  # a number this near to a whole count is that count, but for the last bits of a float


@dataclass(frozen=True, slots=True)
class Codec:
    """One signal, made ready. `divisor` is 1 / scale where that is whole: dividing by it is rounded correctly."""

    cells: int
    format: str
    floating: bool
    big_word_first: bool
    scale: float
    divisor: float | None
    offset: float
    low: float
    high: float
    bit: int | None
    is_coil: bool


def codec_of(map_: RegisterMap, name: str) -> Codec:
    """The codec of one signal of a map; its own word order wins over the device's."""
    signal = map_.signal[name]
    order = signal.mostSignificantWord
    return make_codec(signal, map_.quirk.mostSignificantWord if order is None else order)


def make_codec(signal: Signal, big_word_first: bool = True) -> Codec:
    """The codec of a signal."""
    inverse = 1.0 / signal.scale
    whole = round(inverse)
    low, high = signal.range or (-math.inf, math.inf)
    return Codec(
        cells=signal.cells,
        format=FORMATS[signal.type or "uint16"],
        floating=(signal.type or "").startswith("float"),
        big_word_first=big_word_first,
        scale=signal.scale,
        divisor=float(whole) if whole and abs(inverse - whole) < 1e-9 * abs(whole) else None,
        offset=signal.offset,
        low=low,
        high=high,
        bit=signal.bit,
        is_coil=signal.entity in BIT_ENTITIES,
    )


def decode(codec: Codec, words: Sequence[int]) -> Value:
    """Registers (0 to 65535 each, in the order of their addresses) to a Value of age 0. Never raises."""
    if len(words) != codec.cells:
        return OUT_OF_RANGE
    number = _physical(codec, _raw(codec, words))
    if not codec.low <= number <= codec.high or not math.isfinite(number):
        return OUT_OF_RANGE
    return Value(number)


def encode(codec: Codec, number: float, base: Sequence[int] = ()) -> tuple[int, ...] | None:
    """A number to registers, held within the range and rounded toward zero; None: it is no number.

    `base` is what the registers hold now: a signal of one bit leaves the other bits of its register as they are.
    """
    if not math.isfinite(number):
        return None
    number = min(max(number, codec.low), codec.high)
    if codec.bit is not None:
        return _with_bit(codec, number, base)
    if codec.is_coil:
        return (int(_count(codec, number) != 0),)
    raw = _float_toward_zero(codec, number) if codec.floating else _held(codec, number)
    return None if raw is None else _words(codec, raw)


def no_value(codec: Codec) -> tuple[int, ...]:
    """What a device shows in place of a number it does not have: NaN, or the count furthest outside the range."""
    if codec.floating:
        return _words(codec, math.nan)
    if codec.is_coil or codec.bit is not None:
        return (0,) * codec.cells
    least, most = _limits(codec)
    outside = [raw for raw in (least, most) if not codec.low <= _physical(codec, raw) <= codec.high]
    return _words(codec, outside[0] if outside else least)


def _raw(codec: Codec, words: Sequence[int]) -> float:
    if codec.cells == 1:
        raw: float = words[0] & 0xFFFF
        if codec.format == ">h" and raw >= 0x8000:
            raw -= 0x10000
    else:
        ordered = words if codec.big_word_first else tuple(reversed(words))
        packed = b"".join((word & 0xFFFF).to_bytes(2, "big") for word in ordered)
        raw = struct.unpack(codec.format, packed)[0]
    return raw if codec.bit is None else (int(raw) >> codec.bit) & 1


def _physical(codec: Codec, raw: float) -> float:
    scaled = raw / codec.divisor if codec.divisor is not None else raw * codec.scale
    return scaled + codec.offset


def _count(codec: Codec, number: float) -> int:
    """The whole count that stands for the number, or the next one toward zero."""
    exact = (number - codec.offset) / codec.scale
    if not math.isfinite(exact):
        return 0
    nearest = round(exact)
    if abs(exact - nearest) < NOISE_COUNTS:
        return nearest
    candidates = (math.floor(exact), math.ceil(exact))
    return min(candidates, key=lambda raw: abs(_physical(codec, raw)))


def _held(codec: Codec, number: float) -> int | None:
    """A count past the type's end becomes the end, unless that would be more than asked."""
    least, most = _limits(codec)
    held = min(max(_count(codec, number), least), most)
    return held if abs(_physical(codec, held)) <= abs(number) + NOISE_COUNTS * abs(codec.scale) else None


def _limits(codec: Codec) -> tuple[int, int]:
    bits = 16 * codec.cells
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if codec.format in (">h", ">i") else (0, (1 << bits) - 1)


def _float_toward_zero(codec: Codec, number: float) -> float | None:
    exact = (number - codec.offset) / codec.scale
    if codec.format == ">d":
        return exact
    try:
        packed = struct.pack(">f", exact)
    except OverflowError:
        return None
    stored: float = struct.unpack(">f", packed)[0]
    if not math.isfinite(stored):
        return None
    if abs(_physical(codec, stored)) > abs(number):
        step = -1 if abs(stored) > abs(exact) else 1
        bits = int.from_bytes(packed, "big") + step
        stored = struct.unpack(">f", bits.to_bytes(4, "big"))[0]
    return stored


def _with_bit(codec: Codec, number: float, base: Sequence[int]) -> tuple[int, ...]:
    held = tuple(base) if len(base) == codec.cells else (0,) * codec.cells
    ordered = held if codec.big_word_first else tuple(reversed(held))
    raw = int.from_bytes(b"".join((word & 0xFFFF).to_bytes(2, "big") for word in ordered), "big")
    mask = 1 << (codec.bit or 0)
    raw = raw | mask if _count(codec, number) != 0 else raw & ~mask
    words = _split(raw.to_bytes(2 * codec.cells, "big"))
    return words if codec.big_word_first else tuple(reversed(words))


def _words(codec: Codec, raw: float) -> tuple[int, ...]:
    words = _split(struct.pack(codec.format, raw))
    return words if codec.big_word_first else tuple(reversed(words))


def _split(packed: bytes) -> tuple[int, ...]:
    return struct.unpack(f">{len(packed) // 2}H", packed)
