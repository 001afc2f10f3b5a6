"""The command `runs`: lists recorded runs, sums them up for a manager, archives those that are closed."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from controller.records.claims import Claims
from controller.records.errors import RecordError
from controller.records.finding import Standings, run_paths
from controller.runs import figures, runslines
from controller.runs.choosing import Wanted, add_choice, wanted_of
from controller.runs.copies import without_copies
from controller.runs.follow import Chain, chains_of
from controller.runs.seen import Seen, look
from profiles.problems import InputError, Problem, clean

RUNS = Path("runs")
VARIABLE = "FORMBATH_RUNS"
MOST_DAMAGED = 50
"""So many damaged runs are told below a list, a line each; --json has all."""
LONGEST_LINE = 4_000
"""Letters of a line on stderr: a path is told whole, as the next command wants it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "folder", nargs="*", type=Path, metavar="FOLDER",
        help=f"folders of runs, or runs (--runs, else ${VARIABLE}, else ./{RUNS})",
    )  # fmt: skip
    parser.add_argument("--runs", type=Path, metavar="FOLDER", help="the folder of runs where none is named")
    add_choice(parser)
    parser.add_argument("--json", action="store_true", help="one object a run or a row, one a line")
    parser.add_argument(
        "--paths", action="store_true",
        help="the path of each run, one a line, and nothing else: for verify, export, `xargs -d '\\n'`",
    )  # fmt: skip
    parser.add_argument_group("list", runslines.__doc__)
    table = parser.add_argument_group("table", figures.__doc__)
    table.add_argument("--table", action="store_true", help="the table above as CSV")
    table.add_argument(
        "--by", action="append", metavar="KEY", choices=figures.KEYS, help="split it by week, type, bath (all three)"
    )
    archive = parser.add_argument_group("archive", "Packs each closed run into one zip file beside itself.")
    archive.add_argument("--archive", action="store_true", help="archive the runs that are closed, unloaded and whole")
    archive.add_argument("--dry-run", action="store_true", help="only say what would be archived")
    archive.add_argument("--keep", action="store_true", help="leave the folders where they are")


def run(args: argparse.Namespace) -> int:
    """List, sum up or archive; return 0, or 1 where a run could not be archived, or its path not be told.

    Raises `InputError` (exit 2) for a folder that is not there, a date that is none, options that do not go together.
    """
    _must_go_together(args)
    wanted = wanted_of(args, "runs")
    paths = paths_of(args.folder, args.runs)
    standings = Standings()
    tell = _progress("runs", len(paths))
    seen = []
    for count, path in enumerate(paths, 1):
        standing = standings.of(path.parent)
        seen.append(look(path, standing.open, standing.left))
        tell(count)
    if args.archive:
        from controller.runs.archiveall import archive_all  # with verify, which a list does without

        asked = [one for one in seen if wanted.takes(one)]
        with Claims() as claims:
            return archive_all(asked, frozenset(args.folder), standings, claims, dry=args.dry_run, keep=args.keep)
    chains = chains_of(seen)
    if args.table:
        return _table(chains, wanted, args.by or figures.KEYS, as_json=args.json)
    if args.paths:
        return _paths([run for chain in chains for run in chain.runs if wanted.takes(run)])
    return _list(chains, wanted, as_json=args.json)


def _must_go_together(args: argparse.Namespace) -> None:
    """InputError for options that exclude each other, or say nothing without another."""
    for option, given, other in (
        ("--table", args.table, "--archive"), ("--json", args.json, "--archive"), ("--paths", args.paths, "--archive"),
        ("--paths", args.paths, "--table"), ("--paths", args.paths, "--json"),
    ):  # fmt: skip
        if given and getattr(args, other[2:]):
            raise _wrong(option, f"does not go with {other}: run one after the other")
    for option, given in (("--by", args.by and not args.table), ("--dry-run", args.dry_run and not args.archive),
                          ("--keep", args.keep and not args.archive)):  # fmt: skip
        if given:
            raise _wrong(option, f"says nothing without {'--table' if option == '--by' else '--archive'}: add it")


def paths_of(folders: Sequence[Path], runs: Path | None, command: str = "runs") -> list[Path]:
    """Every record below the folders that were named, else below the folder of runs; a run that was copied once.

    InputError, in the name of `command`: a folder is not there, or cannot be read.
    """
    given = list(folders) or [runs or Path(os.environ.get(VARIABLE) or RUNS)]
    try:
        return without_copies(run_paths(given, _say), _say)
    except (RecordError, OSError, ValueError) as error:
        other = f", or give it with --runs or ${VARIABLE}" if command == "runs" else ", or a run"
        raise InputError([Problem(command, None, "", f"{error}; name a folder of runs{other}")]) from None


def _say(text: str) -> None:
    sys.stderr.write(f"{clean(text, LONGEST_LINE)}\n")


def _paths(runs: Sequence[Seen]) -> int:
    """A path a line; 1 where one cannot stand on a line, which is named instead."""
    code = 0
    for path in (str(one.path) for one in runs):
        if path.isprintable():
            sys.stdout.write(f"{path}\n")
        else:
            _say(f"{path}: left out, its name holds what cannot stand on a line: rename it")
            code = 1
    return code


def _list(chains: Sequence[Chain], wanted: Wanted, *, as_json: bool) -> int:
    shown = [run for chain in chains for run in chain.runs if wanted.takes(run)]
    if shown and not as_json:
        sys.stdout.write(f"{runslines.HEADER}\n")
    chosen = {id(run) for run in shown}
    for chain in chains:
        mine = [run for run in chain.runs if id(run) in chosen]
        if as_json:
            for one in mine:
                sys.stdout.write(f"{runslines.as_json(one, chain)}\n")
        elif mine:
            sys.stdout.write("".join(f"{line}\n" for line in runslines.lines(chain, mine)))
    if not as_json:
        _damaged([run for run in shown if run.wrong])
    total = sum(len(chain.runs) for chain in chains)
    damaged, simulated = sum(bool(one.wrong) for one in shown), sum(one.virtual for one in shown)
    more = f", {simulated} simulated (s)" if simulated else ""
    more += f", {damaged} damaged" if damaged else ""
    # A list is no proof: who sees nothing wrong in it must not take it for one.
    more += "; chain values not checked, formbath verify does" if shown else ""
    sys.stderr.write(f"{len(shown)} of {total} runs{more}\n")
    return 0


def _damaged(runs: Sequence[Seen]) -> None:
    """Where each damaged run stands and what is wrong with it first, whole: a line of the list has no room for it."""
    for one in runs[:MOST_DAMAGED]:
        more = f" (and {len(one.wrong) - 1} more)" if len(one.wrong) > 1 else ""
        _say(f"{one.path}: damaged: {one.wrong[0]}{more}")
    if len(runs) > MOST_DAMAGED:
        _say(f"{len(runs) - MOST_DAMAGED} more damaged runs: --json has all of them")


def _table(chains: Sequence[Chain], wanted: Wanted, by: Sequence[str], *, as_json: bool) -> int:
    total = sum(len(chain.runs) for chain in chains)
    tell = _progress("runs --table", total)
    from controller.runs.runhours import HoursReader  # with numpy, which a list does without

    reader = HoursReader()
    parts = []
    done = 0
    for chain in chains:
        if any(wanted.takes(run) for run in chain.runs):
            parts += [part for part in figures.parts_of(chain, reader.of) if wanted.takes(part.run)]
        done += len(chain.runs)
        tell(done)
    rows = figures.table(parts, by)
    if as_json:
        sys.stdout.write("".join(f"{json.dumps(figures.as_plain(row), allow_nan=False)}\n" for row in rows))
    else:
        sys.stdout.write("".join(f"{line}\n" for line in (figures.HEADER, *map(figures.as_csv, rows))))
    for one in (run for chain in chains for run in chain.runs if wanted.takes(run)):
        wrong = one.wrong[0] if one.wrong else reader.wrong.get(one.path)
        if wrong is not None or not figures.counts(one):
            why = one.state if wrong is None else f"damaged: {wrong}"
            sys.stderr.write(f"{clean(one.name)}: not counted, {clean(why)}\n")
    return 0


def _wrong(key: str, what: str) -> InputError:
    return InputError([Problem("runs", None, key, what)])


def _progress(name: str, total: int) -> Callable[[int], None]:
    """A line on a terminal's stderr each hundredth, nothing in a pipe and for little work."""
    if total < 100 or not sys.stderr.isatty():
        return lambda _: None

    def tell(done: int) -> None:
        if done >= total:
            sys.stderr.write("\r\x1b[K")
        elif 100 * done // total != 100 * (done - 1) // total:
            sys.stderr.write(f"\r{name} {100 * done // total} %  {done} of {total}")
            sys.stderr.flush()

    return tell
