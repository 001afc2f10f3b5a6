"""The bath's laws: water, extraction, hood, emergency stop, inputs."""

from __future__ import annotations

import pytest

from controller.core.state import Allowed, BathState, CircuitState


def bath_views(kit, *facts, **changes):
    return [kit.bath_view(kit.bath_facts(**fact), **changes) for fact in facts]


def water(kit, *temperatures, **changes):
    return bath_views(kit, *({"water_C": amount} for amount in temperatures), **changes)


@pytest.mark.parametrize(("code", "level_C"), [("water_warm", 40.0), ("water_derate", 45.0), ("water_hold", 50.0)])
@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_warm_water_reacts_in_two_readings_and_not_below(kit, code, level_C, period_ms):
    """40, 45 and 50 C; one spike does nothing."""
    seen = kit.watch(code, water(kit, level_C, level_C - 0.1, level_C, level_C), period_ms)
    assert seen == [False, False, False, True]


@pytest.mark.parametrize(("code", "level_C"), [("water_warm", 40.0), ("water_hold", 50.0)])
def test_warm_water_clears_two_kelvin_below(kit, code, level_C):
    """Hysteresis of 2 K; a lost value keeps what stands."""
    temperatures = (level_C, level_C, level_C - 1.9, None, level_C - 2.1)
    assert kit.watch(code, water(kit, *temperatures)) == [False, True, True, True, False]


def test_the_water_derate_ends_when_the_whole_current_is_allowed_again(kit):
    """As the probe's."""
    circuits = (CircuitState("A01"), CircuitState("A02"))
    eased = BathState(circuits, allowed=Allowed(50.0, 100.0, 0))
    views = [*water(kit, 46.0, 46.0, 30.0, state=eased), *water(kit, 30.0)]
    assert kit.watch("water_derate", views) == [False, True, True, False]


def test_cold_water_warns_only_while_the_bath_is_in_use(kit):
    """15 C and below, cleared above 17 C."""
    assert kit.watch("water_cold", water(kit, 15.0, 15.0, 16.9, None, 17.1)) == [False, True, True, True, False]
    assert not any(kit.watch("water_cold", water(kit, 10.0, 10.0, 10.0, in_use=False)))


@pytest.mark.parametrize("airflow", [False, None])
def test_airflow_not_proved_holds_a_bath_in_use_at_once(kit, airflow):
    """Not proved and not known are the same to gas; proved again clears."""
    views = bath_views(kit, {"airflow": True}, {"airflow": airflow}, {"airflow": airflow}, {"airflow": True})
    assert kit.watch("extraction_lost", views) == [False, True, True, False]


def test_airflow_is_not_asked_for_in_an_idle_bath(kit):
    """Nothing gasses; a start still waits for the purge."""
    for code in ("extraction_lost", "extraction_lost_after_run"):
        assert not any(kit.watch(code, bath_views(kit, *[{"airflow": False}] * 3, in_use=False)))


def test_airflow_lost_in_the_after_run_is_its_own_alarm(kit):
    """Gas leaves the cells for an hour after the last current."""
    views = bath_views(kit, {"airflow": False}, in_use=False, after_run=True)
    assert kit.watch("extraction_lost_after_run", views) == [True]
    assert kit.watch("extraction_lost", views) == [False]


def test_lost_extraction_stays_a_reason_after_it_has_held_the_bath(kit):
    """The hold takes the bath out of use; that does not end its own cause."""
    held = bath_views(kit, {"airflow": False}, in_use=False)
    assert kit.watch("extraction_lost", bath_views(kit, {"airflow": False}) + held * 3) == [True] * 4


def test_the_emergency_stop_trips_at_once_and_an_unreadable_one_changes_nothing(kit):
    """Pressed in one reading; unreadable keeps what stood."""
    codes = [{"emergency_stop_ok": ok} for ok in (None, True, False, None, True)]
    assert kit.watch("emergency_stop", bath_views(kit, *codes)) == [False, False, True, True, False]


@pytest.mark.parametrize(
    ("in_use", "after_run", "holds"), [(True, False, True), (False, True, True), (False, False, False)]
)
def test_an_open_hood_holds_while_gas_may_be_there(kit, in_use, after_run, holds):
    """In use and in the after-run; an idle bath may stand open."""
    views = bath_views(kit, {"hood_closed": False}, in_use=in_use, after_run=after_run)
    assert kit.watch("hood_open", views) == [holds]


def test_an_open_hood_is_closed_only_when_its_contact_says_so(kit):
    """Unknown keeps the hold; a hood without a contact never holds."""
    hoods = [{"hood_closed": closed} for closed in (False, None, True)]
    assert kit.watch("hood_open", bath_views(kit, *hoods)) == [True, True, False]
    assert not any(kit.watch("hood_open", bath_views(kit, *[{"hood_closed": None}] * 3)))


def test_stale_inputs_hold(kit):
    """Nobody can say that the bath is shut and aired."""
    views = bath_views(kit, {}, {"stale": True, "fresh": False}, {})
    assert kit.watch("inputs_stale", views) == [False, True, False]
