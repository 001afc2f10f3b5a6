"""A run beside its expected course and its sisters, as the service worked it out: late, marks, ranges. Pure."""

from __future__ import annotations

from controller.console.amounts import LONGEST_MS, finite, hm
from controller.console.picture import BesideView, CircuitView

LATE_FROM_MINUTES = 10.0
"""Within so many minutes a run is on its course, and nothing is said."""

MARKS = {1: "^", -1: "v"}
SPECS = {"current_A": ".1f", "volts": ".3f", "probe_C": ".1f"}


def late_text(circuit: CircuitView) -> str:
    """How late a running or held circuit is, as h:mm; early has a minus; empty within ten minutes, or not known."""
    beside = _beside(circuit)
    late = finite(beside.late_minutes) if beside is not None else None
    if late is None or abs(late) <= LATE_FROM_MINUTES:
        return ""
    shown = hm(min(abs(late) * 60_000.0, float(LONGEST_MS)))
    return f"-{shown}" if late < 0.0 else shown


def should_share(circuit: CircuitView) -> float | None:
    """Where on its course a circuit should be by the clock, 0 to 1; None: there where it is, or nobody knows."""
    beside = _beside(circuit)
    percent = finite(beside.should_percent) if beside is not None else None
    if percent is None or not late_text(circuit):
        return None
    return max(0.0, min(1.0, percent / 100.0))


def mark(circuit: CircuitView, name: str) -> str:
    """`^` or `v` behind a value that is off its course or its sisters, else a blank."""
    beside = _beside(circuit)
    return MARKS.get(beside.marks.get(name, 0), " ") if beside is not None else " "


def course_cell(circuit: CircuitView, name: str) -> str:
    """What the course has at this point (of charge: now, by the clock), or empty."""
    beside = _beside(circuit)
    if beside is None:
        return ""
    if name == "charge_Ah":
        charge = finite(beside.should_Ah)
        return "" if charge is None else f"{charge:.1f}"
    three = beside.course.get(name)
    middle = finite(three[1]) if three is not None else None
    return "" if middle is None else format(middle, SPECS.get(name, ".1f"))


def sister_cell(circuit: CircuitView, name: str) -> str:
    """The range of the sisters at this point, or empty."""
    beside = _beside(circuit)
    three = beside.sister.get(name) if beside is not None else None
    if three is None or finite(three[0]) is None or finite(three[2]) is None:
        return ""
    spec = SPECS.get(name, ".1f")
    return f"{format(three[0], spec)} - {format(three[2], spec)}"


def sister_count(circuit: CircuitView) -> int:
    """How many circuits are compared, this one among them; 0: none."""
    beside = _beside(circuit)
    return beside.sisters if beside is not None and beside.sister else 0


def _beside(circuit: CircuitView) -> BesideView | None:
    run = circuit.run
    return circuit.beside if run is not None and run.end_ms is None else None
