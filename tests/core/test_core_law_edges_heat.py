"""Laws of a circuit's temperatures at the very edge of their comparisons, and what an operator is shown of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import probe, probe_loss, probe_moves, probe_sensors, runaway
from controller.core.lawsettings import LawSettings, ProbeLimits, ProbeLossLimits, RunawayLimits
from controller.core.state import Counters, ProbeMemory, Timer, TrailPoint
from controller.core.types import State, Value

HOUR_MS = 3_600_000


def says(found, holds, value=None, limit=None, allowed_A=None, percent=100.0):
    """Whether a finding is this one, the last bit of its amounts left open."""
    shown = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit, allowed_A)]
    return (found.holds, found.value, found.limit, found.allowed_A, found.allowed_percent) == (holds, *shown, percent)


def seen(kit, facts=None, settings=None, share=None, run=None, **state):
    """A circuit's view: facts, run and state as a sound running one's, but for these."""
    if run is not None:
        state["run"] = kit.run(**run)
    return kit.view(kit.state(**state), kit.facts(**(facts or {})), settings, share and kit.share(**share))


def without(view, **gone):
    return replace(view, state=replace(view.state, **gone))


def hot(kit, probe_C, *, percent=100.0, trip_C=None, settings=None, **state):
    load = kit.load(plan=kit.plan(probe_trip_C=trip_C))
    view = seen(kit, {"probe_C": probe_C}, settings, load=load, **state)
    return without(view, allowed=replace(view.state.allowed, percent=percent))


@pytest.mark.parametrize(("compare", "limit", "trip_C"), [
    (probe.too_hot, 55.0, None), (probe.far_too_hot, 60.0, None), (probe.far_too_hot, 58.0, 58.0),
    (probe.far_too_hot, 60.0, 62.0),
])  # fmt: skip
def test_a_probe_at_its_level_and_three_kelvins_below(kit, compare, limit, trip_C):
    """Its temperature and the lower of the bath's and the profile's level."""
    for probe_C, active, holds in (
        (limit, False, True), (limit - 0.01, False, False), (limit - 3.0, True, True), (limit - 3.01, True, False),
    ):  # fmt: skip
        assert says(compare(hot(kit, probe_C, trip_C=trip_C), active), holds, probe_C, limit)
    assert compare(hot(kit, None, trip_C=trip_C), active=True) is CANNOT_TELL
    bare = without(hot(kit, 59.0, trip_C=58.0), load=None)
    assert says(probe.far_too_hot(bare, False), False, 59.0, 60.0)


@pytest.mark.parametrize(("probe_C", "percent", "active", "expected"), [
    (50.0, 100.0, False, (True, 50.0, 50.0)), (49.99, 100.0, False, (False,)), (49.0, 100.0, True, (True, 49.0, 50.0)),
    (48.99, 100.0, True, (False,)), (30.0, 99.9, True, (True, 30.0, 50.0)), (30.0, 99.9, False, (False,)),
    (None, 50.0, True, (None,)),
])  # fmt: skip
def test_a_hot_probe_reduces_until_the_whole_current_is_back(kit, probe_C, percent, active, expected):
    """A kelvin below its level, and with all of the current allowed again."""
    assert says(probe.reduced(hot(kit, probe_C, percent=percent), active), *expected)


@pytest.mark.parametrize(("probe_C", "levels", "trip_C", "asleep"), [
    (49.99, {}, None, True), (50.0, {}, None, False), (None, {}, None, True), (45.0, {}, 45.0, False),
    (44.9, {}, 45.0, True),
    (40.0, {"hold_C": 40.0}, None, False), (39.9, {"hold_C": 40.0}, None, True), (40.0, {"trip_C": 40.0}, None, False),
    (39.9, {"trip_C": 40.0}, None, True), (50.0, {"derate_C": 51.0}, None, True), (70.0, {}, 80.0, False),
    (70.0, {"derate_C": 80.0, "hold_C": 80.0}, None, False),
    (70.0, {"derate_C": 80.0, "hold_C": 80.0, "trip_C": 80.0}, 60.0, False),
    (70.0, {"derate_C": 80.0, "trip_C": 80.0}, None, False), (70.0, {"hold_C": 80.0, "trip_C": 80.0}, None, False),
])  # fmt: skip
def test_a_probe_sleeps_below_every_level(kit, probe_C, levels, trip_C, asleep):
    """Whatever their order in the bath file."""
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(**levels)))
    assert probe.asleep(hot(kit, probe_C, trip_C=trip_C, settings=settings)) is asleep
    if trip_C is None:
        assert probe.asleep(without(hot(kit, probe_C, settings=settings), load=None)) is asleep


@pytest.mark.parametrize(("facts", "holds", "warm"), [
    ({"probe_lost": True}, True, (False, 25.0)), ({"probe_lost": True, "water_C": 40.0}, True, (False, 40.0)),
    ({"probe_lost": True, "water_C": 40.01}, True, (True, 40.01)),
    ({"probe_lost": True, "water_C": None}, True, (True, None)),
    ({"probe_lost": True, "stale": True}, None, None), ({"probe_lost": False}, False, None),
    ({"probe_lost": False, "stale": True}, False, None),
])  # fmt: skip
def test_a_lost_probe_leaves_a_tenth_of_c20(kit, facts, holds, warm):
    """6 A of 60 Ah, in what cannot be told too; in a warm or unknown bath it holds."""
    view = seen(kit, facts)
    for compare in (probe_loss.lost, probe_loss.lost_long):
        assert says(compare(view, False), holds, None, None, 6.0)
    found = probe_loss.lost_in_warm_bath(view, False)
    assert says(found, warm[0], warm[1], 40.0) if warm else says(found, holds, None, None, 6.0)
    assert probe_loss.asleep(view) is not facts["probe_lost"]
    assert probe_loss.lost(without(view, load=None), False) is CLEAR
    assert probe_loss.lost(without(view, state=State.IDLE), False) is CLEAR
    settings = kit.settings(laws=LawSettings(probe_loss=ProbeLossLimits(derate_C20=0.05)))
    assert probe_loss.lost(seen(kit, facts, settings), False).allowed_A == pytest.approx(3.0)


def probes(kit, *temperatures, frozen=(), unread=(), **state):
    memory = tuple(ProbeMemory(one, frozen=at in frozen) for at, one in enumerate(temperatures))
    view = seen(kit, probes=memory, **state)
    values = tuple(Value(None if at in unread else 20.0) for at in range(len(temperatures)))
    return replace(view, cin=replace(view.cin, reading=replace(view.cin.reading, probes=values)))


@pytest.mark.parametrize(("given", "active", "differ", "part"), [
    ({"at": (30.0, 33.0)}, False, (False, 3.0, 3.0), (False, 0.0, 2.0)),
    ({"at": (33.5, 30.0)}, False, (True, 3.5, 3.0), (False, 0.0, 2.0)),
    ({"at": (30.0, 32.75)}, True, (True, 2.75, 3.0), (False, 0.0, 2.0)),
    ({"at": (30.0, 32.5)}, True, (False, 2.5, 3.0), (False, 0.0, 2.0)),
    ({"at": (30.0, 99.0), "frozen": (1,)}, False, (None,), (True, 1.0, 2.0)),
    ({"at": (30.0, 99.0), "unread": (0,)}, False, (None,), (True, 1.0, 2.0)),
    ({"at": (30.0, 99.0), "unread": (0, 1)}, False, (None,), (None,)),
    ({"at": (30.0,)}, False, (None,), (False, 0.0, 1.0)),
    ({"at": (30.0, 31.0, 34.0)}, False, (True, 4.0, 3.0), (False, 0.0, 3.0)),
    ({"at": (60.0, 30.0)}, False, (True, 30.0, 3.0), (False, 0.0, 2.0)),
    ({"at": (30.0, 31.0, 34.0), "unread": (2,)}, False, (False, 1.0, 3.0), (True, 1.0, 3.0)),
    ({"at": (30.0, 31.0, 34.0), "unread": (0, 1)}, False, (None,), (True, 2.0, 3.0)),
])  # fmt: skip
def test_probes_are_compared_with_each_other(kit, given, active, differ, part):
    """Difference and count are shown; three kelvins are not too far, and two and a half end it."""
    changes = {name: what for name, what in given.items() if name != "at"}
    view = probes(kit, *given["at"], **changes)
    assert says(probe_sensors.differ(view, active), *differ)
    assert says(probe_sensors.part_lost(view, active), *part)
    if not active:
        assert probe_sensors.asleep(view) is not any((differ[0], part[0], changes.get("frozen")))
    for compare in (probe_sensors.differ, probe_sensors.part_lost, probe_sensors.frozen):
        assert compare(without(view, state=State.IDLE), active) is CLEAR
    assert probe_sensors.asleep(without(view, state=State.IDLE))


@pytest.mark.parametrize(("at", "frozen", "value_C"), [
    ((30.0,), (0,), 30.0), ((30.0, 31.0), (1,), 31.0), ((30.0, 31.0), (0, 1), 30.0), ((30.0, 31.0), (), None),
    ((30.0,), (), None),
    ((30.0, 30.0, 30.0), (2,), 30.0),
])  # fmt: skip
def test_a_frozen_probe_shows_what_it_read(kit, at, frozen, value_C):
    """The first of them, and the minutes that it may stand still."""
    view = probes(kit, *at, frozen=frozen)
    found = probe_sensors.frozen(view, False)
    assert says(found, True, value_C, 30.0) if frozen else found is CLEAR
    assert probe_sensors.asleep(view) is (not frozen)
    assert probe_sensors.asleep(probes(kit))


def test_one_probe_alone_sleeps_while_it_moves(kit):
    """Lost it is `probe_loss`'s, and several that are all lost too."""
    assert probe_sensors.asleep(probes(kit, 30.0, unread=(0,)))
    assert probe_sensors.asleep(probes(kit, 30.0, 31.0, unread=(0, 1)))
    assert not probe_sensors.asleep(probes(kit, 30.0, 31.0, unread=(0,)))


def moved(kit, points, settings=None, now_ms=None):
    """A trail of (ms, A, C, V per cell), 150 of 200 Ah in."""
    trail = tuple(TrailPoint(at_ms, amount, volts, hot_C, 25.0) for at_ms, amount, hot_C, volts in points)
    facts = {"now_ms": points[-1][0] if now_ms is None else now_ms}
    return seen(kit, facts, settings, run={"counters": Counters(charge_Ah=150.0)}, trail=trail)


@pytest.mark.parametrize(("points", "active", "expected"), [
    (((0, 15.0, 30.0, 2.3), (600_000, 15.0, 35.0, 2.3)), False, (False, 30.0, 30.0)),
    (((0, 15.0, 30.0, 2.3), (600_000, 15.0, 35.5, 2.3)), False, (True, 33.0, 30.0)),
    (((0, 15.0, 30.0, 2.3), (600_000, 15.0, 34.0, 2.3)), True, (False, 24.0, 30.0)),
    (((0, 15.0, 30.0, 2.3), (600_000, 15.0, 34.5, 2.3)), True, (True, 27.0, 30.0)),
    (((1, 15.0, 30.0, 2.3), (600_000, 15.0, 39.0, 2.3)), False, (None,)),
    (((0, 15.0, 30.0, 2.3), (1_200_000, 15.0, 41.0, 2.3)), False, (True, 33.0, 30.0)),
    (((0, 15.0, 20.0, 2.3), (60_000, 15.0, 30.0, 2.3), (660_000, 15.0, 35.5, 2.3)), False, (True, 33.0, 30.0)),
    (((0, 15.0, 40.0, 2.3), (600_000, 15.0, 35.0, 2.3)), False, (False, -30.0, 30.0)),
    (((500, 15.0, 30.0, 2.3),), False, (None,)),
])  # fmt: skip
def test_how_fast_a_probe_rises(kit, points, active, expected):
    """By the newest point that is ten minutes old; kelvins an hour and their limit."""
    assert says(probe_moves.rises(moved(kit, points), active), *expected)


def test_a_rise_over_no_time_is_none(kit):
    """With no minutes set a point is still not compared with itself; the one before is."""
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(rise_minutes=0.0)))
    alone = moved(kit, ((500, 15.0, 30.0, 2.3),), settings)
    assert probe_moves.rises(alone, False) is CANNOT_TELL
    near = moved(kit, ((0, 15.0, 30.0, 2.3), (1, 15.0, 30.5, 2.3)), settings)
    assert says(probe_moves.rises(near, False), True, 0.5 * HOUR_MS, 30.0)


ALLOWED_mV = 6.0 + 200.0 / 108


@pytest.mark.parametrize(("points", "expected"), [
    (((0, 15.0, 40.0, 2.7), (1, 15.0, 41.0, 2.69)), (True, 10.0, 6.0)),
    (((0, 15.0, 40.0, 2.7), (1, 15.0, 41.0, 2.7 - (ALLOWED_mV + 1e-4) / 1000)), (True, ALLOWED_mV + 1e-4, 6.0)),
    (((0, 15.0, 40.0, 2.7), (1, 15.0, 41.0, 2.7 - (ALLOWED_mV - 1e-4) / 1000)), (False, ALLOWED_mV - 1e-4, 6.0)),
    (((0, 15.0, 40.0, 2.7), (1, 15.0, 42.0, 2.66)), (True, 20.0, 6.0)),
])  # fmt: skip
def test_volts_that_fall_with_warmth(kit, points, expected):
    """Millivolts a kelvin and their limit; a fifth of a volt of the string is the voltmeter's."""
    found = runaway.runs_away(moved(kit, points), False)
    holds, value, limit = expected
    assert (found.holds, found.value, found.limit, found.allowed_percent) == (
        holds,
        pytest.approx(value, rel=1e-6),
        limit,
        20.0,
    )
    none = kit.settings(laws=LawSettings(runaway=RunawayLimits(rise_K=0.0)))
    assert runaway.runs_away(moved(kit, (points[0], (1, 15.0, 40.0, 2.0)), none), False) is CLEAR
    small = runaway.runs_away(moved(kit, (points[0], (1, 15.0, 40.5, 2.0)), none), False)
    assert small.value == pytest.approx(1_400.0)


def test_a_runaway_stands_by_its_own_timer(kit):
    """Active, under its own name."""
    for code, active, stands in (
        ("runaway", True, True),
        ("runaway", False, False),
        ("runaway_hold", True, False),
        ("a", True, False),
    ):
        timers = (Timer("link_lost"), Timer("".join(list(code)), active=active), Timer("zzz"))
        state = kit.state(timers=timers)
        assert runaway.stands(state) is stands


@pytest.mark.parametrize(("compare", "view"), [
    (probe.reduced, {"probe_C": 30.0}), (probe.too_hot, {"probe_C": 30.0}), (probe.far_too_hot, {"probe_C": 30.0}),
])  # fmt: skip
def test_no_law_of_a_probe_ends_while_one_of_several_is_lost(kit, compare, view):
    """The lost one may be the hot one; nothing begins by that, and what holds goes on."""
    cool, whole = seen(kit, {**view, "probe_part": True}), seen(kit, view)
    assert (compare(cool, True).holds, compare(cool, False).holds, compare(whole, True).holds) == (None, False, False)
    burning = seen(kit, {"probe_C": 70.0, "probe_part": True})
    assert compare(burning, True).holds is compare(burning, False).holds is True


def test_neither_a_rise_nor_a_runaway_ends_while_one_of_several_probes_is_lost(kit):
    """Nor probes that differ."""
    calm = moved(kit, ((0, 15.0, 30.0, 2.3), (600_000, 15.0, 30.0, 2.3)))
    cooled = moved(kit, ((0, 15.0, 50.0, 2.3), (600_000, 15.0, 40.0, 2.3)))
    close = probes(kit, 30.0, 30.0)
    for compare, whole in ((probe_moves.rises, calm), (runaway.runs_away, cooled), (probe_sensors.differ, close)):
        part = replace(whole, facts=replace(whole.facts, probe_part=True))
        assert compare(whole, True).holds is False
        assert compare(part, True).holds is None
        assert compare(part, False).holds is compare(whole, False).holds


def test_two_per_cent_more_or_less_is_still_the_same_current(kit):
    """100 A, and 98 or 102 before: that point is compared; a little more is another current."""
    for before_A, tells in ((98.0, True), (102.0, True), (97.9, False), (102.1, False)):
        found = runaway.runs_away(moved(kit, ((0, before_A, 40.0, 2.7), (1, 100.0, 41.0, 2.6))), False)
        assert found.holds is tells
