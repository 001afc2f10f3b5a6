"""Laws of a bath's water at the very edge of their comparisons, and what an operator is shown of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import (
    bath_water,
    flow,
    level,
)
from controller.core.lawsettings import FlowLimits, LawSettings, LevelLimits, WaterLimits
from controller.core.state import Allowed, CircuitState, Timer

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
NOW_MS = 4 * HOUR_MS


def says(found, holds, value=None, limit=None, percent=100.0):
    """Whether a finding is this one, the last bit of its amounts left open."""
    shown = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit)]
    return (found.holds, found.value, found.limit, found.allowed_percent, found.allowed_A) == (
        holds, *shown, percent, None,
    )  # fmt: skip


def seen(kit, facts=None, *, laws=None, inputs=None, duty=None, in_use=True, after_run=False, **settings):
    """A bath's view: facts, memory and settings as a sound one's, but for these."""
    made = kit.settings(laws=laws or LawSettings(), **settings)
    circuits = tuple(CircuitState(own.name) for own in made.circuits)
    state = BathState(circuits, inputs=Inputs(**(inputs or {})), duty=Duty(**(duty or {})))
    return kit.bath_view(kit.bath_facts(**{"now_ms": NOW_MS, **(facts or {})}), in_use, after_run, made, state)


def allowed(view, percent):
    """The same bath with so much of its current allowed."""
    return replace(view, state=replace(view.state, allowed=replace(view.state.allowed, percent=percent)))


def water(kit, *sensors, laws=None, in_use=True):
    known = [one for one in sensors if one is not None]
    facts = {"water_C": max(known) if known else None, "waters_C": sensors}
    return seen(kit, facts, laws=laws, in_use=in_use)


@pytest.mark.parametrize(("compare", "limit"), [(bath_water.warm, 40.0), (bath_water.too_warm, 50.0)])
def test_water_is_warm_at_its_level_and_until_it_is_two_kelvins_below(kit, compare, limit):
    """Its temperature and the level are shown in either case."""
    for water_C, active, holds in (
        (limit, False, True), (limit - 0.01, False, False), (limit - 2.0, True, True), (limit - 2.01, True, False),
        (limit + 9.0, True, True),
    ):  # fmt: skip
        assert says(compare(water(kit, water_C), active), holds, water_C, limit)
    assert compare(water(kit, None), active=True) is CANNOT_TELL


@pytest.mark.parametrize(("water_C", "percent", "active", "holds"), [
    (45.0, 100.0, False, True), (44.99, 100.0, False, False), (43.0, 100.0, True, True), (42.99, 100.0, True, False),
    (20.0, 99.5, False, True), (20.0, 99.5, True, True), (None, 60.0, True, None), (48.0, 52.0, True, True),
])  # fmt: skip
def test_warm_water_reduces_until_the_whole_current_is_back(kit, water_C, percent, active, holds):
    """The share of current goes with it, in what cannot be told too."""
    view = allowed(water(kit, water_C), percent)
    assert says(bath_water.reduced(view, active), holds, water_C, None if water_C is None else 45.0, percent)


@pytest.mark.parametrize(("water_C", "in_use", "active", "expected"), [
    (15.0, True, False, (True, 15.0, 15.0)), (15.01, True, False, (False, 15.01, 15.0)),
    (17.0, True, True, (True, 17.0, 15.0)), (17.01, True, True, (False, 17.01, 15.0)), (5.0, False, True, (False,)),
    (None, True, True, (None,)), (None, False, False, (None,)),
])  # fmt: skip
def test_cold_water_is_told_at_its_level_while_current_flows(kit, water_C, in_use, active, expected):
    """It ends two kelvins above."""
    assert says(bath_water.cold(water(kit, water_C, in_use=in_use), active), *expected)


@pytest.mark.parametrize(("water_C", "in_use", "active", "holds"), [
    (None, True, False, True), (None, False, True, True), (None, False, False, False), (25.0, True, False, False),
])  # fmt: skip
def test_water_that_nobody_can_read_leaves_forty_per_cent(kit, water_C, in_use, active, holds):
    """In a bath in use, or where it stood."""
    assert says(bath_water.lost(water(kit, water_C, in_use=in_use), active), holds, percent=40.0)


@pytest.mark.parametrize(("sensors", "differ", "part"), [
    ((25.0, 28.0), (False, 3.0, 3.0), (False, 0.0, 2.0)), ((25.0, 28.5), (True, 3.5, 3.0), (False, 0.0, 2.0)),
    ((28.5, 25.0, 26.0), (True, 3.5, 3.0), (False, 0.0, 3.0)), ((25.0, None), (None,), (True, 1.0, 2.0)),
    ((None, None), (None,), (None,)), ((25.0,), (None,), (False, 0.0, 1.0)),
    ((None, 25.0, 29.0), (True, 4.0, 3.0), (True, 1.0, 3.0)),
    ((None, None, 29.0), (None,), (True, 2.0, 3.0)),
])  # fmt: skip
def test_sensors_of_the_water_are_compared_with_each_other(kit, sensors, differ, part):
    """Difference and count are shown; three kelvins are not too far apart."""
    view = water(kit, *sensors)
    assert says(bath_water.differ(view, False), *differ)
    assert says(bath_water.part_lost(view, False), *part)
    assert bath_water.asleep(view) is (None not in sensors and not differ[0])


@pytest.mark.parametrize(("water_C", "percent", "levels", "asleep"), [
    (15.0, 100.0, {}, False), (15.01, 100.0, {}, True), (39.99, 100.0, {}, True), (40.0, 100.0, {}, False),
    (60.0, 100.0, {}, False), (25.0, 99.9, {}, False), (30.0, 100.0, {"derate_C": 30.0}, False),
    (29.9, 100.0, {"derate_C": 30.0}, True),
    (30.0, 100.0, {"hold_C": 30.0}, False), (29.9, 100.0, {"hold_C": 30.0}, True), (25.0, 101.0, {}, True),
])  # fmt: skip
def test_water_sleeps_between_its_lowest_and_its_highest_levels(kit, water_C, percent, levels, asleep):
    """The lowest of the three that are too warm, whatever their order; never with current taken away."""
    view = allowed(water(kit, water_C, laws=LawSettings(water=WaterLimits(**levels))), percent)
    assert bath_water.asleep(view) is asleep
    assert not bath_water.asleep(seen(kit, {"water_C": None, "waters_C": (25.0,)}))


def lost_flow(kit, away_ms, *, in_use=True, after_run=False, water_C=25.0, trail=(), limits=None, now_ms=NOW_MS):
    facts = {"now_ms": now_ms, "flow_L_min": 0.2, "water_C": water_C}
    inputs = {"flow_lost_ms": None if away_ms is None else now_ms - away_ms, "water_C": trail}
    laws = LawSettings(flow=FlowLimits(**(limits or {})))
    return seen(kit, facts, laws=laws, inputs=inputs, in_use=in_use, after_run=after_run)


@pytest.mark.parametrize(("away_ms", "in_use", "after_run", "active", "holds"), [
    (1, True, False, False, True), (1, False, True, False, True), (1, False, False, True, True),
    (0, True, True, False, True),
    (1, False, False, False, False), (None, True, True, True, False),
])  # fmt: skip
def test_flow_is_missed_while_the_bath_has_heat_to_lose(kit, away_ms, in_use, after_run, active, holds):
    """What flows and what should are shown."""
    view = lost_flow(kit, away_ms, in_use=in_use, after_run=after_run)
    assert says(flow.lost(view, active), holds, *((0.2, 1.0) if holds else ()))
    assert flow.asleep(view) is (away_ms is None)


@pytest.mark.parametrize(("away_ms", "active", "holds"), [
    (HOUR_MS, False, True), (HOUR_MS - 1, False, False), (2 * HOUR_MS, False, True), (90_000, True, True),
    (90_000, False, False),
])  # fmt: skip
def test_flow_away_for_an_hour_holds_from_then_on(kit, away_ms, active, holds):
    """Minutes away and their limit are shown."""
    assert says(flow.lost_long(lost_flow(kit, away_ms), active), holds, away_ms / 60_000.0, 60.0)
    assert flow.lost_long(lost_flow(kit, None), active) is CLEAR


@pytest.mark.parametrize(("away_ms", "trail", "holds"), [
    (60_000, ((600_000, 24.0),), False), (60_000, ((600_000, 23.99),), True), (59_999, ((600_000, 20.0),), False),
    (600_000, ((600_000, 20.0),), True), (60_000, ((599_999, 20.0),), False), (60_000, (), False),
    (60_000, ((1_200_000, 23.0),), False), (60_000, ((1_200_000, 22.9),), True),
    (60_000, ((1_200_000, 20.0), (660_000, 24.5), (300_000, 20.0)), False),
    (60_000, ((1_200_000, 25.0), (660_000, 23.8), (300_000, 25.0)), True),
    (60_000, ((600_000, 26.0),), False),
])  # fmt: skip
def test_water_that_rises_fast_without_flow_holds_before_its_hour(kit, away_ms, trail, holds):
    """More than 6 K an hour since the newest point that is ten minutes old, once flow has been away for a minute."""
    points = tuple((NOW_MS - age_ms, was_C) for age_ms, was_C in trail)
    assert flow.lost_long(lost_flow(kit, away_ms, trail=points), False).holds is holds
    assert flow.lost_long(lost_flow(kit, away_ms, trail=points, water_C=None), False).holds is False


def test_the_limits_of_flow_are_the_settings(kit):
    """Two litres, half a minute, an hour and a half."""
    limits = {"least_L_min": 2.0, "warn_s": 30.0, "hold_minutes": 90.0, "rise_K_per_h": 3.0}
    assert flow.lost(lost_flow(kit, 1, limits=limits), False).limit == 2.0
    for away_ms, rise_K, holds in (
        (30_000, 0.51, True),
        (29_999, 0.51, False),
        (30_000, 0.5, False),
        (5_400_000, 0.0, True),
    ):
        view = lost_flow(kit, away_ms, limits=limits, trail=((NOW_MS - 600_000, 25.0 - rise_K),))
        assert says(flow.lost_long(view, False), holds, away_ms / 60_000.0, 90.0)


def stands(kit, switch=None, level_mm=None, *, has=("level", "level_mm"), trail=(), plates_mm=150.0):
    facts = {"level": switch, "level_mm": level_mm, "has": frozenset(has)}
    laws = LawSettings(level=LevelLimits(plates_mm=plates_mm))
    return seen(kit, facts, laws=laws, inputs={"level_mm": tuple((NOW_MS - age_ms, mm) for age_ms, mm in trail)})


@pytest.mark.parametrize(("switch", "low", "high"), [
    (-1.0, True, False), (-0.51, True, False), (-0.5, False, False), (0.0, False, False), (0.5, False, False),
    (0.51, False, True), (1.0, False, True), (2.0, False, True), (None, None, None),
])  # fmt: skip
def test_the_marks_of_the_level(kit, switch, low, high):
    """Half-way to a switch is neither; without switches there is nothing to tell."""
    view = stands(kit, switch, has=("level",))
    assert says(level.low(view, False), low)
    assert says(level.high(view, False), high)
    assert level.asleep(view) is not (low or high or switch is None)
    for compare in (level.low, level.high):
        assert compare(stands(kit, switch, has=("level_mm",)), False) is CLEAR
    assert not level.asleep(stands(kit, 0.0))


@pytest.mark.parametrize(("level_mm", "active", "expected"), [
    (150.0, False, (False, 150.0, 150.0)), (149.9, False, (True, 149.9, 150.0)), (154.9, True, (True, 154.9, 150.0)),
    (155.0, True, (False, 155.0, 150.0)), (200.0, True, (False, 200.0, 150.0)),
    (200.0, False, (False, 200.0, 150.0)), (9.0, True, (True, 9.0, 150.0)), (None, True, (None,)),
])  # fmt: skip
def test_water_below_the_plates(kit, level_mm, active, expected):
    """Gone five millimetres above; not told where it is not measured, or no edge is set."""
    assert says(level.below_plates(stands(kit, level_mm=level_mm), active), *expected)
    assert level.below_plates(stands(kit, level_mm=level_mm, plates_mm=None), active) is CLEAR
    assert level.below_plates(stands(kit, level_mm=level_mm, has=("level",)), active) is CLEAR


@pytest.mark.parametrize(("compare", "least_ms", "unit_ms", "limit"), [
    (level.falls, 30_000, 60_000, 10.0), (level.leaks, 3_480_000, HOUR_MS, 20.0),
])  # fmt: skip
def test_how_fast_the_water_falls(kit, compare, least_ms, unit_ms, limit):
    """Past its limit, since the newest point that is old enough."""
    just = limit * least_ms / unit_ms
    for fall, holds in ((just - 0.01, False), (just + 0.01, True), (-just, False)):
        view = stands(kit, level_mm=200.0, trail=((least_ms, 200.0 + fall),))
        assert says(compare(view, False), holds, fall * unit_ms / least_ms, limit)
    whole = stands(kit, level_mm=200.0, trail=((unit_ms, 200.0 + limit),))
    assert says(compare(whole, False), False, limit, limit)
    assert compare(stands(kit, level_mm=200.0, trail=((least_ms - 1, 400.0),)), False) is CLEAR
    several = stands(kit, level_mm=200.0, trail=((least_ms * 2, 900.0), (unit_ms, 200.0), (least_ms - 1, 400.0)))
    assert says(compare(several, False), False, 0.0, limit)
    assert compare(stands(kit, level_mm=None, trail=((unit_ms, 900.0),)), False) is CANNOT_TELL
    assert compare(stands(kit, level_mm=200.0, trail=((unit_ms, 900.0),), has=("level",)), False) is CLEAR


@pytest.mark.parametrize(("switch", "level_mm", "has", "holds"), [
    (None, None, (), False), (None, None, ("level",), True), (None, None, ("level_mm",), True),
    (0.0, None, ("level",), False),
    (None, 200.0, ("level_mm",), False), (0.0, None, ("level", "level_mm"), True),
    (None, 200.0, ("level", "level_mm"), True),
    (0.0, 200.0, ("level", "level_mm"), False), (None, 200.0, ("level",), True), (0.0, None, ("level_mm",), True),
])  # fmt: skip
def test_a_level_that_has_no_value_is_told_where_it_is_measured(kit, switch, level_mm, has, holds):
    """Either of the two."""
    view = stands(kit, switch, level_mm, has=has)
    assert says(level.not_told(view, False), holds)
    assert level.asleep(view) is (not holds and "level_mm" not in has)


@pytest.mark.parametrize(("percent", "wanted", "active", "holds", "left"), [
    (60.0, 100.0, True, True, 60.0), (99.9, 100.0, True, True, 99.9), (100.0, 100.0, True, False, 100.0),
    (60.0, 60.0, True, False, 60.0), (60.0, 50.0, True, False, 60.0), (60.0, 100.0, False, False, 40.0),
])  # fmt: skip
def test_after_lost_water_the_current_rises_before_it_ends(kit, percent, wanted, active, holds, left):
    """What stood stands until all that is wanted is allowed; the long one ends with the value."""
    view = water(kit, 25.0)
    view = replace(view, state=replace(view.state, allowed=Allowed(percent, wanted)))
    assert says(bath_water.lost(view, active), holds, percent=left)
    assert says(bath_water.lost_long(view, active), False, percent=40.0)


@pytest.mark.parametrize(("timer", "active", "holds"), [
    (Timer("water_lost", active=True), False, False), (Timer("water_lost", active=True), True, True),
    (Timer("water_lost"), False, True), (Timer("a", active=True), False, True),
    (Timer("water_warm", active=True), False, True),
    (Timer("water_part_lost", active=True), False, True),
])  # fmt: skip
def test_current_that_rises_after_lost_water_is_no_derate_by_warmth(kit, timer, active, holds):
    """Where that law stands, it tells; a derate that stood goes on."""
    view = allowed(water(kit, 25.0), 60.0)
    view = replace(view, state=replace(view.state, timers=(Timer("b"), timer)))
    assert says(bath_water.reduced(view, active), holds, 25.0, 45.0, 60.0)


@pytest.mark.parametrize("compare", [bath_water.warm, bath_water.too_warm, bath_water.reduced, bath_water.differ])
def test_no_law_of_warmth_ends_while_one_of_several_sensors_is_lost(kit, compare):
    """The lost one may be the warm one; nothing begins by that."""
    lost_one, whole = water(kit, 20.0, None, 20.5), water(kit, 20.0, 20.5)
    assert compare(lost_one, True).holds is None
    assert compare(lost_one, False).holds is False
    assert compare(whole, True).holds is False
    assert compare(lost_one, True).value == compare(whole, True).value


def test_a_rise_that_nobody_can_tell_is_none(kit):
    """Without water's value, or without a point that is old enough, however little the bath file allows."""
    old, young = ((NOW_MS - 600_000, 20.0),), ((NOW_MS - 599_999, 20.0),)
    for trail, water_C, holds in ((old, 25.0, True), (old, None, False), (young, 25.0, False), ((), 25.0, False)):
        view = lost_flow(kit, 60_000, trail=trail, water_C=water_C, limits={"rise_K_per_h": 0.5})
        assert flow.lost_long(view, False).holds is holds
