"""The page of a dry run: its table, its folding of repeats, its clocks, its width, and what it says to do next."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from drykit import asked_of, course_of, done_step, end_of, happened, plan_of, plan_step, profile_of, tried_of

from controller.core.types import EventKind
from profiles.problems import Problem
from simulator.bench import asjson
from simulator.bench.compare import compared
from simulator.bench.dry import Verdict, dry_of
from simulator.bench.moments import Moment
from simulator.bench.telling import folded, next_step, table, told

GOOD = {"course": course_of(voltage_V_per_cell=2.78)}


def good_plan(*steps, **given):
    return plan_of(*(steps or (plan_step(current_A=5.0),)), planned_charge_Ah=200.0, charge_cap_Ah=210.0, **given)


def dry(tried=None, **asks):
    tried = tried or tried_of(good_plan(), **GOOD)
    return dry_of(asked_of(tried, **asks), tried)


def test_the_table_of_a_step():
    """Each number in its column, with its rounding."""
    assert table(dry())[1:] == [
        "1 charge              charge        1.00   10.0   10.0       2.70      44.0  2.4",
        "total                               1.00          10.0   2.78 top      44.0  2.4",
    ]


def test_rests_discharges_and_ends_without_a_word():
    """A rest moves nothing; a discharge counts down; a step in which the run stands says that it did not end."""
    steps = (
        done_step(1, "pause", kind="rest", asked_A=0.0, end_A=None, end_V_per_cell=None),
        done_step(2, "relief", kind="discharge", charge_Ah=0.0, discharge_Ah=1.5, energy_kWh=-0.3),
        done_step(3, "finish at constant voltage", ended_by="", asked_A=10.0),
        done_step(4, "taper", ended_by="current", end_A=3.0),
    )
    lines = table(dry(tried_of(good_plan(*(plan_step(n) for n in range(1, 5))), steps=steps, **GOOD)))
    assert lines[1].split()[:6] == ["1", "pause", "charge", "1.00", "-", "-"]
    assert "-1.5" in lines[2]
    assert lines[3].startswith("3 finish at constan.. not ended ")
    assert lines[4].split()[4] == "3.0"  # a current that fell, not the one asked for


def test_repeats_are_folded():
    """Pulse and gap, five times: two rows with their sums, the last volts, the hottest; twice is not folded."""
    pairs = [
        step
        for n in range(5)
        for step in (
            done_step(2 * n + 1, "pulse", hottest_C=40.0 + n, end_V_per_cell=2.2 + n / 10, ended_by="time"),
            done_step(2 * n + 2, "gap", kind="rest", asked_A=0.0, end_A=None, charge_Ah=0.0, end_h=0.1),
        )
    ]
    rows = folded([done_step(0, "wetting"), *pairs, done_step(11, "finish")])
    assert [row.label for row in rows] == ["0 wetting", "1 pulse x5", "2 gap x5", "11 finish"]
    assert (rows[1].charge_Ah, rows[1].hours, rows[1].hottest_C) == pytest.approx((50.0, 5.0, 44.0))
    assert rows[1].end_V_per_cell == pytest.approx(2.6)
    assert len(folded(pairs[:4])) == 4
    assert len(folded([])) == 0


def test_a_repeat_that_ended_in_several_ways_says_so():
    """By time but once by its longest time."""
    steps = [done_step(n, "pulse", ended_by="longest time" if n == 2 else "time") for n in range(1, 5)]
    assert [row.ended_by for row in folded(steps)] == ["various"]


def test_every_line_fits_and_is_plain():
    """80 columns whatever the names; nothing in it that a terminal obeys, nor outside ASCII but a name."""
    tried = tried_of(good_plan(plan_step(current_A=5.0), name="\x1b[31m" + "n" * 100), **GOOD)
    lines = told(dry(replace(tried, steps=(done_step(name="\u202estep"),))))
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in "".join(lines)
    assert "\u202e" not in "".join(lines)


def test_the_page_says_what_was_found():
    """Limits, plates, acid, gas, energy, hands, each with number and unit."""
    text = " ".join(line.strip() for line in told(dry()))
    for said in (
        "by hand, revision 2: complete. 18 batteries, water 31 C",
        "nearest limit: 2.78 of 2.85 V/cell (the step's limit) at 0:00; probe 44.0 of 50.0 C (derate) at 1:00",
        "positive 97.5 %, negative 99.5 % formed; 1.75 x theory",
        "acid 1.280 kg/L at 25 C, 12.78 V a battery at rest; water 30 g a cell, 9.7 L in the bath",
        "hydrogen 1.8 m3 a string, at most 0.20 m3/h at 1:00; all 3 circuits at once: 19 %LEL in 81 m3/h",
        "energy 2.4 kWh, 0.13 a battery; mains 3 kWh at 90 % (assumed)",
        "soak 0:30, 38.0 C at its end; cooling 1.5 kW a string at 0:00, 4.5 the bath; start peak 2.30 V/cell",
        "hands: meter walk 0:15 to 1:00; end 1:00; unload from 2:00",
    ):
        assert said in text


def test_hands_by_the_clock():
    """With a start the plant's own clock stands there."""
    text = " ".join(line.strip() for line in told(dry(start=Moment(22 * 60 + 30))))
    assert "hands: meter walk 22:45 to 23:30; end 23:30; unload from 00:30 next day" in text


@pytest.mark.parametrize(
    ("given", "verdict", "code"),
    [
        ({}, Verdict.CLEAN, 0),
        ({"end": end_of(formed_positive=0.9)}, Verdict.CLEAN, 0),
        ({"events": (happened(0.5, "water_warm", EventKind.ALARM, life="new"),)}, Verdict.WARNED, 1),
        ({"events": (happened(0.5, "held", cause="hood_open"),)}, Verdict.HELPED, 1),
        ({"state": "tripped"}, Verdict.UNENDED, 1),
        ({"state": "running"}, Verdict.UNENDED, 1),
        ({"state": "idle"}, Verdict.UNSTARTED, 1),
    ],
)
def test_verdict_and_exit_code(given, verdict, code):
    """0 where it completed without an alarm, whatever an engineer may doubt; else 1."""
    found = dry(tried_of(good_plan(), **{**GOOD, **given}))
    assert (found.verdict, found.code) == (verdict, code)
    assert str(verdict) in found.said


def test_what_people_do_says_what_is_assumed():
    """When a task is done is assumed; looking at a string that stands is told as it was, many times in one go."""
    helped = ((0.1, "task: change the acid"), (0.2, "resume"), (0.3, "resume"), (0.4, "reset and resume"))
    text = " ".join(line.strip() for line in told(dry(tried_of(good_plan(), helped=helped, **GOOD))))
    assert "hands: change the acid at 0:06 (assumed); resume at 0:12; meter walk 0:15 to 1:00; resume at 0:18;" in text
    assert "; reset and resume at 0:24; end 1:00;" in text
    often = tuple((0.1 * at, "resume") for at in range(1, 6))
    text = " ".join(line.strip() for line in told(dry(tried_of(good_plan(), helped=often, **GOOD))))
    assert "hands: resume 5 times from 0:06 to 0:30; meter walk 0:15 to 1:00; end 1:00;" in text


def test_the_head_says_where_the_water_comes_from():
    """Said: nothing more; else the profile's hottest, or the usual one where it names none."""
    assert "batteries, water 31 C" in told(dry())[0]
    assert "(" not in told(dry())[0]
    head = " ".join(line.strip() for line in told(dry(water_given=False))[:2])
    assert "water 31 C (the hottest that the profile is for)" in head
    bare = profile_of()[0].model_copy(update={"bath": None})
    assert "water 31 C (the usual one)" in told(dry(water_given=False, profile=bare))[0]


def test_what_comes_next():
    """The hottest water of the profile's range first, then the study; a doubt about the profile before both."""
    assert next_step(dry()) == "formbath dryrun hand.toml --water-C 34, the hottest water it is for"
    warm = tried_of(good_plan(), **GOOD)
    asks = asked_of(warm)
    hot = replace(asks, setting=replace(asks.setting, water_C=34.0))
    assert next_step(dry_of(hot, warm)) == "formbath study hand.toml"
    assert "settle the warnings" in next_step(dry(tried_of(good_plan(), end=end_of(formed_positive=0.9), **GOOD)))
    assert "settle the first warning" in next_step(dry(tried_of(good_plan(), state="held", **GOOD)))


def test_json_has_all_of_it_and_no_number_that_is_none():
    """Units in the keys, null for what is missing, also where a value is not a number."""
    tried = tried_of(good_plan(), course=course_of(voltage_V_per_cell=2.78, probe_C=float("nan")), steps=(
        done_step(hottest_C=float("nan"), ended_by=""),))  # fmt: skip
    found = dry(tried)
    read = json.loads(asjson.as_json([found, found], compared(found, found), 1), parse_constant=pytest.fail)
    assert (read["format"], read["exit"], read["problems"]) == ("formbath/dryrun/1", 1, [])
    run = read["runs"][0]
    assert run["steps"][0]["hottest_C"] is None
    assert run["steps"][0]["ended_by"] is None
    assert run["totals"]["density_kg_L"] == 1.28
    assert run["totals"]["hottest_C"] == 44.0
    assert run["totals"]["cost"] is None
    assert run["setting"]["circuits"] == 3
    assert read["comparison"]["figures"][0]["gained"] == 0.0


def test_json_of_wrong_input_is_the_same_object():
    """No runs, and each problem with file, line, key."""
    read = json.loads(
        asjson.problems_json([Problem("x.toml", 3, "", "is wrong"), Problem("dryrun", None, "-o", "no")], 2)
    )
    assert (read["format"], read["exit"], read["runs"]) == ("formbath/dryrun/1", 2, [])
    assert read["problems"] == [
        {"file": "x.toml", "line": 3, "key": None, "what": "is wrong"},
        {"file": "dryrun", "line": None, "key": "-o", "what": "no"},
    ]
