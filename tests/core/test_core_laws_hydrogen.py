"""Hydrogen: levels, a sensor that is silent, overdue or frozen, and what the circuits are told of gas."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import inputs
from controller.core.bathstate import BathState, Inputs
from controller.core.lawsettings import HydrogenLimits, LawSettings
from controller.core.state import CircuitState
from controller.core.types import Condition, Reaction, State

CIRCUITS = (CircuitState("A01"), CircuitState("A02"))
HAS = frozenset({"hydrogen_percent_LEL"})
HOUR_MS = 3_600_000


def gas(kit, *levels, **changes):
    state = changes.pop("state", None)
    return [kit.bath_view(kit.bath_facts(hydrogen_LEL=level, has=HAS, **changes), state=state) for level in levels]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
@pytest.mark.parametrize(("code", "level"), [("hydrogen_warn", 10.0), ("hydrogen_trip", 25.0)])
def test_gas_at_its_level_reacts_in_two_readings(kit, code, level, period_ms):
    """10 and 25 % of the explosive limit; one spike does nothing, nor does what stands just below."""
    assert kit.watch(code, gas(kit, level, level - 0.1, level, level), period_ms) == [False, False, False, True]


@pytest.mark.parametrize(("code", "level"), [("hydrogen_warn", 10.0), ("hydrogen_trip", 25.0)])
def test_gas_is_gone_well_below_the_warning_level(kit, code, level):
    """Both end below 8 %; a sensor that falls silent ends nothing."""
    assert kit.watch(code, gas(kit, level, level, 8.0, None, 7.9)) == [False, True, True, True, False]


def test_a_bath_without_the_sensor_has_no_such_law(kit):
    """Neither levels nor its silence."""
    for code in ("hydrogen_warn", "hydrogen_trip", "hydrogen_unknown"):
        views = [kit.bath_view(kit.bath_facts(hydrogen_LEL=None, overdue=("hydrogen",)))] * 70
        assert not any(kit.watch(code, views))


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 60), (5_000, 12)])
def test_a_silent_sensor_is_told_after_a_minute(kit, period_ms, first):
    """59 s are not enough; a value ends it."""
    seen = kit.watch("hydrogen_unknown", gas(kit, *[None] * (first + 1), 1.0), period_ms)
    assert seen == [False] * first + [True, False]


def test_an_overdue_proof_is_told_while_current_flows_and_in_the_after_run(kit):
    """Nobody proved in time that it sees gas; an idle bath asks at its next start."""
    for in_use, after_run, told in ((True, False, True), (False, True, True), (False, False, False)):
        facts = kit.bath_facts(hydrogen_LEL=1.0, has=HAS, overdue=("shunt", "hydrogen"))
        views = [kit.bath_view(facts, in_use=in_use, after_run=after_run)] * 61
        assert kit.watch("hydrogen_unknown", views)[-1] is told
    other = kit.bath_view(kit.bath_facts(hydrogen_LEL=1.0, has=HAS, overdue=("shunt",)))
    assert not any(kit.watch("hydrogen_unknown", [other] * 61))


@pytest.mark.parametrize(
    ("still_h", "rise", "holds"),
    [(4.0, 3.0, True), (3.99, 3.0, False), (4.0, 2.9, False), (4.0, 4.0, True), (9.0, 0.0, False)],
)
def test_a_value_that_stands_while_gas_should_have_risen_is_frozen(kit, still_h, rise, holds):
    """Four hours to the bit, and 3 % that should have been seen to come; hours at rest prove nothing."""
    memory = Inputs(hydrogen_LEL=0.0, hydrogen_still_ms=1_000, rise_LEL=rise)
    state = BathState(CIRCUITS, inputs=memory)
    now_ms = 1_000 + round(still_h * HOUR_MS)
    seen = kit.watch("hydrogen_unknown", gas(kit, *[0.0] * 61, state=state, now_ms=now_ms))
    assert seen[-1] is holds
    never = replace(state, inputs=replace(memory, hydrogen_still_ms=None))
    assert not any(kit.watch("hydrogen_unknown", gas(kit, *[0.0] * 61, state=never, now_ms=now_ms)))


def frozen_bench(kit, volts_per_cell=2.5, airflow_m3_h=100.0, hours=0.2, **settings):
    """Two strings at 15 A, gassing or not, and a sensor that says 0.0 whatever comes."""
    laws = LawSettings(hydrogen=HydrogenLimits(frozen_minutes=10.0))
    bench = kit.bench(period_ms=5_000, laws=laws, airflow_m3_h=airflow_m3_h, **settings)
    bench.bath_signals["hydrogen_percent_LEL"] = 0.0
    bench.running()
    for index in range(2):
        bench.bad[index, "voltage_V"] = volts_per_cell * kit.cells
    return bench.cycles(round(hours * 720))


def test_expected_gas_is_that_of_the_gassing_strings(kit):
    """2 strings of 108 cells at 15 A in 100 m3/h: 34 % of the explosive limit, and 63 % of that after 15 min."""
    bench = frozen_bench(kit, hours=0.25)
    assert bench.state.inputs.expected_LEL == pytest.approx(0.63 * 1.05 * 2 * 108 * 15 / 100, rel=0.06)
    assert any(event.code == "hydrogen_unknown" for event in bench.events)
    assert bench.circuit(0).state is State.RUNNING


@pytest.mark.parametrize("changes", [{"volts_per_cell": 2.34}, {"airflow_m3_h": None}, {"airflow_m3_h": 1e5}])
def test_no_gas_to_expect_freezes_no_sensor(kit, changes):
    """Below gassing volts, with an airflow that is not known, or so much air that nothing can be seen."""
    bench = frozen_bench(kit, hours=0.4, **changes)
    assert not any(event.code == "hydrogen_unknown" for event in bench.events)
    assert 0.0 <= bench.state.inputs.expected_LEL <= 0.04


def test_a_value_that_moves_begins_anew(kit):
    """What was expected so far is where its next stillness begins; silence moves nothing."""
    bench = frozen_bench(kit, hours=0.1)
    began_ms = bench.state.inputs.hydrogen_still_ms
    bench.bad[-1, "hydrogen_percent_LEL"] = None
    bench.cycle()
    assert bench.state.inputs.hydrogen_still_ms == began_ms
    bench.bad[-1, "hydrogen_percent_LEL"] = 0.1
    bench.cycle()
    memory = bench.state.inputs
    assert (memory.hydrogen_LEL, memory.hydrogen_still_ms) == (0.1, bench.now_ms)
    assert memory.seen_LEL == pytest.approx(1.05 * 2 * 108 * 15 / 100)
    assert (memory.rise_LEL, memory.expected_LEL > 10.0) == (0.0, True)


def test_an_honest_sensor_at_the_end_of_a_gassing_run_is_not_frozen(kit):
    """It follows the gas at once, in steps of 1 %, and then stands at zero while the reckoning still decays."""
    bench = frozen_bench(kit, hours=0.0)
    bench.bath_signals["hydrogen_percent_LEL"] = 9.0
    bench.cycles(200)
    bench.order("hold", "A")
    for index in range(2):
        bench.bad[index, "voltage_V"] = 2.1 * kit.cells
    bench.bath_signals["hydrogen_percent_LEL"] = 0.0
    bench.cycles(800)
    assert not any(event.code == "hydrogen_unknown" for event in bench.events)
    assert bench.state.inputs.seen_LEL == bench.state.inputs.expected_LEL < 1.0


def test_a_sensor_that_froze_at_zero_after_a_run_is_found_by_the_next_one(kit):
    """What decayed is expected to come again."""
    bench = frozen_bench(kit, hours=0.0)
    bench.bath_signals["hydrogen_percent_LEL"] = 9.0
    bench.cycles(100)
    bench.bath_signals["hydrogen_percent_LEL"] = 0.0
    for index in range(2):
        bench.bad[index, "voltage_V"] = 2.1 * kit.cells
    bench.cycles(800)
    for index in range(2):
        bench.bad[index, "voltage_V"] = 2.5 * kit.cells
    bench.cycles(200)
    assert any(event.code == "hydrogen_unknown" for event in bench.events)


def test_a_hydrogen_trip_takes_the_bath_and_latches(kit):
    """Every circuit; gone again, nothing comes back before acknowledge and reset of each and of the bath."""
    bench = kit.bench()
    bench.bath_signals["hydrogen_percent_LEL"] = 0.0
    bench.running()
    bench.bath_signals["hydrogen_percent_LEL"] = 26.0
    bench.cycles(2)
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED] * 2
    assert {told.bath.keep_contactor for told in bench.out.told} == {True}
    bench.bath_signals["hydrogen_percent_LEL"] = 0.0
    bench.cycles(20)
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED] * 2
    assert any(alarm.code == "hydrogen_trip" and alarm.latched for alarm in bench.state.alarms)


def test_contactors_stay_in_gas_unless_they_stand_outside(kit):
    """Only the trip speaks of gas at the contactors."""
    trip, warn = (Condition(code, Reaction.TRIP) for code in ("hydrogen_trip", "emergency_stop"))
    assert inputs.contactors_stay(kit.settings(), (warn, trip))
    assert not inputs.contactors_stay(kit.settings(), (warn,))
    assert not inputs.contactors_stay(kit.settings(contactors_outside=True), (trip,))


@pytest.mark.parametrize(
    ("reads", "last", "ok"),
    [
        (9.9, None, True),
        (10.0, None, False),
        (None, None, False),
        (None, 10.0, False),
        (None, 9.9, True),
        (9.0, 30, True),
    ],
)
def test_gas_lets_current_flow_below_its_warning_level(kit, reads, last, ok):
    """A sensor that fell silent counts with its last value; one that never spoke lets nothing begin."""
    state = BathState(CIRCUITS, inputs=Inputs(hydrogen_LEL=last))
    assert inputs.gas_ok(kit.settings(), state, kit.bath_facts(hydrogen_LEL=reads, has=HAS)) is ok
    assert inputs.gas_ok(kit.settings(), state, kit.bath_facts(hydrogen_LEL=reads))
