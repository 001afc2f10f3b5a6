"""What verify found of one record, and its words. Pure."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field

from controller.records.rows import clean
from controller.records.saying import counted
from controller.verify.paper import OnPaper, told

LEAST_COMPARED_Ah = 0.1
"""Below this a counter's last digit is per cents of it, and comparing says nothing."""
MOST_TOLD = 20
"""Findings printed of one record; `--json` has all, where a file has very many of a kind as their number."""
_UNTOUCHED = "untouched as far as its own hashes tell"
_OPEN = "open, never closed; a cut end would not show"
_OFF_PAPER = "NOT what stands on paper"


@dataclass(slots=True)
class Verdict:
    """What was found. `wrong` names everything that does not hold; `notes` what could not be looked at, and why.

    `kind`: `run`, or `bath` for a bath's own folder. `tables`: rows by table. `files`: by name, whether nothing was
    found wrong with it. `gap_s`: silences longer than the bath's stale time, from cycle to cycle; `stated_gaps`: gap
    events in events.csv, `unknown_gaps` of them of a length nobody knows. `events_given`, `events_same`: what the core
    gave again, and of these what stands in events.csv. `counter_Ah`: what the rectifier's own counter gained.
    `counted`: what was counted anew, by column, from `counted_from` (`cycles` or `rows`); `bound`: how far that may be
    off. `paper`: the typed chain values.
    `closed`: a run has its summary.json, against which a cut end would show. `simulated`: of a virtual plant.
    `decisions`: `compared`, or why not; `decided_by`, `this_core`: where another core decided. `lost_cycles`,
    `lost_rows`: what no disk took, as summary.json says; `crash_rows`, `crash_events`: what the cycles tell of and a
    crash took. `off_paper`: a typed chain value stands in nothing that was looked at.
    """

    folder: str
    kind: str = "run"
    rows: int = 0
    events: int = 0
    tables: dict[str, int] = field(default_factory=dict)
    files: dict[str, bool] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    gap_s: list[float] = field(default_factory=list)
    stated_gaps: int = 0
    unknown_gaps: int = 0
    cycles: int = 0
    compared: int = 0
    same: int = 0
    restarts: int = 0
    events_given: int = 0
    events_same: int = 0
    charge_Ah: float | None = None
    discharge_Ah: float | None = None
    energy_Wh: float | None = None
    counter_Ah: float | None = None
    counted: dict[str, float] = field(default_factory=dict)
    counted_from: str = ""
    bound: dict[str, float] = field(default_factory=dict)
    redecided: bool = False
    chain: dict[str, str] = field(default_factory=dict)
    paper: list[OnPaper] = field(default_factory=list)
    closed: bool = True
    simulated: bool = False
    decisions: str = ""
    decided_by: int | None = None
    this_core: int | None = None
    lost_cycles: int = 0
    lost_rows: int = 0
    crash_rows: int = 0
    crash_events: int = 0
    off_paper: bool = False

    @property
    def holds(self) -> bool:
        """Whether nothing was found wrong, and all that stands on paper is there."""
        return not self.wrong and not self.off_paper


def as_plain(verdict: Verdict) -> dict[str, object]:
    """The verdict for `--json`.

    `whole`: nothing is wrong, nothing was lost, no crash took anything, an end that was cut would have
    shown, and no other core decided.
    """
    lacks = _lost(verdict) or _crash(verdict)
    whole = verdict.holds and verdict.closed and not lacks and verdict.this_core is None
    return {"format": "formbath/verify/1", "whole": whole, "holds": verdict.holds, **asdict(verdict)}


def lines(verdict: Verdict) -> list[str]:
    """The verdict in words: two lines for a record that holds, else a line for each finding first."""
    found = [clean(text) for text in verdict.wrong[:MOST_TOLD]]
    if len(verdict.wrong) > MOST_TOLD:
        found.append(f"{len(verdict.wrong) - MOST_TOLD} more findings; --json has all of them")
    found.append(_sum_bath(verdict) if verdict.kind == "bath" else _sum_run(verdict))
    whole = [name for name, sound in verdict.files.items() if sound]
    if verdict.wrong and whole:
        found.append(f"nothing found wrong with: {', '.join(whole)}")
    if verdict.redecided and verdict.cycles:
        found.append(f"decisions: {verdict.same} of {verdict.cycles} the same again{_charge(verdict)}")
    elif verdict.charge_Ah is not None:
        found.append(f"counted{_charge(verdict).lstrip('.')}")
    found += [told(one) for one in verdict.paper if one.table is not None]
    return found + [f"note: {clean(note)}" for note in verdict.notes]


def _sum_run(verdict: Verdict) -> str:
    chain = "see above" if verdict.wrong else "chain unbroken"
    simulated = "simulated run: " if verdict.simulated else ""
    counts = f"{verdict.rows} rows, {verdict.events} events"
    return f"{simulated}{_state(verdict)}: {counts}, {chain}{_gaps(verdict)}"


def _state(verdict: Verdict) -> str:
    """How far a record holds, in words."""
    if verdict.wrong:
        return "NOT as it was written"
    if verdict.off_paper:
        return _OFF_PAPER
    lost, crash = _lost(verdict), _crash(verdict)
    if lost or crash:
        told = [f"the record lost {lost} while no disk took them"] if lost else []
        told += [f"a crash took {crash} that its cycles tell of"] if crash else []
        is_open = "" if verdict.closed else f"; {_OPEN}"
        return f"NOT WHOLE, {', '.join(told)}; what is there is {_UNTOUCHED}{is_open}"
    if not verdict.closed:
        return f"as far as it goes: {_OPEN}"
    if verdict.this_core is not None:
        other = f"decided by core {verdict.decided_by}, this is {verdict.this_core}"
        return f"as far as it can be compared ({other}) whole, and {_UNTOUCHED}"
    return f"whole, and {_UNTOUCHED}"


def _lost(verdict: Verdict) -> str:
    """What no disk took, in words; "": nothing."""
    return _counts((verdict.lost_rows, "row"), (verdict.lost_cycles, "cycle"))


def _crash(verdict: Verdict) -> str:
    """What a crash took, in words; "": nothing."""
    return _counts((verdict.crash_rows, "row"), (verdict.crash_events, "event"))


def _counts(*counts: tuple[int, str]) -> str:
    return " and ".join(counted(number, what) for number, what in counts if number)


def _sum_bath(verdict: Verdict) -> str:
    whole = _OFF_PAPER if verdict.off_paper else f"whole, and {_UNTOUCHED}"
    whole = "NOT as it was written" if verdict.wrong else whole
    chain = "see above" if verdict.wrong else "chain unbroken"
    rows = sum(verdict.tables.values())
    tables = counted(len(verdict.tables), "table")
    return f"{whole}: {counted(rows, 'row')} in {tables} of a bath, {chain}"


def _gaps(verdict: Verdict) -> str:
    if not verdict.gap_s:
        return ""
    count = len(verdict.gap_s)
    stated = "stated " if count <= verdict.stated_gaps else ""
    told = f"; {count} {stated}gap{'s' if count > 1 else ''}, {sum(verdict.gap_s):.0f} s"
    return f"{told}, {verdict.unknown_gaps} of a length nobody knows" if verdict.unknown_gaps else told


def _charge(verdict: Verdict) -> str:
    if verdict.charge_Ah is None:
        return ""
    text = f". {verdict.charge_Ah:.1f} Ah"
    if verdict.counted_from == "rows" and "charge_Ah" in verdict.counted:
        text += f"; from its rows {verdict.counted['charge_Ah']:.1f} +- {verdict.bound['charge_Ah']:.1f}"
    if verdict.counter_Ah is None:
        return text
    text += f"; rectifier {verdict.counter_Ah:.1f}"
    if verdict.charge_Ah < LEAST_COMPARED_Ah:
        return text
    return f"{text} ({(verdict.counter_Ah / verdict.charge_Ah - 1) * 100:+.1f} %)"
