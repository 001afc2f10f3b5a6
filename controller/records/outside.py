"""Numbers and JSON that come from a record's files, with bounds: what is larger than any of ours is no number. Pure.

Python reads whole numbers of thousands of digits, and then fails at the first float they meet; lists in lists fail
wherever they are walked; `NaN` and `1e999` compare with nothing. All that ends here, as one kind of error.
"""

from __future__ import annotations

import json
import re
from typing import Any

LARGEST_HEAD = 16_000_000
"""Bytes of run.json or summary.json. Real ones have 50 kB, beside texts of at most 6 MB in all."""
MOST_DIGITS = 18
"""Of a whole number: milliseconds since 1970 have 13, and float64 and int64 hold all that have 18."""
DEEPEST = 64
"""Lists and objects within each other; ours go some 12 deep (own choice)."""
_LARGEST = 1e18
_NUMBER = re.compile(r"-?[0-9]{1,18}(?:\.[0-9]{1,30})?(?:e[+-][0-9]{1,3})?")


def number_of(text: str) -> float | None:
    """The number in a cell; None for an empty one, and for what no table of ours has as a number."""
    if _NUMBER.fullmatch(text) is None:
        return None
    number = float(text)
    return number if -_LARGEST < number < _LARGEST else None


def milliseconds_of(text: str) -> int | None:
    """Seconds with at most three decimals, as whole milliseconds; None as for `number_of`."""
    number = number_of(text)
    return None if number is None else round(number * 1000)


def plain_number(value: object) -> float | None:
    """A number in JSON as a float; None for anything else, be it a number that is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if -_LARGEST < value < _LARGEST else None


def read_json(data: bytes | str) -> Any:
    """What a JSON text holds; ValueError, in one short line, for one that no writer of ours makes."""
    return _flat_enough(data, parse_int=_whole, parse_float=_float, parse_constant=_constant)


def read_any_json(data: bytes | str) -> Any:
    """The same for what holds readings and orders as they came in: any number is taken, its type is asked for later."""
    return _flat_enough(data)


def _flat_enough(data: bytes | str, **parsers: Any) -> Any:
    try:
        plain = json.loads(data, **parsers)
    except RecursionError:
        raise ValueError(_DEEP) from None
    if _is_deep(plain):
        raise ValueError(_DEEP)
    return plain


_DEEP = f"lists and objects are more than {DEEPEST} deep in each other"


def _whole(text: str) -> int:
    if len(text) > MOST_DIGITS + text.startswith("-"):
        raise ValueError(f"a number of {len(text)} digits")
    return int(text)


def _float(text: str) -> float:
    number = float(text)
    if not -1e300 < number < 1e300:
        raise ValueError("a number beyond all bounds")
    return number


def _constant(text: str) -> float:
    raise ValueError(f"{text} is no number")


def _is_deep(plain: object) -> bool:
    """Whether values stand in each other deeper than `DEEPEST`; a level at a time, as a walk in depth could fail."""
    level = [plain]
    for _ in range(DEEPEST):
        inner: list[object] = []
        for each in level:
            if type(each) is dict:
                inner += [value for value in each.values() if type(value) in (dict, list)]
            elif type(each) is list:
                inner += [value for value in each if type(value) in (dict, list)]
        if not inner:
            return False
        level = inner
    return True
