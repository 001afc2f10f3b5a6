"""What one cycle's inputs let the core believe of a bath, and what moves with time alone: purge, after-run."""

from __future__ import annotations

from operator import attrgetter

from controller.core.bathstate import BathState
from controller.core.changed import changed, made
from controller.core.sensors import each_C, hottest_C, part_lost, sensed
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import RUNNING, BathIn, BathReading, ChannelReading, Value
from controller.core.values import ZERO_A, any_read, flag, number
from controller.core.view import BathFacts

OPTIONAL = (
    "hood_closed",
    "flow_L_min",
    "level",
    "level_mm",
    "hydrogen_percent_LEL",
    "contactors",
    "earth_ohm_per_V",
    "heard_button",
)
OPTIONAL_VALUES = attrgetter(*OPTIONAL)
"""What a reading says of each of them."""

MOST_CIRCUITS = 64


def bath_facts(settings: BathSettings, state: BathState, given: BathIn) -> BathFacts:
    """Turn the bath's inputs into facts; what is stale or missing is None.

    `state.water` has seen this cycle's sensors already (`with_water`).
    """
    stale_ms, bath = settings.stale_ms, given.bath
    airflow, stop = flag(bath.airflow, stale_ms), flag(bath.emergency_stop_ok, stale_ms)
    hood = flag(bath.hood_closed, stale_ms)
    hood_unread = bath.hood_closed is not None and hood is None
    dt_ms = given.now_ms - state.now_ms
    fresh = bath.airflow.age_ms == 0 and airflow is not None
    optional = OPTIONAL_VALUES(bath)
    pairs = list(zip(state.circuits, given.channels, strict=True))
    return made(
        BathFacts,
        now_ms=given.now_ms,
        dt_ms=dt_ms,
        gap=dt_ms > stale_ms or dt_ms < 0,
        fresh=fresh,
        stale=airflow is None or stop is None or hood_unread,
        water_C=hottest_C(state.water, bath.water_C, stale_ms),
        airflow=airflow,
        hood_closed=hood,
        emergency_stop_ok=stop,
        has=frozenset([name for name, value in zip(OPTIONAL, optional, strict=True) if value is not None]),
        flow_L_min=number(bath.flow_L_min, stale_ms),
        level=number(bath.level, stale_ms),
        level_mm=number(bath.level_mm, stale_ms),
        hydrogen_LEL=number(bath.hydrogen_percent_LEL, stale_ms),
        earth_ohm_per_V=number(bath.earth_ohm_per_V, stale_ms),
        heard=flag(bath.heard_button, stale_ms),
        currents_A=tuple([number(reading.current_A, stale_ms) for reading in given.channels]),
        hots_C=tuple([hottest_C(each.probes, reading.probes, stale_ms) for each, reading in pairs]),
        volts_per_cell=tuple([_per_cell(each, reading, stale_ms) for each, reading in pairs]),
        contactors=_contactors(bath, stale_ms, len(given.channels)),
        record_left_ms=given.record_left_ms,
        overdue=given.overdue,
        waters_C=each_C(state.water, bath.water_C, stale_ms),
        probe_parts=tuple([part_lost(each.probes, reading.probes, stale_ms) for each, reading in pairs]),
        any_read=fresh or any_read((bath.emergency_stop_ok, *bath.water_C, *optional), stale_ms),
        record_age_ms=given.record_age_ms,
        record_space_h=given.record_space_h,
        record_space_unknown=given.record_space_unknown,
    )


def _per_cell(each: CircuitState, reading: ChannelReading, stale_ms: int) -> float | None:
    """Return a string's volts per cell, or None where they, or what stands there, are not known."""
    load = each.load
    volts = None if load is None else number(reading.voltage_V, stale_ms)
    return None if volts is None or load is None else volts / (load.plan.cells * load.batteries)


def _contactors(bath: BathReading, stale_ms: int, circuits: int) -> tuple[bool | None, ...]:
    """Return for each circuit whether its contactor reads as closed: bit n-1 is the n-th circuit's."""
    found = number(bath.contactors, stale_ms)
    if found is None or not 0.0 <= found < 2.0**MOST_CIRCUITS:
        return (None,) * circuits
    bits = int(found)
    return tuple(bool(bits >> index & 1) for index in range(circuits))


def with_water(settings: BathSettings, state: BathState, values: tuple[Value, ...], now_ms: int) -> BathState:
    """Let each water sensor's memory see this cycle's reading."""
    water = sensed(state.water, values, settings.stale_ms, now_ms)
    return state if water is state.water else changed(state, water=water)


def timed(state: BathState, facts: BathFacts) -> BathState:
    """Move the purge's clock and the moment of the last current; a break of any kind starts the purge anew."""
    sound = facts.hood_closed is not False and not facts.stale and facts.airflow and facts.emergency_stop_ok
    air_ms = state.air_since_ms
    if not sound:
        air_ms = None
    elif air_ms is None or facts.gap:
        air_ms = facts.now_ms
    flows = any(current is not None and not -ZERO_A < current < ZERO_A for current in facts.currents_A)
    current_ms = facts.now_ms if flows else state.current_ms
    if air_ms == state.air_since_ms and current_ms == state.current_ms:
        return state
    return changed(state, air_since_ms=air_ms, current_ms=current_ms)


def after_run(settings: BathSettings, state: BathState, facts: BathFacts) -> bool:
    """Return whether gas may still leave cells: not long after the last current, or while a battery is still warm."""
    if state.current_ms is None:
        return False
    if facts.now_ms - state.current_ms < settings.after_run_ms:
        return True
    return any(hot is not None and hot > settings.after_run_probe_C for hot in facts.hots_C)


def purge_left_ms(settings: BathSettings, state: BathState, now_ms: int) -> int:
    """Return how long air must still be proved before current may flow."""
    if state.air_since_ms is None:
        return settings.purge_ms
    return max(0, settings.purge_ms - (now_ms - state.air_since_ms))


def stand_ins(facts: BathFacts) -> tuple[float | None, ...]:
    """Return for each circuit without a valid probe the water plus its sisters' median rise; None elsewhere."""
    if facts.water_C is None or None not in facts.hots_C:
        return (None,) * len(facts.hots_C)
    rises = sorted(hot - facts.water_C for hot in facts.hots_C if hot is not None)
    rise = max(0.0, rises[len(rises) // 2]) if rises else 0.0
    return tuple(facts.water_C + rise if hot is None else None for hot in facts.hots_C)


def sisters_K(state: BathState) -> float | None:
    """Return how far the running circuits' probes moved in the last half hour, by their median, or None.

    One that did not move at all is no witness: it may be the frozen one.
    """
    moved = [each.moved_K for each in state.circuits if each.moved_K and each.state is RUNNING]
    return sorted(moved)[(len(moved) - 1) // 2] if moved else None
