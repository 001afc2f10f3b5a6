"""Charge, discharge and energy, integrated from every good reading by the trapezoid; gaps are never filled."""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.state import Counters

MS_PER_H = 3_600_000.0


def areas(before: float, now: float, hours: float) -> tuple[float, float]:
    """Return the areas above and below zero of a straight line from `before` to `now` over `hours`, both positive."""
    if before >= 0.0 and now >= 0.0:
        return (before + now) * 0.5 * hours, 0.0
    if before <= 0.0 and now <= 0.0:
        return 0.0, -(before + now) * 0.5 * hours
    zero = before / (before - now)
    first = abs(before) * 0.5 * zero * hours
    second = abs(now) * 0.5 * (1.0 - zero) * hours
    return (first, second) if before > 0.0 else (second, first)


def count(counters: Counters, facts: Facts, stale_ms: int) -> Counters:
    """Return the counters after this cycle.

    Only a reading taken in this cycle counts; it closes a trapezoid that began at the last such reading, if that is
    not older than `stale_ms`. After a gap or a longer silence the next trapezoid begins anew.
    """
    if facts.gap:
        return Counters(counters.charge_Ah, counters.discharge_Ah, counters.energy_Wh, None)
    if not facts.fresh or facts.current_A is None:
        return counters
    current = facts.current_A
    power = current * facts.voltage_V if facts.voltage_V is not None else counters.last_W
    last_ms = counters.last_ms
    if last_ms is None or not 0 <= facts.now_ms - last_ms <= stale_ms:
        return Counters(counters.charge_Ah, counters.discharge_Ah, counters.energy_Wh, facts.now_ms, current, power)
    hours = (facts.now_ms - last_ms) / MS_PER_H
    charge, discharge = areas(counters.last_A, current, hours)
    energy, _ = areas(counters.last_W, power, hours)
    return Counters(
        counters.charge_Ah + charge,
        counters.discharge_Ah + discharge,
        counters.energy_Wh + energy,
        facts.now_ms,
        current,
        power,
    )
