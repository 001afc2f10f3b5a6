"""What the keys of a profile must hold together. Works on plain data, so that one wrong key hides no other fault."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from profiles.locator import KeyPath
from profiles.plainwords import Finding, number, tables

HIGHEST_C20 = 0.40
MOST_STEPS = 500
_CURRENTS = ("current_A", "current_C20")
_CHARGES = ("charge_Ah", "charge_C20")
# Keys of a step by its kind, beside those that any step may have.
_ANY = {"name", "kind"}
_TIMED = _ANY | {"end", "longest_hours", "on_overrun"} | {
    "resume_within_minutes", "add_charge_percent_per_hour", "restart_current_C20", "restart_minutes"
}  # fmt: skip
_KEYS = {
    "charge": _TIMED | {*_CURRENTS, "voltage_limit_V_per_cell", "ramp_minutes"},
    "discharge": _TIMED | {*_CURRENTS, "voltage_floor_V_per_cell", "ramp_minutes"},
    "rest": _TIMED | {"task", "refill_density"},
    "repeat": _ANY | {"times", "step"},
}
_ENDS = {
    "charge": {"hours", *_CHARGES, "voltage_V_per_cell", *_CURRENTS, "temperature_C", "steady", "order"},
    "discharge": {"hours", *_CHARGES, "voltage_V_per_cell", *_CURRENTS, "temperature_C", "order"},
    "rest": {"hours", "temperature_C", "order"},
}
_KNOWN_KEYS = set().union(*_KEYS.values())
_KNOWN_ENDS = _ENDS["charge"]


def profile_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """Every fault among the keys of a profile's data."""
    yield from _table_order(data)
    steps = tables(data, "step")
    if isinstance(data.get("step"), list | tuple) and not steps:
        yield Finding(("step",), "holds no step, write at least one [[step]]")
    capacity_Ah = number(data.get("battery"), "capacity_C20_Ah")
    limits = data.get("limits")
    for index, step in enumerate(steps):
        yield from _step(("step", index), step, capacity_Ah, limits)
    unrolled = sum(_count(step) for step in steps)
    if unrolled > MOST_STEPS:
        yield Finding(("step",), f"{unrolled} steps after all repeats, {MOST_STEPS} are the most")
    yield from _readings(data, steps)


def _count(step: Mapping[str, Any]) -> int:
    if step.get("kind") != "repeat":
        return 1
    return int(number(step, "times") or 1) * max(1, len(tables(step, "step")))


def _table_order(data: Mapping[str, Any]) -> Iterator[Finding]:
    shortest, longest = number(data.get("soak"), "minutes_min"), number(data.get("soak"), "minutes_max")
    if shortest is not None and longest is not None and longest < shortest:
        yield Finding(("soak", "minutes_max"), f"{longest:g} is below minutes_min, write {shortest:g} or more")
    bath = data.get("bath")
    water = bath.get("water_C") if isinstance(bath, Mapping) else None
    if isinstance(water, list | tuple) and len(water) == 2:
        pair = dict(zip("ab", water, strict=True))
        coldest, hottest = number(pair, "a"), number(pair, "b")
        if coldest is not None and hottest is not None and coldest >= hottest:
            yield Finding(("bath", "water_C"), "the hottest water is not above the coldest, write [coldest, hottest]")


def _step(
    path: KeyPath, step: Mapping[str, Any], capacity_Ah: float | None, limits: Any, nested: bool = False
) -> Iterator[Finding]:
    kind = step.get("kind")
    if not isinstance(kind, str) or kind not in _KEYS:
        return
    for key in step:
        if key in _KNOWN_KEYS and key not in _KEYS[kind]:
            yield Finding((*path, key), f"a {kind} step has no {key}, leave it out")
    if kind == "repeat":
        yield from _repeat(path, step, capacity_Ah, limits, nested)
        return
    if kind != "rest":
        yield from _current(path, step, capacity_Ah)
        yield from _voltage(path, step, kind, limits)
    yield from _end(path, step, kind, capacity_Ah)
    if kind == "rest":
        yield from _task(path, step)


def _repeat(
    path: KeyPath, step: Mapping[str, Any], capacity_Ah: float | None, limits: Any, nested: bool
) -> Iterator[Finding]:
    if nested:
        yield Finding((*path, "kind"), "a repeat stands in a repeat, write its steps out: two levels are the most")
        return
    if "times" not in step:
        yield Finding((*path, "times"), "missing, write how often, as in times = 10")
    if not tables(step, "step"):
        yield Finding((*path, "step"), "missing, write the repeated steps as [[step.step]]")
    for index, inner in enumerate(tables(step, "step")):
        yield from _step((*path, "step", index), inner, capacity_Ah, limits, nested=True)


def _current(path: KeyPath, step: Mapping[str, Any], capacity_Ah: float | None) -> Iterator[Finding]:
    given = [key for key in _CURRENTS if key in step]
    if not given:
        yield Finding((*path, "current_A"), "missing, write current_A = amperes or current_C20 = amperes per Ah of C20")
    elif len(given) == 2:
        yield Finding((*path, "current_C20"), "current_A and current_C20 are both given, write one of them")
    amperes = number(step, "current_A")
    if amperes is not None and capacity_Ah and amperes > HIGHEST_C20 * capacity_Ah:
        most = HIGHEST_C20 * capacity_Ah
        yield Finding((*path, "current_A"), f"{amperes:g} A is above {HIGHEST_C20:g} x C20, write {most:g} or less")


def _voltage(path: KeyPath, step: Mapping[str, Any], kind: str, limits: Any) -> Iterator[Finding]:
    key = "voltage_limit_V_per_cell" if kind == "charge" else "voltage_floor_V_per_cell"
    volts, ends = number(step, key), number(step.get("end"), "voltage_V_per_cell")
    if key not in step:
        yield Finding((*path, key), f"missing, a {kind} step needs it: write {key} = a number from 1 to 3")
    if volts is None:
        return
    trip = number(limits, "voltage_V_per_cell")
    if kind == "charge" and trip is not None and volts >= trip:
        yield Finding((*path, key), f"{volts:g} is not below limits.voltage_V_per_cell, write less than {trip:g}")
    place = (*path, "end", "voltage_V_per_cell")
    if ends is not None and kind == "charge" and ends > volts:
        yield Finding(place, f"{ends:g} is above the step's limit, write {volts:g} or less")
    if ends is not None and kind == "discharge" and ends < volts:
        yield Finding(place, f"{ends:g} is below the step's floor, write {volts:g} or more")


def _end(path: KeyPath, step: Mapping[str, Any], kind: str, capacity_Ah: float | None) -> Iterator[Finding]:
    end = step.get("end")
    if end is None:
        yield Finding((*path, "end"), "missing, write what ends the step, as in end = { hours = 0.5 }")
        return
    if not isinstance(end, Mapping):
        return
    by_order = end.get("order") is True
    ends = {key for key in end if key in _KNOWN_ENDS and (key != "order" or by_order)}
    if not ends:
        yield Finding((*path, "end"), "nothing ends this step, write one of " + ", ".join(sorted(_ENDS[kind])))
    for key in sorted(ends - _ENDS[kind]):
        yield Finding((*path, "end", key), f"a {kind} step cannot end by {key}, write {', '.join(sorted(_ENDS[kind]))}")
    for pair in (_CHARGES, _CURRENTS):
        if ends.issuperset(pair):
            yield Finding((*path, "end", pair[1]), f"{pair[0]} and {pair[1]} are both given, write one of them")
    yield from _longest(path, step, ends, by_order)
    if "longest_hours" in step and not by_order:
        hours, longest = number(end, "hours"), number(step, "longest_hours")
        if hours is not None and longest is not None and longest < hours:
            yield Finding((*path, "longest_hours"), f"{longest:g} is below end.hours, write {hours:g} or more")
    flowing, fallen = _amperes(step, capacity_Ah), _amperes(end, capacity_Ah)
    if kind != "rest" and flowing is not None and fallen is not None and fallen >= flowing:
        key = next(key for key in _CURRENTS if key in end)
        yield Finding((*path, "end", key), "is not below the step's own current and would end it at once, write less")


def _longest(path: KeyPath, step: Mapping[str, Any], ends: set[str], by_order: bool) -> Iterator[Finding]:
    if by_order and "hours" in ends and "longest_hours" in step:
        yield Finding((*path, "longest_hours"), "hours beside order is already the longest time, write one of them")
    if ends and "longest_hours" not in step and not ends.intersection(("hours", *_CHARGES)):
        yield Finding(
            (*path, "longest_hours"), "missing, write the longest time: neither hours nor charge end this step"
        )


def _amperes(table: Mapping[str, Any], capacity_Ah: float | None) -> float | None:
    amperes, rate = number(table, "current_A"), number(table, "current_C20")
    if amperes is not None:
        return amperes
    return rate * capacity_Ah if rate is not None and capacity_Ah else None


def _task(path: KeyPath, step: Mapping[str, Any]) -> Iterator[Finding]:
    if "task" not in step:
        if "refill_density" in step:
            yield Finding((*path, "refill_density"), 'stands without its task, write task = "dump, refill ..." too')
        return
    if step.get("on_overrun") in ("next", "slow"):
        yield Finding((*path, "on_overrun"), 'a task step always waits for its people, write "hold" or leave it out')
    end = step.get("end")
    if isinstance(end, Mapping) and end.get("order") is not True:
        yield Finding((*path, "end", "order"), "missing, a task ends when a person says so: write order = true")


def _readings(data: Mapping[str, Any], steps: list[Mapping[str, Any]]) -> Iterator[Finding]:
    names = [str(one.get("name")) for step in steps for one in (step, *tables(step, "step"))]
    for index, reading in enumerate(tables(data, "reading")):
        after = reading.get("after_step")
        if isinstance(after, str) and after not in names:
            known = ", ".join(f'"{name}"' for name in dict.fromkeys(names))
            yield Finding(("reading", index, "after_step"), f'no step is named "{after}", write one of {known}')
        batteries = reading.get("batteries")
        if isinstance(batteries, list | tuple):
            if not batteries:
                yield Finding(("reading", index, "batteries"), "names no battery, write positions such as [1, 9, 18]")
            if len(set(map(repr, batteries))) != len(batteries):
                yield Finding(("reading", index, "batteries"), "names a battery twice, write each once")
