"""The files behind trend and events: read as they grow, damaged or not, and cleaned of what a terminal would act on."""

from __future__ import annotations

import os
import random

import pytest

from controller.console.records import MOST_EVENTS, MOST_POINTS, EventTail, TrendReader, event_line, read_trend
from controller.console.thinning import thinned
from controller.core.types import LOST, Value
from controller.records.reader import read_table
from controller.records.rows import EVENT_HEADER, LOG_HEADER, EventRow, LogRow, event_text, log_text

UTC_MS = 1_773_640_800_000
CHAIN = ",0123456789abcdef\n"


def log_line(second, current=15.0, probe=40.0, volts=290.0):
    values = [Value(one) if one is not None else LOST for one in (current, volts, 31.2, probe)]
    row = LogRow(UTC_MS + second * 1000, second * 1000, 1, "running", 15.0, *values, second * 0.004, 0.0, second * 1.2)
    return log_text(row, 0) + CHAIN


def event(second, target="A07", text="hot", utc_ms=UTC_MS, who="night1", kind="alarm"):
    row = EventRow(utc_ms + second * 1000, None, "", kind, "probe_hold:new", target, who, priority=2, text=text)
    return event_text(row, 0) + CHAIN


@pytest.fixture
def run(tmp_path):
    """A run folder with a log of 100 rows, one each ten seconds."""
    folder = tmp_path / "20260316T060000Z-A-A07-K1"
    folder.mkdir()
    rows = "".join(log_line(10 * number, current=15.0 + number / 1000) for number in range(100))
    (folder / "log.csv").write_text(LOG_HEADER + "\n" + rows)
    return folder


@pytest.fixture
def runs(tmp_path):
    """A folder of records with a bath A of one month and one open run."""
    (tmp_path / "A").mkdir()
    (tmp_path / "run1").mkdir()
    (tmp_path / "A/events-202603.csv").write_text(f"{EVENT_HEADER}\n{event(1, 'A')}{event(5, 'A')}")
    (tmp_path / "run1/events.csv").write_text(f"{EVENT_HEADER}\n{event(3)}{event(9)}")
    return tmp_path


def seconds(lines):
    return [line.time_utc[17:19] for line in lines]


def test_trend_is_what_the_record_s_own_reader_finds(run):
    """Both readers see the same numbers in a file of the record's own writer."""
    found = read_trend(run)
    table = read_table("log.csv", (run / "log.csv").read_bytes(), LOG_HEADER, b"")
    assert found.folder == run.name
    assert list(found.elapsed_s) == table.numbers("elapsed_s")
    for column, name in (
        (found.current_A, "current_A"), (found.hot_C, "probe_C"), (found.bath_C, "bath_C"),
        (found.voltage_V, "voltage_V"), (found.charge_Ah, "charge_Ah"),
    ):  # fmt: skip
        assert list(column) == table.numbers(name)
    assert found.trouble == ""


def test_update_reads_only_what_was_appended(run):
    """What was read once is not read again: rubbish written over it changes nothing."""
    reader = TrendReader(run)
    before = reader.update()
    path = run / "log.csv"
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.write(b"x" * size)
        file.write(log_line(1000, current=7.5).encode())
    after = reader.update()
    assert after.elapsed_s == (*before.elapsed_s, 1000.0)
    assert after.current_A[-1] == 7.5
    assert after.trouble == ""
    assert reader.update() is after


def test_cut_last_line_is_no_damage_and_comes_when_it_is_whole(run):
    """A row that is just being written waits."""
    line = log_line(1000, current=7.5).encode()
    with (run / "log.csv").open("ab") as file:
        file.write(line[:30])
    reader = TrendReader(run)
    assert (len(reader.update().elapsed_s), reader.update().trouble) == (100, "")
    with (run / "log.csv").open("ab") as file:
        file.write(line[30:])
    assert reader.update().current_A[-1] == 7.5


def test_lost_and_impossible_numbers_are_none(run):
    """A lost value is a gap; `nan`, `inf` and words in a cell are no numbers either."""
    with (run / "log.csv").open("a") as file:
        file.write(log_line(1000, current=None))
        for second, word in ((1010, "nan"), (1020, "inf"), (1030, "warm"), (1040, "1e999")):
            file.write(log_line(second).replace(",15.000,15.000,", f",15.000,{word},"))
    found = read_trend(run)
    assert found.current_A[-5:] == (None,) * 5
    assert found.hot_C[-5:] == (40.0,) * 5


@pytest.mark.parametrize(
    "damage",
    ["", "nonsense\n", "a,b,c\n", log_line(10), log_line(1000)[:50] + "\n", "\x00\x1b[2J" * 9 + "\n", "," * 14 + "\n"],
)
def test_damaged_rows_are_left_out_and_told(run, damage):
    """No row of a log, or one that goes back in time: the rest is shown, and the damage is said with its number."""
    with (run / "log.csv").open("a") as file:
        file.write(damage + log_line(2000))
    found = read_trend(run)
    assert len(found.elapsed_s) == 101 + 1  # the gap before the last row has a point without values
    assert found.elapsed_s[-1] == 2000.0
    assert found.trouble == ("log.csv: 1 row is no row and left out; formbath verify tells more" if damage else "")


def test_gap_is_marked_by_a_point_without_values(run):
    """Between two rows farther apart than usual stands a point that no chart may draw over."""
    with (run / "log.csv").open("a") as file:
        file.write(log_line(3000))
    found = read_trend(run)
    assert found.elapsed_s[-3:] == (990.0, 1995.0, 3000.0)
    assert found.current_A[-2] is None


def test_missing_or_odd_files_are_told_not_raised(tmp_path):
    """No folder, no file, a folder or a pipe in its place: nothing is read, and why is said."""
    assert read_trend(tmp_path / "none").trouble == "log.csv is not there"
    (tmp_path / "folder/log.csv").mkdir(parents=True)
    assert "irregular" in read_trend(tmp_path / "folder").trouble
    (tmp_path / "pipe").mkdir()
    os.mkfifo(tmp_path / "pipe/log.csv")
    assert "irregular" in read_trend(tmp_path / "pipe").trouble
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty/log.csv").write_text("")
    assert read_trend(tmp_path / "empty").elapsed_s == ()


def test_missing_file_is_read_once_it_is_there(run):
    """The record's file may come later than the console looks."""
    text = (run / "log.csv").read_text()
    (run / "log.csv").unlink()
    reader = TrendReader(run)
    assert reader.update().trouble
    (run / "log.csv").write_text(text)
    assert len(reader.update().elapsed_s) == 100
    assert reader.update().trouble == ""


def test_file_that_became_shorter_is_read_anew(run):
    """Another file under the same name is not mixed with the first."""
    reader = TrendReader(run)
    reader.update()
    (run / "log.csv").write_text(f"{LOG_HEADER}\n{log_line(10, current=1.5)}")
    assert reader.update().current_A == (1.5,)


def test_foreign_columns_are_not_guessed_at(run):
    """A file of another layout is not read as if it were ours; it is told."""
    text = (run / "log.csv").read_text()
    (run / "log.csv").write_text(text.replace("elapsed_s", "elapsed_h", 1))
    reader = TrendReader(run)
    assert (reader.update().elapsed_s, "other columns" in reader.update().trouble) == ((), True)
    with (run / "log.csv").open("a") as file:
        file.write(log_line(1000))
    assert reader.update().elapsed_s == ()


def test_random_bytes_never_raise(tmp_path):
    """Whatever stands in the files, both readers come back."""
    chance = random.Random(7)
    (tmp_path / "A").mkdir()
    for number in range(60):
        folder = tmp_path / f"r{number}"
        folder.mkdir()
        good = [log_line(10 * index) for index in range(20)] + [event(index) for index in range(20)]
        text = bytearray("".join(chance.sample(good, 20)).encode())
        for _ in range(chance.randint(0, 200)):
            text[chance.randrange(len(text))] = chance.randrange(256)
        (folder / "log.csv").write_bytes(LOG_HEADER.encode() + b"\n" + text)
        (folder / "events.csv").write_bytes(EVENT_HEADER.encode() + b"\n" + text)
        data = read_trend(folder)
        assert list(data.elapsed_s) == sorted(data.elapsed_s)
        for line in EventTail(tmp_path, "A", {"A07": folder.name}).update():
            assert all(part.isprintable() for part in (line.kind, line.code, line.target, line.who, line.text))


def test_long_log_keeps_its_extremes_and_its_gaps():
    """A week of rows becomes few points; one row's spike, one row's drop and a gap are still in them."""
    times = [10.0 * number for number in range(60_000) if not 30_000 <= number < 31_000]
    hot = [40.0 + number % 7 * 0.1 for number in range(len(times))]
    amps: list[float | None] = [15.0] * len(times)
    hot[12_345], amps[45_678] = 58.5, -3.0
    amps[50_000:52_000] = [None] * 2000
    found_times, (found_hot, found_amps) = thinned(times, (hot, amps), MOST_POINTS)
    assert len(found_times) <= MOST_POINTS
    assert len(found_times) > MOST_POINTS * 0.9
    assert found_times == sorted(found_times)
    assert max(value for value in found_hot if value is not None) == 58.5
    assert min(value for value in found_amps if value is not None) == -3.0
    assert [at for at, value in zip(found_times, found_hot, strict=True) if value is None] == [
        pytest.approx(305_000, 0.01)
    ]
    lost = [at for at, value in zip(found_times, found_amps, strict=True) if value is None]
    assert len(lost) > 50


def test_more_gaps_than_points_still_come_to_an_end():
    """A log that is all gaps is thinned as well as it can be, and never beyond the bound."""
    times = [float(100 * number + (number % 2)) for number in range(50_000)]
    found_times, (found,) = thinned(times, ([1.0] * len(times),), 400)
    assert 0 < len(found_times) <= 400
    assert len(found) == len(found_times)


def test_events_are_merged_by_time(runs):
    """The bath's own and the run's stand in one list, the newest last."""
    tail = EventTail(runs, "A", {"A07": "run1"})
    assert seconds(tail.update()) == ["01", "03", "05", "09"]
    with (runs / "A/events-202603.csv").open("a") as file:
        file.write(event(7, "A"))
    assert seconds(tail.update()) == ["01", "03", "05", "07", "09"]
    assert (tail.trouble, tail.taken) == ("", 5)


def test_new_runs_and_new_months_are_followed(runs):
    """What starts later comes in; what was read of an ended run stays."""
    tail = EventTail(runs, "A", {})
    assert len(tail.update()) == 2
    tail.follow({"A07": "run1"})
    assert len(tail.update()) == 4
    tail.follow({})
    (runs / "A/events-202604.csv").write_text(f"{EVENT_HEADER}\n{event(0, 'A', utc_ms=1_775_001_600_000)}")
    found = tail.update()
    assert len(found) == 5
    assert found[-1].time_utc.startswith("2026-04-01")


def test_events_are_cleaned(runs):
    """Escapes, direction marks and line ends never reach the screen, quoted commas do."""
    with (runs / "run1/events.csv").open("a", newline="") as file:
        row = event(20, text="said 'hot', twice", who="anna").replace("anna", "an\x1b[31mna\u202e")
        file.write(row.replace("twice", "tw\u200bice\x07"))
    found = EventTail(runs, "A", {"A07": "run1"}).update()[-1]
    assert found.text == "said 'hot', twice"
    assert found.who == "an [31mna"


def test_clock_put_back_leaves_the_rows_in_their_order(runs):
    """Rows of one file stay in the order they were written, whatever the wall clock did."""
    with (runs / "run1/events.csv").open("a") as file:
        file.write(event(2, text="written after the clock was put back"))
    assert seconds(EventTail(runs, "A", {"A07": "run1"}).update()) == ["01", "03", "05", "09", "02"]


def test_number_of_events_is_bounded_and_the_newest_stay(runs):
    """However long the files are, memory holds the newest only."""
    with (runs / "run1/events.csv").open("a") as file:
        for number in range(10_000):
            file.write(event(100 + number, text=f"number {number}"))
    tail = EventTail(runs, "A", {"A07": "run1"})
    found = tail.update()
    assert len(found) == MOST_EVENTS
    assert found[-1].text == "number 9999"
    assert tail.trouble == ""


def test_damage_and_gaps_among_events_are_told(runs):
    """A line that is no event is left out; a run folder without its file is said."""
    with (runs / "run1/events.csv").open("a") as file:
        file.write('"never closed,x\nnot-a-time' + event(30)[24:] + event(31))
    tail = EventTail(runs, "A", {"A07": "run1"})
    assert seconds(tail.update())[-1] == "31"
    assert tail.trouble == "events.csv: 2 rows are no rows and left out; formbath verify tells more"
    gone = EventTail(runs, "A", {"A07": "gone"})
    assert len(gone.update()) == 2
    assert gone.trouble == "events.csv is not there"


@pytest.mark.parametrize("name", ["../run1", "/etc", "..", ".", "", ".hidden", "A/../run1"])
def test_folder_name_from_a_service_leads_nowhere_else(runs, name):
    """A name that is not one plain path part is not followed."""
    tail = EventTail(runs / "A", "none", {"A07": name})
    assert tail.update() == []
    assert tail.trouble == ""


def test_event_line_takes_whole_rows_only():
    """A row has all its cells and a moment with its zone, or it is none."""
    whole = event(1).strip()
    assert event_line(whole) is not None
    assert event_line(whole + ",more") is None
    assert event_line(whole.replace("Z,", ",", 1)) is None
    assert event_line("") is None


def test_a_later_version_s_columns_are_found_by_their_names(run, runs):
    """One more column before the chain: trend and events read on, also where only the end of a file is read."""
    path = run / "log.csv"
    grown = path.read_text().replace(",chain", ",new,chain").replace(CHAIN, ",0.4" + CHAIN)
    path.write_text(grown)
    found = read_trend(run)
    assert (len(found.elapsed_s), found.trouble, found.current_A[7]) == (100, "", 15.007)
    path = runs / "run1/events.csv"
    rows = "".join(event(n % 60, text="t" * 900) for n in range(1500)).replace(CHAIN, ",new" + CHAIN)
    path.write_text(EVENT_HEADER.replace(",chain", ",new,chain") + "\n" + rows)
    tail = EventTail(runs, "A", {"A07": "run1"})
    assert len(tail.update()) > 800
    assert tail.trouble == ""


def test_foreign_columns_of_a_long_file_are_seen_too(runs):
    """Only the end of it is read, but its header is looked at."""
    rows = "".join(event(n % 60, text="t" * 900) for n in range(1500))
    (runs / "run1/events.csv").write_text(EVENT_HEADER.replace("target", "circuit") + "\n" + rows)
    tail = EventTail(runs, "A", {"A07": "run1"})
    assert seconds(tail.update()) == ["01", "05"]
    assert "other columns" in tail.trouble


def test_a_line_that_no_table_has_is_passed_over(run):
    """Whole or still growing: counted once, not read again with each look, and what comes behind it is shown."""
    reader = TrendReader(run)
    reader.update()
    with (run / "log.csv").open("a") as file:
        file.write("y" * 200_000)
    assert "1 row is no row" in reader.update().trouble
    assert "1 row is no row" in reader.update().trouble
    with (run / "log.csv").open("a") as file:
        file.write("y\n" + "z" * 300_000 + "\n" + log_line(1000))
    found = reader.update()
    assert found.elapsed_s[-1] == 1000.0
    assert "3 rows are no rows" in found.trouble


def test_room_that_was_never_written_waits(run):
    """Zeros at the end, after a crash, are no row and no damage."""
    with (run / "log.csv").open("ab") as file:
        file.write(bytes(300_000))
    assert (len(read_trend(run).elapsed_s), read_trend(run).trouble) == (100, "")


def test_a_link_is_not_followed(run, tmp_path):
    """A file of that name elsewhere is not shown as the run's."""
    path = run / "log.csv"
    path.rename(tmp_path / "elsewhere")
    path.symlink_to(tmp_path / "elsewhere")
    assert "irregular" in read_trend(run).trouble
