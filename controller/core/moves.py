"""The changes of a circuit's state, each in one place; which are allowed stands in `table.py`."""

from __future__ import annotations

from dataclasses import replace

from controller.core.sequence import entered, step_of
from controller.core.state import CircuitState, Interruption, Run
from controller.core.table import Cause, after
from controller.core.types import Event, Reaction, State

MS_PER_H = 3_600_000.0


def moved(state: CircuitState, cause: Cause, now_ms: int) -> CircuitState:
    """Return the state after a cause; a cause the table does not know there changes nothing."""
    new = after(state.state, cause)
    if new is None or new is state.state:
        return state
    return replace(state, state=new, since_ms=now_ms, revision=state.revision + 1)


def started(state: CircuitState, who: str, now_ms: int) -> CircuitState:
    """Return the circuit with a new run at its first step."""
    load = state.load
    if load is None:
        return state
    run = entered(Run(now_ms, who), 0, now_ms, 0.0)
    return replace(moved(state, Cause.START, now_ms), run=run, ticks=())


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
        return replace(
            state, run=replace(run, interruption=replace(run.interruption, resumable_by_rule=kept, code=code))
        )
    return replace(state, run=replace(run, interruption=Interruption(now_ms, code, by_rule), flowing=False, steady=()))


def would_owe_Ah(state: CircuitState, now_ms: int) -> float:
    """Return the charge that a resume now would add: what the interruption took from the string."""
    run, load = state.run, state.load
    if run is None or load is None or run.interruption is None:
        return 0.0
    hours = (now_ms - run.interruption.since_ms) / MS_PER_H
    return step_of(load.plan, run).owes_percent_per_hour / 100.0 * load.plan.planned_charge_Ah * hours


def resumed(state: CircuitState, now_ms: int, by_rule: bool) -> CircuitState:
    """Return the circuit running again at its restart current, with the charge its interruption owes.

    The step's longest time begins anew: a person, or the short link loss's rule, has let it go on.
    """
    run, load = state.run, state.load
    if run is None or load is None:
        return state
    step = step_of(load.plan, run)
    run = replace(
        run,
        interruption=None,
        owed_Ah=run.owed_Ah + would_owe_Ah(state, now_ms),
        restart_left_ms=step.restart_ms,
        fair_ms=0.0,
        slow=run.slow and by_rule,
        flowing=False,
        meets=0,
        link_rides=run.link_rides + (1 if by_rule else 0),
    )
    return replace(moved(state, Cause.RESUME, now_ms), run=run)


def ended(state: CircuitState, cause: Cause, now_ms: int) -> CircuitState:
    """Return the circuit with its run ended (complete or stopped)."""
    state = moved(state, cause, now_ms)
    if state.run is None or state.run.end_ms is not None:
        return state
    return replace(state, run=replace(state.run, end_ms=now_ms, interruption=None))


def unloaded(state: CircuitState, now_ms: int) -> CircuitState:
    """Return the circuit without its batteries and its ended run."""
    return replace(moved(state, Cause.UNLOAD, now_ms), load=None, run=None, ticks=(), revision=state.revision + 1)


def restarted(state: CircuitState) -> CircuitState:
    """Return what a new service knows of a circuit from its record: unknown until zero was read back.

    A running run is held there; nothing of the old service's commands counts any more. Nor does the start list: only
    the wall clock could say how old its ticks are, and that may have been set meanwhile.
    """
    stored = state.stored if state.state is State.UNKNOWN else state.state
    run = state.run
    if stored is State.RUNNING:
        stored = State.HELD
    if run is not None and run.end_ms is None and run.interruption is None:
        run = replace(run, interruption=Interruption(state.now_ms, "service_away"), flowing=False, steady=())
    elif run is not None and run.interruption is not None:
        run = replace(run, interruption=replace(run.interruption, resumable_by_rule=False))
    fresh = CircuitState(state.name)
    return replace(
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
        link=fresh.link,
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
