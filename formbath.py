"""The front door: from a command's word to the function that does it, and from a file's kind to its model.

Nothing else is decided here, and nothing is imported before it is asked for; nobody imports this module.
"""

from __future__ import annotations

import argparse
import difflib
import importlib
import io
import os
import re
import sys
import tempfile
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn, TextIO, cast

if TYPE_CHECKING:
    from profiles.loader import Document
    from profiles.problems import Problem

VERSION = "0.1.0"
EXIT_WRONG_INPUT, EXIT_UNREACHABLE, EXIT_FAILED, EXIT_INTERRUPTED = 2, 3, 70, 130
EXIT_UNWRITTEN, EXIT_UNREAD = 74, 141
"""Output that no disk took; output whose reader left before its end, as a shell tells of SIGPIPE."""

LONGEST_ERROR = 500

EXIT_TEXT = """exit codes:
  0 done, 1 ran but what it checked does not hold, 2 the input is wrong,
  3 plant, link or service not reached, 70 failed, 74 output cannot be written,
  130 interrupted, 141 the reader of the output left before its end
file formats: formbath schema KIND (profile, bath, map, release, model)"""

CAUTION = """This is process control, not a safety system:
hard-wired trips, ventilation and isolation come first."""


@dataclass(frozen=True, slots=True)
class Command:
    """A command's one sentence, its two examples, and its two functions as `module:function`."""

    sentence: str
    examples: tuple[str, str]
    arguments: str
    run: str


COMMANDS: Mapping[str, Command] = {
    "demo": Command(
        "Forms a virtual bath over real Modbus, from loading to record.",
        ("formbath demo --speed 600", "formbath demo --headless --seed 7"),
        "simulator.commands:demo_arguments",
        "simulator.commands:run_demo",
    ),
    "run": Command(
        "Runs the service for one bath; on a terminal, with a console on it.",
        ("formbath run baths/a.toml", "formbath run baths/a.toml --headless"),
        "controller.opening:add_arguments",
        "controller.opening:run",
    ),
    "console": Command(
        "Attaches a console to running services.",
        ("formbath console", "formbath console --socket /run/formbath/hall1-A.sock --plain"),
        "controller.console.commands:add_arguments",
        "controller.console.commands:run",
    ),
    "order": Command(
        "Gives one order to a running service, prints answer and read-back.",
        ("formbath order hold A07 --reason 'water flow low'", "formbath order start A07 --confirm A07"),
        "controller.service.ordercmd:add_arguments",
        "controller.service.ordercmd:run",
    ),
    "dryrun": Command(
        "Tries a profile on a virtual string: hours, heat, gas, kWh.",
        ("formbath dryrun starter-60", "formbath dryrun old.toml new.toml --water-C 34"),
        "simulator.bench.dryruncmd:add_arguments",
        "simulator.bench.dryruncmd:run",
    ),
    "study": Command(
        "Tries a profile on many strings that differ as production does.",
        ("formbath study starter-60 --strings 1000", "formbath study starter-60 --vary water_C=20:34:2"),
        "simulator.bench.studycmd:add_arguments",
        "simulator.bench.studycmd:run",
    ),
    "release": Command(
        "Checks, tries and studies a profile, then signs it for the floor.",
        ("formbath release new.toml --reason 'less gas'", "formbath release new.toml --confirm 'new 60 Ah/4'"),
        "simulator.bench.releasecmd:add_arguments",
        "simulator.bench.releasecmd:run",
    ),
    "calibrate": Command(
        "Fits the physics to recorded runs, says how well each is known.",
        ("formbath calibrate runs/*-A01-* -o hall.toml", "formbath calibrate RUN --base hall.toml --json"),
        "simulator.bench.calibratecmd:add_arguments",
        "simulator.bench.calibratecmd:run",
    ),
    "check": Command(
        "Says whether profiles, bath files and maps are right, and warns.",
        ("formbath check starter-60.toml", "formbath check baths/*.toml --json"),
        "formbath:check_arguments",
        "formbath:run_check",
    ),
    "schema": Command(
        "Prints the JSON schema of a kind of file that people write.",
        ("formbath schema profile", "formbath schema bath > bath.schema.json"),
        "formbath:schema_arguments",
        "formbath:run_schema",
    ),
    "simulate": Command(
        "Serves a virtual plant over Modbus TCP, with faults on demand.",
        ("formbath simulate baths/virtual.toml", "formbath simulate baths/virtual.toml --fault '6:12 A05 open_clamp'"),
        "simulator.commands:simulate_arguments",
        "simulator.commands:run_simulate",
    ),
    "verify": Command(
        "Says whether a record is whole, as far as its own hashes tell.",
        ("formbath verify runs/20260316T135800Z-A-A07-K3107", "formbath verify RUN --chain-only"),
        "controller.verify.commands:add_arguments",
        "controller.verify.commands:run",
    ),
    "replay": Command(
        "Shows a record in the console as if it ran now; takes no order.",
        ("formbath replay runs/20260316T135800Z-A-A07-K3107", "formbath replay RUN --speed 600 --from +3:20"),
        "controller.replay.commands:add_arguments",
        "controller.replay.commands:run",
    ),
    "runs": Command(
        "Lists recorded runs, sums them up for a manager, archives them.",
        ("formbath runs --since 2026-03-01 --circuit A07", "formbath runs --table --by week"),
        "controller.runs.commands:add_arguments",
        "controller.runs.commands:run",
    ),
    "export": Command(
        "Writes records as one Parquet or CSV table, units with it.",
        ("formbath export runs -o runs.parquet", "formbath export runs/*-A07-* --events -o a07.csv"),
        "controller.runs.exportcmd:add_arguments",
        "controller.runs.exportcmd:run",
    ),
}

# A kind of file, its model, and what finds its faults and warnings.
KINDS: Mapping[str, tuple[str, str]] = {
    "profile": ("profiles.profile:Profile", "profiles.commands:profile_check"),
    "bath": ("controller.bathfile:BathFile", "controller.bathfile:bath_check"),
    "map": ("controller.field.registermap:RegisterMap", "formbath:map_check"),
    "release": ("profiles.release:Release", "profiles.release:release_check"),
    "model": ("simulator.modelfile:ModelFile", "simulator.modelfile:model_check"),
}


class _Output(io.FileIO):
    """Standard output that remembers what it could not write: an error that somebody swallows is no success."""

    lost: OSError | None = None

    def write(self, data: Any, /) -> int:
        """As a file's; what goes wrong is kept."""
        try:
            return super().write(data)
        except OSError as error:
            self.lost = error
            raise


def _lost() -> OSError | None:
    raw = getattr(getattr(sys.stdout, "buffer", None), "raw", None)
    return raw.lost if isinstance(raw, _Output) else None


def main(argv: Sequence[str] | None = None) -> int:
    """Does what the command line asks for; returns the exit code, never 0 where its output did not come through."""
    words = list(sys.argv[1:] if argv is None else argv)
    who = f"formbath {words[0]}" if words and words[0] in COMMANDS else "formbath"
    if sys.stderr is None:
        sys.stderr = _nowhere()
    if sys.stdout is None:
        if who != "formbath run":
            print(f"{who}: cannot write output: standard output is closed", file=sys.stderr)
            return EXIT_UNWRITTEN
        # A service has nothing to say there, and none of its files shall get that place.
        sys.stdout = _nowhere()
    before, real = sys.stdout, cast("Any", sys.__stdout__)
    if before is real and not before.isatty():
        raw = io.BufferedWriter(_Output(before.fileno(), "wb", closefd=False))
        at_once = before.line_buffering or before.write_through
        sys.stdout = io.TextIOWrapper(raw, before.encoding, before.errors, line_buffering=at_once)
    try:
        code, lost = _answer(words), _lost()
    finally:
        shown, sys.stdout = sys.stdout, before
        if shown is before:
            _flushed_or_let_go(before)
        else:
            # What cannot be written is known by now; left to the collector it would be told once more, with a trace.
            with suppress(OSError, ValueError):
                shown.close()
    if lost is None:
        return code
    if isinstance(lost, BrokenPipeError):
        return EXIT_UNREAD
    print(f"{who}: cannot write output: {lost.strerror}", file=sys.stderr)
    return EXIT_UNWRITTEN


def _flushed_or_let_go(shown: TextIO) -> None:
    """A terminal that hung up takes no more: what still waits for it must not fail the end of the program."""
    try:
        shown.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), shown.fileno())


def _nowhere() -> TextIO:
    return os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")


def _answer(words: list[str]) -> int:
    """The exit code, once all output was given to the system; what it did not take `_lost` knows."""
    try:
        code = _told(words)
    except SystemExit as left:
        # A parser ends like this: its help is printed, or its one line is.
        code = left.code if isinstance(left.code, int) else 0
    except OSError:
        if _lost() is None:
            raise
        code = EXIT_FAILED
    with suppress(OSError):
        sys.stdout.flush()
    return code


def _told(words: list[str]) -> int:
    if not words or words[0] in {"-h", "--help"}:
        print(overview(), file=sys.stdout if words else sys.stderr)
        return 0 if words else EXIT_WRONG_INPUT
    if words[0] == "--version":
        print(f"formbath {VERSION}")
        return 0
    if words[0] not in COMMANDS:
        print(f"formbath: {unknown(words[0], COMMANDS, 'command')}", file=sys.stderr)
        return EXIT_WRONG_INPUT
    return perform(words[0], words[1:])


def overview() -> str:
    """What `formbath --help` prints."""
    rows = [f"  {name:<9} {command.sentence}" for name, command in COMMANDS.items()]
    first = "Controller, simulator and logbook for the formation bath of a battery plant."
    examples = "  formbath demo\n  formbath order hold A07"
    more = "formbath COMMAND -h says more about one.  formbath --version"
    return "\n".join([first, examples, "", *rows, "", more, EXIT_TEXT, CAUTION])


def unknown(word: str, known: Sequence[str] | Mapping[str, Any], what: str) -> str:
    """A sentence about a wrong word, with the nearest right one; it is never run."""
    shown = ascii(word[:40])
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"{shown} is no {what}, " + (f"did you mean {near[0]}?" if near else f"right is one of {', '.join(known)}")


def perform(name: str, words: Sequence[str]) -> int:
    """Runs a command; turns whatever goes wrong into a sentence and an exit code."""
    from controller.service.errors import Unreachable
    from profiles.problems import InputError

    verbose = "-v" in words
    try:
        # Intermixed: what belongs to a command may stand behind its options, too.
        args = parser_of(name).parse_intermixed_args(words)
        return int(_load(COMMANDS[name].run)(args))
    except InputError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        return EXIT_WRONG_INPUT
    except Unreachable as error:
        print(f"formbath {name}: {error}", file=sys.stderr)
        return EXIT_UNREACHABLE
    except KeyboardInterrupt:
        print(f"formbath {name}: interrupted", file=sys.stderr)
        return EXIT_INTERRUPTED
    except Exception as error:
        if _lost() is not None:
            return EXIT_FAILED  # told by who knows where the output went
        if verbose:
            traceback.print_exc()
        print(failure(name, error), file=sys.stderr)
        return EXIT_FAILED


def failure(name: str, error: Exception) -> str:
    """One sentence about an unexpected error, with where its detail was saved."""
    detail = "".join(traceback.format_exception(error))
    first = ascii(f"{type(error).__name__}: {error}"[:200])[1:-1]
    try:
        handle, path = tempfile.mkstemp(prefix=f"formbath-{name}-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(f"formbath {VERSION}, {name}, Python {sys.version}\n{detail}")
    except OSError as second:
        return f"formbath {name}: failed unexpectedly ({first}); its detail could not be saved ({second}), -v prints it"
    return f"formbath {name}: failed unexpectedly ({first}); detail saved in {path}"


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line, with the nearest right option."""

    def error(self, message: str) -> NoReturn:
        stray = re.match(r"unrecognized arguments: (--[A-Za-z-]+)", message)
        if stray:
            message = unknown(stray[1], sorted(set(re.findall(r"--[A-Za-z-]+", self.format_help()))), "option here")
        valueless = re.fullmatch(r"argument (?:\S+/)?(--[A-Za-z-]+): expected one argument", message)
        if valueless:
            message += f"; a value that begins with - is written behind =, as in {valueless[1]}=-2+3"
        choice = re.match(r"argument (\S+): invalid choice: '(.*)' \(choose from (.*)\)", message)
        if choice:
            message = unknown(choice[2], [word.strip(" '") for word in choice[3].split(",")], choice[1])
        from profiles.problems import clean

        self.exit(EXIT_WRONG_INPUT, f"{self.prog}: {clean(message, LONGEST_ERROR)}\n")


def parser_of(name: str) -> argparse.ArgumentParser:
    """A command's parser: its sentence, its examples, its options, the exit codes. Imports the command's module."""
    command = COMMANDS[name]
    parser = _Parser(
        prog=f"formbath {name}",
        description="\n".join([command.sentence, *(f"  {example}" for example in command.examples)]),
        epilog=EXIT_TEXT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    _load(command.arguments)(parser)
    parser.add_argument("-v", action="store_true", dest="verbose", help="where something fails unexpectedly, all of it")
    return parser


def _load(path: str) -> Any:
    module, _, attribute = path.partition(":")
    return globals()[attribute] if module == "formbath" else getattr(importlib.import_module(module), attribute)


def check_arguments(parser: argparse.ArgumentParser) -> None:
    """What `check` takes."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="files of the kinds " + ", ".join(KINDS))
    parser.add_argument("--json", action="store_true", help="everything found as one JSON object")


def run_check(args: argparse.Namespace) -> int:
    """Checks files, each by the kind that it says it is."""
    from profiles.commands import check

    kinds: dict[str, Callable[[Document], list[Problem]]] = {kind: _load(check) for kind, (_, check) in KINDS.items()}
    across = _load("controller.bathcheck:water_problems")
    return check(args.files, kinds, sys.stdout, sys.stderr, as_json=args.json, across=across)


def map_check(document: Document) -> list[Problem]:
    """Which laws a register map leaves without their signal; raises `InputError` for what is wrong."""
    from controller.field.registermap import load_map, missing_signals

    map_, _ = load_map(document.path)
    return [document.problem(("signal",), f"{name}: {why}", note=True) for name, why in missing_signals(map_)]


def schema_arguments(parser: argparse.ArgumentParser) -> None:
    """What `schema` takes."""
    parser.add_argument("kind", metavar="KIND", help=", ".join(KINDS))


def run_schema(args: argparse.Namespace) -> int:
    """Prints the schema of a kind of file."""
    from profiles.commands import schema

    return schema(args.kind, {kind: _load(model) for kind, (model, _) in KINDS.items()}, sys.stdout, sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
