"""Hours of one run that no list holds: when it was loaded and unloaded, had current, was derated, was planned to end.

Load and unload are orders at a circuit without an open run, so they stand in its bath's own events-YYYYMM.csv.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.core.types import State
from controller.records.errors import RecordError
from controller.records.head import read_plain, safe_name
from controller.records.place import FolderPlace, Place, bare, place_of, read_all
from controller.records.rows import clean, parse_time
from controller.records.stream import cells_of
from controller.records.summary import read_summary
from controller.records.tables import EVENT_COLUMNS
from controller.records.typed import LogColumns, read_log
from controller.runs.figures import MS_PER_H, Hours
from controller.runs.seen import Seen, number_of

FLOWS_A = 0.3
"""Below this an instrument's offset looks like current (own choice: the default of the law of an open string)."""

LAST_DIGIT_Ah = 1e-4
"""Of charge in log.csv."""

Floats = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

Orders = Mapping[str, Sequence[tuple[int, str]]]
"""By circuit: the moments of accepted `load` and `unload`, in order."""


@dataclass
class HoursReader:
    """Reads hours of runs; each bath's own events once. Raises nothing: what cannot be read is not known.

    `wrong`: by path, what is wrong with a run's log that only reading all of it shows.
    """

    wrong: dict[Path, str] = field(default_factory=dict)
    _known: dict[Path, Orders] = field(default_factory=dict)

    def of(self, run: Seen) -> Hours | None:
        """The hours of one run; None: its log is not as it was written."""
        folder = run.path.parent / safe_name(run.bath)
        if folder not in self._known:
            self._known[folder] = orders_of(folder)
        load_ms, unload_ms = _around(self._known[folder].get(run.circuit, ()), run)
        try:
            place = place_of(run.path)
            plain = read_plain(read_all(place, "run.json"))
            log = read_log(place)
        except RecordError as error:
            self.wrong[run.path] = clean(bare(run.path, error))
            return None
        wrong = _wrong_log(place, log)
        if wrong is not None:
            self.wrong[run.path] = wrong
            return None
        first_ms, current_h = _current(log)
        return Hours(load_ms, _filled_ms(plain, run), first_ms, unload_ms, current_h, planned_h(plain), _derated_h(log))


def orders_of(folder: Path) -> Orders:
    """Accepted `load` and `unload` of every circuit in a bath's own events; what cannot be read is left out."""
    found: dict[str, list[tuple[int, str]]] = {}
    time, kind, code, target, text = (
        EVENT_COLUMNS.index(name) for name in ("time_utc", "kind", "code", "target", "text")
    )
    for path in sorted(folder.glob("events-*.csv")):
        try:
            lines = read_all(FolderPlace(folder), path.name).split(b"\n")
        except RecordError:
            continue
        for row in (cells_of(line) for line in lines if b",accepted," in line and b"load by " in line):
            if len(row) != len(EVENT_COLUMNS) or row[kind] != "order" or row[code] != "accepted":
                continue
            verb = row[text].partition(" ")[0]
            if verb in ("load", "unload"):
                found.setdefault(row[target], []).append((_moment(row[time]), verb))
    return {circuit: sorted(orders) for circuit, orders in found.items()}


def _around(orders: Sequence[tuple[int, str]], run: Seen) -> tuple[int | None, int | None]:
    """When the run's string was loaded, the first time since the circuit was free, and when it was unloaded."""
    load_ms: int | None = None
    for at_ms, verb in orders:
        if run.start_ms is None or at_ms > run.start_ms:
            break
        load_ms = None if verb == "unload" else at_ms if load_ms is None else load_ms
    after = (at_ms for at_ms, verb in orders if run.end_ms is not None and at_ms >= run.end_ms and verb == "unload")
    unload_ms = next(after, None)
    loads = (at_ms for at_ms, verb in orders if run.end_ms is not None and at_ms >= run.end_ms and verb == "load")
    loaded_again_ms = next(loads, None)
    if unload_ms is not None and loaded_again_ms is not None and loaded_again_ms < unload_ms:
        return load_ms, None
    return load_ms, unload_ms


def _moment(text: str) -> int:
    try:
        return parse_time(text)
    except (ValueError, OverflowError):
        return 0


def _wrong_log(place: Place, log: LogColumns) -> str | None:
    """What is wrong with a closed run's log: in itself, or held against summary.json."""
    if log.problems:
        return log.problems[0]
    summary, _ = read_summary(read_all(place, "summary.json"))
    rows = (summary or {}).get("rows")
    told = rows.get("log.csv") if isinstance(rows, dict) else None
    return None if told in (None, log.rows) else f"log.csv: {log.rows} rows, summary.json knows {told}"


def _current(log: LogColumns) -> tuple[int | None, float | None]:
    """The moment of the first current, and hours with current; None, None from a log without rows."""
    if log.rows == 0:
        return None, None
    took_s = np.diff(log.elapsed_s)
    moved_Ah = np.diff(log.charge_Ah + log.discharge_Ah)
    flows = (took_s > 0) & _counts_as_current(moved_Ah, took_s, np.abs(log.current_A))
    if not flows.any():
        return None, 0.0
    return int(log.time[int(flows.argmax())].astype(np.int64)), float(took_s[flows].sum()) / 3600.0


def _derated_h(log: LogColumns) -> float | None:
    """Hours between rows of a run that went on, from each that says that less than the step's current was allowed.

    None from a log without rows. A gap ends in a row that does not run, so that none counts.
    """
    if log.rows == 0:
        return None
    took_s = np.diff(log.elapsed_s)
    runs = np.array([name == State.RUNNING.value for name in log.state.names])[log.state.codes]
    derated = (took_s > 0) & runs[:-1] & runs[1:] & (log.allowed_percent[:-1] < 100.0)
    return float(took_s[derated].sum()) / 3600.0


def _counts_as_current(moved_Ah: Floats, took_s: Floats, read_A: Floats) -> Marks:
    """Where charge was counted at `FLOWS_A` or more, to its last digit, and one of the two rows read as much.

    One last digit of charge within a second is 0.36 A: without a look at the current, noise would be current.
    """
    read_A = np.fmax(read_A[:-1], read_A[1:])
    unread = np.isnan(read_A)
    # Where nothing was read, the counters have to show it for sure.
    slack_Ah = np.where(unread, -LAST_DIGIT_Ah, LAST_DIGIT_Ah)
    flows: Marks = ((moved_Ah + slack_Ah) * 3600.0 >= FLOWS_A * took_s) & (unread | (read_A >= FLOWS_A))
    return flows


def _filled_ms(plain: Mapping[str, Any], run: Seen) -> int | None:
    """When the last battery was filled: core time, like that of the start, turned into wall time."""
    load = plain.get("load")
    filled, start = load.get("last_filled_ms") if isinstance(load, dict) else None, plain.get("start_ms")
    if run.start_ms is None or type(filled) is not int or type(start) is not int:
        return None
    # 0 and 0 are the fields' defaults: nobody said when the batteries were filled.
    if filled == 0 and isinstance(load, dict) and load.get("first_filled_ms") in (0, None):
        return None
    return run.start_ms - (start - filled)


def planned_h(plain: Mapping[str, Any]) -> float | None:
    """Hours from first current to the end: the release's middle course, else the plan's own; None: nobody can say."""
    load, plan = plain.get("load"), plain.get("plan")
    first = load.get("first_step") if isinstance(load, dict) else 0
    first = first if isinstance(first, int) and first >= 0 else 0
    steps = plan.get("steps") if isinstance(plan, dict) else None
    if not isinstance(steps, list) or not steps[first:]:
        return None
    course = _course(plain, first)
    if course is not None:
        return course
    hours = [_step_h(step) for step in steps[first:]]
    known = [each for each in hours if each is not None]
    return sum(known) if len(known) == len(hours) else None


def _course(plain: Mapping[str, Any], first: int) -> float | None:
    release = plain.get("release")
    text = release.get("text") if isinstance(release, dict) else None
    try:
        steps = json.loads(text)["course"] if isinstance(text, str) else []
        hours = [number_of(step["duration_h"][1]) for step in steps if step["step"] > first]
    except (ValueError, RecursionError, LookupError, TypeError):
        return None
    known = [each for each in hours if each is not None]
    return sum(known) if known and len(known) == len(hours) else None


def _step_h(step: object) -> float | None:
    """A step's planned hours: its time, or its charge by its current, whichever ends it first."""
    ends = step.get("ends") if isinstance(step, dict) else None
    if not isinstance(step, dict) or not isinstance(ends, dict):
        return None
    time_ms, charge_Ah = number_of(ends.get("time_ms")), number_of(ends.get("charge_Ah"))
    current_A = number_of(step.get("current_A"))
    ways = [] if time_ms is None else [time_ms / MS_PER_H]
    if charge_Ah is not None and current_A:
        ways.append(charge_Ah / current_A)
    return min(ways) if ways else None
