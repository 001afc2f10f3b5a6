"""What can be known of a block without decoding its columns: when it begins, and what its rare parts say. Pure."""

from __future__ import annotations

import json
import struct
import zlib

from controller.records.cycles import LARGEST_BODY, Extras
from controller.records.plain import Codec

_LENGTHS = struct.Struct("<HI")
_FIRST = struct.Struct("<Bq")


def first_ms(body: bytes) -> int | None:
    """Return the core time of the first cycle in a frame's body; None where the body cannot be read so far.

    A body begins with two lengths and a text; the column of core times follows, its first value in front.
    """
    inflater = zlib.decompressobj()
    try:
        begin = inflater.decompress(body, _LENGTHS.size)
        _, length = _LENGTHS.unpack(begin)
        need = length + _FIRST.size
        if need > LARGEST_BODY:
            return None
        data = inflater.decompress(inflater.unconsumed_tail, need)
        _, first = _FIRST.unpack_from(data, length)
    except (zlib.error, struct.error):
        return None
    return int(first)


def changes(body: bytes, codec: Codec) -> list[tuple[int, Extras]] | None:
    """Return the rare parts of a body's cycles: from which cycle within it on they hold; None: it cannot be read."""
    inflater = zlib.decompressobj()
    try:
        _, length = _LENGTHS.unpack(inflater.decompress(body, _LENGTHS.size))
        if length > LARGEST_BODY:
            return None
        head = json.loads(inflater.decompress(inflater.unconsumed_tail, length) if length else b"")
        return [(int(index), codec.load(Extras, plain)) for index, plain in head["extras"]]
    except (zlib.error, struct.error, ValueError, LookupError, TypeError, RecursionError):
        return None
