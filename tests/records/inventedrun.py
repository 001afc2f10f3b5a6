"""Small invented records, written by README.txt's recipe and nothing of ours, with figures one can add up by hand."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

from controller.records.sealed import sealed
from controller.records.statefile import BATH_LOST, state_before_seal

LOG = (
    "time_utc,elapsed_s,step,state,set_current_A,current_A,voltage_V,bath_C,probe_C,charge_Ah,discharge_Ah,energy_Wh,"
    "allowed_percent,quality,chain"
)
EVENTS = "time_utc,elapsed_s,id,kind,code,target,who,role,priority,value,limit,unit,text,chain"
BATTERIES = "position,batch,pallet,serial,ocv_V,ocv_age_h,density,density_C,level,outcome,reason,text,chain"
STEPS = [
    {"current_A": 10.0, "ends": {"charge_Ah": 20.0, "time_ms": None}},
    {"current_A": 0.0, "ends": {"charge_Ah": None, "time_ms": 3_600_000}},
    {"current_A": 10.0, "ends": {"charge_Ah": 10.0, "time_ms": None}},
]
"""Planned: 2 h, 1 h, 1 h."""
HOURS = ((0, 0.0), (1, 10.0), (2, 20.0), (3, 20.0), (4, 30.0))
"""Elapsed hours and Ah in: current in three of the four hours."""


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def utc(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def chained(header: str, rows: list[str], run_json: bytes = b"") -> bytes:
    """A table by the recipe in README.txt; `rows` without their chain value."""
    value = sha256(run_json + header.encode()).hexdigest()[:16]
    lines = [header]
    for row in rows:
        value = sha256((value + row).encode()).hexdigest()[:16]
        lines.append(f"{row},{value}")
    return ("\n".join(lines) + "\n").encode()


def event(moment: datetime, kind: str, code: str, target: str = "A01", text: str = "") -> str:
    return f"{utc(moment)},,,{kind},{code},{target},anna,,,,,,{text}"


def orders(runs: Path, bath: str, *rows: str) -> None:
    """The bath's own events of March 2026."""
    (runs / bath).mkdir(parents=True, exist_ok=True)
    (runs / bath / "events-202603.csv").write_bytes(chained(EVENTS, list(rows)))


def state(
    runs: Path, bath: str, opened: dict[str, str], ended: dict[str, str] | None = None, *, before: bool = False
) -> None:
    """What a bath's service keeps of its runs; `before`: one whose folder bears no mark that can be asked for."""
    (runs / bath).mkdir(parents=True, exist_ok=True)
    content = {"open_runs": opened, "ended_runs": ended or {}, **({} if before else {BATH_LOST: 0})}
    (runs / bath / "state.json").write_bytes(sealed(state_before_seal(content)))


def make(
    runs: Path, start: str = "2026-03-16T06:00", *, circuit="A01", bath="A", batch="K1", hours=HOURS, closed=True,
    energy_Wh=9_000.0, batteries=18, profile="starter 60", kind="", end="complete", events=(), outcomes=(),
    load=None, name=None, release=None, steps=STEPS, filled=None, head=None,
) -> Path:  # fmt: skip
    """A record; `hours`: elapsed hours and Ah; `outcomes`: of batteries 1, 2, ...; `load`, `head`: further keys."""
    began = at(start)
    folder = runs / (name or f"{began:%Y%m%dT%H%M%SZ}-{bath}-{circuit}-{batch}")
    folder.mkdir(parents=True)
    content = {
        "format": "formbath/run/1", "core": 4, "start_utc": utc(began), "start_ms": 50_000_000, "hall": "north",
        "bath": bath, "circuit": circuit, "batch": batch, "release": release,
        "load": {"batteries": batteries, "battery_type": kind, **(load or {})},
        "plan": {"name": profile, "revision": 3, "steps": steps}, **(head or {}),
    }  # fmt: skip
    if filled is not None:
        content["load"]["last_filled_ms"] = 50_000_000 - round((began - at(filled)) / timedelta(milliseconds=1))
    run_json = (json.dumps(content, indent=1) + "\n").encode()
    rows = [
        f"{utc(began + timedelta(hours=hour))},{hour * 3600:.3f},1,running,10.000,10.000,250.000,28.00,35.00,"
        f"{charge_Ah:.4f},0.0000,{energy_Wh * hour / max(hours[-1][0], 1):.2f},100.0,"
        for hour, charge_Ah in hours
    ]
    files = {
        "run.json": run_json, "README.txt": b"what each file means\n", "cycles.bin": b"formbath cycles 2\n",
        "log.csv": chained(LOG, rows, run_json), "events.csv": chained(EVENTS, list(events), run_json),
    }  # fmt: skip
    if outcomes:
        lines = [f"{position},{batch},,,12.79,24.0,1.281,25.0,ok,{one},," for position, one in enumerate(outcomes, 1)]
        files["batteries.csv"] = chained(BATTERIES, lines, run_json)
    for file, data in files.items():
        (folder / file).write_bytes(data)
    if closed:
        close(folder, began, hours, energy_Wh, end)
    return folder


def close(folder: Path, began: datetime, hours, energy_Wh: float, end: str) -> None:
    """summary.json of the older form, which has no hash of its own."""
    tables = {file.name: file.read_bytes().split(b"\n") for file in folder.glob("*.csv")}
    summary = {
        "format": "formbath/summary/1", "state": end,
        "verdict": "complete" if end == "complete" else "ended by a person",
        "end_utc": utc(began + timedelta(hours=hours[-1][0])), "duration_s": hours[-1][0] * 3600.0,
        "charge_Ah": hours[-1][1], "discharge_Ah": 0.0, "energy_Wh": energy_Wh,
        "run_json_sha256": sha256((folder / "run.json").read_bytes()).hexdigest(),
        "rows": {name: len(lines) - 2 for name, lines in tables.items()},
        "chain": {name: lines[-2][-16:].decode() for name, lines in tables.items()},
    }  # fmt: skip
    (folder / "summary.json").write_text(json.dumps(summary, indent=1) + "\n")
