"""The contactor: welded, not closed, due for inspection.

Hazard: a contactor that does not open leaves a string under hundreds of volts when its rectifier does not obey; people
take the string for dead. One that opened under load may have welded, or burns at its next closing.
Law: ordered open and read as closed for three cycles: welded, trip, so that nothing starts here before maintenance saw
it. Ordered closed with the output on and read as open for three cycles: not closed, hold. As many openings under load
as `inspect_contactor_after` says: warn until maintenance has said that it was inspected.
Defaults: three cycles outlast a contactor's own 0.1 s and the input box's cycle; one opening: a contactor rated for
alternating current may not survive its first. Own choice, no published source.
Reaction: trip, hold, warn as said. Which circuits have a contactor says their map, what it reads the bath's inputs;
where it is not read, nothing can be told.
Clears: by its auxiliary contact; the latch by acknowledge and reset, the inspection by order.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.settings import BathSettings
from controller.core.types import Reaction
from controller.core.view import CircuitView


def welded(view: CircuitView, active: bool) -> Finding:
    """Return whether it reads as closed although it was ordered open."""
    return _reads(view, is_closed=True, wrong=not view.state.command.contactor_closed)


def not_closed(view: CircuitView, active: bool) -> Finding:
    """Return whether it reads as open although it was ordered closed for current."""
    command = view.state.command
    return _reads(view, is_closed=False, wrong=command.contactor_closed and command.output_on)


def _reads(view: CircuitView, is_closed: bool, wrong: bool) -> Finding:
    if not view.own.has_contactor or not wrong:
        return CLEAR
    return CANNOT_TELL if view.cin.contactor is None else Finding(view.cin.contactor is is_closed)


def inspection(view: CircuitView, active: bool) -> Finding:
    """Return whether it opened under load so often that it must be looked at."""
    count, limit = view.state.openings, view.settings.inspect_after
    return Finding(view.own.has_contactor and count >= limit, count, limit)


def _three_cycles(settings: BathSettings) -> float:
    return 3.0 * settings.period_ms


LAWS: tuple[Law[CircuitView], ...] = (
    Law("contactor_welded", Reaction.TRIP, 1, welded, _three_cycles, readings=0),
    Law("contactor_not_closed", Reaction.HOLD, 2, not_closed, _three_cycles, readings=0),
    Law("contactor_inspection", Reaction.WARN, 3, inspection, readings=0),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    if not view.own.has_contactor:
        return True
    reads = view.cin.contactor
    as_ordered = reads is None or reads is view.state.command.contactor_closed
    return as_ordered and view.state.openings < view.settings.inspect_after


FAMILY = Family(LAWS, asleep)
