"""The command `console`, and the console's options for every command that opens one."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.service.client import Connection, find_sockets
from controller.service.errors import Unreachable
from controller.service.places import socket_folders

HINT = "`formbath run BATH.toml` starts a service, `formbath demo` a virtual hall"


@dataclass(frozen=True, slots=True)
class Look:
    """How the console shall show itself. `colour` None: as the terminal and the environment say."""

    plain: bool = False
    ascii_only: bool = False
    still: bool = False
    mouse: bool = False
    colour: bool | None = None


def add_look(parser: argparse.ArgumentParser) -> None:
    """The options of whatever opens a console."""
    group = parser.add_argument_group("the console")
    group.add_argument("--plain", action="store_true", help="lines of text, no screen (so on TERM=dumb, in a pipe)")
    group.add_argument("--ascii", action="store_true", help="no character outside ASCII")
    group.add_argument("--still", action="store_true", help="nothing blinks")
    group.add_argument("--mouse", action="store_true", help="a click selects, the wheel scrolls; never an order")
    group.add_argument("--no-colour", action="store_true", help="no colours (so with NO_COLOR)")


def look_of(args: argparse.Namespace, env: Mapping[str, str], *, terminal: bool) -> Look:
    """Return what the options, the environment and the lack of a terminal ask for."""
    return Look(
        plain=args.plain or not terminal or env.get("TERM", "") in {"", "dumb"},
        ascii_only=args.ascii,
        still=args.still,
        mouse=args.mouse,
        colour=False if args.no_colour else None,
    )


def on_terminal() -> bool:
    """Return whether a person sits at standard input and sees standard output."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def attach_console(paths: Sequence[Path] | None, look: Look) -> int:
    """Open the console on the services at `paths` (None: all of this machine); return its exit code.

    Raises Unreachable where none of them answers.
    """
    from controller.console.running import run_console

    return run_console(
        paths, ascii_only=look.ascii_only, still=look.still, mouse=look.mouse, colour=look.colour, plain=look.plain
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "--socket",
        type=Path,
        action="append",
        metavar="PATH",
        help="a service's socket, may be repeated (every one of this machine that may be opened)",
    )
    add_look(parser)


def run(args: argparse.Namespace) -> int:
    """Open the console on running services; returns its exit code. Raises Unreachable (exit 3) where none answers."""
    asked = tuple(args.socket or find_sockets())
    said = [why for path in asked if (why := _silent(path))]
    if len(said) == len(asked):
        detail = "; ".join(said) or "no socket in " + ", ".join(map(str, socket_folders()))
        raise Unreachable(f"no running service: {detail}; {HINT}")
    return attach_console(args.socket or None, look_of(args, os.environ, terminal=on_terminal()))


def _silent(path: Path) -> str:
    """Return why no service answers at `path`, empty where one does."""
    try:
        with Connection(path) as connection:
            connection.who()
    except Unreachable as error:
        return str(error)
    return ""
