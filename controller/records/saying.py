"""How a number of things is said, and texts of any length. Pure."""

from __future__ import annotations


def counted(number: int, what: str) -> str:
    """`1 row`, `2 rows`."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def short(text: str, most: int = 60) -> str:
    """A text of any length as a finding tells it."""
    return text if len(text) <= most else text[: most - 3] + "..."


def bare(value: object) -> str:
    """A value out of JSON as a finding tells it: a text without quotes."""
    return short(value if isinstance(value, str) else repr(value))
