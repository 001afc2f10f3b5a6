"""What a right bath file is still worth a second look for: missing signals, extraction, keys not used yet."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence

from controller.bathmodel import BathFile, map_places
from profiles.loader import Document, load_model
from profiles.locator import KeyPath
from profiles.problems import InputError, Problem
from profiles.release import Release, read_release, release_place
from profiles.warnings import unused_notes

# Keys that are checked and kept, and that no part of the program acts on yet.
UNUSED: tuple[KeyPath, ...] = (("hall_power_limit_kW",), ("outputs",), ("mqtt",))

CELLS_PER_BATTERY = 6  # the bath file knows places only; a 12 V battery is taken
H2_M3_PER_AH_CELL = 0.4564e-3  # at 25 C: Faraday's law and the molar volume 24.465 L
LOWER_EXPLOSIVE_LIMIT = 0.04  # hydrogen in air, share of volume
AIR_M3_H_PER_CELL_A = 0.05  # IEC 62485-2, the whole current gassing
WARN_PERCENT_LEL = 10.0  # usual first step of a hydrogen sensor, common practice, no published source


def bath_problems(
    file: BathFile, document: Document, missing: Mapping[str, Sequence[tuple[str, str]]]
) -> list[Problem]:
    """Warnings and notes of a bath file, each at its line.

    `missing`: by the text of `map =`, the optional signals that a map lacks, each with what that switches off.
    """
    found = [*_missing(file, document, missing), *_people(file, document), *_times(file, document)]
    return [*found, *_releases(file, document), *_air(file, document), *unused_notes(document, UNUSED)]


def water_problems(documents: Mapping[str, Sequence[Document]]) -> list[Problem]:
    """Of files checked together, by kind: baths whose water may leave a release's studied range without an alarm."""
    found = []
    for bath in documents.get("bath", ()):
        law = load_model(bath, BathFile).interlock.water
        for name, release in _releases_of(documents).items():
            coldest_C, hottest_C = release.water_C
            if law.cold_C < coldest_C or law.warn_C > hottest_C:
                what = (
                    f"water runs from {law.cold_C:g} to {law.warn_C:g} C without an alarm, "
                    f"{name} was studied for {coldest_C:g} to {hottest_C:g} C"
                )
                found.append(bath.problem(("interlock", "water"), what, warning=True))
    return found


def _releases_of(documents: Mapping[str, Sequence[Document]]) -> dict[str, Release]:
    """The releases given, and those that stand beside the profiles given, by their files' bare names."""
    beside = [release_place(profile.path) for profile in documents.get("profile", ())]
    found: dict[str, Release] = {}
    for place in dict.fromkeys([*(each.path for each in documents.get("release", ())), *beside]):
        # One that is missing or wrong is told with its own file.
        with contextlib.suppress(InputError):
            found[place.name] = read_release(place)
    return found


def hydrogen_percent_LEL(cells: float, current_A: float, airflow_m3_h: float) -> float:
    """Hydrogen in the duct, in per cent of the lower explosive limit, with the whole current gassing in every cell."""
    return H2_M3_PER_AH_CELL * cells * current_A / airflow_m3_h / LOWER_EXPLOSIVE_LIMIT * 100.0


def _missing(file: BathFile, document: Document, missing: Mapping[str, Sequence[tuple[str, str]]]) -> Iterator[Problem]:
    told: set[str] = set()
    for path, text, _ in map_places(file):
        if text in told:
            continue
        told.add(text)
        for signal, lost in missing.get(text, ()):
            yield document.problem(path, f'map "{text}" has no {signal}, which switches off {lost}', warning=True)
    for index, circuit in enumerate(file.circuit):
        if circuit.probes == 0:
            what = "no probe: the temperature laws stand on the bath's water alone"
            yield document.problem(("circuit", index, "probes"), what, warning=True)


def _people(file: BathFile, document: Document) -> Iterator[Problem]:
    if file.people is None:
        return
    for role in ("technician", "engineer", "maintenance", "quality"):
        if getattr(file.people, role) is None:
            what = f"nobody is {role}: orders that need one will be refused"
            yield document.problem(("people",), what, warning=True)


def _times(file: BathFile, document: Document) -> Iterator[Problem]:
    for name, link in file.link.items():
        if link.timeout_s >= file.period_s:
            what = f"{link.timeout_s:g} s is not below period_s: one silent device makes the whole cycle late"
            yield document.problem(("link", name, "timeout_s"), what, warning=True)
    if file.purge_minutes == 0:
        what = "0: current may flow before extraction has cleared the hood"
        yield document.problem(("purge_minutes",), what, note=file.virtual, warning=not file.virtual)
    if file.after_run_minutes == 0:
        what = "0: cells go on giving gas after current has stopped, and lost extraction would not be told"
        yield document.problem(("after_run_minutes",), what, note=file.virtual, warning=not file.virtual)


def _releases(file: BathFile, document: Document) -> Iterator[Problem]:
    if not file.virtual and file.require_release is False:
        what = "require_release = false: profiles that nobody studied and released are loaded onto real batteries"
        yield document.problem(("require_release",), what, warning=True)


def _air(file: BathFile, document: Document) -> Iterator[Problem]:
    """Worst case: every circuit at its largest current, every cell gassing with all of it, at the same time."""
    air_m3_h = file.airflow_m3_h
    if air_m3_h is None:
        return
    cell_A = sum(CELLS_PER_BATTERY * circuit.places * circuit.current_max_A for circuit in file.circuit)
    needed_m3_h = AIR_M3_H_PER_CELL_A * cell_A
    percent = hydrogen_percent_LEL(cell_A, 1.0, air_m3_h)
    case = f"hydrogen, all {len(file.circuit)} circuits gassing at their largest current, {air_m3_h:g} m3/h"
    if air_m3_h < needed_m3_h:
        what = f"{case}: {percent:.1f} %LEL; 0.05 m3/h per cell and A asks for {needed_m3_h:.0f} m3/h"
        yield document.problem(("airflow_m3_h",), what, warning=True)
    else:
        said = "ok" if percent < WARN_PERCENT_LEL else "enough by 0.05 m3/h per cell and A, a sensor may warn"
        what = f"{case}: {percent:.1f} %LEL (warn {WARN_PERCENT_LEL:g}): {said}"
        yield document.problem(("airflow_m3_h",), what, note=True)
