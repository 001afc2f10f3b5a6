"""A battery that warms too fast.

Hazard: a fast rise comes before a high temperature: a joint that glows, a cell that shorts, cooling that is gone.
Law: on the trail (a point every two minutes) the probe rises by more than `rise_K_per_h` over `rise_minutes`, with
current all the time: warn. Without current a rise is no fault: fresh acid heats a dry battery.
Defaults: 30 K an hour over 10 min, common practice without a published source. The virtual string's fastest (fresh
60 Ah at 0.25 C20 in water of 8 C) is 16 K an hour, so that no time after the start is left out.
Clears: at `EASED_SHARE` of the limit, or without current; not while one of several probes is lost.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law, kept
from controller.core.state import TrailPoint
from controller.core.types import Reaction
from controller.core.values import ZERO_A
from controller.core.view import CircuitView

EASED_SHARE = 0.8
MS_PER_H = 3_600_000.0


def new_point(view: CircuitView) -> bool:
    """Return whether this cycle put a point on the trail; between two points nothing new can be told."""
    trail = view.state.trail
    return bool(trail) and trail[-1].at_ms == view.facts.now_ms


def _flows(point: TrailPoint) -> bool:
    return point.current_A is not None and not -ZERO_A < point.current_A < ZERO_A


def rises(view: CircuitView, active: bool) -> Finding:
    """Return whether the probe rose too fast over the last minutes of current."""
    if not new_point(view):
        return CANNOT_TELL
    trail, levels = view.state.trail, view.settings.laws.probe
    newest = trail[-1]
    for at in range(len(trail) - 1, -1, -1):
        point = trail[at]
        if point.current_A is not None and not _flows(point):
            return CLEAR
        passed_ms = newest.at_ms - point.at_ms
        if passed_ms >= levels.rise_minutes * 60_000.0 and passed_ms > 0:
            break
    else:
        return CANNOT_TELL
    if point.hot_C is None or newest.hot_C is None:
        return CANNOT_TELL
    rate = (newest.hot_C - point.hot_C) * MS_PER_H / passed_ms
    limit = levels.rise_K_per_h
    return kept(Finding(rate > (limit * EASED_SHARE if active else limit), rate, limit), active, view.facts.probe_part)


LAWS: tuple[Law[CircuitView], ...] = (Law("probe_rise", Reaction.WARN, 3, rises),)


def asleep(view: CircuitView) -> bool:
    """Return whether no point came onto the trail."""
    return not new_point(view)


FAMILY = Family(LAWS, asleep)
