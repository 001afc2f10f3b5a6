"""A profile made ready to run: unrolled, in A, Ah and ms, with its defaults."""

from __future__ import annotations

from pathlib import Path

import pytest

import profiles
from controller.core.plan import compile_plan
from controller.core.planned import Ends, StepKind
from profiles.loader import load_model, parse_document
from profiles.profile import Profile, load_profile

LIBRARY = Path(profiles.__file__).parent / "library"

HEAD = """
kind = "profile"
name = "a test"
revision = 4
battery = { cells = 6, capacity_C20_Ah = 60, level_mm = 150 }
[soak]
minutes_min = 30
minutes_max = 120
[bath]
water_C = [20, 35]
[limits]
voltage_V_per_cell = 2.95
probe_C = 58
charge_cap_percent = 106
[interruption]
resume_within_minutes = 90
add_charge_percent_per_hour = 0.4
restart_current_C20 = 0.05
restart_minutes = 8
"""


def charge(name, ends, extra="", table="step", current="current_C20 = 0.25"):
    return (
        f'[[{table}]]\nname = "{name}"\nkind = "charge"\n{current}\nvoltage_limit_V_per_cell = 2.85\n'
        f"end = {{ {ends} }}\n{extra}\n"
    )


def planned(*steps, head=HEAD):
    return compile_plan(load_model(parse_document(head + "\n".join(steps), "a.toml"), Profile), "ab" * 32)


def test_amounts_per_rated_capacity_become_amperes_and_ampere_hours():
    """0.25 C20 of 60 Ah is 15 A, 1.6 C20 is 96 Ah, 0.5 h is 1 800 000 ms."""
    plan = planned(charge("one", "charge_C20 = 1.6, hours = 20"), charge("two", "hours = 0.5"))
    one, two = plan.steps
    assert (one.current_A, one.ends.charge_Ah, one.ends.time_ms) == (15.0, 96.0, 72_000_000)
    assert (two.ends.charge_Ah, two.ends.time_ms) == (None, 1_800_000)
    assert (one.number, two.number, one.kind) == (1, 2, StepKind.CHARGE)


def test_direct_amounts_stay_what_they_are():
    """12 A and 30 Ah are for this battery, whatever its capacity."""
    (one,) = planned(charge("one", "charge_Ah = 30", current="current_A = 12")).steps
    assert (one.current_A, one.ends.charge_Ah) == (12.0, 30.0)


def test_the_planned_charge_is_the_sum_of_charge_ends_or_current_times_hours():
    """96 Ah and 15 A x 0.5 h are 103.5 Ah; the cap is 106 % of it."""
    plan = planned(charge("one", "charge_C20 = 1.6"), charge("two", "hours = 0.5"))
    assert plan.planned_charge_Ah == pytest.approx(103.5)
    assert plan.charge_cap_Ah == pytest.approx(109.71)


REPEAT = """
[[step]]
name = "pulses"
kind = "repeat"
times = 3
"""
REST = '[[step.step]]\nname = "off"\nkind = "rest"\nend = { hours = 0.1 }\n'


def test_a_repeat_is_written_out_in_order():
    """Three times charge and rest, then the finish: seven steps, numbered through."""
    inner = charge("on", "hours = 0.2", table="step.step")
    plan = planned(REPEAT, inner, REST, charge("finish", "charge_C20 = 0.3"))
    assert [step.name for step in plan.steps] == ["on", "off"] * 3 + ["finish"]
    assert [step.number for step in plan.steps] == [1, 2, 3, 4, 5, 6, 7]
    assert plan.planned_charge_Ah == pytest.approx(3 * 3.0 + 18.0)


def test_repeats_inside_repeats_are_unrolled_whatever_the_file_format_allows():
    """The plan writes out any depth: 2 x (a, 3 x b)."""
    text = HEAD + REPEAT + charge("b", "hours = 0.1", table="step.step")
    profile = load_model(parse_document(text, "a.toml"), Profile)
    inner = profile.step[0]
    outer = inner.model_copy(update={"times": 2, "step": (inner.step[0].model_copy(update={"name": "a"}), inner)})
    plan = compile_plan(profile.model_copy(update={"step": (outer,)}), "00")
    assert [step.name for step in plan.steps] == ["a", "b", "b", "b"] * 2


@pytest.mark.parametrize(
    ("ends", "extra", "longest_h"),
    [
        ("charge_C20 = 1.0", "", 6.0),
        ("charge_C20 = 1.0", "longest_hours = 9", 9.0),
        ("hours = 2", "", None),
        ("order = true, hours = 3", "", 3.0),
    ],
)
def test_the_longest_time_of_a_step(ends, extra, longest_h):
    """1.5 x charge / current; its own; none beside an end by time; the hours beside an order."""
    (step,) = planned(charge("one", ends, extra)).steps
    assert step.longest_ms == (None if longest_h is None else round(longest_h * 3_600_000))


def test_hours_beside_an_order_are_no_end():
    """The step ends when a person says so."""
    (step,) = planned(charge("one", "order = true, hours = 3")).steps
    assert step.ends.order
    assert step.ends.time_ms is None


def test_an_overrun_is_slow_in_the_first_third_and_hold_after_it():
    """60 of 180 Ah: what begins before 60 Ah is early."""
    ends = "charge_C20 = 0.5"
    plan = planned(*(charge(str(n), ends) for n in range(6)))
    assert [step.on_overrun for step in plan.steps] == ["slow", "slow", "hold", "hold", "hold", "hold"]


def test_a_step_that_says_what_its_overrun_does_is_obeyed_but_not_a_task():
    """A task holds whatever its place: people stand at the bath."""
    task = '[[step]]\nname = "dump"\nkind = "rest"\ntask = "dump, refill 1.320"\nrefill_density = 1.32\n'
    task += "end = { order = true, hours = 2 }\n"
    plan = planned(task, charge("one", "charge_C20 = 1", 'on_overrun = "next"'))
    assert [step.on_overrun for step in plan.steps] == ["hold", "next"]
    assert (plan.steps[0].task, plan.steps[0].refill_density) == ("dump, refill 1.320", 1.32)
    assert plan.steps[0].longest_ms == 2 * 3_600_000


def test_owed_charge_goes_to_the_last_step_that_ends_by_charge():
    """Not to a step that ends by time, not to an earlier one."""
    plan = planned(charge("a", "charge_C20 = 1"), charge("b", "charge_C20 = 0.5"), charge("c", "hours = 1"))
    assert [step.takes_owed for step in plan.steps] == [False, True, False]


def test_interruptions_rules_are_the_profiles_unless_the_step_has_its_own():
    """Minutes become ms, C20 becomes A, a step may say otherwise."""
    own = "resume_within_minutes = 15\nadd_charge_percent_per_hour = 1\nrestart_current_C20 = 0.1\nrestart_minutes = 20"
    plain, special = planned(charge("a", "hours = 1"), charge("b", "hours = 1", own)).steps
    assert (plain.resume_within_ms, plain.owes_percent_per_hour) == (5_400_000, 0.4)
    assert (plain.restart_current_A, plain.restart_ms) == (3.0, 480_000)
    assert (special.resume_within_ms, special.owes_percent_per_hour) == (900_000, 1.0)
    assert (special.restart_current_A, special.restart_ms) == (6.0, 1_200_000)


def test_restart_current_is_never_above_the_steps_own():
    """A finish at 1.2 A does not restart at 3 A."""
    (step,) = planned(charge("a", "hours = 1", current="current_A = 1.2")).steps
    assert step.restart_current_A == 1.2


def test_a_ramp_and_a_steady_end_come_through():
    """Minutes in ms, the least charge in Ah."""
    ends = "charge_C20 = 1, steady = { rise_mV_per_cell = 4, over_minutes = 60, not_before_charge_C20 = 0.2 }"
    (step,) = planned(charge("a", ends, "ramp_minutes = 30")).steps
    assert step.ramp_ms == 1_800_000
    assert (step.ends.steady_rise_mV_per_cell, step.ends.steady_over_ms) == (4.0, 3_600_000)
    assert step.ends.steady_not_before_Ah == pytest.approx(12.0)


def test_limits_and_soak_come_through():
    """Trips, minutes of soak and the profile's identity."""
    plan = planned(charge("a", "hours = 1"))
    assert (plan.voltage_trip_V_per_cell, plan.probe_trip_C) == (2.95, 58.0)
    assert (plan.soak_min_ms, plan.soak_max_ms, plan.late_start) == (1_800_000, 7_200_000, "engineer")
    assert plan.start_below_C == 45.0
    assert (plan.name, plan.revision, plan.sha256, plan.cells) == ("a test", 4, "ab" * 32, 6)


@pytest.mark.parametrize(
    ("ends", "extra", "expected_h"),
    [
        ("charge_C20 = 1.0", "", 4.4),
        ("charge_C20 = 1.0", "ramp_minutes = 30", 4.9),
        ("charge_C20 = 1.0, order = true, hours = 9", "", 4.4),
        ("charge_C20 = 1.0, current_C20 = 0.05", "", 4.4),
        ("charge_C20 = 1.0, hours = 9", "", None),
        ("hours = 2", "", None),
        ("order = true, hours = 3", "", None),
        ("current_C20 = 0.05", "longest_hours = 9", None),
    ],
)
def test_a_step_is_expected_to_end_by_its_charge(ends, extra, expected_h):
    """1.1 x 60 Ah / 15 A and its ramp; hours that end a step end it anyway, and other ends tell no time."""
    (step,) = planned(charge("one", ends, extra)).steps
    assert step.expected_ms == (None if expected_h is None else round(expected_h * 3_600_000))


REST_ONLY = '[[step]]\nname = "off"\nkind = "rest"\nend = { hours = 1 }\n'


def test_a_rest_is_expected_at_no_time_and_moves_no_charge():
    """It ends by its hours."""
    (step,) = planned(REST_ONLY).steps
    assert (step.expected_ms, step.charge_cap_Ah, step.longest_ms) == (None, None, None)


def test_a_rest_wants_nothing_of_a_string():
    """No current, no volts, no restart current, and no end but its own."""
    (step,) = planned(REST_ONLY).steps
    assert (step.kind, step.current_A, step.voltage_V_per_cell, step.restart_current_A) == (StepKind.REST, 0, 0, 0)
    assert step.ends == Ends(time_ms=3_600_000)
    assert (step.ramp_ms, step.takes_owed, step.task, step.refill_density) == (0, False, "", None)
    assert step.on_overrun == "hold"  # nothing is planned, so nothing is early


def test_a_step_is_early_by_the_charge_before_it_to_the_ampere_hour():
    """59.5 of 180 Ah are less than a third; of the last of many steps by charge all is owed."""
    plan = planned(*(charge(str(Ah), f"charge_Ah = {Ah}") for Ah in (59.5, 60.0, 30.5, 30.0)))
    assert [step.on_overrun for step in plan.steps] == ["slow", "slow", "hold", "hold"]
    assert [step.takes_owed for step in plan.steps] == [False, False, False, True]


@pytest.mark.parametrize(
    ("ends", "extra", "cap_Ah"),
    [
        ("charge_C20 = 1.0", "", 63.0),
        ("charge_C20 = 1.0, hours = 2", "", 31.5),
        ("hours = 2", "", 31.8),
        ("current_C20 = 0.05", "longest_hours = 4", 63.6),
        ("order = true, hours = 4", "", 63.6),
    ],
)
def test_the_charge_cap_of_a_step(ends, extra, cap_Ah):
    """105 % of its charge end; else the profile's 106 % of its current for its time."""
    (step,) = planned(charge("one", ends, extra)).steps
    assert step.charge_cap_Ah == pytest.approx(cap_Ah)


def test_a_discharge_has_its_cap_too_and_is_no_planned_charge():
    """60 Ah out, 63 at the most; the plan puts in only what its charges do."""
    text = '[[step]]\nname = "out"\nkind = "discharge"\ncurrent_A = 6\nvoltage_floor_V_per_cell = 1.75\n'
    plan = planned(text + "end = { charge_C20 = 1 }\n", charge("in", "hours = 1"))
    assert plan.steps[0].charge_cap_Ah == pytest.approx(63.0)
    assert plan.steps[0].expected_ms == 11 * 3_600_000
    assert (plan.steps[0].kind, plan.steps[0].voltage_V_per_cell) == (StepKind.DISCHARGE, 1.75)
    assert plan.planned_charge_Ah == pytest.approx(15.0)


def test_a_charge_with_hours_and_charge_is_planned_by_the_first_of_both():
    """15 A for 2 h are 30 Ah: its 96 Ah are never reached, and the cap counts from 30."""
    assert planned(charge("one", "charge_C20 = 1.6, hours = 2")).planned_charge_Ah == pytest.approx(30.0)


READINGS = """
[[reading]]
after_step = "on"
what = "density"
batteries = [1, 18]
[[reading]]
after_step = "finish"
what = "level"
batteries = [9]
[[reading]]
after_step = "on"
what = "temperature"
batteries = [9]
"""


def test_readings_stand_at_the_index_of_each_step_of_their_name():
    """A repeated step is followed by its readings each time, in the order in which they fall due."""
    inner = charge("on", "hours = 0.2", table="step.step")
    plan = planned(REPEAT.replace("3", "2"), inner, REST, charge("finish", "charge_C20 = 0.3"), READINGS)
    assert [(one.after_step, one.what, one.batteries) for one in plan.readings] == [
        (0, "density", (1, 18)), (0, "temperature", (9,)),
        (2, "density", (1, 18)), (2, "temperature", (9,)),
        (4, "level", (9,)),
    ]  # fmt: skip


def test_the_batterys_type_and_level_come_through():
    """A type where the profile says one; level in mm."""
    assert (planned(REST_ONLY).battery_type, planned(REST_ONLY).level_mm) == ("", 150.0)
    head = HEAD.replace("level_mm = 150", 'type = "L3"')
    plan = planned(REST_ONLY, head=head)
    assert (plan.battery_type, plan.level_mm, plan.readings) == ("L3", None, ())


def test_a_slow_late_start_comes_through():
    """What a string that soaked too long gets."""
    head = HEAD.replace("minutes_max = 120", 'minutes_max = 120\nlate_start = "slow"')
    assert planned(REST_ONLY, head=head).late_start == "slow"


def test_a_profile_without_soak_needs_none():
    """A bench profile: no least, no most, no temperature, the stricter start."""
    bench = HEAD.replace("[soak]\nminutes_min = 30\nminutes_max = 120\n", "")
    plan = planned(REST_ONLY, head=bench)
    assert (plan.soak_min_ms, plan.soak_max_ms, plan.start_below_C, plan.late_start) == (0, None, None, "engineer")


def test_the_librarys_60_ah_profile_plans_202_5_ampere_hours():
    """0.5 h at 3 A, 96 Ah, 84 Ah and 21 Ah: 202.5 Ah, 3.375 times the rated capacity."""
    profile, document = load_profile(LIBRARY / "starter-60.toml")
    plan = compile_plan(profile, document.sha256)
    assert plan.planned_charge_Ah == pytest.approx(202.5)
    assert plan.charge_cap_Ah == pytest.approx(1.05 * 202.5)
    assert plan.sha256 == document.sha256


@pytest.mark.parametrize("path", sorted(LIBRARY.glob("*.toml")), ids=lambda path: path.stem)
def test_every_profile_of_the_library_makes_a_sound_plan(path):
    """Each step has an end and amounts above zero; each step that could last for ever has a longest time."""
    profile, document = load_profile(path)
    plan = compile_plan(profile, document.sha256)
    assert plan.steps
    assert plan.planned_charge_Ah > 0.0
    assert plan.charge_cap_Ah >= plan.planned_charge_Ah
    for step in plan.steps:
        assert step.ends.time_ms is not None or step.longest_ms is not None
        if step.kind is not StepKind.REST:
            assert step.current_A > 0.0
            assert step.voltage_V_per_cell > 0.0
            assert 0.0 < step.restart_current_A <= step.current_A
