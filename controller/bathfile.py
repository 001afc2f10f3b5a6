"""Reads a bath file with the register maps it names, and makes the core's settings of it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

from controller.bathcheck import bath_problems
from controller.bathmodel import BathFile, CircuitEntry, RoundsEntry, map_places
from controller.core.lawsettings import (
    LawSettings,
)
from controller.core.settings import BathSettings, CircuitSettings
from controller.field.registermap import RegisterMap, load_map, map_path, missing_signals, sensors
from controller.interlocktables import Interlocks
from profiles.loader import Document, load_model, parse_document, read_document
from profiles.locator import KeyPath
from profiles.problems import InputError, Problem


@dataclass(frozen=True)
class Bath:
    """A bath file that is right. `maps` by the text of `map =`; paths in the file are relative to `folder`.

    `problems` holds warnings and notes only.
    """

    file: BathFile
    document: Document
    maps: dict[str, RegisterMap]
    folder: Path
    problems: tuple[Problem, ...] = ()

    @property
    def runs_path(self) -> Path:
        """Folder of the records."""
        return self.folder / self.file.runs.path

    def circuit_map(self, circuit: CircuitEntry) -> RegisterMap:
        """Register map of a circuit's rectifier."""
        return self.maps[circuit.map]


def load_bath(path: Path | str) -> Bath:
    """Read and check a bath file and its maps; raises InputError with everything that is wrong in all of them."""
    return bath_of(read_document(path))


def bath_of(document: Document) -> Bath:
    """The same from a document at hand."""
    file = load_model(document, BathFile)
    folder = document.path.parent
    maps, problems = _load_maps(file, document, folder)
    bath = Bath(file, document, maps, folder)
    problems += _misfits(bath)
    if problems:
        raise InputError(problems)
    missing = {text: missing_signals(map_) for text, map_ in maps.items()}
    return Bath(file, document, maps, folder, tuple(bath_problems(file, document, missing)))


def bath_check(document: Document) -> list[Problem]:
    """Entry of `check` for bath files: warnings and notes; raises InputError."""
    return list(bath_of(document).problems)


def settings_of(bath: Bath) -> BathSettings:
    """What the core decides by; times in ms."""
    file = bath.file
    return BathSettings(
        hall=file.hall,
        name=file.name,
        virtual=file.virtual,
        period_ms=_ms(file.period_s),
        stale_ms=_ms(file.stale_after_s),
        watchdog_ms=_ms(file.watchdog_s),
        circuits=tuple(_circuit(entry, bath.maps[entry.map]) for entry in file.circuit),
        laws=_laws(file.interlock),
        auto_resume_link_ms=_ms(file.auto_resume_link_s),
        fresh_V=file.fresh_V,
        fresh_scatter_V=file.fresh_scatter_V,
        purge_ms=_ms(file.purge_minutes * 60.0),
        after_run_ms=_ms(file.after_run_minutes * 60.0),
        power_limit_kW=file.power_limit_kW,
        start_items=file.start_list.items if file.start_list is not None else (),
        walk_items=_walk_items(file),
        walk_ms=_walk_ms(file),
        round_ms=_ms(file.rounds.interval_minutes * 60.0) if file.rounds is not None else None,
        round_items=file.rounds.items if file.rounds is not None else (),
        permit_ms=_ms(file.permit_minutes * 60.0),
        alone_ms=_ms(file.first_current_alone_s),
        apart_ms=_ms(file.resume_apart_s),
        resets_by=file.people.resets if file.people is not None else (),
        two_people=file.start_list.two_people if file.start_list is not None else False,
        inspect_after=file.inspect_contactor_after,
        level_mm=file.level_mm,
        contactors_outside=file.contactors_outside_hood,
        airflow_m3_h=file.airflow_m3_h,
        require_release=file.require_release,
    )


def settings_of_texts(bath_text: str, map_text: str, circuit: str) -> tuple[BathSettings, frozenset[str]]:
    """Return the settings from a bath file's text and that of one circuit's register map, as a record keeps them.

    Second: the circuits with that map; of the others everything is right but what comes from a map. InputError: texts
    that no service could begin with. Warnings, and the other maps' own faults, are not looked for.
    """
    document = parse_document(bath_text, "bath file")
    file = load_model(document, BathFile)
    map_ = load_model(parse_document(map_text, "map"), RegisterMap)
    own = next((each.map for each in file.circuit if each.name == circuit), None)
    if own is None:
        raise InputError([document.problem(("circuit",), f"has no circuit {circuit[:40]!r}")])
    bath = Bath(file, document, {each.map: map_ for each in file.circuit}, document.path.parent)
    return settings_of(bath), frozenset(each.name for each in file.circuit if each.map == own)


def _load_maps(file: BathFile, document: Document, folder: Path) -> tuple[dict[str, RegisterMap], list[Problem]]:
    maps: dict[str, RegisterMap] = {}
    problems: list[Problem] = []
    tried: set[str] = set()
    for path, text, _ in map_places(file):
        if text in tried:
            continue
        tried.add(text)
        try:
            maps[text] = load_map(map_path(text, folder))[0]
        except InputError as error:
            problems.append(document.problem(path, f'map "{text}" cannot be used, see its own line'))
            problems.extend(error.problems)
    return maps, problems


def _misfits(bath: Bath) -> list[Problem]:
    """What the bath file asks of a device that its map does not have."""
    found: list[tuple[KeyPath, str]] = []
    for path, text, device in map_places(bath.file):
        map_ = bath.maps.get(text)
        if map_ is not None and map_.device != device:
            found.append((path, f'map "{text}" is of device "{map_.device}", one of device "{device}" is wanted here'))
    for index, circuit in enumerate(bath.file.circuit):
        map_ = bath.maps.get(circuit.map)
        if map_ is None or map_.device != "rectifier":
            continue
        place: KeyPath = ("circuit", index)
        if circuit.channel > map_.channels.count:
            what = f"{circuit.channel} is more than the map's channels, write 1 to {map_.channels.count}"
            found.append(((*place, "channel"), what))
        have = len(sensors(map_))
        if circuit.probes > have:
            found.append(((*place, "probes"), f"{circuit.probes} is more than the map has, write {have} or less"))
        if map_.rating is not None:
            for key, asked, rated in (
                ("current_max_A", circuit.current_max_A, map_.rating.current_A),
                ("voltage_max_V", circuit.voltage_max_V, map_.rating.voltage_V),
            ):
                if asked > rated:
                    what = f"{asked:g} is above the rectifier's rating in its map, write {rated:g} or less"
                    found.append(((*place, key), what))
    return [bath.document.problem(path, what) for path, what in found]


def _circuit(entry: CircuitEntry, map_: RegisterMap) -> CircuitSettings:
    return CircuitSettings(
        name=entry.name,
        places=entry.places,
        current_min_A=entry.current_min_A,
        current_max_A=entry.current_max_A,
        voltage_max_V=entry.voltage_max_V,
        priority=entry.priority,
        probes=entry.probes,
        can_discharge=map_.discharge is not None,
        has_uptime="uptime_s" in map_.signal,
        has_contactor="contactor_closed" in map_.signal,
        default_A=map_.default.current_A if map_.default is not None else None,
        default_V=map_.default.voltage_V if map_.default is not None else None,
    )


def _laws(interlock: Interlocks) -> LawSettings:
    """Each table becomes the record of the same name, key by key."""
    tables = {}
    for kept in fields(LawSettings):
        kind = type(getattr(LawSettings(), kept.name))
        tables[kept.name] = kind(**getattr(interlock, kept.name).model_dump())
    return LawSettings(**tables)


def _walk_items(file: BathFile) -> tuple[str, ...]:
    return (file.rounds or RoundsEntry()).meter_walk_items if file.meter_walk else ()


def _walk_ms(file: BathFile) -> tuple[int, int] | None:
    if not file.meter_walk:
        return None
    earliest, latest = file.meter_walk
    return _ms(earliest * 60.0), _ms(latest * 60.0)


def _ms(seconds: float) -> int:
    return round(seconds * 1000.0)
