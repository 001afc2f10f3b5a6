"""The command `verify`: looks at run folders, prints what was found, ends in 0, 1 or 2."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from controller.records.errors import RecordError
from controller.records.rows import clean
from controller.records.verify import Verdict, verify_run
from profiles.problems import InputError, Problem

LEAST_COMPARED_Ah = 0.1
"""Below this a counter's last digit is per cents of it, and comparing says nothing."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "run", nargs="+", type=Path, metavar="RUN", help="a run folder; its README.txt describes the files in it"
    )
    parser.add_argument("--chain-only", action="store_true", help="rows and chains alone, for speed")
    parser.add_argument("--json", action="store_true", help="one object a run, one a line")


def run(args: argparse.Namespace) -> int:
    """Look at each folder and print what was found; return 0 all of it holds, 1 something does not.

    Raises `InputError` (exit 2), after the others are printed, for what is no run folder.
    """
    code = 0
    problems = []
    for folder in args.run:
        try:
            verdict = verify_run(folder, chain_only=args.chain_only, progress=_progress())
        except RecordError as error:
            problems.append(Problem(str(folder), None, "", str(error)))
            continue
        if args.json:
            print(json.dumps(as_plain(verdict)))
        else:
            _print(folder, verdict, several=len(args.run) > 1)
        code = max(code, 0 if verdict.holds else 1)
    if problems:
        raise InputError(problems)
    return code


def as_plain(verdict: Verdict) -> dict[str, object]:
    """The verdict for `--json`."""
    return {"format": "formbath/verify/1", "whole": verdict.holds, **asdict(verdict)}


def lines(verdict: Verdict) -> list[str]:
    """The verdict in words: two lines for a record that holds, else a line for each finding first."""
    found = [clean(text) for text in verdict.wrong]
    whole = "whole, untouched" if verdict.holds else "NOT as it was written"
    chain = "chain unbroken" if verdict.holds else "see above"
    found.append(f"{whole}: {verdict.rows} rows, {verdict.events} events, {chain}{_gaps(verdict)}")
    if verdict.redecided:
        found.append(f"decisions: {verdict.same} of {verdict.cycles} the same again{_charge(verdict)}")
    elif verdict.charge_Ah is not None:
        found.append(f"counted{_charge(verdict).lstrip('.')}")
    return found + [f"note: {clean(note)}" for note in verdict.notes]


def _gaps(verdict: Verdict) -> str:
    if not verdict.gap_s:
        return ""
    count = len(verdict.gap_s)
    stated = "stated " if count <= verdict.stated_gaps else ""
    return f"; {count} {stated}gap{'s' if count > 1 else ''}, {sum(verdict.gap_s):.0f} s"


def _charge(verdict: Verdict) -> str:
    if verdict.charge_Ah is None:
        return ""
    text = f". {verdict.charge_Ah:.1f} Ah"
    if verdict.counter_Ah is None:
        return text
    text += f"; rectifier {verdict.counter_Ah:.1f}"
    if verdict.charge_Ah < LEAST_COMPARED_Ah:
        return text
    return f"{text} ({(verdict.counter_Ah / verdict.charge_Ah - 1) * 100:+.1f} %)"


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
