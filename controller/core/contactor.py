"""A circuit's contactor: closed for current, opened at zero read back; under load only where current is not obeyed.

A contactor that opens under hundreds of volts of direct current wears out and may weld: every such opening is counted.
What the rectifier does not obey is worse, and is handed to the contactor at once. Once opened it closes again for a
person's order alone. While a bath is tripped for hydrogen it stays as it is, since it may be in the gas; only one that
stands outside the gas space opens there, and only where current is not obeyed.
"""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.laws import hands_off
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Condition, Output, State
from controller.core.values import ZERO_A

NOT_OBEYED = frozenset({"not_obeyed", "output_stuck", "output_came_on", "current_though_off", *hands_off.NOT_OBEYED})
"""Laws that say that current flows against the order."""

HARD_WIRED = "emergency_stop"
"""The law of the input that opens contactors by wire, whatever flows."""


def disobeyed(standing: tuple[Condition, ...]) -> bool:
    """Return whether current flows against the order."""
    return any(condition.code in NOT_OBEYED for condition in standing)


def closed(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    machine: Output,
    facts: Facts,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
) -> bool:
    """Return whether the contactor shall be closed in this cycle. `machine`: the output's new state."""
    if not own.has_contactor:
        return False
    was = state.command.contactor_closed or _found(state, machine, facts, cin)
    against = machine is Output.STUCK or disobeyed(standing)
    if cin.bath.keep_contactor:
        return was and not (against and settings.contactors_outside)
    if against:
        return False
    if machine is Output.ON:
        return True
    falling = machine is Output.TO_ZERO or machine is Output.OFF_SENT
    return was and (falling or (state.state is State.UNKNOWN and not facts.zero))


def _found(state: CircuitState, machine: Output, facts: Facts, cin: CircuitIn) -> bool:
    """Return whether a new service finds the contactor closed, and perhaps current: it reads so, or current flows."""
    if state.state is not State.UNKNOWN or facts.zero:
        return False
    return machine is Output.TO_ZERO if cin.contactor is None else cin.contactor


def opened_under_load(
    settings: BathSettings,
    state: CircuitState,
    machine: Output,
    is_closed: bool,
    facts: Facts,
    standing: tuple[Condition, ...],
) -> bool:
    """Return whether the contactor opens in this cycle although zero was not read: by order, or by wire."""
    if not state.command.contactor_closed:
        return False
    if not is_closed:
        return not facts.zero
    if state.output is not Output.ON or machine is Output.ON:
        return False
    flowed = any(abs(amount) >= ZERO_A for at_ms, amount in state.recent if facts.now_ms - at_ms <= settings.settle_ms)
    return flowed and any(condition.code == HARD_WIRED for condition in standing)
