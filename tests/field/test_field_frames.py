"""Frames that are no answer: every kind of wrong answer is named, and nothing breaks the judge."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.field.frames import fault_in


def adu(pdu, tid=7, unit=3, protocol=0, length=None):
    return struct.pack(">HHHB", tid, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


READ_2 = adu(bytes([3, 0, 10, 0, 2]))
GOOD = adu(bytes([3, 4, 0, 1, 0, 2]))


def test_the_right_answer_passes():
    """Two registers for two."""
    assert fault_in(READ_2, GOOD) is None


@given(st.integers(0, len(GOOD) - 1))
def test_a_cut_answer_is_waited_for(length):
    """Any beginning of the right answer is no fault yet."""
    assert fault_in(READ_2, GOOD[:length]) is None


WRONG = {
    "function 4 for a 3": adu(bytes([4, 4, 0, 1, 0, 2])),
    "a write's answer": adu(bytes([16, 0, 10, 0, 2])),
    "fewer registers": adu(bytes([3, 2, 0, 1])),
    "more registers": adu(bytes([3, 6, 0, 1, 0, 2, 0, 3])),
    "odd byte count": adu(bytes([3, 3, 0, 1, 0])),
    "byte count against length": adu(bytes([3, 2, 0, 1, 0, 2])),
    "own echo": READ_2,
    "wrong unit": adu(bytes([3, 4, 0, 1, 0, 2]), unit=4),
    "wrong protocol": adu(bytes([3, 4, 0, 1, 0, 2]), protocol=1),
    "id 0": adu(bytes([3, 4, 0, 1, 0, 2]), tid=0),
    "length 65535": adu(bytes([3, 4, 0, 1, 0, 2]), length=65535),
    "length 0": adu(bytes([3, 4, 0, 1, 0, 2]), length=0),
    "exception of another function": adu(bytes([0x84, 2])),
    "long exception": adu(bytes([0x83, 2, 0])),
    "noise": bytes(range(1, 60)),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_answers_are_named(name):
    """Each kind is told as a fault in words."""
    assert fault_in(READ_2, WRONG[name])


def test_an_older_answer_is_passed_over():
    """A late frame with another id before the right one does no harm; alone it is waited past."""
    late = adu(bytes([3, 4, 9, 9, 9, 9]), tid=6)
    assert fault_in(READ_2, late) is None
    assert fault_in(READ_2, late + GOOD) is None
    assert fault_in(READ_2, late + WRONG["fewer registers"])


def test_a_write_must_be_repeated_exactly():
    """Another address or count in the answer to a write is a fault."""
    write = adu(bytes([16, 0, 10, 0, 1, 2, 0, 5]))
    assert fault_in(write, adu(bytes([16, 0, 10, 0, 1]))) is None
    assert fault_in(write, adu(bytes([16, 0, 11, 0, 1])))
    assert fault_in(write, adu(bytes([16, 0, 10, 0, 2])))
    assert fault_in(write, write)


@given(st.binary(min_size=2, max_size=20) | st.sampled_from([b"\x03\x04\0\1\0\2", b"\x83\2"]), st.integers(0, 255))
def test_whatever_passes_has_the_right_shape(pdu, unit):
    """A whole frame under our id passes only as two registers of our unit, or as an exception of our function."""
    if fault_in(READ_2, adu(pdu, unit=unit)) is None:
        assert unit == 3
        assert (pdu[:2] == b"\x03\x04" and len(pdu) == 6) or (pdu[0] == 0x83 and len(pdu) == 2)


@given(st.binary(min_size=12, max_size=600))
def test_noise_is_never_an_answer(data):
    """Noise of any shape raises nothing, and what is no Modbus frame is a fault at once."""
    verdict = fault_in(READ_2, data)
    if data[2:4] != b"\0\0":
        assert verdict == "not a Modbus frame"
