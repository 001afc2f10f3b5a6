"""The changes of a circuit's state, each in one place; which are allowed stands in `table.py`."""

from __future__ import annotations

from dataclasses import replace

from controller.core.changed import changed
from controller.core.sequence import entered, overrun, soaked_too_long, step_of
from controller.core.state import CircuitState, Interruption, Run
from controller.core.table import Cause, after
from controller.core.types import Event, Reaction, State

MS_PER_H = 3_600_000.0


def moved(state: CircuitState, cause: Cause, now_ms: int) -> CircuitState:
    """Return the state after a cause; a cause the table does not know there changes nothing."""
    new = after(state.state, cause)
    if new is None or new is state.state:
        return state
    return changed(state, state=new, since_ms=now_ms, revision=state.revision + 1)


def started(state: CircuitState, who: str, now_ms: int) -> CircuitState:
    """Return the circuit with a new run: at its first step, or where its load says that an earlier run is continued.

    A string that soaked too long starts late where its profile asks for a slow start (`sequence.slowed`).
    """
    load = state.load
    if load is None:
        return state
    plan = load.plan
    first = min(max(0, load.first_step), len(plan.steps) - 1)
    late = plan.late_start == "slow" and soaked_too_long(load, now_ms)
    run = entered(plan, Run(now_ms, who, late=late, credited_Ah=load.credited_Ah), first, now_ms, 0.0)
    return changed(moved(state, Cause.START, now_ms), run=run, ticks=())


def next_step(state: CircuitState, now_ms: int) -> CircuitState:
    """Return the circuit at the beginning of its next step; the same where it stands in its last one.

    A ramp begins at the current that was asked for, where that had the same direction, else at zero.
    """
    run, load = state.run, state.load
    if run is None or load is None or run.step + 1 >= len(load.plan.steps):
        return state
    before, after_it = load.plan.steps[run.step], load.plan.steps[run.step + 1]
    from_A = abs(state.command.set_current_A) if before.kind is after_it.kind else 0.0
    new = entered(load.plan, run, run.step + 1, now_ms, from_A)
    if any(timer.active and timer.code == "flow_no_step_up" for timer in state.timers):
        new = changed(new, before_A=run.before_A)  # the charge before had no more than that one either
    return changed(state, run=new)


def skipped(state: CircuitState, now_ms: int) -> CircuitState:
    """Return the circuit at its next step by order, running or held; the last step cannot be skipped, only stopped."""
    new = next_step(state, now_ms)
    return state if new is state else changed(new, revision=state.revision + 1)


def extended(state: CircuitState, more_ms: int) -> CircuitState:
    """Return the circuit with more time for its step; a slow step with time left goes on at its own current."""
    run, load = state.run, state.load
    if run is None or load is None or more_ms <= 0:
        return state
    run = changed(run, extended_ms=run.extended_ms + more_ms)
    run = changed(run, slow=run.slow and overrun(run, step_of(load.plan, run)))
    return changed(state, run=run, revision=state.revision + 1)


def recounted(state: CircuitState, batteries: int) -> CircuitState:
    """Return a held and blocked circuit with another number of batteries; any other stays as it is.

    Volts per cell, limits and trips are worked out from the load in each cycle. Samples of volts begin anew, as does
    the highest: a battery less is not the same string.
    """
    run, load = state.run, state.load
    if load is None or state.state is not State.HELD or not state.blocked_by or batteries < 1:
        return state
    run = changed(run, steady=(), highest_V_per_cell=None) if run is not None else None
    return changed(state, load=replace(load, batteries=batteries), run=run, revision=state.revision + 1)


def interrupted(state: CircuitState, cause: Cause, code: str, now_ms: int, by_rule: bool = False) -> CircuitState:
    """Return the circuit held or tripped, its charge kept; the first interruption of several counts."""
    was = state.state
    state = moved(state, cause, now_ms)
    run = state.run
    if run is None or run.end_ms is not None or was not in (State.RUNNING, State.HELD):
        return state
    if run.interruption is not None:
        kept = run.interruption.resumable_by_rule and by_rule
        if run.interruption.resumable_by_rule == kept:
            return state
        return changed(
            state, run=changed(run, interruption=replace(run.interruption, resumable_by_rule=kept, code=code))
        )
    return changed(state, run=changed(run, interruption=Interruption(now_ms, code, by_rule), flowing=False, steady=()))


def would_owe_Ah(state: CircuitState, now_ms: int) -> float:
    """Return the charge that a resume now would add: what the interruption took from the string."""
    run, load = state.run, state.load
    if run is None or load is None or run.interruption is None:
        return 0.0
    hours = (now_ms - run.interruption.since_ms) / MS_PER_H
    return step_of(load.plan, run).owes_percent_per_hour / 100.0 * load.plan.planned_charge_Ah * hours


def resumed(state: CircuitState, now_ms: int, by_rule: bool) -> CircuitState:
    """Return the circuit running again at its restart current, with the charge its interruption owes.

    By a person's order the step's longest time begins anew; the short link loss's rule gives none: a link that comes
    and goes must not put off the end of a step for ever.
    """
    run, load = state.run, state.load
    if run is None or load is None:
        return state
    step = step_of(load.plan, run)
    run = changed(
        run,
        interruption=None,
        owed_Ah=run.owed_Ah + would_owe_Ah(state, now_ms),
        restart_left_ms=step.restart_ms,
        fair_ms=run.fair_ms if by_rule else 0.0,
        slow=run.slow and by_rule,
        flowing=False,
        meets=0,
        link_rides=run.link_rides + (1 if by_rule else 0),
    )
    return changed(moved(state, Cause.RESUME, now_ms), run=run)


def ended(state: CircuitState, cause: Cause, now_ms: int) -> CircuitState:
    """Return the circuit with its run ended (complete or stopped)."""
    state = moved(state, cause, now_ms)
    if state.run is None or state.run.end_ms is not None:
        return state
    return changed(state, run=changed(state.run, end_ms=now_ms, interruption=None))


def unloaded(state: CircuitState, now_ms: int) -> CircuitState:
    """Return the circuit without its batteries and its ended run; what was remembered of the string goes with it."""
    return changed(
        moved(state, Cause.UNLOAD, now_ms),
        load=None,
        run=None,
        ticks=(),
        trail=(),
        moved_K=None,
        revision=state.revision + 1,
    )


def restarted(state: CircuitState) -> CircuitState:
    """Return what a new service knows of a circuit from its record: unknown until zero was read back.

    A running run is held there; nothing of the old service's commands and of what its sensors and links were like
    counts any more. Nor does the start list: only the wall clock could say how old its ticks are, and that may have
    been set meanwhile. What people found or said of string and contactor stays: the meter walk, openings, out of use,
    leads off, whose resume is next, shelved alarms.
    """
    stored = state.stored if state.state is State.UNKNOWN else state.state
    run = state.run
    if stored is State.RUNNING:
        stored = State.HELD
    if run is not None and run.end_ms is None and run.interruption is None:
        run = changed(run, interruption=Interruption(state.now_ms, "service_away"))
    elif run is not None and run.interruption is not None:
        run = changed(run, interruption=replace(run.interruption, resumable_by_rule=False))
    if run is not None:
        run = changed(run, device_Ah=None, meets=0, steady=(), flowing=False)
    fresh = CircuitState(state.name)
    return changed(
        state,
        state=State.UNKNOWN,
        stored=stored,
        run=run,
        output=fresh.output,
        confirmed=False,
        command=fresh.command,
        asked=(),
        recent=(),
        pending=(),
        written=(),
        written_V=(),
        link=fresh.link,
        probes=(),
        trail=(),
        moved_K=None,
        ticks=(),
        revision=state.revision + 1,
    )


def returned_to(state: CircuitState, now_ms: int) -> tuple[CircuitState, Event]:
    """Return a circuit of unknown state in its stored one, now that zero was read back, and the event that says so."""
    causes = {
        State.TRIPPED: Cause.ZERO_READ_LATCHED,
        State.HELD: Cause.ZERO_READ_OPEN,
        State.COMPLETE: Cause.ZERO_READ_COMPLETE,
        State.STOPPED: Cause.ZERO_READ_STOPPED,
    }
    new = moved(state, causes.get(state.stored, Cause.ZERO_READ_IDLE), now_ms)
    return new, Event("zero_read", state.name, data={"state": new.state.value}, reaction=Reaction.NONE)
