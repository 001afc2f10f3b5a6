"""What an accepted order does to its circuit, one function a verb; none of them asks whether it may."""

from __future__ import annotations

from dataclasses import replace

from controller.core import alarms, mixing, moves
from controller.core.changed import changed
from controller.core.counters import count
from controller.core.flowchecks import next_of, stands
from controller.core.listchecks import KINDS, due_readings, item_of, ticked, walk_item_of
from controller.core.loadchecks import volts_count
from controller.core.orderchecks import Ask, text_of, whole_of
from controller.core.state import CircuitState, Counters, Tick
from controller.core.table import Cause
from controller.core.types import Scalar, State


def load(ask: Ask) -> CircuitState:
    """Put the list there; what a block said of loose leads is over."""
    return changed(ask.state, load=ask.order.load, ticks=(), leads_off=False, revision=ask.state.revision + 1)


def unload(ask: Ask) -> CircuitState:
    """Take list and run away."""
    return moves.unloaded(ask.state, ask.facts.now_ms)


def start(ask: Ask) -> CircuitState:
    """Begin a run at its first step."""
    state = moves.started(ask.state, ask.order.who, ask.facts.now_ms)
    run = state.run
    # The reading at zero before the first current is where the first trapezoid begins.
    counters = count(Counters(), ask.facts, ask.settings.stale_ms)
    return state if run is None else changed(state, run=changed(run, counters=counters))


def hold(ask: Ask) -> CircuitState:
    """Zero, the count kept."""
    return moves.interrupted(ask.state, Cause.HOLD, "order", ask.facts.now_ms)


def resume(ask: Ask) -> CircuitState:
    """Run on at restart current; what made the first resume maintenance's is settled by it."""
    state = moves.resumed(ask.state, ask.facts.now_ms, by_rule=False)
    return changed(state, resume_for="") if state.resume_for else state


def stop(ask: Ask) -> CircuitState:
    """End the run."""
    return moves.ended(ask.state, Cause.STOP, ask.facts.now_ms)


def done(ask: Ask) -> CircuitState:
    """A person did what the step waits for."""
    run = ask.state.run
    return ask.state if run is None else changed(ask.state, run=changed(run, done=True))


def skip(ask: Ask) -> CircuitState:
    """Go to the next step."""
    return moves.skipped(ask.state, ask.facts.now_ms)


def extend(ask: Ask) -> CircuitState:
    """Lengthen the step's longest time."""
    return moves.extended(ask.state, 60_000 * (whole_of(ask.order.args, "minutes") or 0))


def recount(ask: Ask) -> CircuitState:
    """Go on with another number of batteries."""
    return moves.recounted(ask.state, whole_of(ask.order.args, "batteries") or 0)


def _found(ask: Ask, item: int) -> Tick:
    """Return what the order says of an item of a list; only what was found wrong carries a reason."""
    ok = ask.order.args.get("ok") is True
    return Tick(item, ok, ask.order.who, ask.facts.now_ms, "" if ok else text_of(ask.order.args, "reason"))


def tick(ask: Ask) -> CircuitState:
    """Keep what a person found of one item of the start list.

    It is no change of state: whoever ticks the next item has not seen another circuit meanwhile.
    """
    item = item_of(ask)
    if item is None:
        return ask.state
    people = 2 if item == 1 and ask.settings.two_people else 1
    return changed(ask.state, ticks=ticked(ask.state.ticks, _found(ask, item), people))


def walk(ask: Ask) -> CircuitState:
    """Keep what a person found of one item of the meter walk."""
    item, run = walk_item_of(ask), ask.state.run
    if item is None or run is None:
        return ask.state
    return changed(ask.state, run=changed(run, walk=ticked(run.walk, _found(ask, item), 1)))


def nothing(ask: Ask) -> CircuitState:
    """Leave the circuit as it is: the event is all."""
    return ask.state


def acknowledge(ask: Ask) -> CircuitState:
    """A person saw the alarms."""
    left = alarms.acknowledged(ask.state.alarms, ask.order.args.get("alarm"))
    return changed(ask.state, alarms=left, revision=ask.state.revision + 1)


def reset(ask: Ask) -> CircuitState:
    """Let go what is latched; a run goes on as held."""
    state = changed(ask.state, alarms=alarms.reset(ask.state.alarms), revision=ask.state.revision + 1)
    open_run = state.run is not None and state.run.end_ms is None
    return moves.moved(state, Cause.RESET_OPEN if open_run else Cause.RESET_IDLE, ask.facts.now_ms)


def shelve(ask: Ask) -> CircuitState:
    """Put an alarm aside for a while."""
    args = ask.order.args
    until_ms = ask.facts.now_ms + 60_000 * (whole_of(args, "minutes") or 0)
    left = alarms.shelved(ask.state.alarms, text_of(args, "alarm"), until_ms, ask.order.who, text_of(args, "reason"))
    return changed(ask.state, alarms=left, revision=ask.state.revision + 1)


def unshelve(ask: Ask) -> CircuitState:
    """Take a shelved alarm back."""
    left = alarms.unshelved(ask.state.alarms, text_of(ask.order.args, "alarm"), ask.facts.now_ms)
    return changed(ask.state, alarms=left, revision=ask.state.revision + 1)


def block(ask: Ask) -> CircuitState:
    """Hold what runs, then keep all current away until this person lifts it."""
    now_ms, state = ask.facts.now_ms, ask.state
    if state.state is State.RUNNING or (state.run is not None and state.run.interruption is not None):
        state = moves.interrupted(state, Cause.HOLD, "block", now_ms)
    off = ask.order.args.get("leads_off") is True
    return changed(state, blocked_by=ask.order.who, blocked_ms=now_ms, leads_off=off, revision=state.revision + 1)


def unblock(ask: Ask) -> CircuitState:
    """Lift the block; what it interrupted comes back by order only, however it was held before."""
    run, freed = ask.state.run, changed(ask.state, blocked_by="", blocked_ms=0, revision=ask.state.revision + 1)
    if run is None or run.interruption is None:
        return freed
    return changed(freed, run=changed(run, interruption=replace(run.interruption, resumable_by_rule=False)))


def reading(ask: Ask) -> CircuitState:
    """Tick off what the plan wanted read by hand at this battery, where it is due."""
    run, load, args = ask.state.run, ask.state.load, ask.order.args
    position = whole_of(args, "position")
    if run is None or load is None or position is None:
        return ask.state
    done_now = tuple(
        (index, position)
        for index, wanted in due_readings(run, load.plan)
        if wanted.what == text_of(args, "what") and position in wanted.batteries and (index, position) not in run.read
    )
    return changed(ask.state, run=changed(run, read=(*run.read, *done_now))) if done_now else ask.state


def added(ask: Ask) -> CircuitState:
    """Remember water: its battery's density says nothing until it is mixed."""
    run, position = ask.state.run, whole_of(ask.order.args, "position")
    if run is None or position is None or text_of(ask.order.args, "what") != "water":
        return ask.state
    return changed(ask.state, run=mixing.watered(run, position))


def out_of_use(ask: Ask) -> CircuitState:
    """Take the circuit out of use."""
    return changed(ask.state, out_of_use=text_of(ask.order.args, "reason"), revision=ask.state.revision + 1)


def in_use(ask: Ask) -> CircuitState:
    """Bring it back; the bench's word on loose leads is over."""
    return changed(ask.state, out_of_use="", leads_off=False, revision=ask.state.revision + 1)


def inspected(ask: Ask) -> CircuitState:
    """Count the contactor's openings under load from here."""
    return changed(ask.state, openings=0, revision=ask.state.revision + 1)


# What an answer's event says beside the order's own arguments.


def tells_trial(_: Ask) -> dict[str, Scalar]:
    """Return that an engineer's trial run was loaded, however the order said so."""
    return {"trial": True}


def tells_item(ask: Ask) -> dict[str, Scalar]:
    """Return the start list item's words."""
    item = item_of(ask)
    return {} if item is None else {"item_text": ask.settings.start_items[item - 1]}


def tells_walk(ask: Ask) -> dict[str, Scalar]:
    """Return the meter walk item's words."""
    item = walk_item_of(ask)
    return {} if item is None else {"item_text": ask.settings.walk_items[item - 1]}


def tells_blocker(ask: Ask) -> dict[str, Scalar]:
    """Return whose block was lifted."""
    return {"by": ask.state.blocked_by}


def tells_count(ask: Ask) -> dict[str, Scalar]:
    """Return how many batteries there were, and whether the string's volts spoke for the new number."""
    if ask.state.load is None:
        return {}
    return {"before": ask.state.load.batteries, "volts_fit": volts_count(ask)}


def tells_reading(ask: Ask) -> dict[str, Scalar]:
    """Return the reading's unit and age, where they were not said."""
    args = ask.order.args
    kind = KINDS.get(text_of(args, "what"))
    unit = kind.unit if kind is not None else ""
    return {"unit": unit, "taken_minutes_ago": args.get("taken_minutes_ago", 0)}


def tells_skip(ask: Ask) -> dict[str, Scalar]:
    """Return the step that is left and the one that begins."""
    here, there = stands(ask), next_of(ask)
    if here is None or there is None:
        return {}
    return {"step": here.number, "name": here.name, "next": there.number, "next_name": there.name}
