"""Runs the command `study` in a process of its own, on a terminal of its own where that is asked for."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
from pathlib import Path
from time import monotonic

ROOT = Path(__file__).parents[2]
PROGRAM = """
import argparse, sys
from controller.service.errors import Unreachable
from profiles.problems import InputError
from simulator.bench import studycmd
parser = argparse.ArgumentParser()
studycmd.add_arguments(parser)
try:
    sys.exit(studycmd.run(parser.parse_args()))
except InputError as error:
    sys.exit((sys.stderr.write(f"{error}\\n"), 2)[1])
except Unreachable as error:
    sys.exit((sys.stderr.write(f"{error}\\n"), 3)[1])
"""


class Terminal:
    """A study whose standard error is a terminal; its own process group, as a shell would give it."""

    def __init__(self, *words):
        self._master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *words],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=slave, stdin=subprocess.DEVNULL, text=True, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.said = ""

    def until(self, word, seconds=120.0):
        """Read what is said until a word comes; fails, with the process gone, where it does not within so long."""
        end = monotonic() + seconds
        while word not in self.said:
            ready, _, _ = select.select([self._master], [], [], max(0.0, end - monotonic()))
            if not ready or monotonic() > end:
                os.killpg(self.process.pid, signal.SIGKILL)
                raise AssertionError(f"no {word!r} in {self.said[-300:]!r}")
            self.said += os.read(self._master, 4096).decode()

    def workers(self):
        """Process numbers of the workers it has started."""
        pid = self.process.pid
        children = [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
        return [child for child in children if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()]

    def ended(self):
        """Wait for its end; exit code, standard output, all that the terminal showed."""
        out, _ = self.process.communicate(timeout=60)
        try:
            while select.select([self._master], [], [], 0)[0]:
                self.said += os.read(self._master, 4096).decode()
        except OSError:
            pass  # nobody has the terminal open any more
        os.close(self._master)
        return self.process.returncode, out, self.said
