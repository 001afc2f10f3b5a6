"""A real pseudo-terminal with a program in it, and what a person sees and types there. Nothing here sleeps to wait."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pyte

BOUND_S = 20.0
FINGERS_S = 0.025
"""Between two letters at least: what comes faster was typed by no fingers, and the console drops it."""

KEYS = {
    "enter": b"\r", "esc": b"\x1b", "up": b"\x1b[A", "down": b"\x1b[B", "right": b"\x1b[C", "left": b"\x1b[D",
    "page up": b"\x1b[5~", "page down": b"\x1b[6~", "home": b"\x1b[H", "end": b"\x1b[F", "backspace": b"\x7f",
    "ctrl l": b"\x0c", "ctrl c": b"\x03", "tab": b"\t", "space": b" ",
}  # fmt: skip

LEADS = """
import fcntl, os, signal, sys, termios
signal.signal(signal.SIGINT, signal.SIG_DFL)
if sys.argv[1] == "own":
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execvp(sys.argv[2], sys.argv[2:])
"""
"""Makes the terminal the session's own, so that hanging up is felt as a signal, and becomes the program.

An interrupt is felt whatever started the tests: a shell that puts them into the background lets them ignore it, and
what ignores it hands that on.
"""


class Terminal:
    """A program on its own pseudo-terminal, seen through a terminal emulator."""

    def __init__(
        self,
        words: Sequence[str],
        folder: Path,
        *,
        columns: int = 80,
        lines: int = 24,
        env: Mapping[str, str] | None = None,
        own: bool = True,
    ) -> None:
        self.master, self.slave = pty.openpty()
        self.raw = bytearray()
        self._screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self._screen)
        self._lock = threading.Lock()
        self._size(columns, lines)
        self.before = termios.tcgetattr(self.slave)
        self.child = subprocess.Popen(
            [sys.executable, "-c", LEADS, "own" if own else "borrowed", *words],
            stdin=self.slave, stdout=self.slave, stderr=self.slave, cwd=folder,
            env={"PYTHONFAULTHANDLER": "1", **(env or os.environ)}, start_new_session=True,
        )  # fmt: skip
        self._free_s = 0.0
        self._ended = False
        self._master_open = True
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _size(self, columns: int, lines: int) -> None:
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def _read(self) -> None:
        while not self._ended:
            ready, _, _ = select.select([self.master], [], [], 0.1)
            if not ready:
                continue
            try:
                data = os.read(self.master, 65536)
            except BlockingIOError:  # an interrupt from the keyboard throws away what was there a moment ago
                continue
            except OSError:
                return
            with self._lock:
                self.raw += data
                self._stream.feed(data)

    # -- what is seen

    @property
    def text(self) -> str:
        """The whole screen as lines."""
        with self._lock:
            return "\n".join(self._screen.display)

    def row(self, number: int) -> str:
        """One line of the screen, the first is 1."""
        with self._lock:
            return self._screen.display[number - 1]

    def cells(self) -> list[list[pyte.screens.Char]]:
        """Every cell with its attributes."""
        with self._lock:
            return [[self._screen.buffer[y][x] for x in range(self._screen.columns)] for y in range(self._screen.lines)]

    def wait(self, pattern: str, bound_s: float = BOUND_S) -> str:
        """Wait until the screen shows the pattern; return the match. Fails with the screen after the bound."""
        found: list[str] = []

        def there() -> bool:
            match = re.search(pattern, self.text, re.MULTILINE)
            found[:] = [match.group()] if match else []
            return match is not None

        self.until(there, bound_s, pattern)
        return found[0]

    def wait_gone(self, pattern: str, bound_s: float = BOUND_S) -> None:
        """Wait until the screen shows the pattern no more."""
        self.until(lambda: re.search(pattern, self.text, re.MULTILINE) is None, bound_s, f"gone: {pattern}")

    def until(self, condition: Callable[[], object], bound_s: float = BOUND_S, what: str = "") -> None:
        """Wait for a condition, bounded."""
        give_up_s, pause = time.monotonic() + bound_s, threading.Event()
        while not condition():
            assert time.monotonic() < give_up_s, f"not within {bound_s:g} s: {what}\n{self.text}"
            assert self.child.poll() is None or condition(), f"ended with {self.child.returncode}: {what}\n{self.text}"
            pause.wait(0.02)

    def quiet(self, still_s: float = 0.1) -> None:
        """Wait until nothing has come for so long: what an ended program said last has been read."""
        seen, since_s, pause = -1, time.monotonic(), threading.Event()
        give_up_s = since_s + BOUND_S
        while time.monotonic() - since_s < still_s and time.monotonic() < give_up_s:
            if len(self.raw) != seen:
                seen, since_s = len(self.raw), time.monotonic()
            pause.wait(0.01)

    # -- what is done

    def press(self, *keys: str) -> None:
        """Press keys one after the other, each taken by the program before the next is sent."""
        for key in keys:
            self.send(KEYS.get(key, key.encode()))

    def type(self, text: str) -> None:
        """Type letters, one by one."""
        self.press(*text)

    def send(self, data: bytes) -> None:
        """Send bytes in one piece, and wait until the program has read them and waits again: a person's next key never
        comes in the same read, nor a letter right behind another.
        """
        before = self._read_bytes()
        pause = threading.Event()
        if len(data) == 1 and 32 <= data[0] < 127 and (left_s := self._free_s - time.monotonic()) > 0.0:
            pause.wait(left_s)
        os.write(self.master, data)
        self._taken(before + len(data))
        self._free_s = time.monotonic() + FINGERS_S

    def _taken(self, whole: int) -> None:
        """Wait until the program has read so many bytes in all, and waits again."""
        pause = threading.Event()
        give_up_s = time.monotonic() + BOUND_S
        while time.monotonic() < give_up_s and self.child.poll() is None:
            # What is written here arrives there a moment later: only what has been read tells that it was taken.
            if self._read_bytes() >= whole and not self._waiting() and self._asleep():
                return
            pause.wait(0.002)

    def pour(self, data: bytes) -> None:
        """Send more than a terminal's buffer holds, as it is taken."""
        os.set_blocking(self.master, False)
        give_up_s, at = time.monotonic() + BOUND_S, 0
        while at < len(data):
            assert time.monotonic() < give_up_s, "not taken"
            _, ready, _ = select.select([], [self.master], [], 0.1)
            if ready:
                try:
                    at += os.write(self.master, data[at : at + 2048])
                except BlockingIOError:
                    continue
        os.set_blocking(self.master, True)

    def click(self, column: int, line: int) -> None:
        """Press and release the left button over a cell; the first is 1, 1."""
        self.send(f"\x1b[<0;{column};{line}M".encode())
        self.send(f"\x1b[<0;{column};{line}m".encode())

    def say(self, line: str) -> None:
        """Type a line and Enter for a program that reads lines."""
        os.write(self.master, line.encode() + b"\n")

    def _read_bytes(self) -> int:
        """How many bytes the program's main thread has read so far."""
        pid = self.child.pid
        try:
            told = Path(f"/proc/{pid}/task/{pid}/io").read_text(encoding="ascii")
        except OSError:
            return sys.maxsize
        return int(told.split()[1])

    def _waiting(self) -> int:
        """Bytes that the program has not read yet."""
        count = bytearray(4)
        fcntl.ioctl(self.slave, termios.FIONREAD, count)
        return int(struct.unpack("i", count)[0])

    def state(self) -> str:
        """What the program's main thread does, as the system has it: R runs, S sleeps, T stopped, Z ended."""
        try:
            found = Path(f"/proc/{self.child.pid}/stat").read_text(encoding="ascii", errors="replace")
        except OSError:
            return "Z"
        return found.rpartition(")")[2].split()[0]

    def _asleep(self) -> bool:
        """Whether the program's main thread waits for something."""
        return self.state() in {"S", "Z", "T"}

    def resize(self, columns: int, lines: int) -> None:
        """Change the terminal's size; the program hears of it as from any terminal."""
        with self._lock:
            self._screen.resize(lines, columns)
        self._size(columns, lines)
        if self.child.poll() is None:
            os.killpg(self.child.pid, signal.SIGWINCH)

    def end(self, bound_s: float = BOUND_S) -> int:
        """Wait for the program to end. Fails with where each of its threads stands after the bound."""
        try:
            return self.child.wait(bound_s)
        except subprocess.TimeoutExpired:
            self.child.send_signal(signal.SIGABRT)
            self.child.wait(bound_s)
            self.quiet()
            raise AssertionError(f"did not end within {bound_s:g} s:\n{self.raw.decode(errors='replace')}") from None

    def rest(self) -> None:
        """Read no more: whoever asked for it reads the master itself."""
        self._ended = True
        self._reader.join(BOUND_S)

    def hang_up(self) -> None:
        """Close both of our ends, as a dropped connection does; nothing can be seen or typed any more."""
        self._ended = True
        self._reader.join(BOUND_S)
        os.close(self.slave)
        os.close(self.master)
        self._master_open = False

    def close(self) -> None:
        """End it whatever it does, and let go of the terminal."""
        if self.child.poll() is None:
            os.killpg(self.child.pid, signal.SIGKILL)
            self.child.wait(BOUND_S)
        if self._master_open:
            self.hang_up()

    def sane(self) -> list[str]:
        """What is not as it was before the program ran; empty: the terminal is sane."""
        wrong = []
        now = termios.tcgetattr(self.slave)
        for name, at in (("input", 0), ("output", 1), ("local", 3)):
            if now[at] != self.before[at]:
                wrong.append(f"{name} flags {now[at]:o}, were {self.before[at]:o}")
        with self._lock:
            said = bytes(self.raw)
        for name, on, off in (
            ("cursor", b"\x1b[?25l", b"\x1b[?25h"),
            ("paste mode", b"\x1b[?2004h", b"\x1b[?2004l"),
            ("alternate screen", b"\x1b[?1049h", b"\x1b[?1049l"),
            ("mouse", b"\x1b[?1000h", b"\x1b[?1000l"),
        ):
            if said.rfind(on) > said.rfind(off):
                wrong.append(f"{name} left switched")
        return wrong
