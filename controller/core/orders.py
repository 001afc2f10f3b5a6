"""What a person may ask of a circuit: each order's roles, states, preconditions and effect in one table.

An order is accepted, or refused with a code and its data; words for the codes are the catalogue's. Orders to a whole
bath have their own table in `bathorders`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.core import alarms
from controller.core import flowchecks as flow
from controller.core import listchecks as lists
from controller.core import loadchecks as batteries
from controller.core import orderchecks as check
from controller.core import ordereffects as effect
from controller.core import ordertold as told
from controller.core.changed import changed
from controller.core.orderchecks import Ask, Check, Refusal
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind, Order, Scalar, State

ANYBODY: tuple[str, ...] = ()
TECHNICIAN = ("technician",)
TECHNICIAN_OR_MAINTENANCE = ("technician", "maintenance")
TECHNICIAN_OR_ENGINEER = ("technician", "engineer")
ENGINEER = ("engineer",)
MAINTENANCE = ("maintenance",)
QUALITY = ("quality",)

KNOWN = tuple(state for state in State if state is not State.UNKNOWN)
OPEN = (State.RUNNING, State.HELD, State.TRIPPED)
ENDED = (State.COMPLETE, State.STOPPED)


def _tells_nothing(_: Ask) -> Mapping[str, Scalar]:
    return {}


@dataclass(frozen=True, slots=True)
class Rule:
    """One verb: who may (empty: all who may attach), in which states (empty: in all), what must hold, what it does.

    `told`: the code of the event that accepts it; `tells`: what that event says beside the order's own arguments.
    """

    roles: tuple[str, ...]
    states: tuple[State, ...]
    checks: tuple[Check, ...]
    effect: Callable[[Ask], CircuitState]
    reads_back: bool = False
    ignores_revision: bool = False
    told: str = "accepted"
    tells: Callable[[Ask], Mapping[str, Scalar]] = _tells_nothing


MAY_FLOW: tuple[Check, ...] = (
    check.not_blocked,
    check.no_latch,
    flow.read,
    flow.right_device,
    flow.not_stuck,
    flow.bath_shut_and_aired,
    flow.cause_gone,
    flow.remote,
    flow.neighbours_told,
    flow.flows_alone,
)

RULES: dict[str, Rule] = {
    "load": Rule(
        TECHNICIAN,
        (State.IDLE,),
        (
            check.in_use,
            check.not_blocked,
            check.no_latch,
            check.not_loaded,
            batteries.count_fits,
            batteries.profile_fits,
            batteries.battery_fits,
            batteries.follows_on,
        ),
        effect.load,
    ),
    "unload": Rule(
        TECHNICIAN,
        (State.IDLE, *ENDED),
        (check.something_to_unload, check.no_latch, flow.stands_off, flow.cooled_down),
        effect.unload,
    ),
    "start": Rule(
        TECHNICIAN_OR_ENGINEER,
        (State.IDLE,),
        (
            check.loaded,
            check.in_use,
            batteries.is_released,
            flow.first_is_maintenances,
            *MAY_FLOW,
            flow.record_has_room,
            flow.soaked,
            flow.cool_enough,
            flow.string_volts,
            lists.start_list_done,
        ),
        effect.start,
        reads_back=True,
    ),
    "hold": Rule(ANYBODY, (State.RUNNING, State.HELD), (), effect.hold, reads_back=True, ignores_revision=True),
    "resume": Rule(
        (*TECHNICIAN_OR_ENGINEER, *MAINTENANCE),
        (State.HELD,),
        (flow.resume_is_yours, *MAY_FLOW, flow.at_rest, flow.within_resume_limit, lists.walk_right),
        effect.resume,
        reads_back=True,
    ),
    "stop": Rule(ANYBODY, OPEN, (), effect.stop, reads_back=True, ignores_revision=True),
    "done": Rule(
        TECHNICIAN,
        (State.RUNNING,),
        (flow.step_stands, flow.waits_for_done, flow.no_permit, flow.next_neighbours_told, flow.next_flows_alone),
        effect.done,
    ),
    "skip": Rule(
        ENGINEER,
        (State.RUNNING, State.HELD),
        (
            check.has_reason,
            flow.step_stands,
            flow.has_next,
            flow.no_permit,
            flow.next_neighbours_told,
            flow.next_flows_alone,
        ),
        effect.skip,
        told="skipped",
        tells=effect.tells_skip,
    ),
    "extend": Rule(
        TECHNICIAN, (State.RUNNING,), (flow.step_stands, flow.extends_enough), effect.extend, told="extended"
    ),
    "change-count": Rule(
        TECHNICIAN,
        (State.HELD,),
        (check.blocked, flow.dead, batteries.recount_fits, batteries.recount_volts),
        effect.recount,
        told="recounted",
        tells=effect.tells_count,
    ),
    "acknowledge": Rule(TECHNICIAN_OR_MAINTENANCE, (), (check.has_alarm,), effect.acknowledge),
    "reset": Rule(
        TECHNICIAN_OR_MAINTENANCE,
        KNOWN,
        (check.not_blocked, check.may_reset, check.trip_cause_gone),
        effect.reset,
    ),
    "shelve": Rule(TECHNICIAN, (), (check.may_shelve,), effect.shelve, told="shelved"),
    "unshelve": Rule(TECHNICIAN, (), (check.is_shelved,), effect.unshelve, told="unshelved"),
    "block": Rule(
        TECHNICIAN_OR_MAINTENANCE, (), (check.not_blocked,), effect.block, reads_back=True, ignores_revision=True
    ),
    "unblock": Rule(TECHNICIAN_OR_MAINTENANCE, (), (check.may_unblock,), effect.unblock, tells=effect.tells_blocker),
    "reading": Rule(
        TECHNICIAN,
        (),
        (check.loaded, lists.at_a_place, lists.reading_said, lists.mixed),
        effect.reading,
        ignores_revision=True,
        told="reading",
        tells=effect.tells_reading,
    ),
    "added": Rule(
        TECHNICIAN,
        (*OPEN, *ENDED),
        (check.loaded, lists.run_there, lists.at_a_place, lists.added_said),
        effect.added,
        ignores_revision=True,
        told="added",
    ),
    "out-of-use": Rule(
        MAINTENANCE,
        (State.IDLE,),
        (check.in_use, check.not_loaded, check.has_reason),
        effect.out_of_use,
        told="put_out",
    ),
    "in-use": Rule(MAINTENANCE, (State.IDLE,), (check.out_of_use, check.not_blocked), effect.in_use),
    "bench": Rule(
        MAINTENANCE,
        (State.IDLE,),
        (check.out_of_use, check.not_loaded, check.leads_off, *MAY_FLOW),
        effect.nothing,
    ),
    "inspected": Rule(MAINTENANCE, (), (check.has_contactor,), effect.inspected),
    "sign-off": Rule(
        QUALITY,
        ENDED,
        (check.loaded, batteries.outcomes_said, batteries.passes_stood),
        effect.nothing,
        told="signed_off",
    ),
    "note": Rule(ANYBODY, (), (check.has_text,), effect.nothing, ignores_revision=True, told="note"),
}

TICK = Rule(
    TECHNICIAN,
    (State.IDLE,),
    (check.not_blocked, check.loaded, lists.item_known, lists.answered),
    effect.tick,
    tells=effect.tells_item,
)
"""`done` of an item of the start list."""

WALK = Rule(
    TECHNICIAN,
    (State.HELD,),
    (check.blocked, flow.dead, lists.walk_open, lists.answered),
    effect.walk,
    tells=effect.tells_walk,
)
"""`done` of an item of the meter walk."""

TRIAL = Rule(ENGINEER, (State.IDLE,), (check.has_reason, *RULES["load"].checks), effect.load, tells=effect.tells_trial)
"""`load` of an engineer's trial run."""


def rule_of(order: Order) -> Rule | None:
    """Return what holds for an order, or None where there is no such verb."""
    if order.verb == "done" and "item" in order.args:
        return TICK
    if order.verb == "done" and "walk" in order.args:
        return WALK
    if order.verb == "load" and (order.args.get("trial") or (order.load is not None and order.load.trial)):
        return TRIAL
    return RULES.get(order.verb)


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


def answer_data(order: Order, rule_roles: tuple[str, ...]) -> dict[str, Scalar]:
    """Return what every answer's event carries: the order, who gave it as what, and its own arguments beside that.

    A reason is as long as a record keeps one.
    """
    role = next((role for role in rule_roles if role in order.roles), order.roles[0] if order.roles else "")
    data: dict[str, Scalar] = {"order": order.id, "verb": order.verb, "who": order.who, "role": role}
    data.update({key: value for key, value in order.args.items() if key not in data})
    if isinstance(data.get("reason"), str):
        data["reason"] = check.reason_of(order.args)
    return data


def given(ask: Ask) -> tuple[CircuitState, Event]:
    """Return the circuit's state after an order, and the event that accepts or refuses it."""
    order = ask.order
    rule, refusal = rule_of(order), refusal_of(ask)
    data = answer_data(order, rule.roles if rule is not None else ANYBODY)
    if rule is not None:
        data.update(rule.tells(ask))
    if rule is None or refusal is not None:
        refusal = refusal or Refusal("unknown_verb", {})
        return ask.state, Event(refusal.code, order.target, EventKind.REFUSAL, {**data, **refusal.data})
    state = rule.effect(ask)
    if rule.reads_back:
        state = changed(state, pending=(*state.pending, (order.id, order.verb)))
    return state, Event(rule.told, order.target, EventKind.ORDER, data)


def after(ask: Ask, new: CircuitState) -> list[Event]:
    """Return what else an accepted order tells: a start its list, a shelf the alarm's life, a reason said apart."""
    if ask.order.verb == "start":
        return told.start_list(ask)
    if ask.order.verb in told.REASON_APART:
        return told.reason(ask.order.target, answer_data(ask.order, RULES[ask.order.verb].roles))
    if ask.order.verb in ("shelve", "unshelve"):
        return alarms.told_shelves(ask.state.alarms, new.alarms, new.name)
    return []
