"""Orders to a whole bath: its own ones are given here, those that mean every circuit are spread over them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from controller.core import alarms
from controller.core import bathchecks as check
from controller.core.bathchecks import BathAsk, BathCheck
from controller.core.bathstate import BathState, Duty
from controller.core.changed import changed
from controller.core.orderchecks import Refusal, raises_energy, text_of, whole_of
from controller.core.orders import ANYBODY, OPEN, RULES, TECHNICIAN, TECHNICIAN_OR_MAINTENANCE, answer_data
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import Condition, Event, EventKind, Order, Scalar, State
from controller.core.view import BathFacts


def _tells_nothing(_: BathAsk) -> Mapping[str, Scalar]:
    return {}


@dataclass(frozen=True, slots=True)
class BathRule:
    """One verb to a bath: who may (empty: all who may attach), what must hold, what it does to the bath.

    `spread`: the circuits' states to which the same order goes on (empty: to none of them).
    """

    roles: tuple[str, ...]
    checks: tuple[BathCheck, ...]
    effect: Callable[[BathAsk], BathState]
    spread: tuple[State, ...] = ()
    told: str = "accepted"
    tells: Callable[[BathAsk], Mapping[str, Scalar]] = _tells_nothing


def _nothing(ask: BathAsk) -> BathState:
    return ask.state


def _acknowledge(ask: BathAsk) -> BathState:
    left = alarms.acknowledged(ask.state.alarms, ask.order.args.get("alarm"))
    return changed(ask.state, alarms=left, revision=ask.state.revision + 1)


def _reset(ask: BathAsk) -> BathState:
    return changed(ask.state, alarms=alarms.reset(ask.state.alarms), revision=ask.state.revision + 1)


def _shelve(ask: BathAsk) -> BathState:
    args = ask.order.args
    until_ms = ask.facts.now_ms + 60_000 * (whole_of(args, "minutes") or 0)
    left = alarms.shelved(ask.state.alarms, text_of(args, "alarm"), until_ms, ask.order.who, text_of(args, "reason"))
    return changed(ask.state, alarms=left, revision=ask.state.revision + 1)


def _unshelve(ask: BathAsk) -> BathState:
    left = alarms.unshelved(ask.state.alarms, text_of(ask.order.args, "alarm"), ask.facts.now_ms)
    return changed(ask.state, alarms=left, revision=ask.state.revision + 1)


def _on_duty(ask: BathAsk, duty: Duty) -> BathState:
    return changed(ask.state, duty=duty, revision=ask.state.revision + 1)


def _take_over(ask: BathAsk) -> BathState:
    """Return the bath in new hands: whoever takes over hears every alarm that was shelved before."""
    state = _on_duty(ask, replace(ask.state.duty, shift_by=ask.order.who, shift_ms=ask.facts.now_ms))
    now_ms = ask.facts.now_ms
    circuits = tuple(_all_heard(each, now_ms) for each in state.circuits)
    return changed(state, alarms=alarms.unshelved_all(state.alarms, now_ms), circuits=circuits)


def _all_heard(each: CircuitState, now_ms: int) -> CircuitState:
    heard = alarms.unshelved_all(each.alarms, now_ms)
    return each if heard == each.alarms else changed(each, alarms=heard, revision=each.revision + 1)


def _round(ask: BathAsk) -> BathState:
    return _on_duty(ask, replace(ask.state.duty, round_ms=ask.facts.now_ms))


def _horn_test(ask: BathAsk) -> BathState:
    """Return the bath with its horn sounding for a test, or with what the person heard of it."""
    if "ok" not in ask.order.args:
        return _on_duty(ask, replace(ask.state.duty, horn_test_ms=ask.facts.now_ms))
    return _on_duty(ask, replace(ask.state.duty, horn_test_ms=None, horn_ok=ask.order.args["ok"] is True))


def _permit(ask: BathAsk) -> BathState:
    until_ms = ask.facts.now_ms + ask.settings.permit_ms
    return _on_duty(ask, replace(ask.state.duty, permit_until_ms=until_ms, permit_by=ask.order.who))


def _inspected(ask: BathAsk) -> BathState:
    """Return the bath with its grave cause looked at: who may resume and start as ever may do so again."""
    circuits = tuple(
        changed(each, resume_for="", revision=each.revision + 1) if each.resume_for else each
        for each in ask.state.circuits
    )
    return changed(ask.state, resume_for="", circuits=circuits, revision=ask.state.revision + 1)


def _tells_inspected(ask: BathAsk) -> dict[str, Scalar]:
    return {"cause": ask.state.resume_for or None}


def _tells_round(ask: BathAsk) -> dict[str, Scalar]:
    items = ask.settings.round_items
    skipped = check.skipped_items(ask)
    return {"skipped_text": "; ".join(items[number - 1] for number in skipped or ())}


def _tells_permit(ask: BathAsk) -> dict[str, Scalar]:
    return {"minutes": ask.settings.permit_ms / 60_000.0}


def _tells_shift(ask: BathAsk) -> dict[str, Scalar]:
    return {"before": ask.state.duty.shift_by or None}


BATH_RULES: dict[str, BathRule] = {
    "hold": BathRule(ANYBODY, (), _nothing, spread=RULES["hold"].states),
    "stop": BathRule(ANYBODY, (), _nothing, spread=OPEN),
    "acknowledge": BathRule(TECHNICIAN_OR_MAINTENANCE, (check.has_alarm,), _acknowledge),
    "reset": BathRule(TECHNICIAN_OR_MAINTENANCE, (check.may_reset, check.trip_cause_gone), _reset),
    "shelve": BathRule(TECHNICIAN, (check.may_shelve,), _shelve, told="shelved"),
    "unshelve": BathRule(TECHNICIAN, (check.is_shelved,), _unshelve, told="unshelved"),
    "take-over": BathRule(TECHNICIAN, (), _take_over, told="took_over", tells=_tells_shift),
    "round": BathRule(TECHNICIAN, (check.round_walked,), _round, told="round", tells=_tells_round),
    "horn-test": BathRule(TECHNICIAN, (check.horn_heard,), _horn_test, told="horn_test"),
    "permit": BathRule(
        TECHNICIAN, (check.permit_possible, check.nothing_holds), _permit, told="permit", tells=_tells_permit
    ),
    "inspected": BathRule(
        ("maintenance",), (check.grave_cause,), _inspected, told="bath_inspected", tells=_tells_inspected
    ),
    "proof": BathRule(("maintenance",), (check.proof_said,), _nothing, told="proof"),
    "note": BathRule(ANYBODY, (check.has_text,), _nothing, told="note"),
}


def given(
    settings: BathSettings,
    state: BathState,
    facts: BathFacts,
    orders: tuple[Order, ...],
    standing: tuple[Condition, ...],
    events: list[Event],
) -> tuple[tuple[Order, ...], BathState]:
    """Return the orders for circuits, those to the bath spread over them, and the bath after its own orders."""
    if not orders:
        return (), state
    names = {own.name for own in settings.circuits}
    forward: list[Order] = []
    for order in orders:
        if order.target in names:
            forward.append(order)
            continue
        ask = BathAsk(settings, state, facts, standing, order)
        refusal, rule = refusal_of(ask), BATH_RULES.get(order.verb)
        data = answer_data(order, rule.roles if rule is not None else ANYBODY)
        if rule is None or refusal is not None:
            code, why = (refusal.code, refusal.data) if refusal is not None else ("not_for_a_bath", {})
            events.append(Event(code, order.target, EventKind.REFUSAL, {**data, **why}))
            continue
        events.append(Event(rule.told, order.target, EventKind.ORDER, {**data, **rule.tells(ask)}))
        state = rule.effect(ask)
        events += _shelves(ask.state, state, settings.name)
        forward += [replace(order, target=each.name) for each in state.circuits if each.state in rule.spread]
    return tuple(forward), state


def _shelves(before: BathState, after: BathState, name: str) -> list[Event]:
    """Return what an order did to shelves, the bath's own and its circuits'."""
    events = alarms.told_shelves(before.alarms, after.alarms, name)
    for old, new in zip(before.circuits, after.circuits, strict=True):
        events += alarms.told_shelves(old.alarms, new.alarms, new.name) if old is not new else []
    return events


def refusal_of(ask: BathAsk) -> Refusal | None:
    """Return why an order to the bath is refused, or None."""
    order, rule = ask.order, BATH_RULES.get(ask.order.verb)
    if order.target != ask.settings.name:
        return Refusal("unknown_target", {})
    if rule is None:
        return Refusal("not_for_a_bath", {})
    if rule.roles and not set(rule.roles) & set(order.roles):
        return Refusal("role", {"needs": " or ".join(rule.roles)})
    if ask.facts.gap and raises_energy(order.verb, order.args):
        return Refusal("late", {"seconds": abs(ask.facts.dt_ms) / 1000.0})
    for must in rule.checks:
        refusal = must(ask)
        if refusal is not None:
            return refusal
    return None
