"""A virtual plant on the real clock whose faults are put in and taken out by lines on standard input.

    python plant.py BATH.toml [SOAKED_MIN]        then lines such as:  + A02 open_clamp    - A02 open_clamp

It is the plant that `formbath simulate` serves; only the hand on its faults is another one. Each line is answered with
`done LINE`.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from controller.bathfile import load_bath
from controller.service.clock import RealClock, Ticker
from simulator.faults import parse_fault_line
from simulator.stage import Setting, Stage

TICK_MS = 100


async def serve(path: Path, soaked_min: float) -> None:
    """Serve the plant until standard input ends."""
    bath = load_bath(path)
    stage = Stage(bath, Setting(soaked_s=soaked_min * 60.0))
    addresses = {}
    for name, link in bath.file.link.items():
        host, _, port = str(link.tcp).rpartition(":")
        addresses[name] = (host, int(port))
    await stage.open(addresses)
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    listening = asyncio.create_task(_listen(stage, reader))
    ticker = Ticker(RealClock(TICK_MS))
    _say("plant runs")
    while not listening.done():
        await stage.advance(await ticker.passed_s())
    await listening
    await stage.close()


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


async def _listen(stage: Stage, reader: asyncio.StreamReader) -> None:
    while said := (await reader.readline()).decode().strip():
        line = parse_fault_line(said[1:])
        if said.startswith("+"):
            stage.plant.inject(line)
        else:
            stage.plant.clear(line)
        _say(f"done {said}")


if __name__ == "__main__":
    asyncio.run(serve(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 60.0))
