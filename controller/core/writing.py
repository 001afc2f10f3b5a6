"""What is written to the rectifier this cycle, and what is remembered of it: set-points, currents, the output machine.

The last stage of a circuit's cycle. Whatever the stages before left in doubt asks for no current here.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.core import contactor, devicecount, limits, output, sequence, setpoint, shortloss
from controller.core.changed import changed
from controller.core.facts import Facts
from controller.core.laws.ripple import hunt_ms
from controller.core.planned import DISCHARGE
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, Run
from controller.core.swings import lately
from controller.core.types import RUNNING, TO_ZERO, UNKNOWN, CircuitIn, Condition, Event, EventKind, Output

History = tuple[tuple[int, float], ...]


def written(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    facts: Facts,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
    events: list[Event],
    lived: Run | None = None,
) -> CircuitState:
    """Work out what may flow, move the output machine, remember the asked. `lived`: the run (None: the state's)."""
    now_ms, run = facts.now_ms, state.run if lived is None else lived
    asked_A, volts = _asked(own, state, run, cin, standing)
    before = output.found(state.output, True, facts) if state.state is UNKNOWN else state.output
    since = now_ms if _unheard(settings, state, facts) else state.output_since_ms
    settle_ms, keep_ms = settings.settle_ms, settings.watchdog_ms
    machine, since = output.moved(before, since, asked_A != 0.0, facts, settle_ms, now_ms)
    volts = state.command.voltage_limit_V if machine is TO_ZERO else volts
    is_closed, openings = _contactor(settings, own, state, machine, facts, cin, standing, events)
    silent = facts.local is True and not contactor.disobeyed(standing)
    command = output.command(machine, asked_A, volts, is_closed, silent, state.command)
    set_A, limit_V = command.set_current_A, command.voltage_limit_V
    confirmed = output.confirmed(machine, facts)
    return changed(
        state,
        now_ms=now_ms,
        run=devicecount.based(run, state.link, facts) if run is not None else None,
        output=machine,
        output_since_ms=since,
        confirmed=confirmed,
        command=command,
        asked=_window(state.asked, settle_ms, now_ms, set_A),
        written=_still_there(state.written, keep_ms, now_ms, facts.set_current_A, set_A, setpoint.taken),
        written_V=_still_there(state.written_V, keep_ms, now_ms, facts.set_voltage_V, limit_V, setpoint.limit_taken),
        recent=_seen(settings, state, facts),
        openings=openings,
        pending=_read_back(state, machine, confirmed, facts, cin, events) if state.pending else (),
        hot_C=facts.hot_C,
        share_A=cin.share_A,
        link=shortloss.remembered(state.link, facts, cin.bath, _waits(run), settings.laws.link),
    )


def _unheard(settings: BathSettings, state: CircuitState, facts: Facts) -> bool:
    """Return whether the device could not hear lately, so that the output's clock begins now: silence, local control.

    In local control that is so for the watchdog's time; then it should have taken the output to zero.
    """
    if facts.local and any(amount for _, amount in lately(state.written, facts.now_ms, settings.watchdog_ms)):
        return True
    return shortloss.back(settings, state.link, facts)


def _contactor(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    machine: Output,
    facts: Facts,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
    events: list[Event],
) -> tuple[bool, int]:
    """Return whether the contactor is to be closed, and how often it has opened under load."""
    if not own.has_contactor:
        return False, state.openings
    is_closed = contactor.closed(settings, own, state, machine, facts, cin, standing)
    if not contactor.opened_under_load(settings, state, machine, is_closed, facts, standing):
        return is_closed, state.openings
    openings = state.openings + 1
    events.append(Event("opened_under_load", state.name, data={"openings": openings, "current_A": facts.current_A}))
    return is_closed, openings


def _waits(run: Run | None) -> bool:
    """Return whether the circuit is held by its link alone."""
    return run is not None and run.interruption is not None and run.interruption.resumable_by_rule


def _asked(
    own: CircuitSettings, state: CircuitState, run: Run | None, cin: CircuitIn, standing: tuple[Condition, ...]
) -> tuple[float, float]:
    """Return the current to ask for (a discharge's is negative) and the voltage limit; zero but where it runs.

    Below a hood that a permit lets stand open, and until its bath is purged again, none begins and none rises.
    """
    load = state.load
    if state.state is not RUNNING or state.blocked_by or run is None or load is None:
        return 0.0, 0.0
    at = sequence.step_of(load.plan, run)
    percent = state.allowed.percent
    asked_A = limits.set_point_A(own, run, at, cin.share_A, percent, standing)
    if at.kind is DISCHARGE:
        asked_A = -asked_A
    if not cin.bath.hood_closed or cin.bath.purge_left_ms > 0:
        asked_A = limits.no_more_A(asked_A, state.command.set_current_A)
    return asked_A, limits.voltage_limit_V(own, load.plan, at, load.batteries)


def _window(history: History, keep_ms: int, now_ms: int, amount: float) -> History:
    """Return the last `keep_ms` of (moment, amount), with this one behind; equal amounts are kept once, the newest."""
    if len(history) == 1 and history[0][1] == amount:
        return ((now_ms, amount),)
    return (*(entry for entry in history if now_ms - entry[0] <= keep_ms and entry[1] != amount), (now_ms, amount))


def _still_there(
    history: History,
    keep_ms: int,
    now_ms: int,
    read: float | None,
    amount: float,
    same: Callable[[float, float], bool],
) -> History:
    """Return the set-points of the last `keep_ms`, and the older one at which the device still stands."""
    if len(history) <= 1 or read is None:
        return _window(history, keep_ms, now_ms, amount)
    kept = (entry for entry in history if now_ms - entry[0] <= keep_ms or same(read, entry[1]))
    return _window(tuple(kept), now_ms, now_ms, amount)


def _seen(settings: BathSettings, state: CircuitState, facts: Facts) -> History:
    """Return the readings of current that hunting is looked for in, with this cycle's where it was read."""
    if facts.current_A is None or not facts.fresh:
        return state.recent
    return _course(state.recent, hunt_ms(settings), facts.now_ms, facts.current_A)


def _course(history: History, keep_ms: int, now_ms: int, amount: float) -> History:
    """Return the readings of the last `keep_ms` in their order, each as often as it came back."""
    if not history:
        return ((now_ms, amount),)
    if history[-1][1] == amount:
        history = history[:-1]
    first = 0
    while first < len(history) and now_ms - history[first][0] > keep_ms:
        first += 1
    return (*history[first:], (now_ms, amount))


def _read_back(
    state: CircuitState, machine: Output, confirmed: bool, facts: Facts, cin: CircuitIn, events: list[Event]
) -> tuple[tuple[str, str], ...]:
    """Tell each accepted order what the device read back, once it did: at the earliest in the cycle after its own."""
    if not confirmed or machine is not state.output:
        return state.pending
    new = {order.id for order in cin.orders}
    for order_id, verb in state.pending:
        if order_id in new:
            continue
        data = {"order": order_id, "verb": verb, "current_A": facts.current_A, "state": state.state.value}
        events.append(Event("read_back", state.name, EventKind.ORDER, data))
    return tuple(entry for entry in state.pending if entry[0] in new)
