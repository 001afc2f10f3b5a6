"""What is remembered of the bath's inputs: trails of water, level and leakage, for laws that look at how they move."""

from __future__ import annotations

from dataclasses import replace

from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.changed import changed
from controller.core.gassing import GASSING_V_PER_CELL
from controller.core.settings import BathSettings
from controller.core.types import RUNNING, Condition, Reaction
from controller.core.values import ZERO_A
from controller.core.view import BathFacts

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
EASED_K = 1.0
"""A valve that begins to open hovers at its temperature: lost flow is forgotten a kelvin lower (own choice)."""

LEL_PERCENT_m3_h_PER_A = 1.05
"""One ampere through one gassing cell gives 0.42 L of hydrogen an hour (EN 62485-3, as quoted), and its lower explosive
limit in air is 4 %: so many per cent of that limit for an ampere-cell in a cubic metre of air an hour."""

SLOWLY = 1.0 / 15.0
"""What a sensor in the duct should show follows the currents within a quarter of an hour (own choice)."""

BASE_A_MINUTE = 1.0 / 1440.0
"""The bath's own leakage resistance is followed over a day: wet and dry shifts, no fault (own choice)."""


def remembered(settings: BathSettings, state: BathState, facts: BathFacts) -> BathState:
    """Return the bath with this cycle's inputs remembered, and a permit ended that gas or time has ended."""
    old = state.inputs if facts.dt_ms >= 0 else Inputs()
    inputs = _contacts(old, facts)
    inputs = _hydrogen(settings, inputs, state, facts)
    inputs = _earth(inputs, facts)
    lost_ms = _flow_lost_ms(settings, inputs, facts)
    if lost_ms != inputs.flow_lost_ms:
        inputs = changed(inputs, flow_lost_ms=lost_ms)
    if inputs.minute_ms is None or facts.now_ms - inputs.minute_ms >= MINUTE_MS:
        inputs = _minute(settings, inputs, state, facts)
    duty = (
        _permit(settings, changed(state, inputs=inputs), facts)
        if state.duty.permit_until_ms is not None
        else state.duty
    )
    if inputs is state.inputs and duty is state.duty:
        return state
    return changed(state, inputs=inputs, duty=duty)


def _contacts(old: Inputs, facts: BathFacts) -> Inputs:
    """Return the contacts as last read, and which of them changed in the last minute."""
    now = (facts.airflow, facts.hood_closed, facts.emergency_stop_ok, facts.level)
    stale = bool(old.changes) and facts.now_ms - old.changes[0][0] > MINUTE_MS
    if now == old.contacts and not stale:
        return old
    before = old.contacts or (None,) * len(now)
    known = tuple(was if reads is None else reads for reads, was in zip(now, before, strict=True))
    changes = [change for change in old.changes if facts.now_ms - change[0] <= MINUTE_MS]
    for index, (reads, was) in enumerate(zip(known, before, strict=True)):
        if was is not None and reads != was:
            changes.append((facts.now_ms, index))
    return changed(old, contacts=known, changes=tuple(changes))


def _hydrogen(settings: BathSettings, old: Inputs, state: BathState, facts: BathFacts) -> Inputs:
    """Return since when hydrogen reads the same; a reading that changes begins anew what should have been seen.

    A sensor may be quicker than what should be seen: what the currents give at that moment counts as seen.
    """
    reads = facts.hydrogen_LEL
    if reads is None or reads == old.hydrogen_LEL:
        return old
    seen = max(old.expected_LEL, _expected_LEL(settings, state, facts))
    return changed(old, hydrogen_LEL=reads, hydrogen_still_ms=facts.now_ms, seen_LEL=seen, rise_LEL=0.0)


def _earth(old: Inputs, facts: BathFacts) -> Inputs:
    """Return the leakage readings of the last minute."""
    reads = facts.earth_ohm_per_V
    if reads is None:
        return old
    kept = tuple(entry for entry in old.earth if facts.now_ms - entry[0] <= MINUTE_MS)
    return changed(old, earth=(*kept, (facts.now_ms, reads)))


def _flow_lost_ms(settings: BathSettings, old: Inputs, facts: BathFacts) -> int | None:
    """Return since when no cooling flow is proved although the water is so warm that its valve must be open."""
    limits, flow, water = settings.laws.flow, facts.flow_L_min, facts.water_C
    if "flow_L_min" not in facts.has or (flow is not None and flow >= limits.least_L_min):
        return None
    if water is None:
        return old.flow_lost_ms
    lost = old.flow_lost_ms
    if water < limits.opens_C + limits.above_K - (EASED_K if lost is not None else 0.0):
        return None
    return facts.now_ms if lost is None else lost


def _minute(settings: BathSettings, old: Inputs, state: BathState, facts: BathFacts) -> Inputs:
    """Return the trails a minute on."""
    given = _expected_LEL(settings, state, facts)
    expected = old.expected_LEL + SLOWLY * (given - old.expected_LEL)
    seen = min(old.seen_LEL, max(expected, given))
    return changed(
        old,
        minute_ms=facts.now_ms,
        water_C=_walked(old.water_C, facts.now_ms, facts.water_C),
        level_mm=_walked(old.level_mm, facts.now_ms, facts.level_mm),
        base_ohm_per_V=_base(settings, old.base_ohm_per_V, facts.earth_ohm_per_V),
        expected_LEL=expected,
        seen_LEL=seen,
        rise_LEL=max(old.rise_LEL, expected - seen),
    )


def _walked(trail: tuple[tuple[int, float], ...], now_ms: int, value: float | None) -> tuple[tuple[int, float], ...]:
    """Return the last hour of a trail with this value behind it, where there is one."""
    kept = tuple(entry for entry in trail if now_ms - entry[0] <= HOUR_MS)
    return kept if value is None else (*kept, (now_ms, value))


def _base(settings: BathSettings, base: float | None, reads: float | None) -> float | None:
    """Return the bath's own leakage resistance after a minute; nothing that looks like a fault draws it down."""
    limits = settings.laws.earth
    if reads is None:
        return base
    if base is None:
        return reads if reads >= limits.warn_ohm_per_V else None
    if reads < base and (reads < limits.warn_ohm_per_V or reads < limits.baseline_share * base):
        return base
    return base + BASE_A_MINUTE * (reads - base)


def _expected_LEL(settings: BathSettings, state: BathState, facts: BathFacts) -> float:
    """Return the hydrogen that the currents of all gassing strings give, where the airflow is known (else zero)."""
    if settings.airflow_m3_h is None:
        return 0.0
    ampere_cells = 0.0
    for each, current, volts in zip(state.circuits, facts.currents_A, facts.volts_per_cell, strict=True):
        load = each.load
        if load is not None and current is not None and volts is not None and volts >= GASSING_V_PER_CELL:
            ampere_cells += max(0.0, current) * load.plan.cells * load.batteries
    return LEL_PERCENT_m3_h_PER_A * ampere_cells / settings.airflow_m3_h


def _permit(settings: BathSettings, state: BathState, facts: BathFacts) -> Duty:
    """Return the duty without a permit whose time is over, or under which gas gathers or may come."""
    duty = state.duty
    aired = facts.airflow is True and not facts.stale and gas_ok(settings, state, facts)
    in_time = duty.permit_until_ms is not None and facts.now_ms < duty.permit_until_ms
    if in_time and aired and not gassing(state, facts):
        return duty
    return replace(duty, permit_until_ms=None, permit_by="")


def holds_the_bath(standing: tuple[Condition, ...]) -> str:
    """Return the first cause that holds or trips the bath beside its open hood, which a permit is for; "" for none."""
    holds = (found.code for found in standing if found.reaction >= Reaction.HOLD and found.code != "hood_open")
    return next(holds, "")


def permit_kept(state: BathState, standing: tuple[Condition, ...]) -> BathState:
    """Return the bath without its permit where anything holds or trips it: what was permitted is another bath."""
    if state.duty.permit_until_ms is None or not holds_the_bath(standing):
        return state
    return changed(state, duty=replace(state.duty, permit_until_ms=None, permit_by=""))


def gassing(state: BathState, facts: BathFacts) -> bool:
    """Return whether any string gasses now; what is not read of a running one counts as gassing."""
    for each, current, volts in zip(state.circuits, facts.currents_A, facts.volts_per_cell, strict=True):
        flows = each.state is RUNNING if current is None else current >= ZERO_A
        if flows and (volts is None or volts >= GASSING_V_PER_CELL):
            return True
    return False


def gas_ok(settings: BathSettings, state: BathState, facts: BathFacts) -> bool:
    """Return whether hydrogen lets current flow: below its warning level, or not measured here.

    A sensor that fell silent counts with its last value, so that gas which was there is not taken for gone; one that
    was never read since the service began knows nothing.
    """
    if "hydrogen_percent_LEL" not in facts.has:
        return True
    reads = facts.hydrogen_LEL if facts.hydrogen_LEL is not None else state.inputs.hydrogen_LEL
    return reads is not None and reads < settings.laws.hydrogen.warn_percent_LEL


def contactors_stay(settings: BathSettings, standing: tuple[Condition, ...]) -> bool:
    """Return whether contactors must not switch: gas may be where they stand."""
    return (
        bool(standing) and not settings.contactors_outside and any(found.code == "hydrogen_trip" for found in standing)
    )
