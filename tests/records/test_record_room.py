"""What a cycle is told of the record: nothing while all is well; how long rows wait, and when no more can."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from controller.records.group import Group
from controller.records.room import HANGS, HANGS_MS, LONGEST_MS, SLOW, Room, Waiting
from controller.records.writer import Writer

HOUR_MS = 3_600_000
FILLS_BYTES_H = 125_000.0


class Memory:
    """A writer as the room sees it. `behind`: how many marks are not settled."""

    def __init__(self, waiting=0, failing="disk away", limit=1_000_000, behind=0):
        self.waiting_bytes, self.failing, self.limit_bytes, self.behind = waiting, failing, limit, behind
        self.trouble, self.space, self.has_room, self.marks = failing, None, True, 0
        self.on_reserve = False

    def mark(self):
        self.marks += 1
        return self.marks, self.marks - self.behind


def room_of(writer, *, watched=True):
    return Room(writer, FILLS_BYTES_H, 3_000.0, watched=watched)


def left(room, now_ms):
    return room.look(now_ms).left_ms


def test_nothing_is_said_while_rows_are_written():
    """A writer without trouble has no end, however much waits for its next second."""
    assert room_of(Memory(900_000, None)).look(0) == Waiting(None, 0, None, False)
    assert room_of(Writer()).look(5) == Waiting(None, 0, None, False)


def test_the_plan_is_said_until_the_filling_was_measured():
    """As long as all circuits take to fill what is left; from 60 s on what was measured."""
    writer = Memory(0)
    room = room_of(writer)
    assert left(room, 0) == 8 * HOUR_MS
    writer.waiting_bytes = 500_000
    assert left(room, 59_999) == 4 * HOUR_MS
    assert left(room, 60_000) == 60_000


def test_the_measured_end_comes_when_it_was_said():
    """100 bytes a second of a million, from 100,000 on: 9,000 s, and a second less each second."""
    writer = Memory(100_000)
    room = room_of(writer)
    room.look(5_000)
    for second in (60, 61, 4_000):
        writer.waiting_bytes = 100_000 + 100 * second
        assert left(room, 5_000 + 1_000 * second) == 1_000 * (9_000 - second)


def test_no_room_is_zero_and_only_that():
    """Full is said by the writer; the last byte before is not yet the end."""
    writer = Memory(1_000_000)
    room = room_of(writer)
    assert left(room, 0) == 1
    writer.has_room = False
    assert left(room, 1_000) == 0
    writer.failing = None
    assert left(room, 2_000) == 0


def test_memory_that_empties_is_measured_anew():
    """The disk took some; what fills from then on counts. What no longer grows lasts as planned."""
    writer = Memory(500_000)
    room = room_of(writer)
    room.look(0)
    writer.waiting_bytes = 200_000
    assert left(room, 100_000) == 8 * HOUR_MS * 8 // 10
    writer.waiting_bytes = 260_000
    assert left(room, 160_000) == 740_000
    writer.failing = None
    assert left(room, 161_000) is None
    writer.failing = "again"
    assert left(room, 300_000) == 8 * HOUR_MS * 74 // 100


def test_the_oldest_row_is_as_old_as_the_last_mark_before_what_is_settled():
    """A writer three marks behind holds rows of two seconds; one that catches up holds none."""
    writer = Memory(0, None, behind=3)
    room = room_of(writer)
    assert [room.look(1_000 * second).age_ms for second in range(5)] == [0, 1_000, 2_000, 2_000, 2_000]
    writer.behind = 1
    assert room.look(5_000).age_ms == 0
    writer.behind = 0
    assert room.look(6_000).age_ms == 0


def test_a_disk_that_hangs_is_slow_first_and_away_after_a_minute():
    """No word from the disk: told from the limit on; from a minute on as one that takes nothing, with its own end."""
    writer = Memory(0, None, behind=1_000)
    room = room_of(writer)
    told = []
    for second in range(130):
        writer.waiting_bytes = 1_000 * second
        told.append((room.look(1_000 * second).left_ms, room.trouble))
    assert [trouble for _, trouble in told] == [None] * 3 + [SLOW] * 57 + [HANGS] * 70
    assert [left_ms is None for left_ms, _ in told] == [True] * 60 + [False] * 70
    assert told[60][0] == 940_000 / FILLS_BYTES_H * HOUR_MS
    assert told[125][0] == 875_000
    assert HANGS_MS == 60_000


def test_what_the_writer_says_comes_before_slow():
    """An error is more than a delay."""
    writer = Memory(0, "no space left", behind=1_000)
    room = room_of(writer)
    for second in range(80):
        room.look(1_000 * second)
    assert room.trouble == "no space left"


def test_a_process_that_stood_still_does_not_blame_the_disk():
    """An hour between two cycles counts as five seconds: the writer stood, too; a clock that goes back counts none."""
    writer = Memory(0, None, behind=1_000)
    room = room_of(writer)
    room.look(0)
    assert room.look(HOUR_MS).age_ms == LONGEST_MS == 5_000
    assert room.look(0).age_ms == 5_000
    assert room.look(1_000).age_ms == 6_000


@pytest.mark.parametrize("behind", [0, 1_000])
def test_nothing_of_wall_time_is_told_where_time_is_stepped(behind):
    """Age and space hang on the machine: a stepped record would differ from run to run. A failing disk is told."""
    writer = Memory(0, None, behind=behind)
    writer.space = SimpleNamespace(hours=3.0)
    room = room_of(writer, watched=False)
    assert {room.look(1_000 * second) for second in range(100)} == {Waiting()}
    assert room.trouble is None
    writer.failing = writer.trouble = "disk away"
    assert room.look(200_000) == Waiting(8 * HOUR_MS)


@pytest.mark.parametrize(("hours", "unknown"), [(3.5, False), (None, True)])
def test_how_long_the_disk_lasts_is_handed_on(hours, unknown):
    """What the space says, and that it does not."""
    writer = Memory(0, None)
    writer.space = SimpleNamespace(hours=hours)
    assert room_of(writer).look(0) == Waiting(None, 0, hours, unknown)


@pytest.mark.parametrize("hours", [3.5, 900.0, None])
def test_rows_on_the_space_kept_back_have_no_room_at_all(hours):
    """Whatever the disk says, which then counts what was given away; nothing of it where time is stepped."""
    writer = Memory(0, None)
    writer.space, writer.on_reserve = SimpleNamespace(hours=hours), True
    assert room_of(writer).look(0) == Waiting(None, 0, 0.0, False)
    assert room_of(writer, watched=False).look(0) == Waiting()
    writer.space = None
    assert room_of(writer).look(0) == Waiting(None, 0, 0.0, False)


def test_a_real_writer_settles_what_was_added_before_its_round(tmp_path):
    """Each mark is settled by the round after it, and only when its rows are on the disk; idle rounds settle too."""
    writer = Writer()
    group = Group(tmp_path / "run")
    file = group.append_file("rows.csv")
    assert writer.mark() == (1, 1)
    writer.enter(group)
    with writer.lock:
        file.add(b"one\n")
    assert writer.mark() == (2, 1)
    assert writer.commit()
    assert writer.mark() == (3, 2)
    assert writer.commit()
    assert writer.mark() == (4, 3)
    (tmp_path / "run" / "rows.csv").unlink()
    with writer.lock:
        file.add(b"two\n")
    assert not writer.commit()
    assert writer.mark() == (5, 3)
