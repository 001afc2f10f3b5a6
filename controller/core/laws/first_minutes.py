"""What the first minutes of current show: batteries that were not filled, and a string that does not fit its list.

Hazard: a dry battery has no acid to carry current: its plates heat and arc inside, in gas. A string with batteries
too many, too few or reversed is charged to volts and charge that are not its own.
Law: within two minutes of the first current, at the voltage limit (0.985 of it) with less than half of the lowest
set-point of the settling time, for `dry_s`: not filled, trip. (No current at all there is `open_string`.) While
current flows, after 0.2 % of C20 has gone in (an unformed plate's volts rise with its first charge, not with time) and
until `first_minutes` after the first current: volts per cell, by the load list's number, outside `least_V_per_cell` and
`most_V_per_cell` for 60 s: hold, the string does not fit.
Defaults: 60 s; half a set-point is far below what a filled string takes at its limit there. in the project's own
simulator a fresh string at 0.02 to 0.25 C20, water of 8 to 28 C, stands at 2.13 to 2.75 V a cell there (at 0.4 C20 it
reaches 2.85 for some 20 s), so 2.0 and 2.8 leave a clean one alone. No published source for unformed strings; own
choice, adjustable: the plant's own fresh strings say better.
What it cannot show: one battery missing of 18 (2.02 V at the least), or one too many; two missing show late in the ten
minutes, or not at all where current is changed meanwhile. Batteries are counted by persons.
Reaction: trip, hold.
Clears: the reaction itself ends the comparison; the latch by acknowledge and reset, the hold by order.
"""

from __future__ import annotations

from controller.core.atlimit import asked_low_A, at_limit
from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import RUNNING, Reaction
from controller.core.values import ZERO_A
from controller.core.view import CircuitView

DRY_WITHIN_MS = 120_000
DRY_SHARE = 0.5
COUNT_MS = 60_000.0
RISEN_SHARE = 0.002


def dry(view: CircuitView, active: bool) -> Finding:
    """Return whether a string takes hardly any current at its limit right after its start."""
    if not _begins(view, DRY_WITHIN_MS):
        return CLEAR
    current, stands = view.facts.current_A, at_limit(view)
    if current is None or stands is None:
        return CANNOT_TELL
    limit = DRY_SHARE * asked_low_A(view)
    return Finding(stands and current < limit, current, limit)


def misfit(view: CircuitView, active: bool) -> Finding:
    """Return whether volts per cell are not those of a string with this many cells."""
    limits, run, load = view.settings.laws.voltage, view.state.run, view.state.load
    if run is None or load is None or run.first_ms is None or not _begins(view, limits.first_minutes * 60_000.0):
        return CLEAR
    current, volts = view.facts.current_A, view.facts.voltage_V_per_cell
    if current is None or volts is None:
        return CANNOT_TELL
    if current < ZERO_A or run.counters.charge_Ah < RISEN_SHARE * load.plan.capacity_C20_Ah:
        return CLEAR
    low = volts < limits.least_V_per_cell
    return Finding(
        low or volts > limits.most_V_per_cell, volts, limits.least_V_per_cell if low else limits.most_V_per_cell
    )


def _begins(view: CircuitView, within_ms: float) -> bool:
    """Return whether the run charges, and its first current came no longer ago than that, or is still to come."""
    state, run = view.state, view.state.run
    if state.state is not RUNNING or run is None or state.command.set_current_A <= 0.0:
        return False
    return run.first_ms is None or view.facts.now_ms - run.first_ms <= within_ms


LAWS: tuple[Law[CircuitView], ...] = (
    Law("dry_string", Reaction.TRIP, 2, dry, lambda s: s.laws.open_string.dry_s * 1000.0, readings=2),
    Law("string_count", Reaction.HOLD, 2, misfit, lambda _: COUNT_MS, readings=2),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: the first minutes are over."""
    return not _begins(view, max(DRY_WITHIN_MS, view.settings.laws.voltage.first_minutes * 60_000.0))


FAMILY = Family(LAWS, asleep)
