"""How much a release may hold, and of which size its numbers are: asked before the model looks at anything.

A model collects every fault that it finds; of a file with a million wrong entries that list alone takes minutes. So
each list and table is counted here first, and of a list's numbers the first wrong one ends the search.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NoReturn

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

LONGEST_H = 10_000.0
"""More than a year; no formation lasts three weeks."""
LARGEST_POINT = 1_000_000.0
"""Ah that a step moves, or minutes that it takes."""
LARGEST_FIGURE = 1e20
"""Of totals, parameters and settings; a seed has up to 19 digits."""

Bounds = tuple[float, float]
HOURS: Final[Bounds] = (0.0, LONGEST_H)
SINCE_FIRST_CURRENT_H: Final[Bounds] = (-LONGEST_H, LONGEST_H)  # a profile may begin with a rest
POINTS: Final[Bounds] = (0.0, LARGEST_POINT)
VOLTS_PER_CELL: Final[Bounds] = (-5.0, 5.0)
AMPS: Final[Bounds] = (-10_000.0, 10_000.0)
CELSIUS: Final[Bounds] = (-100.0, 300.0)
FIGURES: Final[Bounds] = (-LARGEST_FIGURE, LARGEST_FIGURE)


def wrong(what: str) -> NoReturn:
    """Raise a fault with these words, from within a model."""
    raise PydanticCustomError("finding", "{what}", {"what": what})


def keys(most: int) -> BeforeValidator:
    """A table of at most so many keys."""

    def counted(value: Any) -> Any:
        if isinstance(value, Mapping) and len(value) > most:
            wrong(f"has too many keys, at most {most}")
        return value

    return BeforeValidator(counted)


def entries(most: int) -> BeforeValidator:
    """A list of texts, at most so many."""

    def counted(value: Any) -> Any:
        if isinstance(value, list | tuple):
            _counted(value, most)
            for index, one in enumerate(value, start=1):
                if not isinstance(one, str):
                    wrong(f'entry {index} is no text, write text in "quotes"')
        return value

    return BeforeValidator(counted)


def numbers(most: int, bounds: Bounds, *, gaps: bool = False) -> BeforeValidator:
    """A list of at most so many numbers within bounds; `gaps`: None may stand among them."""

    def counted(value: Any) -> Any:
        if isinstance(value, list | tuple):
            _numbers(value, most, bounds, gaps=gaps)
        return value

    return BeforeValidator(counted)


def figures(most: int, longest: int) -> BeforeValidator:
    """A table of at most so many numbers, or lists of at most `longest` of them."""

    def counted(value: Any) -> Any:
        if isinstance(value, Mapping):
            if len(value) > most:
                wrong(f"has too many keys, at most {most}")
            for one in value.values():
                _numbers(one if isinstance(one, list | tuple) else (one,), longest, FIGURES)
        return value

    return BeforeValidator(counted)


def steps(most: int, known: frozenset[str], bands: Mapping[str, Bounds], points: int) -> BeforeValidator:
    """A course: at most so many steps of the `known` keys; `bands` and their bounds are looked through to the end."""

    def counted(value: Any) -> Any:
        if isinstance(value, list | tuple):
            _counted(value, most)
            for index, step in enumerate(value, start=1):
                if isinstance(step, Mapping) or not hasattr(step, "model_fields_set"):
                    _step(f"step {index} of the course", step, known, bands, points)
        return value

    return BeforeValidator(counted)


def _step(name: str, step: Any, known: frozenset[str], bands: Mapping[str, Bounds], points: int) -> None:
    if not isinstance(step, Mapping) or step.keys() != known:
        wrong(f"{name} is none: it has the keys {', '.join(sorted(known))}")
    for key, bounds in bands.items():
        band = step[key]
        if isinstance(band, Mapping):
            if band.keys() != {"low", "middle", "high"}:
                wrong(f"{name}: {key} has the keys low, middle, high")
            for line in band.values():
                _numbers(line, points, bounds, gaps=True, name=f"{name}: {key}: ")


def _counted(value: Sequence[Any], most: int, name: str = "") -> None:
    if len(value) > most:
        wrong(f"{name}has too many entries, at most {most}")


def _numbers(value: Any, most: int, bounds: Bounds, *, gaps: bool = False, name: str = "") -> None:
    """Refuse the first of a list that is no number within bounds."""
    low, high = bounds
    if not isinstance(value, list | tuple):
        wrong(f"{name}is no [list] of numbers")
    _counted(value, most, name)
    for index, one in enumerate(value, start=1):
        if one is None and gaps:
            continue
        if type(one) not in (int, float):
            wrong(f"{name}entry {index} is no number")
        if not low <= one <= high:
            wrong(f"{name}entry {index} is no number from {low:g} to {high:g}")
