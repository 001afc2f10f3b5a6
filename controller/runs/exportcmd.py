"""The command `export`: recorded runs as one Parquet or CSV file, for whoever does statistics with them."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from controller.records.finding import is_bath_folder
from controller.records.saying import counted
from controller.runs.choosing import add_choice, wanted_of
from controller.runs.commands import paths_of
from controller.runs.exporting import CsvSink, Exported, Sink, export
from controller.runs.exportparquet import ParquetSink
from controller.runs.outfile import wrong_place
from profiles.problems import InputError, Problem, clean

COLUMNS = """In front of those of the table (README.txt in a run folder has them): run,
batch, bath, circuit, profile, revision, hall, battery_type, trial, virtual
(true: simulated, no battery was there), batches (all of the string). Of
batteries.csv the batch is the battery's own.

In Parquet value and limit are numbers, null where there is none; what is no
number (yes, no, a word) stands in value_text and limit_text beside them. In
CSV they stand as they are. A cell that is not what its column holds ends the
export of its run before that row; a number without end (nan, inf) is left
empty.

Of a bath's own folder (runs/A) --events are those that belong to no run: all
columns in front but bath are empty then."""
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
    add_choice(parser, "which runs")
    parser.add_argument_group("columns", COLUMNS)


def run(args: argparse.Namespace) -> int:
    """Write the table; return 0, or 1 where a run is damaged: it is exported up to the damage.

    Raises `InputError` (exit 2) for what is no run and for a file that cannot be written; nothing is left of it then.
    """
    name = next((file for word, file in TABLES.items() if getattr(args, word)), LOG)
    wanted = wanted_of(args, "export")
    baths = [path for path in args.run if is_bath_folder(path)]
    if baths and name != TABLES["events"]:
        what = "is a bath's own folder, which holds events and no runs: add --events, or name a run or a folder of runs"
        raise InputError([Problem("export", None, "RUN", f"{clean(str(baths[0]))} {what}")])
    runs = [path for path in args.run if path not in baths]
    paths = [*baths, *(paths_of(runs, None, "export") if runs else ())]
    found: list[Exported] = []
    with _sink(args.output, name, force=args.force) as sink:
        for one in export(paths, name, sink, wanted):
            found.append(one)
            for text in (*one.wrong, *one.notes):
                sys.stderr.write(f"{clean(one.run.name)}: {clean(text)}\n")
        sink.close(found)
    damaged = sum(bool(one.wrong) for one in found)
    told = f", {damaged} damaged, exported as far as is said above" if damaged else ""
    count = sum(not one.of_bath for one in found)
    whose = counted(count, "run") if count or not baths else counted(len(baths), "bath")
    rows = counted(sum(one.rows for one in found), "row")
    sys.stderr.write(f"{clean(str(args.output))}: {rows} of {whose}{told}\n")
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
    if (why := wrong_place(place, force=force)) is not None:
        raise _wrong(why)


def _wrong(what: str) -> InputError:
    return InputError([Problem("export", None, "-o", what)])
