"""The manager's table: what runs cost, how many batteries passed at once, how
long circuits stood, from their records.

Runs that ended are put together by the ISO week in which they ended (UTC), by
battery type (the profile's name where no type was given) and by bath; trials
stand in rows of their own, and so do simulated runs. A run that is damaged,
open or was never closed counts nowhere, and is named. What no record holds is
empty, never 0.

runs           runs that ended
kWh_battery    energy charged into them, by the batteries in them. Runs that
               continue each other count as one, in the row of the last of
               them, with the batteries of the first
first_pass_%   batteries passed, of those loaded, over runs that were signed
               off. A run that continues one that was signed off before is a
               second pass and does not count
occupancy_%    hours with current, of the hours from the order load to the
               order unload, over runs of which both are on record. With
               current: where charge, in or out, was counted at 0.3 A or more
               from one row of log.csv to the next, and one of the two rows
               read as much
wait_start_h   from the order load (where that is not on record: from the last
               filling) to the first current; a mean
wait_unload_h  from the end of the run to the order unload; a mean
late_h         elapsed, less planned: the middle course of the release;
               without one the plan's hours, and its charge by its current.
               Complete runs whose planned hours are known; a mean, below 0
               where they were early
alarms_shift   alarms that came and were told in these runs, by each 8 h in
               which at least one of them was on. The bath's own alarms belong
               to no run and are not in it
virtual        "virtual" where the runs were simulated: no battery was there
signed_off     runs behind first_pass_%
unloaded       runs behind wait_unload_h; behind occupancy_% those of them
               with the order load on record as well
derated_h      hours in which a run went on while its own temperature allowed
               less than the step's current (allowed_percent in log.csv below
               100), pauses included; a mean. What reduces the whole bath
               (water, power) is not in it
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from controller.records.rows import cell, fixed
from controller.runs.follow import Chain
from controller.runs.seen import Seen

MS_PER_H = 3_600_000
SHIFT_H = 8.0
KEYS = ("week", "type", "bath")


@dataclass(frozen=True, slots=True)
class Hours:
    """What the table needs of a run beyond what a list shows. None: no record holds it. Moments are ms since 1970.

    `current_h`: hours with current; `derated_h`: hours in which a temperature derate stood while the run went on.
    """

    load_ms: int | None = None
    filled_ms: int | None = None
    first_current_ms: int | None = None
    unload_ms: int | None = None
    current_h: float | None = None
    planned_h: float | None = None
    derated_h: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One run in the table, with the energy and the batteries of the runs that it ends. `again`: a second pass."""

    run: Seen
    hours: Hours
    energy_Wh: float | None
    batteries: int | None
    again: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One line; `key` is week, type and bath, each empty where the table is not split by it."""

    key: tuple[str, str, str]
    trial: bool
    runs: int
    kWh_battery: float | None
    first_pass_percent: float | None
    occupancy_percent: float | None
    wait_start_h: float | None
    wait_unload_h: float | None
    late_h: float | None
    alarms_shift: float | None
    virtual: bool
    signed_off: int
    unloaded: int
    derated_h: float | None


HEADER = (
    "week,type,bath,trial,runs,kWh_battery,first_pass_%,occupancy_%,wait_start_h,wait_unload_h,late_h,alarms_shift,"
    "virtual,signed_off,unloaded,derated_h"
)
"""It only grows, at its end."""

Group = tuple[tuple[str, str, str], bool, bool]
"""Keys, whether simulated, whether a trial: what never stands in one row with anything else."""


def counts(run: Seen) -> bool:
    """Whether a run stands in the table: it ended, and is as it was written."""
    return run.end_ms is not None and run.start_ms is not None and not run.wrong


def parts_of(chain: Chain, hours_of: Callable[[Seen], Hours | None]) -> list[Part]:
    """The runs of a chain that count, each with what it carries.

    `hours_of` reads the rest of a record; None: it is damaged, and counts nowhere.
    """
    found: list[Part] = []
    energy_Wh: float | None = 0.0
    batteries = chain.runs[0].batteries
    signed = False
    for run in chain.runs:
        energy_Wh = None if energy_Wh is None or run.energy_Wh is None else energy_Wh + run.energy_Wh
        last = run is chain.runs[-1]
        hours = hours_of(run) if counts(run) else None
        if hours is not None:
            carried = (energy_Wh, batteries) if last else (None, None)
            found.append(Part(run, hours, *carried, again=signed))
        signed = signed or bool(run.outcomes)
    return found


def table(parts: Iterable[Part], by: Sequence[str] = KEYS) -> list[Row]:
    """The rows, sorted by their keys; of the same keys real runs first, and trials behind the others."""
    groups: dict[Group, list[Part]] = {}
    for part in parts:
        groups.setdefault((_key(part.run, by), part.run.virtual, part.run.trial), []).append(part)
    return [_row(key, group) for key, group in sorted(groups.items(), key=lambda entry: entry[0])]


def _key(run: Seen, by: Sequence[str]) -> tuple[str, str, str]:
    values = {"week": week_of(run.end_ms or 0), "type": run.battery_type or run.profile, "bath": run.bath}
    week, kind, bath = (values[name] if name in by else "" for name in KEYS)
    return week, kind, bath


def week_of(moment_ms: int) -> str:
    """The ISO 8601 week in which a moment lies, like 2026-12; its year may differ from the calendar's."""
    year, week, _ = datetime.fromtimestamp(moment_ms / 1000, UTC).isocalendar()
    return f"{year}-{week:02d}"


def _row(key: Group, group: Sequence[Part]) -> Row:
    keys, virtual, trial = key
    carried = [part for part in group if part.energy_Wh is not None and part.batteries]
    signed = [part.run for part in group if part.run.outcomes and part.run.batteries and not part.again]
    stood = [part for part in group if part.hours.current_h is not None and _held_h(part) is not None]
    per_battery = _ratio(sum(p.energy_Wh or 0.0 for p in carried), sum(p.batteries or 0 for p in carried))
    passed = _ratio(sum(run.outcomes.get("pass", 0) for run in signed), sum(run.batteries or 0 for run in signed))
    busy = _ratio(sum(part.hours.current_h or 0.0 for part in stood), sum(_held_h(part) or 0.0 for part in stood))
    waits_h = [_h(part.run.end_ms, part.hours.unload_ms) for part in group]
    shifts = _on_h([part.run for part in group]) / SHIFT_H
    return Row(
        keys, trial, len(group),
        kWh_battery=None if per_battery is None else per_battery / 1000.0,
        first_pass_percent=None if passed is None else 100.0 * passed,
        occupancy_percent=None if busy is None else 100.0 * busy,
        wait_start_h=_mean(_wait_start_h(part.hours) for part in group),
        wait_unload_h=_mean(waits_h),
        late_h=_mean(_late_h(part) for part in group),
        alarms_shift=_ratio(sum(part.run.alarms for part in group), shifts),
        virtual=virtual, signed_off=len(signed), unloaded=sum(wait_h is not None for wait_h in waits_h),
        derated_h=_mean(part.hours.derated_h for part in group),
    )  # fmt: skip


def _held_h(part: Part) -> float | None:
    return _h(part.hours.load_ms, part.hours.unload_ms)


def _wait_start_h(hours: Hours) -> float | None:
    return _h(hours.filled_ms if hours.load_ms is None else hours.load_ms, hours.first_current_ms)


def _late_h(part: Part) -> float | None:
    run, planned_h = part.run, part.hours.planned_h
    if run.state != "complete" or run.duration_s is None or planned_h is None:
        return None
    return run.duration_s / 3600.0 - planned_h


def _on_h(runs: Sequence[Seen]) -> float:
    """Hours in which at least one of the runs was on."""
    spans = sorted((run.start_ms or 0, run.end_ms or 0) for run in runs)
    on_ms, until_ms = 0, spans[0][0]
    for begin_ms, end_ms in spans:
        on_ms += max(0, end_ms - max(begin_ms, until_ms))
        until_ms = max(until_ms, end_ms)
    return on_ms / MS_PER_H


def _h(begin_ms: int | None, end_ms: int | None) -> float | None:
    return None if begin_ms is None or end_ms is None or end_ms < begin_ms else (end_ms - begin_ms) / MS_PER_H


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return _ratio(sum(known), len(known))


def _ratio(upper: float, lower: float) -> float | None:
    return upper / lower if lower > 0 else None


def as_csv(row: Row) -> str:
    """A row as text of a CSV file, without its line end."""
    return ",".join(
        (
            *(cell(text) for text in row.key), "trial" if row.trial else "", str(row.runs), fixed(row.kWh_battery, 2),
            fixed(row.first_pass_percent, 1), fixed(row.occupancy_percent, 1), fixed(row.wait_start_h, 2),
            fixed(row.wait_unload_h, 2), fixed(row.late_h, 2), fixed(row.alarms_shift, 2),
            "virtual" if row.virtual else "", str(row.signed_off), str(row.unloaded),
            fixed(row.derated_h, 2),
        )
    )  # fmt: skip


def as_plain(row: Row) -> Mapping[str, object]:
    """A row for `--json`."""
    week, kind, bath = row.key
    return {
        "format": "formbath/runs-table/1",
        "week": week or None,
        "type": kind or None,
        "bath": bath or None,
        "trial": row.trial,
        "runs": row.runs,
        "kWh_per_battery": row.kWh_battery,
        "first_pass_percent": row.first_pass_percent,
        "occupancy_percent": row.occupancy_percent,
        "wait_start_h": row.wait_start_h,
        "wait_unload_h": row.wait_unload_h,
        "late_h": row.late_h,
        "alarms_per_shift": row.alarms_shift,
        "virtual": row.virtual,
        "signed_off": row.signed_off,
        "unloaded": row.unloaded,
        "derated_h": row.derated_h,
    }
