"""What a person may ask: each order's roles, states, preconditions and effect in one table.

An order is accepted, or refused with a code and its data; words for the codes are the catalogue's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from controller.core import alarms, moves
from controller.core import orderchecks as check
from controller.core.counters import count
from controller.core.orderchecks import Ask, Check, Refusal
from controller.core.state import CircuitState, Counters, Tick
from controller.core.table import Cause
from controller.core.types import Event, EventKind, Order, Scalar, State

ANYBODY: tuple[str, ...] = ()
TECHNICIAN = ("technician",)
TECHNICIAN_OR_MAINTENANCE = ("technician", "maintenance")
TECHNICIAN_OR_ENGINEER = ("technician", "engineer")

KNOWN = tuple(state for state in State if state is not State.UNKNOWN)
OPEN = (State.RUNNING, State.HELD, State.TRIPPED)


@dataclass(frozen=True, slots=True)
class Rule:
    """One verb: who may (empty: all who may attach), in which states (empty: in all), what must hold, what it does.

    `told`: the code of the event that accepts it.
    """

    roles: tuple[str, ...]
    states: tuple[State, ...]
    checks: tuple[Check, ...]
    effect: Callable[[Ask], CircuitState]
    reads_back: bool = False
    ignores_revision: bool = False
    told: str = "accepted"


def _load(ask: Ask) -> CircuitState:
    return replace(ask.state, load=ask.order.load, ticks=(), revision=ask.state.revision + 1)


def _unload(ask: Ask) -> CircuitState:
    return moves.unloaded(ask.state, ask.facts.now_ms)


def _start(ask: Ask) -> CircuitState:
    state = moves.started(ask.state, ask.order.who, ask.facts.now_ms)
    run = state.run
    # The reading at zero before the first current is where the first trapezoid begins.
    counters = count(Counters(), ask.facts, ask.settings.stale_ms)
    return state if run is None else replace(state, run=replace(run, counters=counters))


def _hold(ask: Ask) -> CircuitState:
    return moves.interrupted(ask.state, Cause.HOLD, "order", ask.facts.now_ms)


def _resume(ask: Ask) -> CircuitState:
    return moves.resumed(ask.state, ask.facts.now_ms, by_rule=False)


def _stop(ask: Ask) -> CircuitState:
    return moves.ended(ask.state, Cause.STOP, ask.facts.now_ms)


def _done(ask: Ask) -> CircuitState:
    run = ask.state.run
    return ask.state if run is None else replace(ask.state, run=replace(run, done=True))


def _tick(ask: Ask) -> CircuitState:
    """Return the circuit with what a person found of one item; the newest word on an item counts.

    It is no change of state: whoever ticks the next item has not seen another circuit meanwhile.
    """
    item, args = check.item_of(ask), ask.order.args
    if item is None:
        return ask.state
    ok = args.get("ok") is True
    reason = "" if ok else str(args.get("reason") or "")
    kept = [tick for tick in ask.state.ticks if tick.item != item]
    kept.append(Tick(item, ok, ask.order.who, ask.facts.now_ms, reason))
    ticks = tuple(sorted(kept, key=lambda tick: tick.item))
    return replace(ask.state, ticks=ticks)


def _nothing(ask: Ask) -> CircuitState:
    return ask.state


def _acknowledge(ask: Ask) -> CircuitState:
    left = alarms.acknowledged(ask.state.alarms, ask.order.args.get("alarm"))
    return replace(ask.state, alarms=left, revision=ask.state.revision + 1)


def _reset(ask: Ask) -> CircuitState:
    state = replace(ask.state, alarms=alarms.reset(ask.state.alarms), revision=ask.state.revision + 1)
    open_run = state.run is not None and state.run.end_ms is None
    return moves.moved(state, Cause.RESET_OPEN if open_run else Cause.RESET_IDLE, ask.facts.now_ms)


def _block(ask: Ask) -> CircuitState:
    now_ms = ask.facts.now_ms
    state = ask.state
    if state.state is State.RUNNING or (state.run is not None and state.run.interruption is not None):
        state = moves.interrupted(state, Cause.HOLD, "block", now_ms)
    return replace(state, blocked_by=ask.order.who, blocked_ms=now_ms, revision=state.revision + 1)


def _unblock(ask: Ask) -> CircuitState:
    return replace(ask.state, blocked_by="", blocked_ms=0, revision=ask.state.revision + 1)


MAY_FLOW: tuple[Check, ...] = (
    check.not_blocked,
    check.no_latch,
    check.read,
    check.right_device,
    check.not_stuck,
    check.bath_shut_and_aired,
    check.cause_gone,
    check.neighbours_told,
)

RULES: dict[str, Rule] = {
    "load": Rule(
        TECHNICIAN,
        (State.IDLE,),
        (check.not_blocked, check.no_latch, check.not_loaded, check.count_fits, check.profile_fits),
        _load,
    ),
    "unload": Rule(
        TECHNICIAN,
        (State.IDLE, State.COMPLETE, State.STOPPED),
        (check.something_to_unload, check.no_latch, check.cooled_down),
        _unload,
    ),
    "start": Rule(
        TECHNICIAN_OR_ENGINEER,
        (State.IDLE,),
        (check.loaded, *MAY_FLOW, check.soaked, check.cool_enough, check.string_volts, check.start_list_done),
        _start,
        reads_back=True,
    ),
    "hold": Rule(ANYBODY, (State.RUNNING, State.HELD), (), _hold, reads_back=True, ignores_revision=True),
    "resume": Rule(
        TECHNICIAN_OR_ENGINEER,
        (State.HELD,),
        (*MAY_FLOW, check.within_resume_limit),
        _resume,
        reads_back=True,
    ),
    "stop": Rule(ANYBODY, OPEN, (), _stop, reads_back=True, ignores_revision=True),
    "done": Rule(TECHNICIAN, (State.RUNNING,), (check.step_stands, check.waits_for_done), _done),
    "acknowledge": Rule(TECHNICIAN_OR_MAINTENANCE, (), (check.has_alarm,), _acknowledge),
    "reset": Rule(
        TECHNICIAN_OR_MAINTENANCE,
        KNOWN,
        (check.not_blocked, check.has_latch, check.all_acknowledged, check.trip_cause_gone),
        _reset,
    ),
    "block": Rule(TECHNICIAN_OR_MAINTENANCE, (), (check.not_blocked,), _block, reads_back=True),
    "unblock": Rule(TECHNICIAN_OR_MAINTENANCE, (), (check.may_unblock,), _unblock),
    "note": Rule(ANYBODY, (), (check.has_text,), _nothing, ignores_revision=True, told="note"),
}

TICK = Rule(TECHNICIAN, (State.IDLE,), (check.not_blocked, check.loaded, check.item_known, check.answered), _tick)
"""`done` of an item of the start list."""

BATH_VERBS = ("hold", "stop", "acknowledge", "reset", "note")


def rule_of(order: Order) -> Rule | None:
    """Return what holds for an order, or None where there is no such verb."""
    return TICK if order.verb == "done" and "item" in order.args else RULES.get(order.verb)


def refusal_of(ask: Ask) -> Refusal | None:
    """Return why the order is refused, or None."""
    rule = rule_of(ask.order)
    if rule is None:
        return Refusal("unknown_verb", {"verb": ask.order.verb})
    if rule.roles and not set(rule.roles) & set(ask.order.roles):
        return Refusal("role", {"needs": " or ".join(rule.roles)})
    late = check.in_time(ask)
    if late is not None:
        return late
    seen = ask.order.seen_revision
    if seen is not None and seen != ask.state.revision and not rule.ignores_revision:
        return Refusal("changed", {})
    if rule.states and ask.state.state not in rule.states:
        return Refusal("state", {"state": ask.state.state.value})
    for must in rule.checks:
        refusal = must(ask)
        if refusal is not None:
            return refusal
    return None


def given(ask: Ask) -> tuple[CircuitState, Event]:
    """Return the circuit's state after an order, and the event that accepts or refuses it."""
    order = ask.order
    data: dict[str, Scalar] = {
        "order": order.id,
        "verb": order.verb,
        "who": order.who,
        "role": _role(order.roles, order.verb),
    }
    data.update({key: value for key, value in order.args.items() if key not in data})
    item = check.item_of(ask)
    if item is not None:
        data["item_text"] = ask.settings.start_items[item - 1]
    rule, refusal = rule_of(order), refusal_of(ask)
    if rule is None or refusal is not None:
        refusal = refusal or Refusal("unknown_verb", {})
        return ask.state, Event(refusal.code, order.target, EventKind.REFUSAL, {**data, **refusal.data})
    state = rule.effect(ask)
    if rule.reads_back:
        state = replace(state, pending=(*state.pending, (order.id, order.verb)))
    return state, Event(rule.told, order.target, EventKind.ORDER, data)


def start_list(ask: Ask) -> list[Event]:
    """Return what the start list said when a start was accepted, for the run's own record."""
    items, events = ask.settings.start_items, list[Event]()
    for tick in ask.state.ticks:
        if not 1 <= tick.item <= len(items):
            continue
        minutes = (ask.facts.now_ms - tick.at_ms) / 60_000.0
        text = items[tick.item - 1]
        data: dict[str, Scalar] = {"item": tick.item, "item_text": text, "who": tick.who, "minutes": minutes}
        events.append(Event("start_list_item", ask.state.name, data=data))
    return events


def _role(roles: tuple[str, ...], verb: str) -> str:
    """Return the role that allowed the order, for the record."""
    wanted = RULES[verb].roles if verb in RULES else ANYBODY
    return next((role for role in wanted if role in roles), roles[0] if roles else "")
