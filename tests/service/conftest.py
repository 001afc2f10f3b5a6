"""Starts the program as its own processes, as a plant does: services, plants and orders, each found again and ended."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

sys.path.insert(0, str(Path(__file__).parent))

FRONT_DOOR = Path(__file__).parents[2] / "formbath.py"
BOUND_S = 60.0
"""Longest wait for anything that takes a second at most on an idle machine."""

T = TypeVar("T")


class Process:
    """A command that runs on; what it says goes to a file, so that it never waits for a reader."""

    def __init__(self, words: tuple[str, ...], folder: Path, env: dict[str, str]) -> None:
        handle, name = tempfile.mkstemp(prefix=f"{words[0]}-", suffix=".txt", dir=folder)
        self._out = Path(name)
        with os.fdopen(handle, "wb") as out:
            self.child = subprocess.Popen(
                [sys.executable, str(FRONT_DOOR), *words], stdin=subprocess.DEVNULL, stdout=out, stderr=out, env=env,
                cwd=folder,
            )  # fmt: skip

    @property
    def said(self) -> str:
        return self._out.read_text(encoding="utf-8")

    def line_with(self, words: str) -> str:
        """The first whole line that holds `words`; "" while there is none. Fails where the command has ended."""
        whole = self.said.rpartition("\n")[0].splitlines()
        found = next((line for line in whole if words in line), "")
        assert found or self.child.poll() is None, f"ended with {self.child.returncode}: {self.said}"
        return found

    def kill(self) -> None:
        self.child.send_signal(signal.SIGKILL)
        self.child.wait(BOUND_S)

    def end(self) -> int:
        """SIGTERM; returns the exit code."""
        self.child.send_signal(signal.SIGTERM)
        return self.child.wait(BOUND_S)


class Program:
    """The program in its own folder, with its own place for sockets."""

    def __init__(self, folder: Path, sockets: str) -> None:
        self.folder = folder
        self.processes: list[Process] = []
        self._env = {**os.environ, "XDG_RUNTIME_DIR": sockets}

    def start(self, *words: str) -> Process:
        process = Process(words, self.folder, self._env)
        self.processes.append(process)
        return process

    def service(self, bath: Path) -> tuple[Process, Path]:
        """A service that takes orders, and its socket."""
        process = self.start("run", str(bath), "--headless")
        said = self.until(lambda: process.line_with("service runs, socket "), BOUND_S)
        return process, Path(said.rpartition("socket ")[2])

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command that ends by itself."""
        return subprocess.run(
            [sys.executable, str(FRONT_DOOR), *words], capture_output=True, text=True, check=False, timeout=BOUND_S,
            env=self._env, cwd=self.folder, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def order(self, path: Path, *words: str) -> str:
        """An order that must be accepted; returns what the command printed."""
        done = self.command("order", *words, "--socket", str(path))
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    @staticmethod
    def until(condition: Callable[[], T], bound_s: float) -> T:
        """The first result of `condition` that holds. Fails after `bound_s`."""
        give_up_s, pause = time.monotonic() + bound_s, threading.Event()
        while not (found := condition()):
            assert time.monotonic() < give_up_s, f"did not come true within {bound_s:g} s"
            pause.wait(0.05)
        return found


@pytest.fixture
def program(tmp_path) -> Iterator[Program]:
    # A socket's path holds 107 bytes; pytest's own folders may be longer.
    with tempfile.TemporaryDirectory(prefix="fb-") as sockets:
        made = Program(tmp_path, sockets)
        yield made
        for process in made.processes:
            if process.child.poll() is None:
                process.kill()


@pytest.fixture
def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])
