"""The command `replay`: a record in the console on a terminal, as lines in a pipe."""

from __future__ import annotations

import argparse
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.console.commands import add_look, attach_console, look_of, on_terminal
from controller.console.moment import Since, moments, parse_moment
from controller.console.replayview import since_start
from controller.records.errors import RecordError
from controller.replay.clockwork import FASTEST, SLOWEST, USUAL
from profiles.problems import InputError, Problem, clean

if TYPE_CHECKING:
    from controller.replay.tape import Tape


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("run", type=Path, metavar="RUN", help="a run folder, or its archive; it is only read")
    parser.add_argument(
        "--speed",
        type=float,
        metavar="N",
        help=f"seconds of the record a second on a terminal, {SLOWEST:g} to {FASTEST:g} ({USUAL:g})",
    )
    parser.add_argument(
        "--from",
        dest="start",
        metavar="TIME",
        help="begin there: +3:20 since the start, 14:05 by this machine's clock, 2026-03-16T14:05Z",
    )
    parser.add_argument("--json", action="store_true", help="no console; the record and each event as an object a line")
    parser.add_argument("--serve", type=Path, metavar="FOLDER", help=argparse.SUPPRESS)
    add_look(parser)


def run(args: argparse.Namespace) -> int:
    """Show the record; return 0, or the console's exit code.

    Raises InputError (exit 2) for what is no record and for wrong options, Unreachable (exit 3) where the process that
    serves it fails.
    """
    if args.speed is not None and not SLOWEST <= args.speed <= FASTEST:
        raise InputError([_wrong("--speed", f"{args.speed:g}, write {SLOWEST:g} to {FASTEST:g}")])
    watched = on_terminal() and not args.json
    if args.speed is not None and not watched and args.serve is None:
        raise InputError(
            [_wrong("--speed", "only a replay on a terminal has a pace, lines come at once: leave it out")]
        )
    try:
        return _run(args, watched=watched)
    except RecordError as error:
        raise InputError([Problem(str(args.run), None, "", str(error))]) from None


def _run(args: argparse.Namespace, *, watched: bool) -> int:
    from controller.replay.tape import open_tape

    if args.serve is not None:
        return _serve(args)
    tape = open_tape(args.run)
    start_ms = _start_ms(args.start, tape)
    if watched:
        from controller.replay.watching import watch

        options = [f"--speed={args.speed or USUAL:g}"]
        options += [f"--from={args.start}"] if args.start is not None else []
        look = look_of(args, os.environ, terminal=True)
        return watch(args.run, options, lambda paths: attach_console(paths, look))
    from controller.replay import lines
    from controller.words import Say

    begin_ms = tape.head.start_ms - 1_000_000_000_000 if start_ms is None else start_ms
    for line in lines.as_json(tape, tape.name, begin_ms) if args.json else lines.told(tape, tape.name, Say(), begin_ms):
        print(line)
    return 0


def _serve(args: argparse.Namespace) -> int:
    from controller.replay.serving import serve
    from controller.replay.tape import open_tape

    tape = open_tape(args.run)
    begin_ms = _start_ms(args.start, tape)
    try:
        serve(tape, args.serve, args.speed or USUAL, begin_ms, sys.stdout)
    except FileExistsError:
        what = f"{clean(str(args.serve))}: is there already: name a folder that is not there, it is made"
        raise InputError([_wrong("--serve", what)]) from None
    except OSError as error:
        what = f"{clean(str(args.serve))}: {clean(error.strerror or str(error))}"
        raise InputError([_wrong("--serve", what)]) from None
    return 0


def _start_ms(said: str | None, tape: Tape) -> int | None:
    """Return the core time to begin at; None: the beginning. Raises InputError."""
    if said is None:
        return None
    when = parse_moment(said)
    if when is None:
        what = "is no time, write +3:20 (since the start), 14:05 (by the clock) or 2026-03-16T14:05Z"
        raise InputError([_wrong("--from", f"{clean(said[:60])!r} {what}")])
    if isinstance(when, Since):
        begin_ms = tape.head.start_ms + round(when.elapsed_s * 1000)
        if begin_ms > tape.end_ms:
            raise InputError([_wrong("--from", f"the record is {since_start(tape.length_s)} long")])
        return begin_ms
    first, last = (datetime.fromtimestamp(tape.utc_ms(at_ms) / 1000.0, UTC) for at_ms in (tape.begin_ms, tape.end_ms))
    found = moments(when, first, last, None)
    if not found:
        span = f"the record goes from {first:%Y-%m-%dT%H:%M:%SZ} to {last:%Y-%m-%dT%H:%M:%SZ}"
        raise InputError([_wrong("--from", span)])
    return tape.moment_at(round(found[0].timestamp() * 1000))


def _wrong(key: str, what: str) -> Problem:
    return Problem("replay", None, key, what)
