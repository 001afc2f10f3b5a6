"""What may flow: the smallest of all limits; derates never multiply, fall at once and rise slowly."""

from __future__ import annotations

from controller.core.planned import REST, Plan, PlanStep, StepKind
from controller.core.settings import CircuitSettings
from controller.core.state import Allowed, Run
from controller.core.types import Condition, Reaction

LEAST_PERCENT = 20.0
"""Allowed at the hold level: a finishing current, at which a battery in a flowing bath cools. Own choice."""

RISE_PERCENT_PER_S = 1.0
EASED_MS = 60_000
"""A derate is given back at 1 % a second, 60 s after its cause eased: a battery's time constant is about 40 min, so a
faster return would hunt. Own choice."""


def curve_percent(value: float | None, derate: float, hold: float) -> float | None:
    """Return the allowed share: 100 % below `derate`, falling linearly to 20 % at `hold`; None if not known."""
    if value is None:
        return None
    if value <= derate:
        return 100.0
    if value >= hold:
        return LEAST_PERCENT
    return 100.0 - (100.0 - LEAST_PERCENT) * (value - derate) / (hold - derate)


def allowed(before: Allowed, wanted: float | None, now_ms: int, dt_ms: int) -> Allowed:
    """Return the allowed share after a cycle of `dt_ms`; a source that is not known (None) raises nothing."""
    if wanted is None or wanted == before.percent:
        return before if before.eased_ms is None else Allowed(before.percent, before.wanted_percent)
    if wanted < before.percent:
        return Allowed(wanted, wanted)
    eased = before.eased_ms if before.eased_ms is not None else now_ms
    if now_ms - eased < EASED_MS:
        return Allowed(before.percent, wanted, eased)
    risen = before.percent + RISE_PERCENT_PER_S * dt_ms / 1000.0
    return Allowed(min(risen, wanted), wanted, eased)


def lowered(before: Allowed, percent: float) -> Allowed:
    """Return the allowed share with another source's derate in it, so that this, too, comes back slowly."""
    return Allowed(percent, percent) if percent < before.percent else before


def smallest_percent(
    percent: float, step: PlanStep | None, standing: tuple[Condition, ...]
) -> tuple[float, str | None]:
    """Return the smallest derate that stands, in percent of the step's current, and its law's code (None: no derate).

    `percent` is the circuit's own temperature derate, which eases for a while after its law let go and is named
    `probe_derate`; a law that asks for the same share is named before it.
    """
    code = "probe_derate" if percent < 100.0 else None
    for condition in standing:
        if condition.reaction is not Reaction.DERATE:
            continue
        share = condition.allowed_percent
        if condition.allowed_A is not None and step is not None and step.current_A > 0.0:
            share = min(share, 100.0 * condition.allowed_A / step.current_A)
        if share < 100.0 and share <= percent:
            percent, code = share, condition.code
    return percent, code


def set_point_A(
    own: CircuitSettings,
    run: Run,
    step: PlanStep,
    share_A: float | None,
    percent: float,
    standing: tuple[Condition, ...],
) -> float:
    """Return the amount of current a running step may ask for; zero where the least current cannot be kept.

    `percent` is the circuit's own temperature derate; `standing` brings the derates of other sources.
    """
    if step.kind is REST:
        return 0.0
    current = step.current_A
    if step.ramp_ms and run.step_time_ms < step.ramp_ms:
        share = run.step_time_ms / step.ramp_ms
        current = run.ramp_from_A + (current - run.ramp_from_A) * share
    if run.slow or run.restart_left_ms > 0:
        current = min(current, step.restart_current_A)
    smallest = percent
    for condition in standing:
        if condition.reaction is Reaction.DERATE:
            smallest = min(smallest, condition.allowed_percent)
            if condition.allowed_A is not None:
                current = min(current, condition.allowed_A)
    if smallest < 100.0:  # x * 100 / 100 is not always x, and a whole current must be whole to the bit
        current = min(current, step.current_A * smallest / 100.0)
    current = min(current, step.current_A, own.current_max_A)
    if share_A is not None and step.kind is StepKind.CHARGE:  # power is shared among those that draw some
        current = min(current, share_A)
    return current if current >= own.current_min_A else 0.0


def no_more_A(asked_A: float, before_A: float) -> float:
    """Return the asked current, no further from zero than before and in no other direction."""
    if before_A >= 0.0:
        return max(0.0, min(asked_A, before_A))
    return min(0.0, max(asked_A, before_A))


def voltage_limit_V(own: CircuitSettings, plan: Plan, step: PlanStep, batteries: int) -> float:
    """Return the string's voltage limit (its floor in a discharge), never above what the circuit may stand at."""
    return max(0.0, min(step.voltage_V_per_cell * plan.cells * batteries, own.voltage_max_V))


def least_lost(own: CircuitSettings, step: PlanStep, asked_A: float) -> bool:
    """Return whether the limits left less than the circuit's least current to a step that wants some."""
    return step.kind is not StepKind.REST and asked_A < own.current_min_A
