"""Cooling water that does not flow.

Hazard: without fresh water the bath warms by some kelvins an hour, and every battery with it.
Law: where flow is measured: less than `least_L_min`, or no value, while the water stands `above_K` over the opening of
its valve, warns after `warn_s`, and no step goes up into gassing; the derates by temperature act as ever. After
`hold_minutes`, or when the water then rises faster than `rise_K_per_h` over ten minutes, the bath is held. A cold
bath's valve is nearly shut: little flow means nothing there.
Defaults: a valve that opens at 28 C and passes well over 1 L/min two kelvins above; 60 s outlast a pump's change-over;
in 60 min at 6 K/h the water goes from its warning level past its hold level. Own choice, adjustable.
Clears: by flow, or by water a kelvin below that level; the hold then by order.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView

SPAN_MS = 600_000
"""A rise is told over ten minutes: one kelvin at the limit, ten steps of a sensor. Own choice."""
MS_PER_H = 3_600_000.0


def lost(view: BathView, active: bool) -> Finding:
    """Return whether no flow is proved although the valve must be open, while the bath has heat to lose."""
    if view.state.inputs.flow_lost_ms is None or not (view.in_use or view.after_run or active):
        return CLEAR
    return Finding(True, view.facts.flow_L_min, view.settings.laws.flow.least_L_min)


def lost_long(view: BathView, active: bool) -> Finding:
    """Return whether flow has been lost for long, or the water rises fast without it."""
    lost_ms = view.state.inputs.flow_lost_ms
    if lost_ms is None:
        return CLEAR
    limits, away_ms = view.settings.laws.flow, view.facts.now_ms - lost_ms
    long = away_ms >= limits.hold_minutes * 60_000.0
    fast = away_ms >= limits.warn_s * 1000.0 and _rise_K_per_h(view) > limits.rise_K_per_h
    return Finding(long or fast or active, away_ms / 60_000.0, limits.hold_minutes)


def _rise_K_per_h(view: BathView) -> float:
    """Return how fast the water rose over the last ten minutes; zero where nobody can tell."""
    water, now_ms = view.facts.water_C, view.facts.now_ms
    for at_ms, was_C in reversed(view.state.inputs.water_C):
        if now_ms - at_ms >= SPAN_MS:
            return 0.0 if water is None else (water - was_C) * MS_PER_H / (now_ms - at_ms)
    return 0.0


LAWS: tuple[Law[BathView], ...] = (
    Law("flow_lost", Reaction.WARN, 2, lost, lambda s: s.laws.flow.warn_s * 1000.0, readings=2),
    Law("flow_hold", Reaction.HOLD, 2, lost_long, readings=2, explains=("flow_lost",)),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return view.state.inputs.flow_lost_ms is None


FAMILY = Family(LAWS, asleep)
