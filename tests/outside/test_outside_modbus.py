"""Modbus words and frames against what others published: the protocol's examples, IEEE 754, another library."""

from __future__ import annotations

import struct

import pytest

from controller.field.codec import decode, encode, make_codec
from controller.field.frames import fault_in
from controller.field.registermap import Signal


def codec(type_: str, *, big_first: bool = True, **more: object):
    return make_codec(Signal(entity="HoldingRegister", address=0, type=type_, **more), big_first)


def adu(pdu: str, tid: int = 1, unit: int = 1) -> bytes:
    """A PDU under its MBAP header (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3)."""
    raw = bytes.fromhex(pdu)
    return struct.pack(">HHHB", tid, 0, len(raw) + 1, unit) + raw


# MODBUS Application Protocol Specification V1.1b3, the example of each function: request and response PDU.
EXAMPLES = {
    "6.1 read coils 20 to 38": ("01 00 13 00 13", "01 03 CD 6B 05"),
    "6.2 read discrete inputs 197 to 218": ("02 00 C4 00 16", "02 03 AC DB 35"),
    "6.3 read holding registers 108 to 110": ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    "6.4 read input register 9": ("04 00 08 00 01", "04 02 00 0A"),
    "6.5 write coil 173 on": ("05 00 AC FF 00", "05 00 AC FF 00"),
    "6.6 write register 2": ("06 00 01 00 03", "06 00 01 00 03"),
    "6.11 write coils 20 to 29": ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    "6.12 write registers 2 and 3": ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    "7 exception, illegal data address": ("01 04 A1 00 01", "81 02"),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_published_answers_are_taken(name):
    """Each request and response printed in the specification belong together."""
    request, response = (adu(pdu) for pdu in EXAMPLES[name])
    assert fault_in(request, response) is None


@pytest.mark.parametrize("name", [name for name in EXAMPLES if not name.startswith("7")])
def test_published_answers_of_other_questions_are_refused(name):
    """The response of any other example is never taken for the answer, save the two that are equal by design."""
    request = adu(EXAMPLES[name][0])
    for other, (_, response) in EXAMPLES.items():
        if other != name and bytes.fromhex(response)[0] & 0x7F != bytes.fromhex(EXAMPLES[name][0])[0]:
            assert fault_in(request, adu(response)) is not None, other


def test_published_register_values():
    """V1.1b3, 6.3: registers 108, 109, 110 hold 555, 0 and 100 decimal; 6.4: input register 9 holds 10 decimal."""
    words = struct.unpack(">3H", bytes.fromhex("022B00000064"))
    assert [decode(codec("uint16"), (word,)).number for word in words] == [555, 0, 100]
    assert decode(codec("uint16"), (0x000A,)).number == 10


def test_float_word_orders():
    """123.456 as IEEE 754 single is 42F6 E979 (IEEE 754-2008, 3.4); low word first it stands as E979 42F6."""
    assert decode(codec("float32"), (0x42F6, 0xE979)).number == pytest.approx(123.456, abs=4e-6)
    assert decode(codec("float32", big_first=False), (0xE979, 0x42F6)).number == pytest.approx(123.456, abs=4e-6)
    stored = struct.unpack(">f", bytes.fromhex("42F6E979"))[0]
    assert encode(codec("float32"), stored) == (0x42F6, 0xE979)
    assert encode(codec("float32", big_first=False), stored) == (0xE979, 0x42F6)


def test_float_special_values():
    """IEEE 754-2008, 3.4: 1.0 is 3F80 0000, -2.0 is C000 0000, 7FC0 0000 is no number, 7F80 0000 infinite."""
    single = codec("float32")
    assert decode(single, (0x3F80, 0)).number == 1.0
    assert decode(single, (0xC000, 0)).number == -2.0
    assert decode(single, (0x7FC0, 0)).number is None
    assert decode(single, (0x7F80, 0)).number is None


def test_twos_complement():
    """V1.1b3, 4.2: big-endian words; two's complement (common practice, no published source)."""
    assert decode(codec("int16"), (0xFFFF,)).number == -1
    assert decode(codec("int16"), (0x8000,)).number == -32768
    assert decode(codec("int32"), (0xFFFE, 0x7960)).number == -100000
    assert encode(codec("int32", big_first=False), -100000) == (0x7960, 0xFFFE)


@pytest.mark.parametrize("order", [True, False])
def test_same_words_as_an_independent_library(order):
    """Another implementation, pyModbusTCP, joins and splits 32-bit values and floats as we do."""
    utils = pytest.importorskip("pyModbusTCP.utils", reason="pyModbusTCP is in the extra `test`")
    for raw in (0, 1, 0x12345678, 0xFFFFFFFF, 0x80000000):
        theirs = tuple(utils.long_list_to_word([raw], big_endian=order))
        assert encode(codec("uint32", big_first=order), raw) == theirs
        assert decode(codec("uint32", big_first=order), theirs).number == raw
    words = tuple(utils.long_list_to_word([utils.encode_ieee(1.5)], big_endian=order))
    assert encode(codec("float32", big_first=order), 1.5) == words
