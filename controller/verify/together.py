"""What the files of one record say of each other: its load, its sign-offs, what came later, its own README.

Every check is asked only where its ground is whole: what is broken is told as that, and not once more as a
contradiction. Reads the bath's log beside the record, and changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.records.cycles import DamagedCycles, decode
from controller.records.errors import RecordError
from controller.records.head import read_head
from controller.records.ours import is_ours
from controller.verify.aftercheck import wrong_after
from controller.verify.beside import wrong_beside
from controller.verify.gather import Gathered
from controller.verify.loadcheck import places_of, wrong_count, wrong_load, wrong_starters
from controller.verify.signedcheck import wrong_batteries, wrong_own
from controller.verify.summarycheck import strange_keys, wrong_gaps

Findings = tuple[list[str], list[str]]


def wrong_together(found: Gathered) -> Findings:
    """What does not agree within a record (wrong), and what is strange or cannot be decided (notes)."""
    wrong: list[str] = []
    notes: list[str] = []
    if not found.plain:
        return wrong, notes
    if _sound(found, "after.csv"):
        wrong += wrong_after(found.rows_of("after.csv"), places_of(found.plain), ours=is_ours(found.plain))
    wrong += _load(found)
    if _sound(found, "events.csv"):
        wrong += wrong_starters(found.plain, found.rows_of("events.csv"))
    notes += _readme(found)
    summary = found.summary
    if summary is None:
        return wrong, notes
    notes += strange_keys(summary)
    if not summary.get("lost_rows") and _sound(found, "events.csv"):
        counts = wrong_count(summary, found.plain, found.rows_of("events.csv"))
        wrong += counts[0]
        notes += counts[1]
        wrong += wrong_gaps(summary, found.rows_of("events.csv"))
    for said in _signed(found):
        wrong += said[0]
        notes += said[1]
    return wrong, notes


def _sound(found: Gathered, *names: str) -> bool:
    """Whether these tables are there and whole, or not there at all."""
    tables = [found.tables[name] for name in names if name in found.tables]
    return all(not (table.breaks or table.damage or table.cut) for table in tables)


def _load(found: Gathered) -> list[str]:
    """The load against the first state; nothing where the first cycles are missing, or of another layout."""
    frames = found.cycles.frames
    if not frames or frames[0].first != 0 or (found.summary or {}).get("lost_cycles"):
        return []
    try:
        head = read_head(found.plain)
        start, cycles = decode(frames[0].body, frames[0].count, head.codec)
    except (RecordError, DamagedCycles):
        return []
    return wrong_load(head, start, cycles)


def _readme(found: Gathered) -> list[str]:
    """Not wrong: other builds of this version may have had another text. It explains a record and proves nothing."""
    if not is_ours(found.plain) or "README.txt" not in found.names or found.same_build:
        return []
    return ["README.txt: is not the text that this version writes: what it explains may be wrong"]


def _signed(found: Gathered) -> Sequence[Findings]:
    """Sign-offs and what came later; asked of whole tables only."""
    summary = found.summary
    if summary is None or not _sound(found, "log.csv", "events.csv", "batteries.csv", "after.csv"):
        return []
    own, after = found.rows_of("events.csv"), found.rows_of("after.csv")
    log = found.tables["log.csv"].lines if "log.csv" in found.tables else ()
    lines = [line.decode("utf-8", "replace") for line in log] if "sign_offs" in summary else []
    batteries = wrong_batteries(summary, found.plain, found.rows_of("batteries.csv"), own, after, lines)
    looked = "sign_offs" in summary or bool(after)
    return [
        batteries,
        wrong_own(summary, own, looked=looked),
        wrong_beside(found.place.path, found.plain, summary, own, after),
    ]
