"""Edges of the current: a joint that adds ohms to its string, and volts that follow another circuit's current. Pure.

Rules of `controller.courserules`; see there. An edge is a change of current from one reading to the next; volts that
change with it in that second are those of joints, leads, metal and acid, and of plates too fast to be told apart from
them: so only a difference to the same edge of the sisters says anything of a joint.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.course import SISTERS, median
from controller.courserules import Finding, against
from controller.coursetrace import Edge, Look, Trace, like, like_cells

MOST_OHM_PER_CELL = 0.02
"""Beyond it (first current of fresh plates) an edge shows the plates, not the joints; own choice."""

EDGES = 2
SAME_CHARGE = 0.02
"""Of the planned charge, within which two edges come at the same point; own choice."""

LEAST_A = 4.0
"""A smaller edge tells no joint: volts read in steps of 0.1 V are 25 mohm of it; own choice."""

SCATTER_OHM = 0.012
"""Sisters whose edges lie further from their median (by the middle of these distances) show plates; own choice."""

SCALED_CELLS = 1.1
"""An edge of a string whose number of cells differs by more than this factor is not compared. Plates and joints grow
with the cells, leads do not: scaled by a tenth, 20 mohm of leads are 2; own choice."""

USUAL_CELLS = 108
"""How clean strings differ was seen on 18 batteries; it grows with the cells, and the limits with it; own choice."""

JOINT_mOHM, HOT_mOHM, HOT_W = 20.0, 50.0, 5.0
LEAST_OTHER_V, OWN_SHARE = 0.5, 0.25
CROSSED_OHM_PER_CELL = 0.001
"""Plates of which a cell moves by less ohms than this at an edge did not carry it (the least seen: 1.5 mohm); own
choice."""


def excess_ohm(look: Look) -> float | None:
    """Return the resistance that a joint has more than its sisters' joints; None: it cannot be told.

    Of the last two edges that can be compared it is the smaller excess: what a joint adds is the same at every edge,
    what differing plates add is not. An edge counts with at least three alike (same step, currents and charge) whose
    resistances agree. Each edge is that of the cells the string had then; a sister's is taken per cell, times those.
    """
    found: list[float] = []
    for edge in reversed(look.mine.edges):
        if abs(edge.to_A - edge.from_A) < LEAST_A:
            continue
        cells = cells_at(look.mine, edge)
        others = [_same(look.mine, each, edge) for each in look.kin if each.name != look.mine.name]
        known = [ohm for ohm in others if ohm is not None]
        middle = median([edge.ohm, *known])
        fresh = middle > MOST_OHM_PER_CELL * cells
        if len(known) >= SISTERS - 1 and not fresh and _agree(known, middle, grown(cells)):
            found.append(edge.ohm - middle)
        if len(found) == EDGES:
            return min(found)
    return None


def cells_at(trace: Trace, edge: Edge) -> int:
    """Return how many cells a string had at one of its edges."""
    return edge.cells or trace.cells


def grown(cells: int) -> float:
    """Return by what factor clean strings of so many cells differ more than those of the usual number; 1.0 below."""
    return max(1.0, cells / USUAL_CELLS)


def _agree(ohms: Sequence[float], middle: float, factor: float) -> bool:
    """Return whether the sisters agree well enough at an edge to judge a joint by it: around the knee they do not."""
    return median([abs(ohm - middle) for ohm in ohms]) <= SCATTER_OHM * factor


def _same(mine: Trace, each: Trace, edge: Edge) -> float | None:
    """Return a sister's resistance at the same edge, as that of one's own cells; None: it has no such edge."""
    own = cells_at(mine, edge)
    near_Ah = SAME_CHARGE * mine.plan.planned_charge_Ah
    for one in each.edges:
        currents = like(one.from_A, edge.from_A) and like(one.to_A, edge.to_A)
        cells = cells_at(each, one)
        sized = cells > 0 and like_cells(cells, own, SCALED_CELLS)
        if sized and one.step == edge.step and currents and abs(one.charge_Ah - edge.charge_Ah) <= near_Ah:
            return one.ohm * own / cells
    return None


def joint_resistance(look: Look) -> Finding | None:
    """Hazard: a joint that oxidises or loosens grows hot, burns off, and arcs in gas.

    Rule: at each of the last two edges that can be compared its string shows 20 mohm more than the median of the same
    edges of at least three circuits, itself among them; with more than 108 cells, as much more as there are more cells.
    Why: 20 mohm are 4.5 W at 15 A: below what melts a clamp, above what strings differ by. In the virtual plant clean
    strings differ by up to 25 mohm at one edge and by less than 12 at both of two; own choice.
    Does not see: a joint before the second edge; one in a string whose edges have no sisters (a hold of its own, a
    number of batteries that differs by more than a tenth), so
    not against the course either, which has no edges; a slow ramp of current; edges at the knee, where plates differ.
    """
    excess = excess_ohm(look)
    return None if excess is None else against(1000.0 * excess, JOINT_mOHM * grown(look.mine.cells))


def joint_hot(look: Look) -> Finding | None:
    """Hazard: a joint burns off within the shift.

    Rule: its excess, found as in `joint_resistance`, makes 5 W at the current that flows now, or is 50 mohm; told as
    watts, beside the lower of 5 W and what 50 mohm make; both grow with more than 108 cells, as in `joint_resistance`.
    Only while current flows; in a rest it stays as it was.
    Why: 5 W on a clamp of some 100 g heats it by about 50 K beside the acid (from memory); own choice.
    Does not see: as `joint_resistance`.
    """
    excess, own = excess_ohm(look), look.mine.now
    if excess is None or own is None or abs(own.current_A) <= 1.0:
        return None
    squared = own.current_A * own.current_A
    return against(excess * squared, min(HOT_W, HOT_mOHM / 1000.0 * squared) * grown(look.mine.cells))


def leads_crossed(look: Look) -> Finding | None:
    """Hazard: a string that is off for one circuit is live from another: whoever works on it is hurt.

    Rule: at the last two edges of its current its own volts stood while those of one and the same other circuit, whose
    own current did not change, moved by at least half a volt; its own stood also for its cells (1 mohm a cell).
    Why: an edge of 2 A moves a string of 100 cells by more than 0.3 V within a second, noise by 0.1; own choice.
    Does not see: power leads crossed in pairs where each rectifier reads the volts at its own terminals: there current
    and volts still belong together, and only the probes are exchanged (`probe_elsewhere`) and the place that the meter
    walk finds without volts. It is for leads of which only the volts' own are crossed. A string of a few cells, whose
    volts the meter's steps hide, and one beside it of so few that half a volt does not move them.
    """
    last = look.mine.edges[-EDGES:]
    if len(last) < EDGES:
        return None
    others = [each.other if _stood(look.mine, each) else "" for each in last]
    over = bool(others[-1]) and all(each == others[-1] for each in others)
    return Finding(None, None, over, not others[-1])


def _stood(mine: Trace, edge: Edge) -> bool:
    """Return whether a string's volts stood at its edge: those of a few cells move little, and still did move."""
    return abs(edge.ohm) <= CROSSED_OHM_PER_CELL * cells_at(mine, edge)


def other_of(own_A: float, own_V: float, moves: Sequence[tuple[str, float, float]]) -> str:
    """Return the circuit whose volts moved in the place of one's own at an edge of `own_A`; "" where there is none.

    `moves`: name, change of current, change of volts of the other circuits, from the same reading to the same one.
    """
    best = ""
    most_V = max(LEAST_OTHER_V, abs(own_V) / OWN_SHARE)
    for name, change_A, change_V in moves:
        if like(change_A, 0.0) and change_V * own_A > 0.0 and abs(change_V) >= most_V:
            best, most_V = name, abs(change_V)
    return best
