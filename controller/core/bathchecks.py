"""The preconditions of orders to a whole bath: its round, its permit for an open hood, its horn, its proofs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller.core import alarms, inputs
from controller.core.bathstate import BathState
from controller.core.gassing import gasses
from controller.core.laws.extraction import FOR_MAINTENANCE
from controller.core.orderchecks import (
    Refusal,
    note_refusal,
    reset_refusal,
    shelve_refusal,
    text_of,
    tripped_refusal,
    unshelve_refusal,
)
from controller.core.settings import BathSettings
from controller.core.types import Condition, Order
from controller.core.view import BathFacts

PROOF_CHARACTERS = 200


@dataclass(frozen=True, slots=True)
class BathAsk:
    """One order to the bath and all that decides it. `standing`: the bath's own conditions of this cycle."""

    settings: BathSettings
    state: BathState
    facts: BathFacts
    standing: tuple[Condition, ...]
    order: Order


BathCheck = Callable[[BathAsk], Refusal | None]


def has_text(ask: BathAsk) -> Refusal | None:
    """Refuse a note that says nothing."""
    return note_refusal(ask.order.args.get("text"))


def has_alarm(ask: BathAsk) -> Refusal | None:
    """Refuse to acknowledge where nothing waits for it."""
    return None if alarms.waits(ask.state.alarms, ask.order.args.get("alarm")) else Refusal("nothing_new", {})


def may_reset(ask: BathAsk) -> Refusal | None:
    """Refuse a reset that comes too early, or from somebody whose it is not."""
    return reset_refusal(ask.state.alarms, ask.settings, ask.order)


def trip_cause_gone(ask: BathAsk) -> Refusal | None:
    """Refuse a reset while a trip's cause stands."""
    return tripped_refusal(ask.standing)


def may_shelve(ask: BathAsk) -> Refusal | None:
    """Refuse to shelve what must be heard."""
    return shelve_refusal(ask.state.alarms, ask.order.args)


def is_shelved(ask: BathAsk) -> Refusal | None:
    """Refuse to take back an alarm that is not shelved."""
    return unshelve_refusal(ask.state.alarms, ask.order.args)


def grave_cause(ask: BathAsk) -> Refusal | None:
    """Refuse to have looked at what no grave cause waits for, at one that still stands, or without a word on it."""
    waits = ask.state.resume_for or next((each.resume_for for each in ask.state.circuits if each.resume_for), "")
    if not waits:
        return Refusal("nothing_grave", {})
    for condition in ask.standing:
        if condition.code == waits or condition.code in FOR_MAINTENANCE:
            return Refusal("cause_stands", {"cause": condition.code})
    return None if text_of(ask.order.args, "reason") else Refusal("reason", {})


def skipped_items(ask: BathAsk) -> tuple[int, ...] | None:
    """Return the numbers of the round's items that were left out, or None where one is no item."""
    said = str(ask.order.args.get("skipped") or "").replace(",", " ").split()
    if not all(word.isdecimal() and len(word) <= 3 for word in said):
        return None
    numbers = sorted({int(word) for word in said})
    return tuple(numbers) if all(1 <= number <= len(ask.settings.round_items) for number in numbers) else None


def round_walked(ask: BathAsk) -> Refusal | None:
    """Refuse a round that left out everything, what is not on its list, or something without a reason."""
    skipped = skipped_items(ask)
    if skipped is None or (skipped and len(skipped) == len(ask.settings.round_items)):
        return Refusal("round_items", {"items": len(ask.settings.round_items)})
    return Refusal("reason", {}) if skipped and not text_of(ask.order.args, "reason") else None


def permit_possible(ask: BathAsk) -> Refusal | None:
    """Refuse to let the hood stand open where the bath file does not allow it, or where gas is or may come."""
    facts = ask.facts
    if ask.settings.permit_ms <= 0:
        return Refusal("no_permit", {})
    if facts.airflow is not True:
        return Refusal("no_airflow", {})
    if not inputs.gas_ok(ask.settings, ask.state, facts):
        return Refusal("hydrogen", {})
    gassing = gasses(ask.state.circuits)
    return Refusal("gasses", {"circuit": gassing}) if gassing else None


def nothing_holds(ask: BathAsk) -> Refusal | None:
    """Refuse to lift the hood while something holds the bath, but for the hood itself."""
    cause = inputs.holds_the_bath(ask.standing)
    return Refusal("cause_stands", {"cause": cause}) if cause else None


def horn_heard(ask: BathAsk) -> Refusal | None:
    """Refuse an answer to a horn test that nobody began, or that is neither yes nor no."""
    if "ok" not in ask.order.args:
        return None
    if ask.state.duty.horn_test_ms is None:
        return Refusal("no_horn_test", {})
    return None if isinstance(ask.order.args["ok"], bool) else Refusal("horn_answer", {})


def proof_said(ask: BathAsk) -> Refusal | None:
    """Refuse a proof that does not say of what, or with which result."""
    for key in ("item", "result"):
        if not 0 < len(text_of(ask.order.args, key)) <= PROOF_CHARACTERS:
            return Refusal("proof", {})
    return None
