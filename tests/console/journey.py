"""What the journeys are played on: a virtual plant, a real service on it, and a console in a real terminal.

Nothing here sleeps to wait: a person looks at the screen until it shows what they wait for. Every key is counted.
"""

from __future__ import annotations

import csv
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from terminal import KEYS, Terminal

from controller.service.client import Connection, new_id
from controller.service.protocol import Answer, OrderMessage

FRONT_DOOR = Path(__file__).parents[2] / "formbath.py"
PLANT = Path(__file__).parent / "plant.py"
BOUND_S = 60.0
CHARGE_A = 4.0
ITEMS = ("polarity: red to +, black to -", "nobody at this bath; eyewash runs; vents in")

BATH = """\
kind = "bath"
hall = "test"
name = "A"
virtual = true
period_s = 0.25
stale_after_s = 2
watchdog_s = 4
purge_minutes = {purge}
after_run_minutes = 5
meter_walk = []
first_current_alone_s = 0
resume_apart_s = 0

[link.wire]
tcp = "127.0.0.1:{port}"

[inputs]
link = "wire"
unit = 9
map = "inputs"

[interlock.probe]
{probe}

[interlock.probe_loss]
derate_C20 = 0.05

[start_list]
items = ["{items[0]}", "{items[1]}"]

[runs]
path = "runs"
log_s = 1
"""

CIRCUIT = """
[[circuit]]
name = "A{number:02}"
link = "wire"
unit = {number}
map = "single"
places = 2
current_max_A = 20
voltage_max_V = 60
probes = 1
"""

PROFILE = """\
kind = "profile"
name = "four ampere"
revision = 1
battery = { cells = 6, capacity_C20_Ah = 60 }

[[step]]
name = "charge"
kind = "charge"
current_A = 4
voltage_limit_V_per_cell = 2.75
end = { charge_Ah = 4 }
"""


class Console(Terminal):
    """A console in a terminal. `keys`: how many were pressed since the count was last set to zero."""

    keys = 0

    def press(self, *keys: str) -> None:
        """Press keys one by one, counted."""
        for key in keys:
            self.keys += 1
            self.send(KEYS.get(key, key.encode()))

    def choose(self, word: str) -> None:
        """Open the orders' menu and press the digit of the order that begins with `word`."""
        self.press("o")
        self.press(self.wait(rf"\d {word}")[0])

    def give(self, name: str) -> None:
        """Type a name and Enter."""
        self.press(*name, "enter")

    @property
    def words(self) -> str:
        """The whole screen as one line, so that a sentence is found however it is wrapped."""
        return " ".join(self.text.split())

    def told(self, pattern: str) -> str:
        """Wait until the screen says the pattern, wrapped or not; return the match."""
        self.until(lambda: re.search(pattern, self.words), what=pattern)
        found = re.search(pattern, self.words)
        return found.group() if found is not None else ""

    def seconds(self, count: int = 2) -> None:
        """Wait until the service's clock on the screen went on so often: what was typed before is over then."""
        for _ in range(count):
            before = self.row(1)
            self.until(lambda before=before: self.row(1) != before, what="the clock goes on")

    def line(self, pattern: str, number: int) -> str:
        """Wait until that line of the screen (the first is 1) shows the pattern; return the line."""
        self.until(lambda: re.search(pattern, self.row(number)), what=f"line {number}: {pattern}")
        return self.row(number)


class Hall:
    """One bath: its files, plant, service, and the consoles on it."""

    def __init__(
        self, folder: Path, sockets: str, *, circuits: int, purge: float, probe: str, soaked_min: float
    ) -> None:
        self.folder = folder
        self._env = {**os.environ, "XDG_RUNTIME_DIR": sockets, "TERM": "xterm-256color", "TZ": "UTC", "LANG": "C.UTF-8"}
        self._env.pop("NO_COLOR", None)
        self._soaked_min = soaked_min
        self._said: dict[int, Path] = {}
        self.processes: list[subprocess.Popen[bytes]] = []
        self.consoles: list[Console] = []
        self.bath = folder / "bath.toml"
        text = BATH.format(purge=purge, port=_free_port(), probe=probe, items=ITEMS)
        text += "".join(CIRCUIT.format(number=number) for number in range(1, circuits + 1))
        self.bath.write_text(text, encoding="utf-8")
        (folder / "profile.toml").write_text(PROFILE, encoding="utf-8")

    def open(self) -> None:
        """Start plant and service."""
        self.plant = self._start(sys.executable, str(PLANT), str(self.bath), str(self._soaked_min))
        self.until(lambda: "plant runs" in self.said(self.plant), "plant")
        self.service, self.socket = self.serve()

    # -- processes

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        handle, name = tempfile.mkstemp(suffix=".txt", dir=self.folder)
        with os.fdopen(handle, "wb") as out:
            made = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=out, stderr=out, env=self._env, cwd=self.folder
            )
        self._said[made.pid] = Path(name)
        self.processes.append(made)
        return made

    def said(self, process: subprocess.Popen[bytes]) -> str:
        text = self._said[process.pid].read_text(encoding="utf-8").rpartition("\n")[0]
        assert process.poll() is None, f"ended with {process.returncode}: {text}"
        return text

    def serve(self) -> tuple[subprocess.Popen[bytes], Path]:
        """Start the service; returns it and its socket once it takes orders."""
        process = self._start(sys.executable, str(FRONT_DOOR), "run", str(self.bath), "--headless")
        found: list[str] = []

        def runs() -> bool:
            found[:] = re.findall(r"service runs, socket (\S+)", self.said(process))
            return bool(found)

        self.until(runs, "service")
        return process, Path(found[0])

    def fault(self, line: str, *, gone: bool = False) -> None:
        """Put a fault into the plant, or take it out."""
        said = f"{'-' if gone else '+'} {line}"
        before = self.said(self.plant).count(f"done {said}")
        assert self.plant.stdin is not None
        self.plant.stdin.write(f"{said}\n".encode())
        self.plant.stdin.flush()
        self.until(lambda: self.said(self.plant).count(f"done {said}") > before, said)

    def console(self, *words: str) -> Console:
        """A console on the service, showing the hall."""
        made = Console(
            [sys.executable, str(FRONT_DOOR), "console", "--socket", str(self.socket), "--still", *words],
            self.folder, env=self._env,
        )  # fmt: skip
        self.consoles.append(made)
        made.wait(r"Bath A .*\d\d:\d\d:\d\d$")
        made.wait("q leave")
        return made

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """`formbath order ...` as a script gives it."""
        return subprocess.run(
            [sys.executable, str(FRONT_DOOR), "order", *words, "--socket", str(self.socket)],
            capture_output=True, text=True, check=False, timeout=BOUND_S, env=self._env, cwd=self.folder,
            stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def end(self) -> None:
        for console in self.consoles:
            console.close()
        for process in self.processes:
            if process.poll() is None:
                process.kill()
            process.wait(BOUND_S)
            if process.stdin is not None:
                process.stdin.close()

    # -- the service, past the console

    def snapshot(self) -> dict[str, Any]:
        with Connection(self.socket) as connection:
            return connection.snapshot()

    def circuit(self, name: str) -> dict[str, Any]:
        """A circuit as the service shows it."""
        return next(each for each in self.snapshot()["circuits"] if each["name"] == name)

    def current_A(self, name: str) -> float:
        return self.circuit(name)["current_A"][0]

    def order(self, verb: str, target: str, **args: Any) -> Answer:
        """An order past the console."""
        with Connection(self.socket) as connection:
            return connection.order(OrderMessage(id=new_id(), verb=verb, target=target, args=args))

    def accepted(self, verb: str, target: str, **args: Any) -> None:
        answer = self.order(verb, target, **args)
        assert answer.accepted, f"{verb} {target}: {answer.text}"

    def load(self, *names: str) -> None:
        """Put two batteries into each circuit."""
        self.until(lambda: all(self.circuit(name)["state"] == "idle" for name in names), "idle")
        for name in names:
            self.accepted(
                "load", name, profile=str(self.folder / "profile.toml"), batch="T1:1-2", batteries=2,
                first_filled_minutes_ago=60.0, last_filled_minutes_ago=60.0, continued=False,
            )  # fmt: skip

    def run(self, *names: str) -> None:
        """Load, tick, start, and wait until the full current flows."""
        self.load(*names)
        for name in names:
            for item in (1, 2):
                self.accepted("done", name, item=item, ok=True)
        self.until(lambda: not self.snapshot().get("purge_left_s"), "purge")
        for name in names:
            self.accepted("start", name)
        self.until(lambda: all(self.current_A(name) > 0.6 * CHARGE_A for name in names), "current")

    def events(self) -> list[dict[str, str]]:
        """Every event on record so far."""
        runs, found = self.folder / "runs", []
        for path in (*runs.glob("A/events-*.csv"), *runs.glob("*/events.csv")):
            with path.open(encoding="utf-8", newline="") as file:
                found += list(csv.DictReader(file))
        return sorted(found, key=lambda row: row["time_utc"])

    def recorded(self, pattern: str) -> None:
        """Wait until an event whose target, code and text hold the pattern is on record."""

        def there() -> bool:
            return any(re.search(pattern, f"{row['target']} {row['code']} {row['text']}") for row in self.events())

        self.until(there, f"on record: {pattern}")

    @staticmethod
    def until(condition: Callable[[], object], what: str, bound_s: float = BOUND_S) -> None:
        """Wait until a condition holds, bounded."""
        give_up_s, pause = time.monotonic() + bound_s, threading.Event()
        while not condition():
            assert time.monotonic() < give_up_s, f"not within {bound_s:g} s: {what}"
            pause.wait(0.05)


def _free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


@contextmanager
def hall(
    folder: Path,
    *,
    circuits: int = 3,
    purge: float = 0.03,
    probe: str = "derate_C = 50\nhold_C = 55\ntrip_C = 60",
    soaked_min: float = 60.0,
) -> Iterator[Hall]:
    """A hall that is ended whatever happens."""
    # A socket's path holds 107 bytes; pytest's own folders may be longer.
    with tempfile.TemporaryDirectory(prefix="fb-") as sockets:
        made = Hall(folder, sockets, circuits=circuits, purge=purge, probe=probe, soaked_min=soaked_min)
        try:
            made.open()
            yield made
        finally:
            made.end()
