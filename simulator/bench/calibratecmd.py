"""The command `calibrate`: fits a battery type's model to records of real runs, and writes it as a model file."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from controller.runs.outfile import wrong_place
from profiles.problems import InputError, Problem, clean
from simulator.bench import calibratetelling as telling
from simulator.bench.calibratecourse import course_of
from simulator.bench.calibratedata import read_runs
from simulator.bench.calibratefit import fit, least_squares
from simulator.modelfile import Model, read_model, to_toml

AIR_C = 22.0
"""No record holds the hall's air; the virtual hall has this."""
COLDEST_C, HOTTEST_C = -10.0, 50.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "run", nargs="+", type=Path, metavar="RUN", help="run folders of one battery type, fresh fillings"
    )
    parser.add_argument("--base", type=Path, metavar="FILE", help="model file to begin with (the built-in type)")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write what was found as a model file")
    parser.add_argument("--force", action="store_true", help="write over FILE where it exists")
    parser.add_argument("--air-C", type=float, default=AIR_C, metavar="C", help="air of the hall then (%(default)s)")
    parser.add_argument("--json", action="store_true", help="the outcome as one object")


def run(args: argparse.Namespace) -> int:
    """Fit, say how well each parameter is known, write the file; 0, or 1 where the fit explains too little.

    Raises InputError (exit 2) for what cannot be used; nothing is written then.
    """
    if not COLDEST_C <= args.air_C <= HOTTEST_C:
        what = f"{args.air_C:g} cannot be, write {COLDEST_C:g} to {HOTTEST_C:g}"
        raise InputError([Problem("calibrate", None, "--air-C", what)])
    if args.output is not None and (why := wrong_place(args.output, force=args.force)) is not None:
        raise _output(why)
    base = read_model(args.base) if args.base is not None else Model()
    runs = read_runs(args.run)
    courses = [course_of(one) for one in runs]
    least_squares()
    found = fit(base.parameters, courses, args.air_C, tell=_tell)
    _tell("")
    if args.json:
        text = json.dumps(telling.as_plain(base, found, runs, courses, args.air_C), allow_nan=False)
    else:
        text = "\n".join(telling.lines(base, found, runs, courses, args.air_C))
    sys.stdout.write(f"{text}\n")
    if found.refusal:
        if args.output is not None:
            sys.stderr.write(f"calibrate: {clean(str(args.output))}: not written, the fit is refused\n")
        return 1
    if args.output is not None:
        _write(args.output, to_toml(telling.found_model(base, found, runs)), force=args.force)
    return 0


def _output(what: str) -> InputError:
    return InputError([Problem("calibrate", None, "-o", what)])


def _write(place: Path, text: str, *, force: bool) -> None:
    try:
        with place.open("w" if force else "x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise _output(f"{clean(str(place))} cannot be written: {error.strerror}") from None
    sys.stderr.write(f"calibrate: {clean(str(place))} written; formbath dryrun PROFILE --model takes it\n")


def _tell(stage: str) -> None:
    """How far it is, on a terminal; nothing in a pipe."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[Kcalibrate: {stage}" if stage else "\r\x1b[K")
        sys.stderr.flush()
