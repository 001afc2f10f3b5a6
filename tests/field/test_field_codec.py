"""The codec: no register content raises, nothing is rounded away from zero, what goes out comes back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.types import Quality
from controller.field.codec import decode, encode, make_codec, no_value
from controller.field.registermap import REGISTERS, Signal

TYPES = st.sampled_from(sorted(REGISTERS))
INTEGERS = st.sampled_from(["int16", "uint16", "int32", "uint32"])
SCALES = st.sampled_from([1.0, 0.1, 0.01, 0.001, 0.02, 0.25, 10.0, -0.01, 3.3])


def codec(type_, *, big_first=True, **more):
    return make_codec(Signal(entity="HoldingRegister", address=0, type=type_, **more), big_first)


@given(TYPES, SCALES, st.booleans(), st.none() | st.just((-100.0, 100.0)), st.lists(st.integers(0, 65535), max_size=6))
def test_decode_never_raises(type_, scale, big_first, span, words):
    """Any registers, also too few or too many, give a number in range or none with its quality."""
    value = decode(codec(type_, big_first=big_first, scale=scale, range=span), words)
    if value.number is None:
        assert value.quality is Quality.OUT_OF_RANGE
    else:
        assert math.isfinite(value.number)
        assert span is None or span[0] <= value.number <= span[1]


@given(TYPES, SCALES, st.booleans(), st.floats(-1e6, 1e6))
def test_written_is_never_more_than_asked(type_, scale, big_first, asked):
    """What the device reads out of the registers is at most what was asked, and less by at most one count."""
    made = codec(type_, big_first=big_first, scale=scale)
    words = encode(made, asked)
    assert words is not None
    told = decode(made, words).number
    assert told is not None
    noise = 1e-6 * abs(scale) + 1e-12 * abs(asked)
    assert abs(told) <= abs(asked) + noise
    assert told * asked >= 0


@given(INTEGERS, SCALES, st.booleans(), st.data())
def test_whole_counts_come_back_exactly(type_, scale, big_first, data):
    """Every count that a register can hold survives decode and encode."""
    made = codec(type_, big_first=big_first, scale=scale)
    words = tuple(data.draw(st.lists(st.integers(0, 65535), min_size=made.cells, max_size=made.cells)))
    number = decode(made, words).number
    assert number is not None
    assert encode(made, number) == words


def test_decimal_set_points_come_back_equal():
    """Each hundredth of an ampere is read back as the very number that was asked."""
    made = codec("int16", scale=0.01)
    for count in range(7000):
        asked = count / 100
        assert decode(made, encode(made, asked)).number == asked


def test_floor_toward_zero():
    """12.349 A at 0.01 A is written 12.34, -12.349 is -12.34; 0.1 as a single float is not more than 0.1."""
    made = codec("int16", scale=0.01)
    assert decode(made, encode(made, 12.349)).number == 12.34
    assert decode(made, encode(made, -12.349)).number == -12.34
    assert decode(codec("float32"), encode(codec("float32"), 0.1)).number <= 0.1


def test_range_holds_what_is_written():
    """Past the range the end of the range is written, past the type its end."""
    made = codec("uint16", scale=0.01, range=(0, 60))
    assert decode(made, encode(made, 75.0)).number == 60.0
    assert decode(made, encode(made, -5.0)).number == 0.0
    assert encode(codec("int16"), 1e9) == (0x7FFF,)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_no_number_is_not_written(number):
    """What is no number has no registers."""
    assert encode(codec("int16"), number) is None
    assert encode(codec("float32"), number) is None


def test_float_overflow_is_not_written():
    """A number past the largest single float has no registers."""
    assert encode(codec("float32"), 1e39) is None


@pytest.mark.parametrize("type_", sorted(REGISTERS))
def test_no_value_reads_as_none(type_):
    """What stands for a broken sensor is never a number."""
    made = codec(type_, scale=0.1, range=(-20, 120))
    assert decode(made, no_value(made)).number is None


@given(st.integers(0, 65535), st.integers(0, 15), st.booleans())
def test_a_bit_leaves_its_neighbours(base, bit, on):
    """Writing one bit changes no other bit of its register."""
    made = codec("uint16", bit=bit)
    (word,) = encode(made, float(on), (base,))
    assert (word ^ base) & ~(1 << bit) == 0
    assert decode(made, (word,)).number == float(on)


def test_a_contact_of_the_other_sense():
    """Scale -1 and offset 1 turn a normally closed contact round."""
    made = make_codec(Signal(entity="DiscreteInput", address=0, scale=-1, offset=1))
    assert decode(made, (0,)).number == 1.0
    assert decode(made, (1,)).number == 0.0
