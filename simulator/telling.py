"""What the demo says at its end: one entry a circuit, read back from the records it has just written."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from controller.records.errors import RecordError
from controller.records.finding import run_paths
from controller.records.reader import RunFolder, read_run
from simulator.hands import mended

WIDTH = 80
CIRCUITS = 8
OPEN = "open"
PLANNED: dict[str, str] = {
    "A03": "cell shorted",
    "A05": "clamp off",
    "A06": "start refused",
    "A07": "badly cooled",
    "A08": "link lost",
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One circuit's run as its record tells it."""

    circuit: str
    state: str
    duration_s: float
    charge_Ah: float
    energy_Wh: float
    hottest_C: float | None
    planned_Ah: float
    planned_s: float
    alarms: tuple[str, ...]
    said: str


def entries(runs: Path) -> list[Entry]:
    """Return an entry for each run below `runs`, by circuit: whoever unloaded or archived it meanwhile, it was one.

    A record that cannot be read has none: no disk took it, and that was said.
    """
    beside = _bath_rows(runs)
    found = []
    for path in run_paths([runs]):
        with suppress(RecordError):
            found.append(_entry(read_run(path), beside))
    return sorted(found, key=lambda entry: entry.circuit)


def _entry(run: RunFolder, beside: list[dict[str, str]]) -> Entry:
    summary: Mapping[str, Any] = run.summary or {}
    circuit = run.head.circuit
    rows = [dict(zip(run.events.columns, row, strict=False)) for row in run.events.rows]
    told = [*rows, *(row for row in beside if row["target"] == circuit)]  # before its run and after it, too
    raised = tuple(row["code"].removesuffix(":new") for row in told if row["code"].endswith(":new"))
    plan = run.head.load.plan
    planned_s = sum(
        (step.ends.time_ms or 0) / 1000.0
        if step.ends.charge_Ah is None
        else 3600.0 * step.ends.charge_Ah / step.current_A
        for step in plan.steps
    )
    said = _said(circuit, rows, run, _refusals(beside))
    # A run that is still open has no summary: its last row tells how far it came.
    reached: Mapping[str, Any] = summary or {
        "duration_s": _last(run, "elapsed_s"),
        "charge_Ah": _last(run, "charge_Ah"),
        "energy_Wh": _last(run, "energy_Wh"),
        "hottest_C": max((value for value in run.log.numbers("probe_C") if value is not None), default=None),
    }
    return Entry(
        circuit, str(summary.get("state", OPEN)), float(reached.get("duration_s", 0.0)),
        float(reached.get("charge_Ah", 0.0)), float(reached.get("energy_Wh", 0.0)), reached.get("hottest_C"),
        plan.planned_charge_Ah, planned_s, raised, said,
    )  # fmt: skip


def _last(run: RunFolder, column: str) -> float:
    """Return the newest number of a column, 0 where there is none."""
    return next((value for value in reversed(run.log.numbers(column)) if value is not None), 0.0)


def _said(circuit: str, rows: list[dict[str, str]], run: RunFolder, refused: dict[str, str]) -> str:
    """Return what happened in words, from the events."""
    if circuit in refused:
        return refused[circuit]
    what = []
    for row in rows:
        at, code = clock(float(row["elapsed_s"] or 0.0)), row["code"]
        if code == "open_string:new":
            what.append(f"clamp off {at}, tripped at {_charge_at(run, row['elapsed_s']):.1f} Ah")
        elif code == "accepted" and " by " in row["text"] and row["text"].split()[0] in ("block", "unblock", "reset"):
            what.append({"block": "blocked", "unblock": "unblocked", "reset": "reset"}[row["text"].split()[0]])
        elif code == "notice" and mended(row["text"]):
            what.append(mended(row["text"]))
        elif code == "accepted" and row["text"].startswith("resume"):
            what.append(f"resumed {at}")
        elif code == "link_lost:new":
            what.append(f"link lost {at}")
        elif code == "resumed_by_rule":
            what.append(f"resumed by rule {at}")
        elif code == "probe_derate:new":
            what.append(f"reduced at {at}, probe {float(row['value']):.1f} C, not held")
    if circuit == "A03":
        what.append("cell shorted")
    return ", ".join(what)


def _charge_at(run: RunFolder, elapsed: str) -> float:
    """Return the charge counted in the last row up to a moment."""
    moment = float(elapsed)
    charges = zip(run.log.numbers("elapsed_s"), run.log.numbers("charge_Ah"), strict=True)
    return max((charge or 0.0 for at, charge in charges if at is not None and at <= moment), default=0.0)


def _bath_rows(runs: Path) -> list[dict[str, str]]:
    """Return every row of the bath's own events."""
    found: list[dict[str, str]] = []
    for path in sorted(runs.glob("*/events-*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            found += csv.DictReader(file)
    return found


def _refusals(rows: list[dict[str, str]]) -> dict[str, str]:
    """Return the starts refused for their string volts: by circuit, what is said of it, and whether hands mended it."""
    found: dict[str, str] = {}
    for row in rows:
        circuit = row["target"]
        if row["code"] == "string_volts":
            found[circuit] = f"start refused, {row['value']} V at 0 A: a formed battery reversed"
        elif row["code"] == "notice" and circuit in found and mended(row["text"]) == "battery replaced":
            found[circuit] += "; replaced"
    return found


def bath_alarms(runs: Path, found: list[Entry]) -> list[str]:
    """Return the alarms of the bath itself, and of circuits without a run; none is planned."""
    circuits = {entry.circuit for entry in found}
    return [
        f"{row['target']}: alarm {row['code'].removesuffix(':new')}"
        for row in _bath_rows(runs)
        if row["code"].endswith(":new") and row["target"] not in circuits
    ]


def surprises(found: list[Entry]) -> list[str]:
    """Return what the records say otherwise than planned."""
    wrong = [f"{entry.circuit}: {entry.state}" for entry in found if entry.state != "complete"]
    wanted = {"A03": {"cells_missing"}, "A05": {"open_string"}, "A07": {"probe_derate"}, "A08": {"link_lost"}}
    for entry in found:
        alarms = set(entry.alarms)
        if alarms != wanted.get(entry.circuit, set()):
            wrong.append(f"{entry.circuit}: alarms {', '.join(sorted(alarms)) or 'none'}")
    if len(found) != CIRCUITS:
        wrong.append(f"{len(found)} runs, {CIRCUITS} expected")
    return wrong


def lines(found: list[Entry], wrong: list[str], seed: int, folder: Path) -> list[str]:
    """Return the closing lines of a demo that was played to its end."""
    out = _lines_of_all(found, seed)
    if wrong:
        out += ["NOT as planned:", *(f"  {what}" for what in wrong)]
    end = "NOT all as planned" if wrong else "faults as planned"
    return [*out, f"{_complete(found)} of {len(found)} complete, {end}. Next: formbath verify {folder}/*A0*"]


def lines_left(found: list[Entry], seed: int, folder: Path, elapsed_s: float | None) -> list[str]:
    """Return the closing lines of a demo that a person left before its end, or took over (`elapsed_s` None)."""
    how = "a person gave the orders" if elapsed_s is None else f"left at {clock(elapsed_s)} of plant time"
    out = [*_lines_of_all(found, seed), f"{how}, {_complete(found)} of {max(len(found), CIRCUITS)} complete"]
    return [*out, f"Next: formbath verify {folder}/*A0*"] if found else out


def _lines_of_all(found: list[Entry], seed: int) -> list[str]:
    out = [f"DEMO, virtual plant, seed {seed}"]
    for entry in found:
        out += _wrapped(
            f"{entry.circuit} {entry.state} {clock(entry.duration_s)} {entry.charge_Ah:.1f} Ah "
            f"{entry.energy_Wh / 1000.0:5.1f} kWh  hottest {entry.hottest_C or 0.0:.1f} C  {_verdict(entry)}"
        )
    return out


def _complete(found: list[Entry]) -> int:
    return sum(entry.state == "complete" for entry in found)


def _verdict(entry: Entry) -> str:
    if entry.state != "complete":
        share = 100.0 * entry.charge_Ah / entry.planned_Ah
        return ", ".join([f"{share:.0f} % of its charge", *([entry.said] if entry.said else [])])
    late_s = entry.duration_s - entry.planned_s
    late = f"; {clock(late_s)} late" if late_s >= 600.0 else ""
    if entry.circuit in PLANNED:
        return f"planned: {entry.said}{late}"
    return f"as written{late}" if not entry.alarms else f"alarms: {', '.join(entry.alarms)}{late}"


def _wrapped(text: str) -> list[str]:
    """Return a text in lines of 80 columns, the later ones set in."""
    out, line = [], ""
    for word in text.split(" "):
        if len(line) + len(word) + 1 > WIDTH and line.strip():
            out.append(line.rstrip())
            line = "   "
        line += word if not line else f" {word}"
    return [*out, line.rstrip()]


def clock(seconds: float) -> str:
    """Return hours and minutes."""
    minutes = int(seconds // 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def as_json(found: list[Entry], wrong: list[str], seed: int) -> str:
    """Return the demo's result as one object."""
    content = {
        "format": "formbath/demo/1",
        "seed": seed,
        "as_planned": not wrong,
        "surprises": wrong,
        "circuits": [asdict(entry) for entry in found],
    }
    return json.dumps(content)
