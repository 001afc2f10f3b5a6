"""The command `study`: many virtual strings through one profile, in worker processes or on a cluster."""

from __future__ import annotations

import argparse
import contextlib
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path

from controller.charts.csvtable import to_csv
from controller.charts.svg import to_svg
from controller.charts.terminal import to_text
from controller.runs.outfile import wrong_place
from profiles.problems import InputError, Problem, clean
from simulator.bench.asked import WATER_C, add_setting_arguments, asked
from simulator.bench.digits import number_of, whole_of
from simulator.bench.grid import Axis, Grid, read_axes, settings_of, study_grid
from simulator.bench.plainfile import is_no_plain_file
from simulator.bench.setting import Setting
from simulator.bench.study import Study, studied
from simulator.bench.studyjson import as_json, grid_csv, strings_csv
from simulator.bench.studypictures import figures
from simulator.bench.studypool import MOST_WORKERS, WorkerLost, cluster, cores, processes
from simulator.bench.studyprogress import Progress
from simulator.bench.studytelling import grid_lines, lines

NAME = "study"
STRINGS, STRINGS_A_CELL = 1000, 128
MOST_STRINGS, MOST_IN_CELLS, MOST_SEED = 100_000, 200_000, 2**63 - 1
DONE, FAILED, INTERRUPTED = 0, 70, 130


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line asks for, all of it checked."""

    setting: Setting
    strings: int
    seed: int
    water_C: tuple[float, float] | None
    axes: tuple[Axis, ...]
    pool: Callable[[], AbstractContextManager[Executor]]
    file: Path | None
    as_json: bool

    @property
    def total(self) -> int:
        """Strings in all cells."""
        return self.strings * math.prod(len(axis.values) for axis in self.axes)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `study` takes."""
    parser.add_argument("profile", metavar="PROFILE", help="a profile file, or the name of one of the library")
    parser.add_argument("--strings", metavar="N", help=f"to try ({STRINGS}; a cell of --vary: {STRINGS_A_CELL})")
    parser.add_argument("--seed", default="1", metavar="N", help="of their differences (%(default)s)")
    parser.add_argument("--workers", metavar="N", help="processes (one for each core present)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="a Dask scheduler instead, such as tcp://10.0.0.5:8786")
    parser.add_argument("--water-C", dest="water", metavar="C", help="the bath's water (31), or a range LOW:HIGH")
    parser.add_argument(
        "--vary",
        metavar="NAME=LOW:HIGH:STEP",
        action="append",
        default=[],
        help="a table over water_C, air_C, batteries or a model parameter; a second one makes it two-way",
    )
    add_setting_arguments(parser, water=False, faults=False)
    parser.add_argument("-o", dest="file", metavar="FILE", help="figures as .svg, or a row a string (a cell) as .csv")
    parser.add_argument("--json", action="store_true", help="everything as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Study a profile and print what came of it. Returns 0; 130 interrupted, 70 a worker lost: with what was done.

    Raises InputError (exit 2), Unreachable (exit 3).
    """
    wanted = wanted_of(args)
    kept: list[Study | Grid] = []
    code, why = DONE, ""
    progress = Progress(wanted.total, sys.stderr)
    try:
        with wanted.pool() as pool, progress:
            _study(wanted, pool, progress, kept)
    except KeyboardInterrupt:
        code, why = INTERRUPTED, "interrupted"
    except WorkerLost as error:
        code, why = FAILED, str(error)
    if why:
        done = kept[0].strings if kept else 0
        sys.stderr.write(f"study: {why}; {done} of {wanted.total} strings were done\n")
    if kept:
        _tell(kept[0], wanted)
    return code


def _study(wanted: Wanted, pool: Executor, progress: Progress, kept: list[Study | Grid]) -> None:
    """Study, and keep the newest result in `kept`, so that an interruption leaves it there."""

    def partly(found: Study | Grid) -> None:
        kept[:] = [found]
        progress.done(found.strings, found.brief if isinstance(found, Study) else "")

    if wanted.axes:
        study_grid(
            wanted.setting, wanted.axes, wanted.strings, wanted.seed, pool, partly=partly, waiting=progress.waiting
        )
    else:
        studied(
            wanted.setting, wanted.strings, wanted.seed, pool,
            water_C=wanted.water_C, partly=partly, waiting=progress.waiting,
        )  # fmt: skip


def _tell(found: Study | Grid, wanted: Wanted) -> None:
    if wanted.as_json:
        sys.stdout.write(as_json(found))
    else:
        text = lines(found) if isinstance(found, Study) else grid_lines(found)
        sys.stdout.write("\n".join(text) + "\n")
        if sys.stdout.isatty() and isinstance(found, Study):
            drawn = figures(found)
            sys.stdout.writelines("\n" + to_text(drawn[word]) for word in ("", "hottest") if word in drawn)
    sys.stdout.flush()
    if wanted.file is not None:
        for path, text_ in files(found, wanted.file):
            _write(path, text_)


def files(found: Study | Grid, path: Path) -> Iterator[tuple[Path, str]]:
    """What `-o` writes: a table, or the figures with their tables beside."""
    if isinstance(found, Grid):
        yield path, grid_csv(found)
    elif path.suffix == ".csv":
        yield path, strings_csv(found)
    else:
        for word, figure in figures(found).items():
            place = path.with_name(f"{path.stem}-{word}.svg") if word else path
            yield place, to_svg(figure)
            yield place.with_suffix(".csv"), to_csv(figure)


def _write(path: Path, text: str) -> None:
    try:
        if is_no_plain_file(path):
            raise _wrong("-o", f"{clean(str(path), 80)!r} is no plain file, name another one")
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise _wrong("-o", f"{clean(str(path), 80)} cannot be written: {error.strerror}") from None


def wanted_of(args: argparse.Namespace) -> Wanted:
    """The command line, checked whole before anything is computed. Raises InputError with all that is wrong."""
    wrong: list[Problem] = []
    water_C = axes = given = None
    numbers: dict[str, int | None] = {}
    with _noting(wrong):
        numbers = _numbers(args)
    with _noting(wrong):
        water_C = _water(args.water)
    with _noting(wrong):
        axes = read_axes(args.vary)
    with _noting(wrong):
        _place(args.file, bool(args.vary))
    with _noting(wrong):
        given = asked(args, args.profile, NAME)
    if axes and water_C is not None and any(axis.name == "water_C" for axis in axes):
        wrong.append(Problem(NAME, None, "--water-C", "--vary already says the water, leave one of them out"))
    elif axes and water_C is not None and water_C[0] != water_C[1]:
        wrong.append(Problem(NAME, None, "--water-C", "a range goes with no --vary: write one value, or vary water_C"))
    if wrong or given is None or axes is None:
        raise InputError(wrong)
    setting = given.setting if water_C is None else replace(given.setting, water_C=water_C[1])
    settings_of(setting, axes)
    wanted = Wanted(
        setting=setting,
        strings=numbers["strings"] or (STRINGS_A_CELL if axes else STRINGS),
        seed=numbers["seed"] or 0,
        water_C=water_C if water_C is not None and water_C[0] != water_C[1] else None,
        axes=axes,
        pool=_pool(numbers["workers"], args.scheduler),
        file=Path(args.file) if args.file else None,
        as_json=args.json,
    )
    if axes and wanted.total > MOST_IN_CELLS:
        raise _wrong("--strings", f"{wanted.total} in all cells, at most {MOST_IN_CELLS}: fewer, or larger steps")
    return wanted


@contextlib.contextmanager
def _noting(wrong: list[Problem]) -> Iterator[None]:
    try:
        yield
    except InputError as error:
        wrong.extend(error.problems)


def _pool(workers: int | None, scheduler: str | None) -> Callable[[], AbstractContextManager[Executor]]:
    if scheduler is not None:
        return lambda: cluster(scheduler)
    return lambda: processes(workers or cores())


def _numbers(args: argparse.Namespace) -> dict[str, int | None]:
    """Strings, seed and workers by name, None where not given. Raises InputError."""
    found: dict[str, int | None] = {}
    wrong = []
    bounds: Sequence[tuple[str, int, int]] = (
        ("strings", 1, MOST_STRINGS), ("seed", 0, MOST_SEED), ("workers", 1, MOST_WORKERS)
    )  # fmt: skip
    for name, least, most in bounds:
        text = getattr(args, name)
        found[name] = number = None if text is None else whole_of(text)
        if text is not None and (number is None or not least <= number <= most):
            what = "is no whole number" if number is None else "is out of range"
            wrong.append(Problem(NAME, None, f"--{name}", f"{clean(text, 40)} {what}, write {least} to {most}"))
    if args.scheduler is not None and not args.scheduler.strip():
        wrong.append(Problem(NAME, None, "--scheduler", "'' is no address, write one such as tcp://10.0.0.5:8786"))
    if args.workers is not None and args.scheduler is not None:
        wrong.append(Problem(NAME, None, "--workers", "the scheduler has workers of its own, leave one of them out"))
    if wrong:
        raise InputError(wrong)
    return found


def _water(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    first, colon, last = text.partition(":")
    low, high = number_of(first), number_of(last if colon else first)
    if low is None or high is None:
        raise _wrong("--water-C", f"{clean(text, 40)!r} is no number, write such as 31 or 20:34")
    if not WATER_C[0] <= low <= high <= WATER_C[1]:
        what = f"{clean(text, 40)!r} is out of range, write {WATER_C[0]:g} to {WATER_C[1]:g}, or a rising range in it"
        raise _wrong("--water-C", what)
    return low, high


def _place(text: str | None, table: bool) -> None:
    """Refuse a file that could not be written at the end, before minutes are spent."""
    if text is None:
        return
    path = Path(text)
    if path.suffix not in {".svg", ".csv"}:
        raise _wrong("-o", f"{clean(text, 80)!r}: write a name that ends in .svg or .csv")
    if table and path.suffix == ".svg":
        raise _wrong("-o", "a table of settings has no figure, write a name that ends in .csv")
    if (why := wrong_place(path)) is not None:
        raise _wrong("-o", why)


def _wrong(option: str, what: str) -> InputError:
    return InputError([Problem(NAME, None, option, what)])
