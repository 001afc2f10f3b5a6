"""What a command line of the bench asks for: one profile, and the setting on which it is tried.

Every wrong option is an InputError that names it, what is wrong, and what would be right; all of them in one go.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from controller.bathfile import load_bath
from controller.core.plan import compile_plan
from controller.core.planned import Plan
from profiles.loader import LIBRARY, Document, found_profile, load_model, read_document
from profiles.nearkeys import nearest
from profiles.problems import InputError, Problem, clean
from profiles.profile import Profile
from simulator.bench import setting as bench
from simulator.bench.digits import number_of
from simulator.bench.loading import load_refusal
from simulator.bench.moments import Moment, moment_of
from simulator.bench.setting import Setting
from simulator.bench.tariff import Tariff, read_tariff
from simulator.faults import FaultError, FaultLine, parse_fault_line
from simulator.injectors import check_target
from simulator.parameters import CellParameters

T = TypeVar("T")
FILES = {"bath": "a bath file", "model": "a model file", "tariff": "a CSV file"}
BATTERIES, CIRCUITS = (1, 60), (1, 64)
WATER_C, AIR_C = (0.0, 50.0), (-10.0, 50.0)
"""Water as a profile may name it; air of a hall. The model is good for acid of 5 to 60 C; own choice."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One profile, read once, and on what it is tried. `name`: the profile as the person named it.

    `start`: when the start order comes, by the plant's clock (None: not said). `document.sha256` is of the very text
    that `plan` was made from. `water_given`: whether the person said which water; else it is the top of the profile's
    range, or the usual one where the profile names none.
    """

    name: str
    document: Document
    profile: Profile
    plan: Plan
    setting: Setting
    start: Moment | None = None
    tariff: Tariff | None = None
    water_given: bool = True


def add_setting_arguments(parser: argparse.ArgumentParser, *, water: bool = True, faults: bool = True) -> None:
    """The options that say on what a profile is tried. Values are texts: `asked` says what is wrong with them."""
    parser.add_argument("--batteries", metavar="N", help=f"in the string ({bench.BATTERIES}, with --bath its places)")
    if water:
        parser.add_argument(
            "--water-C", metavar="C", help=f"the bath's water (the profile's hottest, else {bench.WATER_C:g})"
        )
    parser.add_argument("--air-C", metavar="C", help=f"the air above it ({bench.AIR_C:g})")
    parser.add_argument("--circuits", metavar="N", help=f"of the bath, all alike ({bench.CIRCUITS}, --bath: its own)")
    parser.add_argument("--bath", metavar="FILE", help="bath file: its limits, first circuit, air, times for people")
    parser.add_argument("--model", metavar="FILE", help="the battery type's physics, as formbath calibrate writes it")
    if faults:
        parser.add_argument(
            "--fault", metavar="LINE", action="append", help="such as '6:12-6:43 A01 open_clamp'; may come again"
        )


def add_day_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that say when it begins and what energy costs."""
    parser.add_argument("--start", metavar="TIME", help="start order by the plant's clock: 22:00 or 2026-03-16T22:00")
    parser.add_argument("--tariff", metavar="FILE", help="CSV of from,price_per_kWh: what the mains energy costs")


def asked(
    args: argparse.Namespace, path: str | None = None, command: str = "dryrun", document: Document | None = None
) -> Asked:
    """What is asked for with the profile `path` (a file, or the bare name of one of the library), or `document`.

    Raises InputError with everything that is wrong: a wrong profile with its own lines, a wrong option by its name.
    """
    wrong: list[Problem] = []
    reads = _Reads(args, command, wrong)
    given = _tried(wrong, lambda: _document(path or "", command)) if document is None else document
    profile = _tried(wrong, lambda: load_model(given, Profile)) if given is not None else None
    bath = reads.option("bath", load_bath)
    places = bath.file.circuit[0].places if bath is not None else None
    circuits = len(bath.file.circuit) if bath is not None else bench.CIRCUITS
    batteries = reads.whole("batteries", (BATTERIES[0], places or BATTERIES[1]), places or bench.BATTERIES)
    most = (CIRCUITS[0], circuits if bath is not None else CIRCUITS[1])
    water_C = reads.number("water_C", WATER_C, _usual_water_C(args, profile))
    air_C = reads.number("air_C", AIR_C, bench.AIR_C)
    in_bath = reads.whole("circuits", most, circuits)
    model = reads.option("model", _model) or CellParameters()
    faults = reads.faults()
    start = reads.option("start", lambda text: moment_of(text, command))
    tariff = reads.option("tariff", read_tariff)
    if tariff is not None and not tariff.one_price and getattr(args, "start", None) is None:
        wrong.append(Problem(command, None, "--tariff", "its prices change by the hour: say --start, such as 22:00"))
    if wrong or given is None or profile is None:
        raise InputError(wrong)
    plan = compile_plan(profile, given.sha256)
    setting = Setting(plan, batteries, water_C, air_C, in_bath, model, bath, faults)
    _fits(setting, command)
    said = getattr(args, "water_C", None) is not None
    return Asked(path if path is not None else given.name, given, profile, plan, setting, start, tariff, said)


def _usual_water_C(args: argparse.Namespace, profile: Profile | None) -> float:
    """The water where nothing is said: the top of the profile's range. A command without `--water-C` of one value has a
    rule of its own.
    """
    if profile is None or profile.bath is None or not hasattr(args, "water_C"):
        return bench.WATER_C
    return profile.bath.water_C[1]


class _Reads:
    """Reads options one by one; what is wrong with them goes to `wrong`."""

    def __init__(self, args: argparse.Namespace, command: str, wrong: list[Problem]) -> None:
        self._args, self._command, self._wrong = args, command, wrong

    def option(self, name: str, read: Callable[[str], T]) -> T | None:
        """What an option's text names, None where it is not given."""
        text = getattr(self._args, name, None)
        if name in FILES and text is not None and not str(text).strip():
            what = f"{clean(str(text), 40)!r} names no file, write the name of {FILES[name]}"
            self._wrong.append(Problem(self._command, None, f"--{name}", what))
            return None
        return None if text is None else _tried(self._wrong, lambda: read(str(text)))

    def number(self, name: str, bounds: tuple[float, float], usual: float) -> float:
        """A number within bounds, in the option's unit."""
        text = getattr(self._args, name, None)
        if text is None:
            return usual
        value = number_of(str(text))
        if value is None or not bounds[0] <= value <= bounds[1]:
            self._refuse(name, str(text), "is no number" if value is None else "is out of range", bounds)
            return usual
        return value

    def whole(self, name: str, bounds: tuple[int, int], usual: int) -> int:
        """A whole number within bounds."""
        text = str(getattr(self._args, name, None) or "")
        if getattr(self._args, name, None) is None:
            return usual
        if not text.isdecimal() or not text.isascii() or not bounds[0] <= int(text[:9]) <= bounds[1]:
            self._refuse(name, text, "is out of range" if text.isdecimal() else "is no whole number", bounds)
            return usual
        return int(text)

    def faults(self) -> tuple[FaultLine, ...]:
        """All fault lines."""
        found = []
        for text in getattr(self._args, "fault", None) or ():
            try:
                found.append(parse_fault_line(_plain(text)))
            except FaultError as error:
                self._wrong.append(Problem(self._command, None, "--fault", str(error)))
        return tuple(found)

    def _refuse(self, name: str, text: str, what: str, bounds: tuple[float, float]) -> None:
        low, high = bounds
        right = f"write {low:g}" if low == high else f"write {low:g} to {high:g}"
        self._wrong.append(
            Problem(self._command, None, f"--{name.replace('_', '-')}", f"{clean(text, 40)!r} {what}, {right}")
        )


def _tried(wrong: list[Problem], read: Callable[[], T]) -> T | None:
    try:
        return read()
    except InputError as error:
        wrong.extend(error.problems)
        return None


def _document(text: str, command: str) -> Document:
    """The profile's text, of a file or of the library."""
    place = found_profile(text)
    if place is None:
        if os.sep not in text and not text.endswith(".toml"):
            known = sorted(path.stem for path in LIBRARY.glob("*.toml"))
            near = nearest(text, known)
            hint = f"did you mean {near}?" if near else f"the library has {', '.join(known)}"
            raise InputError([Problem(command, None, "PROFILE", f"{clean(text, 60)!r} is no file here; {hint}")])
        place = Path(text)
    document = read_document(place)
    return replace(document, name=text)


def _model(text: str) -> CellParameters:
    from simulator.modelfile import load_model_file

    return load_model_file(text)


def _fits(setting: Setting, command: str) -> None:
    """Refuse a profile that the core would not load on this circuit, and a fault that this string cannot have."""
    settings = bench.settings_for(setting)
    what = load_refusal(setting, settings)
    if what:
        place = setting.bath.document.name if setting.bath is not None else command
        name = settings.circuits[0].name
        raise InputError([Problem(place, None, f"circuit {name}", f"cannot take the profile: {what}")])
    spec = bench.spec_of(setting, settings)
    for line in setting.faults:
        try:
            check_target(spec, line)
        except FaultError as error:
            raise InputError([Problem(command, None, "--fault", str(error))]) from None


def _plain(text: str) -> str:
    """A fault line whose numbers are plain ones. Raises FaultError for `3_1` and for another script's digits."""
    for word in text.split():
        digits = any(c.isdigit() and not c.isascii() for c in word)
        if digits or ("_" in word and number_of(word.replace("_", "")) is not None):
            raise FaultError(f"{clean(word, 40)!r} is no number, write digits 0 to 9")
    return text
