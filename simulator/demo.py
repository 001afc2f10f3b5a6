"""The demo: an invented hall with one bath of eight circuits, the real controller on real Modbus, faults on purpose.

Stepped to the end as fast as the machine goes; what it prints comes from the record it has just written.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

import profiles
from controller.bathfile import Bath, load_bath, settings_of
from controller.core.bath import fresh_state
from controller.core.state import BathState
from controller.core.types import State
from controller.field.lines import Field, open_links
from controller.records.rows import parse_time
from controller.records.writer import Writer
from controller.service.clock import SteppedClock
from controller.service.commands import calm_collector
from controller.service.desk import Desk
from controller.service.loop import Parts, Service
from controller.service.people import people_of
from controller.service.places import socket_place
from controller.service.recorder import Recorder
from controller.service.sockets import OrderSocket
from controller.service.start import sources_of, targets_of
from simulator.faults import FaultLine, parse_fault_line
from simulator.script import Act, Script
from simulator.stage import Setting, Stage

START_UTC = "2026-03-16T06:00:00Z"
SEED = 7
FIRST_CURRENT_s = 630.0
PROFILE = Path(profiles.__file__).parent / "library" / "starter-60.toml"
BATH_FILE = Path(__file__).parent / "plants" / "demo-bath.toml"
LONGEST_s = 40 * 3600.0
SETTING = Setting(soaked_s=3_000.0, seed=SEED)

FAULTS = (
    "A07 warm_place 0.45",
    "A03/9 shorted_cell",
    "A06/4 reversed",
    "3:10-3:11 pillar link_off",
    "6:22-6:48 A05 open_clamp",
)


@dataclass
class Hall:
    """The demo put together: stage, service, script."""

    bath: Bath
    stage: Stage
    service: Service
    socket: OrderSocket
    script: Script


def faults() -> tuple[FaultLine, ...]:
    """Return the planned faults."""
    return tuple(parse_fault_line(line) for line in FAULTS)


def acts(stage: Stage, circuits: Sequence[str]) -> list[Act]:
    """Return what the demo's persons do: load, start, replace a battery, remake a clamp."""
    day, mend = "day technician", "maintenance"
    load = {
        "profile": str(PROFILE),
        "batch": "K3107:1-11 K3108:12-18",
        "first_filled_minutes_ago": 58.0,
        "last_filled_minutes_ago": 50.0,
        "continued": False,
    }
    start_s = FIRST_CURRENT_s
    done = [Act(60.0, day, "load", name, load) for name in circuits]
    done += [Act(start_s, day, "start", name, {}, "string_volts" if name == "A06" else "") for name in circuits]
    a06 = list(circuits).index("A06")
    done += [
        Act(start_s + 60, mend, "block", "A06", {}),
        Act(start_s + 900, mend, does=lambda: stage.plant.replace_battery(a06, 4)),
        Act(start_s + 1_200, mend, "unblock", "A06", {}),
        Act(start_s + 1_260, day, "start", "A06", {}),
    ]
    done += [
        Act(22_980 + 240, day, "acknowledge", "A05", {}),
        Act(22_980 + 300, mend, "block", "A05", {}),
        Act(24_600, mend, "unblock", "A05", {}),
        Act(24_660, mend, "reset", "A05", {}),
        Act(24_810, day, "resume", "A05", {}),
        Act(24_870, day, "acknowledge", "A07", {}),
        Act(24_880, day, "acknowledge", "A08", {}),
    ]
    return done


async def build(runs: Path, seed: int) -> Hall:
    """Put the demo together; its records go to `runs`."""
    bath = load_bath(BATH_FILE)
    settings = settings_of(bath)
    stage = Stage(bath, replace(SETTING, seed=seed), faults())
    await stage.open()
    script = Script(acts(stage, [circuit.name for circuit in bath.file.circuit]))
    writer = Writer()
    recorder = Recorder(settings, sources_of(bath), runs, round(bath.file.runs.log_s * 1000), writer, by_count=True)

    async def advance(dt_s: float) -> None:
        await script.play(stage.plant.elapsed_s, lambda: desk.taken)
        await stage.advance(dt_s)

    clock = SteppedClock(settings.period_ms, parse_time(START_UTC), advance)
    desk = Desk(bath.file, clock.last)
    place = socket_place(bath.file.hall, bath.file.name, demo_pid=os.getpid())
    identify = people_of(bath.file, os.getuid()).identify
    socket = OrderSocket(place.path, identify, desk.on_order, targets=targets_of(bath), virtual=True, group=place.group)
    field = Field(bath, open_links(bath, stage.ports))
    service = Service(
        Parts(settings, clock, field, desk, recorder, writer, socket, stepped=True), fresh_state(settings)
    )
    writer.start()
    return Hall(bath, stage, service, socket, script)


def ended(state: BathState) -> bool:
    """Return whether every circuit is complete and at zero, or the demo has lasted too long."""
    if state.now_ms > LONGEST_s * 1000:
        return True
    return all(
        each.state is State.COMPLETE and each.output.value == "off" and each.confirmed for each in state.circuits
    )


async def play(runs: Path, seed: int, err: TextIO) -> list[str]:
    """Play the demo to its end; return what did not go as expected."""
    hall = await build(runs, seed)
    calm_collector()
    parts = hall.service.parts
    socket = hall.socket
    await socket.start()
    await hall.script.attach(socket.path)
    told_h = 0

    def until(state: BathState) -> bool:
        nonlocal told_h
        hours = state.now_ms // 3_600_000
        if hours > told_h and err.isatty():
            told_h = hours
            print(f"\rdemo {hours} h of plant time", end="", file=err, flush=True)
        return ended(state)

    try:
        await hall.service.run(until)
    finally:
        await hall.script.detach()
        parts.desk.refuse_all()
        await socket.close()
        await parts.field.close()
        await hall.stage.close()
        parts.recorder.end_all()
        await asyncio.to_thread(parts.writer.close)
    if told_h:
        print("\r" + " " * 30 + "\r", end="", file=err, flush=True)
    return hall.script.surprises


def new_folder(base: Path) -> Path:
    """Make the next `demo-runs/N` under `base` and return it."""
    root = base / "demo-runs"
    root.mkdir(exist_ok=True)
    taken = [int(path.name) for path in root.iterdir() if path.name.isdigit()]
    folder = root / str(max(taken, default=0) + 1)
    folder.mkdir()
    return folder
