"""No current at the voltage limit: a clamp off, a link broken, a cell open; and a clamp that arced before.

Hazard: an open clamp under hydrogen arcs when it moves; the rectifier stands at its limit of hundreds of volts.
Law: while a charge step asks for current and the string stands at the limit, current below the larger of `least_A` and
`least_percent` of the set-point for `seconds`, in two readings, and either less than half of what flowed in the 10 s
before (two cycles, where that is longer; a finish under constant voltage tapers slowly and must not trip) or none at
all since it was switched on; once that has begun to count, it counts on for as long as current stays that low at the
limit, whatever flowed before. At once, in the first such reading, where current turned back twice or more in the 10 s
before by a tenth of its set-point, and volts have jumped by more than 50 mV a cell since the last point of the trail
(two minutes at the most): that was an arc, and several readings have shown it already. Where 10 s hold fewer than four
readings, the last four are looked at: two turns need them. A step entered with current flowing, whose limit lies below
the volts of then, is waited for as long as volts fall by 2 mV a cell from one point of the trail but one to now (two to
four minutes): a rectifier gives nothing until they are there, and an open clamp would show the limit at once, and stay
there.
Defaults: 0.3 A is a shunt's offset, 5 s outlasts a rectifier's ramp; a tenth is twice what regulation and noise leave,
50 mV twice what a step of current or a warming string moves in two minutes. Own choice, no published source.
Reaction: trip. A clamp that arced is replaced, not pressed.
Clears: the trip itself ends the comparison; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.atlimit import NEAR_LIMIT, comes_down
from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.swings import lately, reversals
from controller.core.types import Reaction, State
from controller.core.view import CircuitView

BEFORE_MS = 10_000
BEFORE_CYCLES = 2
ARC_CYCLES = 4
ARC_TURNS = 2
ARC_SHARE = 0.1
ARC_JUMP_V_PER_CELL = 0.05


def no_current(view: CircuitView, active: bool) -> Finding:
    """Return whether the string takes no current at its voltage limit."""
    state, facts = view.state, view.facts
    if state.state is not State.RUNNING or state.command.set_current_A <= 0.0 or state.run is None:
        return CLEAR
    if facts.current_A is None or facts.voltage_V is None:
        return CANNOT_TELL
    least = _least_A(view)
    if (
        facts.current_A >= least
        or comes_down(state, facts)
        or facts.voltage_V < NEAR_LIMIT * state.command.voltage_limit_V
    ):
        return CLEAR
    if active or any(timer.code == "open_string" for timer in state.timers):
        return Finding(True, facts.current_A, least)
    before = max((amount for _, amount in _before(view)), default=0.0)
    fell = facts.current_A < 0.5 * before and before >= least
    return Finding(fell or not state.run.flowing, facts.current_A, least)


def arced(view: CircuitView, active: bool) -> Finding:
    """Return whether it does so after current turned ragged and volts jumped."""
    found = no_current(view, active)
    if not found.holds:
        return found
    recent = lately(view.state.recent, view.facts.now_ms, arc_ms(view.settings))
    ragged = reversals(recent, ARC_SHARE * view.state.command.set_current_A) >= ARC_TURNS
    return Finding(ragged and _jumped(view.state, view.facts.voltage_V_per_cell), found.value, found.limit)


def _least_A(view: CircuitView) -> float:
    limits = view.settings.laws.open_string
    return max(limits.least_A, limits.least_percent / 100.0 * view.state.command.set_current_A)


def _before(view: CircuitView) -> tuple[tuple[int, float], ...]:
    return lately(view.state.recent, view.facts.now_ms, before_ms(view.settings))


def before_ms(settings: BathSettings) -> int:
    """Return how far back a lost current is compared with what flowed before."""
    return max(BEFORE_MS, BEFORE_CYCLES * settings.period_ms)


def arc_ms(settings: BathSettings) -> int:
    """Return how far back an arc's turns are looked for."""
    return max(BEFORE_MS, ARC_CYCLES * settings.period_ms)


def _jumped(state: CircuitState, volts: float | None) -> bool:
    before = state.trail[-1].volts_per_cell if state.trail else None
    return volts is not None and before is not None and volts - before > ARC_JUMP_V_PER_CELL


LAWS: tuple[Law[CircuitView], ...] = (
    Law("open_string", Reaction.TRIP, 2, no_current, lambda s: s.laws.open_string.seconds * 1000.0, readings=2),
    Law("arcing", Reaction.TRIP, 2, arced, explains=("open_string",)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: current flows, or none is asked for."""
    current, asked = view.facts.current_A, view.state.command.set_current_A
    if current is None or asked <= 0.0:
        return True
    limits = view.settings.laws.open_string
    return current >= limits.least_A and current >= limits.least_percent / 100.0 * asked


FAMILY = Family(LAWS, asleep)
