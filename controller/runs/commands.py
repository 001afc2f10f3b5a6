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
from controller.runs.follow import Chain, chains_of
from controller.runs.seen import Seen, look
from profiles.problems import InputError, Problem, clean

RUNS = Path("runs")
VARIABLE = "FORMBATH_RUNS"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "folder", nargs="*", type=Path, metavar="FOLDER",
        help=f"folders of runs, or runs (--runs, else ${VARIABLE}, else ./{RUNS})",
    )  # fmt: skip
    parser.add_argument("--runs", type=Path, metavar="FOLDER", help="the folder of runs where none is named")
    add_choice(parser)
    parser.add_argument("--json", action="store_true", help="one object a run or a row, one a line")
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
    """List, sum up or archive; return 0, or 1 where a run could not be archived.

    Raises `InputError` (exit 2) for a folder that is not there, a date that is none, options that do not go together.
    """
    for option, given in (("--table", args.table), ("--json", args.json)):
        if given and args.archive:
            raise _wrong(option, "does not go with --archive: run one after the other")
    for option, given in (("--by", args.by and not args.table), ("--dry-run", args.dry_run and not args.archive),
                          ("--keep", args.keep and not args.archive)):  # fmt: skip
        if given:
            raise _wrong(option, f"says nothing without {'--table' if option == '--by' else '--archive'}: add it")
    wanted = wanted_of(args, "runs")
    paths = paths_of(args.folder, args.runs)
    standings = Standings()
    tell = _progress("runs", len(paths))
    seen = []
    for count, path in enumerate(paths, 1):
        seen.append(look(path, standings.of(path.parent).open))
        tell(count)
    if args.archive:
        with Claims() as claims:
            return _archive(
                [one for one in seen if wanted.takes(one)], standings, claims, dry=args.dry_run, keep=args.keep
            )
    chains = chains_of(seen)
    if args.table:
        return _table(chains, wanted, args.by or figures.KEYS, as_json=args.json)
    return _list(chains, wanted, as_json=args.json)


def paths_of(folders: Sequence[Path], runs: Path | None, command: str = "runs") -> list[Path]:
    """Every record below the folders that were named, else below the folder of runs.

    InputError, in the name of `command`: a folder is not there, or cannot be read.
    """
    given = list(folders) or [runs or Path(os.environ.get(VARIABLE) or RUNS)]
    try:
        return run_paths(given, _say)
    except (RecordError, OSError, ValueError) as error:
        other = f", or give it with --runs or ${VARIABLE}" if command == "runs" else ", or a run"
        raise InputError([Problem(command, None, "", f"{error}; name a folder of runs{other}")]) from None


def _say(text: str) -> None:
    sys.stderr.write(f"{clean(text)}\n")


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
    total = sum(len(chain.runs) for chain in chains)
    damaged, simulated = sum(bool(one.wrong) for one in shown), sum(one.virtual for one in shown)
    more = f", {simulated} simulated (s)" if simulated else ""
    more += f", {damaged} damaged" if damaged else ""
    # A list is no proof: who sees nothing wrong in it must not take it for one.
    more += "; chain values not checked, formbath verify does" if shown else ""
    sys.stderr.write(f"{len(shown)} of {total} runs{more}\n")
    return 0


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


def _archive(runs: Sequence[Seen], standings: Standings, claims: Claims, *, dry: bool, keep: bool) -> int:
    from controller.runs.archive import archive_run, finish, why_not  # with verify, which a list does without

    code = count = before = after = 0
    for one in runs:
        try:
            if one.archived:
                if not dry and finish(one.path, claims=claims):
                    sys.stdout.write(f"{clean(one.name)}: what an interruption had left is taken away\n")
                continue
            why = why_not(one, standings.of(one.path.parent), keep=keep)
            if why is not None:
                sys.stderr.write(f"{clean(one.name)}: not archived: {clean(why.removeprefix(f'{one.name}: '))}\n")
                # An open run is nothing wrong; one that cannot be archived at all wants a look.
                code = max(code, 0 if why in ("is open", "is not unloaded") else 1)
                continue
            sizes = (0, 0) if dry else archive_run(one.path, keep=keep, claims=claims)
        except RecordError as error:
            sys.stderr.write(f"{clean(str(error))}\n")
            code = 1
            continue
        except Exception as error:  # noqa: BLE001 - whatever one run holds, the next ones are archived
            sys.stderr.write(f"{clean(one.name)}: not archived: {type(error).__name__}: {clean(str(error))}\n")
            code = 1
            continue
        count, before, after = count + 1, before + sizes[0], after + sizes[1]
        told = "would be archived" if dry else f"archived, {sizes[0] / 1000:.0f} kB, now {sizes[1] / 1000:.0f} kB"
        sys.stdout.write(f"{clean(one.name)}: {told}\n")
    sizes_told = "" if dry else f", {before / 1e6:.1f} MB, now {after / 1e6:.1f} MB"
    sys.stdout.write(f"{count} of {len(runs)} runs {'would be archived' if dry else 'archived'}{sizes_told}\n")
    return code


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
