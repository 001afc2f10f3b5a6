"""How a number of things is said. Pure."""

from __future__ import annotations


def counted(number: int, what: str) -> str:
    """`1 row`, `2 rows`."""
    return f"{number} {what}{'' if number == 1 else 's'}"
