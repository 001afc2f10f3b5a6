"""Runs of pytest in forked processes: the libraries are imported once, the core anew in each from its own tree.

A run that spends more than five times its unmutated computing time (plus 5 s) on a test file is ended by the kernel, by
a timer that counts computing and not waiting, so that a busy machine ends nothing; a second one bounds the waiting.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings

KILLED, SURVIVED, TIMED_OUT, FOREIGN = "killed", "survived", "timed out", "foreign"
MEMORY_B = 4 * 1024**3
NOT_COPIED = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info", "build", "dist", "venv", "runs", "demo-runs")
ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""No threads in libraries: they do not survive a fork."""


@dataclass
class Bounds:
    """A plugin: how long each test file takes, and an end to what takes far longer than it should.

    `usual_s`: computing time of each file, unmutated; empty where that is being measured, and nothing is bounded.
    """

    usual_s: dict[str, float]
    collecting_s: float = 0.0
    spent_s: dict[str, float] = field(default_factory=dict)
    now_at: str = ""
    since_s: float = 0.0

    def begin(self, name: str, usual_s: float) -> None:
        """Turn to the next file, or to collecting (an empty name)."""
        now_s = time.process_time()
        self.spent_s[self.now_at] = self.spent_s.get(self.now_at, 0.0) + now_s - self.since_s
        self.now_at, self.since_s = name, now_s
        if self.usual_s:
            bound_s = 5.0 * usual_s + 5.0
            signal.setitimer(signal.ITIMER_PROF, bound_s)
            signal.setitimer(signal.ITIMER_REAL, 4.0 * bound_s + 60.0)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_logstart(self, nodeid):
        """Before each test: another file has begun, or not."""
        name = nodeid.partition("::")[0]
        if name != self.now_at:
            self.begin(name, self.usual_s.get(name, 0.0))


@dataclass(frozen=True)
class Run:
    """What a run of unmutated tests told: pytest's exit code, seconds by file, modules that were imported."""

    code: int
    spent_s: dict[str, float]
    modules: list[str]
    output: str


def make_tree(root: Path, tree: Path) -> None:
    """Copy the project; compiled files are bound to their source's content, never to its time, which may not change."""
    shutil.copytree(root, tree, ignore=NOT_COPIED)
    compiled = [
        sys.executable,
        "-m",
        "compileall",
        "-q",
        "--invalidation-mode",
        "checked-hash",
        str(tree / "controller"),
    ]
    subprocess.run(compiled, check=True)


def preload(modules: list[str]) -> None:
    """Import what the tests will need and what is not the project's, once for all runs."""
    os.environ.update(ENVIRONMENT)
    for name in modules:
        if name not in sys.modules:
            with contextlib.suppress(Exception):
                importlib.import_module(name)


def no_shrinking() -> None:
    """Make hypothesis stop at the first failure: that it fails is enough, the smallest example is not wanted."""
    phases = [Phase.explicit, Phase.generate]
    settings.register_profile(
        "mutants", phases=phases, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck)
    )
    settings.load_profile("mutants")


def ours(module: object, tree: Path) -> bool:
    """Whether a module comes from the tree."""
    return str(getattr(module, "__file__", None) or "").startswith(f"{tree}{os.sep}")


def _inside(tree: Path, files: list[str], bounds: Bounds, side: Path, measuring: bool) -> int:
    """Run the tests in this process, which then ends."""
    os.setsid()
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    os.chdir(tree)
    out = os.open(side / "output.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    for stream in (1, 2):
        os.dup2(out, stream)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_B, MEMORY_B))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    sys.path[:] = [str(tree), *(path for path in sys.path if not path.startswith(str(Path(__file__).parents[1])))]
    os.environ.update(PYTHONPATH=str(tree), PYTHONDONTWRITEBYTECODE="1")
    os.environ.pop("FORMBATH_EXAMPLES", None)  # the same examples in every run
    sys.dont_write_bytecode = not measuring
    no_shrinking()
    bounds.since_s = time.process_time()
    bounds.begin("", bounds.collecting_s)
    told = ["--tb=short"] if measuring else ["--tb=no", "--show-capture=no"]
    options = ["-x", "-q", "-p", "no:cacheprovider", "-m", "not slow", f"--basetemp={side / 'tmp'}", *told]
    code = int(pytest.main([*options, *files], plugins=[bounds]))
    bounds.begin("", bounds.collecting_s)
    foreign = [name for name in sys.modules if name.startswith("controller") and not ours(sys.modules[name], tree)]
    if foreign:
        sys.stdout.write(f"not from the copy: {foreign}\n")
        return 99
    if measuring:
        modules = [name for name, module in sys.modules.items() if not ours(module, tree)]
        (side / "run.json").write_text(json.dumps({"spent_s": bounds.spent_s, "modules": modules}))
    return code


def start(tree: Path, files: list[str], bounds: Bounds, measuring: bool = False) -> int:
    """Fork a run of these test files (names from the tree) and return its process id."""
    side = tree.with_name(f"{tree.name}-side")
    side.mkdir(exist_ok=True)
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child:
        return child
    code = 98
    try:
        code = _inside(tree, files, bounds, side, measuring)
        sys.stdout.flush()
    finally:
        os._exit(code)


def wait() -> tuple[int, int]:
    """Wait until one run has ended, end what it has left behind, and return its process id and status."""
    child, status = os.wait()
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    return child, status


def end(child: int) -> None:
    """End a run that is still going on, with all that it has started."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    with contextlib.suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)  # where it has not yet got as far as having a group of its own
    os.waitpid(child, 0)


def told(tree: Path, status: int) -> Run:
    """Return what a measuring run has told."""
    side = tree.with_name(f"{tree.name}-side")
    output = (side / "output.txt").read_text(encoding="utf-8", errors="replace")
    data = {"spent_s": {}, "modules": []}
    if (side / "run.json").exists():
        data = json.loads((side / "run.json").read_text())
    return Run(os.waitstatus_to_exitcode(status), data["spent_s"], data["modules"], output)


def verdict(status: int) -> str:
    """Return what the end of a run says about its mutant."""
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in {signal.SIGPROF, signal.SIGALRM}:
        return TIMED_OUT
    code = os.waitstatus_to_exitcode(status)
    if code == 99:
        return FOREIGN
    return SURVIVED if code in {0, 5} else KILLED
