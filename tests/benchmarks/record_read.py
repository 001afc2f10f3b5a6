"""How long it takes to read a record of 20 hours, a row a second, beside what everybody else would do.

    python tests/benchmarks/record_read.py [--short]

Three figures, ours and the peer taking turns inside each round, medians over rounds:
*cold*: a new process opens the record, walks the chain of 72,000 rows and has all 15 columns typed; the peer is a new
process that imports pandas and reads the same file (no chain). *chain*: the walk alone, in pieces as files are read,
beside the shortest loop that hashlib allows. *whole*: `read_run`, all tables with their rows as texts, beside that loop
and csv.reader on the same bytes. A process of its own is timed by the clock, what runs in this one by its processor
time. Exit 1 above 0.6, 1.3 and 1.5.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from controller.core.types import LOST, Value
from controller.records.chain import link, start
from controller.records.reader import read_run
from controller.records.rows import EVENT_HEADER, LOG_HEADER, EventRow, LogRow, event_text, log_text
from controller.records.stream import first_wrong

ROWS = 72_000
EVENTS = 2_000
UTC_MS = 1_773_640_800_000
MOST_COLD, MOST_CHAIN, MOST_WHOLE = 0.6, 1.3, 1.5
RUN_JSON = b'{"format": "formbath/run/1"}\n'
OURS = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from controller.records.place import place_of
from controller.records.typed import read_log
log = read_log(place_of(Path(sys.argv[1])))
assert (log.rows, log.sound_rows, log.problems) == (72_000, 72_000, ())
"""
PEER = """
import sys
import pandas
table = pandas.read_csv(sys.argv[1] + "/log.csv")
assert table.shape == (72_000, 15)
"""


def make(folder: Path) -> None:
    """A record as the writer writes it, of a circuit on charge: noisy readings, a probe lost now and then."""
    chance = random.Random(7)
    (folder / "run.json").write_bytes(RUN_JSON)
    rows = (log_text(row_at(second, chance), 0) for second in range(ROWS))
    write(folder / "log.csv", LOG_HEADER, rows)
    events = (
        event_text(EventRow(UTC_MS + at, at, f"o{at}", "alarm", "probe_warn:new", "A07", text='hot, says "anna"'), 0)
        for at in range(0, EVENTS * 1000, 1000)
    )
    write(folder / "events.csv", EVENT_HEADER, events)


def row_at(second: int, chance: random.Random) -> LogRow:
    """One row of the log."""
    probe = LOST if chance.random() < 0.02 else Value(40.0 + chance.gauss(0.0, 0.1))
    return LogRow(
        UTC_MS + second * 1000, second * 1000, 1 + second // 9000, "running" if second % 20_000 > 100 else "held", 15.0,
        Value(15.0 + chance.gauss(0.0, 0.02)), Value(290.0 + chance.gauss(0.0, 2.0)),
        Value(31.2 + chance.gauss(0.0, 0.1)), probe, second * 0.004, 0.0, second * 1.2,
    )  # fmt: skip


def write(path: Path, header: str, rows) -> None:
    """A chained table."""
    chain, lines = start(header, RUN_JSON), [header]
    for text in rows:
        chain = link(chain, text)
        lines.append(f"{text},{chain}")
    path.write_text("\n".join(lines) + "\n")


def seconds(do: Callable[[], object], clock: Callable[[], float]) -> float:
    """How long it takes."""
    begin = clock()
    do()
    return clock() - begin


def cold(script: str, folder: Path) -> Callable[[], object]:
    """A process that does it from the beginning."""
    line = [sys.executable, "-c", script, str(folder), str(Path(__file__).parents[2])]
    return lambda: subprocess.run(line, check=True, env={**os.environ, "PYTHONDONTWRITEBYTECODE": ""})


def walked(lines: list[bytes], value: str) -> None:
    """Our walk; a piece of a file has some 8,000 rows."""
    for at in range(0, len(lines), 8_000):
        piece = lines[at : at + 8_000]
        if first_wrong(piece, value) != len(piece):
            raise RuntimeError("the chain does not hold")
        value = piece[-1][-16:].decode()


def bare(lines: list[bytes], value: bytes) -> bytes:
    """The shortest loop that walks the chain."""
    for line in lines:
        value = sha256(value + line[:-17]).hexdigest()[:16].encode()
    return value


def naive(folder: Path) -> None:
    """What reading needs at the least: every byte, the chain, the cells."""
    for name, header in (("log.csv", LOG_HEADER), ("events.csv", EVENT_HEADER)):
        lines = (folder / name).read_bytes().split(b"\n")[1:-1]
        bare(lines, start(header, RUN_JSON).encode())
        list(csv.reader(line.decode() for line in lines))


def whole(folder: Path) -> None:
    """What `read_run` gives, the rows taken."""
    run = read_run(folder)
    if run.log.problems or len(run.log.rows) != ROWS or len(run.events.rows) != EVENTS:
        raise RuntimeError("the record does not read")


def compared(
    what: str, ours: Callable[[], object], peer: Callable[[], object], rounds: int, most: float,
    clock: Callable[[], float] = time.process_time,
) -> list[str]:  # fmt: skip
    """Take turns, print, and say what is too slow."""
    seconds(ours, clock), seconds(peer, clock)
    pairs = [(seconds(ours, clock), seconds(peer, clock)) for _ in range(rounds)]
    ratio = statistics.median(a / b for a, b in pairs)
    mine_ms, other_ms = (1000.0 * statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"{what}: {mine_ms:.0f} ms, the peer {other_ms:.0f} ms, ratio {ratio:.2f}, at most {most}")
    return [] if ratio <= most else [f"{what}: too slow"]


def main() -> int:
    """Measure, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="fewer rounds")
    rounds = 5 if parser.parse_args().short else 15
    print(f"{ROWS} rows, {os.cpu_count()} cores")
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        make(folder)
        if importlib.util.find_spec("pandas") is None:
            print("cold: pandas is not installed, not compared")
        else:
            wrong += compared("cold", cold(OURS, folder), cold(PEER, folder), rounds, MOST_COLD, time.perf_counter)
        lines = (folder / "log.csv").read_bytes().split(b"\n")[1:-1]
        begin = start(LOG_HEADER, RUN_JSON)
        walk, loop = lambda: walked(lines, begin), lambda: bare(lines, begin.encode())
        wrong += compared("chain", walk, loop, rounds, MOST_CHAIN)
        wrong += compared("whole", lambda: whole(folder), lambda: naive(folder), rounds, MOST_WHOLE)
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
