"""The release: what stands in `NAME.release.json` beside a profile, and whether it is of that profile's very text.

A person releases a profile after it was checked, dry run and studied; the file keeps the whole text that was, so that a
later change can be named by its line, and what a string is expected to do. What comes from such a file is hostile until
it has passed here: sizes are bounded, names and sentences cleaned, numbers finite. Its hash guards against mistakes,
not against a person who wants to deceive: who may write beside the profile may write a release.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from hashlib import sha256
from itertools import pairwise, takewhile, zip_longest
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NoReturn, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from profiles.loader import Document, load_model, parse_document, read_document
from profiles.plainwords import Words
from profiles.problems import InputError, Problem, clean
from profiles.releasebounds import (
    AMPS,
    CELSIUS,
    FIGURES,
    HOURS,
    LARGEST_FIGURE,
    POINTS,
    SINCE_FIRST_CURRENT_H,
    VOLTS_PER_CELL,
    Bounds,
    entries,
    figures,
    keys,
    numbers,
    steps,
    wrong,
)

FORMAT: Final = "formbath/release/1"
ENDING = ".release.json"

LARGEST_BYTES = 2_000_000
"""250 steps of 41 points are about 1.3 MB, a list of numbers on each line; of more steps fewer points are kept."""

MOST_STEPS = 500
MOST_POINTS = 41
MOST_KEYS = 40
MOST_BRACKETS = 100_000
"""Beginnings of lists and tables, those in the profile's text among them; 500 steps have less than 10 000."""
LONGEST_TEXT = 256_000
LARGEST_SIZE = f"{LARGEST_BYTES // 1_000_000} MB"
SHOWN = 60
"""Characters of a changed line that are shown, around the change."""

SHAPE = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, hide_input_in_errors=True)

Line = Annotated[str, Field(min_length=1, max_length=2000), AfterValidator(lambda text: clean(text, 600))]
Maybe = Annotated[str, Field(max_length=2000), AfterValidator(lambda text: clean(text, 600))]
Key = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9_.-]+$"), Words("letters, digits and _")]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$"), Words("64 hex digits")]
Utc = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z$"), Words('"2026-03-16T06:00:00Z"')]
Some = Annotated[tuple[float | None, ...], Field(strict=False), numbers(MOST_POINTS, FIGURES, gaps=True)]
Three = Annotated[tuple[float, float, float], Field(strict=False), numbers(3, HOURS)]
Figure = Annotated[float, Field(ge=-LARGEST_FIGURE, le=LARGEST_FIGURE)]
Whole = Annotated[int, Field(ge=-int(LARGEST_FIGURE), le=int(LARGEST_FIGURE))]

BANDS: Final[Mapping[str, Bounds]] = {
    "elapsed_h": SINCE_FIRST_CURRENT_H,
    "voltage_V_per_cell": VOLTS_PER_CELL,
    "current_A": AMPS,
    "probe_C": CELSIUS,
}
"""The measured bands of a step, and within which bounds their numbers are."""
STEP_KEYS = frozenset({"step", "name", "kind", "grid", "at", "duration_h", *BANDS})


class Band(BaseModel):
    """Three quantiles over the studied strings, at each point of a step's grid; None: nothing was there to measure."""

    model_config = SHAPE
    low: Some
    """5 %."""
    middle: Some
    """50 %."""
    high: Some
    """95 %."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not len(self.low) == len(self.middle) == len(self.high):
            wrong("low, middle and high have not the same number of points")
        for three in zip(self.low, self.middle, self.high, strict=True):
            there = [value for value in three if value is not None]
            if there != sorted(there):
                wrong("low, middle and high do not rise at every point")
        return self


class CourseStep(BaseModel):
    """What one step is expected to do, over the charge it moved or the minutes it took."""

    model_config = SHAPE
    step: Annotated[int, Field(ge=1, le=MOST_STEPS)]
    """Number after unrolling, from 1."""
    name: Line
    kind: Literal["rest", "charge", "discharge"]
    grid: Literal["charge_Ah", "minutes"]
    """What `at` counts since the step began; charge is positive for a discharge too."""
    at: Annotated[tuple[float, ...], Field(strict=False, min_length=2), numbers(MOST_POINTS, POINTS)]
    """Rising from 0; the last is the median end of the step."""
    elapsed_h: Band
    """Since first current."""
    voltage_V_per_cell: Band
    current_A: Band
    probe_C: Band
    duration_h: Three
    """5, 50, 95 % of the step's length."""

    @model_validator(mode="after")
    def _on_grid(self) -> Self:
        if self.at[0] != 0.0 or any(first >= second for first, second in pairwise(self.at)):
            wrong("the points of `at` do not rise from 0")
        for name, (least, most) in BANDS.items():
            band = getattr(self, name)
            if len(band.middle) != len(self.at):
                wrong(f"{name} has not as many points as `at`")
            if not all(least <= value <= most for line in (band.low, band.high) for value in line if value is not None):
                wrong(f"{name} is not from {least:g} to {most:g}")
        if list(self.duration_h) != sorted(self.duration_h):
            wrong("duration_h does not rise")
        return self


class Release(BaseModel):
    """A whole release file."""

    model_config = SHAPE
    kind: Literal["release"]
    format: Literal["formbath/release/1"]
    profile: Line
    revision: Annotated[int, Field(ge=1, le=1_000_000)]
    sha256: Sha256
    """Of the profile's text as UTF-8."""
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_TEXT)]
    """The profile's whole text as it was released."""
    person: Line
    """As the operating system knows them."""
    reason: Line
    utc: Utc
    versions: Annotated[dict[Key, Line], keys(50)]
    model: Annotated[dict[Key, float | list[float]], figures(500, 500)]
    """The physics' parameters by name."""
    settings: Annotated[dict[Key, Figure | Whole | Maybe | None], keys(200)]
    water_C: Annotated[tuple[float, float], Field(strict=False), numbers(2, CELSIUS)]
    """The range that was studied."""
    course: Annotated[tuple[CourseStep, ...], Field(strict=False), steps(MOST_STEPS, STEP_KEYS, BANDS, MOST_POINTS)]
    totals: Annotated[dict[Key, Figure | None], keys(200)]
    confirmed: Annotated[tuple[Line, ...], Field(strict=False), entries(500)]
    """Warnings that the person confirmed."""
    study: Annotated[dict[Key, Whole | Figure], keys(200)]

    @model_validator(mode="before")
    @classmethod
    def _not_endless(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and len(data) > MOST_KEYS:
            wrong(f"has too many keys, at most {MOST_KEYS}")
        return data

    @model_validator(mode="after")
    def _of_one_text(self) -> Self:
        if digest(self.text) != self.sha256:
            wrong("its text is not the one of its sha256: this file was changed by hand, release the profile again")
        if self.water_C[0] > self.water_C[1]:
            wrong("water_C does not rise, write [coldest, hottest]")
        numbers = [step.step for step in self.course]
        if numbers != sorted(set(numbers)):
            wrong("the course's steps do not rise")
        try:
            data = parse_document(self.text, "text").data
        except InputError:
            wrong("its text is no profile: release the profile again")
        if data.get("revision") != self.revision or clean(str(data.get("name")), 600) != self.profile:
            wrong("its name or revision is not that of its text: release the profile again")
        return self


def digest(text: str) -> str:
    """SHA-256 of a text as UTF-8, in hex; the same as `Document.sha256` of a file with that text."""
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def release_place(profile_path: Path | str) -> Path:
    """Where the release of a profile file stands: NAME.release.json beside NAME.toml."""
    path = Path(profile_path)
    return path.parent / (path.name.removesuffix(".toml") + ENDING)


def profile_place(release_path: Path | str) -> Path:
    """The profile file that a release stands beside."""
    path = Path(release_path)
    return path.parent / (path.name.removesuffix(ENDING) + ".toml")


def read_release(path: Path | str) -> Release:
    """Read and check one release file; raises InputError with everything that is wrong in it."""
    return load_release(path)[0]


def load_release(path: Path | str) -> tuple[Release, Document]:
    """The same, with the file's text."""
    document = release_document(path)
    return load_model(document, Release), document


def release_document(path: Path | str) -> Document:
    """A release file's text and plain data, its content not checked yet; raises InputError for what is no JSON."""
    place, name = Path(path), str(path)
    try:
        if not place.is_file():
            raise InputError([Problem(name, None, "", "is not there, or is no plain file; name a release file")])
        with place.open("rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
        if len(raw) > LARGEST_BYTES:
            raise InputError([Problem(name, None, "", f"is larger than {LARGEST_SIZE}, no release is")])
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError([Problem(name, line, "", "is not UTF-8 text, a release is")]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name cannot be used"
        raise InputError([Problem(name, None, "", f"cannot be read: {reason}")]) from None
    found = parse_release(text, name)
    return Document(place, name, text, found.data, found.sha256)


def parse_release(text: str, name: str) -> Document:
    """The same from text at hand: one JSON object, no key twice, no number that is none."""
    if text.count("[") + text.count("{") > MOST_BRACKETS:
        raise InputError([Problem(name, None, "", "has far too many lists and tables for a release")])
    try:
        data = json.loads(text, object_pairs_hook=_once, parse_constant=_no_figure)
    except RecursionError:
        raise InputError([Problem(name, None, "", "is nested too deeply for a release")]) from None
    except json.JSONDecodeError as error:
        raise InputError([Problem(name, error.lineno, "", f"is no JSON: {error.msg}")]) from None
    except ValueError as error:
        raise InputError([Problem(name, None, "", f"is no release: {error}")]) from None
    if not isinstance(data, dict):
        raise InputError([Problem(name, 1, "", "is no JSON object, a release is one")])
    return Document(Path(name), name, text, data, digest(text))


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands in it twice")
    return found


def _no_figure(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


_NUMBERS = re.compile(r"\[\n([^\[\]{}\"]*)\n *\]")
"""A list of nothing but numbers, as it is written with each on a line of its own."""


def release_text(release: Release) -> str:
    """The bytes' text of a release file: the same release gives the same text, wherever it is made."""
    plain = {key: _sorted(value) for key, value in release.model_dump(mode="json").items()}
    text = json.dumps(plain, indent=1, ensure_ascii=True, allow_nan=False)
    # No string holds a line's end as it is written, so that none can look like such a list.
    return _NUMBERS.sub(lambda found: "[" + ", ".join(found[1].replace(",", " ").split()) + "]", text) + "\n"


def _sorted(value: Any) -> Any:
    return {key: value[key] for key in sorted(value)} if isinstance(value, Mapping) else value


def write_release(path: Path | str, release: Release) -> None:
    """Write a release file so that a crash leaves the old one or the new one, whole; raises InputError.

    What was given is checked again as a reader would, so that nothing is written that cannot be read.
    """
    place, text = Path(path), release_text(release)
    if len(text) > LARGEST_BYTES:
        what = f"would be {len(text) / 1e6:.1f} MB, a release has at most {LARGEST_SIZE}: fewer steps make it smaller"
        raise InputError([Problem(str(path), None, "", what)])
    load_model(parse_release(text, str(path)), Release)
    try:
        _replace(place, text.encode("ascii"))
    except OSError as error:
        raise InputError([Problem(str(path), None, "", f"cannot be written: {error.strerror}")]) from None


def _replace(place: Path, data: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{place.name}-", dir=place.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fchmod(file.fileno(), 0o644)  # the service, another user, reads it
            os.fsync(file.fileno())
        Path(name).replace(place)
    except OSError:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
    folder = os.open(place.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def release_problems(document: Document, release: Release) -> list[Problem]:
    """Empty when this very text was released; else one problem at the first changed line, with what was and what is."""
    if document.text == release.text:
        return []
    since = f"changed since its release (revision {release.revision}, by {release.person}, {release.utc})"
    line, was, now = first_change(release.text, document.text)
    return [Problem(document.name, line, "", clean(f"{since}: {_compared(was, now)}", 600))]


def release_check(document: Document) -> list[Problem]:
    """Entry of `check` for releases: is it whole, and of the very text of the profile beside it; raises InputError."""
    release = load_model(document, Release)
    place = profile_place(document.path)
    if not place.is_file():
        what = f"{place.name} is not beside it, so that nobody knows whether that is still the released text"
        return [Problem(document.name, None, "", what, warning=True)]
    changed = release_problems(read_document(place), release)
    if changed:
        raise InputError(changed)
    what = f"{place.name} is the text that {release.person} released, {release.utc}: {release.reason}"
    return [Problem(document.name, None, "", what, note=True)]


def first_change(before: str, now: str) -> tuple[int, str | None, str | None]:
    """Line (from 1) at which two texts that are not the same first differ, and both lines; None: the text has ended."""
    pairs: Iterator[tuple[str | None, str | None]] = zip_longest(before.split("\n"), now.split("\n"))
    for line, (was, is_) in enumerate(pairs, start=1):
        if was != is_:
            return line, was, is_
    raise ValueError("the texts are the same")


def _compared(was: str | None, now: str | None) -> str:
    """Without quotes around: a profile's lines have quotes of their own."""
    if was is None:
        return f"the text had ended; is: {_excerpt(now or '', 0)}"
    if now is None:
        return f"was: {_excerpt(was, 0)}; the text has ended"
    if was.rstrip("\r") == now.rstrip("\r"):
        return "its line ends"
    same = takewhile(lambda pair: pair[0] == pair[1], zip(was, now, strict=False))
    start = sum(1 for _ in same)
    old, new = _excerpt(was, start), _excerpt(now, start)
    unseen = " (in characters that do not show)" if old == new else ""
    return f"was: {old}; is: {new}{unseen}"


def _excerpt(line: str, at: int) -> str:
    """What is shown of a line: its beginning, or where it is long the part around the change."""
    start = 0 if max(at, len(line)) <= SHOWN or at < SHOWN // 2 else at - SHOWN // 2
    shown = clean(line[start : start + SHOWN])
    return ("..." if start else "") + shown + ("..." if start + SHOWN < len(line) else "")
