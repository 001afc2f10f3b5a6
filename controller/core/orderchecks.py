"""The preconditions of orders: each looks at one thing and returns a refusal, or None."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.core import alarms
from controller.core.facts import Facts
from controller.core.sequence import step_of
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import BathShare, Condition, Fit, LinkState, Order, Output, Reaction, Scalar, State, StepKind

CONTINUED_LEAST_V_PER_CELL = 1.8
CONTINUED_MOST_V_PER_CELL = 2.4
"""A string whose formation is continued rests between these; Bode's curve gives 1.92 to 2.15 V for 1 to 7 mol/kg."""

NOTE_CHARACTERS = 500


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why not, as a code and the data its text needs."""

    code: str
    data: Mapping[str, Scalar]


@dataclass(frozen=True, slots=True)
class Ask:
    """One order and all that decides it. `standing`: the circuit's own conditions of this cycle and the bath's."""

    settings: BathSettings
    own: CircuitSettings
    state: CircuitState
    facts: Facts
    bath: BathShare
    standing: tuple[Condition, ...]
    order: Order


Check = Callable[[Ask], Refusal | None]

RAISES_ENERGY = frozenset({"start", "resume", "reset", "unblock", "done"})
"""Verbs that can let current flow, now or later: see `raises_energy`."""


def raises_energy(verb: str, args: Mapping[str, Scalar]) -> bool:
    """Return whether an order can let current flow, now or later.

    `done` of an item of the start list lets nothing flow by itself; `done` of a step's task does.
    """
    return verb in RAISES_ENERGY and not (verb == "done" and "item" in args)


def in_time(ask: Ask) -> Refusal | None:
    """Refuse more energy in the first cycle after a time when nothing was read: who ordered it saw older values."""
    if ask.facts.gap and raises_energy(ask.order.verb, ask.order.args):
        return Refusal("late", {"seconds": abs(ask.facts.dt_ms) / 1000.0})
    return None


def not_blocked(ask: Ask) -> Refusal | None:
    """Refuse while a person works on the string."""
    return Refusal("blocked", {"by": ask.state.blocked_by}) if ask.state.blocked_by else None


def may_unblock(ask: Ask) -> Refusal | None:
    """Refuse another person, but maintenance with a reason."""
    if not ask.state.blocked_by:
        return Refusal("not_blocked", {})
    if ask.order.who == ask.state.blocked_by:
        return None
    if "maintenance" in ask.order.roles and ask.order.args.get("reason"):
        return None
    return Refusal("blocked_by_another", {"by": ask.state.blocked_by})


def no_latch(ask: Ask) -> Refusal | None:
    """Refuse while a trip waits for its reset."""
    for alarm in ask.state.alarms:
        if alarm.latched:
            return Refusal("latched", {"cause": alarm.code})
    return None


def has_latch(ask: Ask) -> Refusal | None:
    """Refuse a reset where nothing is latched."""
    return None if any(alarm.latched for alarm in ask.state.alarms) else Refusal("nothing_latched", {})


def has_alarm(ask: Ask) -> Refusal | None:
    """Refuse to acknowledge where nothing waits for it."""
    return None if alarms.waits(ask.state.alarms, ask.order.args.get("alarm")) else Refusal("nothing_new", {})


def all_acknowledged(ask: Ask) -> Refusal | None:
    """Refuse a reset before a person acknowledged what tripped."""
    for alarm in ask.state.alarms:
        if alarm.latched and not alarm.acknowledged:
            return Refusal("not_acknowledged", {"cause": alarm.code})
    return None


def trip_cause_gone(ask: Ask) -> Refusal | None:
    """Refuse a reset while a trip's cause stands."""
    for condition in ask.standing:
        if condition.reaction is Reaction.TRIP:
            return Refusal("cause_stands", {"cause": condition.code})
    return None


def cause_gone(ask: Ask) -> Refusal | None:
    """Refuse current while anything that holds or trips stands."""
    for condition in ask.standing:
        if condition.reaction >= Reaction.HOLD:
            return Refusal("cause_stands", {"cause": condition.code})
    return None


def read(ask: Ask) -> Refusal | None:
    """Refuse current where the rectifier's values are not fresh."""
    facts = ask.facts
    if facts.stale or not facts.fresh or facts.link is not LinkState.UP:
        return Refusal("not_read", {"link": facts.link.value})
    return None


def right_device(ask: Ask) -> Refusal | None:
    """Refuse a device that is not the map's, or was not compared with it yet."""
    return None if ask.facts.fit is Fit.OK else Refusal("device", {"fit": ask.facts.fit.value})


def bath_shut_and_aired(ask: Ask) -> Refusal | None:
    """Refuse while the bath is open, not aired, not purged, stopped in emergency, or not known."""
    bath = ask.bath
    if not bath.inputs_ok:
        return Refusal("inputs_unknown", {})
    if not bath.emergency_stop_ok:
        return Refusal("emergency_stop", {})
    if not bath.hood_closed:
        return Refusal("hood_open", {})
    if not bath.airflow_ok:
        return Refusal("no_airflow", {})
    if bath.purge_left_ms > 0:
        return Refusal("unpurged", {"minutes": bath.purge_left_ms / 60_000.0})
    return None


def neighbours_told(ask: Ask) -> Refusal | None:
    """Refuse until each person who blocked a circuit under this hood was told, named in `told`."""
    told = str(ask.order.args.get("told") or "").replace(",", " ").split()
    for neighbour in ask.bath.blocked:
        name = neighbour.split(" ", 1)[0]
        if name.lower() not in (word.lower() for word in told):
            return Refusal("neighbour_blocked", {"neighbour": neighbour, "name": name})
    return None


def loaded(ask: Ask) -> Refusal | None:
    """Refuse where no batteries are on the list."""
    return None if ask.state.load is not None else Refusal("not_loaded", {})


def something_to_unload(ask: Ask) -> Refusal | None:
    """Refuse to unload an idle circuit with nothing on its list; an ended run can always be put away."""
    if ask.state.state is State.IDLE and ask.state.load is None:
        return Refusal("not_loaded", {})
    return None


def not_stuck(ask: Ask) -> Refusal | None:
    """Refuse current from a rectifier that ignores its off."""
    return Refusal("stuck", {}) if ask.state.output is Output.STUCK else None


def not_loaded(ask: Ask) -> Refusal | None:
    """Refuse to load twice."""
    return Refusal("loaded_already", {"batch": ask.state.load.batch}) if ask.state.load is not None else None


def count_fits(ask: Ask) -> Refusal | None:
    """Refuse a load list that does not fill the circuit's places with batteries and links."""
    load, places = ask.order.load, ask.own.places
    if load is None:
        return Refusal("no_load_list", {})
    said = ask.order.args.get("links") or 0
    links = int(said) if str(said).isdecimal() and len(str(said)) <= 4 else None
    if links is None or load.batteries < 1 or load.batteries + links != places:
        return Refusal("count", {"batteries": load.batteries, "links": said, "places": places})
    return None


def profile_fits(ask: Ask) -> Refusal | None:
    """Refuse a profile past the circuit's own current or voltage, or one that discharges where the channel cannot."""
    load, own = ask.order.load, ask.own
    if load is None:
        return Refusal("no_load_list", {})
    cells = load.plan.cells * load.batteries
    for step in load.plan.steps:
        if step.kind is StepKind.REST:
            continue
        if step.kind is StepKind.DISCHARGE and not own.can_discharge:
            return Refusal("no_discharge", {"step": step.number})
        if step.current_A > own.current_max_A:
            return Refusal(
                "profile_current", {"step": step.number, "value": step.current_A, "limit": own.current_max_A}
            )
        if min(step.current_A, step.restart_current_A) < own.current_min_A:
            return Refusal("profile_least", {"step": step.number, "limit": own.current_min_A})
        volts = step.voltage_V_per_cell * cells
        if volts > own.voltage_max_V:
            return Refusal("profile_voltage", {"step": step.number, "value": volts, "limit": own.voltage_max_V})
    return None


def soaked(ask: Ask) -> Refusal | None:
    """Refuse outside the soak: its minimum from the last battery filled, its maximum from the first."""
    load, now_ms = ask.state.load, ask.facts.now_ms
    if load is None or not load.fresh:
        return None
    left = load.plan.soak_min_ms - (now_ms - load.last_filled_ms)
    if left > 0:
        return Refusal("soak_short", {"minutes": left / 60_000.0})
    most = load.plan.soak_max_ms
    late = most is not None and now_ms - load.first_filled_ms > most
    if late and load.plan.late_start == "engineer" and not _engineer_with_reason(ask):
        return Refusal("soak_long", {"minutes": (now_ms - load.first_filled_ms) / 60_000.0})
    return None


def cool_enough(ask: Ask) -> Refusal | None:
    """Refuse a start above the profile's start temperature, or without a temperature."""
    load, hot = ask.state.load, ask.facts.probe_C
    limit = load.plan.start_below_C if load is not None else None
    if limit is None:
        return None
    if hot is None:
        return Refusal("no_temperature", {})
    return Refusal("too_hot", {"value": hot, "limit": limit}) if hot > limit else None


def string_volts(ask: Ask) -> Refusal | None:
    """Refuse string volts at zero current that do not fit the load list.

    A fresh string stands near the plant's own fresh volts; a formed battery in it adds or takes some 12.7 V.
    """
    load, volts = ask.state.load, ask.facts.voltage_V
    if load is None or volts is None or not ask.facts.zero:
        return Refusal("not_read", {"link": ask.facts.link.value})
    if load.fresh:
        away = abs(volts - ask.settings.fresh_V)
        if away <= ask.settings.fresh_scatter_V:
            return None
        expected, scatter = ask.settings.fresh_V, ask.settings.fresh_scatter_V
    else:
        cells = load.plan.cells * load.batteries
        least, most = CONTINUED_LEAST_V_PER_CELL * cells, CONTINUED_MOST_V_PER_CELL * cells
        if least <= volts <= most:
            return None
        expected, scatter = (least + most) / 2.0, (most - least) / 2.0
    return Refusal("string_volts", {"value": volts, "expected": expected, "scatter": scatter})


def cooled_down(ask: Ask) -> Refusal | None:
    """Refuse to unload in the cool-down without a reason."""
    run = ask.state.run
    if run is None or run.end_ms is None or ask.order.args.get("reason"):
        return None
    left = ask.settings.after_run_ms - (ask.facts.now_ms - run.end_ms)
    if left > 0:
        return Refusal("cool_down", {"minutes": left / 60_000.0})
    hot = ask.facts.hot_C
    if hot is None or hot > ask.settings.after_run_probe_C:
        return Refusal("still_hot", {"value": hot, "limit": ask.settings.after_run_probe_C})
    return None


def step_stands(ask: Ask) -> Refusal | None:
    """Refuse `done` that names a step other than the one that stands: the person looked before it changed."""
    run, load = ask.state.run, ask.state.load
    if "step" not in ask.order.args or run is None or load is None:
        return None
    named = ask.order.args["step"]
    stands = not isinstance(named, bool) and named == step_of(load.plan, run).number
    return None if stands else Refusal("changed", {})


def waits_for_done(ask: Ask) -> Refusal | None:
    """Refuse `done` where no step waits for it."""
    run, load = ask.state.run, ask.state.load
    if run is None or load is None or not step_of(load.plan, run).ends.order:
        return Refusal("nothing_to_do", {})
    return None


def within_resume_limit(ask: Ask) -> Refusal | None:
    """Refuse past the step's resume limit, but the engineer with a reason (a named deviation)."""
    run, load = ask.state.run, ask.state.load
    if run is None or load is None or ask.state.state is not State.HELD or run.interruption is None:
        return None
    held_ms = ask.facts.now_ms - run.interruption.since_ms
    limit_ms = step_of(load.plan, run).resume_within_ms
    if held_ms <= limit_ms or _engineer_with_reason(ask):
        return None
    return Refusal("past_resume_limit", {"minutes": held_ms / 60_000.0, "limit": limit_ms / 60_000.0})


def item_of(ask: Ask) -> int | None:
    """Return the number of the start list's item that an order means, or None where there is no such item."""
    item = ask.order.args.get("item")
    if isinstance(item, bool) or not isinstance(item, int) or not 1 <= item <= len(ask.settings.start_items):
        return None
    return item


def item_known(ask: Ask) -> Refusal | None:
    """Refuse to tick what is not on the start list."""
    if item_of(ask) is not None:
        return None
    return Refusal("no_item", {"item": ask.order.args.get("item"), "items": len(ask.settings.start_items)})


def answered(ask: Ask) -> Refusal | None:
    """Refuse an item that is neither found right nor, with a reason, wrong."""
    ok = ask.order.args.get("ok")
    if ok is True or (ok is False and str(ask.order.args.get("reason") or "").strip()):
        return None
    return Refusal("no_reason", {"item": ask.order.args.get("item")})


def start_list_done(ask: Ask) -> Refusal | None:
    """Refuse a start before each item of the start list was found right, not long ago."""
    ticks = {tick.item: tick for tick in ask.state.ticks}
    for item in range(1, len(ask.settings.start_items) + 1):
        tick = ticks.get(item)
        if tick is None:
            return Refusal("start_list", {"item": item})
        if not tick.ok:
            return Refusal("start_list_refused", {"item": item, "by": tick.who, "reason": tick.reason})
        age_ms = ask.facts.now_ms - tick.at_ms
        if not 0 <= age_ms <= ask.settings.tick_stale_ms:
            return Refusal("start_list_stale", {"item": item, "minutes": age_ms / 60_000.0})
    return None


def note_refusal(text: Scalar) -> Refusal | None:
    """Refuse a note without words, or with more than a note holds."""
    said = text.strip() if isinstance(text, str) else ""
    return None if 0 < len(said) <= NOTE_CHARACTERS else Refusal("no_text", {"most": NOTE_CHARACTERS})


def has_text(ask: Ask) -> Refusal | None:
    """Refuse a note that says nothing."""
    return note_refusal(ask.order.args.get("text"))


def _engineer_with_reason(ask: Ask) -> bool:
    return "engineer" in ask.order.roles and bool(ask.order.args.get("reason"))
