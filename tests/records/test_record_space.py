"""How long the disk lasts, and the space kept back on it: planned numbers held against a real record, looks by hand."""

from __future__ import annotations

import errno
from typing import NamedTuple

import pytest

from controller.records import space
from controller.records.disk import FEWEST_FILES, Disk
from controller.records.files import PART_BYTES
from controller.records.reserve import ROOM, Reserve
from controller.records.space import LEAST_LOOKS, MISSED_LOOKS, Space, planned_bytes_h, waiting_bytes_h
from controller.records.writer import Writer


class Statvfs(NamedTuple):
    """What the system says of a disk."""

    f_bavail: int
    f_frsize: int
    f_files: int
    f_favail: int


class FreeDisk(Disk):
    """A disk that says how much is free (None: it does not)."""

    def __init__(self, free):
        self.free = free

    def free_bytes(self, folder):
        if self.free is None:
            raise OSError(errno.ESTALE, "Stale file handle")
        return self.free


def test_what_a_circuit_hour_takes_is_planned_from_how_often_it_is_written():
    """Rows, cycles, events; in memory each row takes its object, too."""
    assert planned_bytes_h(1_000, 10_000) == 360 * 150.0 + 3_600 * 12.0 + 20_000.0
    assert planned_bytes_h(5_000, 1_000) == 3_600 * 150.0 + 720 * 12.0 + 20_000.0
    assert waiting_bytes_h(1_000, 10_000) == planned_bytes_h(1_000, 10_000) + (360 + 10) * PART_BYTES


def test_the_plan_holds_against_a_real_record(kept_run):
    """A real run's rows, cycles and events stay below what is planned for them, and not far below."""
    log = (kept_run / "log.csv").read_bytes().splitlines(keepends=True)[1:]
    row = sum(map(len, log)) / len(log)
    assert 0.6 * space.LOG_ROW_BYTES < row < space.LOG_ROW_BYTES
    cycle = (kept_run / "cycles.bin").stat().st_size / 402
    assert 0.1 * space.CYCLE_BYTES < cycle < space.CYCLE_BYTES
    events = (kept_run / "events.csv").stat().st_size * 3_600 / 402
    texts = sum((kept_run / name).stat().st_size for name in ("run.json", "summary.json", "README.txt"))
    assert events + texts / 18.0 < space.EVENTS_BYTES_H


def test_hours_are_what_is_free_by_what_all_circuits_take(tmp_path):
    """Two circuits of 1,000 bytes an hour on 10 kB last five hours; a disk that says nothing is not known."""
    disk = FreeDisk(10_000)
    watch = Space(tmp_path, 2, 1_000.0, disk)
    assert watch.hours is None
    watch.look({})
    assert watch.hours == 5.0
    disk.free = None
    watch.look({})
    assert watch.hours is None


def test_more_than_was_planned_is_measured_and_counts(tmp_path):
    """After four circuit-hours the growth of open runs is what counts, where it is more; one run's start does not."""
    watch = Space(tmp_path, 1, 600.0, FreeDisk(60_000))
    for minute in range(LEAST_LOOKS // 2 + 1):
        watch.look({"a": 100 * minute, "b": 5_000_000 + 20 * minute})
        assert (watch.bytes_h == 600.0) is (minute < LEAST_LOOKS // 2)
    assert watch.bytes_h == 60 * 120 / 2
    assert watch.hours == 60_000 / 3_600
    for _ in range(10 * LEAST_LOOKS):
        watch.look({"a": 12_000})
    assert watch.bytes_h == 600.0
    watch.look({"a": 0})
    assert watch.bytes_h == 600.0


def test_a_look_that_hangs_makes_the_disk_unknown_and_no_second_one_is_sent(tmp_path):
    """Asked once a minute; three minutes without an answer are none, until it comes."""
    watch = Space(tmp_path, 1, 1_000.0, FreeDisk(5_000))
    assert watch.ask()
    watch.look({})
    assert [watch.ask() for _ in range(MISSED_LOOKS)] == [True, False, False]
    assert watch.hours == 5.0
    assert not watch.ask()
    assert watch.hours is None
    watch.look({})
    assert watch.hours == 5.0
    assert watch.ask()


@pytest.mark.parametrize(("told", "free"), [
    (Statvfs(10, 4_096, 100_000, FEWEST_FILES), 40_960),
    (Statvfs(10, 4_096, 100_000, FEWEST_FILES - 1), 0),
    (Statvfs(10, 4_096, 0, 0), 40_960),
])  # fmt: skip
def test_a_disk_without_room_for_new_files_is_full(tmp_path, monkeypatch, told, free):
    """Free bytes for us, none where files run out; a file system that counts no files has enough of them."""
    asked = []
    monkeypatch.setattr("os.statvfs", lambda path: asked.append(path) or told)
    assert Disk().free_bytes(tmp_path / "not" / "there yet") == free
    assert asked == [tmp_path]


def test_the_real_disk_says_something(tmp_path):
    """What the operating system says of the folder's own disk."""
    assert Disk().free_bytes(tmp_path) > 0


def test_the_reserve_takes_real_space_and_gives_it(tmp_path):
    """A file of its size with blocks of its own; taken over from an earlier service; given once, then taken back."""
    path = tmp_path / "A" / "kept-back"
    reserve = Reserve(path, 100_000)
    reserve.prepare()
    assert path.stat().st_size == 100_000
    assert path.stat().st_blocks * 512 >= 100_000
    path.write_bytes(b"x" * 200_000)
    again = Reserve(path, 100_000)
    again.prepare()
    assert path.stat().st_size == 100_000
    assert (again.held, again.given) == (True, False)
    assert again.release()
    assert (again.held, again.given) == (False, True)
    assert not path.exists()
    assert not again.release()
    again.look(ROOM * 100_000 - 1)
    assert not path.exists()
    again.look(ROOM * 100_000)
    assert path.exists()
    assert (again.held, again.given) == (True, False)


def test_a_reserve_of_nothing_gives_up_what_an_earlier_service_kept(tmp_path):
    """Set to 0 in the bath file: the file goes, nothing is ever taken."""
    path = tmp_path / "kept-back"
    path.write_bytes(b"x")
    reserve = Reserve(path, 0)
    reserve.prepare()
    assert not path.exists()
    reserve.look(10**12)
    assert not path.exists()
    assert not reserve.release()


class Small(Disk):
    """A disk that has no space to put aside while `full`."""

    full = True

    def allocate(self, path, size):
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        super().allocate(path, size)


def test_no_room_for_the_reserve_is_an_error_once_and_looked_for_later(tmp_path):
    """At the start it is told to who asks; later it is taken as soon as there is room, and not said to be given."""
    disk = Small()
    reserve = Reserve(tmp_path / "kept-back", 1_000, disk)
    with pytest.raises(OSError, match="No space"):
        reserve.prepare()
    assert not reserve.release()
    reserve.look(5_000)
    assert (reserve.held, reserve.given) == (False, False)
    disk.full = False
    reserve.look(5_000)
    assert (reserve.held, reserve.given) == (True, False)


def test_the_writer_has_its_disk_looked_at_between_its_rounds(rec, tmp_path, monkeypatch):
    """Each sixtieth round: how much is free, and how much the open runs hold but for their tails."""
    monkeypatch.setattr("controller.records.writer.LOOK_ROUNDS", 2)
    asked = []
    told = []

    class Watch:
        hours = 1.0
        short = False

        def ask(self):
            # Counted here: a look runs in a hand, which may come to it after the next one was asked for.
            asked.append(True)
            return len(asked) <= 3

        def look(self, held):
            told.append(held)

    writer = Writer(period_s=3600.0, space=Watch())
    loop, record = rec.begin(tmp_path, writer)
    writer.start()
    for number in range(1, 7):
        rec.drive(record, loop, 1, first=10 * number)
        assert writer.flush()
    assert writer.close()
    assert [list(each) for each in told] == [[str(record.folder)]] * 3
    sizes = [each[str(record.folder)] for each in told]
    files = sum((record.folder / name).stat().st_size for name in ("cycles.bin", "log.csv", "events.csv"))
    assert 0 < sizes[0] < sizes[1] < sizes[2] <= files


def test_a_disk_whose_room_is_short_is_looked_at_again(tmp_path):
    """Below its limit, and while rows live on the space kept back; one look at a time; the measured rate stays."""
    disk = FreeDisk(10_000)
    reserve = Reserve(tmp_path / "kept-back", 1_000_000)
    looked = Space(tmp_path, 2, 1_000.0, disk, reserve, short_h=6.0)
    assert not looked.short
    looked.look({"run": 5})
    assert (looked.hours, looked.short) == (5.0, True)
    assert looked.ask()
    assert not looked.short
    disk.free = 12_000
    looked.look_again()
    assert (looked.hours, looked.short) == (6.0, False)
    assert looked.ask()
    assert (looked._held, looked._looks) == ({"run": 5}, 0)
    looked.look_again()
    reserve.given = True
    assert looked.short
    reserve.given, disk.free = False, None
    looked.look_again()
    assert (looked.hours, looked.short) == (None, False)
    assert not Space(tmp_path, 2, 1_000.0, FreeDisk(0)).short


def test_the_writer_looks_again_before_the_minute_is_over(tmp_path):
    """Each fifth round while room is short, and no look more once there is room."""
    disk, looks = FreeDisk(10_000), []
    watched = Space(tmp_path, 2, 1_000.0, disk, short_h=6.0)
    watched.look({})
    again = watched.look_again

    def look_again():
        looks.append(writer.commits)
        disk.free = 10_000 if len(looks) < 3 else 90_000
        again()

    watched.look_again = look_again
    writer = Writer(period_s=3600.0, space=watched)
    writer.start()
    # A hand looks when it has time: rounds until it has found room. One look more may be on its way then, no second.
    for _ in range(20_000):
        assert writer.flush()
        if watched.hours == 45.0:
            break
    for _ in range(30):
        assert writer.flush()
    assert writer.close()
    assert len(looks) in {3, 4}
    assert looks[0] >= 5
    assert watched.hours == 45.0
