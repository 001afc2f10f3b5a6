"""What may flow: the smallest of all limits; derates fall at once, rise slowly and never multiply."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core import limits
from controller.core.state import Allowed
from controller.core.types import Condition, Reaction, State

DERATE = Reaction.DERATE


def set_A(kit, step=None, run=None, share_A=None, percent=100.0, standing=(), **own):
    return limits.set_point_A(
        kit.settings(own=own).circuits[0], run or kit.run(), step or kit.step(), share_A, percent, standing
    )


def test_without_a_derate_the_whole_current_is_asked_for_to_the_bit(kit):
    """0.13 C20 of 45 Ah times 100 by 100 is not 0.13 C20 of 45 Ah to the bit: whoever compares would see a derate."""
    for capacity_Ah in (36, 44, 45, 60, 62, 70, 74, 95, 100, 225):
        for hundredths in range(2, 41):
            current_A = hundredths / 100 * capacity_Ah
            assert set_A(kit, step=kit.step(current_A=current_A), current_max_A=100.0) == current_A


@pytest.mark.parametrize(
    ("hot_C", "percent"), [(20.0, 100.0), (50.0, 100.0), (51.25, 80.0), (52.5, 60.0), (55.0, 20.0), (80.0, 20.0)]
)
def test_the_curve_falls_from_all_at_50_to_a_fifth_at_55(hot_C, percent):
    """100 % at the derate level, linearly to 20 % at the hold level, 16 % a kelvin."""
    assert limits.curve_percent(hot_C, 50.0, 55.0) == pytest.approx(percent)


def test_the_curve_of_an_unknown_temperature_is_unknown():
    """Not read is not cold."""
    assert limits.curve_percent(None, 50.0, 55.0) is None


def course(wanted, period_ms=1_000, before=None):
    """Follow the allowed share through a course of wanted shares, one a cycle."""
    allowed, seen = before or Allowed(), []
    for index, percent in enumerate(wanted):
        allowed = limits.allowed(allowed, percent, index * period_ms, period_ms)
        seen.append(allowed.percent)
    return seen


def test_a_derate_falls_at_once():
    """Hotter: less current in the same cycle."""
    assert course([100.0, 60.0, 20.0]) == [100.0, 60.0, 20.0]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_derate_is_given_back_at_one_percent_a_second_after_a_minute(period_ms):
    """60 s below the value that set it, then 1 % a second, whatever the period."""
    seen = course([60.0] + [100.0] * 150, period_ms)
    wait = 60_000 // period_ms
    assert seen[: wait + 1] == [60.0] * (wait + 1)
    rises = [now - before for before, now in pairwise(seen)]
    assert max(rises) <= period_ms / 1000.0 + 1e-9
    assert seen[-1] == 100.0
    assert seen.index(100.0) == wait + 40_000 // period_ms


def test_a_part_of_a_second_gives_a_part_of_a_percent():
    """0.25 % in 250 ms."""
    before = Allowed(40.0, 100.0, 0)
    assert limits.allowed(before, 100.0, 60_000, 250).percent == 40.25


def test_a_derate_rises_to_what_is_wanted_and_not_further():
    """Half cooled is half allowed."""
    assert course([20.0] + [60.0] * 150)[-1] == 60.0


def test_the_minute_begins_anew_when_it_gets_hot_again():
    """Half a minute cool, one second hot, half a minute cool: nothing is given back."""
    assert course([60.0] + [100.0] * 40 + [60.0] + [100.0] * 40)[-1] == 60.0


def test_a_lost_source_gives_nothing_back():
    """Unknown keeps the derate and starts the minute anew."""
    seen = course([60.0] + [None] * 200)
    assert seen[-1] == 60.0
    assert course([60.0] + [100.0] * 50 + [None] + [100.0] * 50)[-1] == 60.0


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(20.0, 100.0)), max_size=60))
def test_no_course_of_derates_rises_faster_or_above_what_is_wanted(wanted):
    """Never above the share wanted in a cycle that knows it, never up by more than 1 % a second."""
    before = 100.0
    for percent, now in zip(wanted, course(wanted), strict=True):
        assert now <= before + 1.0 + 1e-9
        if percent is not None:
            assert now <= max(percent, 20.0) + 1e-9
        before = now


def test_derates_never_multiply_the_smallest_counts(kit):
    """60 % of the battery and 50 % of the water are 50 %, not 30 %."""
    water = Condition("water_derate", DERATE, allowed_percent=50.0)
    assert set_A(kit, percent=60.0, standing=(water,)) == pytest.approx(7.5)
    assert set_A(kit, percent=40.0, standing=(water,)) == pytest.approx(6.0)


def test_a_warning_takes_no_current(kit):
    """Only a derate limits."""
    warn = Condition("water_warm", Reaction.WARN, allowed_percent=10.0, allowed_A=1.0)
    assert set_A(kit, standing=(warn,)) == 15.0


SMALLEST = [
    ({}, 15.0),
    ({"share_A": 9.0}, 9.0),
    ({"current_max_A": 8.0}, 8.0),
    ({"percent": 50.0}, 7.5),
    ({"standing": (Condition("probe_lost", DERATE, allowed_A=6.0),)}, 6.0),
    ({"restart": True}, 3.0),
    ({"slow": True}, 3.0),
    ({"restart": True, "share_A": 2.0}, 2.0),
    ({"restart": True, "percent": 20.0}, 3.0),
    ({"share_A": 0.4}, 0.0),
    ({"percent": 3.0}, 0.0),
    ({"share_A": 99.0}, 15.0),
]


@pytest.mark.parametrize(("given_", "expected"), SMALLEST)
def test_the_smallest_limit_wins_and_below_the_least_current_there_is_none(kit, given_, expected):
    """Step, restart, slow, share, circuit, derates; a restart current is not derated again; under 0.5 A: zero."""
    changes = dict(given_)
    run = kit.run(restart_left_ms=1 if changes.pop("restart", False) else 0, slow=changes.pop("slow", False))
    assert set_A(kit, run=run, **changes) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("time_ms", "from_A", "expected"),
    [
        (0, 0.0, 0.0),
        (60_000, 0.0, 1.5),
        (300_000, 0.0, 7.5),
        (600_000, 0.0, 15.0),
        (300_000, 5.0, 10.0),
        (300_000, 30.0, 15.0),
    ],
)
def test_a_ramp_is_a_straight_line_and_never_above_its_step(kit, time_ms, from_A, expected):
    """0 to 15 A in ten minutes; from 5 A it passes 10 A half way; from above it begins at the step's own."""
    step = kit.step(ramp_ms=600_000)
    assert set_A(kit, step=step, run=kit.run(step_time_ms=time_ms, ramp_from_A=from_A)) == pytest.approx(expected)


def test_a_rest_asks_for_nothing(kit):
    """Whatever the limits."""
    assert set_A(kit, step=kit.step(kind="rest", current_A=0.0)) == 0.0


@pytest.mark.parametrize(("batteries", "volts"), [(18, 307.8), (10, 171.0), (20, 340.0)])
def test_the_voltage_limit_is_the_strings_and_never_above_the_circuits(kit, batteries, volts):
    """2.85 V x 6 cells x batteries, at most 340 V."""
    own = kit.settings().circuits[0]
    assert limits.voltage_limit_V(own, kit.plan(), kit.step(), batteries) == pytest.approx(volts)


def test_less_than_the_least_current_holds_a_living_circuit_after_a_minute(kit):
    """A derate to 20 % of 2 A is 0.4 A, below 0.5 A: zero at once, held after 60 s."""
    bench = kit.bench(circuits=1).running(kit.step(current_A=2.0, restart_current_A=2.0))
    bench.toys[0].probe_C = 54.99
    bench.cycles(10)
    assert bench.set_A() == 0.0
    assert bench.circuit().state is State.RUNNING
    bench.cycles(58)
    assert bench.circuit().state is State.HELD


def test_the_voltage_limit_of_every_command_is_the_steps(kit):
    """2.85 V a cell of 108 cells."""
    bench = kit.bench(circuits=1).running()
    assert bench.out.commands[0].voltage_limit_V == pytest.approx(307.8)


NAMED = [
    (100.0, (), (100.0, None)),
    (60.0, (), (60.0, "probe_derate")),
    (60.0, ((50.0, None, "water_derate"),), (50.0, "water_derate")),
    (40.0, ((50.0, None, "water_derate"),), (40.0, "probe_derate")),
    (20.0, ((20.0, None, "runaway"),), (20.0, "runaway")),
    (100.0, ((100.0, 6.0, "probe_lost"),), (40.0, "probe_lost")),
    (100.0, ((30.0, 6.0, "probe_lost"),), (30.0, "probe_lost")),
    (100.0, ((50.0, 6.0, "probe_lost"),), (40.0, "probe_lost")),
    (100.0, ((100.0, 60.0, "probe_lost"), (100.0, None, "probe_derate")), (100.0, None)),
]


@pytest.mark.parametrize(("percent", "derates", "expected"), NAMED)
def test_the_law_that_takes_most_is_named_with_its_share(kit, percent, derates, expected):
    """In percent of the step's current; at the same share a law comes before the derate that eases."""
    standing = tuple(Condition(code, DERATE, allowed_percent=share, allowed_A=amps) for share, amps, code in derates)
    assert limits.smallest_percent(percent, kit.step(), standing) == pytest.approx(expected)
    warned = tuple(Condition("warned", Reaction.WARN, allowed_percent=1.0) for _ in range(1))
    assert limits.smallest_percent(percent, kit.step(), (*standing, *warned)) == pytest.approx(expected)


@pytest.mark.parametrize("step_A", [None, 0.0])
def test_amperes_are_no_share_of_a_step_without_current(kit, step_A):
    """A rest, or no step at all: nothing divides by it."""
    step = None if step_A is None else kit.step(kind="rest", current_A=step_A)
    standing = (Condition("probe_lost", DERATE, allowed_A=6.0),)
    assert limits.smallest_percent(100.0, step, standing) == (100.0, None)


@settings(max_examples=200, deadline=None)
@given(
    st.floats(0.0, 100.0),
    st.lists(st.tuples(st.floats(0.0, 100.0), st.one_of(st.none(), st.floats(0.0, 100.0))), max_size=3),
    st.one_of(st.none(), st.floats(0.0, 100.0)),
    st.floats(0.6, 80.0),
    st.booleans(),
    st.booleans(),
)
def test_no_set_point_is_above_any_of_its_limits(kit, percent, derates, share_A, step_A, slow, restarts):
    """Step, circuit, share, every derate in per cent and in amperes, restart: none of them is ever passed."""
    standing = tuple(
        Condition(f"c{n}", DERATE, allowed_percent=of, allowed_A=amps) for n, (of, amps) in enumerate(derates)
    )
    step, run = kit.step(current_A=step_A), kit.run(slow=slow, restart_left_ms=int(restarts))
    asked = set_A(kit, step, run, share_A, percent, standing)
    most = [step_A, 60.0, step_A * percent / 100.0, *(step_A * of / 100.0 for of, _ in derates)]
    most += [amps for _, amps in derates if amps is not None]
    most += [share_A] if share_A is not None else []
    most += [3.0] if slow or restarts else []
    assert asked == (min(most) if min(most) >= 0.5 else 0.0)


@pytest.mark.parametrize(
    ("asked_A", "kind", "lost"),
    [(0.0, "charge", True), (0.49, "charge", True), (0.5, "charge", False), (0.0, "rest", False)],
)
def test_the_least_current_is_lost_to_a_step_that_wants_some(kit, asked_A, kind, lost):
    """Below 0.5 A; a rest wants none."""
    assert limits.least_lost(kit.settings().circuits[0], kit.step(kind=kind), asked_A) is lost


def test_a_share_in_amperes_is_told_to_the_fraction_of_a_percent(kit):
    """5 A of 15 A are a third."""
    standing = (Condition("probe_lost", DERATE, allowed_A=5.0),)
    assert limits.smallest_percent(100.0, kit.step(), standing) == (pytest.approx(100.0 / 3.0), "probe_lost")


def test_a_rest_asks_for_nothing_whatever_current_it_names(kit):
    """Its kind decides."""
    assert set_A(kit, kit.step(kind="rest", current_A=15.0)) == 0.0
