"""Baths in which nothing is wrong show nothing wrong: the core on the virtual plant from load to unload, no alarm."""

from __future__ import annotations

import importlib
import os
from pathlib import Path

import pytest

from simulator.stage import Setting

HERE = Path(__file__).parent
LONGEST_s = 40 * 3_600.0
LONG_FORM = ("long",) if os.environ.get("FORMBATH_LONG") == "1" else ()
PERIOD_s = 5.0 if LONG_FORM else 10.0
"""Of the whole baths: the demo runs its own at 5 s, by default these go through the same hours in half the cycles."""
SHORT = 0.08  # of the profile's times and charges


@pytest.fixture(scope="module")
def closed():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(HERE))
        return importlib.import_module("closed")


def played(closed, loop):
    """Play a bath until every circuit is unloaded, and see what it shows on the way."""
    spans = closed.Extremes(loop)
    loop.after.append(spans.look)
    loop.until(lambda each: each.over(), LONGEST_s)
    return spans


def assert_clean(loop, spans):
    """No alarm, refusal, hold, trip or gap; every circuit complete with its charge, and unloaded."""
    said = "\n".join([*loop.wrong(), *spans.lines()])
    assert loop.wrong() == [], said
    assert loop.over(), f"{said}\nnot over at {loop.now_s / 3600:.2f} h: {[each.state for each in loop.state.circuits]}"
    complete = {event.target: event.data["charge_Ah"] for _, event in loop.events if event.code == "complete"}
    assert sorted(complete) == sorted(loop.names), said
    for _, event in loop.events:
        if event.code == "step_ended":
            assert event.data["by"] in ("time", "charge", "steady", "current", "temperature", "order"), event
    for name, charge_Ah in complete.items():
        assert charge_Ah == pytest.approx(loop.plant.delivered_Ah(loop.names.index(name)), rel=0.02)


def test_short_bath_is_clean(closed):
    """Three circuits on a shortened profile, from load to unload: not one alarm."""
    plan = closed.shortened(closed.plan_of("starter-60"), SHORT)
    loop = closed.closed(closed.bath_of(), [plan], Setting(water_inlet_C=20.0))
    assert_clean(loop, played(closed, loop))
    charges = [event.data["charge_Ah"] for _, event in loop.events if event.code == "complete"]
    assert charges == pytest.approx([plan.planned_charge_Ah] * 3, rel=0.02)


def test_bath_with_an_open_clamp_is_not_clean(closed):
    """The check above can fail: a clamp that comes off is told with its code, its time and its value."""
    plan = closed.shortened(closed.plan_of("starter-60"), SHORT)
    loop = closed.closed(closed.bath_of(), [plan], Setting(), ["0:30 A02 open_clamp"])
    loop.until(lambda each: any("open_string" in line for line in each.wrong()), 3_600.0)
    said = "\n".join(loop.wrong())
    alarms = [(at_s, event) for at_s, event in loop.events if event.kind.value == "alarm"]
    at_s, first = next((at_s, event) for at_s, event in alarms if event.code == "open_string")
    assert (first.target, first.data["life"]) == ("A02", "new"), said
    assert 1_800.0 < at_s <= 1_860.0, said
    assert f"{closed.clock(at_s)} A02  alarm   open_string" in said
    assert f"value={first.data['value']:.4g} limit={first.data['limit']:.4g}" in said
    others = [event for _, event in alarms if event.target not in ("A02", "A") and event.code not in closed.DUES]
    assert others == [], said


def test_plant_is_read_as_the_field_reads_it(closed):
    """Readings have the steps of the map's registers, and the last of them grow old when the link goes."""
    plan = closed.shortened(closed.plan_of("starter-60"), SHORT)
    loop = closed.closed(closed.bath_of(1), [plan], Setting(), ["0:20-0:21 A01 link_off"])
    loop.until(lambda each: each.now_s >= 1_195.0, 3_600.0)
    reading = loop.reading(0)
    for value, step in ((reading.voltage_V, 0.02), (reading.current_A, 0.01), (reading.probes[0], 0.01)):
        assert value.age_ms == 0
        assert round(value.number / step) * step == pytest.approx(value.number, abs=1e-9)
    loop.until(lambda each: not each.plant.link_up(0), 60.0)
    loop.cycle()
    held = loop.reading(0)
    assert held.link.value == "down"
    assert held.current_A.age_ms == loop.settings.period_ms
    assert held.current_A.number == 15.0


@pytest.mark.slow
@pytest.mark.parametrize(("inlet_C", "water_C"), [(28.0, 28.0), (8.0, 12.0), *((20.0, 25.0) for _ in LONG_FORM)])
def test_whole_bath_is_clean_in_all_seasons(closed, inlet_C, water_C):
    """Three circuits of the default profile in the default bath with its valve, from load to unload: no alarm."""
    plan = closed.plan_of("starter-60")
    setting = Setting(water_inlet_C=inlet_C, water_start_C=water_C)
    loop = closed.closed(closed.bath_of(period_s=PERIOD_s), [plan], setting)
    assert_clean(loop, played(closed, loop))
    charges = [event.data["charge_Ah"] for _, event in loop.events if event.code == "complete"]
    assert charges == pytest.approx([plan.planned_charge_Ah] * 3, rel=0.01)


@pytest.mark.slow
@pytest.mark.skipif(not LONG_FORM, reason="the demo itself shows its clean circuits: set FORMBATH_LONG=1")
def test_demo_without_its_faults_is_clean(closed):
    """The demo's eight circuits, without what its plant does wrong on purpose, run through without an alarm."""
    loop = closed.closed(closed.load_bath(closed.BATH_FILE), [closed.plan_of("starter-60")], closed.SETTING)
    assert len(loop.names) == 8
    assert_clean(loop, played(closed, loop))


@pytest.mark.slow
@pytest.mark.skipif(not LONG_FORM, reason="the library's other profiles: set FORMBATH_LONG=1")
@pytest.mark.parametrize(
    "profiles",
    [
        ("starter-100", "starter-100-cv", "starter-100-two-acid"),
        ("starter-45-pulsed", "starter-45-relief", "starter-60-cool"),
    ],
)
def test_other_profiles_are_clean(closed, profiles):
    """Every other formation profile of the library runs in the default bath without an alarm."""
    loop = closed.closed(closed.bath_of(), [closed.plan_of(name) for name in profiles], Setting(water_inlet_C=20.0))
    assert_clean(loop, played(closed, loop))


def test_every_formation_profile_is_played():
    """No profile of the library is left out of the baths above."""
    played_too = {"starter-60"}
    for mark in test_other_profiles_are_clean.pytestmark:
        if mark.name == "parametrize":
            played_too |= {name for names in mark.args[1] for name in names}
    library = HERE.parents[1] / "profiles" / "library"
    assert {path.stem for path in library.glob("starter-*.toml")} == played_too
