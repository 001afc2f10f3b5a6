"""The laws of battery temperature and of a lost probe."""

from __future__ import annotations

import itertools

import pytest

from controller.core.laws import probe, probe_loss
from controller.core.lawsettings import LawSettings, ProbeLimits, ProbeLossLimits
from controller.core.state import Allowed
from controller.core.types import State


def hot_views(kit, *temperatures, state=None, settings=None):
    return [kit.view(state=state, facts=kit.facts(probe_C=hot), settings=settings) for hot in temperatures]


LEVELS = [("probe_derate", 50.0), ("probe_hold", 55.0), ("probe_trip", 60.0)]


@pytest.mark.parametrize(("code", "level_C"), LEVELS)
def test_a_level_reacts_to_what_is_believed_at_once_and_not_below(kit, code, level_C):
    """50, 55 and 60 C, the level itself included; two readings were asked for before it was believed."""
    assert kit.watch(code, hot_views(kit, level_C - 0.1, level_C)) == [False, True]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
@pytest.mark.parametrize(
    ("hot_C", "state", "set_A"), [(52.5, State.RUNNING, 9.0), (55.0, State.HELD, 0.0), (60.0, State.TRIPPED, 0.0)]
)
def test_a_spike_does_nothing_and_two_hot_readings_react_within_two_cycles(kit, period_ms, hot_C, state, set_A):
    """In a living bath: one reading of it changes nothing; from the first of two on it is two cycles, also at 5 s."""
    bench = kit.bench(circuits=1, period_ms=period_ms).running()
    bench.cycles(3)
    bench.bad[0, "probes"] = hot_C
    bench.cycle()
    bench.bad.clear()
    bench.cycles(3)
    assert (bench.circuit().state, bench.set_A()) == (State.RUNNING, 15.0)
    bench.toys[0].probe_C = hot_C
    bench.cycle()
    assert (bench.circuit().state, bench.set_A()) == (State.RUNNING, 15.0)
    bench.cycle()
    assert bench.circuit().state is state
    assert bench.set_A() == pytest.approx(set_A)


def test_one_cool_reading_gives_nothing_back(kit):
    """Towards ease three: the hold's cause stands until the third cool reading."""
    bench = kit.bench(circuits=1).running()
    bench.toys[0].probe_C = 56.0
    bench.cycles(3)
    bench.toys[0].probe_C = 40.0
    stands = []
    for _ in range(3):
        bench.cycle()
        stands.append(any(condition.code == "probe_hold" for condition in bench.out.standing[0]))
    assert stands == [True, True, False]


@pytest.mark.parametrize(("code", "level_C"), [("probe_hold", 55.0), ("probe_trip", 60.0)])
def test_a_level_clears_three_kelvin_below_and_not_before(kit, code, level_C):
    """Hysteresis: 3 K, so that a circuit does not flutter at its level."""
    temperatures = (level_C, level_C - 2.9, level_C - 3.0, level_C - 3.1)
    assert kit.watch(code, hot_views(kit, *temperatures)) == [True, True, True, False]


@pytest.mark.parametrize("code", ["probe_derate", "probe_hold", "probe_trip"])
def test_a_lost_probe_ends_no_temperature_reaction(kit, code):
    """A broken hot probe is not a cold one."""
    seen = kit.watch(code, hot_views(kit, None, 61.0, None, None))
    assert seen == [False, True, True, True]


def test_the_derate_ends_only_when_the_whole_current_is_allowed_again(kit):
    """Cool again is not enough: the current must have risen to 100 %; then a kelvin below its level."""
    eased = kit.state(allowed=Allowed(60.0, 100.0, 0))
    reacting = [kit.view(state=kit.state(allowed=Allowed(84.0, 84.0)), facts=kit.facts(probe_C=51.0))]
    near = hot_views(kit, 49.0)
    assert kit.watch("probe_derate", [*reacting, kit.view(state=eased), *near, kit.view()]) == [True, True, True, False]
    assert kit.watch("probe_derate", [kit.view(state=eased)]) == [False]


def test_the_profile_can_lower_the_trip_level_but_not_raise_it(kit):
    """The smaller of the bath's and the profile's."""
    for profile_C, level_C in ((57.0, 57.0), (65.0, 60.0)):
        state = kit.state(load=kit.load(plan=kit.plan(probe_trip_C=profile_C)))
        assert kit.watch("probe_trip", hot_views(kit, level_C - 0.1, level_C, state=state)) == [False, True]
    assert kit.watch("probe_trip", hot_views(kit, 59.9, 60.0, state=kit.state(load=None))) == [False, True]


def test_the_levels_are_the_settings(kit):
    """A bath file may hold at 48 C; a value and its limit go with the alarm."""
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(derate_C=44.0, hold_C=48.0, trip_C=52.0)))
    for code, level_C in (("probe_derate", 44.0), ("probe_hold", 48.0), ("probe_trip", 52.0)):
        assert kit.watch(code, hot_views(kit, level_C - 0.1, level_C, settings=settings)) == [False, True]
        (law,) = (law for law in probe.LAWS if law.code == code)
        found = law.compare(hot_views(kit, level_C + 1.0, settings=settings)[0], False)
        assert (found.value, found.limit) == (level_C + 1.0, level_C)


@pytest.mark.parametrize(
    ("hot_C", "profile_C", "asleep"),
    [(49.9, None, True), (50.0, None, False), (49.0, 49.0, False), (48.9, 49.0, True), (None, None, True)],
)
def test_the_file_sleeps_below_every_level(kit, hot_C, profile_C, asleep):
    """The lowest of the derate and the profile's trip wakes it."""
    state = kit.state(load=kit.load(plan=kit.plan(probe_trip_C=profile_C)))
    assert probe.FAMILY.asleep(hot_views(kit, hot_C, state=state)[0]) is asleep


@pytest.mark.parametrize("name", ["derate_C", "hold_C", "trip_C"])
def test_whichever_level_is_the_lowest_wakes_the_file(kit, name):
    """Settings in another order than usual sleep over nothing."""
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(**{name: 45.0})))
    view = hot_views(kit, 45.0, settings=settings, state=kit.state(load=None))[0]
    assert not probe.FAMILY.asleep(view)
    assert any(law.compare(view, False).holds for law in probe.LAWS)


def lost(kit, **changes):
    return kit.facts(**{"probe_C": None, "probe_lost": True, **changes})


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_lost_probe_derates_to_a_finishing_current_in_two_readings(kit, period_ms):
    """0.1 of 60 Ah: 6 A; it ends when the probe has been valid for a minute, so that a loose wire swings nothing."""
    views = [kit.view(facts=fact) for fact in (lost(kit), lost(kit), *[kit.facts()] * 61)]
    seen = kit.watch("probe_lost", views, period_ms)
    assert seen[:3] == [False, True, True]
    assert seen.index(False, 2) == 2 + 60_000 // period_ms


@pytest.mark.parametrize("stale", [True, False])
def test_the_derate_of_a_lost_probe_is_six_amperes_whatever_else_is_lost(kit, stale):
    """Also where it cannot be told and in the minute of its return: what stands keeps its amount."""
    for fact in (lost(kit, stale=stale), kit.facts(stale=stale)):
        assert probe_loss.lost(kit.view(facts=fact), True).allowed_A == pytest.approx(6.0)


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
    bench.cycles(3)
    assert bench.out.told[0].stand_in_C == pytest.approx(45.0)


def test_a_circuit_without_probes_in_a_bath_without_water_is_lost(kit):
    """Nothing is known of its batteries: held at once."""
    bench = kit.bench(circuits=1, own={"probes": 0}).running()
    assert bench.circuit().state is State.RUNNING
    bench.bad[-1, "water_C"] = None
    bench.cycles(2)
    assert bench.circuit().state is State.HELD


def test_nothing_asks_for_a_probe_that_reads(kit):
    """Asleep with a valid probe, awake without."""
    assert probe_loss.FAMILY.asleep(kit.view())
    assert not probe_loss.FAMILY.asleep(kit.view(facts=lost(kit)))


def test_a_probe_that_comes_back_gives_the_current_back_by_one_percent_a_second(kit):
    """As any temperature derate: a minute valid, then slowly; the alarm ends with that minute."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "probes"] = None
    bench.cycles(3)
    assert bench.set_A() == 6.0
    bench.bad.clear()
    seen_A = [bench.cycles(1).set_A() for _ in range(122)]
    assert seen_A[:60] == [6.0] * 60
    assert seen_A[60] == pytest.approx(6.15)
    assert max(later - sooner for sooner, later in itertools.pairwise(seen_A)) == pytest.approx(0.15)
    assert seen_A[118] < 15.0 == seen_A[120]


def test_a_probe_lost_in_a_rest_lowers_the_step_after_it(kit):
    """A rest has no current to take a share of; the law itself limits the first current."""
    bench = kit.bench(circuits=1).running(kit.step(1, "rest", 0.0, {"time_ms": 5_000}), kit.step(2))
    bench.bad[0, "probes"] = None
    seen_A = [bench.cycles(1).set_A() for _ in range(10)]
    assert bench.circuit().allowed.percent == pytest.approx(40.0)
    assert set(seen_A) == {0.0, 6.0}


@pytest.mark.parametrize("code", ["probe_lost_long", "water_lost_long"])
@pytest.mark.parametrize(("valid", "holds"), [(60, True), (61, False)])
def test_a_wire_that_comes_and_goes_does_not_make_the_hour_begin_anew(kit, code, valid, holds):
    """Less than a minute of valid readings is no cure; a minute is."""
    if code.startswith("probe"):
        lost, good = (kit.view(facts=kit.facts(probe_lost=each)) for each in (True, False))
    else:
        lost, good = (kit.bath_view(kit.bath_facts(water_C=water)) for water in (None, 25.0))
    seen = kit.watch(code, [*[lost] * 1_800, *[good] * valid, *[lost] * (1_801 - valid)])
    assert seen[-2:] == [False, holds]
    assert not any(kit.watch(code, [*[lost] * 3_600, *[good] * 60]))
