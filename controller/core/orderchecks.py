"""What decides an order, and the preconditions about the circuit itself: blocks, latches, its load, its use.

Each check looks at one thing and returns a refusal, or None. Those about current stand in `flowchecks`, about batteries
in `loadchecks`, about lists and what is read by hand in `listchecks`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.core import alarms
from controller.core.alarmlife import quiet
from controller.core.facts import Facts
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import Alarm, CircuitState
from controller.core.types import BathShare, Condition, Order, Reaction, Scalar, State
from controller.core.values import LARGEST

NOTE_CHARACTERS = 500
REASON_CHARACTERS = 500
SHELVE_MINUTES = (15, 60, 240)
"""How long an alarm may be shelved (own choice: a coffee, a walk, half a shift)."""

MAINTENANCE_RESETS = frozenset(
    {
        "foreign_master",
        "foreign_limit",
        "output_stuck",
        "output_came_on",
        "current_though_off",
        "not_obeyed",
        "earth_trip",
        "hydrogen_trip",
        "emergency_stop",
        "contactor_welded",
        "hands_off",
    }
)
"""Trips after which somebody who knows the plant's electrics must have looked: only maintenance resets them."""

RAISES_ENERGY = frozenset(
    {
        "start",
        "resume",
        "reset",
        "unblock",
        "done",
        "skip",
        "extend",
        "change-count",
        "in-use",
        "inspected",
        "bench",
        "permit",
    }
)
"""Verbs that can let current flow, now or later: see `raises_energy`."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why not, as a code and the data its text needs."""

    code: str
    data: Mapping[str, Scalar]


@dataclass(frozen=True, slots=True)
class Ask:
    """One order and all that decides it. `standing`: the circuit's own conditions of this cycle and the bath's.

    `contactor`: whether it reads as closed (None: not read).
    """

    settings: BathSettings
    own: CircuitSettings
    state: CircuitState
    facts: Facts
    bath: BathShare
    standing: tuple[Condition, ...]
    order: Order
    contactor: bool | None = None


Check = Callable[[Ask], Refusal | None]


def raises_energy(verb: str, args: Mapping[str, Scalar]) -> bool:
    """Return whether an order can let current flow, now or later.

    `done` of an item of the start list or the meter walk lets nothing flow by itself; `done` of a step's task does.
    """
    return verb in RAISES_ENERGY and not (verb == "done" and ("item" in args or "walk" in args))


def text_of(args: Mapping[str, Scalar], key: str) -> str:
    """Return an argument's words without spaces around them; no text at all is none."""
    said = args.get(key)
    return said.strip() if isinstance(said, str) else ""


def reason_of(args: Mapping[str, Scalar]) -> str:
    """Return why a person gives an order, for the record; one that is too long for it ends in dots."""
    said = text_of(args, "reason")
    return said if len(said) <= REASON_CHARACTERS else f"{said[: REASON_CHARACTERS - 3]}..."


def whole_of(args: Mapping[str, Scalar], key: str) -> int | None:
    """Return an argument that is a whole number, else None."""
    said = args.get(key)
    return said if isinstance(said, int) and not isinstance(said, bool) else None


def amount_of(args: Mapping[str, Scalar], key: str) -> float | None:
    """Return an argument that is a finite number, else None."""
    said = args.get(key)
    if isinstance(said, bool) or not isinstance(said, int | float) or not -LARGEST < said < LARGEST:
        return None
    return float(said)


def engineer_with_reason(ask: Ask) -> bool:
    """Return whether the engineer gives this order and says why."""
    return "engineer" in ask.order.roles and bool(text_of(ask.order.args, "reason"))


def in_time(ask: Ask) -> Refusal | None:
    """Refuse more energy in the first cycle after a time when nothing was read: who ordered it saw older values."""
    if ask.facts.gap and raises_energy(ask.order.verb, ask.order.args):
        return Refusal("late", {"seconds": abs(ask.facts.dt_ms) / 1000.0})
    return None


def has_reason(ask: Ask) -> Refusal | None:
    """Refuse an order that must say why and does not."""
    return None if text_of(ask.order.args, "reason") else Refusal("reason", {})


def not_blocked(ask: Ask) -> Refusal | None:
    """Refuse while a person works on the string."""
    return Refusal("blocked", {"by": ask.state.blocked_by}) if ask.state.blocked_by else None


def blocked(ask: Ask) -> Refusal | None:
    """Refuse what hands do at the string before it is blocked."""
    return None if ask.state.blocked_by else Refusal("block_first", {})


def may_unblock(ask: Ask) -> Refusal | None:
    """Refuse another person, but maintenance with a reason."""
    if not ask.state.blocked_by:
        return Refusal("not_blocked", {})
    if ask.order.who == ask.state.blocked_by:
        return None
    if "maintenance" in ask.order.roles and text_of(ask.order.args, "reason"):
        return None
    return Refusal("blocked_by_another", {"by": ask.state.blocked_by})


def no_latch(ask: Ask) -> Refusal | None:
    """Refuse while a trip waits for its reset."""
    for alarm in ask.state.alarms:
        if alarm.latched:
            return Refusal("latched", {"cause": alarm.code})
    return None


def has_alarm(ask: Ask) -> Refusal | None:
    """Refuse to acknowledge where nothing waits for it."""
    return None if alarms.waits(ask.state.alarms, ask.order.args.get("alarm")) else Refusal("nothing_new", {})


def reset_refusal(found: tuple[Alarm, ...], settings: BathSettings, order: Order) -> Refusal | None:
    """Refuse a reset where nothing is latched, before a person saw what tripped, and to whom it does not belong."""
    latched = [alarm for alarm in found if alarm.latched]
    if not latched:
        return Refusal("nothing_latched", {})
    # A silent one repeats or follows from an alarm that was told: that one has to be acknowledged, latched or not.
    silent = any(not alarm.acknowledged and quiet(alarm) for alarm in latched)
    for alarm in found if silent else latched:
        if not alarm.acknowledged and not quiet(alarm):
            return Refusal("not_acknowledged", {"cause": alarm.code})
    for alarm in latched:
        if alarm.code in MAINTENANCE_RESETS and not knows_the_plant(settings, order):
            return Refusal("maintenance_reset", {"cause": alarm.code})
    return None


def knows_the_plant(settings: BathSettings, order: Order) -> bool:
    """Return whether maintenance gives this order, or a person whom the bath file names for it."""
    return "maintenance" in order.roles or order.who in settings.resets_by


def may_reset(ask: Ask) -> Refusal | None:
    """Refuse a reset that comes too early, or from somebody whose it is not; a trip without its latch can be left."""
    if ask.state.state is State.TRIPPED and not any(alarm.latched for alarm in ask.state.alarms):
        return None
    for alarm in ask.state.alarms:
        # What repeats the bath's own trip waits for the bath's reset, which wants its acknowledgement.
        if alarm.latched and not alarm.acknowledged and quiet(alarm) and not ask.bath.emergency_stop_ok:
            return Refusal("not_acknowledged", {"cause": alarm.code})
    return reset_refusal(ask.state.alarms, ask.settings, ask.order)


def trip_cause_gone(ask: Ask) -> Refusal | None:
    """Refuse a reset while a trip's cause stands."""
    return tripped_refusal(ask.standing)


def tripped_refusal(standing: tuple[Condition, ...]) -> Refusal | None:
    """Refuse while the cause of a trip stands."""
    for condition in standing:
        if condition.reaction is Reaction.TRIP:
            return Refusal("cause_stands", {"cause": condition.code})
    return None


def shelve_refusal(found: tuple[Alarm, ...], args: Mapping[str, Scalar]) -> Refusal | None:
    """Refuse to shelve what is not there, what is urgent or latched, for any other time, or without a reason."""
    code = text_of(args, "alarm")
    if not any(each.code == code for each in found):
        return Refusal("no_alarm", {"alarm": code})
    if not alarms.may_shelve(found, code):
        return Refusal("not_shelvable", {"cause": code})
    if whole_of(args, "minutes") not in SHELVE_MINUTES:
        return Refusal("shelve_minutes", {})
    return None if text_of(args, "reason") else Refusal("reason", {})


def may_shelve(ask: Ask) -> Refusal | None:
    """Refuse to shelve what must be heard."""
    return shelve_refusal(ask.state.alarms, ask.order.args)


def unshelve_refusal(found: tuple[Alarm, ...], args: Mapping[str, Scalar]) -> Refusal | None:
    """Refuse to take back an alarm that is not shelved."""
    code = text_of(args, "alarm")
    shelved = any(each.code == code and each.shelved_until_ms is not None for each in found)
    return None if shelved else Refusal("not_shelved", {"alarm": code})


def is_shelved(ask: Ask) -> Refusal | None:
    """Refuse to take back an alarm that is not shelved."""
    return unshelve_refusal(ask.state.alarms, ask.order.args)


def loaded(ask: Ask) -> Refusal | None:
    """Refuse where no batteries are on the list."""
    return None if ask.state.load is not None else Refusal("not_loaded", {})


def not_loaded(ask: Ask) -> Refusal | None:
    """Refuse where batteries are on the list already."""
    return Refusal("loaded_already", {"batch": ask.state.load.batch}) if ask.state.load is not None else None


def something_to_unload(ask: Ask) -> Refusal | None:
    """Refuse to unload an idle circuit with nothing on its list; an ended run can always be put away."""
    if ask.state.state is State.IDLE and ask.state.load is None:
        return Refusal("not_loaded", {})
    return None


def in_use(ask: Ask) -> Refusal | None:
    """Refuse on a circuit that maintenance took out of use."""
    return Refusal("out_of_use", {"reason": ask.state.out_of_use}) if ask.state.out_of_use else None


def out_of_use(ask: Ask) -> Refusal | None:
    """Refuse what belongs to a circuit out of use on one that is in use."""
    return None if ask.state.out_of_use else Refusal("in_use", {})


def leads_off(ask: Ask) -> Refusal | None:
    """Refuse the bench before a block said that no string is connected: a fresh one shows 0 V."""
    return None if ask.state.leads_off else Refusal("leads_on", {})


def has_contactor(ask: Ask) -> Refusal | None:
    """Refuse the inspection of a contactor that is not there."""
    return None if ask.own.has_contactor else Refusal("no_contactor", {})


def note_refusal(text: Scalar) -> Refusal | None:
    """Refuse a note without words, or with more than a note holds."""
    said = text.strip() if isinstance(text, str) else ""
    return None if 0 < len(said) <= NOTE_CHARACTERS else Refusal("no_text", {"most": NOTE_CHARACTERS})


def has_text(ask: Ask) -> Refusal | None:
    """Refuse a note that says nothing."""
    return note_refusal(ask.order.args.get("text"))
