"""Which recorded runs are asked for: the options that every command over many runs shares, and what they take."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from controller.runs.seen import OPEN, Seen
from profiles.problems import InputError, Problem, clean


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which runs are asked for; empty and None: all of them. Moments are ms since 1970, of the start."""

    kind: str = ""
    batch: str = ""
    circuit: str = ""
    bath: str = ""
    verdict: str = ""
    since_ms: int | None = None
    until_ms: int | None = None
    open_only: bool = False
    alarms_only: bool = False

    def takes(self, run: Seen) -> bool:
        """Whether a run is among them: names are compared whole, type, profile and verdict by a part, without case.

        A string may hold several batches: a run is among those of each of them.
        """
        kind = f"{run.battery_type}\n{run.profile}".casefold()
        return (
            self.kind.casefold() in kind
            and self.batch.casefold() in ("", *(each.casefold() for each in run.batches))
            and self.circuit.casefold() in ("", run.circuit.casefold())
            and self.bath.casefold() in ("", run.bath.casefold())
            and self.verdict.casefold() in f"{run.state}\n{run.verdict}".casefold()
            and (self.since_ms is None or (run.start_ms is not None and run.start_ms >= self.since_ms))
            and (self.until_ms is None or (run.start_ms is not None and run.start_ms < self.until_ms))
            and (not self.open_only or run.state == OPEN)
            and (not self.alarms_only or bool(run.open_alarms))
        )


def add_choice(to: argparse.ArgumentParser, title: str | None = None) -> None:
    """The options, below a title where there is one."""
    parser = to if title is None else to.add_argument_group(title)
    parser.add_argument("--type", default="", dest="kind", metavar="TEXT", help="part of battery type or profile name")
    for name, more in (("batch", ", one of several in a string as well"), ("circuit", ""), ("bath", "")):
        parser.add_argument(f"--{name}", default="", metavar="NAME", help=f"runs of this {name}{more}")
    parser.add_argument("--verdict", default="", metavar="WORD", help="part of state or verdict: complete, re-form")
    parser.add_argument("--since", metavar="DATE", help="started on this day or later (UTC, 2026-03-16)")
    parser.add_argument("--until", metavar="DATE", help="started on this day or before")
    parser.add_argument("--open", action="store_true", dest="open_only", help="runs that a service has open")
    parser.add_argument(
        "--alarms", action="store_true", dest="alarms_only", help="runs with alarms open at their end, or now"
    )


def wanted_of(args: argparse.Namespace, command: str) -> Wanted:
    """What the options ask for; InputError in the name of `command` for a date that is none."""
    since = None if args.since is None else _day(command, "--since", args.since)[0]
    until = None if args.until is None else _day(command, "--until", args.until)[1]
    return Wanted(
        args.kind, args.batch, args.circuit, args.bath, args.verdict, since, until,
        open_only=args.open_only, alarms_only=args.alarms_only,
    )  # fmt: skip


def _day(command: str, option: str, text: str) -> tuple[int, int]:
    """The first millisecond of a day (or of a moment), and the first behind it."""
    try:
        moment = datetime.fromisoformat(text)
        begin = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
        end = begin + (timedelta(days=1) if "T" not in text and " " not in text else timedelta(milliseconds=1))
        return round(begin.timestamp() * 1000), round(end.timestamp() * 1000)
    except (ValueError, OverflowError):
        what = f"{clean(text, 60)!r} is no date, write it like 2026-03-16"
        raise InputError([Problem(command, None, option, what)]) from None
