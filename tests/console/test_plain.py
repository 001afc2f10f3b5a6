"""The plain console, in a pipe and on a terminal: text lines only, and by them alone everything that is needed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable

import floor
import pytest

from controller.console import plainwords

PRINTABLE = {*range(32, 127), 10}


class Pipe:
    """A plain console between two pipes."""

    def __init__(self, bath: floor.Floor, *words: str) -> None:
        self.raw = bytearray()
        self._at = 0
        self.child = subprocess.Popen(
            [sys.executable, str(floor.FRONT_DOOR), "console", "--socket", str(bath.socket), *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=bath.env, cwd=bath.folder,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while data := os.read(self.child.stdout.fileno(), 65536):
            self.raw += data

    def say(self, line: str) -> None:
        """Send one line; what is waited for next comes after it."""
        self._at = len(self.raw)
        self.child.stdin.write(line.encode() + b"\n")
        self.child.stdin.flush()

    def answer(self, line: str) -> None:
        """Answer a question that was just printed, again as long as the answer came faster than it could be read."""

        def taken() -> bool:
            self.say(line)
            return "too fast" not in self.wait(r".*\n")

        floor.until(taken, what=f"{line} is taken as an answer")

    @property
    def text(self) -> str:
        """What came since the last line was sent."""
        return bytes(self.raw[self._at :]).decode("ascii")

    def wait(self, pattern: str) -> str:
        """Wait for the pattern among what came since."""

        def found() -> str:
            match = re.search(pattern, self.text, re.MULTILINE)
            assert match or self.child.poll() is None, self.text
            return match.group() if match else ""

        give_up: Callable[[], str] = found
        try:
            return floor.until(give_up, 20.0, pattern)
        except AssertionError as error:
            raise AssertionError(f"{error}\n{bytes(self.raw).decode()}") from None

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.wait(floor.BOUND_S)
        self._reader.join(floor.BOUND_S)
        self.child.stdin.close()
        self.child.stdout.close()


@pytest.fixture(scope="session")
def bath(request, tmp_path_factory) -> floor.Floor:
    return floor.shared(request.config, tmp_path_factory.mktemp("floor"))


@pytest.fixture
def own(tmp_path):
    made = floor.Floor(tmp_path)
    made.prepare()
    yield made
    made.close()


@pytest.fixture
def pipe(own):
    made = Pipe(own, "--plain")
    made.wait("plain console")
    made.wait("A04")
    yield made
    made.close()


def current_A(bath: floor.Floor, name: str) -> float:
    return float(bath.circuit(name)["set_current_A"])


@pytest.mark.slow
def test_everything_by_plain_lines_alone(own, pipe):
    """Resume and hold with a typed name, block, unblock, note, the start list's ticks and the start, status, alarms,
    help: each said back, read back, and done. Only printable text and line ends come out.
    """
    pipe.say("status")
    pipe.wait(r"A03 state held.*V/cell")
    pipe.say("alarms")
    pipe.wait("no alarm is open")
    pipe.say("resume A03")
    pipe.wait("(?i)to resume type a03")
    pipe.answer("a02")
    pipe.wait("(?i)a03")
    own.cycles(2)
    assert own.circuit("A03")["state"] == "held"
    pipe.answer("a03")
    pipe.wait(r"resume A03.*read back")
    floor.until(lambda: own.circuit("A03")["state"] == "running", what="A03 is shown running")
    pipe.say("hold A03")
    pipe.wait(r"STOP/HOLD A03")
    pipe.say("")
    pipe.wait(r"hold A03.*read back \(0\.0 A\)")
    floor.until(lambda: own.circuit("A03")["state"] == "held", what="A03 is shown held")
    pipe.say("block A03")
    pipe.wait("NOT ISOLATION")
    pipe.say("")
    pipe.wait(r"A03 state BLOCKED root")
    pipe.say("resume A03")
    pipe.wait("(?i)block")
    own.cycles(2)
    assert own.circuit("A03")["state"] == "held"
    pipe.say("cancel")
    pipe.say("unblock A03")
    pipe.wait("(?i)type a03")
    pipe.answer("a03")
    pipe.wait(r"A03 state held")
    pipe.say("note A03 pump hums; \x1b[31mtwice")
    own.until_event("pump hums; [31mtwice")
    _start_by_list(own, pipe)
    pipe.say("help")
    pipe.wait("NOT the emergency stop")
    pipe.say("quit")
    assert pipe.child.wait(floor.BOUND_S) == 0
    assert set(pipe.raw) <= PRINTABLE


def _start_by_list(own: floor.Floor, pipe: Pipe) -> None:
    """Tick both items of A02, start it with its name, hold it again."""
    pipe.say("list A02")
    pipe.wait("polarity looked at, both ends")
    for item in (1, 2):
        pipe.say(f"tick A02 {item}")
        pipe.wait("done A02")
    # The console's own picture may be a cycle behind the answers.
    floor.until(lambda: _listed(pipe), what="both ticks are in the list")
    pipe.say("start A02")
    pipe.wait("(?i)to start type a02")
    pipe.answer("A02")
    pipe.wait(r"start A02.*read back")
    floor.until(lambda: own.circuit("A02")["state"] == "running", what="A02 is shown running")
    pipe.say("hold A02")
    pipe.wait("STOP/HOLD A02")
    pipe.say("")
    pipe.wait(r"hold A02.*read back \(0\.0 A\)")


def _listed(pipe: Pipe) -> bool:
    """Whether the start list, printed once more, lacks nothing."""
    pipe.say("list A02")
    pipe.wait("2 nobody at this bath[^\\n]*\\n")
    return "[ ]" not in pipe.text


def test_cancel_leaves_it_and_so_does_a_wrong_name(own, pipe):
    """At an open dialogue: `cancel` leaves everything as it is; a wrong name, another circuit's or none is refused."""
    before = own.orders()
    pipe.say("resume A03")
    pipe.wait("(?i)to resume type a03")
    for wrong in ("a02", "yes", "a033", "", "resume A03"):
        pipe.answer(wrong)
        pipe.wait("(?i)type a03")
    pipe.say("cancel")
    pipe.wait("left as it is")
    pipe.say("stop A03")
    pipe.wait("(?i)type a03")
    pipe.say("")
    pipe.wait("type A03 first")
    pipe.say("CANCEL")
    pipe.wait("left as it is")
    assert own.orders() == before
    assert own.circuit("A03")["state"] == "held"


def test_answers_that_come_with_their_question_start_nothing(own, pipe):
    """Lines pasted together, and a name behind the order on its own line: the question is asked, nothing is sent."""
    before = own.orders()
    pipe.say("resume A03 a03")
    pipe.wait("not used: a03")
    pipe.wait("(?i)to resume type a03")
    pipe.say("cancel")
    pipe.wait("left as it is")
    pipe.say("resume A03\na03\na03")
    pipe.wait(r"(?s)too fast.*too fast")
    own.cycles(2)
    pipe.say("cancel")
    pipe.wait("left as it is")
    assert own.orders() == before
    assert own.circuit("A03")["state"] == "held"


def test_no_is_no_confirmation(own, pipe):
    """At a question that Enter would answer: `no` and anything like it leaves it asked and sends nothing."""
    before = own.orders()
    for order, name in (("hold", "A03"), ("block", "A02")):
        pipe.say(f"{order} {name}")
        pipe.wait("cancel leaves it")
        for line in ("no", "no, about that", "x"):
            pipe.say(line)
            pipe.wait("nothing was sent: an empty line or yes does it")
        pipe.say("cancel")
        pipe.wait("left as it is")
    own.cycles(2)
    assert own.orders() == before


def test_stop_ends_the_run_by_its_typed_name(own, pipe):
    """`stop` ends an open run for good, and only after the circuit's name."""
    pipe.say("stop A03")
    pipe.wait("(?i)type a03")
    pipe.say("a03")
    pipe.wait(r"A03 state stopped")
    floor.until(lambda: own.circuit("A03")["state"] == "stopped", what="A03 is shown stopped")


def test_every_word_of_the_help_is_known(bath):
    """Whatever the help offers does something here: no word of it is answered as unknown."""
    pipe = Pipe(bath, "--plain")
    try:
        pipe.wait("A04")
        for word in plainwords.ORDERS:
            pipe.say(f"{word} A04")
            pipe.wait(r"\S+\n")
            assert "no such" not in pipe.text
            pipe.say("cancel")
            pipe.wait("left as it is|no such word: cancel")
        pipe.say("help")
        told = pipe.wait(r"(?s)status.*and only then hands")
        wanted = {*plainwords.ORDERS, *plainwords.OTHERS} - {"help", *plainwords.IN_REPLAY}
        assert sorted(word for word in wanted if word not in told) == []
    finally:
        pipe.close()


@pytest.mark.slow
def test_lines_that_ask_for_nothing(bath):
    """A word, circuit or item that is not there: one line that says what would be right, and nothing is asked."""
    before = bath.orders()
    pipe = Pipe(bath, "--plain")
    try:
        pipe.wait("A04")
        for line, answer in (
            ("strat A02", "no such word: strat"), ("hold", "no circuit or bath"),
            ("hold Z99", "no circuit or bath Z99"),
            ("tick A02 9", "no item 9"), ("tick A02 x", "write tick"), ("acknowledge A02", "no alarm waits"),
            ("faster", "only a stepped plant"), ("\x00\x1b[2J\xff", "no such word"), ("s" * 5000, "no such word"),
        ):  # fmt: skip
            pipe.say(line)
            pipe.wait(re.escape(answer))
        pipe.child.stdin.close()
        assert pipe.child.wait(floor.BOUND_S) == 0, "the end of input is a quit"
        pipe._reader.join(floor.BOUND_S)
        assert set(pipe.raw) <= PRINTABLE
    finally:
        pipe.close()
    assert bath.orders() == before


def test_in_a_pipe_the_plain_one_opens_by_itself(bath):
    """Without a terminal there is no screen, whatever TERM says."""
    pipe = Pipe(bath)
    try:
        pipe.wait("plain console")
        pipe.say("status A03")
        pipe.wait("A03 held since")
        assert set(pipe.raw) <= PRINTABLE
    finally:
        pipe.close()


def test_each_line_begins_with_time_circuit_and_kind(bath):
    """What changed is printed as time, circuit, kind; nothing is printed while nothing changes."""
    pipe = Pipe(bath, "--plain")
    try:
        pipe.wait(r"^\d\d:\d\d:\d\d A04 state ")
        lines = bytes(pipe.raw).decode().splitlines()
        assert all(re.match(r"\d\d:\d\d:\d\d A\d* ?(state|alarm|link|purge|record)", line) for line in lines[1:]), lines
        size = len(pipe.raw)
        bath.cycles(4)
        assert len(pipe.raw) == size
    finally:
        pipe.close()


def test_plain_on_a_terminal(bath):
    """On a terminal too there is no escape, no bell, no colour; Ctrl-C ends it with 130, in a sentence."""
    with bath.console("--plain") as console:
        console.wait("A04 state")
        console.say("status")
        console.wait("V/cell")
        console.say("hold A03")
        console.wait("STOP/HOLD A03")
        console.say("cancel")
        console.wait("left as it is")
        console.pour(b"\x03")
        assert console.end() == 130
        console.quiet()
        assert set(console.raw) - {13} <= PRINTABLE
        assert b"Traceback" not in console.raw
        assert console.sane() == []
