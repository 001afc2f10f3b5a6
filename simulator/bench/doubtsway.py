"""Doubts about the way: did it start, end, stop, warn, get hot, and by what did its steps end? Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from controller.core.gassing import GASSING_V_PER_CELL
from controller.core.planned import StepKind
from controller.core.types import EventKind, Scalar
from controller.words import Say, refusal_text
from simulator.bench.doubtcase import Case, Doubt
from simulator.bench.moments import h_mm
from simulator.bench.nearness import Near, probe_limits
from simulator.bench.tried import Tried
from simulator.bench.tryout import LONGEST_H

NEAR_K = 1.0
NEAR_LONGEST_H = 0.1
"""A try is given up within a few cycles of the time limit."""
LIMITED_PERCENT = 2.0
"""A share of its time in which a step may stand at its voltage limit without being called constant voltage."""
AT_ONCE_H = 1.0 / 30.0
"""A charge that ends within two minutes by a measured value has charged nothing; own choice."""
SHORT_SHARE = 0.1


def never_started(case: Case) -> Iterator[Doubt]:
    """It never came to its first current."""
    if case.tried.state != "idle":
        return
    last = _refusals(case.tried, ("load", "start"))
    why = refusal_text(last[-1][1], last[-1][2]) if last else "nobody could start it"
    yield Doubt("never_started", f"it never started: {why}")


def never_ended(case: Case) -> Iterator[Doubt]:
    """It began and did not end by its last step."""
    tried = case.tried
    if tried.state in ("complete", "idle"):
        return
    step = tried.steps[-1] if tried.steps else None
    where = f" in step {step.number} ({step.name})" if step is not None else ""
    given_up = tried.state == "running" and tried.hours >= LONGEST_H - NEAR_LONGEST_H
    why = f" after {tried.why.replace('_', ' ')}" if tried.why else ""
    why = f"; given up after {LONGEST_H:g} h" if given_up else why
    yield Doubt(
        "never_ended", f"it never ended: still {tried.state}{where} at {h_mm(tried.hours)}{why}", tried.hours,
        step.number if step is not None else None,
    )  # fmt: skip


def interrupted(case: Case) -> Iterator[Doubt]:
    """The core held or tripped it, and a person had to let it go on; the same cause once, with how often."""
    stops: dict[tuple[str, str], list[float]] = {}
    for one in case.tried.events:
        if one.event.code in ("held", "tripped") and one.event.kind is EventKind.EVENT:
            stops.setdefault((one.event.code, str(one.event.data.get("cause") or "")), []).append(one.hours)
    for (code, cause), hours in stops.items():
        often = f", {len(hours)} times until {h_mm(hours[-1])}" if len(hours) > 1 else ""
        why = f": {_cause(case.tried, cause)}" if cause else ""
        yield Doubt(code, f"{code} at {h_mm(hours[0])}{often}{why}; a person has to look and resume", hours[0])


def alarms(case: Case) -> Iterator[Doubt]:
    """What the core warned of on the way, each alarm once, with its first moment."""
    told: set[str] = {"probe_derate"} | {
        str(one.event.data.get("cause")) for one in case.tried.events if one.event.code in ("held", "tripped")
    }
    for one in case.tried.events:
        event = one.event
        if event.kind is not EventKind.ALARM or event.code in told or event.data.get("life") != "new":
            continue
        told.add(event.code)
        when = "before the start" if one.hours < 0.0 else f"at {h_mm(one.hours)}"
        yield Doubt("alarm", f"alarm {when}: {_cause(case.tried, event.code)}", one.hours)


def too_hot(case: Case) -> Iterator[Doubt]:
    """The probe passed its derate, or came closer to it than a kelvin; with what made the heat there."""
    near = _probe(case)
    if near is None:
        return
    derate_C = dict(probe_limits(case.setting, case.tried))["derate"]
    water = f"at {case.water}"
    step = _step_at(case.tried, near.at_h)
    if near.value >= derate_C:
        share = sum((one.end_h - one.begin_h) * one.derated_percent / 100.0 for one in case.tried.steps)
        text = (
            f"{water} hottest {near.value:.1f} C at {h_mm(near.at_h)}, past the derate at {derate_C:.1f}: "
            f"{_heat(case, near.at_h)}; reduced for {h_mm(share)}, {near.limit - near.value:.1f} K to {near.code}"
        )
        yield Doubt("derated", text, near.at_h, step)
    elif derate_C - near.value <= NEAR_K:
        text = f"{water} hottest {near.value:.1f}, {derate_C - near.value:.1f} K to derate: {_heat(case, near.at_h)}"
        yield Doubt("near_derate", text, near.at_h, step)


def ended_otherwise(case: Case) -> Iterator[Doubt]:
    """A step that ran into its longest time, or ended at once by a measured value."""
    for plan, done in case.steps():
        took_h = done.end_h - done.begin_h
        if done.ended_by == "longest time":
            wanted = f" with {done.charge_Ah:.1f} of {plan.ends.charge_Ah:.1f} Ah in" if plan.ends.charge_Ah else ""
            text = f"step {done.number} ({done.name}) ended by its longest time, {h_mm(took_h)}{wanted}"
            yield Doubt("longest_time", text, done.end_h, done.number)
        by_value = done.ended_by in ("voltage", "current", "temperature")
        short = plan.ends.charge_Ah is None or done.charge_Ah < SHORT_SHARE * plan.ends.charge_Ah
        if by_value and took_h < AT_ONCE_H and plan.kind is not StepKind.REST and short:
            text = (
                f"step {done.number} ({done.name}) ended by {done.ended_by} after {3600.0 * took_h:.0f} s with "
                f"{done.charge_Ah:.2f} Ah: its end was met before it had begun"
            )
            yield Doubt("ended_at_once", text, done.end_h, done.number)


def constant_voltage(case: Case) -> Iterator[Doubt]:
    """A step meant for constant current stood at its own voltage limit."""
    for plan, done in case.steps():
        meant = plan.ends.current_A is not None or plan.kind is not StepKind.CHARGE
        if meant or done.limited_percent <= LIMITED_PERCENT:
            continue
        whole_h = (plan.ends.charge_Ah or 0.0) / plan.current_A
        took_h = done.end_h - done.begin_h
        longer = f", {h_mm(took_h)} instead of {h_mm(whole_h)} h" if took_h > whole_h > 0.0 else ""
        text = (
            f"step {done.number} ({done.name}) stood at its own limit of {plan.voltage_V_per_cell:.2f} V/cell for "
            f"{done.limited_percent:.0f} % of its time: constant voltage{longer}"
        )
        yield Doubt("constant_voltage", text, done.begin_h, done.number)


def soak(case: Case) -> Iterator[Doubt]:
    """The start was refused for a while, or came after the longest soak."""
    tried = case.tried
    refused = _refusals(tried, ("start",))
    if refused and tried.state != "idle":
        why = refusal_text(refused[-1][1], refused[-1][2])
        text = f"start refused from {h_mm(refused[0][0])} to 0:00 (soak {h_mm(tried.soak_h)}): {why}"
        yield Doubt("start_refused", text, refused[0][0])
    most_ms = tried.plan.soak_max_ms
    if most_ms is not None and tried.soak_h * 3.6e6 > most_ms:
        yield Doubt("soak_late", f"first current {h_mm(tried.soak_h)} after filling, {h_mm(most_ms / 3.6e6)} at most")


def unseen(case: Case) -> Iterator[Doubt]:
    """A fault was asked for, and the core said nothing of it."""
    faults = case.setting.faults
    if faults and not any(one.event.kind is EventKind.ALARM for one in case.tried.events):
        what = ", ".join(dict.fromkeys(line.name for line in faults))
        yield Doubt("fault_unseen", f"no alarm of this string alone told of {what}: people or its sisters must find it")


def _refusals(tried: Tried, verbs: tuple[str, ...]) -> list[tuple[float, str, Mapping[str, Scalar]]]:
    """Refused orders of these verbs: when, which code, its data."""
    return [
        (one.hours, one.event.code, one.event.data)
        for one in tried.events
        if one.event.kind is EventKind.REFUSAL and one.event.data.get("verb") in verbs
    ]


def _cause(tried: Tried, code: str) -> str:
    """An alarm's cause in the words of the catalogue, with value and limit of its first time."""
    data = next(
        (one.event.data for one in tried.events if one.event.code == code and one.event.kind is EventKind.ALARM), {}
    )
    value, limit = data.get("value"), data.get("limit")
    return (
        Say()
        .alarm(code, value if isinstance(value, float) else None, limit if isinstance(limit, float) else None)
        .cause
    )


def _probe(case: Case) -> Near | None:
    return next((near for near in case.totals.near if near.code in ("derate", "hold", "trip")), None)


def _heat(case: Case, at_h: float) -> str:
    """Where the heat of that moment comes from."""
    course = case.tried.course
    at = int(np.argmin(np.abs(course.of("hours") - at_h)))
    first = next((done for plan, done in case.steps() if plan.kind is StepKind.CHARGE), None)
    if first is None or at_h <= first.end_h:
        return "the soak's own heat; a longer wetting or cooler water"
    if float(course.of("voltage_V_per_cell")[at]) >= GASSING_V_PER_CELL:
        return "gassing; a smaller current from the knee on, or a pause there"
    return "the first charge on top of the soak's heat; a longer wetting or a smaller first current"


def _step_at(tried: Tried, at_h: float) -> int | None:
    return next((step.number for step in tried.steps if step.begin_h <= at_h <= step.end_h), None)
