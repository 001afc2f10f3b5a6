"""Rows by their moments, the private files, the position, the landmarks, typed moments: each part by itself."""

from __future__ import annotations

import zlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from types import SimpleNamespace

import pytest
from hypothesis import given, strategies

from controller.console.moment import Clock, Dated, Since, chosen, moments, parse_moment
from controller.console.replayview import ReplayView, since_start
from controller.records.peek import changes, first_ms
from controller.records.rows import EVENT_COLUMNS, LOG_COLUMNS, parse_time, time_utc
from controller.replay import landmarks
from controller.replay.clockwork import FASTEST, SLOWEST, Clockwork, MOST_s
from controller.replay.files import RunFiles
from controller.replay.fromrows import line_at
from controller.replay.landmarks import Landmarks, happened
from controller.replay.rows import Rows, rows_of
from controller.replay.tape import open_tape

BERLIN = timezone(timedelta(hours=1))


def table(*elapsed, name="log.csv", wrong=None):
    lines = tuple(f"t,{each},rest,chain".encode() for each in elapsed)
    walked = SimpleNamespace(wrong_row=wrong)
    return SimpleNamespace(name=name, columns=LOG_COLUMNS, lines=lines, walked=walked, header_right=True)


def times(*elapsed, wrong=None):
    return [each - 1_000 for each in rows_of(table(*elapsed, wrong=wrong), 1_000).times_ms]


def event(elapsed_s, kind, code, text="words", target="A01"):
    return f'2026-03-16T06:00:00.000Z,{elapsed_s},,{kind},{code},{target},anna,,2,,,,"{text}",0123456789abcdef'.encode()


def events(*lines, at=None):
    at = at or [round(float(line.split(b",")[1]) * 1000) for line in lines]
    return Rows("events.csv", EVENT_COLUMNS, lines, tuple(at))


# -- rows


def test_rows_stand_at_their_moments():
    """A row's time is its elapsed time from the core time of the start."""
    assert times("0.000", "10.000", "20.500") == [0, 10_000, 20_500]
    assert rows_of(table("0.000", "5.000"), 1_000).until(5_999) == 1
    assert rows_of(table("0.000", "5.000"), 1_000).until(6_000) == 2


@pytest.mark.parametrize(
    ("elapsed", "wanted"),
    [
        (("0", "10", "oops", "30"), [0, 10_000, 10_000, 30_000]),  # no number
        (("0", "10", "", "30"), [0, 10_000, 10_000, 30_000]),  # an event of no moment
        (("0", "10", "9999999", "30"), [0, 10_000, 10_000, 30_000]),  # a flipped digit must hide nothing behind it
        (("0", "10", "3", "30"), [0, 10_000, 10_000, 30_000]),  # nor go back
        (("0", "nan", "inf", "1e300", "5"), [0, 0, 0, 0, 5_000]),
        (("0", "10", "10", "10"), [0, 10_000, 10_000, 10_000]),
        ((), []),
    ],
)
def test_damaged_time_costs_only_its_row(elapsed, wanted):
    """A row whose time cannot be stands beside the one before it; no other row moves."""
    assert times(*elapsed) == wanted


def test_wrong_last_row_does_not_lengthen_the_record():
    """A last row that breaks the chain has no later one to bear out its time."""
    assert times("0", "10", "9999", wrong=3) == [0, 10_000, 10_000]
    assert times("0", "10", "9999") == [0, 10_000, 9_999_000]
    assert times("0", "9999", "10", wrong=2) == [0, 0, 10_000]


def test_rows_of_other_columns_are_not_given_out_as_ours():
    """The header of a table that this version does not know is not written over such rows."""
    other = rows_of(SimpleNamespace(**{**vars(table("0")), "header_right": False}), 0)
    assert other.header != ",".join(LOG_COLUMNS).encode()
    assert rows_of(table("0"), 0).header == ",".join(LOG_COLUMNS).encode()
    assert happened(replace(events(event(1, "event", "gap")), known=False)) == []


# -- blocks


def test_peek_sees_what_decoding_sees(kept):
    """The first core time and the rare parts of each block, without its columns."""
    tape = open_tape(kept.folder)
    for index, frame in enumerate(tape.frames):
        _, cycles = tape.block(index)
        assert first_ms(frame.body) == cycles[0].cin.now_ms
        found = changes(frame.body, tape.head.codec)
        for at, extras in found:
            cin = cycles[at].cin
            assert (cin.orders, cin.bath.reactions) == (extras.orders, extras.reactions)
        told = {at for at, extras in found if extras.reactions}
        assert bool(told) == any(cycle.cin.bath.reactions for cycle in cycles)


@pytest.mark.parametrize(
    "body", [b"", b"x", zlib.compress(b""), zlib.compress(b"\1\0\xff\xff\xff\xff"), zlib.compress(b"\0\0\2\0\0\0{}")]
)
def test_peek_into_rubbish_says_nothing(kept, body):
    """Bytes that are no block, too short, or claim to be endless."""
    assert first_ms(body) is None
    assert changes(body, open_tape(kept.folder).head.codec) is None


def test_the_block_of_a_moment(kept):
    """The last one that begins at or before it; none before the first."""
    tape = open_tape(kept.folder)
    begins = [tape.begins_ms(index) for index in range(len(tape.frames))]
    assert begins == sorted(begins)
    assert tape.frame_at(begins[0] - 1) is None
    for index, begin in enumerate(begins):
        assert tape.frame_at(begin) == index
        assert tape.frame_at(begin - 1) == (index - 1 if index else None)


# -- wall time


def test_wall_time_of_a_moment_and_back(kept):
    """Rows say what the wall clock showed; between them it goes on as core time does."""
    tape = open_tape(kept.folder)
    for now_ms in range(kept.start_ms, kept.end_ms, 77_000):
        assert tape.utc_ms(now_ms) - now_ms == tape.utc_ms(kept.start_ms) - kept.start_ms
        assert tape.moment_at(tape.utc_ms(now_ms)) == now_ms
    assert tape.moment_at(0) == tape.begin_ms
    assert tape.moment_at(10**15) == tape.end_ms


def set_by(tape, first, last, seconds):
    """The tape, with the wall clock off by so much in some of its rows, as if it had been set twice."""
    moved = [
        time_utc(parse_time(line[:24].decode()) + round(seconds * 1000)).encode() + line[24:]
        if first <= index < last
        else line
        for index, line in enumerate(tape.log.lines)
    ]
    tape.log = replace(tape.log, lines=tuple(moved))
    return tape


@pytest.mark.parametrize("seconds", [-100_000, -150, -2.001, 2.001, 100, 100_000])
def test_a_clock_that_was_wrong_for_a_while_is_found_again(kept, seconds):
    """A time that the clock showed is found at the first moment at which it did, whatever it showed later or before."""
    tape = open_tape(kept.folder)
    count = len(tape.log.lines)
    begin_ms, end_ms = (tape.log.times_ms[at] for at in (count // 3, 2 * count // 3))
    set_by(tape, count // 3, 2 * count // 3, seconds)
    shown = {}
    for now_ms in range(tape.begin_ms, tape.end_ms + 1, 1_000):
        shown.setdefault(tape.utc_ms(now_ms), now_ms)
    assert len(shown) > 100
    for utc_ms, now_ms in shown.items():
        found_ms = tape.moment_at(utc_ms)
        assert tape.utc_ms(found_ms) == utc_ms
        assert found_ms <= now_ms
    # Set forth and never back: a time in between is where the clock leapt over it.
    forth = set_by(open_tape(kept.folder), count // 3, count, 3_600)
    assert forth.moment_at(tape.utc_ms(tape.begin_ms) + begin_ms - tape.begin_ms + 600_000) == begin_ms
    assert tape.begin_ms < begin_ms < end_ms < tape.end_ms


def test_a_clock_that_was_slewed_was_not_set(kept):
    """Two seconds from row to row are no leap: a moment near the one that was asked for, and never one far away."""
    for seconds in (-2.0, 2.0):
        tape = open_tape(kept.folder)
        count = len(tape.log.lines)
        set_by(tape, count // 3, 2 * count // 3, seconds)
        for now_ms in range(tape.begin_ms, tape.end_ms, 7_000):
            assert abs(tape.moment_at(tape.utc_ms(now_ms)) - now_ms) <= 2_000


def test_rows_without_a_time_are_no_leap(kept):
    """A time that cannot be read is that of the rows around it."""
    tape = open_tape(kept.folder)
    lines = list(tape.log.lines)
    lines[5] = b"x" + lines[5]
    tape.log = replace(tape.log, lines=tuple(lines))
    for now_ms in range(tape.begin_ms, tape.end_ms, 7_000):
        assert tape.moment_at(tape.utc_ms(now_ms)) == now_ms


# -- files


def test_files_grow_and_hold_nothing_later(tmp_path):
    """At each moment exactly the rows up to it, whole lines, below the right header."""
    rows = Rows("log.csv", ("head",), (b"a", b"b", b"c"), (0, 10, 20))
    files = RunFiles(tmp_path, "A01", (rows,), 1_000)
    for now_ms, wanted in ((0, "head\na\n"), (9, "head\na\n"), (10, "head\na\nb\n"), (25, "head\na\nb\nc\n")):
        assert files.show(now_ms) == "A01"
        assert (tmp_path / "A01" / "log.csv").read_text() == wanted
    assert (tmp_path / "A01").stat().st_mode & 0o777 == 0o700


def test_going_back_makes_other_files(tmp_path):
    """Under a name that no reader has read yet, with what was until then; older ones go."""
    rows = Rows("log.csv", ("head",), (b"a", b"b", b"c"), (0, 10, 20))
    files = RunFiles(tmp_path, "A01", (rows,), 1_000)
    names = [files.show(at) for at in (25, 5, 7, 25, 0, 25)]
    assert names == ["A01", "A01-2", "A01-2", "A01-2", "A01-3", "A01-3"]
    assert (tmp_path / "A01-2" / "log.csv").read_text() == "head\na\nb\nc\n"
    assert not (tmp_path / "A01").exists()
    files.show(5)
    assert (tmp_path / "A01-4" / "log.csv").read_text() == "head\na\n"
    assert not (tmp_path / "A01-2").exists()


def test_rows_added_after_the_end_stand_at_the_end(tmp_path):
    """A sign-off weeks later belongs to the record: it is there once the record is at its end, and not before."""
    rows = Rows("events.csv", ("h",), (b"a", b"signed"), (0, 10**9))
    files = RunFiles(tmp_path, "A01", (rows,), 100)
    files.show(99)
    assert b"signed" not in (tmp_path / "A01" / "events.csv").read_bytes()
    files.show(100)
    assert b"signed" in (tmp_path / "A01" / "events.csv").read_bytes()


# -- position


def test_clockwork_goes_at_its_ratio():
    """So many seconds of the record a second; the first look only begins it."""
    clock = Clockwork(0, 1_000_000, 60.0)
    assert not clock.passed(100.0)
    assert clock.now_ms == 0
    clock.passed(100.5)
    assert clock.now_ms == 30_000
    clock.ask(10.0, None)
    clock.passed(101.0)
    assert clock.now_ms == 35_000


def test_clockwork_stands_while_paused_or_unseen():
    """A pause, and time in which nobody is attached, are not made good afterwards."""
    clock = Clockwork(0, 1_000_000, 60.0)
    clock.passed(0.0)
    clock.ask(None, paused=True)
    clock.passed(1.0)
    clock.ask(None, paused=False)
    clock.passed(2.0, still=True)
    assert clock.now_ms == 0
    clock.passed(3.0)
    assert clock.now_ms == 60_000


def test_clockwork_does_not_leap_over_a_sleep():
    """A machine that slept for an hour goes on where it was; time that goes back moves nothing."""
    clock = Clockwork(0, 10**9, 60.0)
    clock.passed(0.0)
    clock.passed(3_600.0)
    assert clock.now_ms == 60_000 * MOST_s
    clock.passed(10.0)
    assert clock.now_ms == 60_000 * MOST_s


def test_clockwork_pauses_at_its_end_once():
    """The end is reached once, it pauses there, and nothing goes on from it but a seek."""
    clock = Clockwork(0, 50_000, 60.0)
    clock.passed(0.0)
    assert clock.passed(1.0)
    assert (clock.now_ms, clock.paused, clock.ended) == (50_000, True, True)
    clock.ask(None, paused=False)
    assert clock.paused
    assert not clock.passed(2.0)
    clock.seek(10_000)
    assert (clock.now_ms, clock.paused, clock.ended) == (10_000, True, False)
    clock.ask(None, paused=False)
    assert not clock.paused


def test_clockwork_keeps_its_bounds():
    """Position within the record, ratio within what a person can follow, whatever is asked."""
    clock = Clockwork(1_000, 50_000, 1e9)
    assert clock.ratio == FASTEST
    clock.ask(0.001, None)
    assert clock.ratio == SLOWEST
    clock.ask(float("nan"), None)
    assert clock.ratio == SLOWEST
    clock.seek(-5)
    assert clock.now_ms == 1_000
    assert not clock.paused
    clock.seek(10**12)
    assert (clock.now_ms, clock.paused) == (50_000, True)


# -- private files


def test_only_what_was_made_is_removed(tmp_path):
    """Forwards, back thrice, the end: no file of theirs is left, and nobody else's is touched."""
    rows = rows_of(table("0", "10", "20"), 0)
    files = RunFiles(tmp_path, "A01", (rows,), 20_000)
    for now_ms in (20_000, 0, 20_000, 0, 20_000, 0):
        files.show(now_ms)
    (tmp_path / files.folder / "mine.txt").write_text("x")
    (tmp_path / "A01-9").mkdir()
    files.remove()
    assert sorted(path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*")) == [
        "A01-4", "A01-4/mine.txt", "A01-9",
    ]  # fmt: skip
    unused = RunFiles(tmp_path, "A02", (rows,), 20_000)
    unused.remove()


# -- landmarks


def test_landmarks_are_alarms_orders_and_changes():
    """Alarms, orders, refusals and changes of state are gone to; a start list's items and readings are not."""
    rows = events(
        event(1, "order", "accepted"), event(1, "event", "start_list_item"), event(5, "event", "reading"),
        event(9, "alarm", "probe_derate:new"), event(12, "event", "step_began"), event(20, "refusal", "role"),
    )  # fmt: skip
    marks = Landmarks(rows)
    way = [0]
    while found := marks.after(way[-1]):
        way.append(found[0].at_ms)
    assert way == [0, 1_000, 9_000, 12_000, 20_000]
    back = [99_000]
    while found := marks.before(back[-1]):
        back.append(found[0].at_ms)
    assert back == [99_000, 20_000, 12_000, 9_000, 1_000]


def test_what_happened_at_once_is_one_landmark():
    """A jump does not stop thrice at one moment; it tells of all that stands there."""
    marks = Landmarks(events(event(5, "order", "accepted"), event(5, "alarm", "x:new"), event(8, "event", "gap")))
    assert [each.kind for each in marks.after(0)] == ["order", "alarm"]
    assert [each.kind for each in marks.before(8_000)] == ["order", "alarm"]
    assert marks.after(8_000) == []
    assert marks.before(5_000) == []


def test_a_jump_looks_at_no_more_rows_than_it_must(monkeypatch):
    """Many events are no reason to wait: opening parses none, a jump those that may matter at its moment."""
    parsed, real = [], landmarks.cells_of

    def counted(line):
        parsed.append(line)
        return real(line)

    monkeypatch.setattr(landmarks, "cells_of", counted)
    dull, loud = event(1, "event", "reading"), event(2, "alarm", "x:new")
    marks = Landmarks(events(*[dull] * 20_000, *[loud] * 20_000, at=[1_000] * 20_000 + [2_000] * 20_000))
    assert parsed == []
    assert {each.code for each in marks.after(0)} == {"x:new"}
    assert marks.before(2_000) == []
    assert len(parsed) <= landmarks.MOST_AT_ONCE + 2


@given(strategies.text() | strategies.text(alphabet="a \x7f~\t\x1b", max_size=40), strategies.integers(1, 12))
def test_the_fast_way_cleans_as_the_slow_one(text, longest):
    """Whatever the text and however much of it is kept."""
    assert landmarks._cleaned(text, longest) == landmarks.clean(text, longest)


def test_a_word_of_an_event_in_a_text_makes_no_landmark():
    """What looks so at first sight is looked at again; and each kind and code is seen."""
    assert Landmarks(events(event(1, "event", "reading", "an order for a gap"))).after(0) == []
    for kind in landmarks.KINDS:
        assert Landmarks(events(event(1, kind, "any"))).after(0)
    for code in landmarks.CODES:
        assert Landmarks(events(event(1, "event", f"{code}:more"))).after(0)


def test_rows_of_a_later_version_are_read_by_their_own_columns():
    """A table that has grown is shown all the same: a new column before the chain moves nothing."""
    grown = (*EVENT_COLUMNS[:-1], "later", "chain")
    line = event(1, "alarm", "x:new").rpartition(b",")[0] + b",more,0"
    (found,) = happened(Rows("events.csv", grown, (line,), (1_000,)))
    assert (found.code, found.text) == ("x:new", "words")
    row = b"2026-03-16T06:00:00.000Z,1.000,2,running,15.000,15.0,240.0,25.0,30.0,1.0,0.0,2.0,100.0,,more,0"
    line = line_at(Rows("log.csv", (*LOG_COLUMNS[:-1], "later", "chain"), (row,), (1_000,)), 1_000)
    assert (line.cells["state"], line.cells["later"]) == ("running", "more")


def test_hostile_rows_are_cleaned_or_left_out():
    """Escapes, direction marks and rows of another form reach no terminal."""
    hostile = event(1, "event", "notice", "\x1b[2J\u202eevil\x07 text")
    found = happened(events(hostile, b"1,2", b'\xff\xfe,"', event(3, "event", "gap"), at=[0, 0, 0, 3_000]))
    assert [each.code for each in found] == ["notice", "gap"]
    assert found[0].text == "[2Jevil text"
    assert all(text.isprintable() for each in found for text in (each.text, each.code, each.who, each.target))
    assert len(EVENT_COLUMNS) == 14


# -- typed moments


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [
        ("+3:20", Since(12_000.0)), (" +0:00:30 ", Since(30.0)), ("+19", Since(68_400.0)),
        ("+119:59", Since(431_940.0)), ("14:05", Clock(14, 5, 0)), ("4:05:09", Clock(4, 5, 9)),
        ("24:00", None), ("14:60", None), ("+1:75", None),
        ("2026-03-16 14:05", Dated(datetime.fromisoformat("2026-03-16T14:05"))),
        ("2026-03-16T14:05z", Dated(datetime(2026, 3, 16, 14, 5, tzinfo=UTC))),
        ("2026-02-31 14:05", None), ("A07", None), ("", None), ("+", None), ("-3:20", None), ("3", None),
    ],
)  # fmt: skip
def test_typed_moments(typed, wanted):
    """Since the start with a plus, a clock time, a date; whatever else is a name."""
    assert parse_moment(typed) == wanted


def test_clock_times_of_a_record_of_days():
    """Each day's such moment within the record, in the terminal's zone; the next one is chosen, else the last."""
    first, last = datetime(2026, 3, 16, 13, 30, tzinfo=UTC), datetime(2026, 3, 18, 12, tzinfo=UTC)
    found = moments(Clock(14, 5, 0), first, last, BERLIN)
    assert found == [datetime(2026, 3, 17, 13, 5, tzinfo=UTC)]
    found = moments(Clock(15, 0, 0), first, last, BERLIN)
    assert found == [datetime(2026, 3, day, 14, tzinfo=UTC) for day in (16, 17)]
    assert chosen(found, first) == found[0]
    assert chosen(found, found[0]) == found[1]
    assert chosen(found, found[1]) == found[1]
    assert chosen([], first) is None


def test_dates_outside_a_record_are_none_of_its_moments():
    """With or without a zone; the first and the last second count as inside."""
    first, last = datetime(2026, 3, 16, 6, 0, 0, 500_000, tzinfo=UTC), datetime(2026, 3, 16, 8, tzinfo=UTC)
    at = Dated(datetime.fromisoformat("2026-03-16T08:30"))
    assert moments(at, first, last, BERLIN) == [datetime(2026, 3, 16, 7, 30, tzinfo=UTC)]
    assert moments(at, first, last, UTC) == []
    assert moments(Dated(datetime(2026, 3, 16, 6, tzinfo=UTC)), first, last, UTC) != []
    assert moments(Dated(last), first, last, UTC) == [last]


def test_times_since_the_start_as_they_are_shown():
    """Hours do not end at 24; before the start there is a sign."""
    shown = [since_start(each) for each in (0, 59.9, 3_600, 68_723, 400_000, -5, -0.2)]
    assert shown == ["0:00:00", "0:00:59", "1:00:00", "19:05:23", "111:06:40", "-0:00:05", "0:00:00"]


def test_view_of_a_replay_is_data_and_bounded():
    """Texts are cleaned, and moments can be given any zone."""
    said = {"elapsed_s": 1, "length_s": 2, "core": 4, "shown_by": 4, "decided": True, "problems": ["\x1b[2Jx\ny"]}
    view = ReplayView.model_validate({**said, "start_utc_ms": 0, "end_utc_ms": 1_773_640_800_000})
    assert view.problems == ("[2Jx y",)
    assert view.last == datetime(2026, 3, 16, 6, tzinfo=UTC)
    for wrong in ({"elapsed_s": float("nan")}, {"end_utc_ms": 10**18}, {"start_utc_ms": -1}):
        with pytest.raises(ValueError, match=next(iter(wrong))):
            ReplayView.model_validate({**said, "start_utc_ms": 0, "end_utc_ms": 0, **wrong})
