"""A step to a lower voltage limit: no current flows until volts are there, and that is no open string."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.atlimit import comes_down
from controller.core.state import TrailPoint
from controller.core.types import Command, State

LIMIT = 2.40
SOUND = (2.75, 2.60)
"""Volts a cell of the last two points of the trail: the newest one two minutes, the other four minutes old."""


LATER = {"entered_ms": -360_000}


def entered(kit, volts=2.50, *, points=SOUND, before_A=15.0, entered_ms=-240_000, current_A=0.0, limit=LIMIT, **run):
    """A circuit in a step with a limit of 2.40 V a cell, four minutes after it was entered at 15 A and 2.75 V."""
    then = (before_A, *(0.0,) * (len(points) - 1))
    trail = tuple(
        TrailPoint(-120_000 * (len(points) - index), current, each, 40.0, 30.0)
        for index, (each, current) in enumerate(zip(points, then, strict=True))
    )
    state = kit.state(
        trail=trail,
        run=kit.run(step_entered_ms=entered_ms, flowing=False, **run),
        command=Command(15.0, limit * kit.cells, True),
    )
    return kit.view(state, kit.facts(volts_per_cell=volts, current_A=current_A))


@pytest.mark.parametrize(("given", "waits"), [
    ({}, True),
    ({"volts": 2.7479}, True), ({"volts": 2.7485}, False),
    ({"volts": 2.39}, True),
    ({"volts": None}, False), ({"volts": 0.0}, False),
    ({"points": (2.75,)}, False), ({"points": (None, 2.6)}, False), ({"points": (2.75, None)}, True),
    ({"entered_ms": -240_001}, False), ({"entered_ms": -1}, False),
    ({"before_A": None}, False), ({"before_A": 0.0}, False), ({"before_A": 0.29}, False), ({"before_A": 0.3}, True),
    ({"limit": 2.74}, True), ({"limit": 2.76}, False),
    ({**LATER, "points": (2.75, 2.42, 2.41), "volts": 2.40}, True),
    ({**LATER, "points": (2.75, 2.40, 2.40), "volts": 2.40}, False),
])  # fmt: skip
def test_when_volts_come_down(kit, given, waits):
    """They fall, and stood above the new limit when the step was entered with current flowing."""
    view = entered(kit, **given)
    assert comes_down(view.state, view.facts) is waits


def test_nothing_comes_down_without_a_run(kit):
    """A step is what it is all about."""
    view = entered(kit)
    assert not comes_down(replace(view.state, run=None), view.facts)


@pytest.mark.parametrize("code", ["open_string", "voltage_trip", "voltage_warn"])
def test_a_string_above_its_new_limit_is_waited_for(kit, code):
    """Neither open nor driven above its limit while no current flows and volts fall."""
    assert not any(kit.watch(code, [entered(kit)] * 20))


def test_a_string_that_stands_still_at_its_new_limit_is_open(kit):
    """An open clamp shows the limit, and stays there."""
    still = entered(kit, 2.40, points=(2.75, 2.40, 2.40), **LATER)
    assert kit.watch("open_string", [still] * 6) == [False] * 5 + [True]


def test_volts_above_the_limit_are_the_rectifiers_where_current_flows(kit):
    """0.3 A is current; what is not read may be some."""
    for current_A, trips in ((0.29, False), (0.3, True), (None, True)):
        for code in ("voltage_trip", "voltage_warn"):
            assert any(kit.watch(code, [entered(kit, 2.6, current_A=current_A)] * 12)) is trips


@pytest.mark.parametrize(("limit", "fall_V", "ends"), [(2.40, 0.003, False), (2.85, 0.003, False), (2.70, 0.0, True)])
def test_a_current_that_has_not_come_yet_has_not_fallen(kit, limit, fall_V, ends):
    """A finish that ends at 6 A is over neither while volts come down to its limit nor while they are below it."""
    bench = kit.bench(circuits=1).running(
        kit.step(1, ends={"time_ms": 300_000}),
        kit.step(2, voltage_V_per_cell=limit, ends={"current_A": 6.0}),
    )
    bench.bad[0, "voltage_V"] = 2.75 * kit.cells
    bench.cycles(297)
    assert bench.circuit().run.step == 0
    bench.cycles(2)
    assert bench.circuit().run.step == 1
    bench.bad[0, "current_A"] = 1.0
    for second in range(100 if fall_V else 200):
        bench.bad[0, "voltage_V"] = (2.70 - fall_V * second) * kit.cells
        bench.cycle()
    assert (bench.circuit().state is State.COMPLETE) is ends
