"""What the screens are told of a run beside its course and its sisters: plain numbers, once a minute. Pure."""

from __future__ import annotations

from typing import Any

from controller.core.values import ZERO_A
from controller.course import MS_PER_H, Expected, Spread, beyond, late_minutes
from controller.courserules import as_expected, off_mV
from controller.coursetrace import LIKE_SHARE, Look, Minute

MARK_mV, MARK_K, MARK_CHARGE_SHARE = 15.0, 2.0, 0.02
"""From so much beyond the course's range, or off the sisters' median, a value has its mark; own choice."""

DECIMALS = 4


def seen_of(look: Look) -> dict[str, Any]:
    """Return a circuit's part of the snapshot; empty where there is neither a course nor sisters.

    `late_minutes` is negative before its course; `should_percent`: of the course's time, by the clock; a range is
    [low, middle, high]; `sisters`: how many circuits are compared, this one among them; `marks`: 1 above, -1 below.
    """
    own = look.mine.now
    if own is None:
        return {}
    seen = {**_course(look, own), **_sisters(look)}
    marks = {name: mark for name, mark in _marks(look, own).items() if mark}
    return {**seen, "marks": marks} if seen and marks else seen


def _course(look: Look, own: Minute) -> dict[str, Any]:
    point, expected, elapsed_ms = look.point, look.expected, look.mine.elapsed_ms
    if point is None or expected is None:
        return {}
    found: dict[str, Any] = {"percent": _short(point.percent)}
    flows = own.current_A > ZERO_A or (point.current_A is not None and point.current_A.middle <= ZERO_A)
    ranges = {"current_A": point.current_A, "volts": point.volts if flows else None, "probe_C": point.probe_C}
    found["course"] = {name: _range(spread) for name, spread in ranges.items() if spread is not None}
    if elapsed_ms is not None and expected.total_h > 0.0:
        first = look.mine.first_step + 1
        hours = elapsed_ms / MS_PER_H + expected.begins_h.get(first, 0.0)
        found["late_minutes"] = _short(late_minutes(expected, point, elapsed_ms, first))
        found["should_percent"] = _short(min(100.0, 100.0 * hours / expected.total_h))
        found["should_Ah"] = _short(charge_at(expected, hours))
    return found


def charge_at(expected: Expected, hours: float) -> float:
    """Return the charge that the middle of the course has moved so many hours after first current."""
    done_Ah = 0.0
    for number, step in expected.steps.items():
        before_Ah = expected.before_Ah[number]
        if step.kind != "charge" or step.grid != "charge_Ah" or hours < expected.begins_h[number]:
            continue
        last_h, last_Ah = expected.begins_h[number], 0.0
        done_Ah = before_Ah + step.at[-1]
        for at_h, at in zip(step.elapsed_h.middle, step.at, strict=True):
            if at_h is None:
                continue
            if at_h >= hours:
                share = (hours - last_h) / (at_h - last_h) if at_h > last_h else 0.0
                done_Ah = before_Ah + last_Ah + share * (at - last_Ah)
                break
            last_h, last_Ah = at_h, at
    return done_Ah


def _sisters(look: Look) -> dict[str, Any]:
    found = look.compared
    if found is None:
        return {}
    ranges = {"current_A": found.current_A, "volts": found.volts, "probe_C": found.probe_C}
    shown = {name: _range(spread) for name, spread in ranges.items() if spread is not None}
    return {"sisters": found.count, "sister": shown}


def _marks(look: Look, own: Minute) -> dict[str, int]:
    """Return which values are off: the course's range where there is one, else the sisters' median."""
    point, found = look.point, look.compared
    marks: dict[str, int] = {}
    if point is not None and point.current_A is not None:
        marks["current_A"] = _mark(beyond(own.current_A, point.current_A), _like_A(point.current_A))
    elif found is not None:
        marks["current_A"] = _mark(found.own.current_A - found.current_A.middle, _like_A(found.current_A))
    if point is not None and point.volts is not None and as_expected(look):
        marks["volts"] = _mark(1000.0 * beyond(own.volts, point.volts), MARK_mV)
    elif found is not None:
        marks["volts"] = _mark(off_mV(found.own, found.volts, found.warm_volts) or 0.0, MARK_mV)
    if own.probe_C is not None and point is not None and point.probe_C is not None:
        marks["probe_C"] = _mark(beyond(own.probe_C, point.probe_C), MARK_K)
    elif found is not None and found.own.probe_C is not None and found.probe_C is not None:
        marks["probe_C"] = _mark(found.own.probe_C - found.probe_C.middle, MARK_K)
    return {**marks, **_charge_mark(look, own)}


def _charge_mark(look: Look, own: Minute) -> dict[str, int]:
    """Return whether the charge is off what the clock says that it should be."""
    expected, elapsed_ms = look.expected, look.mine.elapsed_ms
    if expected is None or elapsed_ms is None or look.mine.apart:
        return {}
    off_Ah = own.charge_Ah - charge_at(expected, elapsed_ms / MS_PER_H)
    return {"charge_Ah": _mark(off_Ah, MARK_CHARGE_SHARE * expected.total_Ah)}


def _like_A(spread: Spread) -> float:
    return max(ZERO_A, LIKE_SHARE * abs(spread.middle))


def _mark(off: float, limit: float) -> int:
    return 1 if off > limit else -1 if off < -limit else 0


def _range(spread: Spread) -> list[float]:
    return [_short(spread.low), _short(spread.middle), _short(spread.high)]


def _short(number: float) -> float:
    return round(number, DECIMALS)
