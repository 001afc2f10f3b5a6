"""The table of every alarm with its reason to exist, as Markdown: made from the laws and their words, never by hand.

    python -m controller.alarmtable                      prints it
    python -m controller.alarmtable --write FILE         puts it between the markers in FILE

An alarm is there because somebody can do something in a known time, and something bad happens if nobody does. A test
holds the table in DEVELOPERS.md to the laws, and asks that no cell of it is empty.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType
from typing import Any

from controller import words
from controller.core import interlocks
from controller.core.conditions import Law
from controller.texts.alarmtext import BEFORE_HANDS, LOOK_ONLY, AlarmText

BEGIN = "<!-- alarm table: made by python -m controller.alarmtable -->"
END = "<!-- end of the alarm table -->"

TIME_TO_ACT = {1: "5 min", 2: "30 min", 3: "this shift"}
"""By priority: how long a person may take before the consequence is there (own choice)."""

COLUMNS = ("alarm", "pr", "reaction", "cause", "if nobody acts", "what to do", "time to act", "file")
SHORT = {BEFORE_HANDS: "*hands last*", LOOK_ONLY: "*look only*"}
"""Cautions that stand in many texts, by the sign that stands for them in the table."""

_PLACE = re.compile(r"\{(\w+)[^}]*\}")


def law_modules() -> list[ModuleType]:
    """Return the modules whose laws the core asks, in the order of their names."""
    found = [each for each in vars(interlocks).values() if isinstance(each, ModuleType) and hasattr(each, "FAMILY")]
    return sorted(found, key=lambda each: each.__name__)


def entries() -> list[tuple[Law[Any], str]]:
    """Return every law with its file, in the order of the alarms' names."""
    found = [(law, file_of(module)) for module in law_modules() for law in module.FAMILY.laws]
    return sorted(found, key=lambda entry: entry[0].code)


def file_of(module: ModuleType) -> str:
    """Return a module's file, from the top of the project."""
    return module.__name__.replace(".", "/") + ".py"


def cells(law: Law[Any], file: str, text: AlarmText) -> tuple[str, ...]:
    """Return one alarm's row, in the order of the columns."""
    return (
        f"`{law.code}`",
        str(law.priority),
        law.reaction.name.lower(),
        _shown(text.cause),
        _shown(text.consequence),
        _shown(text.do),
        TIME_TO_ACT.get(law.priority, ""),
        f"`{file}`",
    )


def _shown(text: str) -> str:
    """Return a text as it stands in a cell: its places named, no column ended by it, cautions by their sign."""
    for caution, sign in SHORT.items():
        text = text.replace(caution, sign)
    return _PLACE.sub(r"*\1*", text).replace("|", "\\|")


def table() -> str:
    """Return the whole section between the markers."""
    found = entries()
    count = Counter(law.priority for law, _ in found)
    shares = ", ".join(f"{count[priority]} of priority {priority}" for priority in TIME_TO_ACT)
    lines = [
        f"{len(found)} alarms: {shares}. {SHORT[BEFORE_HANDS]}: {BEFORE_HANDS}. {SHORT[LOOK_ONLY]}: {LOOK_ONLY}.",
        "",
        "Where is the law for ...? One file a hazard; its docstring has limits, defaults, their sources, what clears.",
        "",
        "| file | what it is about | alarms |",
        "| --- | --- | --- |",
    ]
    for module in law_modules():
        about = (module.__doc__ or "").strip().splitlines()[0]
        codes = ", ".join(f"`{law.code}`" for law in module.FAMILY.laws)
        lines.append(f"| `{file_of(module)}` | {_shown(about)} | {codes} |")
    lines += ["", f"| {' | '.join(COLUMNS)} |", "|" + " --- |" * len(COLUMNS)]
    lines += [f"| {' | '.join(cells(law, file, words.ALARMS[law.code]))} |" for law, file in found]
    return "\n".join(lines)


def placed(document: str, section: str) -> str:
    """Return a document with the section between its markers. Raises ValueError where it has none."""
    before, begin, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"no place for the alarm table: {BEGIN} ... {END}")
    return f"{before}{BEGIN}\n\n{section}\n\n{END}{after}"


def main(arguments: list[str]) -> int:
    """Print the table, or put it into a file; return the exit code."""
    if not arguments:
        sys.stdout.write(table() + "\n")
        return 0
    if len(arguments) != 2 or arguments[0] != "--write":
        sys.stderr.write((__doc__ or "") + "\n")
        return 2
    file = Path(arguments[1])
    file.write_text(placed(file.read_text(encoding="utf-8"), table()), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
