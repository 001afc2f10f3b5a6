"""The figures of a try: gas, energy, plates, hands and the limits near it, by hand-made courses and by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drykit import course_of, done_step, end_of, happened, plan_of, plan_step, setting_of, tried_of

from controller.bathfile import load_bath
from controller.core.planned import Ends, PlanReading
from simulator.bench.figures import gas_of, gassing_from_h, hands_of, mains_kWh, peak_of, percent_LEL, totals_of
from simulator.bench.moments import Moment, h_mm, moment_of
from simulator.bench.nearness import nearest_limits
from simulator.bench.tariff import Tariff
from simulator.hall import BATH_FILE

BATH = load_bath(BATH_FILE)


def near(tried, code, **given):
    return next(one for one in nearest_limits(setting_of(tried, **given), tried) if one.code == code)


def test_hydrogen_of_the_bath_by_the_rule():
    """18 batteries of 6 cells, 3 circuits, 10 A: 0.05 m3/h a cell and ampere is 162 m3/h, wherein the peak of 0.2 m3/h
    a string stands at 0.6 / 162 / 0.04 = 9.3 % of the explosive limit; for 5 % it takes 300 m3/h.
    """
    tried = tried_of()
    gas = gas_of(setting_of(tried), tried)
    assert gas.rule_air_m3_h == pytest.approx(162.0)
    assert (gas.string_m3, gas.bath_m3) == pytest.approx((1.8, 5.4))
    assert (gas.string_peak_m3_h, gas.peak_h, gas.bath_peak_m3_h) == pytest.approx((0.2, 1.0, 0.6))
    assert gas.peak_percent_LEL == pytest.approx(100.0 * 0.6 / 162.0 / 0.04)
    assert gas.low_air_m3_h == pytest.approx(300.0)
    assert not gas.air_is_the_baths


def test_the_rule_of_the_standard_on_its_own_examples():
    """108 cells at 3.6 A ask for 19.44 m3/h, at 6 A for 32.4 (0.05 n I of IEC 62485-2, as calculators on the web give
    it); 120 cells at 10 A for 60.
    """
    for batteries, current_A, air in ((18, 3.6, 19.44), (18, 6.0, 32.4), (20, 10.0, 60.0)):
        tried = tried_of(plan_of(plan_step(current_A=current_A)))
        gas = gas_of(setting_of(tried, batteries=batteries, circuits=1), tried)
        assert gas.rule_air_m3_h == pytest.approx(air)


def test_hydrogen_in_the_baths_own_air():
    """With a bath file its airflow counts, for all circuits that are asked for; the rule's air is told beside it."""
    tried = tried_of()
    gas = gas_of(setting_of(tried, bath=BATH, circuits=8), tried)
    assert gas.air_is_the_baths
    assert gas.air_m3_h == 3600.0
    assert gas.peak_percent_LEL == pytest.approx(100.0 * 1.6 / 3600.0 / 0.04)
    assert gas.rule_air_m3_h == pytest.approx(0.05 * 108 * 8 * 10.0)


def test_no_air_is_no_percentage():
    """A profile without a charge asks for no air; nothing is divided by it."""
    assert percent_LEL(0.0, 0.0) == 0.0


def test_mains_pay_for_charge_only():
    """At 90 %: what a discharge takes out comes back nowhere."""
    assert mains_kWh(np.array([0.0, 9.0, 8.0, 17.0])) == pytest.approx([0.0, 10.0, 10.0, 20.0])


def test_a_peak_is_its_first_moment_and_nothing_where_nothing_is_known():
    """The first of equal values; values that are missing do not count."""
    hours = np.array([0.0, 1.0, 2.0, 3.0])
    assert (peak_of(np.array([1.0, 5.0, np.nan, 5.0]), hours).value, peak_of(np.array([1, 5, 2, 5]), hours).at_h) == (
        5,
        1,
    )
    assert np.isnan(peak_of(np.full(4, np.nan), hours).value)


def test_gassing_begins_with_the_knee_not_with_the_start_peak():
    """Volts over the line in the first tenth of the charge are the skin's; later they count once they stay."""
    hours = np.linspace(0.0, 1.0, 61)
    volts = np.where(hours < 0.08, 2.5, np.where(hours > 0.605, 2.6, 2.2))
    tried = tried_of(course=course_of(voltage_V_per_cell=volts))
    assert gassing_from_h(tried) == pytest.approx(37 / 60)
    spike = np.where(np.isclose(hours, 0.5), 2.6, 2.2)
    assert gassing_from_h(tried_of(course=course_of(voltage_V_per_cell=spike))) is None
    rest = np.where(hours > 0.605, 2.6, 2.2)
    assert gassing_from_h(tried_of(course=course_of(voltage_V_per_cell=rest, current_A=0.0))) is None


def test_totals_say_what_the_books_say():
    """Shares as per cent, water of all cells of the bath in litres, density at the bath's reference temperature."""
    tried = tried_of(end=end_of(formed_positive=0.97, charge_over_theory=1.7))
    totals = totals_of(setting_of(tried), tried)
    assert (totals.formed_positive_percent, totals.of_theory_percent) == pytest.approx((97.0, 170.0))
    assert totals.water_L_bath == pytest.approx(30.0 * 108 * 3 / 1000.0)
    assert (totals.energy_kWh, totals.battery_kWh, totals.mains_kWh) == pytest.approx((2.4, 2.4 / 18, 2.4 / 0.9))
    assert (totals.cooling.value, totals.cooling_kW_bath) == pytest.approx((1.5, 4.5))
    assert (totals.density, totals.reference_C) == (pytest.approx(1.28), 25.0)
    assert totals.cost is None
    cool = replace(BATH, file=BATH.file.model_copy(update={"density_reference_C": 20.0}))
    assert totals_of(setting_of(tried, bath=cool), tried).density == pytest.approx(1.28 + 0.0037, abs=4e-4)


def test_cost_follows_the_clock():
    """An hour from 21:30 on: half at the day's price, half at the night's."""
    tried = tried_of()
    tariff = Tariff((360, 1320), (0.30, 0.10))
    totals = totals_of(setting_of(tried), tried, Moment(21 * 60 + 30), tariff)
    assert totals.cost == pytest.approx(2.4 / 0.9 * 0.20)


def test_the_probe_counts_from_the_water_up():
    """44 C in water of 31: 13 of the 19 K to the derate, at the moment of the peak."""
    one = near(tried_of(), "derate")
    assert (one.value, one.limit, one.at_h, one.share) == pytest.approx((44.0, 50.0, 1.0, 13 / 19))


def test_a_level_that_was_passed_leads_to_the_next():
    """Past the derate the hold is next, and past the hold the profile's own trip where it is the lower one."""
    warm = tried_of(course=course_of(probe_C=52.0))
    assert near(warm, "hold").share == pytest.approx(1.4)
    hot = tried_of(plan_of(probe_trip_C=58.0), course=course_of(probe_C=57.0))
    assert (near(hot, "trip").limit, near(hot, "trip").share) == pytest.approx((58.0, 2.0 + 2 / 3))
    assert near(tried_of(course=course_of(probe_C=99.0)), "trip").share > 3.0


def test_volts_count_from_rest_and_a_constant_voltage_step_is_meant():
    """2.55 of 2.85 from 2.1 on is 60 %; a step that ends by its falling current stands at its limit on purpose."""
    tried = tried_of(course=course_of(voltage_V_per_cell=2.55))
    assert near(tried, "step_limit").share == pytest.approx(0.6)
    assert near(tried, "voltage_trip").share == pytest.approx(0.45 / 0.85)
    meant = tried_of(plan_of(plan_step(ends=Ends(current_A=3.0))), course=course_of(voltage_V_per_cell=2.85))
    assert "step_limit" not in {one.code for one in nearest_limits(setting_of(meant), meant)}


def test_charge_and_time_count_beyond_the_plan():
    """Half of what the cap leaves over the plan; a step's hour of the half hour that its longest time leaves."""
    tried = tried_of(course=course_of(charge_Ah=10.25), steps=(done_step(end_h=1.25),))
    assert near(tried, "charge_cap").share == pytest.approx(0.5)
    assert near(tried, "longest_time").share == pytest.approx(0.5)
    assert near(tried_of(), "charge_cap").share == 0.0


def test_the_nearest_limit_stands_first_and_unread_probes_have_none():
    """Sorted by share; a probe that never gave a value is at no limit; what never started has none at all."""
    tried = tried_of(course=course_of(voltage_V_per_cell=2.84, probe_C=np.nan))
    found = nearest_limits(setting_of(tried), tried)
    assert found[0].code == "step_limit"
    assert [one.share for one in found] == sorted((one.share for one in found), reverse=True)
    assert not {"derate", "hold", "trip"} & {one.code for one in found}
    idle = tried_of(state="idle")
    assert nearest_limits(setting_of(idle), idle) == ()


def test_hands_in_the_order_of_the_day():
    """Meter walk, task, readings after their step, end, unloading after the after-run."""
    plan = plan_of(readings=(PlanReading(0, "density", (1, 9)), PlanReading(3, "voltage", (1,))))
    tried = tried_of(plan, hours=5.0, helped=((2.0, "dump, refill 1.320"),), steps=(done_step(end_h=4.0),))
    found = totals_of(setting_of(tried), tried).hands
    assert [(one.what, one.begin_h, one.name) for one in found] == [
        ("walk", 0.25, ""), ("task", 2.0, "dump, refill 1.320"), ("reading", 4.0, "density of 1, 9"), ("end", 5.0, ""),
        ("unload", 6.0, ""),
    ]  # fmt: skip
    assert found[0].end_h == 1.0


def test_hands_by_the_bath_file():
    """The demo's bath has no meter walk; a bath's own after-run counts; a run that did not end has no unloading."""
    file = BATH.file.model_copy(update={"after_run_minutes": 90.0})
    tried = tried_of(hours=5.0)
    found = {one.what: one.begin_h for one in hands_of(setting_of(tried, bath=replace(BATH, file=file)), tried)}
    assert found == {"end": 5.0, "unload": 6.5}
    held = tried_of(state="held", hours=5.0, events=(happened(1.0, "held"),))
    assert {one.what for one in hands_of(setting_of(held), held)} == {"walk"}
    short = tried_of(hours=0.2)
    assert "walk" not in {one.what for one in hands_of(setting_of(short), short)}


def test_a_step_that_waits_for_a_word_is_named():
    """A step ended by order without a task: somebody must be there to say done."""
    plan = plan_of(plan_step(name="soak on", ends=Ends(order=True)))
    tried = tried_of(plan, steps=(done_step(end_h=0.7, ended_by="order"),))
    assert SimpleNamespace(what="done", at=0.7, name="soak on") in [
        SimpleNamespace(what=one.what, at=one.begin_h, name=one.name) for one in hands_of(setting_of(tried), tried)
    ]


@pytest.mark.parametrize(
    ("text", "hours", "clock"),
    [("22:00", 0.0, "22:00"), ("22:00", 6.4, "04:24 next day"), ("22:00", 30.0, "04:00 day 3"),
     ("2026-03-16T22:00", 6.4, "Tue 04:24"), ("2026-12-31 23:59", 1.0, "Fri 00:59")],
)  # fmt: skip
def test_moments_by_the_plants_clock(text, hours, clock):
    """With a date the day of the week, without one how many days later."""
    assert moment_of(text, "dryrun").after(hours) == clock


def test_hours_as_people_write_them():
    """Minutes are rounded; a minus before the start, none before zero."""
    assert [h_mm(hours) for hours in (0.0, 7.999, 18.4, -0.5, -0.001, 120.0)] == [
        "0:00", "8:00", "18:24", "-0:30", "0:00", "120:00",
    ]  # fmt: skip
