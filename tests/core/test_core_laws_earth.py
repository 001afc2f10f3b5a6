"""Leakage to earth: the plant's own baseline, the warning, the step and the electrician's value."""

from __future__ import annotations

import pytest

from controller.core.bathstate import BathState, Inputs
from controller.core.inputs import remembered
from controller.core.lawsettings import EarthLimits, LawSettings
from controller.core.state import CircuitState
from controller.core.types import State

CIRCUITS = (CircuitState("A01"), CircuitState("A02"))
HAS = frozenset({"earth_ohm_per_V"})


def earth(kit, *readings, base=None, trail=(), trip=None, has=HAS):
    settings = kit.settings(laws=LawSettings(earth=EarthLimits(trip_ohm_per_V=trip)))
    state = BathState(CIRCUITS, inputs=Inputs(base_ohm_per_V=base, earth=tuple(trail)))
    facts = [kit.bath_facts(earth_ohm_per_V=reads, has=has) for reads in readings]
    return [kit.bath_view(fact, settings=settings, state=state) for fact in facts]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
@pytest.mark.parametrize(("base", "level"), [(None, 100.0), (150.0, 100.0), (400.0, 200.0)])
def test_low_leakage_resistance_warns_after_ten_minutes(kit, base, level, period_ms):
    """Below 100 ohm a volt, or below half of the bath's own; ten per cent above clears, silence does not."""
    wait = 600_000 // period_ms
    readings = [level] * 5 + [level - 0.1] * (wait + 1) + [level * 1.09, None, level * 1.11]
    seen = kit.watch("earth_low", earth(kit, *readings, base=base), period_ms)
    assert seen == [False] * (wait + 5) + [True, True, True, False]


def test_a_bath_that_measures_no_leakage_has_no_such_law(kit):
    """Nor does one reading that is lost begin any."""
    for code in ("earth_low", "earth_trip"):
        assert not any(kit.watch(code, earth(kit, *[1.0] * 700, has=frozenset(), trail=[(0, 900.0)])))
        assert not any(kit.watch(code, earth(kit, *[None] * 700, trail=[(0, 900.0)])))


def test_the_electricians_value_trips_in_two_readings(kit):
    """Only where it is set; ten per cent above clears."""
    readings = [30.0, 29.0, 30.0, 29.0, 29.0, 32.9, None, 33.1]
    expected = [False, False, False, False, True, True, True, False]
    assert kit.watch("earth_trip", earth(kit, *readings, trip=30.0)) == expected
    assert not any(kit.watch("earth_trip", earth(kit, *readings)))


def test_a_step_to_under_half_trips(kit):
    """Against the highest of the last minute: 499 of 1000, not 500. Twice, as one reading may lie."""
    trail = [(0, 400.0), (20_000, 1_000.0), (40_000, 300.0)]
    assert kit.watch("earth_trip", earth(kit, 499.0, 499.0, trail=trail)) == [False, True]
    assert kit.watch("earth_trip", earth(kit, 500.0, 500.0, trail=trail)) == [False, False]


def test_a_step_that_stands_is_measured_by_the_baseline(kit):
    """The minute has forgotten it; the bath's own resistance has not."""
    begins = earth(kit, 400.0, 400.0, base=1_000.0, trail=[(0, 1_000.0)])
    stands = earth(kit, 400.0, 549.0, 551.0, base=1_000.0, trail=[(0, 400.0)])
    assert kit.watch("earth_trip", begins + stands) == [False, True, True, True, False]
    assert not any(kit.watch("earth_trip", stands[:2]))


def played(kit, readings, period_ms=1_000):
    bench = kit.bench(period_ms=period_ms)
    bench.bath_signals["earth_ohm_per_V"] = 800.0
    bench.running()
    for reads in readings:
        bench.bath_signals["earth_ohm_per_V"] = reads
        bench.cycle()
    return bench


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_person_at_a_terminal_trips_the_bath_in_two_cycles(kit, period_ms):
    """800 to 300 ohm a volt: nothing in the first reading, tripped in the second; latched when the hand is gone."""
    bench = played(kit, [800.0, 300.0], period_ms)
    assert [each.state for each in bench.state.circuits] == [State.RUNNING] * 2
    bench.cycle()
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED] * 2
    assert [command.set_current_A for command in bench.out.commands] == [0.0, 0.0]
    bench.bath_signals["earth_ohm_per_V"] = 800.0
    bench.cycles(5)
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED] * 2


def test_a_fall_slower_than_a_minute_is_no_step(kit):
    """Halved within two minutes: no trip, and the trail forgets what is older than a minute."""
    bench = played(kit, [800.0 - 4.0 * second for second in range(110)])
    assert bench.circuit().state is State.RUNNING
    assert bench.now_ms - bench.state.inputs.earth[0][0] == 60_000
    bench.bad[-1, "earth_ohm_per_V"] = None
    before = bench.state.inputs.earth
    assert bench.cycle() is not None
    assert bench.state.inputs.earth == before


def based(kit, first, then, minutes):
    settings, state = kit.settings(), BathState(CIRCUITS)
    for minute in range(minutes + 1):
        reads = then if minute else first
        facts = kit.bath_facts(now_ms=60_000 * minute, earth_ohm_per_V=reads, has=HAS)
        state = remembered(settings, state, facts)
    return state.inputs.base_ohm_per_V


@pytest.mark.parametrize(
    ("first", "then", "after_an_hour"),
    [
        (800.0, 600.0, 800.0 - 200.0 / 24.0),
        (800.0, 1_040.0, 800.0 + 240.0 / 24.0),
        (800.0, 400.0, 800.0 - 400.0 / 24.0),
        (800.0, 380.0, 800.0),
        (150.0, 99.0, 150.0),
        (150.0, 100.0, 150.0 - 50.0 / 24.0),
        (99.0, 99.0, None),
        (99.0, 100.0, 100.0),
        (800.0, None, 800.0),
    ],
)
def test_the_baseline_follows_over_a_day_and_no_fault_draws_it_down(kit, first, then, after_an_hour):
    """A 24th of the way in an hour; not below half of itself, not while the warning level is passed."""
    found = based(kit, first, then, 60)
    assert found == (after_an_hour if after_an_hour is None else pytest.approx(after_an_hour, rel=2e-3))
    if after_an_hour == first:
        assert found == first
