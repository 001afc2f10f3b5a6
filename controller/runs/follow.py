"""Runs that continue each other, as chains: in which order, with what totals, and what does not fit. Pure.

A follow-on run names the run it continues (`load.continues` in run.json) and the charge that is credited to it. That
charge was counted by the run that put it in: totals over a chain add what each run itself counted, and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from pathlib import Path

from controller.runs.seen import Seen

CREDIT_DIFFERS_Ah = 0.05
"""Credited charge is typed by a person, rounded to one decimal (own choice)."""

Key = tuple[Path, str]


@dataclass(frozen=True, slots=True)
class Chain:
    """Runs of one string of batteries, in order; mostly one alone. `wrong`: gaps, loops, credits that do not fit."""

    runs: tuple[Seen, ...]
    wrong: tuple[str, ...] = ()

    @property
    def charge_Ah(self) -> float | None:
        """Charge put in by all of them together; None when one of them does not say."""
        return _sum(run.charge_Ah for run in self.runs)

    @property
    def energy_Wh(self) -> float | None:
        """Energy, in the same way."""
        return _sum(run.energy_Wh for run in self.runs)

    @property
    def duration_s(self) -> float | None:
        """Time from each start to its end, added; the time between two runs is not part of it."""
        return _sum(run.duration_s for run in self.runs)


def rank(run: Seen) -> tuple[bool, int, str, str]:
    """Order of runs: by start, those without one last."""
    return run.start_ms is None, run.start_ms or 0, run.name, str(run.path)


def chains_of(runs: Iterable[Seen]) -> list[Chain]:
    """All runs in chains, by the start of the first run; a run stands in one chain only.

    A run is looked for beside the one that continues it, then anywhere, if only one has that name. Of two runs that
    continue the same one the earlier goes on with its chain; the other begins one of its own, and says so.
    """
    ordered = sorted(runs, key=rank)
    before = _before(ordered)
    after: dict[Key, list[Seen]] = {}
    for run in ordered:
        earlier = before.get(_key(run))
        if earlier is not None:
            after.setdefault(_key(earlier), []).append(run)
    heads = [run for run in ordered if _is_head(run, before, after)]
    told: set[Key] = set()
    found = []
    # What is left behind the heads goes round in a loop.
    for run in (*heads, *ordered):
        if _key(run) not in told:
            line = _line(run, after, told)
            found.append(Chain(tuple(line), tuple(_wrong(line, before, after))))
    return sorted(found, key=lambda chain: rank(chain.runs[0]))


def _key(run: Seen) -> Key:
    return run.path.parent, run.name


def _before(ordered: Sequence[Seen]) -> Mapping[Key, Seen]:
    """The run that each follow-on run continues, as far as it is among them."""
    beside = {_key(run): run for run in ordered}
    anywhere: dict[str, list[Seen]] = {}
    for run in ordered:
        anywhere.setdefault(run.name, []).append(run)
    found = {}
    for run in ordered:
        if not run.continues:
            continue
        same_name = anywhere.get(run.continues, [])
        earlier = beside.get((run.path.parent, run.continues)) or (same_name[0] if len(same_name) == 1 else None)
        if earlier is not None:
            found[_key(run)] = earlier
    return found


def _is_head(run: Seen, before: Mapping[Key, Seen], after: Mapping[Key, Sequence[Seen]]) -> bool:
    earlier = before.get(_key(run))
    return earlier is None or after[_key(earlier)][0] is not run


def _line(run: Seen, after: Mapping[Key, Sequence[Seen]], told: set[Key]) -> list[Seen]:
    """The run and those that go on with it, up to the end or to where it has been before."""
    line = []
    follower: Seen | None = run
    while follower is not None and _key(follower) not in told:
        told.add(_key(follower))
        line.append(follower)
        follower = next(iter(after.get(_key(follower), ())), None)
    return line


def _wrong(line: Sequence[Seen], before: Mapping[Key, Seen], after: Mapping[Key, Sequence[Seen]]) -> list[str]:
    """What does not fit in a chain, in words."""
    first, found = line[0], []
    earlier = before.get(_key(first))
    if earlier is not None and any(earlier is run for run in line):
        found.append(f"a loop: {first.name} continues {earlier.name}, which follows it")
    elif earlier is not None:
        found.append(f"{earlier.name} is continued twice, by {after[_key(earlier)][0].name} and by {first.name}")
    elif first.continues:
        found.append(f"a gap: {first.name} continues {first.continues}, which is not here")
    for one, other in pairwise(line):
        if one.end_ms is None:
            found.append(f"{other.name} continues {one.name}, which has not ended")
        elif other.start_ms is not None and other.start_ms < one.end_ms:
            found.append(f"{other.name} begins before {one.name} ended")
    sums = accumulate(run.charge_Ah or 0.0 for run in line)
    for put_in_Ah, run in zip(sums, line[1:], strict=False):
        # A loop or a gap leaves out what was put in before; its credits cannot be judged.
        if not found and abs(run.credited_Ah - put_in_Ah) > CREDIT_DIFFERS_Ah:
            found.append(f"{run.name} is credited {run.credited_Ah:.1f} Ah, the runs before it put in {put_in_Ah:.1f}")
    return found


def _sum(numbers: Iterable[float | None]) -> float | None:
    total = 0.0
    for number in numbers:
        if number is None:
            return None
        total += number
    return total
