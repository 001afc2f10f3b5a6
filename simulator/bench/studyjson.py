"""A study as one JSON object, and as a table with a row a string."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any

from simulator.bench.grid import Grid
from simulator.bench.quantiles import Estimate, Share
from simulator.bench.study import MOVED, Limit, Study, limits_of
from simulator.bench.studyrow import FLAGS, INPUTS, KEYS

FORMAT = "formbath/study/1"


def as_json(found: Study | Grid) -> str:
    """One object; None where something is missing."""
    body = _study(found) if isinstance(found, Study) else _grid(found)
    return json.dumps({"format": FORMAT, **body}, indent=1, ensure_ascii=True, allow_nan=False) + "\n"


def _grid(grid: Grid) -> dict[str, Any]:
    cells = []
    for index, cell in enumerate(grid.cells):
        values, left = {}, index
        for axis in reversed(grid.axes):
            left, place = divmod(left, len(axis.values))
            values[axis.name] = axis.values[place]
        cells.append({"at": dict(reversed(values.items())), **_study(cell)})
    return {"vary": {axis.name: list(axis.values) for axis in grid.axes}, "cells": cells}


def _study(study: Study) -> dict[str, Any]:
    return {
        "profile": study.plan.name,
        "revision": study.plan.revision,
        "sha256": study.plan.sha256,
        "strings": study.strings,
        "strings_asked": study.asked,
        "seed": study.seed,
        "batteries": study.setting.batteries,
        "water_C": list(study.water_C),
        "air_C": study.setting.air_C,
        "quantiles": {key: _three(study, key) for key in KEYS},
        "shares": {flag: _share(study.share(flag)) for flag in FLAGS},
        "outside": [_outside(study, each) for each in limits_of(study.plan)],
        "causes": {flag: study.by_law(flag) for flag in ("derated", "held", "tripped")},
        "moved_by": {
            key: [{"input": each.input, "rank_correlation": each.correlation} for each in study.moved_by(key)]
            for key in MOVED
        },
        "course": [step.model_dump(mode="json") for step in study.course],
    }


def _outside(study: Study, limit: Limit) -> dict[str, Any]:
    edges = {"low": limit.low, "high": limit.high}
    finite = {name: value if math.isfinite(value) else None for name, value in edges.items()}
    return {"figure": limit.key, **finite, **_share(study.outside(limit))}


def _three(study: Study, key: str) -> dict[str, Any] | None:
    three = study.quantity(key)
    if three is None:
        return None
    parts = {"q5": three.low, "q50": three.middle, "q95": three.high}
    return {"strings": three.count, **{name: _estimate(each) for name, each in parts.items()}}


def _estimate(each: Estimate) -> dict[str, float | None]:
    return {"value": each.value, "low": each.low, "high": each.high}


def _share(share: Share) -> dict[str, Any]:
    return {
        "strings": share.count, "of": share.of, "percent": share.percent,
        "low_percent": share.low, "high_percent": share.high,
    }  # fmt: skip


def strings_csv(study: Study) -> str:
    """A row a string: its figures, what it met with, what was drawn for it; empty where something is missing."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    drawn = [f"drawn_{name.replace(' ', '_').replace(chr(39), '')}" for name in INPUTS]
    writer.writerow(["string", *KEYS, *FLAGS, *drawn])
    for at in range(study.strings):
        figures = ["" if math.isnan(value) else repr(value) for value in study.figures[at].tolist()]
        writer.writerow([
            at + 1, *figures, *(int(flag) for flag in study.flags[at]), *(repr(x) for x in study.inputs[at].tolist()),
        ])  # fmt: skip
    return out.getvalue()


def grid_csv(grid: Grid) -> str:
    """A row a cell: its place, how many strings, each figure's quantiles, the shares."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    marks = ("q5", "q50", "q95")
    heads = [f"{key}_{mark}" for key in KEYS for mark in marks]
    writer.writerow([*(axis.name for axis in grid.axes), "strings", *heads, *(f"{flag}_percent" for flag in FLAGS)])
    for cell in _grid(grid)["cells"]:
        quantiles = cell["quantiles"]
        values = [
            "" if quantiles[key] is None else repr(quantiles[key][mark]["value"]) for key in KEYS for mark in marks
        ]
        shares = [repr(cell["shares"][flag]["percent"]) for flag in FLAGS]
        writer.writerow([*cell["at"].values(), cell["strings"], *values, *shares])
    return out.getvalue()
