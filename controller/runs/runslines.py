"""The list: a line for each run, by its start; in 80 columns.

before it   + continues the run above; s simulated: a virtual plant, no
            battery was there; S both
circuit     bath/circuit
batch       with a plus where the string holds further batches
profile     behind "trial:" where the run was one
hours       from the start to the end, or to the last row
Ah          charge put in
stands      how it ended; "open": a service has it open; "unclosed": nobody
            has; "damaged"; once signed off: batteries passed, of those loaded
            ("18/18 stop" instead of "18/18 pass": a person stopped the run)
de          derates: alarms that reduced its current. For how long its own
            temperature did, says the table. What reduces the whole bath
            (water, power) stands in the bath's own events and is not in it
tr          trips: alarms that took its current away until a person's reset,
            however it ended
al          alarms open at the end: told, and their cause had not gone

A list reads heads, summaries and small tables, and of log.csv the end alone.
It does not look whether the chain values of a log hold: the table does, and
formbath verify proves all of it. Below it stands what is wrong with damaged
runs, behind their paths. A copied run counts once, its other copies are told.
--json has more of each run: its path, all batches, alarms, derates, trips,
rides over a lost link, what is wrong with it. --paths has the paths alone.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterator, Sequence
from typing import Any

from controller.records.rows import time_utc
from controller.runs.follow import Chain
from controller.runs.seen import OPEN, Seen
from profiles.problems import clean

WIDTH = 80
HEADER = " start, UTC       circuit  batch    profile     hours     Ah stands     de tr al"


def lines(chain: Chain, shown: Sequence[Seen]) -> Iterator[str]:
    """A line for each shown run of a chain; for more than one run, the chain's totals, and what does not fit in it."""
    for run in chain.runs:
        if any(run is one for one in shown):
            yield line(run, follows=run is not chain.runs[0])
    if len(chain.runs) > 1:
        figures = [
            f"{hours(chain.duration_s)} h", f"{_number(chain.charge_Ah)} Ah", f"{_number(_kilo(chain.energy_Wh))} kWh"
        ]  # fmt: skip
        yield from wrapped(f"follow-on: {len(chain.runs)} runs, {', '.join(figures)} in all")
    for text in chain.wrong:
        yield from wrapped(text)


def line(run: Seen, *, follows: bool = False) -> str:
    """One run, behind its mark."""
    start = time_utc(run.start_ms)[:16].replace("T", " ") if run.start_ms is not None else "?"
    mark = ("S" if follows else "s") if run.virtual else "+" if follows else " "
    if run.wrong and not run.circuit:
        return cut(clean(f"{mark}{start:<16} damaged: {run.name}: {run.wrong[0]}"), WIDTH).rstrip()
    profile = f"trial: {run.profile}" if run.trial else run.profile
    cells = (
        f"{mark}{start:<16}", cut(f"{run.bath}/{run.circuit}", 8), _batches(run), cut(profile, 10),
        f"{hours(run.duration_s):>6}", f"{_charge(run.charge_Ah):>6}", cut(stands(run), 10),
        *(f"{count or '-':>2}" for count in (run.derates, run.trips, len(run.open_alarms))),
    )  # fmt: skip
    return " ".join(cells).rstrip()


def _batches(run: Seen) -> str:
    """The batch in its 8 columns; a plus behind it stands for all others."""
    if len(run.batches) < 2:
        return cut(run.batch, 8)
    width = min(7, sum(map(columns_of, run.batch)))
    return cut(f"{cut(run.batch, width)}+", 8)


def stands(run: Seen) -> str:
    """In ten columns: damaged, open, unclosed; the outcome where it is signed off; else how it ended."""
    if run.wrong:
        return "damaged"
    if run.outcomes:
        count = sum(run.outcomes.values())
        how = "stop" if run.state == "stopped" else "pass"
        return f"{run.outcomes.get('pass', 0)}/{run.batteries or count} {how}"
    return run.state


def as_json(run: Seen, chain: Chain) -> str:
    """One run as one object on one line."""
    content: dict[str, Any] = {
        "format": "formbath/runs/1",
        "run": run.name,
        "path": str(run.path),
        "archived": run.archived,
        "start_utc": _utc(run.start_ms),
        "end_utc": _utc(run.end_ms),
        "hall": run.hall or None,
        "bath": run.bath or None,
        "circuit": run.circuit or None,
        "batch": run.batch or None,
        "batches": list(run.batches),
        "batteries": run.batteries,
        "battery_type": run.battery_type or None,
        "profile": run.profile or None,
        "revision": run.revision,
        "trial": run.trial,
        "virtual": run.virtual,
        "state": run.state,
        "open": run.state == OPEN,
        "verdict": run.verdict or None,
        "outcomes": dict(run.outcomes) or None,
        "duration_s": run.duration_s,
        "charge_Ah": run.charge_Ah,
        "discharge_Ah": run.discharge_Ah,
        "energy_Wh": run.energy_Wh,
        "continues": run.continues or None,
        "credited_Ah": run.credited_Ah if run.continues else None,
        "alarms": run.alarms,
        "open_alarms": list(run.open_alarms),
        "derates": run.derates,
        "trips": run.trips,
        "link_rides": run.link_rides,
        "wrong": list(run.wrong),
        "chain": _chain(chain) if len(chain.runs) > 1 or chain.wrong else None,
    }
    return json.dumps(content, allow_nan=False)


def _chain(chain: Chain) -> dict[str, Any]:
    return {
        "runs": [one.name for one in chain.runs],
        "duration_s": chain.duration_s,
        "charge_Ah": chain.charge_Ah,
        "energy_Wh": chain.energy_Wh,
        "wrong": list(chain.wrong),
    }


def hours(seconds: float | None) -> str:
    """Hours and minutes; "?" when nobody knows."""
    if seconds is None or not 0 <= seconds < 1e9:
        return "?"
    minutes = int(seconds // 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def cut(text: str, columns: int) -> str:
    """A text in exactly so many columns of a terminal, a cut one with a tilde at its end."""
    out, used = "", 0
    for letter in text:
        width = columns_of(letter)
        if used + width > columns:
            while used > columns - 1:
                used -= columns_of(out[-1])
                out = out[:-1]
            return f"{out}~".ljust(len(out) + columns - used)
        out, used = out + letter, used + width
    return out + " " * (columns - used)


def columns_of(letter: str) -> int:
    """Columns of a terminal that a character takes."""
    if unicodedata.combining(letter):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in "WF" else 1


def wrapped(text: str) -> Iterator[str]:
    """A sentence below a run, set in, on as many lines as it needs; a word too long for a line is cut into pieces."""
    line = "   "
    for word in clean(text).split():
        for piece in [word[at : at + 70] for at in range(0, len(word), 70)]:
            if len(line) + 1 + len(piece) > WIDTH and line.strip():
                yield line
                line = "     "
            line += f" {piece}"
    yield line


def _utc(moment_ms: int | None) -> str | None:
    return time_utc(moment_ms) if moment_ms is not None else None


def _number(number: float | None) -> str:
    return f"{number:.1f}" if number is not None and abs(number) < 1e6 else "?"


def _charge(charge_Ah: float | None) -> str:
    """In six columns: from ten thousand on without a tenth."""
    return f"{charge_Ah:.0f}" if charge_Ah is not None and 9_999.95 <= charge_Ah < 999_999.5 else _number(charge_Ah)


def _kilo(number: float | None) -> float | None:
    return None if number is None else number / 1000.0
