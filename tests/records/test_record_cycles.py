"""Cycles to bytes and back, and frames in damaged bytes."""

from __future__ import annotations

import random
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.planned import Load
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
    Reaction,
    Value,
)
from controller.records.columns import ColumnError, pack_floats, pack_whole, unpack_floats, unpack_whole
from controller.records.cycles import DamagedCycles, decode, encode, flatten
from controller.records.frames import FILE_HEAD, Damage, Frame, frame, scan
from controller.records.head import cycle_codec

numbers = st.floats(allow_nan=False) | st.integers(-7_000, 7_000).map(lambda raw: raw * 0.01)
values = st.builds(Value, st.none() | numbers, st.sampled_from(Quality), st.integers(0, 1 << 50))
optional = st.none() | values
texts = st.text(max_size=8)
conditions = st.builds(Condition, texts, st.sampled_from(Reaction), st.none() | numbers, st.none() | numbers)
flags = st.booleans()


def orders(plan):
    loads = st.none() | st.builds(Load, st.just(plan), st.integers(1, 30), texts)
    args = st.dictionaries(texts, st.none() | flags | st.integers() | numbers | texts, max_size=3)
    return st.builds(Order, texts, texts, texts, texts, st.tuples(texts), args, st.none() | st.integers(), loads)


def cycles(plan):
    readings = st.builds(
        ChannelReading, values, values, values, values, values, optional, optional, optional, optional, optional,
        optional, st.tuples(values, values), st.sampled_from(LinkState), st.sampled_from(Fit),
    )  # fmt: skip
    shares = st.builds(
        BathShare, values, st.integers(0, 1 << 40), flags, flags, flags, flags, st.lists(texts, max_size=2).map(tuple),
        st.lists(conditions, max_size=2).map(tuple),
    )  # fmt: skip
    inputs = st.builds(
        CircuitIn, st.integers(0, 1 << 60), readings, shares, st.none() | numbers, st.none() | numbers,
        st.lists(orders(plan), max_size=1).map(tuple), st.lists(st.builds(Advice, texts), max_size=1).map(tuple),
    )  # fmt: skip
    return st.tuples(inputs, st.builds(Command, numbers, numbers, flags, flags, flags))


@settings(max_examples=60)
@given(data=st.data())
def test_any_cycles_come_back_exactly(rec, data):
    """Whatever a cycle was decided on, orders with a load and lost values included, is read back equal."""
    plan = rec.plan()
    made = data.draw(st.lists(cycles(plan), min_size=1, max_size=4))
    codec = cycle_codec(plan)
    state = CircuitState("A01", load=Load(plan, 18, "K1"))
    body = encode([flatten(*cycle) for cycle in made], state, codec)
    start, back = decode(body, len(made), codec)
    assert start == state
    assert [(cycle.cin, cycle.command) for cycle in back] == made


@given(st.lists(st.floats() | st.sampled_from([0.0, -0.0, 14.99, 0.1, 1e300, 5e-324]), min_size=1, max_size=40))
def test_floats_come_back_bit_for_bit(column):
    """Not numbers, signed zeros and extremes keep every bit."""
    data = pack_floats(column)
    back, end = unpack_floats(data, 0, len(column))
    assert end == len(data)
    assert struct.pack(f"<{len(column)}d", *back) == struct.pack(f"<{len(column)}d", *column)


@given(st.lists(st.integers(-(1 << 62) + 1, (1 << 62) - 1), min_size=1, max_size=40))
def test_whole_numbers_come_back(column):
    """Whole numbers of any size up to 62 bits come back."""
    data = pack_whole(column)
    assert unpack_whole(data, 0, len(column)) == (column, len(data))


def test_register_values_cost_about_a_byte_each():
    """A column of noisy readings from a register is stored as small steps, not as float64."""
    noise = random.Random(1)
    column = [(1500 + noise.randint(-3, 3)) * 0.01 for _ in range(360)]
    assert len(pack_floats(column)) < 400
    assert unpack_floats(pack_floats(column), 0, 360)[0] == column


def test_damaged_columns_are_refused():
    """Bytes that end early, or name a form that does not exist, are no column."""
    with pytest.raises(ColumnError):
        unpack_whole(pack_whole([1, 2, 3])[:-1], 0, 3)
    with pytest.raises(ColumnError, match="tag 99"):
        unpack_floats(bytes((99, 1, 0)) + bytes(20), 0, 3)


def test_a_body_that_is_none_is_refused(rec):
    """Garbage that was compressed properly is still told apart from cycles."""
    import zlib

    for body in (b"", zlib.compress(b"nonsense"), zlib.compress(struct.pack("<HI", 1, 2) + b"{}" + bytes(9))):
        with pytest.raises(DamagedCycles):
            decode(body, 3, cycle_codec(rec.plan()))


BODIES = [b"first body", b"second", b"the third one"]
FRAMES = [frame(i * 10, 10, body) for i, body in enumerate(BODIES)]


@given(st.integers(0, sum(map(len, FRAMES))))
def test_cut_frames_give_a_prefix(cut):
    """However many bytes are left, the whole frames at the beginning are found, and the rest is said to be none."""
    data = b"".join(FRAMES)[:cut]
    found = list(scan(data, 0))
    whole = [one for one in found if isinstance(one, Frame)]
    ends = [sum(map(len, FRAMES[: i + 1])) for i in range(3)]
    assert [one.body for one in whole] == BODIES[: sum(end <= cut for end in ends)]
    rest = [one for one in found if isinstance(one, Damage)]
    assert sum(one.end - one.offset for one in rest) == cut - sum(one.end - one.offset for one in whole)


@given(st.integers(0, sum(map(len, FRAMES)) - 1), st.integers(1, 255))
def test_a_damaged_frame_costs_itself_alone(place, flip):
    """Any flipped byte loses the frame it is in and no other, and is said."""
    data = bytearray(b"".join(FRAMES))
    data[place] ^= flip
    found = list(scan(bytes(data), 0))
    hit = next(i for i in range(3) if place < sum(map(len, FRAMES[: i + 1])))
    assert [one.body for one in found if isinstance(one, Frame)] == [b for i, b in enumerate(BODIES) if i != hit]
    assert sum(isinstance(one, Damage) for one in found) == 1


def test_a_steady_run_is_small(rec):
    """360 quiet cycles with a snapshot cost about 2 bytes a cycle: 20 h at one a second stay near 160 kB."""
    loop = rec.Loop(charge_Ah=1e9)
    made = [loop.cycle(loop.start_order())] + [loop.cycle() for _ in range(719)]
    rows = [flatten(cin, command) for cin, _, command, _ in made[360:]]
    size = len(frame(0, 360, encode(rows, made[360][1], cycle_codec(rec.plan(1e9)))))
    assert size < 360 * 2.7


def test_file_head_is_a_line_of_text():
    """`head -1` of cycles.bin says what it is."""
    assert FILE_HEAD.decode("ascii").endswith("\n")
