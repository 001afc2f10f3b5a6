"""The form of every cell of every table, so that a wrong writer shows though its chain is right.

Times are ISO 8601 UTC with milliseconds, numbers have the decimals that are written, words are of the known ones, text
is clean, elapsed time never falls. Columns of a later version are let through. Pure.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass

from controller.core.loadchecks import OUTCOMES
from controller.core.types import EventKind, Quality, State
from controller.records.outside import milliseconds_of, number_of
from controller.records.rows import CELL_LIMIT, clean, parse_time, time_utc
from controller.verify.telling import quoted

MOST_TOLD = 5
"""Rows of wrong form named singly in a table; the others are counted."""
_SHOWN = 40
"""Characters of a cell in a finding."""

_CHAIN = re.compile("[0-9a-f]{16}")
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", re.ASCII)
_READ = ("current_A", "voltage_V", "bath_C", "probe_C")
_BAD = tuple(one.value.replace(" ", "_") for one in Quality if one is not Quality.GOOD)
_EMPTY_BY = tuple(one for one in _BAD if one != Quality.SUSPECT.value)
_QUALITY = re.compile(rf"(?:(?:{'|'.join(_READ)})=(?:{'|'.join(_BAD)})(?: (?!$)|$))*")


@dataclass(frozen=True, slots=True)
class Form:
    """How the cells of a column look: `fits` says whether one does, `right` what would be right."""

    fits: Callable[[str], bool]
    right: str


def _matching(pattern: re.Pattern[str], right: str) -> Form:
    return Form(lambda text: pattern.fullmatch(text) is not None, right)


def _fixed(decimals: int, *, empty: bool = False) -> Form:
    # Twelve digits before the point: 30,000 years in seconds.
    pattern = re.compile(rf"(?!-0\.0+$)-?(?:0|[1-9]\d{{0,11}})\.\d{{{decimals}}}" + ("|" if empty else ""), re.ASCII)
    return _matching(pattern, f"a number with {decimals} decimals{' or nothing' if empty else ''}")


def _one_of(*names: str) -> Form:
    return Form(frozenset(names).__contains__, f"one of {', '.join(name or 'nothing' for name in names)}")


def is_time(text: str) -> bool:
    """Whether this is a moment as every table writes it."""
    if _TIME.fullmatch(text) is None:
        return False
    try:
        return time_utc(parse_time(text)) == text
    except (ValueError, OverflowError):
        return False


def is_text(text: str) -> bool:
    """Whether a cell's text went through the cleaning that all text from outside goes through."""
    return len(text) <= CELL_LIMIT + 1 and clean(text, CELL_LIMIT + 1) == text


TIME = Form(is_time, "an ISO 8601 time in UTC with milliseconds")
TIME_OR_NONE = Form(lambda text: not text or is_time(text), "an ISO 8601 time in UTC with milliseconds or nothing")
WHOLE = _matching(re.compile(r"[0-9]{1,9}|"), "a whole number or nothing")
NUMBER = Form(lambda text: not text or number_of(text) is not None, "a number or nothing")
TEXT = Form(is_text, "text without control characters, line ends or the beginning of a formula")
VALUE = Form(lambda text: number_of(text) is not None or is_text(text), "a number or clean text")
CHAIN = _matching(_CHAIN, "16 small hex digits")
ELAPSED = _fixed(3)
ELAPSED_OR_NONE = _fixed(3, empty=True)

LOG: Mapping[str, Form] = {
    "time_utc": TIME,
    "elapsed_s": ELAPSED,
    "step": WHOLE,
    "state": _one_of(*(one.value for one in State)),
    "set_current_A": _fixed(3),
    "current_A": _fixed(3, empty=True),
    "voltage_V": _fixed(3, empty=True),
    "bath_C": _fixed(2, empty=True),
    "probe_C": _fixed(2, empty=True),
    "charge_Ah": _fixed(4),
    "discharge_Ah": _fixed(4),
    "energy_Wh": _fixed(2),
    "allowed_percent": _fixed(1),
    "quality": _matching(_QUALITY, "empty, or like current_A=stale probe_C=lost"),
    "chain": CHAIN,
}
EVENTS: Mapping[str, Form] = {
    "time_utc": TIME,
    "elapsed_s": ELAPSED_OR_NONE,
    "kind": _one_of(*(one.value for one in EventKind)),
    "priority": WHOLE,
    "value": VALUE,
    "limit": VALUE,
    "chain": CHAIN,
}
BATTERIES: Mapping[str, Form] = {
    "position": WHOLE,
    "ocv_V": NUMBER,
    "ocv_age_h": NUMBER,
    "density": NUMBER,
    "density_C": NUMBER,
    "outcome": _one_of("", *OUTCOMES),
    "chain": CHAIN,
}
AFTER: Mapping[str, Form] = {
    "time_utc": TIME,
    "taken_utc": TIME_OR_NONE,
    "position": WHOLE,
    "value": VALUE,
    "temperature_C": NUMBER,
    "chain": CHAIN,
}
PROOFS: Mapping[str, Form] = {"time_utc": TIME, "chain": CHAIN}

TABLE_FORMS: Mapping[str, Mapping[str, Form]] = {
    "log.csv": LOG,
    "events.csv": EVENTS,
    "batteries.csv": BATTERIES,
    "after.csv": AFTER,
    "proofs.csv": PROOFS,
}


def wrong_forms(
    name: str,
    columns: Sequence[str],
    lines: Sequence[bytes],
    forms: Mapping[str, Form],
    named: Container[int] = (),
) -> list[str]:
    """What is not of its form in these rows (`lines`, without line ends), each with its row; columns by their names.

    A column that no form is given for holds text. `named`: rows that another finding names already.
    """
    checks = [(column, forms.get(column, TEXT)) for column in columns]
    at = columns.index("elapsed_s") if "elapsed_s" in columns else None
    found: list[str] = []
    more = 0
    before_ms = None
    for row, line in enumerate(lines, 1):
        cells, wrong = _cells(line, len(columns))
        if wrong is None and cells is not None:
            wrong = _first_wrong(checks, cells)
        if wrong is None and cells is not None and at is not None and cells[at]:
            now_ms = milliseconds_of(cells[at])
            if now_ms is not None and before_ms is not None and now_ms < before_ms:
                wrong = f"elapsed_s fell to {cells[at]}"
            before_ms = before_ms if now_ms is None else now_ms
        if wrong is None or row in named:
            continue
        if len(found) < MOST_TOLD:
            found.append(f"{name}:{row + 1}: row {row}: {wrong}")
        else:
            more += 1
    return [*found, f"{name}: {more} more rows are not of their form"] if more else found


def _cells(line: bytes, count: int) -> tuple[list[str] | None, str | None]:
    """A row's cells, or what keeps it from being a row; quotes stand only where RFC 4180 asks for them."""
    try:
        text = line.decode()
    except UnicodeDecodeError:
        return None, "is not UTF-8"
    if '"' not in text:
        cells = text.split(",")
    else:
        try:
            (cells,) = csv.reader((text,), strict=True)
        except (csv.Error, ValueError):
            return None, "is no CSV row"
        if ",".join(_quoted(cell) for cell in cells) != text:
            return None, "is not quoted as RFC 4180 asks"
    return (cells, None) if len(cells) == count else (None, f"has {len(cells)} cells, not {count}")


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if "," in text or '"' in text else text


def _first_wrong(checks: Sequence[tuple[str, Form]], cells: Sequence[str]) -> str | None:
    quality = ""
    for (column, form), cell in zip(checks, cells, strict=True):
        if not form.fits(cell):
            return f"{column} is {quoted(cell, _SHOWN)}, not {form.right}"
        quality = cell if column == "quality" else quality
    if quality:
        named = dict(zip((column for column, _ in checks), cells, strict=True))
        return next(_against_quality(quality, named), None)
    return None


def _against_quality(quality: str, named: Mapping[str, str]) -> Iterator[str]:
    """A value that was lost, stale or out of range leaves its cell empty."""
    for part in quality.split(" "):
        column, _, word = part.partition("=")
        if word in _EMPTY_BY and named.get(column):
            yield f"{column} is {quoted(named[column], _SHOWN)} though its quality is {word}"
