"""For how long rows can still wait: nothing is said while all is well, and the end comes when it was said to come."""

from __future__ import annotations

from types import SimpleNamespace

from controller.records.room import PLANNED_MS, Room
from controller.records.writer import Writer

HOUR_MS = 3_600_000


def memory(waiting=0, trouble="disk away", limit=1_000_000, *, has_room=True):
    return SimpleNamespace(waiting_bytes=waiting, trouble=trouble, limit_bytes=limit, has_room=has_room)


def test_nothing_is_said_while_rows_are_written():
    """A writer without trouble has no end, however much waits for its next second."""
    writer = memory(900_000, None)
    room = Room(writer)
    assert room.left_ms(0) is None
    assert Room(Writer()).left_ms(5) is None


def test_the_plan_is_said_until_the_filling_was_measured():
    """Eight hours of an empty memory, half of them of a half full one; from 60 s on what was measured."""
    writer = memory(0)
    room = Room(writer)
    assert room.left_ms(0) == PLANNED_MS == 8 * HOUR_MS
    writer.waiting_bytes = 500_000
    assert room.left_ms(59_999) == 4 * HOUR_MS
    assert room.left_ms(60_000) == 60_000


def test_the_measured_end_comes_when_it_was_said():
    """100 bytes a second of a million, from 100,000 on: 9,000 s, and a second less each second."""
    writer = memory(100_000)
    room = Room(writer)
    room.left_ms(5_000)
    for second in (60, 61, 4_000):
        writer.waiting_bytes = 100_000 + 100 * second
        assert room.left_ms(5_000 + 1_000 * second) == 1_000 * (9_000 - second)


def test_no_room_is_zero_and_only_that():
    """Full is said by the writer; the last byte before is not yet the end."""
    writer = memory(1_000_000)
    room = Room(writer)
    assert room.left_ms(0) == 1
    writer.has_room = False
    assert room.left_ms(1_000) == 0
    writer.trouble = None
    assert room.left_ms(2_000) == 0


def test_memory_that_empties_is_measured_anew():
    """The disk took some; what fills from then on counts. What no longer grows lasts as planned."""
    writer = memory(500_000)
    room = Room(writer)
    room.left_ms(0)
    writer.waiting_bytes = 200_000
    assert room.left_ms(100_000) == PLANNED_MS * 8 // 10
    writer.waiting_bytes = 260_000
    assert room.left_ms(160_000) == 740_000
    writer.trouble = None
    assert room.left_ms(161_000) is None
    writer.trouble = "again"
    assert room.left_ms(300_000) == PLANNED_MS * 74 // 100
