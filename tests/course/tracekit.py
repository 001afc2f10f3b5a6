"""Runs made by hand, minute by minute, for the rules: what each minute shows is a function of its number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from coursekit import closed, small_release

from controller.core.planned import Plan, PlanStep
from controller.course import Expected
from controller.coursetrace import Edge, Look, Minute, Trace, look_of

PLAN = replace(closed().plan_of("starter-60"), sha256="same")
STEP_A = {0: 3.0, 1: 15.0, 3: 12.0, 5: 6.0}
MINUTE_MS = 60_000

Of = Callable[[int], float]


def still(value: float) -> Of:
    """A quantity that does not move."""
    return lambda _: value


_VOLTS, _PROBE = still(2.14), still(42.0)


def minutes_of(
    count: int, *, step: int = 1, volts: Of = _VOLTS, probe_C: Of = _PROBE, current_A: Of | None = None,
    water_C: float = 30.0, charge_Ah: float = 20.0, settled: bool = True, shift: int = 0,
) -> list[Minute]:  # fmt: skip
    """So many minutes of one step, the last one now (`shift` minutes ago); in the middle of it."""
    amps = current_A or still(STEP_A.get(step, 0.0))
    found, progress = [], 10.0
    for at in range(count):
        progress += amps(at) / 60.0 if amps(at) > 0.0 else 1.0
        found.append(
            Minute(
                at_ms=(1000 - count + at + 1 - shift) * MINUTE_MS, step=step, progress=progress,
                charge_Ah=charge_Ah + progress, current_A=amps(at), volts=volts(at), probe_C=probe_C(at),
                water_C=water_C, settled=at if settled else 0, step_minutes=float(at),
            )
        )  # fmt: skip
    return found


def trace(name: str, minutes: Sequence[Minute] = (), edges: Sequence[Edge] = (), **over: object) -> Trace:
    """A running circuit of 18 batteries."""
    fitting = {
        "plan": PLAN, "cells": 108, "apart": False, "first_step": 0, "elapsed_ms": 5 * 3_600_000,
        "minutes": list(minutes), "edges": list(edges),
    }  # fmt: skip
    return Trace(name, **(fitting | over))  # type: ignore[arg-type]


def small_plan() -> Plan:
    """A plan whose steps are those of the small course: 60 Ah at 15 A, a rest, 40 Ah at 10 A."""
    first, rest, second = PLAN.steps[1], PLAN.steps[2], PLAN.steps[3]
    steps: tuple[PlanStep, ...] = (replace(first, number=1), replace(rest, number=2), replace(second, number=3))
    return replace(PLAN, steps=steps, planned_charge_Ah=100.0, sha256=small_release().sha256)


def look(mine: Trace, *others: Trace, expected: Expected | None = None) -> Look:
    """What the rules of `mine` look at now."""
    return look_of(mine, (mine, *others), expected, 1000 * MINUTE_MS)


def edge(ohm: float, from_A: float = 15.0, to_A: float = 0.0, **over: object) -> Edge:
    """A fall of current at the end of a step."""
    fitting = {"at_ms": 900 * MINUTE_MS, "step": 2, "charge_Ah": 97.5} | over
    return Edge(from_A=from_A, to_A=to_A, ohm=ohm, **fitting)  # type: ignore[arg-type]
