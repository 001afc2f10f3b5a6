"""The command `verify`: looks at runs and baths' own folders, prints what was found, ends in 0, 1 or 2."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from controller.records.errors import RecordError
from controller.records.finding import is_bath_folder
from controller.records.rows import clean
from controller.verify.bathfolder import verify_bath
from controller.verify.paper import OnPaper, PaperError, Typed, told, typed_value
from controller.verify.runfolder import verify_run
from controller.verify.verdict import Verdict, as_plain, lines
from profiles.problems import InputError, Problem


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "run", nargs="+", type=Path, metavar="RUN",
        help="a run folder, an archived run or a bath's own folder; a run's README.txt describes the files in it",
    )  # fmt: skip
    parser.add_argument(
        "--chain", action="append", default=[], metavar="VALUE",
        help="a chain value from a printed page, as 16 hex digits in any grouping, or log=... or events=...; "
        "says where it stands in the record; may be given several times; who rewrote every file of a record is found "
        "by such a value, or a copy kept elsewhere, and by nothing else",
    )  # fmt: skip
    parser.add_argument(
        "--chain-only", action="store_true", help="for speed: nothing is decided again, charge is added up from rows"
    )
    parser.add_argument("--json", action="store_true", help="one object a run, one a line")


def run(args: argparse.Namespace) -> int:
    """Look at each folder and print what was found; return 0 all of it holds, 1 something does not.

    Raises `InputError` (exit 2): at once for a chain value that is none, after the others are printed for what is no
    record.
    """
    papers = _papers(args.chain)
    code = 0
    problems: list[Problem] = []
    looked_at = _looked_at(args, papers, problems)
    nowhere: list[OnPaper] = []
    if papers:
        # A page belongs to one record: its value need not stand in the others that were named with it.
        looked_at = list(looked_at)
        nowhere = _nowhere(papers, [verdict for _, verdict in looked_at])
    for folder, verdict in looked_at:
        verdict.off_paper = bool(nowhere)
        if args.json:
            print(json.dumps(as_plain(verdict)))
        else:
            _print(folder, verdict, several=len(args.run) > 1)
        code = max(code, 0 if verdict.holds else 1)
    for one in () if args.json else nowhere:
        print(told(one))
    if problems:
        raise InputError(problems)
    return code


def _looked_at(
    args: argparse.Namespace, papers: Sequence[Typed], problems: list[Problem]
) -> Iterable[tuple[Path, Verdict]]:
    """Each folder with what was found, as soon as it is; what is no record goes into `problems`."""
    for folder in args.run:
        try:
            yield folder, _verdict(folder, args, papers)
        except RecordError as error:
            problems.append(Problem(str(folder), None, "", str(error)))


def _nowhere(papers: Sequence[Typed], verdicts: Sequence[Verdict]) -> list[OnPaper]:
    """The typed values that stand in none of what was looked at, each once, sorted; none where nothing was."""
    found: dict[tuple[str, str], OnPaper] = {}
    for at, typed in enumerate(papers if verdicts else ()):
        places = [verdict.paper[at] for verdict in verdicts if verdict.paper]
        if all(one.table is None for one in places):
            none = OnPaper(typed.value, asked=typed.table)
            found[typed.value, typed.table or ""] = next((one for one in places if one.elsewhere is not None), none)
    return [found[key] for key in sorted(found)]


def _papers(texts: Sequence[str]) -> list[Typed]:
    found, problems = [], []
    for text in texts:
        try:
            found.append(typed_value(text))
        except PaperError as error:
            problems.append(Problem("verify", None, "--chain", clean(str(error))))
    if problems:
        raise InputError(problems)
    return found


def _verdict(folder: Path, args: argparse.Namespace, papers: Sequence[Typed]) -> Verdict:
    if is_bath_folder(folder):
        return verify_bath(folder, papers)
    return verify_run(folder, chain_only=args.chain_only, progress=_progress(), papers=papers)


def _print(folder: Path, verdict: Verdict, *, several: bool) -> None:
    if several:
        print(f"{clean(str(folder))}:")
    for line in lines(verdict):
        print(f"  {line}" if several else line)


def _progress() -> Callable[[int, int], None] | None:
    """A line on a terminal's stderr, nothing in a pipe."""
    if not sys.stderr.isatty():
        return None
    shown = -1

    def tell(done: int, total: int) -> None:
        nonlocal shown
        percent = 100 * done // max(total, 1)
        if percent // 5 != shown // 5:
            shown = percent
            end = "\r\x1b[K" if done >= total else ""
            print(f"\rverify {percent} %  {done} of {total} cycles{end}", end="", file=sys.stderr, flush=True)

    return tell
