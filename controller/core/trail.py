"""The last half hour of a circuit, a point every two minutes: for laws that look at how things move."""

from __future__ import annotations

from controller.core.changed import changed
from controller.core.facts import Facts
from controller.core.state import CircuitState, TrailPoint

EVERY_MS = 120_000
POINTS = 16
"""Sixteen points two minutes apart span half an hour; a battery's time constant is about 40 min."""


def walked(state: CircuitState, facts: Facts) -> CircuitState:
    """Return the circuit with this cycle on its trail, where a point is due; a gap begins the trail anew."""
    trail = state.trail
    if facts.gap:
        return changed(state, trail=(), moved_K=None) if trail else state
    if trail and facts.now_ms - trail[-1].at_ms < EVERY_MS:
        return state
    point = TrailPoint(facts.now_ms, facts.current_A, facts.voltage_V_per_cell, facts.probe_C, facts.water_C)
    trail = (*trail[-(POINTS - 1) :], point)
    return changed(state, trail=trail, moved_K=_moved_K(trail))


def _moved_K(trail: tuple[TrailPoint, ...]) -> float | None:
    """Return how far the temperature moved over a whole trail, or None where it is too short or has holes."""
    hots = [point.hot_C for point in trail if point.hot_C is not None]
    return max(hots) - min(hots) if len(hots) == POINTS else None
