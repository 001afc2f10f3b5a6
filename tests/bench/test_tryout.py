"""A profile tried on virtual strings by the real core: what it was given, what came of it, and that it is one core."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from controller.core.plan import compile_plan
from profiles.loader import found_profile, load_model, read_document
from profiles.profile import Profile
from simulator import rows
from simulator.bench.setting import FAST_STALE_MS, STALE_MS, Setting, settings_for
from simulator.bench.strings import Strings, as_one
from simulator.bench.tried import COLUMNS, Course
from simulator.bench.tryout import FAST_LONGEST_S, FINE_LONGEST_S, try_many, try_out
from simulator.faults import FaultError, parse_fault_line
from simulator.spec import CircuitSpec, PlantSpec


def plan_of(name="starter-60", share=1.0):
    """A plan of the library; with a share, each step's time and charge cut to it."""
    document = read_document(found_profile(name))
    plan = compile_plan(load_model(document, Profile), document.sha256)
    if share == 1.0:
        return plan
    steps = []
    for step in plan.steps:
        ends = replace(
            step.ends,
            time_ms=None if step.ends.time_ms is None else round(share * step.ends.time_ms),
            charge_Ah=None if step.ends.charge_Ah is None else share * step.ends.charge_Ah,
        )
        steps.append(replace(step, ends=ends))
    return replace(plan, steps=tuple(steps))


SHORT = 0.06


@pytest.fixture(scope="module")
def short():
    """The whole list of steps in an hour."""
    return try_out(Setting(plan_of(share=SHORT)))


@pytest.fixture(scope="module")
def clamped():
    """The same with a clamp that is off for a quarter of an hour."""
    return try_out(Setting(plan_of(share=SHORT), faults=(parse_fault_line("0:10-0:24 A01 open_clamp"),)))


def test_it_gives_what_the_plan_asks(short):
    """Every step runs, in order, and gets its time or its charge, to a hundredth of an ampere-hour."""
    plan = plan_of(share=SHORT)
    assert (short.state, short.why) == ("complete", "")
    assert [step.number for step in short.steps] == [step.number for step in plan.steps]
    for done, asked in zip(short.steps, plan.steps, strict=True):
        if asked.ends.charge_Ah is not None:
            assert done.ended_by == "charge"
            assert done.charge_Ah == pytest.approx(asked.ends.charge_Ah, abs=0.01)
        else:
            assert done.ended_by == "time"
            assert 3.6e6 * (done.end_h - done.begin_h) == pytest.approx(asked.ends.time_ms, abs=1_000)
    assert all(before.end_h == pytest.approx(after.begin_h, abs=1e-9) for before, after in pairwise(short.steps))


def test_the_books_close(short):
    """Charge and energy of the steps sum to the course's; energy is the integral of what was shown, to a per cent."""
    course = short.course
    assert sum(step.charge_Ah for step in short.steps) == pytest.approx(course.of("charge_Ah")[-1], rel=1e-9)
    assert sum(step.energy_kWh for step in short.steps) == pytest.approx(course.of("energy_kWh")[-1], rel=1e-6)
    power_kW = course.of("voltage_V") * course.of("current_A") / 1e3
    shown_kWh = float((0.5 * (power_kW[1:] + power_kW[:-1]) * np.diff(course.of("hours"))).sum())
    assert shown_kWh == pytest.approx(course.of("energy_kWh")[-1], rel=0.01)


def test_water_is_held(short):
    """Held water stands at its temperature from the first row to the last; the batteries are warmer than it."""
    assert np.ptp(short.course.of("water_C")) == 0.0
    assert short.course.of("hottest_C").max() > short.course.of("water_C")[0] + 5.0


def test_the_soak_is_the_least(short):
    """Current begins when the profile's least soak is over, as the core counts it."""
    assert short.soak_h == pytest.approx(plan_of().soak_min_ms / 3.6e6, abs=0.01)


def test_the_same_again(short):
    """The same setting gives the same numbers, to the last bit."""
    again = try_out(Setting(plan_of(share=SHORT)))
    assert np.array_equal(again.course.data, short.course.data)
    assert again.end == short.end


def test_many_are_as_one(short):
    """Strings without differences, side by side, each have the course of one alone."""
    three = try_many(Setting(plan_of(share=SHORT)), 3)
    for each in three:
        assert each.course.data.shape == short.course.data.shape
        assert np.allclose(each.course.data, short.course.data, rtol=1e-9, atol=1e-9)


def test_strings_with_differences_part():
    """With production's spread every string has its own course and each keeps its own clock."""
    tried = try_many(Setting(plan_of(share=SHORT), spread=True, seed=3, fine=False), 4)
    assert {each.state for each in tried} == {"complete"}
    ends = {round(each.end.density_kg_L, 6) for each in tried}
    assert len(ends) == 4
    assert len({each.hours for each in tried}) > 1


def test_equal_batteries_as_one_element():
    """Eighteen equal batteries as one element: the same volts and temperatures as eighteen, to a thousandth."""
    circuit = CircuitSpec("A01")
    apart = Strings(PlantSpec((circuit,), spread=False, noise=False), np.array([30.0]))
    one = Strings(PlantSpec((as_one(circuit),), spread=False, noise=False), np.array([30.0]), merged=18)
    for bench in (apart, one):
        bench.soak(1_800.0)
        bench.order(0, 3.0, 308.0, True)
    for _ in range(40):
        first, second = apart.advance(np.array([10.0])), one.advance(np.array([10.0]))
    assert second.voltage_V[0] == pytest.approx(first.voltage_V[0], abs=0.11)
    assert second.hottest_C[0] == pytest.approx(first.hottest_C[0], abs=1e-6)
    first_J, second_J = (bench.racks.state[rows.ENERGY].sum() for bench in (apart, one))
    assert second_J == pytest.approx(first_J, rel=1e-6)


def test_cycles_stay_fresh():
    """No cycle of the bench is so long that the core would take it for a gap."""
    assert 1_000.0 * FINE_LONGEST_S < STALE_MS == settings_for(Setting(plan_of())).stale_ms
    assert 1_000.0 * FAST_LONGEST_S < FAST_STALE_MS == settings_for(Setting(plan_of(), fine=False)).stale_ms


def test_an_open_clamp_trips_and_goes_on(clamped):
    """A clamp that comes off for a quarter of an hour trips the string; remade, it is reset and resumed."""
    codes = [one.event.code for one in clamped.events]
    assert "tripped" in codes
    assert clamped.state == "complete"
    tripped_h = next(one.hours for one in clamped.events if one.event.code == "tripped")
    assert 10.0 / 60.0 <= tripped_h < 12.0 / 60.0


def test_a_clamp_that_stays_off_ends_it():
    """A string whose trip cannot be reset is given up, and says why."""
    tried = try_out(Setting(plan_of(share=SHORT), faults=(parse_fault_line("0:10 A01 open_clamp"),)))
    assert tried.state == "tripped"
    assert tried.why
    assert tried.course.of("current_A")[-1] == 0.0


def test_lost_cooling_warms_the_water():
    """Without cooling the water takes the heat of the string, and comes back once cooling flows again."""
    plan = plan_of(share=0.1)
    tried = try_out(Setting(plan, faults=(parse_fault_line("0:15-1:00 cooling_lost"),)))
    water = tried.course.of("water_C")
    assert water.max() > water[0] + 0.3
    assert water[-1] < water.max() - 0.1


def test_a_fault_of_one_battery_counts_them_apart(short):
    """A shorted cell takes its two volts away: the string is no longer one element of equal batteries."""
    lacking = try_out(Setting(plan_of(share=SHORT), faults=(parse_fault_line("A01/7 shorted_cell"),)))
    lower = short.course.of("voltage_V").max() - lacking.course.of("voltage_V").max()
    assert lower > 1.0


@pytest.mark.parametrize(("fault", "code"), [
    ("0:20-0:24 A01 link_off", "link_lost"), ("0:20-0:24 A01 local_control", "local_control"),
    ("0:10-0:13 A01 ripple 100", "ripple"), ("0:10 A01 counter_gain 2", "counter_differs"),
    ("0:10-0:15 water_probe_lost", "water_lost"), ("0:10-0:20 A01 rectifier_fault 3", "rectifier_fault"),
])  # fmt: skip
def test_what_a_fault_shows_reaches_the_core(fault, code):
    """The bench carries the signals that the field carries: the core tells of each fault as it would at a bath."""
    tried = try_out(Setting(plan_of(share=0.03), faults=(parse_fault_line(fault),)))
    assert code in {one.event.code for one in tried.events if one.event.kind.name == "ALARM"}


def test_no_current_without_a_link():
    """Nothing feeds the watchdog of a rectifier that does not answer: its current is gone, and no charge is made up."""
    tried = try_out(Setting(plan_of(share=0.03), faults=(parse_fault_line("0:08-0:14 A01 link_off"),)))
    hours, charge = tried.course.of("hours"), tried.course.of("charge_Ah")
    off = (hours > 8.2 / 60.0) & (hours < 13.9 / 60.0)
    assert np.ptp(charge[off]) < 0.05
    assert tried.state == "complete"
    assert tried.helped


def test_the_start_peak_is_that_of_the_start(short, clamped):
    """Volts at their limit under a clamp that comes off later are no peak of the start."""
    assert clamped.start_V_per_cell == pytest.approx(short.start_V_per_cell, abs=0.002)
    assert short.start_V_per_cell < 2.8


def test_a_limit_held_back_what_stood_at_it(short):
    """The rise after a start is no limit; with volts limited to 2.2 the second charge stands at its own."""
    assert {step.limited_percent for step in short.steps} == {0.0}
    steps = tuple(replace(step, voltage_V_per_cell=2.1) if step.current_A else step for step in plan_of().steps)
    held = try_out(Setting(replace(plan_of(share=SHORT), steps=tuple(
        replace(brief, voltage_V_per_cell=step.voltage_V_per_cell)
        for brief, step in zip(plan_of(share=SHORT).steps, steps, strict=True)
    ))))  # fmt: skip
    assert max(step.limited_percent for step in held.steps) > 20.0


def test_unknown_faults_are_refused():
    """A fault of a circuit that the bench does not have is refused, with what it has."""
    with pytest.raises(FaultError, match="A01"):
        try_out(Setting(plan_of(share=SHORT), faults=(parse_fault_line("B07 open_clamp"),)))


def test_a_task_is_done_and_the_acid_changed():
    """A step that waits for a change of acid gets it, and a person's `done` ten minutes later."""
    tried = try_out(Setting(plan_of("starter-100-two-acid", share=0.02)))
    assert tried.state == "complete"
    assert [what for _, what in tried.helped] != []
    waited = next(step for step in tried.steps if step.ended_by == "order")
    assert waited.end_h - waited.begin_h == pytest.approx(600.0 / 3600.0, abs=0.01)
    assert tried.end.density_kg_L > tried.end.lowest_density_kg_L


def test_too_hot_to_start():
    """A string that is warmer than its profile's start waits until it has cooled; if it never does, it never starts."""
    plan = replace(plan_of(share=SHORT), start_below_C=25.0)
    tried = try_out(Setting(plan, water_C=34.0))
    assert (tried.state, tried.steps) == ("idle", ())
    assert tried.why == "too_hot"


@pytest.mark.slow
def test_constant_voltage_goes_down_to_its_end():
    """A step at constant voltage ends where its current has fallen, not while the rectifier still brings it up."""
    tried = try_out(Setting(plan_of("starter-100-cv"), water_C=29.0))
    last = tried.steps[-1]
    assert last.ended_by == "current"
    assert last.end_h - last.begin_h > 0.1
    assert last.end_A == pytest.approx(6.0, abs=0.3)


def test_columns_have_names():
    """A course answers to its columns' names and to no other."""
    course = Course(np.arange(2.0 * len(COLUMNS)).reshape(len(COLUMNS), 2))
    assert course.of("hours").tolist() == [0.0, 1.0]
    with pytest.raises(ValueError, match="not in"):
        course.of("acid")
