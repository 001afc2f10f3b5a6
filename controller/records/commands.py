"""The command `verify`: looks at run folders, prints what was found, ends in 0, 1 or 2."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

from controller.records.head import RecordError
from controller.records.rows import clean
from controller.records.verify import Verdict, verify_run

_ABOUT = "Is a record whole and untouched, and would the core decide the same again?"
_EXAMPLES = """\
  formbath verify runs/20260316T135800Z-A-A07-K3107
  formbath verify --chain-only runs/*          rows and chains alone: quick
exit: 0 all of it holds, 1 something does not, 2 no run folder.
README.txt in each run folder describes its files, and how to check the chain without this program."""


def verify(arguments: Sequence[str]) -> int:
    """Run the command with its arguments; return the exit code."""
    parser = argparse.ArgumentParser(
        prog="formbath verify",
        description=_ABOUT,
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("run", nargs="+", type=Path, metavar="RUN", help="a run folder")
    parser.add_argument("--chain-only", action="store_true", help="leave the decisions out, for speed")
    parser.add_argument("--json", action="store_true", help="one object a run, one a line")
    options = parser.parse_args(arguments)
    code = 0
    for folder in options.run:
        try:
            verdict = verify_run(folder, chain_only=options.chain_only, progress=_progress())
        except RecordError as error:
            print(clean(str(error)), file=sys.stderr)
            code = 2
            continue
        if options.json:
            print(json.dumps(as_plain(verdict)))
        else:
            _print(folder, verdict, several=len(options.run) > 1)
        code = max(code, 0 if verdict.holds else 1)
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
    percent = (verdict.counter_Ah / verdict.charge_Ah - 1) * 100 if verdict.charge_Ah > 0 else 0.0
    return f"{text}; rectifier {verdict.counter_Ah:.1f} ({percent:+.1f} %)"


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
