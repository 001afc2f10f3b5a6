"""The command `run`: without a terminal the service itself; on one, a service in a process of its own, then a console.

The service belongs to nobody's terminal: it goes on when the console is left, dies or hangs.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import controller
from controller.bathfile import Bath, load_bath
from controller.console.commands import add_look, attach_console, look_of, on_terminal
from controller.service import commands as service_commands
from controller.service.errors import Unreachable
from controller.service.locks import hold, locks_of
from profiles.problems import InputError, Problem, clean

FRONT_DOOR = Path(controller.__file__).parents[1] / "formbath.py"
LOOKS, LOOK_EVERY_S = 300, 0.1
"""How often, and how far apart, the log is looked at for the service's first word: 30 s in all."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    service_commands.add_arguments(parser)
    add_look(parser)


def run(args: argparse.Namespace) -> int:
    """Run the service, or start it and open the console on it; returns the console's exit code, else the service's.

    Raises InputError (exit 2) and Unreachable (exit 3).
    """
    if args.headless or not on_terminal():
        return service_commands.run(args)
    bath = load_bath(args.bath)
    refuse_if_served(bath)
    service = start(bath, args.reason)
    if service.socket is None:
        print("\n".join(service.said()), file=sys.stderr)  # noqa: T201 - a command's own words
        return int(service.process.returncode)
    try:
        code = attach_console([service.socket], look_of(args, os.environ, terminal=True))
    finally:
        # A terminal that hung up cannot be told anything any more; the service does not mind.
        with contextlib.suppress(OSError):
            print(service.left(bath.file.name), file=sys.stderr)  # noqa: T201 - a command's own words
    return code or service.failed()


@dataclass(frozen=True)
class Started:
    """The service's process, its log and where its own words begin there. `socket` None: it ended before it ran."""

    process: subprocess.Popen[bytes]
    log: Path
    begin: int
    socket: Path | None = None

    def said(self) -> list[str]:
        """Return what this service has said so far, whole lines, made fit for a terminal."""
        with self.log.open("rb") as file:
            file.seek(self.begin)
            text = file.read().decode("utf-8", "replace")
        return [clean(line) for line in text.rpartition("\n")[0].splitlines()]

    def failed(self) -> int:
        """Return the exit code of a service that has ended, 70 where a signal ended it; 0 while it runs on."""
        code = self.process.poll() or 0
        return service_commands.EXIT_FAILED if code < 0 else code

    def left(self, name: str) -> str:
        """Return the one line that says what goes on without the console, and how to end it."""
        code = self.process.poll()
        if code is not None:
            last = next((line for line in reversed(self.said()) if line), "nothing")
            return f"bath {name}: the service ended with {code}; the last line of its log {self.log.resolve()}: {last}"
        number = self.process.pid
        return (
            f"bath {name}: the service runs on (pid {number}, log {self.log.resolve()}). "
            f"`formbath console` attaches again; `kill -TERM {number}` holds every circuit, waits for zero read back "
            "and ends it"
        )


def refuse_if_served(bath: Bath) -> None:
    """Raise InputError where another service has this bath's runs or devices, with the way to look at that one."""
    try:
        hold(locks_of(bath), bath.document.name).close()
    except InputError as error:
        hint = Problem(bath.document.name, None, "run", "`formbath console` attaches to a service that runs here")
        raise InputError([*error.problems, hint]) from None


def start(bath: Bath, reason: str = "") -> Started:
    """Start the service, detached, and wait until it takes orders or has ended. Raises Unreachable after the bound.

    `reason`: why settings were changed, for the service's record.
    """
    folder = bath.runs_path / bath.file.name
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / "service.log"
    print(f"starting bath {bath.file.name}, log {log.resolve()}", file=sys.stderr, flush=True)  # noqa: T201 - as above
    why = [f"--reason={reason}"] if reason else []
    with log.open("ab") as out:
        begin = out.tell()
        process = subprocess.Popen(  # noqa: S603 - this program again, words of its own
            [sys.executable, str(FRONT_DOOR), "run", str(bath.document.path), "--headless", *why],
            stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True,
        )  # fmt: skip
    # Another `run` of this bath may write into the same log: only the line with this process's number counts.
    mark = service_commands.runs_mark(bath.file.name, process.pid)
    service = Started(process, log, begin)
    for _ in range(LOOKS):
        over = _has_ended(process, LOOK_EVERY_S)
        marks = [line for line in service.said() if line.startswith(mark)]
        if marks and not over:
            return Started(process, log, begin, Path(marks[-1].removeprefix(mark)))
        if over:
            return service
    process.terminate()
    raise Unreachable(
        f"the service did not take orders within {LOOKS * LOOK_EVERY_S:g} s and was told to end; see {log}"
    )


def _has_ended(process: subprocess.Popen[bytes], longest_s: float) -> bool:
    try:
        process.wait(longest_s)
    except subprocess.TimeoutExpired:
        return False
    return True
