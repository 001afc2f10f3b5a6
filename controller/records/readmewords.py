"""The parts of README.txt that say what fixed words mean: states, and the codes of events.csv from their catalogue."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from controller import words
from controller.core.alarmlife import TABLE
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.planned import StepKind
from controller.core.types import Output, State

_WIDTH = 120
_INDENT = 30


STATES: Mapping[State, str] = {
    State.UNKNOWN: "nothing proved it yet, after a start of the service: no current is asked for",
    State.IDLE: "no run is open",
    State.RUNNING: "the run goes on; in a step of rest no current is asked for",
    State.HELD: "the run waits at zero for a person, or after a short link loss for the rule; its counts are kept",
    State.COMPLETE: "the last step has ended",
    State.STOPPED: "a person ended the run before its last step had ended",
    State.TRIPPED: "latched at zero until a person resets it; the run can then go on",
}
OUTPUTS: Mapping[Output, str] = {
    Output.OFF: "off, and zero current was read since",
    Output.ON: "on",
    Output.TO_ZERO: "set-point zero, zero not read back yet",
    Output.OFF_SENT: "off was written, zero and off not read back yet",
    Output.STUCK: "off was written, and current or the output outlast it",
}
KINDS: Mapping[StepKind, str] = {
    StepKind.REST: "no current",
    StepKind.CHARGE: "current into the string, positive",
    StepKind.DISCHARGE: "current out of the string, negative",
}
TOLD_IN_FULL: Mapping[str, str] = {
    "new": "came, or was told anew",
    "unshelved": "back from the shelf: time, or a person, ended it",
    "unsuppressed": "no longer explained by another, stands",
    "in_use": "circuit in use again, stands",
}
"""What became of an alarm where its row tells it in full; the other words stand in the catalogue."""
SAID_OTHERWISE: Mapping[str, str] = {
    "ticked": "accepted", "crossed": "accepted", "walked": "accepted", "walked_wrong": "accepted",
    "unblocked_by_another": "accepted", "round_skipped": "round", "recounted_early": "recounted",
    "gap_not_known": "gap", "horn_heard": "horn_test", "horn_silent": "horn_test", "read_back_zero": "read_back",
    "loaded_trial": "accepted",
    "record_space_eased": "record_space", "not_released_changed": "not_released",
    "not_released_loaded_without": "not_released", "not_released_unreadable": "not_released",
    "blocked.by_restart": "blocked", "blocked_by_another.by_restart": "blocked_by_another",
    "neighbour_blocked.by_restart": "neighbour_blocked", "unblocked_by_another.by_restart": "accepted",
}  # fmt: skip
"""The catalogue's other words for a code, by the key that they stand under."""
_REACTIONS = {
    **{law.code: (law.priority, law.reaction) for law in CIRCUIT_LAWS},
    **{law.code: (law.priority, law.reaction) for law in BATH_LAWS},
}


def lives() -> dict[str, str]:
    """What can become of an alarm, each word with its meaning."""
    told = {word for _, word in TABLE.values() if word} | words.LIVES.keys()
    return {word: words.LIVES.get(word) or TOLD_IN_FULL[word] for word in sorted(told)}


def events() -> dict[str, list[str]]:
    """Codes of the kinds event and order, each with its words."""
    return _by_code(words.EVENTS)


def refusals() -> dict[str, list[str]]:
    """Codes of refusals, each with its words."""
    return _by_code(words.REFUSALS)


def alarms() -> dict[str, list[str]]:
    """Codes of alarms, each with priority and reaction, its cause, and what was done."""
    return {code: [_alarm(code)] for code in sorted(words.ALARMS)}


def _alarm(code: str) -> str:
    said, (priority, reaction) = words.ALARMS[code], _REACTIONS[code]
    return f"{priority}, {reaction.name.lower()}: {_plain(said.cause)}; {said.did}"


def _by_code(catalogue: Mapping[str, str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {
        code: [_plain(catalogue[code])] for code in sorted(catalogue.keys() - SAID_OTHERWISE)
    }
    for key in catalogue.keys() & SAID_OTHERWISE:
        found[SAID_OTHERWISE[key]].append(_plain(catalogue[key]))
    return {code: [texts[0], *sorted(texts[1:])] for code, texts in found.items()}


def _plain(text: str) -> str:
    """A text of the catalogue with its places by their names alone."""
    return re.sub(r"\{(\w+)[^}]*\}", r"{\1}", text)


def _listed(entries: Mapping[str, list[str]]) -> Iterator[str]:
    """Lines of a list: the word, then its meanings, each from a line of its own on."""
    for word, meanings in entries.items():
        for number, meaning in enumerate(meanings):
            begin = f"{word:<{_INDENT - 1}} " if number == 0 else f"{'or':>{_INDENT - 1}} "
            yield from textwrap.wrap(
                begin + meaning, _WIDTH, subsequent_indent=" " * _INDENT, break_long_words=False, break_on_hyphens=False
            )


def _section(title: str, *parts: str | Mapping[str, list[str]]) -> str:
    lines = [title]
    for part in parts:
        lines += [part] if isinstance(part, str) else _listed(part)
    return "\n".join(lines) + "\n"


def _each(meanings: Mapping[Any, str]) -> dict[str, list[str]]:
    return {str(word): [meaning] for word, meaning in meanings.items()}


WORDS = _section(
    "WORDS",
    "A state, in log.csv, summary.json and cycles.bin:",
    _each(STATES),
    "",
    "An output, in cycles.bin (CircuitState, output):",
    _each(OUTPUTS),
    "",
    "The kind of a step (run.json, plan, steps, kind):",
    _each(KINDS),
)
CODES = _section(
    "CODES OF events.csv",
    "Those of a bath stand in its own events. {name}: what is filled in there.",
    "",
    "event and order; a reason that a person gave with an order stands behind its words:",
    events(),
    "",
    "alarm, each with priority and reaction; its cause; what was done:",
    alarms(),
    "",
    "what became of an alarm, behind its code; that a person acknowledged or reset it is an order of its own:",
    _each(lives()),
    "",
    "refusal, the order's own name before it:",
    refusals(),
)
