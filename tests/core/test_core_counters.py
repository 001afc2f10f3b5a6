"""Charge, discharge and energy against worked examples, and a balance that Hypothesis tries to break."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.counters import areas, count
from controller.core.state import Counters

AMPERES = st.integers(-600, 600).map(lambda tenths: tenths / 10.0)


def counted(kit, currents, period_ms=1_000, volts=2.0, stale_ms=3_000, counters=None):
    """Count a course of current; None is a cycle without a reading, "gap" one that came too late."""
    counters = counters or Counters()
    for index, current in enumerate(currents):
        fact = kit.facts(
            now_ms=index * period_ms,
            current_A=current if isinstance(current, float) else None,
            fresh=isinstance(current, float),
            gap=current == "gap",
            volts_per_cell=volts,
        )
        counters = count(counters, fact, stale_ms)
    return counters


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_ten_ampere_for_an_hour_are_ten_ampere_hours(kit, period_ms):
    """10 A x 3600 s = 10 Ah, at any period; at 216 V that is 2.16 kWh."""
    readings = 3_600_000 // period_ms + 1
    counters = counted(kit, [10.0] * readings, period_ms, stale_ms=3 * period_ms)
    assert counters.charge_Ah == pytest.approx(10.0, abs=1e-9)
    assert counters.energy_Wh == pytest.approx(2_160.0, abs=1e-6)
    assert counters.discharge_Ah == 0.0


def test_a_ramp_of_an_hour_is_a_triangle(kit):
    """0 to 12 A in 3600 s: half of 12 Ah, exactly by the trapezoid."""
    assert counted(kit, [12.0 * s / 3600.0 for s in range(3601)]).charge_Ah == pytest.approx(6.0, abs=1e-9)


def test_charge_and_discharge_are_counted_apart(kit):
    """-10 A for half an hour and +10 A for half an hour are 5 Ah each, and do not cancel."""
    counters = counted(kit, [-10.0] * 1801 + [10.0] * 1801)
    assert counters.charge_Ah == pytest.approx(5.0, abs=0.003)
    assert counters.discharge_Ah == pytest.approx(5.0, abs=0.003)


def test_a_line_through_zero_gives_two_triangles():
    """From +6 to -3 A in an hour: zero after 40 minutes, 2 Ah up, 0.5 Ah down; and the other way about."""
    assert areas(6.0, -3.0, 1.0) == pytest.approx((2.0, 0.5))
    assert areas(-3.0, 6.0, 1.0) == pytest.approx((2.0, 0.5))
    assert areas(0.0, 0.0, 1.0) == (0.0, 0.0)


@pytest.mark.parametrize("silence", [[None] * 60, ["gap"]])
def test_a_gap_is_not_filled(kit, silence):
    """15 A before and after 60 s of silence: a quarter of an ampere-hour is not counted."""
    once = counted(kit, [15.0] * 101)
    both = counted(kit, [15.0] * 101 + silence + [15.0] * 101)
    assert both.charge_Ah == pytest.approx(2 * once.charge_Ah)


def test_a_missed_cycle_shorter_than_the_stale_time_is_bridged(kit):
    """Two cycles without a reading are still one trapezoid of 3 s."""
    assert counted(kit, [15.0, None, None, 15.0]).charge_Ah == pytest.approx(45.0 / 3600.0)


def test_a_missed_reading_past_the_stale_time_begins_anew(kit):
    """4 s between two readings are a gap."""
    assert counted(kit, [15.0, None, None, None, 15.0]).charge_Ah == 0.0


def test_an_old_value_shown_again_is_not_counted_twice(kit):
    """Only a reading of this very cycle closes a trapezoid."""
    first = counted(kit, [10.0])
    again = count(first, kit.facts(now_ms=1_000, current_A=99.0, fresh=False), 3_000)
    assert again is first


def test_lost_volts_cost_no_charge(kit):
    """Charge needs no volts."""
    assert counted(kit, [10.0] * 3601, volts=None).charge_Ah == pytest.approx(10.0)


def test_counting_is_the_same_to_the_bit_each_time(kit):
    """The same readings give the same float, so that a record can be decided again."""
    currents = [0.1 * (i % 37) for i in range(500)]
    assert counted(kit, currents) == counted(kit, currents)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(AMPERES, st.none()), max_size=40))
def test_charge_balance_against_exact_fractions(kit, currents):
    """Charge less discharge is the exact trapezoid sum over every pair of readings not further apart than stale."""
    counters = counted(kit, currents)
    read = [(index, Fraction(current)) for index, current in enumerate(currents) if current is not None]
    exact = Fraction(0)
    for (before_s, before_A), (now_s, now_A) in pairwise(read):
        if now_s - before_s <= 3:
            exact += (before_A + now_A) / 2 * (now_s - before_s) / 3600
    assert counters.charge_Ah - counters.discharge_Ah == pytest.approx(float(exact), abs=1e-9)
    assert counters.charge_Ah >= 0.0
    assert counters.discharge_Ah >= 0.0


@settings(max_examples=60, deadline=None)
@given(AMPERES, AMPERES, st.integers(1, 3600))
def test_a_line_cut_in_two_has_the_same_areas(before, now, seconds):
    """Reading twice as often changes nothing on a straight line."""
    hours = seconds / 3600.0
    middle = (before + now) / 2.0
    first, second = areas(before, middle, hours / 2.0), areas(middle, now, hours / 2.0)
    whole = areas(before, now, hours)
    assert (first[0] + second[0], first[1] + second[1]) == pytest.approx(whole, abs=1e-9)


def test_every_circuit_counts_what_it_read(kit):
    """In a living bath: 60 s at 15 A are a quarter of an ampere-hour, in the totals and in the step."""
    bench = kit.bench(circuits=1).running()
    before = bench.circuit().run
    bench.cycles(60)
    run = bench.circuit().run
    assert run.counters.charge_Ah - before.counters.charge_Ah == pytest.approx(0.25)
    assert run.step_charge_Ah - before.step_charge_Ah == pytest.approx(0.25)


def test_a_held_run_still_counts_what_flows(kit):
    """Charge is what was read, not what was asked for."""
    bench = kit.bench(circuits=1).running()
    bench.order("hold")
    bench.cycles(4)
    before = bench.circuit().run.counters.charge_Ah
    bench.bad[0, "current_A"] = 0.9
    bench.cycles(21)
    assert bench.circuit().run.counters.charge_Ah - before == pytest.approx(20.5 * 0.9 / 3600.0, rel=1e-6)
