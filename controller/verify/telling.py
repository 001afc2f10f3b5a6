"""How findings are told: texts cut short, and long lists of findings counted behind the first ones. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from controller.records.saying import short

MOST_SINGLY = 1_000
"""Findings of a kind named one by one. A record of ours has fewer rows that they could be of; a file made to fill the
memory has more, and those are counted (own choice)."""


def quoted(text: str, most: int = 60) -> str:
    """A text of any length between quotes, for a cell."""
    return repr(short(text, most))


def literal(value: object) -> str:
    """A value out of JSON as a finding tells it: a text with quotes."""
    return short(repr(value))


def some(names: Sequence[str], most: int = 5) -> str:
    """The first of these names, and how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


class Few:
    """Keeps the first findings of a kind, and says in one more how many others there were.

    `where`: the file, or what else that one begins with; `what`: the others in words, as `rows`.
    """

    def __init__(self, where: str, what: str = "", most: int = MOST_SINGLY) -> None:
        self._where, self._what, self._most = where, f"{what} " if what else "", most
        self._first: list[str] = []
        self._more = 0

    def take(self, said: Iterable[str]) -> None:
        """Keep these, or count them."""
        for each in said:
            if len(self._first) < self._most:
                self._first.append(each)
            else:
                self._more += 1

    def told(self) -> list[str]:
        """All that was kept, and the others as one."""
        more = [f"{self._where}: {self._more:,} more {self._what}like that"] if self._more else []
        return [*self._first, *more]


def few(said: Iterable[str], where: str, what: str = "", most: int = MOST_SINGLY) -> list[str]:
    """The same for findings that are all there."""
    kept = Few(where, what, most)
    kept.take(said)
    return kept.told()
