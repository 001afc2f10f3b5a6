"""What is wrong in a file: one line a problem, in a form that people and editors can follow to its place."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

LONGEST_PART = 300


def clean(text: str, longest: int = LONGEST_PART) -> str:
    """Text from outside made fit for a terminal: one line, no control, escape or direction characters, not endless."""
    safe = "".join(" " if c in "\n\r\t" else "?" if unicodedata.category(c).startswith("C") else c for c in text)
    return safe if len(safe) <= longest else safe[: longest - 3] + "..."


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding in one file. `line` counts from 1; `key` is a path such as `step[2].end.hours`, steps from 1.

    `warning`: the file may still be used. `note`: neither right nor wrong, worth knowing.
    """

    file: str
    line: int | None
    key: str
    what: str
    warning: bool = False
    note: bool = False

    @property
    def wrong(self) -> bool:
        """Whether the file cannot be used because of this."""
        return not (self.warning or self.note)

    def __str__(self) -> str:
        """`file:line: key: what is wrong, what would be right`; a warning or a note says so instead of its key."""
        place = clean(self.file) if self.line is None else f"{clean(self.file)}:{self.line}"
        middle = "warning" if self.warning else "note" if self.note else clean(self.key)
        return ": ".join(part for part in (place, middle, clean(self.what, 2 * LONGEST_PART)) if part)


class InputError(Exception):
    """A file cannot be used; holds every problem found in it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        """Keep the problems in the order of their lines."""
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))
