"""What the trial of mutants says at its end: figures by file, survivors, and why some of them are harmless."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from listing import Change, Mutant
from trial import KILLED, SURVIVED, TIMED_OUT

SEPARATOR = " :: "


@dataclass(frozen=True)
class Harmless:
    """A survivor that cannot do harm: a part of its line as it stands in the file, the operator, and why."""

    file: str
    quote: str
    operator: str
    reason: str


@dataclass(frozen=True)
class Result:
    """One mutant and how it ended."""

    mutant: Mutant
    change: Change
    verdict: str


def read_harmless(file: Path) -> list[Harmless]:
    """Read the list, `file :: part of the line :: operator :: reason`; file and operator may hold `*` and `**/`."""
    entries = []
    for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        parts = [part.strip() for part in line.split(SEPARATOR)]
        if len(parts) != 4 or not all(parts):
            raise ValueError(f"{file.name}:{number}: wanted file, quote, operator and reason, with{SEPARATOR}between")
        entries.append(Harmless(*parts))
    return entries


def stale(entries: list[Harmless], root: Path) -> list[Harmless]:
    """Return the entries whose line is in no such file any longer: the code has changed, the reason may not hold."""

    def gone(entry: Harmless) -> bool:
        return not any(entry.quote in file.read_text(encoding="utf-8") for file in root.glob(entry.file))

    return [entry for entry in entries if gone(entry)]


def reason_of(result: Result, entries: list[Harmless]) -> str:
    """Return why a survivor is harmless; empty where nobody has said so."""
    for entry in entries:
        same = fnmatchcase(result.mutant.file, entry.file.replace("**/", "*")) and entry.quote in result.change.before
        if same and fnmatchcase(result.mutant.operator, entry.operator):
            return entry.reason
    return ""


def told(result: Result) -> str:
    """Return one line for a mutant."""
    mutant, change = result.mutant, result.change
    return f"{mutant.file}:{mutant.line}: {mutant.operator}: {change.before} -> {change.after or '(nothing)'}"


def percent(results: list[Result]) -> float:
    """Return the share of mutants that the tests noticed; one that hangs is noticed."""
    return 100.0 * sum(result.verdict != SURVIVED for result in results) / max(1, len(results))


def by_file(results: list[Result]) -> list[str]:
    """Return a line for each file, the worst first."""
    files: dict[str, list[Result]] = {}
    for result in results:
        files.setdefault(result.mutant.file, []).append(result)
    ordered = sorted(files.items(), key=lambda item: (percent(item[1]), item[0]))
    lines = []
    for name, own in ordered:
        noticed = sum(result.verdict != SURVIVED for result in own)
        lines.append(f"{percent(own):6.1f} %  {noticed:4d} of {len(own):4d}  {name}")
    return lines


def survivor_lines(results: list[Result], entries: list[Harmless]) -> list[str]:
    """Return the survivors in the order of the code, those that are known to be harmless last and with their reason."""
    alive = sorted(
        (result for result in results if result.verdict == SURVIVED), key=lambda r: (r.mutant.file, r.mutant.line)
    )
    open_ = [told(result) for result in alive if not reason_of(result, entries)]
    known = [f"{told(result)}\n    harmless: {why}" for result in alive if (why := reason_of(result, entries))]
    return [*open_, *known]


def summary(results: list[Result], entries: list[Harmless]) -> str:
    """Return the figures in one line. The share counts every survivor; the second one leaves out the harmless."""
    count = Counter(result.verdict for result in results)
    known = sum(result.verdict == SURVIVED and bool(reason_of(result, entries)) for result in results)
    that_could = [result for result in results if result.verdict != SURVIVED or not reason_of(result, entries)]
    return (
        f"{len(results)} mutants: {count[KILLED]} killed, {count[TIMED_OUT]} timed out, {count[SURVIVED]} survived "
        f"({known} known to be harmless): {percent(results):.1f} % noticed, "
        f"{percent(that_could):.1f} % of those that are not harmless"
    )
