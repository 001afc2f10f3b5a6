"""A bath for the console's tests: a virtual plant and the service as processes of their own, on the real clock.

Circuit A01 is idle and empty, A02 loaded, A03 held in the middle of its run, A04 idle. Nothing here sleeps to wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import json
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pictures
from terminal import Terminal

from controller.service.client import Connection, new_id
from controller.service.people import Person
from controller.service.protocol import Answer, OrderMessage, encode
from controller.service.sockets import OrderSocket

FRONT_DOOR = Path(__file__).parents[2] / "formbath.py"
BOUND_S = 60.0
T = TypeVar("T")

HEAD = """\
kind = "bath"
hall = "hall"
name = "A"
virtual = true
period_s = {period_s:g}
stale_after_s = 3
watchdog_s = 5
purge_minutes = 0
meter_walk = []
first_current_alone_s = 0
resume_apart_s = 0

[link.wire]
tcp = "127.0.0.1:{port}"

[inputs]
link = "wire"
unit = 200
map = "inputs"

[start_list]
items = ["polarity looked at, both ends", "nobody at this bath"]

[runs]
path = "runs"
log_s = 1
"""

CIRCUIT = """
[[circuit]]
name = "A{number:02d}"
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
end = { hours = 1 }
"""


def until(condition: Callable[[], T], bound_s: float = BOUND_S, what: str = "") -> T:
    """The first result of `condition` that holds. Fails after `bound_s`."""
    give_up_s, pause = time.monotonic() + bound_s, threading.Event()
    while not (found := condition()):
        assert time.monotonic() < give_up_s, f"did not come true within {bound_s:g} s: {what}"
        pause.wait(0.02)
    return found


def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


def clean_env() -> dict[str, str]:
    """This environment with a terminal of 256 colours, UTF-8 and UTC, whatever the one is that runs the tests."""
    env = {**os.environ, "TERM": "xterm-256color", "LANG": "C.UTF-8", "LC_ALL": "C.UTF-8", "TZ": "UTC"}
    for name in ("NO_COLOR", "COLORTERM", "COLUMNS", "LINES", "TERM_PROGRAM"):
        env.pop(name, None)
    return env


class Floor:
    """One bath: `folder` holds its files and records, `socket` is its service's."""

    def __init__(self, folder: Path, *, circuits: int = 4, period_s: float = 0.25) -> None:
        self._sockets = tempfile.TemporaryDirectory(prefix="fb-")  # a socket's path holds 107 bytes
        self.folder = folder
        self.env = clean_env() | {"XDG_RUNTIME_DIR": self._sockets.name}
        self.bath = folder / "bath.toml"
        self.profile = folder / "profile.toml"
        self.profile.write_text(PROFILE)
        numbers = range(1, circuits + 1)
        head = HEAD.format(port=free_port(), period_s=period_s)
        self.bath.write_text(head + "".join(CIRCUIT.format(number=one) for one in numbers))
        self._children: list[subprocess.Popen[bytes]] = []
        self.plant = self._start("simulate", str(self.bath))
        self._says("simulate", "virtual plant runs", self.plant)
        self.socket = Path()
        self.service = self.serve()

    def serve(self) -> subprocess.Popen[bytes]:
        """Start the service; returns its process once it takes orders."""
        self.service = self._start("run", str(self.bath), "--headless")
        line = self._says("run", "service runs, socket ", self.service)
        self.socket = Path(line.rpartition("socket ")[2])
        return self.service

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        with (self.folder / f"{words[0]}.txt").open("wb") as out:
            child = subprocess.Popen(
                [sys.executable, str(FRONT_DOOR), *words], stdin=subprocess.DEVNULL, stdout=out, stderr=out,
                cwd=self.folder, env=self.env,
            )  # fmt: skip
        self._children.append(child)
        return child

    def _says(self, name: str, words: str, child: subprocess.Popen[bytes]) -> str:
        """The first whole line with these words."""
        path = self.folder / f"{name}.txt"

        def line() -> str:
            whole = path.read_text().rpartition("\n")[0].splitlines()
            found = next((each for each in whole if words in each), "")
            assert found or child.poll() is None, f"{name} ended: {path.read_text()}"
            return found

        return until(line, what=f"{name}: {words}")

    # -- what a person does elsewhere

    def order(self, verb: str, target: str, **args: str | int | bool) -> None:
        """Give an order past the console; it must be accepted."""
        self.give(OrderMessage(id=new_id(), verb=verb, target=target, args=args))

    def give(self, *orders: OrderMessage) -> None:
        """Give orders in one go; each must be accepted, and read back where that belongs to it."""
        with Connection(self.socket) as connection:
            for one in orders:
                connection._send(encode(one))
            owed = {one.id for one in orders}
            while owed:
                got = connection._message(BOUND_S) or {}
                if got.get("id") in owed and got.get("type") == "answer":
                    assert got["accepted"], got
                    owed -= set() if got.get("reads_back") else {got["id"]}
                elif got.get("type") == "readback":
                    owed.discard(got["id"])

    def load_message(self, name: str) -> OrderMessage:
        """Two fresh batteries, soaked for an hour."""
        args = {
            "profile": str(self.profile), "batch": "T1:1-2", "batteries": 2, "first_filled_minutes_ago": 60,
            "last_filled_minutes_ago": 60, "continued": False,
        }  # fmt: skip
        return OrderMessage(id=new_id(), verb="load", target=name, args=args)

    def prepare(self) -> None:
        """A02 loaded, A03 started and held."""
        until(lambda: self.circuit("A04")["confirmed"] and self.circuit("A04")["state"] == "idle")
        ticks = [OrderMessage(id=new_id(), verb="done", target="A03", args={"item": n, "ok": True}) for n in (1, 2)]
        start = OrderMessage(id=new_id(), verb="start", target="A03")
        self.give(self.load_message("A02"), self.load_message("A03"))
        self.give(*ticks, start)
        self.order("hold", "A03")
        until(lambda: self.circuit("A03")["confirmed"] and self.circuit("A03")["state"] == "held")

    def snapshot(self) -> dict:
        """What the service says of itself."""
        with Connection(self.socket) as connection:
            return connection.snapshot()

    def circuit(self, name: str) -> dict:
        """One circuit as the service says."""
        return next(each for each in self.snapshot()["circuits"] if each["name"] == name)

    def events(self) -> str:
        """Every event on record: the bath's and the runs', as they stand in the files."""
        files = sorted((self.folder / "runs").rglob("events*.csv"))
        return "".join(path.read_text(encoding="utf-8") for path in files)

    def until_event(self, words: str) -> None:
        """Wait until an event with these words is in the files."""
        until(lambda: words in self.events(), what=words)

    def cycles(self, count: int) -> None:
        """Wait for so many more cycles of the service."""
        with Connection(self.socket) as connection:
            seen = {connection.snapshot()["now_ms"]}
            while len(seen) <= count:
                seen.add(connection.snapshot()["now_ms"])

    def orders(self) -> list[str]:
        """The rows of orders on record, once two cycles have brought no new one."""
        found: list[str] | None = None
        while (rows := [row for row in self.events().splitlines() if ",order," in row]) != found:
            found = rows
            self.cycles(2)
        return rows

    def rows_since(self, utc: str) -> list[dict[str, str]]:
        """The rows of every run's log later than this."""
        rows: list[dict[str, str]] = []
        for path in (self.folder / "runs").rglob("log.csv"):
            with path.open(encoding="utf-8", newline="") as file:
                rows += [row for row in csv.DictReader(file) if row["time_utc"] > utc]
        return rows

    # -- consoles

    @contextmanager
    def console(
        self, *words: str, columns: int = 80, lines: int = 24, own: bool = True, **env: str
    ) -> Iterator[Terminal]:
        """A console on a terminal of its own; it is ended whatever happens. `own` False: it hears no signal of it."""
        command = [sys.executable, str(FRONT_DOOR), "console", "--socket", str(self.socket), *words]
        terminal = Terminal(command, self.folder, columns=columns, lines=lines, env=self.env | env, own=own)
        try:
            yield terminal
        finally:
            terminal.close()

    def close(self) -> None:
        """End everything."""
        for child in self._children:
            if child.poll() is None:
                child.send_signal(signal.SIGCONT)
                child.kill()
                child.wait(BOUND_S)
        self._sockets.cleanup()


class Mute:
    """A socket that says whom it serves and nothing else."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "mute.sock"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.bind(str(self.path))
        self._socket.listen()
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        kept = []
        while True:
            try:
                one, _ = self._socket.accept()
            except OSError:
                return
            kept.append(one)
            threading.Thread(target=self._answer, args=(one,), daemon=True).start()

    @staticmethod
    def _answer(one: socket.socket) -> None:
        try:
            asked = json.loads(one.makefile("rb").readline() or b"{}")
            said = {"type": "serves", "id": asked.get("id"), "targets": ["Z"], "who": "root", "bath": "Z"}
            one.sendall(json.dumps(said).encode() + b"\n")
        except OSError:
            return

    def close(self) -> None:
        self._socket.close()


HALL = "Hall \N{DEGREE SIGN}\N{GREEK CAPITAL LETTER OMEGA}\N{BOX DRAWINGS LIGHT HORIZONTAL}\x1b[31m"
HALL_ASCII = "Hall  R-"
HOSTILE = "\x1b]0;mine\x07\x1b[2Jnight\x1b[31m1\n\x9b2J"


class Painted:
    """Four services that show pictures and answer nothing: states, alarms, blocks and ages of every kind."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="fb-")
        self.folder = Path(self._folder.name)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.sockets = [self.folder / f"hall-{bath}.sock" for bath in "ABCD"]
        self.given: list[OrderMessage] = []
        asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(BOUND_S)

    async def _open(self) -> None:
        self._services = []
        self._turn = asyncio.Event()
        for path, seen in zip(self.sockets, pictures.forty().baths, strict=True):
            served = OrderSocket(
                path, lambda uid: Person("night1", ("technician",), uid), self._on_order, targets=(seen.name,),
                hall="Hall 1",
            )  # fmt: skip
            await served.start()
            told = seen.picture.model_dump(mode="json") | {"hall": HALL}
            for each in told["circuits"]:
                each["blocked_by"] = each["blocked_by"] and HOSTILE
            self._services.append((served, told))
        self._task = self._loop.create_task(self._show())

    async def _show(self) -> None:
        while not self._turn.is_set():
            for served, told in self._services:
                await served.publish(told)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._turn.wait(), 0.5)

    async def _on_order(self, message: OrderMessage, _: Person) -> Answer:
        self.given.append(message)
        return Answer(id=message.id, accepted=True, code="accepted")

    @contextmanager
    def console(self, *words: str, columns: int = 80, lines: int = 24, **env: str) -> Iterator[Terminal]:
        """A console on all of them."""
        command = [sys.executable, str(FRONT_DOOR), "console"]
        for path in self.sockets:
            command += ["--socket", str(path)]
        terminal = Terminal([*command, *words], self.folder, columns=columns, lines=lines, env=clean_env() | env)
        try:
            yield terminal
        finally:
            terminal.close()

    async def _close(self) -> None:
        self._turn.set()
        await self._task
        for served, _ in self._services:
            await served.close()

    def close(self) -> None:
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(BOUND_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(BOUND_S)
        self._loop.close()
        self._folder.cleanup()


_SHARED: list[Floor] = []


def shared(config, folder: Path) -> Floor:
    """One prepared bath for all tests of this process that change nothing another one minds."""
    if not _SHARED:
        made = Floor(folder)
        config.add_cleanup(made.close)
        made.prepare()
        _SHARED.append(made)
    return _SHARED[0]


def choose(console: Terminal, word: str) -> None:
    """Choose an order by its digit, as it stands on the page of orders."""
    console.press("o")
    console.wait("/ orders")
    line = console.wait(rf"^\W*\d+\W+{word}\b")
    console.press(re.search(r"\d+", line).group())
