"""Ripple and hunting.

Hazard: a rectifier that lost a phase or a thyristor, or whose regulation hunts, heats plates and transformer beyond
what its mean current says, and every mean that is read from it is worth less.
Law: ripple as the device tells it, above `ripple_percent` while at least the circuit's least current flows; or current
that turned back four times within the last 15 s (eight cycles, where that is longer), each time by more than that
share of its set-point, in a step older than that: for `ripple_warn_s` warn, for `ripple_hold_s` hold.
Defaults: 15 %: a six-pulse bridge has 4.2 % rms, and one that lost a phase works as a two-pulse one, with 48 %
(textbooks of rectifiers); 15 and 60 s let a start and a change of step settle. Own choice, adjustable.
Reaction: warn, then hold.
Clears: by ripple and current read as calm; a device without the signal shows hunting alone.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.settings import BathSettings
from controller.core.swings import lately, reversals, span
from controller.core.types import Reaction, State
from controller.core.view import CircuitView

HUNT_MS = 15_000
HUNT_CYCLES = 8
TURNS = 4
POINTS = 6
"""Four times back needs six readings."""


def hunt_ms(settings: BathSettings) -> int:
    """Return how far back hunting is looked for."""
    return max(HUNT_MS, HUNT_CYCLES * settings.period_ms)


def ragged(view: CircuitView, active: bool) -> Finding:
    """Return whether current is far from the smooth one it should be."""
    state, limit = view.state, view.settings.laws.current.ripple_percent
    asked = abs(state.command.set_current_A)
    if state.state is not State.RUNNING or asked == 0.0:
        return CLEAR
    hunts = hunting_percent(view, asked, limit)
    if hunts is not None:
        return Finding(True, hunts, limit)
    ripple, current = view.facts.ripple_percent, view.facts.current_A
    if view.cin.reading.ripple_percent is None:
        return CLEAR
    if ripple is None or current is None:
        return CANNOT_TELL
    return Finding(ripple > limit and abs(current) >= view.own.current_min_A, ripple, limit)


def hunting_percent(view: CircuitView, asked_A: float, limit_percent: float) -> float | None:
    """Return how far current swings, in percent of its set-point, where it hunts; None where it does not."""
    run, recent = view.state.run, view.state.recent
    keep_ms = hunt_ms(view.settings)
    if run is None or len(recent) < POINTS or run.step_time_ms <= keep_ms:
        return None
    mine = lately(recent, view.facts.now_ms, keep_ms)
    if reversals(mine, limit_percent / 100.0 * asked_A) < TURNS:
        return None
    return 100.0 * span(mine) / asked_A


LAWS: tuple[Law[CircuitView], ...] = (
    Law("ripple", Reaction.WARN, 3, ragged, lambda s: s.laws.current.ripple_warn_s * 1000.0),
    Law("ripple_hold", Reaction.HOLD, 2, ragged, lambda s: s.laws.current.ripple_hold_s * 1000.0, explains=("ripple",)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    ripple, limit = view.facts.ripple_percent, view.settings.laws.current.ripple_percent
    if ripple is not None and ripple > limit:
        return False
    recent = view.state.recent
    return len(recent) < POINTS or span(recent) < limit / 100.0 * abs(view.state.command.set_current_A)


FAMILY = Family(LAWS, asleep)
