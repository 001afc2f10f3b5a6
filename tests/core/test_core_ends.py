"""What ends a step: each kind of end, in how many readings, and which of several comes first."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import ends, sequence
from controller.core.types import State

MINUTE_MS = 60_000


def lived(kit, run, step, *facts, undisturbed=True, limited=True):
    """Let a run live through these cycles of a step; return the run and what ended the step in the last one."""
    by = None
    for fact in facts:
        run = sequence.lived(run, step, fact, 100.0, undisturbed, limited)
        by = sequence.ended_by(run, step, fact, limited)
    return run, by


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_time_ends_a_step_in_the_cycle_that_reaches_it(kit, period_ms):
    """10 s of flowing or resting time, at any period."""
    step = kit.step(ends={"time_ms": 10_000})
    cycle = kit.facts(dt_ms=period_ms)
    needed = 10_000 // period_ms
    assert lived(kit, kit.run(), step, *[cycle] * (needed - 1))[1] is None
    assert lived(kit, kit.run(), step, *[cycle] * needed)[1] == "time"


def test_a_gap_is_no_step_time(kit):
    """Nobody watched: the time does not count."""
    run, by = lived(kit, kit.run(), kit.step(ends={"time_ms": 10_000}), kit.facts(dt_ms=60_000, gap=True))
    assert (run.step_time_ms, by) == (0, None)


@pytest.mark.parametrize(
    ("kind", "charged", "discharged", "by"),
    [
        ("charge", 9.99, 50.0, None),
        ("charge", 10.0, 0.0, "charge"),
        ("discharge", 50.0, 9.99, None),
        ("discharge", 0.0, 10.0, "charge"),
    ],
)
def test_charge_ends_a_step_by_what_its_own_direction_moved(kit, kind, charged, discharged, by):
    """10 Ah charged end a charge, 10 Ah discharged a discharge."""
    run = kit.run(step_charge_Ah=charged, step_discharge_Ah=discharged)
    assert ends.met(run, kit.step(kind=kind, ends={"charge_Ah": 10.0})) == by


def test_owed_charge_moves_the_end_of_the_step_that_takes_it(kit):
    """10 Ah and 2 Ah owed: 12 Ah; a step that does not take it ends at 10."""
    run = kit.run(step_charge_Ah=11.0, owed_Ah=2.0)
    step = kit.step(ends={"charge_Ah": 10.0})
    assert ends.met(run, step) == "charge"
    assert ends.met(run, replace(step, takes_owed=True)) is None
    assert ends.met(replace(run, step_charge_Ah=12.0), replace(step, takes_owed=True)) == "charge"


MEASURED = [
    ("charge", {"voltage_V_per_cell": 2.6}, {"volts_per_cell": 2.6}, {"volts_per_cell": 2.59}, "voltage"),
    ("discharge", {"voltage_V_per_cell": 1.75}, {"volts_per_cell": 1.75}, {"volts_per_cell": 1.76}, "voltage"),
    ("charge", {"current_A": 2.0}, {"current_A": 2.0}, {"current_A": 2.1}, "current"),
    ("rest", {"temperature_C": 40.0}, {"probe_C": 40.0}, {"probe_C": 40.1}, "temperature"),
]


@pytest.mark.parametrize(("kind", "asked", "met", "short", "by"), MEASURED)
def test_an_end_by_a_measured_value_needs_two_readings_in_a_row(kit, kind, asked, met, short, by):
    """One spike ends no step; two readings do."""
    step, run = kit.step(kind=kind, ends=asked), kit.run(flowing=True)
    good, bad = kit.facts(**met), kit.facts(**short)
    assert lived(kit, run, step, *[bad] * 5)[1] is None
    assert lived(kit, run, step, good, bad, good)[1] is None
    assert lived(kit, run, step, good, good)[1] == by


@pytest.mark.parametrize(("kind", "asked", "met", "short", "by"), MEASURED)
def test_a_value_not_read_ends_no_step(kit, kind, asked, met, short, by):
    """Unread is not reached, and an old reading seen twice is one."""
    step, run = kit.step(kind=kind, ends=asked), kit.run(flowing=True)
    unread = kit.facts(**dict.fromkeys(met), fresh=False)
    assert lived(kit, run, step, *[unread] * 5)[1] is None
    assert lived(kit, run, step, kit.facts(**met), *[kit.facts(**met, fresh=False)] * 5)[1] is None


@pytest.mark.parametrize(("asked", "met"), [({"voltage_V_per_cell": 2.0}, {}), ({"current_A": 2.0}, {})])
def test_no_measured_end_of_a_charge_before_current_flowed(kit, asked, met):
    """A formed string stands at 2.1 V and 0 A before the first current: that ends nothing."""
    step = kit.step(ends=asked)
    assert lived(kit, kit.run(), step, *[kit.facts(current_A=0.0, volts_per_cell=2.1)] * 5)[1] is None


def test_restart_current_is_not_current_fallen_to_its_end(kit):
    """A step that ends at 3.6 A, resumed at 3 A, has not ended: it was told to take no more."""
    step = kit.step(ends={"current_A": 3.6, "time_ms": 4 * 60 * MINUTE_MS}, restart_ms=20_000)
    bench = kit.bench(circuits=1).running(step, kit.step(2, current_A=6.0))
    bench.order("hold")
    bench.cycles(4)
    assert bench.order("resume") == "accepted"
    bench.cycles(8)
    assert bench.circuit().run.step == 0
    assert bench.set_A() == 3.0


def test_a_derate_is_not_current_fallen_to_its_end(kit):
    """20 % of 15 A is 3 A because the battery is hot, not because it is full."""
    step = kit.step(ends={"current_A": 3.6, "time_ms": 4 * 60 * MINUTE_MS})
    bench = kit.bench(circuits=1).running(step, kit.step(2, current_A=6.0))
    bench.toys[0].probe_C = 54.9
    bench.cycles(8)
    assert bench.circuit().run.step == 0


def hour(kit, rise_mV, probe_C=(40.0, 40.0), charged=20.0, disturbed_at=None, period_ms=60_000, lost=()):
    """An hour and five minutes of a steady end over 60 minutes; volts and temperature on straight lines."""
    step = kit.step(
        ends={"steady_rise_mV_per_cell": 4.0, "steady_over_ms": 60 * MINUTE_MS, "steady_not_before_Ah": 12.0}
    )
    run, by = kit.run(step_charge_Ah=charged, flowing=True), None
    for minute in range(65):
        share = minute / 60.0
        fact = kit.facts(
            dt_ms=period_ms,
            volts_per_cell=2.70 + rise_mV / 1000.0 * share,
            probe_C=probe_C[0] + (probe_C[1] - probe_C[0]) * share,
            probe_lost=minute in lost,
        )
        run = sequence.lived(run, step, fact, 100.0, minute != disturbed_at, True)
        by = by or sequence.ended_by(run, step, fact, True)
    return by


@pytest.mark.parametrize(("rise_mV", "by"), [(3.5, "steady"), (5.0, None), (-3.0, "steady")])
def test_volts_that_no_longer_rise_end_a_step(kit, rise_mV, by):
    """At most 4 mV a cell in an hour."""
    assert hour(kit, rise_mV) == by


@pytest.mark.parametrize(
    ("rise_mV", "probe_C", "by"), [(0.0, (40, 42), None), (11.0, (42, 40), "steady"), (-11.0, (40, 42), "steady")]
)
def test_steady_volts_are_corrected_by_5_5_mV_a_kelvin(kit, rise_mV, probe_C, by):
    """2 K warmer hide 11 mV of rise; 2 K cooler feign them."""
    assert hour(kit, rise_mV, probe_C) == by


def test_the_correction_is_to_40_C(kit):
    """2.70 V at 50 C are 2.755 V at 40 C, 2.70 V at 30 C are 2.645 V; without a probe there is none."""
    assert ends.corrected_V_per_cell(kit.facts(volts_per_cell=2.7, probe_C=50.0)) == pytest.approx(2.755)
    assert ends.corrected_V_per_cell(kit.facts(volts_per_cell=2.7, probe_C=30.0)) == pytest.approx(2.645)
    assert ends.corrected_V_per_cell(kit.facts(volts_per_cell=2.7, probe_C=30.0, probe_lost=True)) is None


def test_a_plateau_before_the_least_charge_ends_nothing(kit):
    """The first hour of a formation is steady too."""
    assert hour(kit, 0.0, charged=11.9) is None


def test_a_disturbed_current_starts_the_steady_hour_anew(kit):
    """A derate in the middle makes volts fall: that is not steady."""
    assert hour(kit, 0.0, disturbed_at=30) is None


def test_the_steady_window_is_not_met_before_its_hour(kit):
    """59 minutes are not an hour."""
    step = kit.step(ends={"steady_rise_mV_per_cell": 4.0, "steady_over_ms": 60 * MINUTE_MS})
    cycle = kit.facts(dt_ms=MINUTE_MS)
    assert lived(kit, kit.run(flowing=True), step, *[cycle] * 59)[1] is None


def test_done_ends_a_step_that_waits_for_it_and_no_other(kit):
    """The order counts where the step asks for it."""
    done = kit.run(done=True)
    assert ends.met(done, kit.step(ends={"order": True})) == "order"
    assert ends.met(done, kit.step(ends={"charge_Ah": 10.0})) is None


def test_the_first_end_met_ends_the_step(kit):
    """Time comes before charge here and charge before time there; volts end it before both."""
    step = kit.step(ends={"time_ms": 10_000, "charge_Ah": 5.0, "voltage_V_per_cell": 2.6})
    low, high = kit.facts(volts_per_cell=2.3), kit.facts(volts_per_cell=2.65)
    assert lived(kit, kit.run(flowing=True), step, *[low] * 10)[1] == "time"
    assert lived(kit, kit.run(flowing=True, step_charge_Ah=5.0), step, low)[1] == "charge"
    assert lived(kit, kit.run(flowing=True), step, high, high)[1] == "voltage"


def test_a_run_goes_through_its_steps_and_is_complete(kit):
    """Charge, rest, charge; each end is told with what ended it, and the last one ends the run."""
    steps = (
        kit.step(1, ends={"time_ms": 5_000}),
        kit.step(2, kind="rest", current_A=0.0, ends={"time_ms": 5_000}),
        kit.step(3, current_A=6.0, ends={"charge_Ah": 0.005}),
    )
    bench = kit.bench(circuits=1).running(*steps).cycles(30)
    told = [(e.data["step"], e.data["by"]) for e in bench.events if e.code == "step_ended"]
    assert told == [(1, "time"), (2, "time"), (3, "charge")]
    assert bench.circuit().state is State.COMPLETE
    assert bench.circuit().run.end_ms is not None
    assert bench.set_A() == 0.0
    assert not bench.toys[0].on


def test_samples_of_a_steady_end_span_its_time_and_no_more(kit):
    """Twelve spans, thirteen samples, the newest last; due by step time, not by the number of cycles."""
    step = kit.step(ends={"steady_rise_mV_per_cell": 4.0, "steady_over_ms": 12_000})
    full = tuple((1_000 * second, 2.6) for second in range(1, 14))
    fact = kit.facts(volts_per_cell=2.7, probe_C=40.0)
    assert ends.sampled(kit.run(steady=full, step_time_ms=13_999), step, fact, True) is full
    assert ends.sampled(kit.run(steady=full, step_time_ms=14_000), step, fact, True) == (*full[1:], (14_000, 2.7))
    assert ends.sampled(kit.run(steady=full[:12], step_time_ms=14_000), step, fact, True) == (
        *full[:12], (14_000, 2.7),
    )  # fmt: skip
    assert ends.sampled(kit.run(step_time_ms=5), step, fact, True) == ((5, 2.7),)
    assert ends.sampled(kit.run(steady=full, step_time_ms=14_000), step, fact, False) == ()
    blind = kit.facts(volts_per_cell=None)
    assert ends.sampled(kit.run(steady=full, step_time_ms=14_000), step, blind, True) is full


@pytest.mark.parametrize("changes", [{"steady_rise_mV_per_cell": None}, {"steady_over_ms": 0}])
def test_a_step_without_a_steady_end_takes_no_samples(kit, changes):
    """Neither without a rise nor without a time."""
    step = kit.step(ends={"steady_rise_mV_per_cell": 4.0, "steady_over_ms": 12_000, **changes})
    assert ends.sampled(kit.run(steady=((1, 2.6),), step_time_ms=14_000), step, kit.facts(), True) == ()


@pytest.mark.parametrize(("rise_V", "charge_Ah", "count", "by"), [
    (0.0039, 12.0, 13, "steady"), (0.0041, 12.0, 13, None), (0.0039, 11.99, 13, None), (0.0039, 12.0, 12, None),
])  # fmt: skip
def test_the_rise_is_from_the_oldest_sample_to_the_newest(kit, rise_V, charge_Ah, count, by):
    """4 mV a cell at most, after 12 Ah, over a whole window; what lies between does not count."""
    step = kit.step(ends={"steady_rise_mV_per_cell": 4.0, "steady_over_ms": 12_000, "steady_not_before_Ah": 12.0})
    samples = [(1_000 * number, 2.9) for number in range(count)]
    samples[0], samples[-1] = (0, 2.6), (1_000 * count, 2.6 + rise_V)
    run = kit.run(steady=tuple(samples), step_charge_Ah=charge_Ah, flowing=True)
    assert ends.measured_end(run, step, kit.facts(), True, True) == by
