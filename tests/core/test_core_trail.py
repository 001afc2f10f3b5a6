"""The last half hour of a circuit: a point every two minutes, nothing across a gap."""

from __future__ import annotations

import pytest

from controller.core import bathfacts, trail
from controller.core.bathstate import BathState
from controller.core.state import CircuitState
from controller.core.types import State

EVERY_MS = 120_000


def walk(kit, hots, every_ms=EVERY_MS, gap_at=None):
    """A circuit after cycles `every_ms` apart with these temperatures."""
    state = kit.state()
    for at, hot in enumerate(hots):
        state = trail.walked(state, kit.facts(now_ms=at * every_ms, probe_C=hot, gap=at == gap_at))
    return state


def test_a_point_holds_what_the_circuit_was_like(kit):
    """Moment, current, volts per cell, probe and water."""
    (point,) = trail.walked(kit.state(), kit.facts(now_ms=7, current_A=14.0, probe_C=33.0, water_C=24.0)).trail
    assert (point.at_ms, point.current_A, point.volts_per_cell, point.hot_C, point.water_C) == (
        7,
        14.0,
        2.3,
        33.0,
        24.0,
    )


@pytest.mark.parametrize(("every_ms", "points"), [(119_999, 5), (120_000, 10), (60_000, 5)])
def test_points_are_two_minutes_apart(kit, every_ms, points):
    """Ten cycles; between two points the very same circuit."""
    state = walk(kit, [30.0] * 10, every_ms)
    assert len(state.trail) == points
    assert trail.walked(state, kit.facts(now_ms=state.trail[-1].at_ms + EVERY_MS - 1)) is state


def test_the_trail_is_half_an_hour_long(kit):
    """Sixteen points; the oldest leaves."""
    state = walk(kit, [30.0 + at for at in range(20)])
    assert [point.hot_C for point in state.trail] == [34.0 + at for at in range(16)]
    assert state.moved_K == 15.0


def test_how_far_it_moved_is_known_of_a_whole_trail_only(kit):
    """Highest less lowest; one lost point, or fifteen points, tell nothing."""
    assert walk(kit, [30.0, 35.0, 28.0] + [31.0] * 13).moved_K == 7.0
    assert walk(kit, [20.0, 50.0] + [30.0] * 14).moved_K == 30.0
    assert walk(kit, [30.0] * 15).moved_K is None
    assert walk(kit, [30.0] * 15 + [None]).moved_K is None


def test_a_gap_begins_the_trail_anew(kit):
    """Nobody knows what was between; a circuit without a trail stays the very same."""
    state = walk(kit, [30.0] * 16, gap_at=15)
    assert (state.trail, state.moved_K) == ((), None)
    assert trail.walked(state, kit.facts(now_ms=9_000_000, gap=True)) is state


def sisters(*moved_K, state=State.RUNNING):
    circuits = tuple(CircuitState(f"A{n}", state=state, moved_K=each) for n, each in enumerate(moved_K))
    return bathfacts.sisters_K(BathState(circuits))


def test_sisters_moved_by_the_median_of_those_that_run_and_moved():
    """The lower middle one; who did not move at all may be the frozen one, who does not run is no witness."""
    assert sisters(3.0, 1.0, 2.0) == 2.0
    assert sisters(3.0, 1.0) == 1.0
    assert sisters(0.0, 3.0) == 3.0
    assert sisters(None, 3.0) == 3.0
    assert sisters(0.0, None) is None
    assert sisters(3.0, state=State.HELD) is None
