"""Every order as a table, made from the rules themselves: who may give it, when, what it does and takes.

README.md carries it between two marks; `python -m controller.service.verbtable` prints it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

from controller.core.bathorders import BATH_RULES
from controller.core.orders import KNOWN, RULES, TICK, TRIAL, WALK, Rule
from controller.core.types import State
from controller.texts import verbs
from controller.texts.verbs import VerbText

BEGIN, END = "<!-- orders: made by controller/service/verbtable.py -->", "<!-- orders end -->"

Row = tuple[str, str, str, str]


def rows() -> Iterator[Row]:
    """Every order's row: verb with arguments, who, when, what it does."""
    for verb, text in verbs.VERBS.items():
        rule, bath = RULES.get(verb), BATH_RULES.get(verb)
        if rule is not None:
            yield _row(verb, text, rule, "; the bath too" if bath is not None else "")
        elif bath is not None:
            yield _written(verb, text), _who(bath.roles), "the bath", text.does
        special = {"load": (verbs.TRIAL, TRIAL), "done": (verbs.TICK, TICK)}.get(verb)
        if special is not None:
            yield _row(verb, special[0], special[1], "")
        if verb == "done":
            yield _row(verb, verbs.WALK, WALK, "")


def _row(verb: str, text: VerbText, rule: Rule, more: str) -> Row:
    return _written(verb, text), _who(rule.roles), _when(rule.states) + more, text.does


def _written(verb: str, text: VerbText) -> str:
    return " ".join((verb, *(f"{key}=" for key in text.takes)))


def _who(roles: tuple[str, ...]) -> str:
    return ", ".join(roles) if roles else "anybody"


def _when(states: tuple[State, ...]) -> str:
    if not states:
        return "always"
    return "any but unknown" if states == KNOWN else ", ".join(state.value for state in states)


def markdown() -> str:
    """The table as it stands in README.md, marks included."""
    lines = [BEGIN, "", "| order | who | when | what it does |", "| --- | --- | --- | --- |"]
    lines += [f"| `{verb}` | {who} | {when} | {does} |" for verb, who, when, does in rows()]
    return "\n".join([*lines, "", END])


if __name__ == "__main__":
    sys.stdout.write(f"{markdown()}\n")
