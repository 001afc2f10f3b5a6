"""Do the core's tests notice when the core is changed? Change it in hundreds of small ways and see.

    python tests/mutants.py [--count 500] [--seed 1] [--workers 2] [--file controller/core/limits.py] [--survivors FILE]
    python tests/mutants.py --short     twenty of them, always by the same seed
    python tests/mutants.py --list      every mutant there is, and nothing run
    python tests/mutants.py --table     which tests are run for which file, in their order

Mutants are drawn by chance from all there are in `controller/core`. Each is made in a copy of the project, and the
core's tests that are not marked slow run on it, those that speak of the changed file first, until one fails. A failure,
an error and a run without end count as noticed. Survivors are named; `tests/mutants/harmless.txt` holds those that can
do no harm, with the reason. Exit 1 where less than `--least` percent are noticed, the harmless ones counted as not
noticed; 2 where nothing could be tried: a library is missing, or the tests fail on the unchanged core. Needs
`pip install -e '.[test,mutants]'`, and a system that can fork.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE / "mutants"))

try:
    import choice
    import listing
    import report
    import trial
except ImportError as missing:
    sys.stderr.write(f"{missing}: pip install -e '.[test,mutants]'\n")
    sys.exit(2)

CORE, TESTS = "controller/core", "tests/core"
SHORT_COUNT, SHORT_LEAST = 20, 80.0
"""Of twenty drawn where 93 % are noticed, three or more survive once in six draws, five or more once in a hundred."""


@dataclass(frozen=True)
class Job:
    """One run: the test files, and the mutant they run on (none while the unchanged core is measured)."""

    files: list[str]
    mutant: listing.Mutant | None = None
    change: listing.Change | None = None
    later: tuple[list[str], ...] = ()


@dataclass(frozen=True)
class Measured:
    """The unchanged tests: text and seconds by file, seconds until the first test of all begins."""

    texts: dict[str, str]
    seconds: dict[str, float]
    collecting_s: float


class Unusable(Exception):
    """Nothing can be said about mutants."""


def say(text: str) -> None:
    """Write a line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def drive(
    trees: list[Path],
    jobs: Iterator[Job],
    begin: Callable[[Path, Job], int],
    ended: Callable[[Path, Job, int], Job | None],
) -> None:
    """Keep every tree at work until the jobs are done; `ended` may return what must follow in the same tree."""
    free, running = list(trees), {}
    try:
        while True:
            while free and (job := next(jobs, None)) is not None:
                tree = free.pop()
                running[begin(tree, job)] = tree, job
            if not running:
                return
            child, status = trial.wait()
            tree, job = running.pop(child)
            following = ended(tree, job, status)
            if following is None:
                free.append(tree)
            else:
                running[begin(tree, following)] = tree, following
    finally:
        for child in running:
            trial.end(child)


def measure(trees: list[Path], root: Path, short: bool) -> Measured:
    """Run the tests on the unchanged core, all together (but in the short form) and each file alone; all must pass."""
    texts = {
        file.relative_to(root).as_posix(): file.read_text("utf-8") for file in sorted((root / TESTS).rglob("test_*.py"))
    }
    if not texts:
        raise Unusable(f"{root / TESTS} has no tests")
    jobs = [*(() if short else (Job(sorted(texts)),)), *(Job([name]) for name in texts)]
    runs: dict[tuple[str, ...], trial.Run] = {}

    def ended(tree: Path, job: Job, status: int) -> None:
        run = trial.told(tree, status)
        if run.code not in {0, 5}:
            raise Unusable(f"on the unchanged core {' '.join(job.files)} ends with {run.code}:\n{run.output[-3000:]}")
        runs[tuple(job.files)] = run
        if len(job.files) == 1:
            trial.preload(run.modules)

    drive(trees, iter(jobs), lambda tree, job: trial.start(tree, job.files, trial.Bounds({}), measuring=True), ended)
    some = {name: text for name, text in texts.items() if runs[(name,)].code == 0}  # 5: all its tests are slow
    seconds = {name: runs[(name,)].spent_s.get(name, 0.0) for name in some}
    return Measured(some, seconds, max(run.spent_s.get("", 0.0) for run in runs.values()))


def drawn(root: Path, mutants: list[listing.Mutant], options: argparse.Namespace, measured: Measured) -> Iterator[Job]:
    """Yield mutants by chance, each with the tests of its first round, until there are enough."""
    order, left = list(mutants), options.count
    random.Random(options.seed).shuffle(order)
    for mutant in order:
        if not left:
            return
        source = (root / mutant.file).read_text(encoding="utf-8")
        change = listing.change_of(source, mutant)
        if change is not None:
            first, *later = choice.rounds(mutant.file, source, measured.texts, measured.seconds)
            left -= 1
            yield Job(first, mutant, change, () if options.short else tuple(later))


def try_out(trees: list[Path], jobs: Iterator[Job], root: Path, measured: Measured) -> list[report.Result]:
    """Run the tests on every mutant and return how each ended."""
    results: list[report.Result] = []
    since_s = time.monotonic()

    def begin(tree: Path, job: Job) -> int:
        (tree / job.mutant.file).write_text(job.change.source, encoding="utf-8")
        return trial.start(tree, job.files, trial.Bounds(measured.seconds, measured.collecting_s))

    def ended(tree: Path, job: Job, status: int) -> Job | None:
        verdict = trial.verdict(status)
        if verdict == trial.FOREIGN:
            raise Unusable("the core was not imported from the copy: another one is installed before it")
        if verdict == trial.SURVIVED and job.later:
            return replace(job, files=job.later[0], later=job.later[1:])
        (tree / job.mutant.file).write_text((root / job.mutant.file).read_text("utf-8"), encoding="utf-8")
        results.append(report.Result(job.mutant, job.change, verdict))
        if verdict == trial.SURVIVED:
            say(f"survived: {report.told(results[-1])}")
        if len(results) % 10 == 0:
            each_s = (time.monotonic() - since_s) / len(results)
            say(f"{len(results):5d} tried, {report.percent(results):.1f} % noticed, {each_s:.2f} s each")
        return None

    drive(trees, jobs, begin, ended)
    return results


def run(options: argparse.Namespace, root: Path, names: list[str]) -> int:
    """Try the mutants out in temporary trees and report."""
    entries = report.read_harmless(HERE / "mutants" / "harmless.txt")
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        trees = [Path(folder).resolve() / f"tree{number}" for number in range(options.workers)]
        for tree in trees:
            trial.make_tree(root, tree)
        own = trees[0]  # one state of the project for the whole run, whatever is edited meanwhile
        start_s = time.monotonic()
        measured = measure(trees, own, options.short)
        total_s = sum(measured.seconds.values()) + measured.collecting_s
        took_s = time.monotonic() - start_s
        say(f"unchanged: {len(measured.texts)} test files pass, {total_s:.1f} s; {took_s:.1f} s with each alone, too")
        if options.table:
            for name in names:
                source = (own / name).read_text(encoding="utf-8")
                first = choice.rounds(name, source, measured.texts, measured.seconds)[0]
                say(f"{name}: {' '.join(Path(test).name for test in first)}")
            return 0
        pristine = Path(folder).resolve() / "pristine"
        trial.make_tree(own, pristine)
        mutants = listing.list_mutants(pristine, names)
        say(f"{len(mutants)} mutants in {len(names)} files; {options.count} by seed {options.seed}")
        results = try_out(trees, drawn(pristine, mutants, options, measured), pristine, measured)
        old = report.stale(entries, pristine)
    return conclude(options, results, entries, old)


def conclude(
    options: argparse.Namespace,
    results: list[report.Result],
    entries: list[report.Harmless],
    old: list[report.Harmless],
) -> int:
    """Say how it went; return the exit code."""
    lines = report.survivor_lines(results, entries)
    say("\n".join(["", *report.by_file(results), "", *lines]))
    for entry in old:
        say(f"harmless.txt: no such line any more: {entry.file}: {entry.quote}")
    say(report.summary(results, entries))
    if options.survivors:
        options.survivors.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    if not results:
        raise Unusable("there is no mutant to try")
    return 0 if report.percent(results) >= options.least else 1


def read_options(words: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=500, help="how many mutants to draw")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--file", action="append", help=f"only mutants of this file of {CORE}; may be given again")
    parser.add_argument("--survivors", type=Path, help="write the survivors to this file, too")
    parser.add_argument("--least", type=float, default=None, help="percent that must be noticed, 90 unless told")
    parser.add_argument("--root", type=Path, default=HERE.parent, help="another checkout of the project")
    parser.add_argument(
        "--short", action="store_true", help=f"{SHORT_COUNT} mutants, at least {SHORT_LEAST:.0f} %% of them"
    )
    parser.add_argument("--list", action="store_true", help="list all mutants and stop")
    parser.add_argument("--table", action="store_true", help="say which tests come first for each file and stop")
    options = parser.parse_args(words)
    if options.short:
        options.count, options.seed = SHORT_COUNT, 1
    if options.least is None:
        options.least = SHORT_LEAST if options.short else 90.0
    if options.count < 1 or options.workers < 1:
        parser.error("--count and --workers begin at 1")
    return options


def main(words: list[str] | None = None) -> int:
    """Do what the command line says and return the exit code."""
    options = read_options(words)
    root = options.root.resolve()
    files = [file.relative_to(root).as_posix() for file in sorted((root / CORE).rglob("*.py"))]
    names = options.file or files
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(2))  # as after Ctrl-C: end the runs, take the copies away
    try:
        if not set(names) <= set(files) or not names:
            raise Unusable(f"not a file of {CORE}: {' '.join(sorted(set(names) - set(files)))}")
        if options.list:
            for mutant in listing.list_mutants(root, names):
                say(f"{mutant.file}:{mutant.line}: {mutant.operator} {mutant.occurrence}")
            return 0
        return run(options, root, names)
    except Unusable as why:
        sys.stderr.write(f"{why}\n")
        return 2


if __name__ == "__main__":
    sys.exit(main())
