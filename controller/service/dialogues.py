"""Which dialogues stand open at which consoles, so that two persons see each other before both order. Decides nothing.

One a client; it goes with its client, and by itself after a time: a console that forgot to say so must not look busy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

OPEN_S = 90.0
"""Somewhat longer than any console keeps a dialogue open."""


@dataclass(frozen=True, slots=True)
class Dialogue:
    """One open dialogue; `since_s` by the caller's own clock."""

    who: str
    verb: str
    target: str
    since_s: float


class Dialogues:
    """The open dialogues by client."""

    def __init__(self) -> None:
        self._open: dict[str, Dialogue] = {}

    def opened(self, console: str, dialogue: Dialogue) -> None:
        """Takes the place of whatever that client had open."""
        self._open[console] = dialogue

    def shut(self, console: str, verb: str, target: str) -> None:
        """That dialogue is shut; a later one of the same client stays."""
        found = self._open.get(console)
        if found is not None and (found.verb, found.target) == (verb, target):
            del self._open[console]

    def gone(self, console: str) -> None:
        """The client hung up."""
        self._open.pop(console, None)

    def seen(self, now_s: float) -> tuple[dict[str, Any], ...]:
        """Those open now, as a snapshot shows them; older ones than `OPEN_S` are forgotten."""
        self._open = {name: each for name, each in self._open.items() if now_s - each.since_s <= OPEN_S}
        return tuple(
            {"who": d.who, "verb": d.verb, "target": d.target, "console": name, "age_s": round(now_s - d.since_s, 1)}
            for name, d in self._open.items()
        )
