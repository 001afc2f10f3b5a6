"""The command `export`: recorded runs as one Parquet or CSV file, for whoever does statistics with them."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from controller.records.exporting import CsvSink, Exported, Sink, export
from controller.records.exportparquet import ParquetSink
from controller.records.runscmd import paths_of
from profiles.problems import InputError, Problem, clean

TABLES = {"events": "events.csv", "batteries": "batteries.csv", "after": "after.csv"}
LOG = "log.csv"
PARQUET, CSV = ".parquet", ".csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("run", nargs="+", type=Path, metavar="RUN", help="runs, archived or not, or folders of runs")
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="FILE",
        help="FILE.parquet (needs pyarrow), FILE.csv, or - for CSV on standard output",
    )  # fmt: skip
    parser.add_argument("--force", action="store_true", help="write over FILE where it exists")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--events", action="store_true", help="events, alarms, orders instead of the log")
    which.add_argument("--batteries", action="store_true", help="outcomes of batteries instead of the log")
    which.add_argument("--after", action="store_true", help="later readings instead of the log")


def run(args: argparse.Namespace) -> int:
    """Write the table; return 0, or 1 where a run is damaged: it is exported up to the damage.

    Raises `InputError` (exit 2) for what is no run and for a file that cannot be written; nothing is left of it then.
    """
    name = next((file for word, file in TABLES.items() if getattr(args, word)), LOG)
    paths = paths_of(args.run, None, "export")
    found: list[Exported] = []
    with _sink(args.output, name, force=args.force) as sink:
        for one in export(paths, name, sink):
            found.append(one)
            for text in (*one.wrong, *one.notes):
                sys.stderr.write(f"{clean(one.run.name)}: {clean(text)}\n")
        sink.close(found)
    damaged = sum(bool(one.wrong) for one in found)
    told = f", {damaged} damaged, exported up to the damage" if damaged else ""
    sys.stderr.write(f"{clean(str(args.output))}: {sum(one.rows for one in found)} rows of {len(found)} runs{told}\n")
    return 1 if damaged else 0


@contextmanager
def _sink(place: Path, name: str, *, force: bool) -> Iterator[Sink]:
    """The file being written under another name, put to its own once it is whole."""
    if str(place) == "-":
        yield CsvSink(sys.stdout, name)
        return
    _look_at(place, force=force)
    new = place.with_name(f".{place.name}.{os.getpid()}.new")
    try:
        if place.suffix == CSV:
            with new.open("x", encoding="utf-8", newline="") as file:
                yield CsvSink(file, name)
        else:
            yield _parquet(new, name)
        new.replace(place)
    except OSError as error:
        raise _wrong(f"{clean(str(place))} cannot be written: {error.strerror or error}") from None
    finally:
        with suppress(OSError):
            new.unlink(missing_ok=True)


def _parquet(new: Path, name: str) -> Sink:
    try:
        return ParquetSink(new, name)
    except ImportError:
        raise _wrong("Parquet needs pyarrow: pip install 'formbath[export]', or name a .csv file") from None


def _look_at(place: Path, *, force: bool) -> None:
    """Refuse a place for the file before the work is done."""
    if place.suffix not in (PARQUET, CSV):
        raise _wrong(f"{clean(str(place))}: its name says no format, end it in {PARQUET} or {CSV}")
    try:
        taken, folder, home = place.exists() or place.is_symlink(), place.is_dir(), place.parent.is_dir()
    except (OSError, ValueError):
        raise _wrong(f"{clean(str(place))}: its name cannot be used") from None
    if folder:
        raise _wrong(f"{clean(str(place))} is a folder, name a file")
    if not home:
        raise _wrong(f"{clean(str(place))}: its folder does not exist, make it first")
    if taken and not force:
        raise _wrong(f"{clean(str(place))} exists, name another file or add --force")


def _wrong(what: str) -> InputError:
    return InputError([Problem("export", None, "-o", what)])
