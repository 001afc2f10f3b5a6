"""How long a key takes to the screen, what an idle console sends, and what the control cycle loses by it: nothing.

    python tests/benchmarks/console_keys.py [--short]

A virtual bath of 40 circuits and its service on the real clock, one cycle a second, each a process of its
own; the console in a pseudo-terminal of 120 x 40. Printed: from writing a key to the bytes that move the
selection's mark, median and 99th percentile; bytes a second while nobody types (its circuits are idle); how
late the service's cycles begin without a console, under keys, and beside an idle one, against its own
schedule (to 1 ms; the listener that measures it is attached in all three). Exit 1 where the 99th percentile
is over 50 ms, or the idle console sends more than 5 kB a second.
"""

from __future__ import annotations

import argparse
import os
import re
import select
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "console")]

import floor
from terminal import KEYS, Terminal

from controller.service.client import Connection

CIRCUITS, PERIOD_S = 40, 1.0
WIDTH, HEIGHT = 120, 40
MOST_KEY_MS, MOST_IDLE_BYTES = 50.0, 5_000
MARK = re.compile(rb"A\d\d>")
WAY = ("down", "right", "up", "left")


def percentile(values: list[float], share: float) -> float:
    """The value that this share of all does not exceed."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


class Lateness:
    """Listens to the service in a thread and keeps how late each cycle began against the service's own schedule.

    A service that was just made has its cycles due at whole periods of its core time, so that what is over is lateness:
    no other cycle is the measure, and one that is always late shows. Good to 1 ms.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._over = threading.Event()
        self._begun_ms: list[int] = []
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        with Connection(self._path) as connection:
            while not self._over.is_set():
                now_ms = connection.snapshot()["now_ms"]
                if not self._begun_ms or now_ms != self._begun_ms[-1]:
                    self._begun_ms.append(now_ms)

    def end_ms(self) -> list[float]:
        """How late each cycle began, in ms; the first may be of before."""
        self._over.set()
        self._thread.join(floor.BOUND_S)
        return [begun_ms % (PERIOD_S * 1000.0) for begun_ms in self._begun_ms[1:]]


def key_ms(console: Terminal, key: str) -> float | None:
    """From writing a key to the bytes that move the selection's mark; None where none came within a second.

    A drawing that only moves the clock is not taken for the key's.
    """
    begin_s, got = time.perf_counter(), b""
    os.write(console.master, KEYS[key])
    while (left_s := begin_s + 1.0 - time.perf_counter()) > 0.0:
        if select.select([console.master], [], [], left_s)[0]:
            got += os.read(console.master, 65536)
            if MARK.search(got):
                return (time.perf_counter() - begin_s) * 1000.0
    return None


def drained(console: Terminal, still_s: float) -> int:
    """Read until nothing has come for so long; returns the bytes."""
    count = 0
    while select.select([console.master], [], [], still_s)[0]:
        count += len(os.read(console.master, 65536))
    return count


def keys(console: Terminal, count: int) -> list[float]:
    """Time so many keys, each after the screen has come to rest."""
    found = []
    for turn in range(count):
        drained(console, 0.03)
        taken = key_ms(console, WAY[turn % len(WAY)])
        if taken is not None:
            found.append(taken)
    drained(console, 0.03)
    return found


def idle_bytes(console: Terminal, seconds: float) -> float:
    """Bytes a second while nobody types."""
    end_s, count = time.perf_counter() + seconds, 0
    while (left_s := end_s - time.perf_counter()) > 0.0:
        if select.select([console.master], [], [], left_s)[0]:
            count += len(os.read(console.master, 65536))
    return count / seconds


def lateness(bath: floor.Floor, seconds: float) -> list[float]:
    """How late the cycles of so many seconds are, with whoever is attached now."""
    listener, moment = Lateness(bath.socket), threading.Event()
    moment.wait(seconds)
    return listener.end_ms()


def told(what: str, values: list[float]) -> None:
    """Print a line of figures."""
    print(
        f"{what}: {len(values)} times, median {statistics.median(values):.1f} ms, "
        f"99 % {percentile(values, 0.99):.1f} ms, most {max(values):.1f} ms"
    )


def main() -> int:
    """Measure, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="fewer keys, less waiting")
    short = parser.parse_args().short
    count, seconds = (60, 6.0) if short else (300, 20.0)
    with tempfile.TemporaryDirectory(prefix="fb-keys-") as folder:
        bath = floor.Floor(Path(folder), circuits=CIRCUITS, period_s=PERIOD_S)
        try:
            floor.until(lambda: all(each["confirmed"] for each in bath.snapshot()["circuits"]))
            told("service's cycle late, no console", lateness(bath, seconds))
            with bath.console(columns=WIDTH, lines=HEIGHT) as console:
                console.wait("A40")
                console.rest()  # from here on the bytes are read, and timed, by this process alone
                pressing: list[float] = []
                listener = Lateness(bath.socket)
                pressing += keys(console, count)
                told("service's cycle late, console and keys", listener.end_ms())
                listener = Lateness(bath.socket)
                idle = idle_bytes(console, seconds)
                told("service's cycle late, console idle", listener.end_ms())
        finally:
            bath.close()
    told("key to screen", pressing)
    print(f"idle console: {idle:.0f} bytes a second")
    wrong = []
    if len(pressing) < 0.9 * count:
        wrong.append(f"only {len(pressing)} of {count} keys changed the screen")
    if percentile(pressing, 0.99) > MOST_KEY_MS:
        wrong.append(f"key to screen: at most {MOST_KEY_MS:g} ms")
    if idle > MOST_IDLE_BYTES:
        wrong.append(f"idle console: at most {MOST_IDLE_BYTES} bytes a second")
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
