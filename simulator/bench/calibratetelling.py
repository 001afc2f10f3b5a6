"""What a calibration says: the table for people, the object for programs, the model that it writes. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from profiles.problems import clean
from simulator.bench.calibratecourse import Course
from simulator.bench.calibratedata import LoggedRun
from simulator.bench.calibratefit import OFFSET_K, OFFSET_V, Fit, Left, Told
from simulator.modelfile import Amount, Model, shown

FORMAT = "formbath/calibrate/1"
WIDTH = 79
Z_95 = 1.96
UNITS: Mapping[str, str] = {
    "water_W_K": "W/K at 60 Ah",
    "paste_Ah": "Ah/Ah, both plates",
    "gas_A": "A/Ah",
    "sulfate_most": "share",
    "sulfate": "share",
    "skin_ohm": "ohm Ah",
}
NEEDS: Mapping[str, str] = {
    "water_W_K": "a run with the probe's warmth in the first charge and its decay in the rest behind it",
    "paste_Ah": "a run past the knee (2.40 V a cell)",
    "gas_A": "a run that ends at two gassing currents, an hour each",
    "sulfate_most": "the probe from filling on, densities at the end of the soak and in mid-run",
    "sulfate": "densities at filling, at the end of the soak, in mid-run, at the knee and at the end",
    "skin_ohm": "rows every 10 s in the first half hour of current",
}
BLIND = (
    "Voltage cannot tell k_slow_h of the positive and use: a torn-down plate or a C20 test does; they keep their base "
    "values here."
)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: a parameter's base and found value with its standard error."""

    name: str
    base: tuple[float, ...]
    found: tuple[float, ...] | None
    error: tuple[float, ...] | None
    told: Told


def table(base: Model, fit: Fit) -> list[Row]:
    """The parameters in the order in which they are found."""
    rows = []
    for told in fit.told:
        values = _numbers(getattr(base.parameters, told.name))
        if told.error is None or fit.refusal:
            rows.append(Row(told.name, values, None, None, told))
            continue
        found = tuple(told.factor * value for value in values)
        rows.append(Row(told.name, values, found, tuple(told.error * value for value in found), told))
    return rows


def found_model(base: Model, fit: Fit, runs: Sequence[LoggedRun]) -> Model:
    """The base with what was found put in, and its standard errors."""
    values: dict[str, Any] = {}
    errors: dict[str, Amount] = dict(base.errors)
    for row in table(base, fit):
        if row.found is not None and row.error is not None:
            pair = len(row.found) == 2
            values[row.name] = tuple(_rounded(row.found)) if pair else _rounded(row.found)[0]
            errors[row.name] = (_rounded(row.error)[0], _rounded(row.error)[1]) if pair else _rounded(row.error)[0]
    names = tuple(run.name for run in runs)
    note = f"formbath calibrate; {fit_note(fit)}"
    return Model(replace(base.parameters, **values), errors, names, note)


def fit_note(fit: Fit) -> str:
    """What was left, in one short line."""
    return "left: " + ", ".join(
        f"{text} {kind}"
        for kind, text in (("voltage", _mV(fit.volts)), ("probe", _K(fit.probe)), ("density", _kg_L(fit.density)))
    )


def lines(base: Model, fit: Fit, runs: Sequence[LoggedRun], courses: Sequence[Course], air_C: float) -> list[str]:
    """All of it for a terminal of 80 columns."""
    told = [
        f"{len(runs)} run{'s' if len(runs) > 1 else ''} of {runs[0].size}, {runs[0].batteries} batteries in the first"
    ]
    told += ["", f"{'parameter':<13}{'base':>15}{'found':>16}{'+-':>21}  verdict"]
    for row in table(base, fit):
        told += _table_lines(row, refused=bool(fit.refusal))
    told += ["", *_left_lines(fit)]
    if not fit.refusal:
        told += _sure_lines(fit)
    told += ["", *_folded("Taken: " + _taken(runs, courses, air_C)), *_next_lines(fit)]
    return told


def _table_lines(row: Row, *, refused: bool) -> list[str]:
    verdict = "refused" if refused else "kept" if row.told.why else f"{100.0 * (row.told.factor - 1.0):+.1f} %"
    found = "-" if row.found is None else shown(row.found)
    error = "-" if row.error is None else shown([float(f"{one:.2g}") for one in row.error])
    told = [f"{row.name:<13}{shown(row.base):>15}{found:>16}{error:>21}  {verdict}"]
    return told if refused or not row.told.why else [*told, f"    {row.told.why}"]


def _left_lines(fit: Fit) -> list[str]:
    rows = [
        ("voltage", _mV(fit.volts), fit.volts.points),
        ("probe", _K(fit.probe), fit.probe.points),
        ("density", _kg_L(fit.density), fit.density.points),
    ]
    told = [f"left: {name:<9}{text:>14}  root mean square of {count} points" for name, text, count in rows]
    return [*told, *_folded(f"REFUSED: the fit {fit.refusal}")] if fit.refusal else told


def _sure_lines(fit: Fit) -> list[str]:
    told = [
        f"+- is one standard error: of 100 runs 95 have the true value within {Z_95} of them, if the model is right."
    ]
    alike = [f"{one} and {two} {r:+.2f}" for one, two, r in fit.pairs[:3] if abs(r) > 0.3]
    if alike:
        told.append("Correlated most: " + ", ".join(alike) + ".")
    by_probe = _shifts({each.name: each.by_probe for each in fit.told if each.error is not None})
    by_volts = _shifts({each.name: each.by_volts for each in fit.told if each.error is not None})
    shifts = []
    if by_probe:
        shifts.append(f"a probe that shows {OFFSET_K:g} K too much moves {by_probe}")
    if by_volts:
        shifts.append(f"a voltmeter that shows {OFFSET_V * 1000.0:g} mV a cell too much {by_volts}")
    if shifts:
        told.append("Not in +-: " + "; ".join(shifts) + ".")
    return [one for text in told for one in _folded(text)]


def _shifts(by: Mapping[str, float]) -> str:
    large = sorted((name for name in by if abs(by[name]) >= 0.005), key=lambda name: -abs(by[name]))
    return ", ".join(f"{name} by {100.0 * by[name]:+.1f} %" for name in large[:3])


def _taken(runs: Sequence[LoggedRun], courses: Sequence[Course], air_C: float) -> str:
    parts = [
        "one battery for a string (water_W_K: the one with the probe)",
        f"air {air_C:g} C",
        "bath during the soak as in its first row",
    ]
    gap_s = sum(course.gap_s for course in courses)
    if gap_s:
        parts.append(f"no current in {gap_s / 60.0:.1f} min without a good reading of it")
    readings = [reading for run in runs for reading in run.densities]
    if readings:
        parts.append(f"{len(readings)} densities as brought to {readings[0].reference_C:g} C")
    parts += [f"{clean(run.name, 60)}: {clean(note, 200)}" for run in runs for note in run.notes]
    return "; ".join(parts) + "."


def _next_lines(fit: Fit) -> list[str]:
    wanted = [f"{each.name} wants {NEEDS[each.name]}" for each in fit.told if each.why and not fit.refusal]
    texts = [*([f"Next: {'; '.join(wanted)}."] if wanted else []), BLIND]
    if fit.refusal:
        texts = ["Next: look at the record for a fault, a wrong filling or another type; try a run without one."]
    return [one for text in texts for one in _folded(text)]


def as_plain(
    base: Model, fit: Fit, runs: Sequence[LoggedRun], courses: Sequence[Course], air_C: float
) -> dict[str, Any]:
    """The same for `--json`."""
    return {
        "format": FORMAT,
        "runs": [
            {"name": run.name, "soak_h": run.soak_s / 3600.0, "densities": len(run.densities), "gap_s": course.gap_s,
             "notes": list(run.notes)}
            for run, course in zip(runs, courses, strict=True)
        ],
        "battery": {
            "type": runs[0].battery_type or None, "cells": runs[0].cells, "capacity_C20_Ah": runs[0].capacity_C20_Ah,
        },
        "air_C": air_C,
        "refused": fit.refusal or None,
        "parameters": {row.name: _row_plain(row) for row in table(base, fit)},
        "left": {
            "voltage_mV_per_cell": _scaled(fit.volts, 1000.0), "voltage_points": fit.volts.points,
            "probe_K": fit.probe.rms, "probe_points": fit.probe.points,
            "density_kg_L": fit.density.rms, "density_points": fit.density.points,
        },
        "offsets": {"probe_K": OFFSET_K, "voltage_mV_per_cell": OFFSET_V * 1000.0},
        "correlations": [{"between": [one, two], "value": r} for one, two, r in fit.pairs],
        "not_visible_in_voltage": ["k_slow_h of the positive", "use"],
    }  # fmt: skip


def _row_plain(row: Row) -> dict[str, Any]:
    return {
        "unit": UNITS[row.name],
        "base": _single(row.base),
        "found": _single(row.found),
        "standard_error": _single(row.error),
        "kept_because": row.told.why or None,
        "moved_percent_by_probe_offset": 100.0 * row.told.by_probe if row.found else None,
        "moved_percent_by_voltage_offset": 100.0 * row.told.by_volts if row.found else None,
    }


def _single(values: Sequence[float] | None) -> float | list[float] | None:
    if values is None:
        return None
    return list(values) if len(values) > 1 else values[0]


def _numbers(value: Amount) -> tuple[float, ...]:
    return value if isinstance(value, tuple) else (value,)


def _rounded(values: Sequence[float]) -> list[float]:
    """Seven digits: more than any run tells, few enough to read."""
    return [float(f"{value:.7g}") for value in values]


def _scaled(left: Left, by: float) -> float | None:
    return None if left.rms is None else left.rms * by


def _mV(left: Left) -> str:
    return "-" if left.rms is None else f"{left.rms * 1000.0:.1f} mV/cell"


def _K(left: Left) -> str:
    return "-" if left.rms is None else f"{left.rms:.2f} K"


def _kg_L(left: Left) -> str:
    return "-" if left.rms is None else f"{left.rms:.4f} kg/L"


def _folded(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)
