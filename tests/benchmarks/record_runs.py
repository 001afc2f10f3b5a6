"""How long it takes to list 2,000 runs, and to export 20 runs of 20 hours, beside what everybody else would do.

    python tests/benchmarks/record_runs.py [--short]

Ours and the peer take turns inside each round, each a new process; medians over rounds.
*list*: `formbath runs` beside a process that only parses run.json, summary.json and events.csv of each run with the
standard library, checks no chain and prints nothing. *export*: `formbath export -o x.parquet`, the chain walked, beside
pandas reading the same log.csv files and writing one Parquet file. Exit 1 above 4 and 1.5.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

HERE = Path(__file__).parents[2]
sys.path.insert(0, str(HERE / "tests/records"))

import inventedrun as invented

MOST_LIST, MOST_EXPORT = 4.0, 1.5
LISTED, EXPORTED = 2_000, 20
PEER_LIST = """
import csv, json, sys
from pathlib import Path
for folder in Path(sys.argv[1]).iterdir():
    json.loads((folder / "run.json").read_bytes()), json.loads((folder / "summary.json").read_bytes())
    with (folder / "events.csv").open() as file:
        list(csv.DictReader(file))
"""
PEER_EXPORT = """
import sys
from pathlib import Path
import pandas
parts = [pandas.read_csv(folder / "log.csv", parse_dates=["time_utc"]).assign(run=folder.name)
         for folder in sorted(Path(sys.argv[1]).iterdir())]
pandas.concat(parts).to_parquet(sys.argv[2], compression="zstd")
"""


def took(*words: object) -> float:
    begin = time.perf_counter()
    subprocess.run([sys.executable, *map(str, words)], check=True, capture_output=True)
    return time.perf_counter() - begin


def compare(name: str, ours: list[object], peer: list[object], rounds: int, most: float) -> bool:
    both = [(took(*ours), took(*peer)) for _ in range(rounds)]
    own_s, peer_s = (statistics.median(one[at] for one in both) for at in (0, 1))
    ratio = statistics.median(one / other for one, other in both)
    print(f"{name}: {own_s:.2f} s, peer {peer_s:.2f} s, ratio {ratio:.2f} (at most {most:g})")
    return ratio <= most


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="fewer runs, three rounds")
    short = parser.parse_args().short
    share, rounds = (10, 3) if short else (1, 7)
    listed = LISTED // 4 if short else LISTED
    with tempfile.TemporaryDirectory() as folder:
        many, long, out = Path(folder) / "many", Path(folder) / "long", Path(folder) / "x.parquet"
        start = invented.at("2026-01-01T00:00")
        lines = [invented.event(start, "event", f"step {n}", text="step 2 ends, 96.0 Ah in") for n in range(40)]
        for n in range(listed):
            invented.make(many, f"{start + timedelta(minutes=10 * n):%Y-%m-%dT%H:%M}", events=lines)
        hours = [(n / 360, n / 30) for n in range(7_200)]
        for n in range(max(2, EXPORTED // share)):
            invented.make(long, f"{start + timedelta(days=n):%Y-%m-%dT%H:%M}", hours=hours)
        door = HERE / "formbath.py"
        fast = compare("list", [door, "runs", many], ["-c", PEER_LIST, many], rounds, MOST_LIST)
        ours = [door, "export", long, "-o", out, "--force"]
        written = compare("export", ours, ["-c", PEER_EXPORT, long, out], rounds, MOST_EXPORT)
    return 0 if fast and written else 1


if __name__ == "__main__":
    sys.exit(main())
