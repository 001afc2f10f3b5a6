"""One circuit, one cycle: readings and orders in, a whole command and events out. Pure.

The order of things: facts, charge, laws, alarms, what the laws do to the state, orders, the short link loss, the
sequence, and last what may flow. Whatever is in doubt on the way ends in less current.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core import alarms, limits, moves, orders, output, sequence, shortloss
from controller.core.conditions import judge
from controller.core.counters import count
from controller.core.facts import Facts, facts_of
from controller.core.interlocks import CIRCUIT_LAWS
from controller.core.orderchecks import Ask
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, Run
from controller.core.table import Cause
from controller.core.types import (
    CircuitIn,
    Command,
    Condition,
    Event,
    EventKind,
    Output,
    Plan,
    Reaction,
    State,
    StepKind,
)
from controller.core.view import CircuitView

RECENT_MS = 10_000
"""How far back an open clamp is compared with what flowed before."""

CIRCUIT_CODES = frozenset(law.code for law in CIRCUIT_LAWS)

Standing = tuple[Condition, ...]


def step(
    settings: BathSettings, own: CircuitSettings, state: CircuitState, cin: CircuitIn
) -> tuple[CircuitState, Command, tuple[Event, ...]]:
    """Decide one cycle of one circuit; return its new state, the command to write, and what happened."""
    state, events, _ = decided(settings, own, state, cin)
    return state, state.command, events


def decided(
    settings: BathSettings, own: CircuitSettings, state: CircuitState, cin: CircuitIn
) -> tuple[CircuitState, tuple[Event, ...], Standing]:
    """Decide one cycle; return the new state (its command in it), what happened, and the conditions it rests on."""
    facts = facts_of(settings, own, state, cin)
    events: list[Event] = []
    state = _counted(settings, state, facts, events)
    state, standing = _judged(settings, own, state, facts, cin, events)
    state = _reacted(state, facts, standing, events)
    state = _ordered(settings, own, state, facts, cin, standing, events)
    if shortloss.may_resume(settings, own, state, facts, cin.bath, standing):
        state = moves.resumed(state, facts.now_ms, by_rule=True)
        events.append(Event("resumed_by_rule", state.name, data={"minutes": (facts.now_ms - state.link.lost_ms) / 6e4}))
    state = _sequenced(state, facts, standing, events)
    state = _commanded(settings, own, state, facts, cin, standing, events)
    return state, tuple(events), standing


def _counted(settings: BathSettings, state: CircuitState, facts: Facts, events: list[Event]) -> CircuitState:
    """Integrate what was read; a gap is said, never filled."""
    run = state.run
    # What flows between the end and zero read back has gone into the string too.
    if run is None or (run.end_ms is not None and state.output is Output.OFF and state.confirmed):
        return state
    if facts.gap and run.end_ms is None:
        events.append(Event("gap", state.name, data={"seconds": facts.dt_ms / 1000.0}))
    counters = count(run.counters, facts, settings.stale_ms)
    counted = sequence.counted(run, run.counters, counters)
    return replace(state, run=_extremes(counted, facts)) if counted is not run else state


def _extremes(run: Run, facts: Facts) -> Run:
    """Return the run with its highest temperature and volts."""
    hot, volts = facts.probe_C, facts.voltage_V_per_cell
    hotter = hot is not None and (run.hottest_C is None or hot > run.hottest_C)
    higher = volts is not None and (run.highest_V_per_cell is None or volts > run.highest_V_per_cell)
    if not hotter and not higher:
        return run
    return replace(
        run,
        hottest_C=hot if hotter else run.hottest_C,
        highest_V_per_cell=volts if higher else run.highest_V_per_cell,
    )


def _judged(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    facts: Facts,
    cin: CircuitIn,
    events: list[Event],
) -> tuple[CircuitState, Standing]:
    """Ask every law, move the alarms, and return all conditions standing: the circuit's own and the bath's."""
    probe = settings.laws.probe
    # Towards danger two readings on end: one spike takes nothing away.
    hot = facts.hot_C if state.hot_C is None or facts.hot_C is None else min(facts.hot_C, state.hot_C)
    wanted = limits.curve_percent(hot, probe.derate_C, probe.hold_C)
    if facts.probe_lost and wanted is not None:
        wanted = min(wanted, state.allowed.percent)
    eased = limits.allowed(state.allowed, wanted, facts.now_ms, max(0, facts.dt_ms))
    if eased is not state.allowed:
        state = replace(state, allowed=eased)
    view = CircuitView(settings, own, state, facts, cin.bath)
    judged = judge(CIRCUIT_LAWS, view, settings, state.timers, facts.now_ms, facts.fresh)
    if judged.timers != state.timers:
        state = replace(state, timers=judged.timers)
    begun, ended = judged.begun, judged.ended
    if cin.bath.reactions or state.alarms:
        more, fewer = _bath_trips(state, cin)
        begun, ended = (*begun, *more), (*ended, *fewer)
    if begun or ended:
        new, raised = alarms.raised(state.alarms, begun, state.name, facts.now_ms)
        new, returned = alarms.returned(new, ended, state.name)
        events += raised + returned
        state = replace(state, alarms=new, revision=state.revision + 1)
    return state, (*judged.standing, *cin.bath.reactions)


def _bath_trips(state: CircuitState, cin: CircuitIn) -> tuple[Standing, Standing]:
    """Return the bath's trips that begin and end in this circuit, which latches them as its own."""
    trips = [condition for condition in cin.bath.reactions if condition.reaction is Reaction.TRIP]
    active = {alarm.code for alarm in state.alarms if alarm.active}
    codes = {condition.code for condition in trips}
    begun = tuple(condition for condition in trips if condition.code not in active)
    ended = tuple(Condition(code, Reaction.TRIP) for code in sorted(active - codes) if code not in CIRCUIT_CODES)
    return begun, ended


def _reacted(state: CircuitState, facts: Facts, standing: Standing, events: list[Event]) -> CircuitState:
    """Hold or trip by what stands, the most severe first; and leave `unknown` once zero was read back."""
    now_ms, was = facts.now_ms, state.state
    worst = max(standing, key=lambda condition: condition.reaction, default=None)
    if was is State.UNKNOWN:
        if facts.stale or not facts.fresh or not facts.zero or facts.output_on:
            return state
        state, event = moves.returned_to(state, now_ms)
        events.append(event)
    if worst is not None and worst.reaction is Reaction.TRIP:
        state = moves.interrupted(state, Cause.TRIP, worst.code, now_ms)
    elif worst is not None and worst.reaction is Reaction.HOLD and state.state in (State.RUNNING, State.HELD):
        holds = [condition.code for condition in standing if condition.reaction is Reaction.HOLD]
        by_rule = holds == ["link_lost"] and not facts.gap
        state = moves.interrupted(state, Cause.HOLD, worst.code, now_ms, by_rule)
    elif facts.gap and state.state is State.RUNNING:
        state = moves.interrupted(state, Cause.HOLD, "gap", now_ms)
    if state.state is not was and was is not State.UNKNOWN:
        code = worst.code if worst is not None and worst.reaction >= Reaction.HOLD else "gap"
        events.append(Event(state.state.value, state.name, data={"cause": code}))
    return state


def _ordered(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    facts: Facts,
    cin: CircuitIn,
    standing: Standing,
    events: list[Event],
) -> CircuitState:
    """Give each order in turn; the second sees what the first did."""
    for order in cin.orders:
        ask = Ask(settings, own, state, facts, cin.bath, standing, order)
        state, event = orders.given(ask)
        events.append(event)
        if order.verb == "start" and event.kind is EventKind.ORDER:
            events += orders.start_list(ask)
    return state


def _sequenced(state: CircuitState, facts: Facts, standing: Standing, events: list[Event]) -> CircuitState:
    """Let a running circuit live through its step, and go to the next one where the step has ended."""
    run, load = state.run, state.load
    if state.state is not State.RUNNING or run is None or load is None or state.since_ms == facts.now_ms:
        return state
    at = sequence.step_of(load.plan, run)
    undisturbed = abs(state.command.set_current_A) >= at.current_A
    # A second counts for the step's longest time by what was allowed of it.
    percent, _ = limits.smallest_percent(state.allowed.percent, at, standing)
    run = sequence.lived(run, at, facts, percent, undisturbed)
    if at.on_overrun == "slow" and sequence.overrun(run, at) and not run.slow:
        run = replace(run, slow=True)
    by = sequence.ended_by(run, at, facts)
    if by is None:
        return replace(state, run=run)
    events.append(sequence.step_event(state.name, run, at, by))
    return _next(replace(state, run=run), load.plan, run, facts, events)


def _next(state: CircuitState, plan: Plan, run: Run, facts: Facts, events: list[Event]) -> CircuitState:
    """Return the circuit at its next step, or complete."""
    if run.step + 1 < len(plan.steps):
        from_A = abs(state.command.set_current_A)
        run = sequence.entered(run, run.step + 1, facts.now_ms, from_A)
        at = sequence.step_of(plan, run)
        events.append(Event("step_began", state.name, data={"step": at.number, "name": at.name, "task": at.task}))
        return replace(state, run=run)
    events.append(Event("complete", state.name, data={"charge_Ah": run.counters.charge_Ah}))
    return moves.ended(state, Cause.LAST_END, facts.now_ms)


def _commanded(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    facts: Facts,
    cin: CircuitIn,
    standing: Standing,
    events: list[Event],
) -> CircuitState:
    """Work out what may flow, move the output machine, and remember what was asked."""
    asked_A, volts = _asked(own, state, cin, standing)
    now_ms = facts.now_ms
    wanted = asked_A > 0.0
    before = output.found(state.output, state.state is State.UNKNOWN, facts)
    machine, since = output.moved(before, state.output_since_ms, wanted, facts, settings.settle_ms, now_ms)
    run, load = state.run, state.load
    if wanted and run is not None and load is not None:
        discharges = sequence.step_of(load.plan, run).kind is StepKind.DISCHARGE
        asked_A = -asked_A if discharges else asked_A
    else:
        volts = state.command.voltage_limit_V if machine is Output.TO_ZERO else volts
    command = output.command(machine, asked_A, volts, own.has_contactor)
    asked = _window(state.asked, settings.settle_ms, now_ms, command.set_current_A)
    seen_A = facts.current_A
    recent = _window(state.recent, RECENT_MS, now_ms, seen_A) if seen_A is not None else state.recent
    confirmed = output.confirmed(machine, facts)
    new = {order.id for order in cin.orders}
    pending = _read_back(state, machine, confirmed, facts, events, new)
    return replace(
        state,
        now_ms=now_ms,
        output=machine,
        output_since_ms=since,
        confirmed=confirmed,
        command=command,
        asked=asked,
        recent=recent,
        pending=pending,
        hot_C=facts.hot_C,
        link=shortloss.remembered(state.link, facts, cin.bath, _waits(state)),
    )


def _waits(state: CircuitState) -> bool:
    """Return whether the circuit is held by its link alone."""
    run = state.run
    return run is not None and run.interruption is not None and run.interruption.resumable_by_rule


def _asked(own: CircuitSettings, state: CircuitState, cin: CircuitIn, standing: Standing) -> tuple[float, float]:
    """Return the amount of current to ask for and the voltage limit to write; zero but in a running circuit."""
    run, load = state.run, state.load
    if state.state is not State.RUNNING or state.blocked_by or run is None or load is None:
        return 0.0, 0.0
    at = sequence.step_of(load.plan, run)
    percent = state.allowed.percent
    asked_A = limits.set_point_A(own, run, at, cin.share_A, percent, standing)
    return asked_A, limits.voltage_limit_V(own, load.plan, at, load.batteries)


def _window(
    history: tuple[tuple[int, float], ...], keep_ms: int, now_ms: int, amount: float
) -> tuple[tuple[int, float], ...]:
    """Return the last `keep_ms` of (moment, amount), with this one behind; equal amounts are kept once, the newest."""
    if len(history) == 1 and history[0][1] == amount:
        return ((now_ms, amount),)
    return (*(entry for entry in history if now_ms - entry[0] <= keep_ms and entry[1] != amount), (now_ms, amount))


def _read_back(
    state: CircuitState, machine: Output, confirmed: bool, facts: Facts, events: list[Event], new: set[str]
) -> tuple[tuple[str, str], ...]:
    """Tell each accepted order what the device read back, once it did: at the earliest in the cycle after its own."""
    if not state.pending or not confirmed or machine is not state.output:
        return state.pending
    for order_id, verb in state.pending:
        if order_id in new:
            continue
        data = {"order": order_id, "verb": verb, "current_A": facts.current_A, "state": state.state.value}
        events.append(Event("read_back", state.name, EventKind.ORDER, data))
    return tuple(entry for entry in state.pending if entry[0] in new)
