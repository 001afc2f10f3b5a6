"""The command `dryrun`: one profile tried on the real core in seconds, or two side by side."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TextIO

from controller.charts.svg import to_svg
from controller.charts.terminal import to_text
from controller.runs.outfile import wrong_place
from controller.service.clock import boot_ms
from profiles.problems import InputError, Problem, clean
from simulator.bench import asjson, compare, pictures, telling
from simulator.bench.asked import Asked, add_day_arguments, add_setting_arguments, asked
from simulator.bench.dry import Dry, Verdict, dry_of, run_dry
from simulator.bench.pictures import planned_course
from simulator.bench.tryout import Progress

__all__ = ["Asked", "Dry", "Verdict", "add_arguments", "asked", "dry_of", "run", "run_dry"]

COMMAND = "dryrun"
MOST_PROFILES = 2
QUIET_S, AGAIN_S = 1.0, 0.2
"""Progress is shown after a second, five times a second."""
WIDE, NARROW = 78, 40
CLEAR = "\r\x1b[K"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `dryrun` takes."""
    parser.add_argument(
        "profiles", metavar="PROFILE", nargs="+", help="a file or a name of the library; two: the old, the new"
    )
    add_setting_arguments(parser)
    add_day_arguments(parser)
    parser.add_argument("-o", metavar="FILE", dest="output", help="its course as a picture, .svg, or a table, .csv")
    parser.add_argument("--json", action="store_true", help="all of it as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Try one profile, or compare two. Returns 0 where all completed without an alarm, 1 where one did not.

    Raises InputError (exit 2) for whatever is wrong with files and options; with --json the object says it, too.
    """
    try:
        output = _output(args.output)
        asks = _asks(args)
        dries = [run_dry(one, _progress(one, number, len(asks))) for number, one in enumerate(asks)]
        code = max(dry.code for dry in dries)
        comparison = compare.compared(*dries) if len(dries) == MOST_PROFILES else None
        if output is not None:
            _write(output, dries)
    except InputError as error:
        if args.json:
            sys.stdout.write(asjson.problems_json(error.problems, 2) + "\n")
        raise
    except KeyboardInterrupt:
        if sys.stderr.isatty():
            sys.stderr.write(CLEAR)
        raise
    if args.json:
        sys.stdout.write(asjson.as_json(dries, comparison, code) + "\n")
        return code
    lines = telling.told(dries[0]) if comparison is None else compare.told(dries[0], dries[1], comparison)
    sys.stdout.write("\n".join(lines) + "\n")
    if sys.stdout.isatty() and all(dry.verdict is not Verdict.UNSTARTED for dry in dries):
        _draw(dries, sys.stdout)
    return code


def _asks(args: argparse.Namespace) -> list[Asked]:
    """What is asked for, profile by profile; everything that is wrong in all of them, each line once."""
    if len(args.profiles) > MOST_PROFILES:
        what = f"{len(args.profiles)} given, write one, or two to compare (more: formbath study --vary)"
        raise InputError([Problem(COMMAND, None, "PROFILE", what)])
    found: list[Asked] = []
    wrong: dict[Problem, None] = {}
    for path in args.profiles:
        try:
            found.append(asked(args, path, COMMAND))
        except InputError as error:
            wrong.update(dict.fromkeys(error.problems))
    if wrong:
        raise InputError(wrong)
    # Two are compared in one water: where none was said, in the hottest that either of them is for.
    hottest_C = max(one.setting.water_C for one in found)
    return [replace(one, setting=replace(one.setting, water_C=hottest_C)) for one in found]


def _output(text: str | None) -> Path | None:
    """The file to write, looked at before anything is computed."""
    if text is None:
        return None
    path = Path(text)
    what = wrong_place(path)
    if path.suffix not in {".svg", ".csv"}:
        what = f"{clean(text, 80)!r} has no ending that is known here, write FILE.svg or FILE.csv"
    if what is not None:
        raise InputError([Problem(COMMAND, None, "-o", what)])
    return path


def _write(path: Path, dries: Sequence[Dry]) -> None:
    text = pictures.course_csv(dries) if path.suffix == ".csv" else to_svg(pictures.whole_figure(dries))
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name cannot be used"
        what = f"{clean(str(path), 80)!r} cannot be written: {reason}; name another file"
        raise InputError([Problem(COMMAND, None, "-o", what)]) from None


def _draw(dries: Sequence[Dry], out: TextIO) -> None:
    """The figures on a terminal, in ASCII where it shows nothing else."""
    plain = "utf" not in (out.encoding or "").lower() or os.environ.get("TERM", "")[:5] in {"", "dumb", "linux"}
    try:
        columns = max(NARROW, min(WIDE, os.get_terminal_size(out.fileno()).columns - 1))
    except OSError:
        columns = WIDE
    out.writelines("\n" + to_text(figure, columns, ascii=plain) for figure in pictures.figures_of(dries))


def _progress(one: Asked, number: int, count: int) -> Progress | None:
    """One line on a terminal, redrawn; nothing in a pipe."""
    if not sys.stderr.isatty():
        return None
    whole_h = max(planned_course(one.plan)[0][-1], 0.1)
    name = COMMAND if count == 1 else f"{COMMAND} {number + 1} of {count}"
    return progress_line(name, whole_h, lambda: boot_ms() / 1000.0, sys.stderr)


def progress_line(name: str, whole_h: float, now_s: Callable[[], float], out: TextIO) -> Progress:
    """Redraws one line while a string is tried that is expected to take `whole_h`; clears it when it is over."""
    begun_s = now_s()
    shown_s = begun_s + QUIET_S - AGAIN_S
    drawn = False

    def show(hours: float, over: int) -> None:
        nonlocal shown_s, drawn
        now = now_s()
        if over:
            if drawn:
                out.write(CLEAR)
                out.flush()
            return
        if now - shown_s < AGAIN_S:
            return
        shown_s, drawn = now, True
        share = min(max(hours, 0.0) / whole_h, 0.99)
        left = f"  {(now - begun_s) * (1.0 - share) / share:.0f} s left" if share > 0.05 else ""
        out.write(f"\r{name} {100.0 * share:.0f} %  {max(hours, 0.0):.1f} of {whole_h:.1f} h{left}\x1b[K")
        out.flush()

    return show
