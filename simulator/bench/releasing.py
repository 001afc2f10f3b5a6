"""What stands before a release: what check, dry run and study found, what differs from the last one, what is kept.

No file is read or written here and nobody is asked: the command does that. A release is of one text, held from first
to last; what is refused, what a person must confirm and what the file says follows from the values alone.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Protocol

from profiles.loader import Document
from profiles.problems import clean
from profiles.profile import Profile
from profiles.release import BANDS, FORMAT, Band, CourseStep, Release
from profiles.warnings import profile_problems
from simulator.bench.asked import Asked
from simulator.parameters import CellParameters

WIDTH = 80
MOST_LINES = 40
"""Changed lines that are shown; the release keeps the whole text."""
MANY_STEPS = 250
"""With so many steps of 41 points a release is about 1.3 MB of the 2 MB that it may have."""
ALL = "all"
LEAST_STRINGS = 59
"""So many that the worst of strings drawn alike lies beyond the 95 % line in 95 of 100 studies: 0.95 ** 59 < 0.05.

Wilks 1941, from memory; of one water: strings of a range differ by their water too.
"""


class Remark(Protocol):
    """Something a person must know before releasing. `code`: a short word; `error`: nobody can confirm it away."""

    @property
    def code(self) -> str:
        """Short word by which a script accepts it."""
        ...

    @property
    def text(self) -> str:
        """A sentence with the values and limits."""
        ...

    @property
    def error(self) -> bool:
        """Whether no release is possible while it stands."""
        ...


class Dry(Protocol):
    """What a release takes from the dry run."""

    @property
    def said(self) -> str:
        """How it went, in one line."""
        ...

    @property
    def remarks(self) -> Sequence[Remark]:
        """Errors and warnings."""
        ...


class Study(Protocol):
    """What a release takes from the study. `trips`: by the alarm's code, how many of its strings tripped by it."""

    @property
    def said(self) -> str:
        """How it went, in one line."""
        ...

    @property
    def remarks(self) -> Sequence[Remark]:
        """Errors and warnings, trips not among them."""
        ...

    @property
    def trips(self) -> Mapping[str, int]:
        """How many strings tripped, by the alarm's code."""
        ...

    @property
    def strings(self) -> int:
        """How many strings were studied."""
        ...

    @property
    def seed(self) -> int:
        """What their differences were drawn from."""
        ...

    @property
    def shares(self) -> Mapping[str, float]:
        """Strings that derated, held, tripped, in per cent: `derated_percent`, ..."""
        ...

    @property
    def course(self) -> tuple[CourseStep, ...]:
        """The expected course with its band."""
        ...

    @property
    def totals(self) -> Mapping[str, float | None]:
        """Hours, Ah, kWh, hottest C and what else a release states, units in the names."""
        ...


@dataclass(frozen=True, slots=True)
class Noted:
    """A remark of our own: see `Remark`."""

    code: str
    text: str
    error: bool = False


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be released: one profile's text, on what it is tried, and which water and strings are studied.

    `names`: bath and model file, as given.
    """

    asked: Asked
    water_C: tuple[float, float]
    strings: int
    seed: int
    workers: int
    names: Mapping[str, str | None]

    @property
    def document(self) -> Document:
        """The profile's text, as it was read once."""
        return self.asked.document

    @property
    def profile(self) -> Profile:
        """The profile in it."""
        return self.asked.profile

    @property
    def typed(self) -> str:
        """What the person types: the profile's name and its revision."""
        return f"{clean(self.profile.name)}/{self.profile.revision}"


@dataclass(frozen=True, slots=True)
class Signed:
    """Who releases, why and when, and with which versions of what."""

    person: str
    reason: str
    utc: str
    versions: Mapping[str, str]


def check_remarks(wanted: Wanted, before: Release | None) -> tuple[Noted, ...]:
    """Return what is worth a second look before anything was tried: the check's warnings, revision, water."""
    found = [
        Noted(each.key or "file", each.what if each.line is None else f"line {each.line}: {each.what}")
        for each in profile_problems(wanted.profile, wanted.document)
        if each.warning
    ]
    if before is not None and wanted.profile.revision < before.revision:
        text = f"revision {wanted.profile.revision} is older than {before.revision}, which is released now"
        found.append(Noted("revision", text))
    if wanted.strings < LEAST_STRINGS:
        text = (
            f"{wanted.strings} strings: with fewer than {LEAST_STRINGS} not even the worst of them shows the 95 % line"
        )
        found.append(Noted("few_strings", text))
    meant = wanted.profile.bath.water_C if wanted.profile.bath is not None else None
    if meant is not None and not (wanted.water_C[0] <= meant[0] and meant[1] <= wanted.water_C[1]):
        low, high = wanted.water_C
        text = f"the profile is for water of {meant[0]:g} to {meant[1]:g} C, studied is {low:g} to {high:g} C"
        found.append(Noted("water_range", text))
    return tuple(found)


def same_revision(wanted: Wanted, before: Release | None) -> str | None:
    """Return why this revision cannot be released: it is released already, with another text."""
    if before is None or before.revision != wanted.profile.revision or before.text == wanted.document.text:
        return None
    return f"revision {before.revision} is released already with another text: raise `revision`, then release"


def refusals(remarks: Iterable[Remark], study: Study, reason: str) -> list[str]:
    """Return why there can be no release: every error, and every trip that the reason does not name."""
    found = [f"{each.code}: {each.text}" for each in remarks if each.error]
    for code, strings in sorted(study.trips.items()):
        if strings > 0 and not names_it(reason, code):
            found.append(f"{code}: trips {_of(strings, study)}; a --reason that names {code} would be needed")
    return found


def names_it(reason: str, code: str) -> bool:
    """Whether a reason names an alarm, by its code or in plain words (`probe_trip`, `probe trip`)."""
    said = " ".join("".join(c if c.isalnum() else " " for c in reason.lower()).split())
    return f" {code.lower().replace('_', ' ')} " in f" {said} "


def _of(strings: int, study: Study) -> str:
    return f"{strings} of {study.strings} strings in the study"


def to_confirm(remarks: Iterable[Remark], study: Study) -> list[Noted]:
    """Return the warnings that a person confirms one by one, each once; trips that the reason named are among them."""
    found = [Noted(each.code, each.text) for each in remarks if not each.error]
    found += [Noted(code, f"trips {_of(count, study)}") for code, count in sorted(study.trips.items()) if count > 0]
    return list(dict.fromkeys(found))


def not_accepted(warnings: Sequence[Noted], accept: Sequence[str]) -> list[Noted]:
    """Return the warnings that a script's codes leave open; `all` accepts every one."""
    return [] if ALL in accept else [each for each in warnings if each.code not in accept]


def unknown_codes(warnings: Sequence[Noted], accept: Sequence[str]) -> list[str]:
    """Return the codes that no warning has: a script that accepts what is not there was written for something else."""
    known = {ALL, *(each.code for each in warnings)}
    return [code for code in accept if code not in known]


def differences(wanted: Wanted, study: Study, before: Release | None) -> list[str]:
    """Return what differs from the release that stands there now, in lines of a terminal's width."""
    if before is None:
        return ["no release stands beside it yet: this is the first"]
    lines = [f"released now: revision {before.revision}, by {before.person}, {before.utc}: {before.reason}"]
    changed = list(_changed_lines(before.text, wanted.document.text))
    lines += changed[:MOST_LINES] or ["  its text is the same"]
    if len(changed) > MOST_LINES:
        lines.append(f"  and {len(changed) - MOST_LINES} more changed lines")
    studied = {"water_from_C": wanted.water_C[0], "water_to_C": wanted.water_C[1], **study.totals}
    held = {"water_from_C": before.water_C[0], "water_to_C": before.water_C[1], **before.totals}
    lines += _changed_numbers(held, studied)
    model = {
        key: value for key, value in model_values(wanted.asked.setting.model).items() if before.model.get(key) != value
    }
    lines += [f"  model {name}: {_value(before.model.get(name))} -> {_value(value)}" for name, value in model.items()]
    return [clean(line, WIDTH) for line in lines]


def _changed_lines(before: str, now: str) -> Iterator[str]:
    old, new = before.split("\n"), now.split("\n")
    for kind, i, i_end, j, j_end in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if kind != "equal":
            yield from (f"  {number:>4} was  {old[number - 1]}" for number in range(i + 1, i_end + 1))
            yield from (f"  {number:>4} is   {new[number - 1]}" for number in range(j + 1, j_end + 1))


def _changed_numbers(before: Mapping[str, float | None], now: Mapping[str, float | None]) -> list[str]:
    names = list(dict.fromkeys([*now, *before]))
    pairs = [(name, _value(before.get(name)), _value(now.get(name))) for name in names]
    return [f"  {name}: {was} -> {is_}" for name, was, is_ in pairs if was != is_]


def _value(value: float | list[float] | None) -> str:
    if value is None:
        return "--"
    return ", ".join(f"{each:.4g}" for each in value) if isinstance(value, list) else f"{value:.4g}"


def model_values(model: CellParameters) -> dict[str, float | list[float]]:
    """Return the physics' parameters by name; pairs are [positive, negative]."""
    found: dict[str, float | list[float]] = {}
    for each in fields(model):
        value = getattr(model, each.name)
        found[each.name] = [float(one) for one in value] if isinstance(value, tuple) else float(value)
    return found


def fitting(course: Sequence[CourseStep]) -> tuple[CourseStep, ...]:
    """Return a course that a release has room for: one of very many steps keeps every second point and the last."""
    return tuple(course) if len(course) <= MANY_STEPS else tuple(_halved(step) for step in course)


def _halved(step: CourseStep) -> CourseStep:
    points = [*range(0, len(step.at) - 1, 2), len(step.at) - 1]
    bands = {}
    for name in BANDS:
        band = getattr(step, name)
        lines = {key: tuple(getattr(band, key)[point] for point in points) for key in ("low", "middle", "high")}
        bands[name] = Band(**lines)
    return step.model_copy(update={"at": tuple(step.at[point] for point in points), **bands})


def made_release(wanted: Wanted, study: Study, confirmed: Sequence[Noted], signed: Signed) -> Release:
    """Return the release, of the text that was held from the first look on. ValueError: it would be none."""
    setting = wanted.asked.setting
    settings: dict[str, float | int | str | None] = {
        "batteries": setting.batteries,
        "circuits": setting.circuits,
        "air_C": setting.air_C,
        **wanted.names,
    }
    return Release(
        kind="release",
        format=FORMAT,
        profile=wanted.profile.name,
        revision=wanted.profile.revision,
        sha256=wanted.document.sha256,
        text=wanted.document.text,
        person=signed.person,
        reason=signed.reason,
        utc=signed.utc,
        versions=dict(signed.versions),
        model=model_values(setting.model),
        settings=settings,
        water_C=wanted.water_C,
        course=fitting(study.course),
        totals=dict(study.totals),
        confirmed=tuple(clean(f"{each.code}: {each.text}", 600) for each in confirmed),
        study={"strings": study.strings, "seed": study.seed, **study.shares},
    )
