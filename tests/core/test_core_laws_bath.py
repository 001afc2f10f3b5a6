"""The bath's laws: its water, and several hot circuits at once."""

from __future__ import annotations

import itertools
from dataclasses import replace
from itertools import pairwise

import pytest

from controller.core import bathfacts
from controller.core.bathstate import BathState
from controller.core.laws import bath_water, several_hot
from controller.core.lawsettings import LawSettings, ProbeLimits, ProbeLossLimits, WaterLimits
from controller.core.state import Allowed, CircuitState
from controller.core.types import LOST, BathIn, BathReading, ChannelReading, State, Value

CIRCUITS = (CircuitState("A01"), CircuitState("A02"))
LOST_ONE = {"water_C": None, "waters_C": (None,)}


def bath_views(kit, *facts, **changes):
    return [kit.bath_view(kit.bath_facts(**fact), **changes) for fact in facts]


def water(kit, *temperatures, **changes):
    return bath_views(kit, *({"water_C": amount} for amount in temperatures), **changes)


LEVELS = [("water_warm", 40.0), ("water_derate", 45.0), ("water_hold", 50.0)]


@pytest.mark.parametrize(("code", "level_C"), LEVELS)
def test_warm_water_reacts_to_what_is_believed_at_once_and_not_below(kit, code, level_C):
    """40, 45 and 50 C, the level itself included; two readings were asked for before it was believed."""
    assert kit.watch(code, water(kit, None, level_C - 0.1, level_C)) == [False, False, True]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_spike_of_the_water_does_nothing_and_two_readings_hold_within_two_cycles(kit, period_ms):
    """In a living bath, also at 5 s."""
    bench = kit.bench(period_ms=period_ms).running()
    bench.bad[-1, "water_C"] = 70.0
    bench.cycle()
    bench.bad.clear()
    bench.cycles(3)
    assert [bench.circuit(index).state for index in (0, 1)] == [State.RUNNING] * 2
    bench.bath_signals["water_C"] = 50.0
    bench.cycle()
    assert bench.set_A(0) == 15.0
    bench.cycle()
    assert [bench.circuit(index).state for index in (0, 1)] == [State.HELD] * 2


@pytest.mark.parametrize(("code", "level_C"), [("water_warm", 40.0), ("water_hold", 50.0)])
def test_warm_water_clears_two_kelvin_below(kit, code, level_C):
    """Hysteresis of 2 K; a lost value keeps what stands."""
    temperatures = (level_C, level_C - 1.9, level_C - 2.0, None, level_C - 2.1)
    assert kit.watch(code, water(kit, *temperatures)) == [True, True, True, True, False]


def test_the_water_derate_ends_when_the_whole_current_is_allowed_again(kit):
    """However cool: it stands, with its share, while anything is taken away; then 2 K below its level."""
    eased = BathState(CIRCUITS, allowed=Allowed(50.0, 100.0, 0))
    views = [*water(kit, 30.0, state=eased), *water(kit, None, state=eased), *water(kit, 43.0, 42.9)]
    assert kit.watch("water_derate", views) == [True, True, True, False]
    assert [bath_water.reduced(view, True).allowed_percent for view in views] == [50.0, 50.0, 100.0, 100.0]


def test_the_current_never_jumps_up_when_the_water_derate_ends(kit):
    """In a living bath: 47.5 C leaves 60 %; cooled at once, or read no more, it comes back at 1 % a second at most."""
    bench = kit.bench(circuits=1).running()
    bench.bath_signals["water_C"] = 47.5
    bench.cycles(3)
    assert bench.set_A() == pytest.approx(9.0)
    bench.bath_signals["water_C"] = 46.0
    bench.cycles(10)
    bench.bath_signals["water_C"] = 25.0
    asked = []
    for _ in range(130):
        bench.cycle()
        asked.append(bench.set_A())
    assert max(now - before for before, now in pairwise(asked)) == pytest.approx(0.15)
    assert (asked[0], asked[-1]) == (pytest.approx(9.0), 15.0)
    assert not bench.out.standing[0]


def test_cold_water_warns_only_while_the_bath_is_in_use(kit):
    """15 C and below, cleared above 17 C."""
    assert kit.watch("water_cold", water(kit, 15.1, 15.0, 17.0, None, 17.1)) == [False, True, True, True, False]
    assert not any(kit.watch("water_cold", water(kit, 10.0, 10.0, 10.0, in_use=False)))


def test_the_water_levels_are_the_settings(kit):
    """A bath file may warn at 36 C; value and limit go with the alarm."""
    levels = WaterLimits(cold_C=18.0, warn_C=36.0, derate_C=38.0, hold_C=41.0)
    settings = kit.settings(laws=LawSettings(water=levels))
    for code, level_C in (("water_warm", 36.0), ("water_derate", 38.0), ("water_hold", 41.0), ("water_cold", 18.0)):
        (law,) = (law for law in bath_water.LAWS if law.code == code)
        found = law.compare(water(kit, level_C, settings=settings)[0], False)
        assert (found.holds, found.value, found.limit) == (True, level_C, level_C)


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_water_that_nobody_reads_reduces_all_and_holds_them_in_the_end(kit, period_ms):
    """40 % of the step from the second reading on; every circuit held after its time (here 5 min), and stays so."""
    laws = LawSettings(probe_loss=ProbeLossLimits(hold_minutes=5.0))
    bench = kit.bench(period_ms=period_ms, laws=laws).running()
    bench.bad[-1, "water_C"] = None
    bench.cycle()
    assert bench.set_A() == 15.0
    bench.cycle()
    assert [bench.set_A(0), bench.set_A(1)] == pytest.approx([6.0, 6.0])
    bench.cycles(300_000 // period_ms - 2)
    assert bench.circuit(0).state is State.RUNNING
    bench.cycle()
    assert [bench.circuit(index).state for index in (0, 1)] == [State.HELD] * 2
    bench.cycles(3)
    assert any(condition.code == "water_lost_long" for condition in bench.out.standing[0])
    bench.bad.clear()
    bench.cycles(3)
    assert bench.circuit(0).state is State.HELD
    assert bench.set_A() == 0.0


def test_water_that_comes_back_gives_the_current_back_after_a_minute(kit):
    """A loose wire swings nothing; a sensor valid for 60 s lets the current rise by 1 % a second, and then ends it."""
    bench = kit.bench(circuits=1).running()
    bench.bad[-1, "water_C"] = None
    bench.cycles(3)
    for _ in range(3):
        bench.bad.pop((-1, "water_C"))
        bench.cycles(59)
        assert bench.set_A() == 6.0
        bench.bad[-1, "water_C"] = None
        bench.cycles(2)
    bench.bad.clear()
    seen_A = [bench.cycles(1).set_A() for _ in range(122)]
    assert seen_A[:60] == [6.0] * 60
    assert max(later - sooner for sooner, later in itertools.pairwise(seen_A)) == pytest.approx(0.15)
    assert seen_A[118] < 15.0 == seen_A[120]
    told = [(event.code, event.data["life"]) for event in bench.events if "life" in event.data]
    assert told == [("water_lost", "new"), ("water_lost", "returned")]


def test_water_that_nobody_reads_is_no_matter_in_an_idle_bath(kit):
    """But what its own hold made idle stays held."""
    assert kit.watch("water_lost", bath_views(kit, *[LOST_ONE] * 3, in_use=False)) == [False] * 3
    assert bath_water.lost(bath_views(kit, LOST_ONE, in_use=False)[0], True).holds


def test_the_hour_of_lost_water_is_that_of_a_lost_probe(kit):
    """60 minutes of water that nobody reads, at a cycle of 5 s."""
    seen = kit.watch("water_lost_long", bath_views(kit, LOST_ONE) * 721, 5_000)
    assert seen.index(True) == 720


@pytest.mark.parametrize(
    ("waters_C", "holds", "value"),
    [
        ((25.0, 28.1), True, 3.1),
        ((28.1, 25.0), True, 3.1),
        ((25.0, 28.0), False, 3.0),
        ((25.0, None, 29.0), True, 4.0),
        ((25.0, None), None, None),
        ((), None, None),
    ],
)
def test_water_sensors_that_differ_are_told(kit, waters_C, holds, value):
    """By more than 3 K; one alone tells nothing, and keeps what stood."""
    (view,) = bath_views(kit, {"waters_C": waters_C})
    found = bath_water.differ(view, False)
    assert (found.holds, found.value) == (holds, value if value is None else pytest.approx(value))
    assert found.limit == (None if holds is None else 3.0)


def test_water_sensors_differ_for_ten_minutes_before_it_is_told(kit):
    """One in fresh water is no fault."""
    seen = kit.watch("water_differ", bath_views(kit, *[{"waters_C": (25.0, 29.0)}] * 121), 5_000)
    assert seen.index(True) == 120


def test_one_lost_water_sensor_of_several_is_told(kit):
    """In two readings; all lost is another law's, and ends nothing."""
    views = bath_views(kit, *({"waters_C": each} for each in ((25.0, None), (25.0, None), (None, None), (25.0, 26.0))))
    assert kit.watch("water_part_lost", views) == [False, True, True, False]
    found = bath_water.part_lost(views[0], False)
    assert (found.value, found.limit) == (1.0, 2.0)


def test_the_hotter_of_two_water_sensors_counts(kit):
    """Both are in the bath's facts; one at 51 C counts, whatever the other one says, until it is lost."""
    settings, reading = kit.settings(), BathReading((Value(30.0), Value(51.0)), Value(1.0), Value(1.0))
    state = BathState(CIRCUITS)
    lost = replace(reading, water_C=(Value(30.0), LOST))
    for given, expected in ((reading, (51.0, (30.0, 51.0))), (lost, (30.0, (30.0, None)))):
        state = bathfacts.with_water(settings, state, given.water_C, 0)
        channel = ChannelReading(*(LOST,) * 5)
        found = bathfacts.bath_facts(settings, state, BathIn(0, given, (channel, channel)))
        assert (found.water_C, found.waters_C) == expected


ASLEEP = [
    ({}, {}, True),
    ({"waters_C": (25.0,)}, {}, True),
    ({"waters_C": (25.0, 28.0)}, {}, True),
    ({"waters_C": (25.0, 28.1)}, {}, False),
    ({"waters_C": (25.0, None)}, {}, False),
    (LOST_ONE, {}, False),
    ({"water_C": 40.0}, {}, False),
    ({"water_C": 39.9}, {}, True),
    ({"water_C": 15.0}, {}, False),
    ({"water_C": 15.1}, {}, True),
    ({"water_C": 39.0}, {"derate_C": 39.0}, False),
    ({"water_C": 39.0}, {"hold_C": 39.0}, False),
]


@pytest.mark.parametrize(("fact", "levels", "asleep"), ASLEEP)
def test_the_water_laws_sleep_in_sound_water_alone(kit, fact, levels, asleep):
    """Between the coldest and the lowest warm level, every sensor there and in agreement, no derate left."""
    settings = kit.settings(laws=LawSettings(water=WaterLimits(**levels)))
    (view,) = bath_views(kit, fact, settings=settings)
    assert bath_water.FAMILY.asleep(view) is asleep
    assert any(law.compare(view, False).holds for law in bath_water.LAWS) is not asleep
    eased = BathState(CIRCUITS, allowed=Allowed(99.9, 100.0, 0))
    assert not bath_water.FAMILY.asleep(bath_views(kit, fact, settings=settings, state=eased)[0])


@pytest.mark.parametrize(
    ("hots_C", "expected"),
    [((55.0, 55.0), True), ((55.0, 54.9), False), ((None, 55.0, 56.0), True), ((None, 60.0), False), ((), False)],
)
def test_several_hot_circuits_are_a_cause_of_the_bath(kit, hots_C, expected):
    """Two at 55 C at once; a probe that is lost is not hot."""
    (view,) = bath_views(kit, {"hots_C": hots_C})
    assert kit.watch("several_hot", [view]) == [expected]
    assert several_hot.FAMILY.asleep(view) is not expected
    if expected:
        assert (several_hot.several(view, False).value, several_hot.several(view, False).limit) == (2.0, 2.0)


def test_several_hot_circuits_clear_when_all_but_one_have_cooled(kit):
    """3 K below; one that is lost meanwhile keeps it."""
    courses = ((55.0, 55.0), (52.0, 52.0), (55.0, None), (51.9, None), (55.0, 51.9))
    assert kit.watch("several_hot", bath_views(kit, *({"hots_C": each} for each in courses))) == [
        True, True, True, True, False,
    ]  # fmt: skip
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(hold_C=50.0)))
    assert kit.watch("several_hot", bath_views(kit, {"hots_C": (50.0, 50.0)}, settings=settings)) == [True]


def test_two_hot_strings_are_told_first_of_all(kit):
    """In a living bath: each holds by itself, and the bath says, at first priority, that it is more than one."""
    bench = kit.bench().running()
    for toy in bench.toys:
        toy.probe_C = 55.5
    bench.cycles(4)
    assert [bench.circuit(index).state for index in (0, 1)] == [State.HELD] * 2
    assert [alarm.priority for alarm in bench.state.alarms if alarm.code == "several_hot"] == [1]
