"""What a right profile is still worth a second look for. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from profiles.amounts import charge_end_Ah, charge_is_open, current_A, planned_Ah
from profiles.chemistry import gassing_V_per_cell
from profiles.loader import Document
from profiles.locator import KeyPath
from profiles.problems import Problem
from profiles.profile import Profile, Step

USUAL_CHARGE_C20 = (3.0, 5.0)  # whole formation, common practice, no published source
USUAL_PROBE_C = 60.0  # common practice, no published source
COMPARED_AT_C = 40.0  # acid temperature at which limits and gassing voltage are compared
LEAST_GAP_V = 0.05  # below a trip, so that a limit's overshoot does not reach it
LEAST_CAP_PERCENT = 102.0  # each step ends a cycle late: what that adds must fit below the cap; own choice
MOST_READINGS = 6  # of one entry in a run: more is hardly meant, people take them by hand; own choice


def profile_problems(profile: Profile, document: Document) -> list[Problem]:
    """Warnings and notes of a profile, each at its line."""
    found = [
        *_step_warnings(profile),
        *_lower_warnings(profile),
        *_reading_warnings(profile),
        *_whole_warnings(profile),
    ]
    return [document.problem(path, what, warning=True) for path, what in found]


def unused_notes(document: Document, unused: tuple[KeyPath, ...]) -> list[Problem]:
    """A note for each key of the file that is checked and kept but not acted on; `*` in a path stands for any index."""
    notes = []
    for path in unused:
        for place in _places(document.data, path):
            key = ".".join(str(part) for part in path if part != "*")
            notes.append(document.problem(place, f"key {key} is not used yet", note=True))
    return notes


def _places(data: object, path: KeyPath, above: KeyPath = ()) -> Iterator[KeyPath]:
    if not path:
        yield above
        return
    first, *rest = path
    if first == "*" and isinstance(data, list | dict):
        parts = list(data) if isinstance(data, dict) else list(range(len(data)))
    else:
        parts = [first] if isinstance(data, dict) and first in data else []
    for part in parts:
        yield from _places(data[part], tuple(rest), (*above, part))  # type: ignore[index]  # parts of a key path


def planned_charge_Ah(profile: Profile) -> float:
    """Charge that the profile puts in, Ah: by each charge's charge end or hours, else by its longest time."""
    return sum(_charge_Ah(step, profile.battery.capacity_C20_Ah) for _, step in unrolled(profile))


def _charge_Ah(step: Step, capacity_Ah: float) -> float:
    return planned_Ah(step, capacity_Ah) if step.kind == "charge" else 0.0


def unrolled(profile: Profile) -> Iterator[tuple[KeyPath, Step]]:
    """Steps in the order in which a string receives them, each with its place in the file."""
    for index, step in enumerate(profile.step):
        if step.kind != "repeat":
            yield ("step", index), step
        for _ in range(step.times or 1):
            for inner, repeated in enumerate(step.step):
                yield ("step", index, "step", inner), repeated


def _step_warnings(profile: Profile) -> Iterator[tuple[KeyPath, str]]:
    capacity_Ah = profile.battery.capacity_C20_Ah
    trip_V = profile.limits.voltage_V_per_cell
    for path, step in dict(unrolled(profile)).items():
        limit_V, end = step.voltage_limit_V_per_cell, step.end
        if step.kind != "charge" or limit_V is None or end is None:
            continue
        place = (*path, "voltage_limit_V_per_cell")
        gassing_V = gassing_V_per_cell(current_A(step, capacity_Ah) / capacity_Ah, COMPARED_AT_C)
        meant = end.current_A is not None or end.current_C20 is not None
        if limit_V < gassing_V and not meant and not _bench(profile):
            yield (
                place,
                (
                    f"{limit_V:.2f} V/cell is below this step's gassing volts, {gassing_V:.2f} at {COMPARED_AT_C:g} C:"
                    " the current will fall and the step may never end"
                ),
            )
        if trip_V is not None and trip_V - limit_V < LEAST_GAP_V:
            yield place, f"{limit_V:.2f} V/cell is less than {LEAST_GAP_V:g} V below the trip at {trip_V:.2f}"
        charge_C20 = _charge_Ah(step, capacity_Ah) / capacity_Ah
        by_charge = charge_end_Ah(step, capacity_Ah) is not None
        if end.steady and by_charge and end.steady.not_before_charge_C20 >= charge_C20:
            yield (
                (*path, "end", "steady"),
                "its least charge is not below the step's charge, so it can never end the step",
            )
        if charge_is_open(step):
            yield (
                (*path, "end"),
                (
                    f"its charge is planned as whole current x longest time, {charge_C20 * capacity_Ah:.4g} Ah, and the"
                    " charge caps are as wide: write charge_C20 beside its other ends"
                ),
            )


def _lower_warnings(profile: Profile) -> Iterator[tuple[KeyPath, str]]:
    """Charge steps whose limit lies below that of the charge step just before, without a rest between."""
    before_V: float | None = None
    told: set[KeyPath] = set()
    for path, step in unrolled(profile):
        limit_V = step.voltage_limit_V_per_cell if step.kind == "charge" else None
        if limit_V is not None and before_V is not None and limit_V < before_V and path not in told:
            told.add(path)
            yield (
                (*path, "voltage_limit_V_per_cell"),
                (
                    f"{limit_V:.2f} V/cell is below the {before_V:.2f} of the step before: no current flows until volts"
                    " have fallen that far; put a rest between"
                ),
            )
        if step.kind != "repeat":
            before_V = limit_V


def _reading_warnings(profile: Profile) -> Iterator[tuple[KeyPath, str]]:
    names = [step.name for _, step in unrolled(profile)]
    for index, reading in enumerate(profile.reading):
        times = names.count(reading.after_step)
        if times > MOST_READINGS:
            yield (
                ("reading", index, "after_step"),
                f'falls due {times} times, after each "{reading.after_step}": name a step that is not repeated',
            )


def _whole_warnings(profile: Profile) -> Iterator[tuple[KeyPath, str]]:
    if profile.limits.charge_cap_percent < LEAST_CAP_PERCENT:
        cap = profile.limits.charge_cap_percent
        what = f"{cap:g} % leaves no room for steps that end a cycle late, write {LEAST_CAP_PERCENT:g} or more"
        yield ("limits", "charge_cap_percent"), what
    total_C20 = planned_charge_Ah(profile) / profile.battery.capacity_C20_Ah
    low, high = USUAL_CHARGE_C20
    if not _bench(profile) and not low <= total_C20 <= high:
        yield ("step",), f"{total_C20:.2f} x C20 planned in all, {low:g} to {high:g} are usual"
    if not _bench(profile) and profile.soak is None:
        yield ("soak",), "no [soak]: current could flow into plates that the acid has not reached"
    if profile.limits.probe_C is not None and profile.limits.probe_C > USUAL_PROBE_C:
        yield ("limits", "probe_C"), f"{profile.limits.probe_C:g} C is above the usual {USUAL_PROBE_C:g} C"
    start_C, probe_C = profile.soak.start_below_C if profile.soak else None, profile.limits.probe_C
    if start_C is not None and probe_C is not None and start_C > probe_C - 5.0:
        yield ("soak", "start_below_C"), f"{start_C:g} C leaves no room to the probe's trip at {probe_C:g} C"
    first = next((step for _, step in unrolled(profile) if step.kind == "charge"), None)
    if first is not None and not _bench(profile):
        rate_C20 = current_A(first, profile.battery.capacity_C20_Ah) / profile.battery.capacity_C20_Ah
        if rate_C20 > 0.10 and not first.ramp_minutes:
            yield (
                ("step",),
                f"the first current is {rate_C20:.2f} x C20: wetting at 0.03 to 0.10 avoids the start's peak",
            )


def _bench(profile: Profile) -> bool:
    """A profile for a resistor: too little charge to form anything."""
    return planned_charge_Ah(profile) < 0.1 * profile.battery.capacity_C20_Ah
