"""The demo: an invented hall with one bath of eight circuits, the real controller on real Modbus, faults on purpose.

Headless it is stepped to the end as fast as the machine goes; served, it runs at a pace beside the wall's clock until
whoever started it hangs up. What is printed at the end comes from the record it has just written.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TextIO

from controller.core.bathstate import BathState
from controller.core.types import Event, State
from controller.service.commands import calm_collector
from simulator.hall import Hall, open_hall

SEED = 7
LONGEST_s = 40 * 3600.0
FORMAT = "formbath/demo-end/1"


@dataclass(frozen=True, slots=True)
class End:
    """How a demo ended. `over`, `taken_over`, `written`: as the hall says."""

    elapsed_s: float
    over: bool
    taken_over: bool
    surprises: tuple[str, ...]
    written: bool = True

    def line(self) -> str:
        """Return it as one line of JSON."""
        return json.dumps({"format": FORMAT, **asdict(self)})


def end_of(line: str) -> End | None:
    """Return the end that a line tells of, or None where it is no such line."""
    try:
        data: Any = json.loads(line)
    except ValueError:
        return None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        return None
    said = (bool(data["over"]), bool(data["taken_over"]), tuple(data["surprises"]), bool(data["written"]))
    return End(float(data["elapsed_s"]), *said)


def ended(state: BathState) -> bool:
    """Return whether every circuit is complete and at zero."""
    return all(
        each.state is State.COMPLETE and each.output.value == "off" and each.confirmed for each in state.circuits
    )


async def play(runs: Path, seed: int, err: TextIO) -> End:
    """Play the demo to its end; return how that was, with what did not go as expected."""
    hall = await open_hall(runs, seed, None)
    calm_collector()
    told_h = 0

    def until(state: BathState) -> bool:
        nonlocal told_h
        hours = state.now_ms // 3_600_000
        if hours > told_h and err.isatty():
            told_h = hours
            print(f"\rdemo {hours} h of plant time", end="", file=err, flush=True)
        return ended(state) or state.now_ms > LONGEST_s * 1000

    try:
        await hall.service.run(until)
    finally:
        await hall.close()
    if told_h:
        print("\r" + " " * 30 + "\r", end="", file=err, flush=True)
    return _end_of(hall)


async def serve(runs: Path, seed: int, ratio: float, out: TextIO) -> End:
    """Run the demo at a pace until standard input closes (or SIGTERM); then hold what runs and return how it ended.

    Says the socket's path on `out`, one line, once orders are taken.
    """
    hall = await open_hall(runs, seed, ratio)
    calm_collector()

    def watch(state: BathState) -> bool:
        hall.over = hall.over or ended(state)
        return False

    try:
        print(hall.socket.path, file=out, flush=True)
        leaving = asyncio.create_task(_hung_up(hall))
        try:
            await hall.service.run(watch)
        finally:
            leaving.cancel()
        _tell_end(hall)
    finally:
        await hall.close()
    return _end_of(hall)


def _end_of(hall: Hall) -> End:
    elapsed_s = hall.service.state.now_ms / 1000.0
    return End(elapsed_s, hall.over, hall.taken_over, tuple(hall.script.surprises), hall.written)


async def _hung_up(hall: Hall) -> None:
    """Let the service end in order when the pipe on standard input closes: the other side left, or died."""
    loop = asyncio.get_running_loop()
    asked = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, asked.set)
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    waiting = [asyncio.create_task(_closed(reader)), asyncio.create_task(asked.wait())]
    try:
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in waiting:
            task.cancel()
    hall.end()


async def _closed(reader: asyncio.StreamReader) -> None:
    while await reader.read(4096):
        continue


def _tell_end(hall: Hall) -> None:
    parts = hall.service.parts
    event = Event("service_ended", parts.settings.name, data={"why": "the demo was left"})
    parts.recorder.event(event, parts.clock.last().utc_ms, None)


def new_folder(base: Path) -> Path:
    """Make the next `demo-runs/N` under `base` and return it."""
    root = base / "demo-runs"
    root.mkdir(exist_ok=True)
    taken = [int(path.name) for path in root.iterdir() if path.name.isdigit()]
    folder = root / str(max(taken, default=0) + 1)
    folder.mkdir()
    return folder
