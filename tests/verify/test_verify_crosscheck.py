"""What a summary, rows and times say against what cycles and each other give, in records forged by the recipe."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from forgekit import rechained, reheaded, resealed, unsealed
from memoryplace import in_memory

from controller.core.circuit import step as core_step
from controller.core.types import Event, EventKind, Reaction, Value
from controller.core.version import CORE
from controller.records.cycles import Cycle
from controller.records.ended import ended, wrong_end
from controller.records.head import read_head
from controller.records.logrow import log_row
from controller.records.rows import elapsed, log_text
from controller.records.tables import LOG_COLUMNS
from controller.verify.crosscheck import TripCount, hold_against, is_trip
from controller.verify.logwatch import LogWatch
from controller.verify.losses import Bounds
from controller.verify.readingcheck import ReadingCheck
from controller.verify.rowtimes import missing_rows, wrong_end_time, wrong_times
from controller.verify.runfolder import verify_place
from controller.verify.signedcheck import wrong_sign_off
from controller.verify.strangerows import strange_rows


@pytest.fixture(scope="module")
def place(kept_run):
    """The whole record in memory."""
    return in_memory(kept_run)


def said(place, begin, *, chain_only=True):
    return [each for each in verify_place(place, chain_only=chain_only).wrong if each.startswith(begin)]


def test_the_kept_record_holds(place):
    """Nothing of all this is found in a record as it was written, nor in one that was only written anew."""
    assert verify_place(place).wrong == []
    assert verify_place(resealed(rechained(place, "log.csv"))).wrong == []


def test_the_summary_tells_the_end_from_the_last_state(place):
    """All that follows from the state stands there, without the service's help."""
    summary = json.loads(place.files["summary.json"])
    assert summary["state"] == summary["verdict"] == "complete"
    assert summary["batteries"] == 18
    assert summary["duration_s"] == pytest.approx(121, abs=3)
    assert summary["hottest_C"] == 30.0
    assert summary["highest_V_per_cell"] > 2.29


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("verdict", "passed"), ("duration_s", 60.0), ("hottest_C", 29.0), ("highest_V_per_cell", 2.2),
        ("link_rides", 1), ("owed_Ah", 1.0), ("batteries", 3), ("batteries", 18.0), ("state", "stopped"),
        ("charge_Ah", 0.50001), ("trial", None), ("follow_on", {"continues": "x"}), ("planned_Ah", True),
    ],
)  # fmt: skip
def test_a_summary_sealed_anew_is_held_against_the_cycles(place, key, value):
    """Each key that follows from the last state is named with what the cycles give."""
    assert said(resealed(place, **{key: value}), f"summary.json: {key} is ", chain_only=False)


def test_trips_are_counted_again(place):
    """A trip that never was is named; a record that tells of none of them is none that a service wrote."""
    assert said(resealed(place, trips=1), "summary.json: trips is 1, the cycles give 0", chain_only=False)
    assert not said(resealed(place, trips=0), "summary.json: trips", chain_only=False)


@pytest.mark.parametrize(
    ("restarts", "told", "wrong"), [(0, 2, 0), (0, 1, 1), (1, 2, 0), (1, 0, 0), (1, 3, 1), (1, -1, 1), (1, None, 1)]
)
def test_a_service_that_began_anew_counts_trips_from_there(place, rec, restarts, told, wrong):
    """Of two trips a record with a restart may tell of fewer, never of more; one without it tells of both."""
    state = _ended_state(rec)
    head = read_head(json.loads(place.files["run.json"]))
    found = SimpleNamespace(summary={**ended(state), "trips": told}, plain={}, rows_of=lambda _: [])
    readings = SimpleNamespace(now_ms=head.start_ms, silences=[])
    result = SimpleNamespace(state=state, restarts=restarts, not_compared=0)
    again = SimpleNamespace(readings=readings, result=result, wrong=[], notes=[], rows_due=True)
    hold_against(found, head, again, 2, Bounds())
    assert len(again.wrong) == wrong


@pytest.mark.parametrize("key", ["hottest_C", "verdict", "charge_Ah"])
def test_a_key_that_the_cycles_give_must_be_there(place, key):
    """Taken out of a summary that is sealed anew, it is missed by its name."""
    assert said(resealed(place, drop=(key,)), f"summary.json: {key} is missing", chain_only=False)


@pytest.mark.parametrize("key", ["core", "cycles", "cycles_sha256", "readme_sha256", "lost_rows", "rows"])
def test_a_key_that_every_summary_has_must_be_there(place, key):
    """Whoever seals anew must not leave out what the files are held against."""
    assert said(resealed(place, drop=(key,)), f"summary.json: {key} is missing")


def test_a_service_s_keys_must_be_there(place):
    """A record that names the programs it was written by tells when it ended."""
    made = reheaded(place, lambda plain: plain.update(versions={"formbath": "1"}))
    assert said(made, "summary.json: end_utc is missing")
    assert not said(place, "summary.json: end_utc")


def test_a_summary_cannot_be_made_one_of_the_older_form(place):
    """With an editor alone: format 1 and no hash, in a record whose run.json says that its version writes one."""
    assert said(unsealed(place), "summary.json: its own SHA-256 was taken away")
    older = reheaded(place, lambda plain: plain.pop("summary_format"))
    verdict = verify_place(unsealed(older), chain_only=True)
    assert verdict.wrong == []
    assert any("of an older form" in note for note in verdict.notes)


def test_hottest_is_held_against_the_rows_without_any_cycle(place):
    """Where nothing is decided again the rows alone tell of a higher temperature."""
    assert said(resealed(place, hottest_C=29.9), "summary.json: hottest_C is 29.9, log.csv has 30.00")
    assert not said(resealed(place, hottest_C=30.0), "summary.json: hottest_C")
    # The cycle that starts the run is not counted, nor what is read once it has ended.
    for row, wrong in ((0, 0), (1, 1), (-1, 0)):
        made = resealed(rechained(place, "log.csv", with_cell(8, "31.00", row)))
        assert len(said(made, "summary.json: hottest_C")) == wrong


def moved(years=0, minutes=0, first=0):
    def edit(rows):
        for cells in rows[first:]:
            year, minute = int(cells[0][:4]) + years, int(cells[0][14:16]) + minutes
            cells[0] = f"{year}{cells[0][4:14]}{minute:02d}{cells[0][16:]}"
        return rows

    return edit


@pytest.mark.parametrize("table", ["log.csv", "events.csv"])
def test_times_of_another_year_are_found(place, table):
    """A table moved by a year, chained and sealed anew: its first row is named."""
    made = resealed(rechained(place, table, moved(years=-1)))
    assert said(made, f"{table}:2: row 1: time_utc is -3153")


def test_what_no_disk_took_is_not_missed(place):
    """Rows, and an event that told of a clock, may be among what a summary says was lost: as many as it says."""
    made = rechained(rechained(place, "log.csv", lambda rows: moved(years=1)(rows[:20] + rows[25:])), "events.csv",
                     moved(years=1))  # fmt: skip
    assert said(resealed(made), "events.csv:2: row 1: time_utc is ")
    assert said(resealed(made), "log.csv:22: row 21: no row for ", chain_only=False)
    assert not said(resealed(made, lost_rows=5), "events.csv:2: row 1: time_utc is ")
    assert not said(resealed(made, lost_rows=5), "log.csv:", chain_only=False)
    assert said(resealed(made, lost_rows=1), "log.csv:22: row 21: no row", chain_only=False)
    assert said(resealed(made, lost_cycles=5), "log.csv:22: row 21: no row", chain_only=False)


def test_times_that_leave_elapsed_time_in_mid_run_are_found(place):
    """From row 21 on two minutes late: that row is named, once."""
    made = resealed(rechained(place, "log.csv", moved(minutes=2, first=20)))
    assert said(made, "log.csv:") == [
        "log.csv:22: row 21: time_utc is +120 s off what elapsed_s says, and no event tells of a clock that was set"
    ]


START = "2026-03-16T06:00:00.000Z"


def timed(*pairs, code="step_began"):
    return [
        {"time_utc": f"2026-03-16T{at}Z", "elapsed_s": elapsed_s, "code": code} for at, elapsed_s in pairs
    ]  # fmt: skip


LATE = timed(("06:00:00.000", "0.000"), ("06:10:00.000", "600.000"), ("07:10:10.000", "610.000"))


@pytest.mark.parametrize("code", ["clock_step", "gap", "gap_unknown", "service_started"])
def test_a_clock_that_was_set_is_no_fault(code):
    """An hour on, with an event that tells of it near that row; the same event an hour before explains nothing."""
    assert len(wrong_times(START, LATE, [])) == 1
    assert wrong_times(START, LATE, timed(("07:10:10.000", "610.000"), code=code)) == []
    assert wrong_times(START, LATE, timed(("07:10:10.000", ""), code=code)) != []
    near = timed(("06:10:00.000", "600.000"))
    assert wrong_times(START, LATE, [*near, *timed(("07:10:10.000", ""), code=code)]) == []
    assert wrong_times(START, LATE, timed(("06:01:00.000", "60.000"), code=code)) != []


@pytest.mark.parametrize("code", ["gap", "gap_unknown", "gap_not_known", "service_started"])
def test_a_kill_may_take_the_event_of_a_clock_along(code):
    """Set an hour on, killed before its event was written, away for an hour: a gap explains the last row before it."""
    log = timed(("06:00:00.000", "0.000"), ("06:09:00.000", "540.000"), ("07:10:00.000", "600.000"),
                ("08:10:00.000", "4200.000"))  # fmt: skip
    gap = timed(("08:10:00.000", "4200.000"), code=code)
    assert len(wrong_times(START, log, [])) == 1
    assert wrong_times(START, log, gap) == []
    # The event of a clock that came as late as the gap is none that the kill took, nor is one of another silence.
    assert len(wrong_times(START, log, timed(("08:10:00.000", "4200.000"), code="clock_step"))) == 1
    assert len(wrong_times(START, log, timed(("09:10:00.000", "7800.000"), code=code))) == 1
    # A minute before that last row, and no further: rows wait no longer for their events.
    for quiet_s, wrong in ((60, 0), (61, 1)):
        last = timed((f"07:11:{quiet_s - 60:02d}.000", f"{600 + quiet_s}.000"))
        assert len(wrong_times(START, [*log[:3], *last, log[3]], gap)) == wrong, quiet_s


def test_what_a_clock_drifts_by_is_no_fault():
    """From the start a minute, from row to row 4 s, and 500 ppm over twenty days; a millisecond more is not."""
    assert wrong_times(START, timed(("06:01:00.000", "0.000")), []) == []
    assert len(wrong_times(START, timed(("06:01:00.001", "0.000")), [])) == 1
    begun = timed(("06:00:00.000", "0.000"))
    assert wrong_times(START, [*begun, *timed(("06:00:04.000", "0.000"))], []) == []
    assert len(wrong_times(START, [*begun, *timed(("06:00:04.001", "0.000"))], [])) == 1
    drifted = [{"time_utc": "2026-04-05T06:15:24.000Z", "elapsed_s": "1728000.000"}]
    assert wrong_times(START, [*begun, *drifted], []) == []
    late = [{"time_utc": "2026-04-05T06:15:24.001Z", "elapsed_s": "1728000.000"}]
    assert len(wrong_times(START, [*begun, *late], [])) == 1


@pytest.mark.parametrize(("apart_s", "wrong"), [(60, 1), (61, 0)])
def test_rows_far_apart_may_be_a_minute_off(apart_s, wrong):
    """A service may have begun anew between them without a word of it; within a minute none can."""
    minute, second = divmod(apart_s + 30, 60)
    rows = timed(("06:00:00.000", "0.000"), (f"06:{minute:02d}:{second:02d}.000", f"{apart_s}.000"))
    assert len(wrong_times(START, rows, [])) == wrong


def test_both_tables_have_one_clock():
    """An event half a minute off the rows around it is named; each is held against the other's."""
    log = timed(("06:00:00.000", "0.000"), ("06:00:10.000", "10.000"), ("06:00:20.000", "20.000"))
    (said,) = wrong_times(START, log, timed(("06:00:45.000", "15.000")))
    assert said.startswith("events.csv:2: row 1: time_utc is +30 s off")
    (said,) = wrong_times(START, [log[0], *timed(("06:00:30.000", "10.000")), log[2]], [])
    assert said.startswith("log.csv:3: row 2: time_utc is +20 s off")


def test_as_many_events_of_a_clock_may_be_lost_as_rows_were():
    """An hour on without a word, where one row was lost; two such need two."""
    twice = [*LATE, *timed(("09:10:20.000", "620.000"))]
    assert wrong_times(START, LATE, [], 1) == []
    assert len(wrong_times(START, twice, [], 1)) == 1
    assert wrong_times(START, twice, [], 2) == []


def test_times_that_are_none_are_left_to_their_form():
    """Rows without a time or a moment are passed; a start that is none is said."""
    assert wrong_times(START, [{"time_utc": "x", "elapsed_s": "1.000"}, {"time_utc": START}], []) == []
    assert wrong_times("soon", [], []) == ["run.json: start_utc: is no time"]


@pytest.mark.parametrize(
    ("end_utc", "duration_s", "wrong"),
    [
        ("2026-03-16T06:10:00.000Z", 600.0, 0), ("2026-03-16T06:11:00.000Z", 600.0, 0),
        ("2026-03-16T06:11:00.001Z", 600.0, 1), ("2026-03-16T06:08:59.999Z", 600.0, 1), ("then", 600.0, 1),
        (None, 600.0, 1), ("2030-01-01T00:00:00.000Z", 6_000.0, 0), ("2030-01-01T00:00:00.000Z", None, 0),
    ],
)  # fmt: skip
def test_the_end_s_time_is_that_of_the_rows_there(end_utc, duration_s, wrong):
    """By a minute; a duration that no row is near is named elsewhere."""
    summary = {"end_utc": end_utc, "duration_s": duration_s}
    assert len(wrong_end_time(summary, START, LATE[:2], [])) == wrong
    assert wrong_end_time({"duration_s": 600.0}, START, LATE[:2], []) == []
    set_then = timed(("06:10:30.000", "630.000"), code="clock_step")
    assert wrong_end_time(summary, START, LATE[:2], set_then) == []
    gone = timed(("08:10:00.000", "7800.000"), code="gap")
    assert wrong_end_time(summary, START, LATE[:2], gone) == []


def test_rows_taken_out_are_missed(place):
    """Three rows left out of a log that is chained and sealed anew: said with the row behind them."""
    made = resealed(rechained(place, "log.csv", lambda rows: rows[:20] + rows[23:]))
    assert said(made, "log.csv:22: row 21: no row for 40 s before it", chain_only=False)


def test_rows_cut_off_the_end_are_missed(place):
    """The last ten rows left out, though cycles go on: said at the end."""
    made = resealed(rechained(place, "log.csv", lambda rows: rows[:-10]))
    assert said(made, "log.csv:34: the end: no row for ", chain_only=False)


def rows_at(*moments_s):
    return [{"elapsed_s": f"{moment:.3f}"} for moment in moments_s]


def test_distances_of_rows():
    """10 s and what cycles may be late by; a silence of the cycles counts for nothing, nor do rows without a moment."""
    every = {"log_s": 10.0, "slack_ms": 5_000}
    fine = ([], [])
    assert missing_rows(rows_at(0, 15, 30, 45), [], 60_000, **every) == fine
    assert len(missing_rows(rows_at(0, 15.001), [], 15_001, **every)[0]) == 1
    assert len(missing_rows(rows_at(0), [], 15_001, **every)[0]) == 1
    assert missing_rows(rows_at(0), [], None, **every) == fine
    assert len(missing_rows(rows_at(16), [], None, **every)[0]) == 1
    assert missing_rows(rows_at(0, 75), [(10_000, 60_000)], None, **every) == fine
    assert missing_rows(rows_at(0, 75.001), [(10_000, 60_000)], None, **every) == (
        ["log.csv:3: row 2: no row for 15 s before it, though cycles went on"], []
    )  # fmt: skip
    assert missing_rows([*rows_at(0), {"elapsed_s": ""}, *rows_at(10)], [], None, **every) == fine


def test_rows_that_a_kill_took_are_a_note():
    """Cycles are written before rows: before a silence some may have none, behind it they have."""
    every = {"log_s": 10.0, "slack_ms": 5_000}
    assert missing_rows(rows_at(0, 75), [(15_001, 70_000)], None, **every) == (
        [], ["log.csv:3: row 2: 15 s before an interruption have no row"]
    )  # fmt: skip
    assert missing_rows(rows_at(0, 75), [(15_000, 70_000)], None, **every) == ([], [])
    assert missing_rows(rows_at(0, 175), [(75_000, 170_000)], None, **every)[0] == []
    (said,), _ = missing_rows(rows_at(0, 175), [(75_001, 170_000)], None, **every)
    assert said == "log.csv:3: row 2: no row for 75 s before it, though cycles went on"
    assert missing_rows(rows_at(0), [], 75_000, **every, is_open=True)[0] == []
    assert len(missing_rows(rows_at(0), [], 75_001, **every, is_open=True)[0]) == 1
    both = [(50_000, 100_000), (10_000, 40_000)]
    assert missing_rows(rows_at(0, 105), both, None, **every) == ([], [])
    assert len(missing_rows(rows_at(0, 116), both, None, **every)[0]) == 1


def other_core(place):
    return reheaded(place, lambda plain: plain.update(core=CORE - 1))


def with_cell(column, value, row=20):
    def edit(rows):
        rows[row][column] = value
        return rows

    return edit


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        (4, "1.000", "set_current_A is 1.000, the cycles give"), (5, "9.000", "current_A is 9.000, the cycles give"),
        (6, "9.000", "voltage_V is 9.000, the cycles give"), (7, "9.00", "bath_C is 9.00, the cycles give"),
        (7, "", "bath_C is empty, the cycles give 25.00"), (8, "29.99", "probe_C is 29.99, no probe read that"),
        (8, "30.01", "probe_C is 30.01, no probe read that"),
    ],
)  # fmt: skip
def test_rows_of_another_core_are_held_against_their_readings(place, column, value, told):
    """What was read and commanded means the same to every core: a row that tells otherwise is named."""
    made = resealed(rechained(other_core(place), "log.csv", with_cell(column, value)), core=CORE - 1)
    found = said(made, "log.csv:22: row 21: ", chain_only=False)
    assert any(told in each for each in found), found


def test_temperatures_come_from_the_last_three_readings(place, rec):
    """What a probe read four cycles ago is no temperature of a row any more; what it read three ago may be."""
    head = read_head(json.loads(place.files["run.json"]))
    cin, _, command, state = rec.Loop().cycle()
    readings = (40.0, 30.0, 31.0, 32.0)
    for told_C, wrong in (("40.00", 1), ("30.00", 0), ("31.00", 0), ("32.01", 1), ("29.99", 1)):
        moment = {"elapsed_s": elapsed(cin.now_ms, head.start_ms)}
        made = log_text(log_row(0, cin, command, state, 3_000), head.start_ms).split(",")
        row = {**dict(zip(LOG_COLUMNS, made, strict=False)), **moment, "probe_C": told_C}
        check = ReadingCheck(head, [row])
        for number, probe_C in enumerate(readings, 1 - len(readings)):
            reading = replace(cin.reading, probes=(Value(probe_C),))
            check.see(Cycle(replace(cin, now_ms=cin.now_ms + number, reading=reading), command), state)
        assert len(check.wrong) == wrong, told_C


def test_what_was_believed_before_the_record_began_is_no_fault(place, rec):
    """The first row's temperature may be one that was read before the first cycle."""
    head = read_head(json.loads(place.files["run.json"]))
    cin, before, command, state = rec.Loop().cycle()
    believed = replace(before, probes=tuple(replace(one, believed_C=41.0) for one in state.probes))
    for told_C, wrong in (("41.00", 0), ("30.00", 0), ("42.00", 1)):
        made = log_text(log_row(0, cin, command, state, 3_000), head.start_ms).split(",")
        row = {**dict(zip(LOG_COLUMNS, made, strict=False)), "probe_C": told_C}
        check = ReadingCheck(head, [row])
        check.see(Cycle(cin, command), believed)
        assert len(check.wrong) == wrong, told_C


@pytest.mark.parametrize(("older", "told_C", "wrong"), [(False, "25.00", 1), (True, "25.00", 0), (True, "26.00", 1)])
def test_rows_of_earlier_builds_told_of_old_temperatures(place, rec, older, told_C, wrong):
    """Water that was read longer ago than the stale time was told as good; by this build it is not."""
    head = read_head(json.loads(place.files["run.json"]))
    cin, _, command, state = rec.Loop().cycle()
    cin = replace(cin, bath=replace(cin.bath, water_C=Value(25.0, age_ms=3_001)))
    made = log_text(log_row(0, cin, command, state, 3_000), head.start_ms).split(",")
    row = dict(zip(LOG_COLUMNS, made, strict=False))
    assert (row["bath_C"], row["quality"]) == ("", "bath_C=stale")
    watch = LogWatch(head, [{**row, "bath_C": told_C, "quality": ""}], older=older)
    watch.decided(cin, command, state)
    assert len(watch.wrong) == wrong
    here = LogWatch(head, [row], older=older)
    here.decided(cin, command, state)
    assert here.wrong == []
    check = ReadingCheck(head, [{**row, "bath_C": told_C, "quality": ""}])
    check.see(Cycle(cin, command), state)
    assert len(check.wrong) == (told_C != "25.00")


def test_a_record_of_another_core_holds(place):
    """Nothing of its readings is wrong, and what its core made of them is not asked for."""
    verdict = verify_place(resealed(other_core(place), core=CORE - 1))
    assert verdict.wrong == []
    assert any("not compared" in note for note in verdict.notes)


def event_row(**cells):
    return {"kind": "event", "code": "gap", "target": "A01", "elapsed_s": "1.000", **cells}


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({}, ""), ({"code": "clock_step", "elapsed_s": ""}, ""), ({"kind": "alarm", "code": "open_string:new"}, ""),
        ({"code": "made_up"}, "'made_up' is not a code of core 4"),
        ({"code": "x" * 50}, f"'{'x' * 37}...' is not a code of core 4"),
        ({"target": "A02"}, "is of 'A02', not of this circuit"),
        ({"kind": "order", "code": "accepted", "elapsed_s": ""}, "'accepted' has no moment of the run"),
    ],
)  # fmt: skip
def test_rows_that_nobody_writes(cells, told):
    """A code that this version does not know, another circuit's row, an order at no moment: named with their row."""
    found = strange_rows([event_row(), event_row(**cells)], "A01", 4)
    assert found == ([f"events.csv:3: row 2: {told}"] if told else [])


def test_a_made_up_event_is_found_in_its_own_core_s_record_only(place):
    """Put in, chained and sealed anew; another core may well have had such a code."""

    def edit(rows):
        return [rows[0], [*rows[0][:3], "event", "made_up", *rows[0][5:]], *rows[1:]]

    assert said(
        resealed(rechained(place, "events.csv", edit)), f"events.csv:3: row 2: 'made_up' is not a code of core {CORE}"
    )
    other = resealed(rechained(other_core(place), "events.csv", edit), core=CORE - 1)
    assert not said(other, "events.csv:")


NEWEST = {"time_utc": START, "id": "o9", "who": "eve", "role": "engineer", "verdict": "signed off: 1 pass, 1 scrap",
          "outcomes": {"pass": 1, "re-form": 0, "rework": 0, "scrap": 1}}  # fmt: skip
SIGNED = {"verdict": NEWEST["verdict"], "outcomes": NEWEST["outcomes"], "signed_off_by": "eve",
          "signed_off_role": "engineer", "signed_off_utc": START, "sign_offs": [{"who": "x"}, NEWEST]}  # fmt: skip
TWO = [
    {"position": "1", "outcome": "scrap"},
    {"position": "2", "outcome": "scrap"},
    {"position": "1", "outcome": "pass"},
]


@pytest.mark.parametrize(
    ("changes", "batteries", "count"),
    [
        ({}, TWO, 0), ({}, [], 0), ({"verdict": "signed off: 2 pass"}, TWO, 2), ({"signed_off_by": "bob"}, TWO, 1),
        ({"outcomes": {"pass": 2}}, [], 1), ({}, TWO[:2], 1), ({"sign_offs": []}, TWO, 1), ({"sign_offs": "x"}, TWO, 1),
        ({"sign_offs": [1]}, TWO, 1), ({"signed_off_utc": None}, TWO, 1), ({"signed_off_role": "shift"}, TWO, 1),
    ],
)  # fmt: skip
def test_a_sign_off_says_what_batteries_csv_says(changes, batteries, count):
    """The newest sign-off stands in the summary's own keys, and counts each battery's last row."""
    assert len(wrong_sign_off({**SIGNED, **changes}, batteries)) == count


def test_a_run_that_was_not_signed_off_has_no_outcomes():
    """Outcomes without a sign-off are nobody's."""
    assert wrong_sign_off({"verdict": "complete"}, TWO) == []
    assert wrong_sign_off({"outcomes": {"pass": 18}}, []) == ["summary.json: outcomes is there, and no sign-off"]


def test_the_verdict_at_the_end_stays_with_a_sign_off(rec):
    """After a sign-off it is `verdict_at_end` that follows from the last state."""
    state = _ended_state(rec)
    summary = {**ended(state), "verdict": "signed off: 18 pass", "verdict_at_end": "complete", "sign_offs": [{}]}
    assert wrong_end(summary, state, None, all_there=True) == []
    assert len(wrong_end({**summary, "verdict_at_end": "x"}, state, None, all_there=True)) == 1
    assert len(wrong_end({**ended(state), "verdict": "x"}, state, None, all_there=True)) == 1
    assert wrong_end({}, state, 3, all_there=False) == []
    assert len(wrong_end({}, state, 3, all_there=True)) == len(ended(state))
    assert wrong_end({**ended(state), "owed_Ah": 5e-10}, state, None, all_there=True) == []
    assert wrong_end({}, replace(state, run=None), 3, all_there=True) == []


def test_a_run_stopped_by_a_person_is_no_complete_one(rec):
    """The verdict at the end follows from the state alone."""
    state = _ended_state(rec)
    assert ended(state)["verdict"] == "complete"
    assert ended(replace(state, state=type(state.state).STOPPED))["verdict"] == "ended by a person"
    assert ended(replace(state, run=replace(state.run, end_ms=None))) == {}


def _ended_state(rec):
    loop = rec.Loop()
    loop.cycle(loop.start_order())
    for _ in range(200):
        loop.cycle()
    return loop.state.circuits[0]


@pytest.mark.parametrize(
    ("kind", "life", "reaction", "trips"),
    [
        (EventKind.ALARM, "new", Reaction.TRIP, 1), (EventKind.ALARM, "new_suppressed", Reaction.TRIP, 1),
        (EventKind.ALARM, "returned", Reaction.TRIP, 0), (EventKind.ALARM, "new", Reaction.HOLD, 0),
        (EventKind.EVENT, "new", Reaction.TRIP, 0),
    ],
)  # fmt: skip
def test_what_counts_as_a_trip(kind, life, reaction, trips):
    """An alarm that trips and is new, told or not; counted beside the step that gives it."""
    event = Event("open_string", "A01", kind, {"life": life}, reaction, 2)
    assert is_trip(event) == bool(trips)
    count = TripCount(lambda *_: (None, None, (event, event)))
    assert count(None, None, None, None) == (None, None, (event, event))
    assert count.trips == 2 * trips
    assert TripCount(core_step).trips == 0
