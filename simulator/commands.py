"""The commands `demo` and `simulate`: the virtual plant for people to look at, and for any controller to drive."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import stat
import sys
from pathlib import Path

from controller.bathfile import Bath, load_bath
from controller.console.commands import add_look, attach_console, look_of, on_terminal
from controller.service.clock import RealClock, Ticker
from controller.service.errors import Unreachable
from controller.service.leaving import EXIT_FAILED
from profiles.problems import InputError, Problem
from simulator import demo, telling
from simulator.faults import FaultError, FaultLine, catalogue_text, parse_fault_line
from simulator.pace import FASTEST, SLOWEST, USUAL
from simulator.stage import Setting, Stage
from simulator.watching import watch

CAUTION = "DEMO, virtual plant: nothing here is a safety system, and none of its numbers is a recipe"


def demo_arguments(parser: argparse.ArgumentParser) -> None:
    """What `demo` takes."""
    parser.add_argument("--headless", action="store_true", help="no console, stepped to its end, one entry a circuit")
    parser.add_argument(
        "--seed", type=int, default=demo.SEED, metavar="N", help="spread of batteries, noise (%(default)s)"
    )
    parser.add_argument(
        "--speed",
        type=float,
        metavar="N",
        help=f"seconds of plant time a second on a terminal, {SLOWEST:g} to {FASTEST:g} ({USUAL:g})",
    )
    parser.add_argument("--json", action="store_true", help="as --headless, the outcome as one object")
    parser.add_argument("--serve", type=Path, metavar="FOLDER", help=argparse.SUPPRESS)
    add_look(parser)


def run_demo(args: argparse.Namespace) -> int:
    """Play the demo: with the console on a terminal, else stepped.

    Returns 0 when all went as planned, 1 when not, 70 where no disk took some of its record (said on standard error).

    Raises InputError (exit 2) for a wrong or misplaced option, Unreachable (exit 3) where the plant's process fails.
    """
    if args.speed is not None and not SLOWEST <= args.speed <= FASTEST:
        raise InputError([Problem("demo", None, "--speed", f"{args.speed:g}, write {SLOWEST:g} to {FASTEST:g}")])
    if args.serve is not None:
        return _serve_demo(args.serve, args.seed, args.speed or USUAL)
    watched = on_terminal() and not (args.headless or args.json)
    if args.speed is not None and not watched:
        what = "only a demo on a terminal has a pace, this one is stepped to its end as fast as it goes: leave it out"
        raise InputError([Problem("demo", None, "--speed", what)])
    try:
        folder = demo.new_folder(Path.cwd())
    except OSError as error:
        what = f"cannot be made here ({error.strerror}), go to a folder you may write to"
        raise InputError([Problem("demo", None, "demo-runs", what)]) from None
    print(f"{CAUTION}; seed {args.seed}", file=sys.stderr)
    if watched:
        look = look_of(args, os.environ, terminal=True)
        return watch(folder, args.seed, args.speed or USUAL, lambda paths: attach_console(paths, look), sys.stdout)
    end = asyncio.run(demo.play(folder, args.seed, sys.stderr))
    entries = telling.entries(folder)
    wrong = [*end.surprises, *telling.surprises(entries), *telling.bath_alarms(folder, entries)]
    if args.json:
        print(telling.as_json(entries, wrong, args.seed))
    else:
        print("\n".join(telling.lines(entries, wrong, args.seed, Path("demo-runs") / folder.name)))
    return (1 if wrong else 0) if end.written else EXIT_FAILED


def _serve_demo(folder: Path, seed: int, ratio: float) -> int:
    """Be the plant's and the service's process of a demo; its standard input is a pipe that says when to end."""
    if not stat.S_ISFIFO(os.fstat(sys.stdin.fileno()).st_mode):
        raise InputError([Problem("demo", None, "--serve", "wants a pipe as standard input; `formbath demo` makes it")])
    end = asyncio.run(demo.serve(folder, seed, ratio, sys.stdout))
    print(end.line(), flush=True)
    return 0


def simulate_arguments(parser: argparse.ArgumentParser) -> None:
    """What `simulate` takes."""
    parser.add_argument("bath", type=Path, metavar="BATH.toml", help="a bath file with virtual = true")
    parser.add_argument("--batteries", type=int, metavar="N", help="in each circuit (all places)")
    parser.add_argument("--capacity-Ah", type=float, default=60.0, metavar="AH", help="C20 of a battery (%(default)s)")
    parser.add_argument("--water-C", type=float, metavar="C", help="inlet of the cooling water")
    parser.add_argument(
        "--soaked-min", type=float, default=60.0, metavar="MIN", help="filled so long ago (%(default)s)"
    )
    parser.add_argument("--load-ohm", type=float, metavar="OHM", help="a resistor in each circuit, no string")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="spread and noise (%(default)s)")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="LINE",
        help="such as '6:12-6:43 A05 open_clamp'; names: --faults",
    )
    parser.add_argument("--faults", action="store_true", help="print the names of the faults and end")


def run_simulate(args: argparse.Namespace) -> int:
    """Serve the virtual plant on the bath file's addresses, on the real clock, until told to end.

    Raises InputError (exit 2), Unreachable (exit 3) where an address cannot be listened on.
    """
    if args.faults:
        print(catalogue_text())
        return 0
    bath = load_bath(args.bath)
    if not bath.file.virtual:
        what = "false, but a virtual plant serves only a bath with virtual = true"
        raise InputError([bath.document.problem(("virtual",), what)])
    return asyncio.run(_serve(bath, _setting(args), _faults(args.fault)))


def _setting(args: argparse.Namespace) -> Setting:
    bounds = (("batteries", 1, 60), ("capacity_Ah", 1, 3000), ("water_C", 1, 60), ("soaked_min", 0, 1440))
    problems = [
        Problem("simulate", None, f"--{name.replace('_', '-')}", f"{value:g} cannot be, write {least} to {most}")
        for name, least, most in bounds
        if (value := getattr(args, name)) is not None and not least <= value <= most
    ]
    if args.load_ohm is not None and not 0.001 <= args.load_ohm <= 1e6:
        problems.append(Problem("simulate", None, "--load-ohm", "write 0.001 to 1000000"))
    if problems:
        raise InputError(problems)
    return Setting(
        batteries=args.batteries,
        capacity_C20_Ah=args.capacity_Ah,
        water_inlet_C=args.water_C,
        soaked_s=args.soaked_min * 60.0,
        load_ohm=args.load_ohm,
        seed=args.seed,
    )


def _faults(lines: list[str]) -> list[FaultLine]:
    found = []
    for line in lines:
        try:
            found.append(parse_fault_line(line))
        except FaultError as error:
            raise InputError([Problem("simulate", None, "--fault", str(error))]) from None
    return found


async def _serve(bath: Bath, setting: Setting, faults: list[FaultLine]) -> int:
    try:
        stage = Stage(bath, setting, faults)
    except FaultError as error:
        raise InputError([Problem("simulate", None, "--fault", str(error))]) from None
    addresses = {}
    for name, entry in bath.file.link.items():
        host, _, text = (entry.tcp or "127.0.0.1:0").rpartition(":")
        addresses[name] = (host.strip("[]"), int(text))
    try:
        await stage.open(addresses)
    except OSError as error:
        raise Unreachable(f"cannot serve the plant: {error}") from None
    ending = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ending.set)
    for name, port in stage.ports.items():
        print(f"link {name}: {addresses[name][0]}:{port}")
    print("virtual plant runs; Ctrl-C ends it", flush=True)
    await _run(stage, ending)
    await stage.close()
    return 0


async def _run(stage: Stage, ending: asyncio.Event) -> None:
    """Let the plant follow the real clock in small steps until the end is asked for."""
    ticker = Ticker(RealClock(TICK_MS))
    while not ending.is_set():
        await stage.advance(await ticker.passed_s())


TICK_MS = 100
"""Plant time goes on ten times a second: fine against a cycle of half a second, little work."""
