"""In a replay no advice is one of now: every sentence that says what to do, or what will be, says that it was so then.

One place for all of them: whoever speaks in a replay speaks through `of_then`. A sentence that asks somebody for
something, or foretells, has its key in `ADVICE`; what an alarm asks for is always one. An event's text is the record's
own and stays as it is; where `asks` says so, whoever prints it puts the word before it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from controller.words import ALARMS, SCREEN, Say

ADVICE = frozenset({
    "frame.watchdogs", "circuit.watchdog", "bath.not_isolation", "bath.said.task", "bath.said.more", "bath.ends",
    "bath.ends_reduced", "bath.would_end", "bath.ends_unknown", "bath.refused", "bath.may", "bath.cooling",
    "bath.cooling_hot", "circuit.ends", "circuit.free", "circuit.missing.one", "circuit.missing.many",
    "circuit.nothing_missing", "circuit.no", "hall.next", "alarms.flood", "lists.ready", "lists.missing",
    "lists.stale", "plain.purging", "plain.waits",
})  # fmt: skip


_ASKING = frozenset({"flood_begins", "horn_test", "notice", "record_trouble"})
"""Plain events whose texts ask somebody for something, or may."""


def asks(kind: str, code: str) -> bool:
    """Return whether an event's own text may ask for something, as a refusal and an alarm that comes do."""
    return kind == "refusal" or (kind == "alarm" and code.partition(":")[2].startswith("new")) or code in _ASKING


@cache
def _templates() -> frozenset[str]:
    """The texts of all that is advice, as the catalogue has them."""
    return frozenset({SCREEN[key] for key in ADVICE} | {alarm.do for alarm in ALARMS.values() if alarm.do})


@dataclass(frozen=True, slots=True)
class Then:
    """A translation that puts what was said then behind a word that says so. `live`: the translation of now."""

    live: Callable[[str], str]

    def __call__(self, text: str) -> str:
        """Return the text translated; an advice with its word before it."""
        told = self.live(text)
        return self.live(SCREEN["replay.then"]).replace("{text}", told) if text in _templates() else told


def of_then(say: Say, *, replay: bool) -> Say:
    """Return the catalogue as a replay speaks it (`replay` False: as what is live does), however it spoke before."""
    known = say.translate
    if isinstance(known, Then):
        return say if replay else Say(known.live)
    return Say(Then(known)) if replay else say
