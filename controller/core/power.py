"""What each circuit may draw of the power that the site leaves to the bath.

A circuit's demand is its current without any share, times the larger of its read volts and 2.0 V a cell. Where all that
the bath's circuits may ask for fits under the limit, nobody has a share. Else the limit is shared out: first those in
their first steps, in which unformed plates are harmed by less (who must start soon is among them from its first
current on), then by priority, number 1 first, equals in proportion to their demands; what is left over goes to all in
proportion, so that no step up waits for it. The shares never add up to more than the limit: even those in their first
steps are cut where nothing else is left to cut.

A share falls at once. A circuit that its share held back gets it back by 1 % of its demand a second, and only where the
gain is above 2 %, so that noisy volts do not make it hunt, or where it is served whole while others are cut. One that
is left less than its least current is held by `below_least`. Numbers: own choice; a string's volts follow a change of
current within seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.core import limits
from controller.core.bathstate import BathState
from controller.core.planned import PlanStep, StepKind
from controller.core.sequence import step_of
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, Run
from controller.core.types import BathIn, State
from controller.core.view import BathFacts

LEAST_V_PER_CELL = 2.0
BACK_PER_S = 0.01
DEAD_BAND = 1.02
BOUND = 1.0 - 1e-9
"""A current within rounding of its share was held back by it."""

FIRST_TIER = 0
"""Before every priority, which are counted from 1."""


@dataclass(frozen=True, slots=True)
class Demand:
    """What one circuit wants now (`current_A`), the most it may want in this cycle, its volts, and its turn."""

    current_A: float
    ceiling_A: float
    string_V: float
    tier: int


NOTHING = Demand(0.0, 0.0, 1.0, FIRST_TIER)


def shares(settings: BathSettings, state: BathState, given: BathIn, facts: BathFacts) -> tuple[float | None, ...]:
    """Return each circuit's share in A, in the settings' order; None: no limit."""
    if settings.power_limit_kW is None:
        return (None,) * len(settings.circuits)
    asked = {order.target for order in given.orders if order.verb in ("start", "resume")}
    demands = demands_of(settings, state, facts, asked)
    limit_W = settings.power_limit_kW * 1000.0
    bound = [_bound(each) for each in state.circuits]
    if not any(bound) and sum(each.ceiling_A * each.string_V for each in demands) <= limit_W:
        return (None,) * len(demands)
    targets_W = shared_W(limit_W, demands)
    most = BACK_PER_S * min(max(0, facts.dt_ms), settings.stale_ms) / 1000.0
    cut = sum(each.current_A * each.string_V for each in demands) > limit_W
    return tuple(
        None
        if each.ceiling_A <= 0.0 and _runs(before)
        else _given_back(target_W / each.string_V, each.current_A, before.share_A if held_back else None, most, cut)
        for target_W, each, before, held_back in zip(targets_W, demands, state.circuits, bound, strict=True)
    )


def demands_of(
    settings: BathSettings, state: BathState, facts: BathFacts, asked: frozenset[str] | set[str] = frozenset()
) -> tuple[Demand, ...]:
    """Return what every circuit demands; `asked`: circuits whose order of this cycle may let current flow."""
    percent = state.allowed.percent
    return tuple(
        _demand(own, each, percent, volts, each.name in asked)
        for own, each, volts in zip(settings.circuits, state.circuits, facts.volts_per_cell, strict=True)
    )


def _demand(
    own: CircuitSettings, each: CircuitState, bath_percent: float, volts_per_cell: float | None, asked: bool
) -> Demand:
    """Return one circuit's demand: nothing unless it runs, was ordered to, or may resume by rule."""
    load, run = each.load, each.run
    if load is None:
        return NOTHING
    running = each.state is State.RUNNING and run is not None
    by_rule = run is not None and run.interruption is not None and run.interruption.resumable_by_rule
    if not (running or asked or by_rule):
        return NOTHING
    steps = load.plan.steps
    index = run.step if run is not None and each.state is not State.IDLE else load.first_step
    ceiling = max((_most_A(own, step) for step in steps[index : index + 2]), default=0.0)
    volts = max(volts_per_cell or 0.0, LEAST_V_PER_CELL) * load.plan.cells * load.batteries
    wants = ceiling
    if running and run is not None:
        wants = _wanted_A(own, run, step_of(load.plan, run), min(each.allowed.percent, bath_percent))
    return Demand(wants, ceiling, volts, FIRST_TIER if _first(steps, index) else own.priority)


def _most_A(own: CircuitSettings, step: PlanStep) -> float:
    """Return the most charge current a step may ask for; a discharge draws nothing from the site."""
    return min(step.current_A, own.current_max_A) if step.kind is StepKind.CHARGE else 0.0


def _wanted_A(own: CircuitSettings, run: Run, step: PlanStep, percent: float) -> float:
    """Return the charge current a running step would ask for if it had no share."""
    return limits.set_point_A(own, run, step, None, percent, ()) if step.kind is StepKind.CHARGE else 0.0


def _first(steps: Sequence[PlanStep], index: int) -> bool:
    """Return whether no charge step ends before this one: the string takes its first charge, or will."""
    return not any(step.kind is StepKind.CHARGE for step in steps[:index])


def shared_W(limit_W: float, demands: Sequence[Demand]) -> list[float]:
    """Return what each may draw, in W; together never more than the limit, and all of it where anyone wants any."""
    wanted = [each.current_A * each.string_V for each in demands]
    total = sum(wanted)
    if total <= limit_W:
        return [power * (limit_W / total) if total > 0.0 else 0.0 for power in wanted]
    left = limit_W
    given = [0.0] * len(wanted)
    for tier in sorted({each.tier for each in demands}):
        members = [index for index, each in enumerate(demands) if each.tier == tier]
        sum_W = sum(wanted[index] for index in members)
        part = 1.0 if sum_W <= left else left / sum_W
        for index in members:
            given[index] = wanted[index] * part
        left = max(0.0, left - sum_W)
    return given


def _runs(each: CircuitState) -> bool:
    """Return whether a step is under way; one that draws nothing from the site, nor in its next cycle, has no share."""
    return each.state is State.RUNNING and each.run is not None


def _bound(each: CircuitState) -> bool:
    """Return whether a circuit's current is what its share left of it."""
    flows = each.command.set_current_A
    return each.share_A is not None and flows > 0.0 and flows >= each.share_A * BOUND


def _given_back(target_A: float, wanted_A: float, before_A: float | None, most: float, cut: bool) -> float:
    """Return a share after a cycle; `before_A`: the share that held the circuit back so far (None: none did).

    `most`: by which part of its demand it may rise; `cut`: some circuit of the bath has less than it wants.
    """
    if before_A is None or target_A <= before_A:
        return target_A
    served = cut and target_A >= wanted_A * BOUND
    if target_A < before_A * DEAD_BAND and not served:
        return before_A
    return min(target_A, before_A + most * wanted_A)


def limited(settings: BathSettings, state: BathState, facts: BathFacts) -> float | None:
    """Return the bath's demand in kW where a share holds a circuit back by more than the dead band, else None."""
    if settings.power_limit_kW is None or all(each.share_A is None for each in state.circuits):
        return None
    demands = demands_of(settings, state, facts)
    for each, demand in zip(state.circuits, demands, strict=True):
        if each.share_A is not None and each.share_A * DEAD_BAND < demand.current_A:
            return sum(entry.current_A * entry.string_V for entry in demands) / 1000.0
    return None
