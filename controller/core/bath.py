"""One bath, one cycle: its inputs and all its circuits' readings and orders in, commands and events out. Pure.

The bath judges what all circuits share (water, air, hood, emergency stop), hands each circuit its part, and lets
`circuit.step` decide; a circuit's decision hangs on its own `CircuitIn` alone, which is what its record keeps.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.core import alarms, bathfacts, bathorders, circuit, flood, inputs, limits, outputs, power
from controller.core.alarmhush import Hush
from controller.core.bathstate import BathState
from controller.core.changed import changed, made
from controller.core.conditions import QUIET, judge
from controller.core.interlocks import BATH_FAMILIES, EXPLAINS
from controller.core.laws.bath_water import LOST_PERCENT
from controller.core.laws.extraction import FOR_MAINTENANCE
from controller.core.laws.record import WAITS
from controller.core.laws.record_space import REFUSES_START
from controller.core.planned import REST
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import (
    RUNNING,
    Advice,
    BathCommand,
    BathIn,
    BathShare,
    CircuitIn,
    Command,
    Condition,
    Event,
    EventKind,
    Order,
    Quality,
    Reaction,
    Value,
)
from controller.core.view import BathFacts, BathView

Standing = tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class BathOut:
    """What a cycle decided: a command for each circuit in the settings' order, the bath's outputs, what happened,
    what each circuit was told (for its record), and the conditions that stood for each.

    `began`: the circuits as they were when they began to decide, after the bath's own orders (none: as before them).
    """

    commands: tuple[Command, ...]
    bath: BathCommand
    events: tuple[Event, ...]
    told: tuple[CircuitIn, ...]
    standing: tuple[Standing, ...]
    began: tuple[CircuitState, ...] = ()


def fresh_state(settings: BathSettings) -> BathState:
    """Return a bath nobody has seen yet: every circuit unknown, the purge not begun."""
    return BathState(tuple(CircuitState(own.name) for own in settings.circuits))


def step(settings: BathSettings, state: BathState, given: BathIn) -> tuple[BathState, BathOut]:
    """Decide one cycle of a bath; return its new state and what to write."""
    events: list[Event] = []
    state = bathfacts.with_water(settings, state, given.bath.water_C, given.now_ms)
    facts = bathfacts.bath_facts(settings, state, given)
    state = inputs.remembered(settings, bathfacts.timed(state, facts), facts)
    state, standing = _judged(settings, state, facts, events)
    state = inputs.permit_kept(state, standing)
    to_circuits, state = bathorders.given(settings, state, facts, given.orders, standing, events)
    share, began = _share(settings, state, given, facts, standing), state.circuits
    state, told, stands = _circuits(settings, state, given, facts, share, to_circuits, events)
    state = flood.counted(settings, state, events, given.now_ms)
    state, command = outputs.decided(settings, state, facts, events)
    state = state if command is state.command else changed(state, command=command)
    return state, BathOut(tuple([each.command for each in state.circuits]), command, tuple(events), told, stands, began)


def _circuits(
    settings: BathSettings,
    state: BathState,
    given: BathIn,
    facts: BathFacts,
    share: BathShare,
    orders: tuple[Order, ...],
    events: list[Event],
) -> tuple[BathState, tuple[CircuitIn, ...], tuple[Standing, ...]]:
    """Let each circuit decide; one that starts flows alone for a while, so the next one is told of it."""
    circuits: list[CircuitState] = []
    told: list[CircuitIn] = []
    stands: list[Standing] = []
    blocked = [f"{each.name} by {each.blocked_by}" for each in state.circuits if each.blocked_by]
    blocked += [f"{order.target} by {order.who}" for order in orders if order.verb == "block"]
    shares = power.shares(settings, state, given, facts)
    stand_ins = bathfacts.stand_ins(facts)
    for index, own in enumerate(settings.circuits):
        each = state.circuits[index]
        cin = made(
            CircuitIn,
            now_ms=given.now_ms,
            reading=given.channels[index],
            bath=share if not blocked else changed(share, blocked=_others(blocked, each.name)),
            share_A=shares[index],
            stand_in_C=stand_ins[index],
            orders=tuple(order for order in orders if order.target == each.name) if orders else (),
            advice=_advice(given, each.name) if given.advice else (),
            contactor=facts.contactors[index],
        )
        new, happened, stood = circuit.decided(settings, own, each, cin)
        if new.state is RUNNING:
            share = _alone(settings, share, each, new, given.now_ms)
            share = _settled(share, happened) if share.resume_for and happened else share
        circuits.append(new)
        events += happened
        told.append(cin)
        stands.append(stood)
    return _remembered(state, tuple(circuits), share, given.now_ms), tuple(told), tuple(stands)


def _remembered(state: BathState, circuits: tuple[CircuitState, ...], share: BathShare, now_ms: int) -> BathState:
    """Return the bath with its circuits decided, and with whose current flows alone for a while."""
    return changed(
        state,
        circuits=circuits,
        now_ms=now_ms,
        alone=share.alone,
        alone_until_ms=share.alone_until_ms,
        resume_for=share.resume_for,
    )


def _advice(given: BathIn, name: str) -> tuple[Advice, ...]:
    return tuple(said for target, said in given.advice if target == name)


def _alone(settings: BathSettings, share: BathShare, old: CircuitState, new: CircuitState, now_ms: int) -> BathShare:
    """Return what the others are told of a running circuit: for how long its current flows alone.

    A run's first current flows alone from the moment when a step asks for it until `alone_ms` after it was read,
    however long the run had rested before; after a resume it is `apart_ms`.
    """
    run = new.run
    if run is None or (old.state is RUNNING and run.first_ms is not None and run.first_ms != now_ms):
        return share
    first = run.first_ms is None or run.first_ms == now_ms
    if first and not _asks(new):
        return share
    until_ms = now_ms + (settings.alone_ms if first else settings.apart_ms)
    if until_ms <= share.alone_until_ms:
        return share
    return changed(share, alone=new.name, alone_until_ms=until_ms)


def _asks(state: CircuitState) -> bool:
    """Return whether a running circuit's step asks for current."""
    run, load = state.run, state.load
    return run is not None and load is not None and load.plan.steps[run.step].kind is not REST


def _settled(share: BathShare, happened: tuple[Event, ...]) -> BathShare:
    """Return what the others are told once a resume was accepted: it settles what made it maintenance's."""
    resumed = any(event.kind is EventKind.ORDER and event.data.get("verb") == "resume" for event in happened)
    return changed(share, resume_for="") if resumed else share


def _judged(
    settings: BathSettings, state: BathState, facts: BathFacts, events: list[Event]
) -> tuple[BathState, Standing]:
    """Move the water's derate, ask the bath's laws and move its alarms; return what stands."""
    water = settings.laws.water
    wanted = limits.curve_percent(facts.water_C, water.derate_C, water.hold_C)
    if wanted is not None and None in facts.waters_C:
        wanted = min(wanted, state.allowed.percent)
    eased = limits.allowed(state.allowed, wanted, facts.now_ms, max(0, facts.dt_ms))
    if eased is not state.allowed:
        state = changed(state, allowed=eased)
    in_use = any(each.state is RUNNING for each in state.circuits)
    view = BathView(settings, state, facts, in_use, bathfacts.after_run(settings, state, facts))
    judged = judge(BATH_FAMILIES, view, settings, state.timers, facts.now_ms, facts.any_read)
    if judged.timers != state.timers:
        state = changed(state, timers=judged.timers)
    if facts.water_C is None and any(found.code == "water_lost" for found in judged.standing):
        state = changed(state, allowed=limits.lowered(state.allowed, LOST_PERCENT))
    if judged is QUIET and not state.alarms:
        return state, ()
    lost = next((found.code for found in judged.begun if found.code in FOR_MAINTENANCE), "")
    if lost:
        state = changed(state, resume_for=lost)
    if judged.begun or judged.ended or state.alarms:
        begun, ended = judged.begun, judged.ended
        limits_of, hush = settings.laws.alarm, Hush(EXPLAINS)
        lived = alarms.step(state.alarms, begun, ended, settings.name, facts.now_ms, limits_of, hush, judged.again)
        if lived.alarms is not state.alarms:
            state = changed(state, alarms=lived.alarms, revision=state.revision + lived.seen)
        events += lived.events
    return state, judged.standing


def _share(settings: BathSettings, state: BathState, given: BathIn, facts: BathFacts, standing: Standing) -> BathShare:
    """Return what every circuit is told of its bath."""
    water = facts.water_C
    latched = bool(state.alarms) and any(alarm.latched for alarm in state.alarms)
    return made(
        BathShare,
        water_C=Value(water) if water is not None else Value(None, Quality.LOST),
        purge_left_ms=bathfacts.purge_left_ms(settings, state, facts.now_ms),
        hood_closed=given.bath.hood_closed is None or facts.hood_closed is True,
        airflow_ok=facts.airflow is True,
        inputs_ok=not facts.stale,
        emergency_stop_ok=facts.emergency_stop_ok is True and not latched,
        blocked=(),
        reactions=tuple(found for found in standing if _concerns(found)) if standing else (),
        flow_lost_ms=state.inputs.flow_lost_ms,
        keep_contactor=inputs.contactors_stay(settings, standing),
        resume_for=state.resume_for,
        gas_ok=inputs.gas_ok(settings, state, facts),
        sisters_K=bathfacts.sisters_K(state),
        alone=state.alone,
        alone_until_ms=state.alone_until_ms,
        permit=state.duty.permit_until_ms is not None,
        permit_by=state.duty.permit_by,
    )


def _concerns(found: Condition) -> bool:
    """Return whether a circuit decides by this condition of its bath."""
    return found.reaction >= Reaction.DERATE or found.code in (REFUSES_START, WAITS)


def _others(blocked: list[str], name: str) -> tuple[str, ...]:
    return tuple(entry for entry in blocked if not entry.startswith(f"{name} "))
