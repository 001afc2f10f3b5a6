"""What keeping the record costs: a durable commit of 40 circuits' rows beside the bare loop, and the writer's own time.

    python tests/benchmarks/record_write.py [--short] [--folder FOLDER]

Commit: rows of 40 circuits become text, get their chain values and go to the disk of FOLDER, until the writer says that
they are safe. The peer is the least that can be done for the same: the ready bytes of the same rows appended to the
same number of files beside them, one after the other, each with its fdatasync. Both take turns inside each round; the
figure is the median of the rounds' ratios. Time: what the writer's threads take of one core while 40 circuits cycle
once a second and log each 10 s, all of it paced by hand, so that nothing of it is waiting. Exit 1 where a commit takes
more than 1.3 times the bare loop, or the writer more than 1 % of a core.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from controller.core.types import Value
from controller.records.logrow import log_row
from controller.records.run import RunRecord
from controller.records.writer import Writer

CIRCUITS, LOG_CYCLES, PERIOD_ms = 40, 10, 1_000
MOST_OF_PEER, MOST_percent = 1.3, 1.0


def kit_of() -> ModuleType:
    """The record tests' own run: the real core on a toy string."""
    spec = importlib.util.spec_from_file_location("recordkit", ROOT / "tests" / "records" / "realrun.py")
    assert spec is not None
    assert spec.loader is not None
    kit = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(kit)
    return kit


class Hall:
    """So many circuits with open records; each cycle of the core is recorded for all of them."""

    def __init__(self, kit: ModuleType, folder: Path, writer: Writer) -> None:
        self._kit = kit
        self.loop: Any = kit.Loop(1e9)
        self.loop.cycle(self.loop.start_order())
        self.records = [
            RunRecord.create(folder, kit.start_of(self.loop.now_ms, 1e9, f"K{number}"), writer)
            for number in range(CIRCUITS)
        ]

    def cycle(self, *, logs: bool) -> list[Any]:
        """Record one cycle of every circuit; return the row that each logged."""
        made = self.loop.cycle()
        cin, _, command, after = made
        utc_ms = self._kit.UTC_MS + self.loop.now_ms
        row = log_row(utc_ms, cin, command, after, 3_000)
        for record in self.records:
            record.add_cycle(*made)
            if logs:
                record.add_log(row)
        return [row] * CIRCUITS

    def rows(self) -> list[Any]:
        """One row for each circuit, no two alike."""
        cin, _, command, after = self.loop.cycle()
        utc_ms = self._kit.UTC_MS + self.loop.now_ms
        readings = [
            replace(cin.reading, voltage_V=Value(248.4 + 0.1 * number), current_A=Value(14.9 + 0.01 * number))
            for number in range(CIRCUITS)
        ]
        return [log_row(utc_ms, _read(cin, reading), command, after, 3_000) for reading in readings]


def _read(cin: Any, reading: Any) -> Any:
    return replace(cin, reading=reading)


class Bare:
    """The peer: files and their descriptors."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._fds = [
            os.open(folder / f"{number}.csv", os.O_WRONLY | os.O_CREAT | os.O_APPEND) for number in range(CIRCUITS)
        ]

    def commit(self, rows: list[bytes]) -> float:
        """Append and sync each; return the seconds."""
        begin_s = time.perf_counter()
        for fd, row in zip(self._fds, rows, strict=True):
            os.write(fd, row)
            os.fdatasync(fd)
        return time.perf_counter() - begin_s


def commits(folder: Path, count: int) -> Iterator[tuple[float, float]]:
    """Each round: our seconds for a commit of a row of each circuit, and the peer's."""
    kit = kit_of()
    # The thread goes round when it is asked to, so that no second of its own falls into a measured one.
    writer = Writer(period_s=3_600.0)
    writer.start()
    hall = Hall(kit, folder / "ours", writer)
    bare = Bare(folder / "bare")
    assert writer.flush()
    for number in range(count + 3):
        rows = hall.rows()
        ready = [record_bytes(row, kit) for row in rows]
        begin_s = time.perf_counter()
        for record, row in zip(hall.records, rows, strict=True):
            record.add_log(row)
        assert writer.flush(), writer.trouble
        ours_s = time.perf_counter() - begin_s
        theirs_s = bare.commit(ready)
        if number >= 3:  # the first ones open files
            yield ours_s, theirs_s
    writer.close()


def record_bytes(row: Any, kit: ModuleType) -> bytes:
    """A row's bytes as they stand in log.csv, its chain value replaced by as many letters."""
    from controller.records.rows import log_text

    return f"{log_text(row, 0)},{'0' * 16}\n".encode()


def busy_s(writer: Writer) -> float:
    """Processor seconds of the writer's threads."""
    idents = [thread.ident for thread in writer.threads]
    return sum(time.clock_gettime(time.pthread_getcpuclockid(ident)) for ident in idents if ident is not None)


def share(folder: Path, cycles: int) -> float:
    """Per cent of one core that the writer's threads take at a cycle a second."""
    writer = Writer(period_s=3_600.0)
    writer.start()
    hall = Hall(kit_of(), folder / "share", writer)
    for number in range(20):
        hall.cycle(logs=number % LOG_CYCLES == 0)
        assert writer.flush()
    before_s = busy_s(writer)
    for number in range(cycles):
        hall.cycle(logs=number % LOG_CYCLES == 0)
        assert writer.flush(), writer.trouble
    took_s = busy_s(writer) - before_s
    writer.close()
    return 100.0 * took_s / (cycles * PERIOD_ms / 1_000.0)


def main() -> int:
    """Print the figures; return 1 where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="fewer rounds")
    parser.add_argument("--folder", type=Path, help="on the disk to be measured (default: the temporary folder)")
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores present")
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        found = list(commits(Path(name), 30 if options.short else 300))
        percent = share(Path(name), 400 if options.short else 1_500)
    ours_ms, peer_ms = (1e3 * statistics.median(each) for each in zip(*found, strict=True))
    ratio = statistics.median(ours_s / theirs_s for ours_s, theirs_s in found)
    print(f"a durable commit of {CIRCUITS} circuits' rows: {ours_ms:.2f} ms; the bare loop: {peer_ms:.2f} ms")
    print(f"the whole way takes {ratio:.2f} of the bare loop (at most {MOST_OF_PEER})")
    print(f"the writer takes {percent:.2f} % of one core (at most {MOST_percent})")
    return int(ratio > MOST_OF_PEER or percent > MOST_percent)


if __name__ == "__main__":
    sys.exit(main())
