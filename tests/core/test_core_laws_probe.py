"""The laws of battery temperature and of a lost probe."""

from __future__ import annotations

import pytest

from controller.core.settings import LawSettings, ProbeLimits, ProbeLossLimits
from controller.core.state import Allowed
from controller.core.types import State


def hot_views(kit, *temperatures, state=None, settings=None):
    return [kit.view(state=state, facts=kit.facts(probe_C=hot), settings=settings) for hot in temperatures]


@pytest.mark.parametrize(("code", "level_C"), [("probe_derate", 50.0), ("probe_hold", 55.0), ("probe_trip", 60.0)])
@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_level_reacts_in_two_readings_and_not_below(kit, code, level_C, period_ms):
    """50, 55 and 60 C, two readings in a row, at any period."""
    settings = kit.settings(period_ms)
    temperatures = (level_C, level_C - 0.1, level_C, level_C)
    seen = kit.watch(code, hot_views(kit, *temperatures, settings=settings), period_ms)
    assert seen == [False, False, False, True]


@pytest.mark.parametrize(("code", "level_C"), [("probe_hold", 55.0), ("probe_trip", 60.0)])
def test_a_level_clears_three_kelvin_below_and_not_before(kit, code, level_C):
    """Hysteresis: 3 K, so that a circuit does not flutter at its level."""
    temperatures = (level_C, level_C, level_C - 2.9, level_C - 3.1)
    assert kit.watch(code, hot_views(kit, *temperatures)) == [False, True, True, False]


@pytest.mark.parametrize("code", ["probe_derate", "probe_hold", "probe_trip"])
def test_a_lost_probe_ends_no_temperature_reaction(kit, code):
    """A broken hot probe is not a cold one."""
    seen = kit.watch(code, hot_views(kit, None, 61.0, 61.0, None, None))
    assert seen == [False, False, True, True, True]


def test_the_derate_ends_only_when_the_whole_current_is_allowed_again(kit):
    """Cool again is not enough: the current must have risen to 100 %."""
    eased = kit.state(allowed=Allowed(60.0, 100.0, 0))
    reacting = [kit.view(state=kit.state(allowed=Allowed(84.0, 84.0)), facts=kit.facts(probe_C=51.0))] * 2
    cooled = [kit.view(state=eased), kit.view()]
    assert kit.watch("probe_derate", reacting + cooled) == [False, True, True, False]


def test_the_profile_can_lower_the_trip_level_but_not_raise_it(kit):
    """The smaller of the bath's and the profile's."""
    for profile_C, level_C in ((57.0, 57.0), (65.0, 60.0)):
        state = kit.state(load=kit.load(plan=kit.plan(probe_trip_C=profile_C)))
        assert not any(kit.watch("probe_trip", hot_views(kit, *[level_C - 0.1] * 3, state=state)))
        assert any(kit.watch("probe_trip", hot_views(kit, *[level_C] * 3, state=state)))


def test_the_levels_are_the_settings(kit):
    """A bath file may hold at 48 C."""
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(derate_C=44.0, hold_C=48.0, trip_C=52.0)))
    assert kit.watch("probe_hold", hot_views(kit, 48.0, 48.0, settings=settings)) == [False, True]


def lost(kit, **changes):
    return kit.facts(**{"probe_C": None, "probe_lost": True, **changes})


def test_a_lost_probe_derates_to_a_finishing_current_in_two_readings(kit):
    """0.1 of 60 Ah: 6 A; and the next valid reading ends it."""
    views = [kit.view(facts=fact) for fact in (lost(kit), lost(kit), kit.facts())]
    assert kit.watch("probe_lost", views) == [False, True, False]


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 3_600), (5_000, 720)])
def test_a_probe_lost_for_an_hour_holds(kit, period_ms, first):
    """60 minutes for a person to change it."""
    settings = kit.settings(period_ms)
    seen = kit.watch("probe_lost_long", [kit.view(facts=lost(kit), settings=settings)] * (first + 2), period_ms)
    assert seen.index(True) == first


@pytest.mark.parametrize(("water_C", "holds"), [(39.0, False), (40.0, False), (40.5, True), (None, True)])
def test_a_probe_lost_over_warm_or_unknown_water_holds_at_once(kit, water_C, holds):
    """Above 40 C there is no margin to guess with; unknown water is no margin either."""
    views = [kit.view(facts=lost(kit, water_C=water_C))] * 2
    assert kit.watch("probe_lost_warm", views) == [False, holds]


@pytest.mark.parametrize("state", [State.IDLE, State.COMPLETE, State.STOPPED, State.UNKNOWN])
def test_a_probe_lost_without_an_open_run_is_no_matter(kit, state):
    """Nothing flows, nothing heats."""
    for code in ("probe_lost", "probe_lost_long", "probe_lost_warm"):
        assert not any(kit.watch(code, [kit.view(state=kit.state(state), facts=lost(kit))] * 4))


def test_the_minutes_of_a_lost_probe_are_the_settings(kit):
    """A bath file may say 1 minute."""
    settings = kit.settings(laws=LawSettings(probe_loss=ProbeLossLimits(hold_minutes=1.0)))
    seen = kit.watch("probe_lost_long", [kit.view(facts=lost(kit), settings=settings)] * 62)
    assert seen.index(True) == 60


def test_a_silent_link_does_not_end_what_a_lost_probe_began(kit):
    """A second fault never weakens the reaction to the first, nor starts its hour anew."""
    silent = lost(kit, stale=True, fresh=False)
    views = [kit.view(facts=fact) for fact in (lost(kit), lost(kit), silent, silent)]
    assert kit.watch("probe_lost", views) == [False, True, True, True]


def test_one_spike_of_a_probe_changes_no_current(kit):
    """Towards danger two readings in a row: a glitch of 85 C takes nothing away."""
    bench = kit.bench(circuits=1).running()
    bench.cycles(3)
    bench.bad[0, "probes"] = 85.0
    bench.cycle()
    bench.bad.clear()
    bench.cycles(2)
    assert bench.set_A() == 15.0


def test_a_hot_battery_is_derated_held_and_tripped_on_its_way_up(kit):
    """In a living bath: 52.5 C allows 60 %, 55 C holds, 60 C trips; the neighbour keeps its current."""
    bench = kit.bench().running()
    bench.cycles(3)
    bench.toys[0].probe_C = 52.5
    bench.cycles(3)
    assert bench.set_A(0) == pytest.approx(9.0)
    bench.toys[0].probe_C = 55.0
    bench.cycles(3)
    assert bench.circuit(0).state is State.HELD
    bench.toys[0].probe_C = 60.0
    bench.cycles(3)
    assert bench.circuit(0).state is State.TRIPPED
    assert bench.set_A(1) == 15.0


def test_a_lost_probe_lets_a_stand_in_speak(kit):
    """The water plus the sisters' rise derates a circuit without a probe: 25 C of water and 30 K of rise hold back."""
    bench = kit.bench().running()
    bench.cycles(3)
    bench.toys[1].probe_C = 45.0
    bench.bad[0, "probes"] = None
    bench.cycles(3)
    assert bench.out.told[0].stand_in_C == pytest.approx(45.0)
    assert bench.out.told[1].stand_in_C is None
    assert bench.set_A(0) == pytest.approx(6.0)


def test_of_two_sisters_the_warmer_rise_stands_in(kit):
    """An even number has no middle: the higher one counts."""
    bench = kit.bench(circuits=3).cycles(3)
    bench.toys[1].probe_C, bench.toys[2].probe_C = 45.0, 35.0
    bench.bad[0, "probes"] = None
    bench.cycle()
    assert bench.out.told[0].stand_in_C == pytest.approx(45.0)
