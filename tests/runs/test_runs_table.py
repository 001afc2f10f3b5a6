"""The manager's table, held against figures added up by hand from small invented records."""

from __future__ import annotations

import argparse
import csv
import io
import json
from datetime import timedelta
from itertools import repeat

import inventedrun as invented
import pytest

from controller.runs import commands as runscmd
from controller.runs import figures
from controller.runs.figures import week_of
from controller.runs.runhours import HoursReader, planned_h
from controller.runs.seen import Seen, look

HOUR_MS = 3_600_000


def table(capsys, runs, *words) -> list[dict[str, str]]:
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    assert runscmd.run(parser.parse_args([str(runs), "--table", *words])) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def only(capsys, runs, *words) -> dict[str, str]:
    (row,) = table(capsys, runs, *words)
    return row


def alarm(hour, code):
    return invented.event(invented.at(f"2026-03-16T{hour:02d}:30"), "alarm", code)


def order(moment, verb, circuit="A01"):
    return invented.event(invented.at(moment), "order", "accepted", circuit, f"{verb} by anna")


def two_runs(runs):
    """Two runs of one type on one bath.

    A01, 18 batteries: loaded 5:00, on 6:00 to 10:00, unloaded 12:00; 9 kWh; 17 pass; 2 alarms that were told.
    A02, 12 batteries: filled 6:30, on 8:00 to 12:30 (no order load or unload on record); 11 kWh; 1 alarm.
    """
    invented.make(
        runs, events=[alarm(7, "a:new"), alarm(7, "a:returned"), alarm(8, "b:new"), alarm(8, "c:new_suppressed")],
        outcomes=["pass"] * 17 + ["re-form"], energy_Wh=9_000.0,
    )  # fmt: skip
    longer = ((0, 0.0), (1, 10.0), (2, 20.0), (3.5, 20.0), (4.5, 30.0))
    invented.make(
        runs, "2026-03-16T08:00", circuit="A02", hours=longer, energy_Wh=11_000.0, batteries=12,
        events=[alarm(9, "a:new")], filled="2026-03-16T06:30",
    )  # fmt: skip
    invented.orders(runs, "A", order("2026-03-16T05:00", "load"), order("2026-03-16T12:00", "unload"))


def test_a_row_is_what_one_adds_up_by_hand(tmp_path, capsys):
    """Every figure of the two runs.

    kWh: 20 kWh by 30 batteries. First pass: 17 of the 18 signed off. Occupancy: 3 h of current in 7 h from load to
    unload, A01 alone. Wait before start: 1.0 h from the order, 1.5 h from the filling. Before unload: 2 h. Planned 4 h:
    0 and 0.5 h late. Alarms: 3 in the 6.5 h from 6:00 to 12:30, of shifts of 8 h.
    """
    two_runs(tmp_path)
    assert only(capsys, tmp_path) == {
        "week": "2026-12", "type": "starter 60", "bath": "A", "trial": "", "runs": "2", "kWh_battery": "0.67",
        "first_pass_%": "94.4", "occupancy_%": "42.9", "wait_start_h": "1.25", "wait_unload_h": "2.00",
        "late_h": "0.25", "alarms_shift": "3.69", "virtual": "", "signed_off": "1", "unloaded": "1",
        "derated_h": "0.00",
    }  # fmt: skip


def test_what_no_record_holds_is_empty_and_not_nought(tmp_path, capsys):
    """No sign-off, no order on record, no planned hours, no energy: empty cells. No alarm is nought alarms."""
    steps = [{"current_A": 0.0, "ends": {"charge_Ah": None, "time_ms": None}}]
    folder = invented.make(tmp_path, steps=steps)
    summary = json.loads((folder / "summary.json").read_text())
    (folder / "summary.json").write_text(json.dumps({**summary, "energy_Wh": None}))
    row = only(capsys, tmp_path)
    assert row["alarms_shift"] == "0.00"
    empty = ("kWh_battery", "first_pass_%", "occupancy_%", "wait_start_h", "wait_unload_h", "late_h")
    assert [row[name] for name in empty] == [""] * 6


def test_a_gap_in_the_current_and_a_trickle_are_no_hours_with_current(tmp_path, capsys):
    """From row to row charge must grow by 0.3 A: 0.29 Ah in an hour is an offset, 0.31 Ah a current, out or in."""
    hours = ((0, 0.0), (1, 0.29), (2, 0.60), (3, 0.60), (4, 0.60))
    invented.make(tmp_path, hours=hours)
    invented.orders(tmp_path, "A", order("2026-03-16T05:00", "load"), order("2026-03-16T15:00", "unload"))
    row = only(capsys, tmp_path)
    assert row["occupancy_%"] == "10.0"
    # The first current came with the second hour.
    assert row["wait_start_h"] == "2.00"


def test_load_and_unload_are_those_around_the_run(tmp_path, capsys):
    """The first load since the circuit was free, the first unload behind the end; other circuits' orders count not."""
    invented.make(tmp_path)
    rows = [
        order("2026-03-15T01:00", "load"), order("2026-03-16T03:00", "unload"),
        order("2026-03-16T04:00", "load", "A02"),
        order("2026-03-16T05:00", "load"), order("2026-03-16T05:30", "load"),
        order("2026-03-16T10:30", "unload", "A02"),
        invented.event(invented.at("2026-03-16T10:40"), "refusal", "accepted", "A01", "unload by anna"),
        order("2026-03-16T11:00", "unload"), order("2026-03-16T18:00", "load"), order("2026-03-17T11:00", "unload"),
    ]  # fmt: skip
    invented.orders(tmp_path, "A", *rows)
    row = only(capsys, tmp_path)
    assert (row["wait_start_h"], row["wait_unload_h"], row["occupancy_%"]) == ("1.00", "1.00", "50.0")


def test_an_unload_of_the_next_run_is_not_this_runs(tmp_path, capsys):
    """Where its own unload is not on record, that of the string loaded after it is not taken for it."""
    invented.make(tmp_path)
    invented.orders(
        tmp_path, "A",
        order("2026-03-16T05:00", "load"), order("2026-03-16T18:00", "load"), order("2026-03-17T11:00", "unload"),
    )  # fmt: skip
    row = only(capsys, tmp_path)
    assert (row["wait_unload_h"], row["occupancy_%"]) == ("", "")


def test_rows_are_split_by_what_is_asked_and_trials_stand_apart(tmp_path, capsys):
    """Week, type and bath each alone; a key that is not asked for is empty; a trial never mixes with the others."""
    invented.make(tmp_path, kind="S60")
    invented.make(tmp_path, "2026-03-17T06:00", bath="B")
    invented.make(tmp_path, "2026-03-24T06:00")
    invented.make(tmp_path, "2026-03-16T07:00", kind="S60", circuit="A02", load={"trial": True})

    def keys(*words):
        return [(r["week"], r["type"], r["bath"], r["trial"], r["runs"]) for r in table(capsys, tmp_path, *words)]

    assert keys() == [
        ("2026-12", "S60", "A", "", "1"), ("2026-12", "S60", "A", "trial", "1"),
        ("2026-12", "starter 60", "B", "", "1"), ("2026-13", "starter 60", "A", "", "1"),
    ]  # fmt: skip
    assert keys("--by", "week") == [
        ("2026-12", "", "", "", "2"), ("2026-12", "", "", "trial", "1"), ("2026-13", "", "", "", "1"),
    ]  # fmt: skip
    assert keys("--by", "bath", "--by", "type") == [
        ("", "S60", "A", "", "1"), ("", "S60", "A", "trial", "1"), ("", "starter 60", "A", "", "1"),
        ("", "starter 60", "B", "", "1"),
    ]  # fmt: skip
    assert keys("--bath", "B", "--by", "type") == [("", "starter 60", "", "", "1")]


def test_simulated_runs_stand_in_rows_of_their_own(tmp_path, capsys):
    """Of the same week, type and bath: no battery was there, so they never mix with real ones, trials among them."""
    invented.make(tmp_path, outcomes=["pass"])
    invented.make(tmp_path, "2026-03-16T07:00", circuit="A02", head={"virtual": True})
    invented.make(tmp_path, "2026-03-16T08:00", circuit="A03", head={"virtual": True}, load={"trial": True})
    invented.make(tmp_path, "2026-03-16T09:00", circuit="A04", load={"trial": True})
    invented.make(tmp_path, "2026-03-16T10:00", circuit="A05")
    found = [tuple(row[k] for k in ("virtual", "trial", "runs", "signed_off")) for row in table(capsys, tmp_path)]
    assert found == [
        ("", "", "2", "1"),
        ("", "trial", "1", "0"),
        ("virtual", "", "1", "0"),
        ("virtual", "trial", "1", "0"),
    ]


def test_how_many_runs_stand_behind_a_mean_is_said(tmp_path, capsys):
    """Two of three were signed off, two unloaded, of which one has its order load on record."""
    for hour, circuit in ((6, "A01"), (7, "A02"), (8, "A03")):
        outcomes = ["pass"] if circuit != "A03" else []
        invented.make(tmp_path, f"2026-03-16T0{hour}:00", circuit=circuit, outcomes=outcomes)
    invented.orders(
        tmp_path, "A", order("2026-03-16T05:00", "load"), order("2026-03-16T12:00", "unload"),
        order("2026-03-16T13:00", "unload", "A02"),
    )  # fmt: skip
    row = only(capsys, tmp_path)
    assert (row["runs"], row["signed_off"], row["unloaded"], row["wait_unload_h"]) == ("3", "2", "2", "2.00")
    assert row["occupancy_%"] == "42.9"


def test_runs_that_are_open_or_damaged_count_nowhere_and_are_named(tmp_path, capsys):
    """Their figures would be wrong; who reads the table learns of them on standard error."""
    invented.make(tmp_path)
    invented.make(tmp_path, "2026-03-16T07:00", circuit="A02", closed=False)
    (invented.make(tmp_path, "2026-03-16T08:00", circuit="A03") / "events.csv").write_bytes(b"")
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    runscmd.run(parser.parse_args([str(tmp_path), "--table", "--json"]))
    out, err = capsys.readouterr()
    assert json.loads(out)["runs"] == 1
    assert "A-A02-K1: not counted, unclosed\n" in err
    assert "A-A03-K1: not counted, damaged: events.csv:1: " in err


def test_json_has_the_figures_with_their_units(tmp_path, capsys):
    """The same row as an object: units in the keys, null for what is missing."""
    two_runs(tmp_path)
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    runscmd.run(parser.parse_args([str(tmp_path), "--table", "--json", "--by", "bath"]))
    row = json.loads(capsys.readouterr().out)
    assert (row["format"], row["week"], row["bath"], row["trial"]) == ("formbath/runs-table/1", None, "A", False)
    assert row["kWh_per_battery"] == pytest.approx(2 / 3)
    assert row["first_pass_percent"] == pytest.approx(100 * 17 / 18)
    assert row["alarms_per_shift"] == pytest.approx(24 / 6.5)
    assert (row["virtual"], row["signed_off"], row["unloaded"]) == (False, 1, 1)
    assert row["derated_h"] == 0.0


def test_runs_that_continue_each_other_count_their_batteries_once(tmp_path, capsys):
    """18 batteries took 5 and 4 kWh in two runs: 0.5 kWh a battery, in the row of the second run's week."""
    first = invented.make(tmp_path, end="stopped", energy_Wh=5_000.0)
    load = {"continues": first.name, "credited_Ah": 30.0}
    invented.make(tmp_path, "2026-03-24T06:00", load=load, energy_Wh=4_000.0)
    assert [(row["week"], row["kWh_battery"]) for row in table(capsys, tmp_path)] == [
        ("2026-12", ""),
        ("2026-13", "0.50"),
    ]
    assert only(capsys, tmp_path, "--by", "bath")["kWh_battery"] == "0.50"


def test_a_battery_that_passes_after_a_re_form_did_not_pass_first(tmp_path, capsys):
    """Of 18, 17 passed at once; the one that was formed again and passed then changes nothing."""
    first = invented.make(tmp_path, outcomes=["pass"] * 17 + ["re-form"])
    load = {"continues": first.name, "credited_Ah": 30.0}
    again = invented.make(tmp_path, "2026-03-17T06:00", load=load, batteries=1, outcomes=["pass"])
    assert only(capsys, tmp_path)["first_pass_%"] == "94.4"
    # After a mere interruption nothing was signed off before: then the second run's outcome is the first.
    (first / "batteries.csv").unlink()
    assert again.exists()
    assert only(capsys, tmp_path)["first_pass_%"] == "100.0"


def test_a_stopped_run_is_not_late(tmp_path, capsys):
    """It ended before its time by a person's will; that is no lead."""
    invented.make(tmp_path, hours=((0, 0.0), (1, 10.0)), end="stopped")
    assert only(capsys, tmp_path)["late_h"] == ""


def test_planned_hours_are_the_releases_middle_course_else_the_plans():
    """From the step that the run begins with; a step that nothing tells the length of leaves all of it unknown."""
    plan = {"steps": invented.STEPS}
    assert planned_h({"plan": plan, "load": {}}) == 4.0
    assert planned_h({"plan": plan, "load": {"first_step": 1}}) == 2.0
    assert planned_h({"plan": plan, "load": {"first_step": 3}}) is None
    both = [{"current_A": 10.0, "ends": {"charge_Ah": 20.0, "time_ms": HOUR_MS}}]
    assert planned_h({"plan": {"steps": both}, "load": {}}) == 1.0
    assert planned_h({"plan": {"steps": [*both, {"current_A": 1.0, "ends": {"order": True}}]}, "load": {}}) is None
    course = [{"step": 1, "duration_h": [1.9, 2.1, 2.4]}, {"step": 2, "duration_h": [0.9, 1.0, 1.1]},
              {"step": 3, "duration_h": [1.0, 1.4, 1.5]}]  # fmt: skip
    released = {"plan": plan, "load": {"first_step": 1}, "release": {"text": json.dumps({"course": course})}}
    assert planned_h(released) == pytest.approx(2.4)
    assert planned_h({**released, "load": {}}) == pytest.approx(4.5)
    for odd in (
        "{",
        "[]",
        '{"course": 7}',
        '{"course": [{"step": 2, "duration_h": [1]}]}',
        '{"course": [{"step": "x"}]}',
    ):
        assert planned_h({**released, "release": {"text": odd}}) == 2.0


@pytest.mark.parametrize(
    ("moment", "week"),
    [("2026-03-16T00:00", "2026-12"), ("2026-03-15T23:59", "2026-11"), ("2027-01-03T12:00", "2026-53"),
     ("2024-12-30T00:00", "2025-01")],
)  # fmt: skip
def test_weeks_are_those_of_iso_8601(moment, week):
    """Weeks begin on Monday, 0:00 UTC; the first has the year's first Thursday, so that years end in odd places."""
    assert week_of(round(invented.at(moment).timestamp() * 1000)) == week


def test_a_type_that_a_spreadsheet_would_run_is_quoted(tmp_path):
    """Names come from people's lists; the table is opened in spreadsheets."""
    run = Seen(tmp_path / "x", "x", start_ms=0, end_ms=HOUR_MS, bath="A", battery_type='=cmd|"x", y')
    (row,) = figures.table([figures.Part(run, figures.Hours(), None, None, again=False)])
    assert figures.as_csv(row).startswith('1970-01,"\'=cmd|""x"", y",A,,1,,,')


def rewritten(folder, rows, states=()):
    """log.csv with these rows of elapsed s, A read and Ah in; the summary follows. `states`: and percent allowed."""
    began = invented.at("2026-03-16T06:00")
    lines = [
        f"{invented.utc(began + timedelta(seconds=at_s))},{at_s:.3f},1,{state},10.000,{read},250.000,28.00,35.00,"
        f"{charge_Ah:.4f},0.0000,0.00,{allowed},"
        for (at_s, read, charge_Ah), (state, allowed) in zip(rows, states or repeat(("running", "100.0")), strict=False)
    ]
    data = invented.chained(invented.LOG, lines, (folder / "run.json").read_bytes())
    (folder / "log.csv").write_bytes(data)
    summary = json.loads((folder / "summary.json").read_text())
    summary["rows"]["log.csv"], summary["chain"]["log.csv"] = len(rows), data[-17:-1].decode()
    (folder / "summary.json").write_text(json.dumps(summary))


def current_of(folder):
    """First current in s since the start, and hours with current."""
    hours = HoursReader().of(look(folder, frozenset()))
    began_ms = round(invented.at("2026-03-16T06:00").timestamp() * 1000)
    first_ms = hours.first_current_ms
    return None if first_ms is None else (first_ms - began_ms) / 1000, hours.current_h


def test_noise_is_no_current_however_short_the_interval(tmp_path):
    """Rows a second apart: one last digit of charge is 0.36 A, yet 0.05 A were read. Then a true 0.32 A flows."""
    folder = invented.make(tmp_path)
    noise = [(second, "0.050", 0.0001 * (second // 7)) for second in range(3600)]
    rewritten(folder, noise)
    assert current_of(folder) == (None, 0.0)
    flow = [(3600 + second, "0.320", round(0.0514 + 0.32 * second / 3600, 4)) for second in range(3600)]
    rewritten(folder, noise + flow)
    first_s, current_h = current_of(folder)
    assert first_s == 3599
    assert current_h == pytest.approx(1.0, abs=0.001)


def test_where_no_current_was_read_charge_shows_it_for_sure(tmp_path):
    """A lost reading in both rows: one last digit of charge is not enough, a clear growth is."""
    folder = invented.make(tmp_path)
    rewritten(folder, [(0, "", 0.0), (1, "", 0.0001), (2, "", 0.0001), (12, "", 0.0301), (22, "", 0.0301)])
    assert current_of(folder) == (2.0, pytest.approx(10 / 3600))


@pytest.mark.parametrize(
    ("states", "derated_h"),
    [
        ([("running", "100.0")] * 5, 0.0),
        ([("running", "100.0"), ("running", "99.9"), ("running", "20.0"), ("running", "100.0"), ("held", "20.0")], 2.0),
        ([("running", "60.0"), ("held", "60.0"), ("held", "60.0"), ("running", "60.0"), ("running", "100.0")], 1.0),
        ([("running", "")] * 5, 0.0),
        ([], None),
    ],
)  # fmt: skip
def test_hours_derated_are_those_of_a_run_that_went_on(tmp_path, states, derated_h):
    """Hours from each row that allows less than all to the next, both running: held is not reduced, nor is a gap."""
    folder = invented.make(tmp_path)
    rewritten(folder, [(3600 * hour, "10.000", 10.0 * hour) for hour in range(len(states))], states)
    assert HoursReader().of(look(folder, frozenset())).derated_h == derated_h


def test_hours_derated_are_a_mean_over_the_runs_of_a_row(tmp_path, capsys):
    """2 h and none: 1 h; the column stands behind all others."""
    for day, states in (("16", [("running", "50.0")] * 3), ("17", [("running", "100.0")] * 3)):
        folder = invented.make(tmp_path, f"2026-03-{day}T06:00")
        rewritten(folder, [(3600 * hour, "10.000", 10.0 * hour) for hour in range(3)], states)
    assert only(capsys, tmp_path)["derated_h"] == "1.00"
    assert figures.HEADER.endswith(",unloaded,derated_h")
