"""Archiving all runs that are asked for, one after the other: what became of each, in a line."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from controller.records.claims import Claims
from controller.records.errors import RecordError
from controller.records.finding import Standing, Standings
from controller.runs.archive import IN_ITS_TIME, archive_run, finish, why_not
from controller.runs.seen import Seen
from profiles.problems import clean

MOST_TOLD = 20
"""So many runs that were archived before are named where nothing else was done; more are counted."""
ALREADY = "archived already"


@dataclass
class _Done:
    """What was done so far. `why`: how many runs were not archived, by the reason in a word or two; bytes of runs."""

    code: int = 0
    count: int = 0
    before: int = 0
    after: int = 0
    why: Counter[str] = field(default_factory=Counter)
    already: list[Seen] = field(default_factory=list)


def archive_all(
    runs: Sequence[Seen], named: Collection[Path], standings: Standings, claims: Claims, *, dry: bool, keep: bool
) -> int:
    """Archive the runs; return 0, or 1 where one could not be archived that is damaged, was never closed, or was named.

    `named`: what a person named by itself: there "not yet" is no answer that may be overheard.
    """
    done = _Done()
    for one in runs:
        try:
            if one.archived:
                _finish(one, claims, done, dry=dry)
            else:
                _archive(one, standings.of(one.path.parent), claims, done, dry=dry, keep=keep, named=one.path in named)
        except RecordError as error:
            _tell(done, clean(str(error)))
        except Exception as error:  # noqa: BLE001 - whatever one run holds, the next ones are archived
            _tell(done, f"{clean(one.name)}: not archived: {type(error).__name__}: {clean(str(error))}")
    _sum_up(done, len(runs), dry=dry)
    return done.code


def _finish(one: Seen, claims: Claims, done: _Done, *, dry: bool) -> None:
    """An archived run: take away what an interruption left."""
    done.why[ALREADY] += 1
    if not dry and finish(one.path, claims=claims):
        sys.stdout.write(f"{clean(one.name)}: what an interruption had left is taken away\n")
    else:
        done.already.append(one)


def _archive(one: Seen, standing: Standing, claims: Claims, done: _Done, *, dry: bool, keep: bool, named: bool) -> None:
    why = why_not(one, standing, keep=keep)
    if why is not None:
        in_its_time = why in IN_ITS_TIME
        done.why["not yet" if in_its_time else "not possible"] += 1
        _tell(
            done,
            f"{clean(one.name)}: not archived: {clean(why.removeprefix(f'{one.name}: '))}",
            # An open run is nothing wrong; one that cannot be archived at all wants a look.
            code=int(named or not in_its_time),
        )
        return
    before, after = (0, 0) if dry else archive_run(one.path, keep=keep, claims=claims)
    done.count, done.before, done.after = done.count + 1, done.before + before, done.after + after
    told = "would be archived" if dry else f"archived, {before / 1000:.0f} kB, now {after / 1000:.0f} kB"
    sys.stdout.write(f"{clean(one.name)}: {told}\n")


def _tell(done: _Done, text: str, *, code: int = 1) -> None:
    done.code = max(done.code, code)
    sys.stderr.write(f"{text}\n")


def _sum_up(done: _Done, total: int, *, dry: bool) -> None:
    if not done.count:
        for one in done.already[:MOST_TOLD]:
            sys.stderr.write(f"{clean(one.name)}: not archived: is {ALREADY}\n")
    sizes = "" if dry else f", {done.before / 1e6:.1f} MB, now {done.after / 1e6:.1f} MB"
    others = "".join(f"; {number} {why}" for why, number in sorted(done.why.items()))
    sys.stdout.write(f"{done.count} of {total} runs {'would be archived' if dry else 'archived'}{sizes}{others}\n")
