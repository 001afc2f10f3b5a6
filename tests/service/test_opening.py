"""`run` on a terminal: a service that belongs to no terminal, a console on it, and what is said when that is left."""

from __future__ import annotations

import argparse
import os
import pty
import re
import select
import signal
import socket
import struct
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.console.commands import Look, add_look, look_of
from controller.service.client import Connection
from controller.service.places import SHARED

ROOT = Path(__file__).parents[2]
BOUND_S = 60.0

BATH = """\
kind = "bath"
hall = "test"
name = "A"
virtual = true

[link.wire]
tcp = "127.0.0.1:{port}"

[inputs]
link = "wire"
unit = 9
map = "inputs"

[runs]
path = "runs"

[[circuit]]
name = "A01"
link = "wire"
unit = 1
map = "single"
places = 2
current_max_A = 20
voltage_max_V = 60
"""

# The program with another console in the place of its own; what it does at the socket stands in STAND_IN_DOES.
STAND_IN = """
import os, sys, types
sys.path.insert(0, sys.argv.pop(1))
def run_console(paths, **look):
    from controller.service.client import Connection
    for path in paths or ("every socket",):
        print(f"console on {path} plain={look['plain']}", flush=True)
    exec(os.environ.get("STAND_IN_DOES", ""))
    return 0
stand_in = types.ModuleType("controller.console.running")
stand_in.run_console = run_console
sys.modules["controller.console.running"] = stand_in
import formbath
sys.exit(formbath.main(sys.argv[1:]))
"""
HANGS = "print('waits', flush=True); sys.stdin.read()"


@dataclass
class Terminal:
    """A program on a terminal of its own."""

    process: subprocess.Popen[bytes]
    ours: int
    said: str = ""

    def read(self, words: str = "") -> str:
        """All it shows until `words` stand there (none: until its end); bounded."""
        give_up_s = time.monotonic() + BOUND_S
        while not (words and words in self.said):
            assert time.monotonic() < give_up_s, f"not in time, said: {self.said}"
            if not select.select([self.ours], [], [], 0.5)[0]:
                continue
            try:
                self.said += os.read(self.ours, 65_536).decode().replace("\r\n", "\n")
            except OSError:  # how Linux says that nobody has the other end any more
                break
        return self.said

    def end(self) -> tuple[int, str]:
        """Its exit code, and all that it showed."""
        said = self.read()
        return self.process.wait(BOUND_S), said


@pytest.fixture
def sockets(program) -> str:
    return program._env["XDG_RUNTIME_DIR"]


@pytest.fixture
def on_terminal(tmp_path, sockets):
    opened: list[Terminal] = []

    def open_one(*words: str, does: str = "", path: Path | None = None) -> Terminal:
        ours, theirs = pty.openpty()
        env = {**os.environ, "TERM": "xterm", "XDG_RUNTIME_DIR": sockets, "STAND_IN_DOES": does}
        if path is not None:
            env["PYTHONPATH"] = str(path)
        process = subprocess.Popen(
            [sys.executable, "-c", STAND_IN, str(ROOT), *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=tmp_path, env=env, start_new_session=True,
        )  # fmt: skip
        os.close(theirs)
        opened.append(Terminal(process, ours))
        return opened[-1]

    yield open_one
    for one in opened:
        one.process.kill()
        one.process.wait(BOUND_S)
        os.close(one.ours)
        for number in re.findall(r"\(pid (\d+),", one.said):
            end_service(int(number))


def end_service(number: int) -> None:
    try:
        os.kill(number, signal.SIGTERM)
    except ProcessLookupError:
        return


@pytest.fixture
def bath(tmp_path, free_port) -> Path:
    path = tmp_path / "bath.toml"
    path.write_text(BATH.format(port=free_port))
    return path


@pytest.fixture
def plant(program, bath):
    process = program.start("simulate", str(bath))
    program.until(lambda: process.line_with("virtual plant runs"), BOUND_S)
    return process


def pid_in(said: str) -> int:
    return int(re.search(r"the service runs on \(pid (\d+), log ", said)[1])


def path_in(said: str) -> Path:
    return Path(re.search(r"^console on (\S+) plain=False$", said, re.MULTILINE)[1])


def test_service_goes_on_when_the_console_is_left(on_terminal, program, plant, bath, tmp_path):
    """The console ends with 0; one line says that the service runs on, its number, log and how to end it."""
    code, said = on_terminal("run", str(bath)).end()
    assert code == 0, said
    path, number = path_in(said), pid_in(said)
    (last,) = [line for line in said.splitlines() if "runs on" in line]
    assert f"kill -TERM {number}" in last
    assert "formbath console" in last
    assert os.getsid(number) == number
    with Connection(path, BOUND_S) as connection:
        assert connection.snapshot(BOUND_S)["bath"] == "A"
    log = tmp_path / "runs" / "A" / "service.log"
    assert str(log) in last
    assert f"bath A (pid {number}): service runs, socket {path}\n" in log.read_text()
    assert said.startswith(f"starting bath A, log {log}\n")
    os.kill(number, signal.SIGTERM)
    program.until(lambda: not path.exists(), BOUND_S)
    program.until(lambda: "service_ended" in bath_events(tmp_path), BOUND_S)


def bath_events(folder: Path) -> str:
    return "".join(path.read_text() for path in (folder / "runs" / "A").glob("events-*.csv"))


@pytest.mark.slow
def test_service_outlives_a_console_that_is_killed_and_its_terminal(on_terminal, plant, bath, program):
    """The whole terminal goes away under the console: the service answers as before, and is served already."""
    first = on_terminal("run", str(bath), does=HANGS)
    path = path_in(first.read("waits"))
    os.killpg(first.process.pid, signal.SIGKILL)
    first.process.wait(BOUND_S)
    with Connection(path, BOUND_S) as connection:
        assert connection.snapshot(BOUND_S)["bath"] == "A"
        second, said = on_terminal("run", str(bath)).end()
        assert second == 2
        assert "another running service has it" in said
        assert "`formbath console` attaches" in said
        assert "console on" not in said
        assert connection.snapshot(BOUND_S)["bath"] == "A"
        code, said = on_terminal("console").end()
        assert (code, said) == (0, "console on every socket plain=False\n")
        code, said = on_terminal("console", "--socket", str(path)).end()
        assert (code, said) == (0, f"console on {path} plain=False\n")
        number = peer_pid(connection)
    os.kill(number, signal.SIGTERM)
    program.until(lambda: not path.exists(), BOUND_S)


def peer_pid(connection: Connection) -> int:
    size = struct.calcsize("3i")
    number, _, _ = struct.unpack("3i", connection._socket.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size))
    return int(number)


def test_service_that_cannot_start_says_so_and_no_console_opens(on_terminal, bath, tmp_path):
    """No plant answers: the service's own words and its exit code; nothing is left running."""
    code, said = on_terminal("run", str(bath)).end()
    assert code == 3
    assert "no device of the bath answers" in said
    assert "console" not in said
    assert "runs on" not in said


def test_words_of_an_earlier_service_are_not_taken_for_this_one_s(on_terminal, bath, tmp_path):
    """The log is kept from start to start; only what stands behind its old end counts."""
    folder = tmp_path / "runs" / "A"
    folder.mkdir(parents=True)
    (folder / "service.log").write_text("bath A (pid 7): service runs, socket /tmp/old.sock\n")
    code, said = on_terminal("run", str(bath)).end()
    assert code == 3
    assert "old.sock" not in said


def test_words_of_another_service_in_the_same_log_are_not_taken_for_this_one_s(on_terminal, bath, tmp_path):
    """Two of a bath begun at once share the log: the line of the other's process opens no console here."""
    shim = tmp_path / "sitecustomize.py"
    shim.write_text(
        "import sys\n"
        "if '--headless' in sys.argv:\n"
        "    print('bath A (pid 1): service runs, socket /tmp/other.sock', file=sys.stderr, flush=True)\n"
    )
    code, said = on_terminal("run", str(bath), path=tmp_path).end()
    assert code == 3
    assert "console on" not in said
    assert "/tmp/other.sock" in (tmp_path / "runs" / "A" / "service.log").read_text()


def test_wrong_bath_file_is_told_before_anything_starts(on_terminal, bath, tmp_path):
    """A mistake in the file ends with 2 and its line, as without a terminal; no log is begun."""
    bath.write_text(bath.read_text().replace("places = 2", "places = 0"))
    code, said = on_terminal("run", str(bath)).end()
    assert code == 2
    assert re.search(r"bath.toml:\d+: circuit\[1\].places", said)
    assert not (tmp_path / "runs").exists()


def test_service_that_ends_under_the_console_is_told(on_terminal, plant, bath):
    """Ended while the console was open: the line says with which code, not that it runs on."""
    kills = """
import signal, socket, struct
with Connection(paths[0], 60) as connection:
    size = struct.calcsize("3i")
    number = struct.unpack("3i", connection._socket.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size))[0]
    os.kill(number, signal.SIGKILL)
    os.waitid(os.P_PID, number, os.WEXITED | os.WNOWAIT)
"""
    code, said = on_terminal("run", str(bath), does=kills).end()
    assert code == 70
    ended = "bath A: the service ended with -9; the last line of its log "
    assert re.search(ended + r"\S+/runs/A/service.log: bath A \(pid \d+\): service runs, socket \S+\n", said), said
    assert "runs on" not in said


def test_console_without_a_service_is_unreachable(tmp_path, sockets):
    """No service: one sentence with what to type, exit 3; a socket that is named is named in it."""
    env = {**os.environ, "XDG_RUNTIME_DIR": sockets, "TMPDIR": str(tmp_path)}
    for words, told in (((), f"no socket in {SHARED}, "), (("--socket", "/nowhere/x.sock"), "/nowhere/x.sock: ")):
        done = subprocess.run(
            [sys.executable, str(ROOT / "formbath.py"), "console", *words],
            env=env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=BOUND_S, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stdout) == (3, "")
        assert f"no running service: {told}" in done.stderr
        assert "`formbath run BATH.toml` starts a service" in done.stderr
        assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "env", "terminal", "expected"),
    [
        ((), {"TERM": "xterm"}, True, Look()),
        ((), {"TERM": "dumb"}, True, Look(plain=True)),
        ((), {}, True, Look(plain=True)),
        ((), {"TERM": "xterm"}, False, Look(plain=True)),
        (("--plain", "--ascii"), {"TERM": "xterm"}, True, Look(plain=True, ascii_only=True)),
        (("--still", "--mouse", "--no-colour"), {"TERM": "xterm"}, True, Look(still=True, mouse=True, colour=False)),
    ],
)
def test_look_of_the_console(words, env, terminal, expected):
    """Options as typed; without a terminal that can do it, lines of text; colours are the console's to decide."""
    parser = argparse.ArgumentParser()
    add_look(parser)
    assert look_of(parser.parse_args(words), env, terminal=terminal) == expected


def test_headless_is_the_service_itself_even_on_a_terminal(on_terminal, plant, bath):
    """`--headless` starts no other process: the program on the terminal is the service, and SIGTERM ends it with 0."""
    one = on_terminal("run", str(bath), "--headless")
    said = one.read("service runs, socket ")
    assert "console on" not in said
    one.process.terminate()
    code, _ = one.end()
    assert code == 0
