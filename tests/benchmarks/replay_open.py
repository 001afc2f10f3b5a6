"""How long a replay takes to show a record of 20 h, and to go anywhere in it, beside a peer in the same round.

    python tests/benchmarks/replay_open.py [--short]

72,000 cycles of a second, 7,200 rows. The peer is the way without an index: the same bytes read, every cycle decoded
(as `verify` does before it decides any). Ours: from opening the record to the first snapshot; jumps to places drawn by
a seed, forth and back; and a cold process from its start to the first snapshot on its socket. Medians: seconds of work
in this process, of the wall for the cold one. Exit 1 where opening takes more than half a second or a third of the
peer's time, or the slowest jump more than 0.3 s.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "replay")]

import conftest

from controller.records.reader import read_run
from controller.records.writer import Writer
from controller.replay.clockwork import Clockwork
from controller.replay.serving import Show
from controller.replay.tape import open_tape
from controller.replay.watching import child
from controller.service.client import Connection
from controller.service.protocol import PaceMessage

MOST_OPEN_S, MOST_SEEK_S, MOST_RATIO = 0.5, 0.3, 1 / 3
WHOLE_s, SHORT_s = 72_000, 14_400


def recorded(runs: Path, seconds: int) -> Path:
    """A run of so many seconds: one long charge, a row every ten."""
    hall, writer = conftest.Hall(), Writer()
    hall.long_run(runs, writer, seconds)
    assert writer.close(), writer.trouble
    return hall.record.folder


def timed(do: Callable[[], object], rounds: int, clock: Callable[[], float] = time.process_time) -> float:
    """The median of some rounds, in seconds of work, or of another clock."""
    took = []
    for _ in range(rounds):
        begun_s = clock()
        do()
        took.append(clock() - begun_s)
    return statistics.median(took)


def opened(folder: Path) -> Show:
    """What a replay does up to its first snapshot."""
    tape = open_tape(folder)
    show = Show(tape, Path(tempfile.mkdtemp(dir=folder.parent)), Clockwork(tape.begin_ms, tape.end_ms))
    show.snapshot()
    return show


def decoded(folder: Path) -> int:
    """The peer: all bytes read, every cycle decoded."""
    found = read_run(folder)
    return sum(len(block.cycles) for block in found.cycles.blocks(found.head.codec) if not isinstance(block, str))


def cold(folder: Path) -> None:
    """A process of its own, from its start to its first snapshot."""
    with child(folder, []) as one, Connection(one.socket(), 30.0) as connection:
        connection.snapshot()


def jumps(show: Show, count: int, clock: Callable[[], float] = time.process_time) -> list[float]:
    """Seconds of work of each jump to a place drawn by a seed, the snapshot included."""
    chance, took = random.Random(7), []
    for _ in range(count):
        wish = PaceMessage(id="q", elapsed_s=chance.uniform(0.0, show.tape.length_s))
        begun_s = clock()
        show.seek(wish)
        show.snapshot()
        took.append(clock() - begun_s)
    return took


def main() -> int:
    """Print the figures; return 1 where one is past its bound."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--short", action="store_true", help="4 h instead of 20, fewer rounds; ratio and jumps only")
    short = parser.parse_args().short
    rounds = 3 if short else 7
    with tempfile.TemporaryDirectory() as place:
        folder = recorded(Path(place), SHORT_s if short else WHOLE_s)
        peer_s, ours_s = timed(lambda: decoded(folder), rounds), timed(lambda: opened(folder), rounds)
        show = opened(folder)
        took = jumps(show, 20 if short else 100)
        cold_s = timed(lambda: cold(folder), rounds, time.perf_counter)
    cycles = sum(frame.count for frame in show.tape.frames)
    print(f"{cycles} cycles, {len(show.tape.log.lines)} rows")
    print(f"open to first snapshot {ours_s:.3f} s, peer decodes all in {peer_s:.3f} s: {ours_s / peer_s:.3f} of it")
    print(f"jump anywhere: median {statistics.median(took):.3f} s, slowest {max(took):.3f} s")
    print(f"cold process to first snapshot {cold_s:.3f} s")
    slow = ours_s > MOST_OPEN_S and not short
    return 1 if slow or ours_s / peer_s > MOST_RATIO or max(took) > MOST_SEEK_S else 0


if __name__ == "__main__":
    sys.exit(main())
