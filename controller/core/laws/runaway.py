"""Thermal runaway.

Hazard: near the end nearly all current makes heat; a warmer cell takes the same current at fewer volts, and where it
heats itself faster than the bath cools it, it does not stop by itself.
Law: in the last third of the planned charge, at steady current, volts fall by more than `mV_per_K` a cell and kelvin
while the probe rises by at least `rise_K` (the trail's coolest point of that current against its newest): derate to
20 %; held where it has not cooled by `rise_K` within `hold_minutes`.
Defaults: gassing volts fall by 5.5 mV a kelvin anyway (Schiffer 2007), so 6 mV is the least that says more; a fifth of
a volt of the string (`METER_V`) is allowed for the voltmeter's steps, 2 mV a cell of 108. The virtual string's own
gassing falls by 6.5 mV over one kelvin, steps included. 1 K, 30 min, the last third, 20 %: own choice.
Clears: cooled by `rise_K` from the trail's hottest point; a source that is lost, in part too, keeps it. The current
then comes back as after any temperature derate (1 % a second), after the hold by order.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.laws.probe_moves import new_point
from controller.core.limits import LEAST_PERCENT
from controller.core.state import CircuitState, TrailPoint
from controller.core.types import Reaction, State
from controller.core.values import ZERO_A
from controller.core.view import CircuitView

CODE = "runaway"
METER_V = 0.2
STEADY = 0.02
"""Current within 2 % is the same current: rectifiers regulate within one."""
LAST_THIRD = 2.0 / 3.0
KEEPS = Finding(None, allowed_percent=LEAST_PERCENT)


def stands(state: CircuitState) -> bool:
    """Return whether a runaway reduces this circuit since an earlier cycle."""
    return bool(state.timers) and any(timer.code == CODE and timer.active for timer in state.timers)


def _near_the_end(view: CircuitView) -> bool:
    state, load = view.state, view.state.load
    if state.state is not State.RUNNING or state.run is None or load is None:
        return False
    charge_Ah = state.run.counters.charge_Ah + state.run.credited_Ah
    return charge_Ah >= LAST_THIRD * load.plan.planned_charge_Ah


def _since_coolest(trail: tuple[TrailPoint, ...]) -> tuple[float, float] | None:
    """Return the rise in K and the fall in mV a cell since the coolest point of the charge current that flows now.

    None: nothing can be told.
    """
    newest = trail[-1]
    current, hot, volts = newest.current_A, newest.hot_C, newest.volts_per_cell
    if current is None or hot is None or volts is None or current < ZERO_A:
        return None
    coolest_C, then = hot, volts
    for point in reversed(trail):
        if point.current_A is None or point.hot_C is None or point.volts_per_cell is None:
            break
        if abs(point.current_A - current) > STEADY * current:
            break
        if point.hot_C <= coolest_C:
            coolest_C, then = point.hot_C, point.volts_per_cell
    return hot - coolest_C, 1000.0 * (then - volts)


def runs_away(view: CircuitView, active: bool) -> Finding:
    """Return whether volts fall faster than warmth explains; one that stands ends by having cooled."""
    if active:
        return _cooled(view)
    load = view.state.load
    if load is None or not new_point(view) or not _near_the_end(view):
        return CANNOT_TELL
    found = _since_coolest(view.state.trail)
    if found is None:
        return CANNOT_TELL
    rise_K, fall_mV = found
    levels = view.settings.laws.runaway
    if rise_K < levels.rise_K or rise_K <= 0.0:
        return CLEAR
    allowed_mV = levels.mV_per_K * rise_K + 1000.0 * METER_V / (load.plan.cells * load.batteries)
    return Finding(fall_mV > allowed_mV, fall_mV / rise_K, levels.mV_per_K, allowed_percent=LEAST_PERCENT)


def _cooled(view: CircuitView) -> Finding:
    """Return that it stands until the newest point is cooler than the trail's hottest one by `rise_K`."""
    trail = view.state.trail
    hots = [point.hot_C for point in trail if point.hot_C is not None]
    if view.facts.probe_part or not new_point(view) or not hots or trail[-1].hot_C is None:
        return KEEPS
    return CLEAR if max(hots) - trail[-1].hot_C >= view.settings.laws.runaway.rise_K else KEEPS


def stays(view: CircuitView, active: bool) -> Finding:
    """Return whether a runaway goes on; the law's wait makes it long."""
    if active:
        return _cooled(view)
    return Finding(stands(view.state) and _cooled(view).holds is None)


LAWS: tuple[Law[CircuitView], ...] = (
    Law(CODE, Reaction.DERATE, 2, runs_away),
    Law("runaway_hold", Reaction.HOLD, 2, stays, lambda s: s.laws.runaway.hold_minutes * 60_000.0, explains=(CODE,)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no point came onto the trail of a circuit near its end, and nothing stands."""
    return not (new_point(view) and _near_the_end(view)) and not stands(view.state)


FAMILY = Family(LAWS, asleep)
