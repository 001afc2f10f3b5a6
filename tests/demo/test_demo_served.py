"""The demo as two processes: a child with plant and service, a parent that holds its pipe and watches by the socket."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.service.client import Connection
from controller.service.errors import Unreachable
from controller.service.protocol import OrderMessage, PaceMessage, encode
from controller.verify.runfolder import verify_run
from simulator import watching
from simulator.demo import SEED, End, end_of

ROOT = Path(__file__).parents[2]
BOUND_S = 60.0
RATIO = 3_600.0


@pytest.fixture
def folder(tmp_path) -> Path:
    made = tmp_path / "demo-runs" / "1"
    made.mkdir(parents=True)
    return made


@contextlib.contextmanager
def client(path: Path) -> Iterator[Connection]:
    with Connection(path, BOUND_S) as connection:
        yield connection


def snapshot_with(connection: Connection, holds: Callable[[dict], bool]) -> dict:
    """The first snapshot that holds; bounded."""
    give_up_s = time.monotonic() + BOUND_S
    while time.monotonic() < give_up_s:
        seen = connection.snapshot(BOUND_S)
        if holds(seen):
            return seen
    raise AssertionError("no such snapshot in time")


def bath_events(folder: Path) -> str:
    return "".join(path.read_text() for path in folder.glob("A/events-*.csv"))


def until(holds: Callable[[], bool]) -> None:
    give_up_s, moment = time.monotonic() + BOUND_S, threading.Event()
    while not holds():
        assert time.monotonic() < give_up_s, "did not come true in time"
        moment.wait(0.05)


def running(seen: dict) -> int:
    return sum(each["state"] == "running" for each in seen["circuits"])


def pace(connection: Connection, order_id: str, **wanted) -> None:
    connection._send(encode(PaceMessage(id=order_id, **wanted)))
    assert connection._reply("answer", order_id, BOUND_S)["accepted"]


def watch(folder: Path, console, ratio: float = RATIO) -> tuple[int, str]:
    """A demo with this console; exit code and what was printed."""
    out = io.StringIO()
    return watching.watch(folder, SEED, ratio, console, out), out.getvalue()


@pytest.mark.slow
def test_left_early_everything_is_held_told_and_whole(folder):
    """A person looks, leaves at some hour: exit 0, each run told as open, the hour named, every record whole."""

    def console(paths):
        with client(paths[0]) as connection:
            served = connection.who(BOUND_S)
            assert (served.virtual, served.runs, served.bath) == (True, str(folder), "A")
            seen = snapshot_with(connection, lambda seen: running(seen) == 8)
            assert seen["pace"] == {"ratio": RATIO, "paused": False}
        return 0

    code, told = watch(folder, console)
    assert code == 0
    assert told.count(" open 0:") == 8
    assert " of plant time, 0 of 8 complete\nNext: formbath verify demo-runs/1/*A0*\n" in told
    assert "NOT" not in told
    for head in folder.glob("*/run.json"):
        verdict = verify_run(head.parent)
        assert verdict.wrong == []
        assert verdict.compared > 0
        last = (head.parent / "log.csv").read_text().splitlines()[-1]
        assert ",held,0.000," in last or ",held,0," in last, last
    assert "the demo was left" in bath_events(folder)


@pytest.mark.slow
def test_pause_goes_on_showing_and_answers_orders(folder):
    """Paused over the socket: plant time stands, pictures keep coming, an order is answered and read back."""

    def console(paths):
        with client(paths[0]) as connection:
            snapshot_with(connection, lambda seen: running(seen) >= 7)
            pace(connection, "p1", paused=True)
            first = snapshot_with(connection, lambda seen: seen["pace"]["paused"])
            assert [connection.snapshot(BOUND_S)["now_ms"] for _ in range(2)] == [first["now_ms"]] * 2
            message = OrderMessage(id="o1", verb="hold", target="A01")
            assert connection.order(message, BOUND_S).accepted
            assert "0.0 A" in connection.read_back("o1", BOUND_S).text
            after = snapshot_with(connection, lambda seen: seen["circuits"][0]["state"] == "held")
            assert after["pace"]["paused"]
            rest = connection.snapshot(BOUND_S)["now_ms"]
            assert 0 < rest - first["now_ms"] <= 6 * 5_000
            assert connection.snapshot(BOUND_S)["now_ms"] == rest
            pace(connection, "p2", ratio=1_200.0, paused=False)
            seen = snapshot_with(connection, lambda seen: seen["now_ms"] > rest + 60_000)
            assert seen["pace"] == {"ratio": 1_200.0, "paused": False}
        return 0

    code, _ = watch(folder, console)
    assert code == 0
    assert "taken over" in bath_events(folder)


def test_console_s_own_code_comes_through(folder):
    """What the console ends with is what the command ends with; a console that raises ends the child all the same."""
    paths = []
    assert watch(folder, lambda seen: paths.extend(seen) or 130)[0] == 130

    def broken(seen):
        paths.extend(seen)
        raise ValueError("inside the console")

    with pytest.raises(ValueError, match="inside the console"):
        watch(folder, broken)
    assert len(paths) == 2
    assert not any(path.exists() for path in paths)


def test_plant_that_dies_is_told(folder):
    """The child is killed under the console: said in one sentence with exit code 3."""
    seen = []

    def console(paths):
        seen.extend(paths)
        with client(paths[0]) as connection:
            connection.snapshot(BOUND_S)
        number = int(paths[0].stem.rpartition("-")[2])
        os.kill(number, signal.SIGKILL)
        return 0

    with pytest.raises(Unreachable, match="ended by itself"):
        watch(folder, console)
    assert not seen[0].exists(), "what it left in the way of others is put away"


def test_plant_that_cannot_start_says_why(tmp_path):
    """A child that fails before its first line: its own words reach the person, and no console opens."""
    with pytest.raises(Unreachable, match=r"did not start: demo: --speed: 0\.5, write 1 to 3600"):
        watch(tmp_path / "file" / "that" / "is" / "none", lambda _: 0, ratio=0.5)


PARENT = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from simulator.watching import child
with child(Path(sys.argv[1]), 7, 300.0) as one:
    print(one.socket(), one.own.process.pid, flush=True)
    sys.stdin.read()
"""


def test_child_ends_in_order_when_its_parent_is_killed(folder):
    """The parent gets SIGKILL: its pipe closes, the child holds, reads back, records its end and is gone."""
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, str(folder), str(ROOT)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        path, _, number = parent.stdout.readline().strip().rpartition(" ")
        assert os.getsid(int(number)) == int(number), "the child has a session of its own"
        with client(Path(path)) as connection:
            snapshot_with(connection, lambda seen: running(seen) >= 7)
            parent.kill()
            parent.wait(BOUND_S)
            with pytest.raises(Unreachable, match="hung up"):
                snapshot_with(connection, lambda seen: False)
        # The socket goes first, the record's last rows a moment later.
        until(lambda: "the demo was left" in bath_events(folder))
        assert not Path(path).exists()
    finally:
        parent.kill()
        parent.wait(BOUND_S)
        for pipe in (parent.stdin, parent.stdout):
            pipe.close()


def test_child_wants_a_pipe():
    """Somebody who types the hidden option gets a sentence, not a plant that nobody can end."""
    done = subprocess.run(
        [sys.executable, ROOT / "formbath.py", "demo", "--serve", "x"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=BOUND_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert "wants a pipe" in done.stderr


@pytest.mark.parametrize("line", ["", "no json", "[]", "{}", '{"format": "formbath/demo-end/2"}'])
def test_line_of_another_form_is_no_end(line):
    """Only the line that a child prints at its end is read as one."""
    assert end_of(line) is None
    whole = End(22_920.0, over=False, taken_over=True, surprises=("one",))
    assert end_of(whole.line()) == whole
