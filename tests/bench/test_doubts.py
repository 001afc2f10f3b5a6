"""Each doubt at its own edge: it is told just past its level, and not just before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drykit import course_of, done_step, end_of, happened, plan_of, plan_step, setting_of, tried_of

from controller.bathfile import load_bath
from controller.core.planned import Ends
from controller.core.types import EventKind
from simulator.bench.doubts import doubts_of
from simulator.bench.figures import totals_of
from simulator.faults import parse_fault_line
from simulator.hall import BATH_FILE
from simulator.parameters import CellParameters

BATH = load_bath(BATH_FILE)
BIG = {"planned_charge_Ah": 200.0, "charge_cap_Ah": 210.0}
"""A plan that forms: the hand-made hour alone would count as a profile for a resistor."""


def found(tried, named_C=None, *, said=True, **given):
    setting = setting_of(tried, **given)
    return {one.code: one for one in doubts_of(setting, tried, totals_of(setting, tried), named_C, given=said)}


def calm(plan=None, **given):
    """A try of which nothing is to be said."""
    plan = plan or plan_of(plan_step(current_A=5.0), **BIG)
    return tried_of(plan, **{"course": course_of(voltage_V_per_cell=2.78), **given})


def limited(percent):
    return calm(steps=(done_step(limited_percent=percent),))


def at_volts(volts):
    return calm(course=course_of(voltage_V_per_cell=volts))


def test_of_a_calm_run_nothing_is_said():
    """The hand-made run raises no doubt, so that each test below sees only its own."""
    assert found(calm()) == {}


@pytest.mark.parametrize(
    ("code", "before", "past"),
    [
        ("underformed", calm(end=end_of(formed_positive=0.9701)), calm(end=end_of(formed_positive=0.9699))),
        ("overformed", calm(end=end_of(charge_over_theory=2.199)), calm(end=end_of(charge_over_theory=2.201))),
        ("end_density", calm(end=end_of(density_kg_L=1.29)), calm(end=end_of(density_kg_L=1.291))),
        ("end_density", calm(end=end_of(density_kg_L=1.27)), calm(end=end_of(density_kg_L=1.269))),
        ("start_peak", calm(start_V_per_cell=2.6), calm(start_V_per_cell=2.61)),
        ("near_derate", calm(course=course_of(probe_C=48.9)), calm(course=course_of(probe_C=49.1))),
        ("derated", calm(course=course_of(probe_C=49.9)), calm(course=course_of(probe_C=50.0))),
        ("constant_voltage", limited(2.0), limited(2.1)),
        ("soak_late", calm(soak_h=2.0), calm(soak_h=2.01)),
        ("idle_limit", at_volts(2.71), at_volts(2.69)),
        (
            "first_current",
            calm(plan_of(plan_step(current_A=6.0), **BIG)),
            calm(plan_of(plan_step(current_A=6.1), **BIG)),
        ),
        ("resistor", calm(plan_of(planned_charge_Ah=6.0)), calm(plan_of(planned_charge_Ah=5.9))),
    ],
)  # fmt: skip
def test_a_doubt_begins_at_its_level(code, before, past):
    """Just before it is silent, just past it speaks."""
    assert code not in found(before)
    assert code in found(past)


def test_the_sentence_about_heat_names_water_value_and_room():
    """As an engineer would say it, with where the heat came from; past the derate how long it was reduced."""
    assert found(calm(course=course_of(probe_C=49.0)), named_C=(20, 36))["near_derate"].sentence.startswith(
        "at --water-C 31 hottest 49.0, 1.0 K to derate: the soak's own heat"
    )
    hot = calm(course=course_of(probe_C=52.0), steps=(done_step(derated_percent=50.0),))
    said = found(hot)["derated"]
    assert "52.0 C at 0:00, past the derate at 50.0" in said.sentence
    assert "reduced for 0:30, 3.0 K to hold" in said.sentence
    assert (said.step, said.at_h) == (1, 0.0)


@pytest.mark.parametrize(
    ("volts", "at", "why"), [(2.2, 0.1, "soak"), (2.2, 0.9, "first charge"), (2.5, 0.9, "gassing")]
)
def test_heat_has_its_cause_by_its_moment(volts, at, why):
    """In the first charge step it is the soak's, later the charge's, over the gassing line the gas's."""
    hours = np.linspace(0.0, 1.0, 61)
    course = course_of(probe_C=49.5 - 10.0 * abs(hours - at), voltage_V_per_cell=volts)
    plan = plan_of(plan_step(current_A=5.0), plan_step(2, current_A=5.0), **BIG)
    steps = (done_step(end_h=0.5), done_step(2, begin_h=0.5, end_h=1.0))
    assert why in found(calm(plan, course=course, steps=steps))["near_derate"].sentence


def test_a_step_meant_for_constant_voltage_is_none_to_doubt():
    """It stands at its limit all the time, as its end by current asks for."""
    plan = plan_of(plan_step(current_A=5.0, ends=Ends(current_A=3.0)), **BIG)
    assert "constant_voltage" not in found(calm(plan, steps=(done_step(limited_percent=90.0),)))
    told = found(calm(steps=(done_step(limited_percent=50.0, end_h=2.5),)))["constant_voltage"]
    assert "2.85 V/cell for 50 % of its time" in told.sentence
    assert "2:30 instead of 2:00 h" in told.sentence


def test_steps_that_end_otherwise_than_meant():
    """By the longest time with what it had; at once by a measured value; a rest that was cool already is neither."""
    late = found(calm(steps=(done_step(ended_by="longest time", charge_Ah=7.0),)))["longest_time"]
    assert "1:00 with 7.0 of 10.0 Ah in" in late.sentence
    plan = plan_of(plan_step(current_A=5.0, ends=Ends(current_A=3.0, charge_Ah=10.0)), **BIG)
    quick = done_step(ended_by="current", end_h=0.01, charge_Ah=0.01)
    assert "after 36 s with 0.01 Ah" in found(calm(plan, steps=(quick,)))["ended_at_once"].sentence
    assert "ended_at_once" not in found(calm(plan, steps=(replace(quick, end_h=0.05),)))
    assert "ended_at_once" not in found(calm(plan, steps=(replace(quick, charge_Ah=2.0),)))
    rest = plan_of(plan_step(kind="rest", ends=Ends(temperature_C=35.0)), **BIG)
    assert "ended_at_once" not in found(calm(rest, steps=(replace(quick, ended_by="temperature"),)))


def test_holds_and_trips_are_told_once_a_cause():
    """Thirteen trips of one cause are one sentence; its alarm is not told again; another alarm is."""
    events = (
        happened(0.4, "water_warm", EventKind.ALARM, life="new", value=40.0, limit=40.0),
        happened(0.5, "open_string", EventKind.ALARM, life="new", value=0.0, limit=0.3),
        happened(0.5, "tripped", cause="open_string"),
        happened(0.7, "tripped", cause="open_string"),
    )
    told = doubts_of(setting_of(calm()), calm(events=events), totals_of(setting_of(calm()), calm()))
    assert [one.code for one in told] == ["tripped", "alarm"]
    assert told[0].sentence.startswith("tripped at 0:30, 2 times until 0:42: no current at voltage limit: 0.00 A")
    assert told[1].sentence.startswith("alarm at 0:24: bath water 40.0 C")


def test_what_never_started_and_what_never_ended():
    """The core's own reason for the first, and then nothing else but the water; where it stands for the second."""
    refused = happened(-0.1, "no_temperature", EventKind.REFUSAL, verb="start")
    told = found(calm(state="idle", events=(refused,), end=end_of(formed_positive=0.0)), named_C=(20, 30))
    assert set(told) == {"never_started", "water_range"}
    assert told["never_started"].sentence == "it never started: no valid temperature"
    held = found(calm(state="held", why="water_hold"))["never_ended"]
    assert held.sentence == "it never ended: still held in step 1 (charge) at 1:00 after water hold"
    assert (held.error, held.step) == (True, 1)


@pytest.mark.parametrize(
    ("given", "end"),
    [
        ({"hours": 120.01}, "still running in step 1 (charge) at 120:01; given up after 120 h"),
        ({"hours": 119.95}, "at 119:57; given up after 120 h"),
        ({"hours": 119.0, "why": "water_hold"}, "at 119:00 after water hold"),
        ({"hours": 120.01, "why": "soak_short"}, "at 120:01; given up after 120 h"),
        ({"hours": 120.01, "state": "held", "why": "hood_open"}, "at 120:01 after hood open"),
    ],
)
def test_a_run_that_the_time_limit_ended_says_so(given, end):
    """Not what once stood in its way; who stands is told by what he stands for."""
    assert found(calm(**{"state": "running", **given}))["never_ended"].sentence.endswith(end)


def test_a_start_that_had_to_wait():
    """Refused, then given: from when, and why last."""
    events = (
        happened(-0.5, "soak_short", EventKind.REFUSAL, verb="start", minutes=1.0),
        happened(-0.2, "too_hot", EventKind.REFUSAL, verb="start", value=46.0, limit=45.0),
    )
    said = found(calm(events=events, soak_h=1.0))["start_refused"].sentence
    assert said == "start refused from -0:30 to 0:00 (soak 1:00): 46.0 C, the profile starts below 45.0"


def test_half_the_warning_level_of_the_baths_own_air():
    """8 circuits x 0.2 m3/h: in 800 m3/h just 5 %, half of the warning level; in less it is told, and since when."""
    for air, told in ((801.0, False), (799.0, True), (400.0, True)):
        bath = replace(BATH, file=BATH.file.model_copy(update={"airflow_m3_h": air}))
        doubts = found(calm(), bath=bath, circuits=8)
        assert ("hydrogen" in doubts) is told
    assert doubts["hydrogen"].at_h == pytest.approx(0.5, abs=0.02)
    assert "hydrogen" not in found(calm(), circuits=64)  # by the rule's own air it would always be told


def test_a_rectifier_at_its_end():
    """Within 2 % of what the bath's circuit can stand at (340 V); the bench's own one has room by its making."""
    assert "rectifier_volts" not in found(calm(course=course_of(voltage_V=333.0, voltage_V_per_cell=2.78)), bath=BATH)
    near = calm(course=course_of(voltage_V=333.5, voltage_V_per_cell=2.78))
    assert "rectifier_volts" in found(near, bath=BATH)
    assert "rectifier_volts" not in found(near)


def test_acid_that_is_changed_was_weak_before():
    """A change of acid after a filling for one shot is doubted; with a weak one it is not."""
    plan = plan_of(plan_step(current_A=5.0), plan_step(2, "change", "rest", refill_density=1.32), **BIG)
    assert "changed to 1.320, but the string was filled with 1.240" in found(calm(plan))["fill"].sentence
    assert "fill" not in found(calm(plan), model=CellParameters(fill_kg_m3=1100.0))
    strong = calm(plan, end=end_of(density_kg_L=1.31))
    assert "weaker acid at its change" in found(strong)["end_density"].sentence
    assert "end_density" not in found(calm(plan, end=end_of(density_kg_L=1.26)))


def test_water_outside_the_profiles_range():
    """The ends of the range are in it; a profile that names none is not doubted."""
    for water, told in ((20.0, False), (34.0, False), (34.1, True), (19.9, True)):
        assert ("water_range" in found(calm(), (20.0, 34.0), water_C=water)) is told
    assert "water_range" not in found(calm(), None, water_C=49.0)


def test_the_option_is_named_only_where_it_was_given():
    """Whoever said no water is not told of `--water-C`."""
    hot = calm(course=course_of(probe_C=49.0))
    for said, word in ((True, "--water-C 36"), (False, "water of 36 C")):
        told = found(hot, (20.0, 34.0), said=said, water_C=36.0)
        assert told["water_range"].sentence == f"{word} is outside the profile's range, 20 to 34"
        assert told["near_derate"].sentence.startswith(f"at {word} hottest 49.0")


def test_a_fault_that_raised_no_alarm():
    """Whoever tries a fault hears that the string alone does not show it."""
    faults = (parse_fault_line("A01/7 shorted_cell"),)
    assert "shorted_cell" in found(calm(), faults=faults)["fault_unseen"].sentence
    alarm = happened(0.1, "volts_low", EventKind.ALARM, life="new")
    assert "fault_unseen" not in found(calm(events=(alarm,)), faults=faults)


def test_a_profile_for_a_resistor_is_not_judged_by_its_plates():
    """It forms nothing: one sentence says so, none about plates, acid and limits."""
    bench = tried_of(plan_of(planned_charge_Ah=1.0), end=end_of(formed_positive=0.0, density_kg_L=1.2))
    assert {"resistor"} == set(found(bench)) - {"first_current"}


def test_rests_alone_are_no_profile_for_a_resistor():
    """Without a step that charges it says so, also where it discharges."""
    for kind in ("rest", "discharge"):
        idle = tried_of(plan_of(plan_step(kind=kind), planned_charge_Ah=0.0))
        told = found(idle)
        assert told["no_charge"].sentence.startswith("no charge step: nothing is formed")
        assert "resistor" not in told
