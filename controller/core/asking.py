"""What a circuit would say to an order, without one being given: for screens that offer only what would be accepted.

The checks are those of the orders themselves, asked as for a person with every role who told all neighbours and
states no reason: what is refused here for a reason alone may still pass with one. Pure; nothing changes.
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.core.facts import facts_of
from controller.core.orderchecks import Ask, Refusal
from controller.core.orders import RULES, refusal_of
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Condition, Order, State

EVERY_ROLE = ("technician", "engineer", "maintenance", "quality")


def ask_of(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
    verb: str,
) -> Ask:
    """Return the question whether `verb` would be accepted after this cycle; `standing` is what stood in it."""
    told = " ".join(neighbour.split(" ", 1)[0] for neighbour in cin.bath.blocked)
    order = Order("", verb, state.name, "", EVERY_ROLE, {"told": told})
    return Ask(
        settings,
        own,
        state,
        facts_of(settings, own, state, cin, state.probes),
        cin.bath,
        standing,
        order,
        cin.contactor,
    )


def start_checks(ask: Ask) -> tuple[tuple[str, Refusal | None], ...]:
    """Return each check of a start by its name, with its refusal where it does not hold."""
    return tuple((check.__name__, check(ask)) for check in RULES["start"].checks)


def offered(state: CircuitState) -> tuple[str, ...]:
    """Return the verbs among start, resume, reset and unload that fit the circuit's state."""
    latched = any(alarm.latched for alarm in state.alarms)
    fitting = {
        "start": state.state is State.IDLE,
        "resume": state.state is State.HELD,
        "reset": state.state is State.TRIPPED or (latched and state.state in RULES["reset"].states),
        "unload": state.state in RULES["unload"].states and (state.load is not None or state.state is not State.IDLE),
    }
    return tuple(verb for verb, fits in fitting.items() if fits)


def may(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
) -> Mapping[str, Refusal | None]:
    """Return for each verb that fits the state its first refusal now, None where it would be accepted."""
    return {verb: refusal_of(ask_of(settings, own, state, cin, standing, verb)) for verb in offered(state)}
