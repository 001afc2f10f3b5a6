"""Which battery stands where in a string, and what became of each: run.json's `batteries`, rows of batteries.csv. Pure.

A sign-off gives one outcome for all, then exceptions by place: `pass, 4 scrap reversed, 9 re-form low density`.
Open-circuit volts, density and level are the newest of each battery that were read after the last current.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controller.core.loadchecks import OUTCOMES
from controller.core.types import Scalar
from controller.records.batchlist import MAX_POSITION, Battery, listed
from controller.records.readings import Reading
from controller.records.rows import clean
from profiles.chemistry import reading_at

LONGEST_NAME = 60
JUDGED_h = 12.0
"""Open-circuit volts younger than this still fall: they are kept with their age and not judged (common practice, no
published source)."""
MS_PER_HOUR = 3_600_000.0
REASONS = (
    "reversed", "dead cell", "low density", "low volts", "leak or crack", "bent post", "burnt post", "dirty acid",
    "low level", "no fill",
)  # fmt: skip
"""Causes of an outcome that have a name; any other is `other`, in the words of who signed."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a sign-off says of one battery; a pass needs no reason."""

    outcome: str
    reason: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """What was read of one battery after the last current (None: not read). `ocv_age_h`: since the last current.

    `density` in kg/L at `density_C`; `level_mm` as read.
    """

    ocv_V: float | None = None
    ocv_age_h: float | None = None
    density: float | None = None
    density_C: float | None = None
    level_mm: float | None = None


def plain_batteries(batteries: Iterable[Battery]) -> list[dict[str, str | int | None]]:
    """Return them as they stand in run.json: null where the list says nothing."""
    return [
        {
            "position": each.position, "batch": each.batch, "pallet": each.pallet or None,
            "serial": each.serial or None, "type": each.type or None,
        }
        for each in batteries
    ]  # fmt: skip


def links_of(batteries: Sequence[Battery], places: int) -> tuple[int, ...]:
    """Return the places of the string in which a link stands; none where no list says what stands where."""
    taken = {each.position for each in batteries}
    return tuple(place for place in range(1, places + 1) if place not in taken) if taken else ()


def batteries_of(run_json: Mapping[str, Any]) -> tuple[Battery, ...]:
    """Return the batteries of a run by their position; nothing of the file is believed that is not of its form.

    An older record has the list as text only; where that says nothing, its batteries are numbered.
    """
    plain, text, load = (run_json.get(key) for key in ("batteries", "load_list", "load"))
    if isinstance(plain, list) and plain:
        found = {each.position: each for each in map(_battery, plain[:MAX_POSITION]) if each is not None}
        return tuple(found[position] for position in sorted(found))
    told = listed(text) if isinstance(text, str) else ()
    if told:
        return told
    count = load.get("batteries") if isinstance(load, Mapping) else None
    if isinstance(count, bool) or not isinstance(count, int):
        return ()
    return tuple(Battery(position, "") for position in range(1, min(count, MAX_POSITION) + 1))


def _battery(plain: object) -> Battery | None:
    if not isinstance(plain, Mapping):
        return None
    position = plain.get("position")
    if isinstance(position, bool) or not isinstance(position, int) or not 1 <= position <= MAX_POSITION:
        return None
    said = (plain.get(key) for key in ("batch", "pallet", "serial", "type"))
    return Battery(position, *(clean(each, LONGEST_NAME) if isinstance(each, str) else "" for each in said))


def outcomes_of(result: str, positions: Iterable[int]) -> dict[int, Outcome]:
    """Return the outcome of each position, as an accepted sign-off's words give it; the last word on a place holds.

    Words that give none of the known outcomes, of a damaged record, leave a battery without one: never with a pass.
    """
    parts = [part.split() for part in result.split(",")]
    common = _outcome(parts[0])
    found = dict.fromkeys(positions, common)
    for words in parts[1:]:
        if words and words[0].isdecimal() and int(words[0]) in found:
            found[int(words[0])] = _outcome(words[1:])
    return found


def _outcome(words: Sequence[str]) -> Outcome:
    outcome = words[0] if words else ""
    said = " ".join(words[1:])
    if outcome not in OUTCOMES:
        return Outcome("", "", " ".join(words))
    if outcome == "pass":
        return Outcome(outcome, "", said)
    for reason in REASONS:
        if said.lower() == reason or said.lower().startswith(f"{reason} "):
            return Outcome(outcome, reason, said[len(reason) + 1 :])
    return Outcome(outcome, "other", said)


def measured_of(readings: Iterable[Reading], last_current_ms: int | None, reference_C: float) -> dict[int, Measured]:
    """Return by position what was read after the last current, the newest of each kind.

    Without a known last current nothing counts: volts under current would pass for open-circuit ones.
    """
    newest: dict[tuple[int, str], Reading] = {}
    for reading in readings:
        key = (reading.position, reading.what)
        known = newest.get(key)
        after = last_current_ms is not None and reading.taken_ms >= last_current_ms
        if after and (known is None or reading.taken_ms >= known.taken_ms):
            newest[key] = reading
    return {
        position: _measured(newest, position, last_current_ms or 0, reference_C)
        for position in {position for position, _ in newest}
    }


def _measured(
    newest: Mapping[tuple[int, str], Reading], position: int, last_current_ms: int, reference_C: float
) -> Measured:
    volts, level = newest.get((position, "voltage")), newest.get((position, "level"))
    density = _at_reference(newest.get((position, "density")), reference_C)
    return Measured(
        ocv_V=volts.value if volts is not None else None,
        ocv_age_h=round((volts.taken_ms - last_current_ms) / MS_PER_HOUR, 3) if volts is not None else None,
        density=density,
        density_C=reference_C if density is not None else None,
        level_mm=level.value if level is not None else None,
    )


def _at_reference(reading: Reading | None, reference_C: float) -> float | None:
    """Return a density in kg/L at the reference temperature; None where it, or its temperature, is no acid's."""
    if reading is None or reading.temperature_C is None:
        return None
    if not (1.0 <= reading.value <= 1.4 and -20.0 <= reading.temperature_C <= 100.0):
        return None
    return round(reading_at(reading.value, reading.temperature_C, reference_C), 4)


def battery_cells(battery: Battery, measured: Measured, outcome: Outcome) -> tuple[Scalar, ...]:
    """Return the cells of its row in batteries.csv, all but the chain."""
    return (
        battery.position, battery.batch, battery.pallet, battery.serial, measured.ocv_V, measured.ocv_age_h,
        measured.density, measured.density_C, measured.level_mm, outcome.outcome, outcome.reason, outcome.text,
    )  # fmt: skip


def judged(measured: Iterable[Measured | None]) -> int:
    """Return of how many batteries the open-circuit volts are old enough to be judged."""
    return sum(each is not None and each.ocv_age_h is not None and each.ocv_age_h >= JUDGED_h for each in measured)


def verdict_of(outcomes: Iterable[Outcome]) -> tuple[str, dict[str, int]]:
    """Return the verdict of a sign-off in words, and how many batteries have which outcome."""
    said = [each.outcome for each in outcomes]
    counts = {outcome: said.count(outcome) for outcome in OUTCOMES}
    named = ", ".join(f"{count} {outcome}" for outcome, count in counts.items() if count)
    return f"signed off: {named or 'no battery'}", counts
