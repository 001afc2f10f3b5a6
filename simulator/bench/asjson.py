"""A dry run as one JSON object: units in the keys, null for what is missing."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from profiles.problems import Problem, clean
from simulator.bench.compare import Comparison
from simulator.bench.dry import Dry
from simulator.bench.figures import RECTIFIER_EFFICIENCY, Totals
from simulator.bench.tried import StepDone

FORMAT = "formbath/dryrun/1"


def as_json(dries: Sequence[Dry], comparison: Comparison | None, code: int) -> str:
    """One object: `runs` (one, or two to compare, the first one the old), `comparison` (null for one), `exit`."""
    return _text({
        "format": FORMAT,
        "exit": code,
        "runs": [run_json(dry) for dry in dries],
        "comparison": None if comparison is None else comparison_json(comparison),
        "problems": [],
    })  # fmt: skip


def problems_json(problems: Sequence[Problem], code: int) -> str:
    """The same form where the input is wrong: no runs, and what is wrong."""
    return _text({
        "format": FORMAT,
        "exit": code,
        "runs": [],
        "comparison": None,
        "problems": [
            {"file": clean(one.file), "line": one.line, "key": clean(one.key) or None, "what": clean(one.what, 600)}
            for one in problems
        ],
    })  # fmt: skip


def run_json(dry: Dry) -> dict[str, Any]:
    """One dry run."""
    setting, plan = dry.asked.setting, dry.tried.plan
    return {
        "profile": {"name": plan.name, "revision": plan.revision, "sha256": plan.sha256, "file": clean(dry.asked.name)},
        "setting": {
            "batteries": setting.batteries,
            "water_C": setting.water_C,
            "air_C": setting.air_C,
            "circuits": setting.circuits,
            "bath": None if setting.bath is None else setting.bath.file.name,
            "faults": [str(line) for line in setting.faults],
            "start": None if dry.asked.start is None else dry.asked.start.after(0.0),
            "rectifier_efficiency_percent": 100.0 * RECTIFIER_EFFICIENCY,
        },
        "verdict": str(dry.verdict),
        "state": dry.tried.state,
        "why": dry.tried.why or None,
        "soak_h": dry.tried.soak_h,
        "soak_C": dry.tried.soak_C,
        "steps": [step_json(step) for step in dry.tried.steps],
        "totals": totals_json(dry.totals),
        "warnings": [asdict(doubt) for doubt in dry.doubts],
        "events": [
            {"at_h": one.hours, "code": one.event.code, "kind": one.event.kind.value, "data": dict(one.event.data)}
            for one in dry.tried.events
        ],
    }


def step_json(step: StepDone) -> dict[str, Any]:
    """One step."""
    return {**asdict(step), "ended_by": step.ended_by or None}


def totals_json(totals: Totals) -> dict[str, Any]:
    """All figures."""
    found = asdict(totals)
    found["density_kg_L"] = found.pop("density")
    for name, unit in (("highest", "V_per_cell"), ("hottest", "C"), ("cooling", "kW")):
        peak = found.pop(name)
        found[f"{name}_{unit}"], found[f"{name}_at_h"] = peak["value"], peak["at_h"]
    return found


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """The differences of two runs."""
    return {
        "settings": [asdict(one) for one in comparison.changes],
        "figures": [{**asdict(one), "gained": one.gained} for one in comparison.figures],
    }


def _text(found: Mapping[str, Any]) -> str:
    return json.dumps(_plain(found), indent=2, ensure_ascii=True, allow_nan=False)


def _plain(value: Any) -> Any:
    """Numbers that are none as null, and numbers short enough to read: nine digits say all that is known."""
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None
    return value
