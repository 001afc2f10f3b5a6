"""One circuit, one cycle: readings and orders in, a whole command and events out. Pure.

The order of things: facts, charge, laws, alarms, what the laws do to the state, orders, the short link loss, the
sequence, and last what may flow. Whatever is in doubt on the way ends in less current.
"""

from __future__ import annotations

from controller.core import alarms, limits, mixing, moves, orders, sensors, sequence, shortloss, trail, writing
from controller.core.alarmhush import Hush
from controller.core.atlimit import comes_down, held_back
from controller.core.bathsafe import safe
from controller.core.changed import changed
from controller.core.conditions import QUIET, judge
from controller.core.counters import count
from controller.core.facts import Facts, facts_of
from controller.core.interlocks import CIRCUIT_FAMILIES, CIRCUIT_LAWS, EXPLAINS, NUMBER_FAMILIES
from controller.core.laws import runaway
from controller.core.orderchecks import Ask
from controller.core.orderly import orderly
from controller.core.planned import REST, Plan
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, ProbeMemory, Run
from controller.core.table import Cause
from controller.core.types import (
    HELD,
    RUNNING,
    UNKNOWN,
    BathShare,
    CircuitIn,
    Command,
    Condition,
    Event,
    EventKind,
    Output,
    Reaction,
    State,
)
from controller.core.view import CircuitView

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
    events: list[Event] = []
    probes = _sensed(settings, state, cin)
    facts = facts_of(settings, own, state, cin, probes)
    state = _counted(settings, state, probes, facts, events)
    state = trail.walked(state, facts)
    state, standing = _judged(settings, own, state, facts, cin, events)
    state = _reacted(state, facts, cin.bath, standing, events)
    if cin.orders:
        state = _ordered(settings, own, state, facts, cin, standing, events)
    if state.state is HELD and shortloss.may_resume(settings, own, state, facts, cin.bath, standing):
        state = shortloss.ridden(moves.resumed(state, facts.now_ms, by_rule=True))
        events.append(Event("resumed_by_rule", state.name, data={"minutes": (facts.now_ms - state.link.lost_ms) / 6e4}))
    state, run = _sequenced(state, facts, cin, standing, events)
    state = writing.written(settings, own, state, facts, cin, standing, events, run)
    return state, tuple(events), standing


def _sensed(settings: BathSettings, state: CircuitState, cin: CircuitIn) -> tuple[ProbeMemory, ...]:
    """Return each probe's memory after this cycle's reading; one that should have moved and did not is frozen."""
    probes = sensors.sensed(state.probes, cin.reading.probes, settings.stale_ms, cin.now_ms)
    load = state.load
    if load is None:
        return probes
    least_A = sensors.LEAST_C20 * load.plan.capacity_C20_Ah
    frozen_ms = 60_000.0 * settings.laws.probe.frozen_minutes
    return sensors.watched(probes, state.trail, cin.bath.sisters_K, least_A, frozen_ms, cin.now_ms)


def _counted(
    settings: BathSettings, state: CircuitState, probes: tuple[ProbeMemory, ...], facts: Facts, events: list[Event]
) -> CircuitState:
    """Integrate what was read, and remember the probes; a gap is said, never filled."""
    run = state.run
    # What flows between the end and zero read back has gone into the string too.
    if run is None or (run.end_ms is not None and state.output is Output.OFF and state.confirmed):
        return state if probes is state.probes else changed(state, probes=probes)
    if facts.gap and run.end_ms is None:
        events.append(Event("gap", state.name, data={"seconds": facts.dt_ms / 1000.0}))
    counters = count(run.counters, facts, settings.stale_ms)
    counted = sequence.counted(run, run.counters, counters)
    if run.watered:
        counted = mixing.stirred(counted, facts)
    counted = _extremes(counted, facts)
    return changed(state, probes=probes, run=counted) if counted is not run or probes is not state.probes else state


def _extremes(run: Run, facts: Facts) -> Run:
    """Return the run with its highest temperature and volts."""
    hot, volts = facts.probe_C, facts.voltage_V_per_cell
    hotter = hot is not None and (run.hottest_C is None or hot > run.hottest_C)
    higher = volts is not None and (run.highest_V_per_cell is None or volts > run.highest_V_per_cell)
    if not hotter and not higher:
        return run
    return changed(
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
    state = _allowed(settings, state, facts)
    view = CircuitView(settings, own, state, facts, cin.bath, cin)
    families = NUMBER_FAMILIES if orderly(view) else CIRCUIT_FAMILIES
    judged = judge(families, view, settings, state.timers, facts.now_ms, facts.any_read)
    if judged is QUIET and not (state.alarms or cin.bath.reactions):
        return state, ()
    if judged.timers != state.timers:
        state = changed(state, timers=judged.timers)
    if judged.standing and facts.probe_lost:
        state = _lowered(state, judged.standing)
    begun, ended = judged.begun, judged.ended
    if cin.bath.reactions or state.alarms:
        more, fewer = _bath_trips(state, cin)
        begun, ended = (*begun, *more), (*ended, *fewer)
    if begun or ended or state.alarms:
        hush = _hush(state, cin)
        lived = alarms.step(
            state.alarms, begun, ended, state.name, facts.now_ms, settings.laws.alarm, hush, judged.again
        )
        if lived.alarms is not state.alarms:
            state = changed(state, alarms=lived.alarms, revision=state.revision + lived.seen)
        events += lived.events
    return state, (*judged.standing, *cin.bath.reactions)


def _hush(state: CircuitState, cin: CircuitIn) -> Hush:
    """Return what silences this circuit's alarms: the bath's own, an empty place, or its being out of use."""
    outer = tuple(condition.code for condition in cin.bath.reactions)
    empty = state.state is State.IDLE and state.load is None
    return Hush(EXPLAINS, outer, empty, bool(state.out_of_use))


def _allowed(settings: BathSettings, state: CircuitState, facts: Facts) -> CircuitState:
    """Move the temperature derate: down at once, up slowly, and never up while a probe is lost or in a runaway."""
    probe, before = settings.laws.probe, state.allowed
    wanted = limits.curve_percent(facts.hot_C, probe.derate_C, probe.hold_C)
    if wanted == before.percent == 100.0 and not state.timers and before.eased_ms is None:
        return state
    if (facts.probe_lost or facts.probe_part) and wanted is not None:
        wanted = min(wanted, before.percent)
    if wanted is not None and runaway.stands(state):
        wanted = min(wanted, limits.LEAST_PERCENT)
    eased = limits.allowed(before, wanted, facts.now_ms, max(0, facts.dt_ms))
    return state if eased is before else changed(state, allowed=eased)


def _lowered(state: CircuitState, standing: Standing) -> CircuitState:
    """Return the circuit with what a lost probe leaves of its step's current, so that it comes back slowly."""
    left_A = next((found.allowed_A for found in standing if found.code == "probe_lost"), None)
    if left_A is None or state.run is None or state.load is None:
        return state
    at = sequence.step_of(state.load.plan, state.run)
    if at.kind is REST:
        return state
    allowed = limits.lowered(state.allowed, 100.0 * left_A / at.current_A)
    return state if allowed is state.allowed else changed(state, allowed=allowed)


def _bath_trips(state: CircuitState, cin: CircuitIn) -> tuple[Standing, Standing]:
    """Return the bath's trips that begin and end in this circuit, which latches them as its own."""
    trips = [condition for condition in cin.bath.reactions if condition.reaction is Reaction.TRIP]
    active = {alarm.code for alarm in state.alarms if alarm.active}
    codes = {condition.code for condition in trips}
    begun = tuple(condition for condition in trips if condition.code not in active)
    ended = tuple(Condition(code, Reaction.TRIP) for code in sorted(active - codes) if code not in CIRCUIT_CODES)
    return begun, ended


def _reacted(
    state: CircuitState, facts: Facts, bath: BathShare, standing: Standing, events: list[Event]
) -> CircuitState:
    """Hold or trip by what stands, the most severe first; and leave `unknown` once zero was read back.

    A bath that is not proved safe holds even where no law says so: no current where people may be.
    """
    now_ms, was = facts.now_ms, state.state
    worst = max(standing, key=lambda condition: condition.reaction) if standing else None
    if was is UNKNOWN:
        if facts.stale or not facts.fresh or not facts.zero or facts.output_on:
            return state
        state, event = moves.returned_to(state, now_ms)
        events.append(event)
    if worst is not None and worst.reaction is Reaction.TRIP:
        state = moves.interrupted(state, Cause.TRIP, worst.code, now_ms)
    elif worst is not None and worst.reaction is Reaction.HOLD and state.state in (RUNNING, HELD):
        holds = [condition.code for condition in standing if condition.reaction is Reaction.HOLD]
        by_rule = holds == ["link_lost"] and not facts.gap
        state = moves.interrupted(state, Cause.HOLD, worst.code, now_ms, by_rule)
    elif state.state is RUNNING and (facts.gap or not safe(bath)):
        state = moves.interrupted(state, Cause.HOLD, "gap" if facts.gap else "bath_not_safe", now_ms)
    if state.state is not was and was is not UNKNOWN:
        other = "gap" if facts.gap else "bath_not_safe"
        code = worst.code if worst is not None and worst.reaction >= Reaction.HOLD else other
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
        ask = Ask(settings, own, state, facts, cin.bath, standing, order, cin.contactor)
        state, event = orders.given(ask)
        events.append(event)
        if event.kind is EventKind.ORDER:
            events += orders.after(ask, state)
        events += _moved_by_order(ask.state, state, facts, order.verb)
    return state


def _moved_by_order(before: CircuitState, state: CircuitState, facts: Facts, verb: str) -> list[Event]:
    """Return what an order did to the run beside its own answer: a late start, a step that was skipped."""
    run, load, was = state.run, state.load, before.run
    if run is None or load is None or run is was:
        return []
    if was is None:
        minutes = (facts.now_ms - load.first_filled_ms) / 60_000.0
        return [Event("late_start", state.name, data={"minutes": minutes})] if run.late else []
    if run.step == was.step:
        return []
    ended = sequence.step_event(state.name, was, sequence.step_of(load.plan, was), verb)
    return [ended, sequence.began_event(state.name, sequence.step_of(load.plan, run))]


def _sequenced(
    state: CircuitState, facts: Facts, cin: CircuitIn, standing: Standing, events: list[Event]
) -> tuple[CircuitState, Run | None]:
    """Let a running circuit live through its step, and go to the next one where the step has ended.

    Return the circuit and its run as it is now, which the last stage puts into the circuit's new state.
    """
    run, load = state.run, state.load
    if state.state is not RUNNING or run is None or load is None:
        return state, run
    if facts.now_ms in (state.since_ms, run.step_entered_ms):  # in the cycle that began it nothing was lived yet
        return state, run
    at = sequence.step_of(load.plan, run)
    undisturbed = abs(state.command.set_current_A) >= at.current_A
    limited = at.ends.current_A is not None and held_back(state, facts, at)
    if limited and comes_down(state, facts):
        undisturbed = False
    percent = limits.smallest_percent(state.allowed.percent, at, standing)[0] if standing else state.allowed.percent
    run = sequence.lived(run, at, facts, sequence.fair_percent(run, at, percent, cin.share_A), undisturbed, limited)
    if at.on_overrun == "slow" and sequence.overrun(run, at) and not run.slow:
        run = changed(run, slow=True)
    by = sequence.ended_by(run, at, facts, limited)
    if by is None or sequence.waits_alone(load.plan, run, cin.bath, state.name, facts.now_ms):
        return state, run
    events.append(sequence.step_event(state.name, run, at, by))
    state = _next(changed(state, run=run), load.plan, run, facts, events)
    return state, state.run


def _next(state: CircuitState, plan: Plan, run: Run, facts: Facts, events: list[Event]) -> CircuitState:
    """Return the circuit at its next step, or complete."""
    new = moves.next_step(state, facts.now_ms)
    if new.run is not None and new is not state:
        events.append(sequence.began_event(state.name, sequence.step_of(plan, new.run)))
        return new
    events.append(Event("complete", state.name, data={"charge_Ah": run.counters.charge_Ah}))
    return moves.ended(state, Cause.LAST_END, facts.now_ms)
