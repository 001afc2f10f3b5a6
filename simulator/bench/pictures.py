"""A dry run as figures: is it on course, where does it gas, how hot does it get; and its course as a table. Pure.

Of two runs the old one is drawn dashed, the new one solid, on the same axes.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence

import numpy as np

from controller.charts.figure import Figure, Line, Panel, Span, limit, mark
from controller.core.planned import Plan, StepKind
from profiles.problems import clean
from simulator.bench.dry import Dry
from simulator.bench.moments import h_mm
from simulator.bench.nearness import probe_limits
from simulator.bench.setting import settings_for
from simulator.bench.tried import COLUMNS, Tried

HOUR_MS = 3.6e6
REST_V_PER_CELL = 2.0
"""What the axis of volts shows at least: a cell near its rest."""
UNREAD_V_PER_CELL = 1.2
"""Volts before a cell first rests, and below this later on (a string that stands open), would squeeze the axis."""
HEADS = {
    "hours": "hours (h)",
    "step": "step",
    "set_A": "asked (A)",
    "current_A": "current (A)",
    "voltage_V": "voltage (V)",
    "voltage_V_per_cell": "voltage (V/cell)",
    "probe_C": "probe (C)",
    "hottest_C": "hottest (C)",
    "water_C": "water (C)",
    "charge_Ah": "charge (Ah)",
    "discharge_Ah": "discharge (Ah)",
    "step_Ah": "moved in step (Ah)",
    "energy_kWh": "energy (kWh)",
    "hydrogen_m3_h": "hydrogen (m3/h)",
    "cooling_kW": "cooling (kW)",
    "allowed_percent": "allowed (%)",
    "limit_V": "limit (V)",
}


def figures_of(dries: Sequence[Dry]) -> list[Figure]:
    """The three figures of one run, or of two on the same axes (the old one first)."""
    new = dries[-1]
    return [
        _figure(dries, "is it on course?", _course_finding(new), [charge_panel(dries)]),
        _figure(dries, "where does it gas?", _gas_finding(new), [current_panel(dries), volts_panel(dries)]),
        _figure(dries, "how hot, how near the limit?", _heat_finding(new), [heat_panel(dries)]),
    ]


def whole_figure(dries: Sequence[Dry]) -> Figure:
    """All panels above each other in one figure."""
    new = dries[-1]
    panels = [charge_panel(dries), current_panel(dries), volts_panel(dries), heat_panel(dries)]
    finding = f"{_course_finding(new)} {_gas_finding(new)} {_heat_finding(new)}"
    return _figure(dries, "course, gassing, heat;", finding, panels)


def _figure(dries: Sequence[Dry], question: str, finding: str, panels: Sequence[Panel]) -> Figure:
    new = dries[-1]
    setting = new.asked.setting
    against = f" against {clean(dries[0].tried.plan.name)} (dashed)" if len(dries) > 1 else ""
    title = (
        f"{clean(new.tried.plan.name)}, revision {new.tried.plan.revision}{against}: {question} "
        f"{setting.batteries} batteries, water {setting.water_C:g} C"
    )
    return Figure(title, finding, "since the start order", "h", panels, tuple(_spans(new.tried)))


def _spans(tried: Tried) -> Iterator[Span]:
    for step in tried.steps:
        if step.end_h > step.begin_h:
            yield Span(f"{step.number} {clean(step.name)}", step.begin_h, step.end_h)


def charge_panel(dries: Sequence[Dry]) -> Panel:
    """Net charge of one run against its plan; of two, one against the other."""
    lines = list(_lines(dries, "net charge", "charge_Ah"))
    if len(dries) == 1:
        hours, charge = planned_course(dries[0].tried.plan)
        lines.append(Line("plan", hours, charge, "course"))
    return Panel("net charge", "Ah", lines, include=(0.0,))


def planned_course(plan: Plan) -> tuple[list[float], list[float]]:
    """Hours and net Ah at the ends of the steps if each went at its whole current; as far as that can be told."""
    hours, charge = [0.0], [0.0]
    for step in plan.steps:
        took_h = None if step.ends.time_ms is None else step.ends.time_ms / HOUR_MS
        if step.ends.charge_Ah is not None and step.current_A > 0.0:
            ramp_h = 0.5 * step.ramp_ms / HOUR_MS
            by_charge_h = step.ends.charge_Ah / step.current_A + ramp_h
            took_h = by_charge_h if took_h is None else min(took_h, by_charge_h)
        if took_h is None:
            break
        sign = {StepKind.CHARGE: 1.0, StepKind.DISCHARGE: -1.0}.get(step.kind, 0.0)
        moved = min(step.current_A * took_h, step.ends.charge_Ah or math.inf)
        hours.append(hours[-1] + took_h)
        charge.append(charge[-1] + sign * moved if sign else charge[-1])
    return hours, charge


def current_panel(dries: Sequence[Dry]) -> Panel:
    """Current."""
    return Panel("current", "A", list(_lines(dries, "current", "current_A")), include=(0.0,))


def volts_panel(dries: Sequence[Dry]) -> Panel:
    """Volts a cell, with the steps' limits and the profile's trip."""
    new = dries[-1]
    lines = list(_lines(dries, "volts", "voltage_V_per_cell"))
    charges = [step for step in new.tried.plan.steps if step.kind is StepKind.CHARGE]
    limits = {step.voltage_V_per_cell for step in charges}
    lines += [limit("limit", value) for value in sorted(limits)]
    trip_V = new.tried.plan.voltage_trip_V_per_cell
    if trip_V is not None:
        lines.append(limit("trip", trip_V))
    from_h = new.totals.gassing_from_h
    if from_h is not None:
        lines.append(mark("gassing", from_h))
    return Panel("voltage", "V/cell", lines, include=(REST_V_PER_CELL,))


def heat_panel(dries: Sequence[Dry]) -> Panel:
    """The hottest battery, the water, and the levels at which the core reduces, holds, trips."""
    new = dries[-1]
    lines = list(_lines(dries, "hottest", "hottest_C"))
    water = new.tried.course
    lines.append(Line("water", water.of("hours").tolist(), water.of("water_C").tolist(), "read"))
    lines += [limit(name, level_C) for name, level_C in probe_limits(new.asked.setting, new.tried)[:2]]
    return Panel("temperature", "C", lines)


def _lines(dries: Sequence[Dry], name: str, column: str) -> Iterator[Line]:
    for number, dry in enumerate(dries):
        course = dry.tried.course
        values = course.of(column)
        if column == "charge_Ah":
            values = values - course.of("discharge_Ah")
        elif column == "voltage_V_per_cell":
            awake = np.maximum.accumulate(values) >= REST_V_PER_CELL
            values = np.where(awake & (values >= UNREAD_V_PER_CELL), values, math.nan)
        last = number == len(dries) - 1
        word = name if len(dries) == 1 else f"{name}, {'new' if last else 'old'}"
        yield Line(word, course.of("hours").tolist(), values.tolist(), "read" if last else "course")


def _course_finding(dry: Dry) -> str:
    totals = dry.totals
    return f"{totals.charge_Ah - totals.discharge_Ah:.1f} Ah net in {h_mm(totals.hours)}, {dry.verdict}."


def _gas_finding(dry: Dry) -> str:
    totals = dry.totals
    peak = f"at most {totals.highest.value:.2f} V/cell at {h_mm(totals.highest.at_h)}."
    return peak if totals.gassing_from_h is None else f"Gassing from {h_mm(totals.gassing_from_h)}, {peak}"


def _heat_finding(dry: Dry) -> str:
    hottest = dry.totals.hottest
    derate_C = settings_for(dry.asked.setting).laws.probe.derate_C
    return f"Hottest {hottest.value:.1f} C at {h_mm(hottest.at_h)}, the derate begins at {derate_C:.1f} C."


def course_csv(dries: Sequence[Dry]) -> str:
    """The course as a table, a row a cycle, missing values empty; of two runs the column `run` tells which."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    runs = ["new"] if len(dries) == 1 else ["old", "new"]
    first = ["run"] if len(dries) > 1 else []
    writer.writerow([*first, *(HEADS[name] for name in COLUMNS)])
    for run, dry in zip(runs, dries, strict=True):
        for row in dry.tried.course.data.T.tolist():
            writer.writerow([*([run] if first else []), *(_cell(value) for value in row)])
    return out.getvalue()


def _cell(value: float) -> str:
    return f"{value:.7g}" if math.isfinite(value) else ""
