"""Edges of the current: a joint that adds ohms to its string, and volts that follow another circuit's current. Pure.

Rules of `controller.courserules`; see there. An edge is a change of current from one reading to the next; volts that
change with it in that second are those of joints, leads, metal and acid, and of plates too fast to be told apart from
them: so only a difference to the same edge of the sisters says anything of a joint.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.course import SISTERS, median
from controller.courserules import Finding, against
from controller.coursetrace import Edge, Look, Trace, like

MOST_OHM_PER_CELL = 0.02
"""Beyond it (first current of fresh plates) an edge shows the plates, not the joints; own choice."""

EDGES = 2
SAME_CHARGE = 0.02
"""Of the planned charge, within which two edges come at the same point; own choice."""

LEAST_A = 4.0
"""A smaller edge tells no joint: volts read in steps of 0.1 V are 25 mohm of it; own choice."""

SCATTER_OHM = 0.012
"""Sisters whose edges lie further from their median (by the middle of these distances) show plates; own choice."""

JOINT_mOHM, HOT_mOHM, HOT_W = 20.0, 50.0, 5.0
LEAST_OTHER_V, OWN_SHARE = 0.5, 0.25


def excess_ohm(look: Look) -> float | None:
    """Return the resistance that a joint has more than its sisters' joints; None: it cannot be told.

    Of the last two edges that can be compared it is the smaller excess: what a joint adds is the same at every edge,
    what differing plates add is not. An edge counts with at least three alike (same step, currents and charge) whose
    resistances agree.
    """
    found: list[float] = []
    most_ohm = MOST_OHM_PER_CELL * look.mine.cells
    for edge in reversed(look.mine.edges):
        if abs(edge.to_A - edge.from_A) < LEAST_A:
            continue
        others = [_same(look.mine, each, edge) for each in look.kin if each.name != look.mine.name]
        known = [ohm for ohm in others if ohm is not None]
        middle = median([edge.ohm, *known])
        if len(known) >= SISTERS - 1 and middle <= most_ohm and _agree(known, middle):
            found.append(edge.ohm - middle)
        if len(found) == EDGES:
            return min(found)
    return None


def _agree(ohms: Sequence[float], middle: float) -> bool:
    """Return whether the sisters agree well enough at an edge to judge a joint by it: around the knee they do not."""
    return median([abs(ohm - middle) for ohm in ohms]) <= SCATTER_OHM


def _same(mine: Trace, each: Trace, edge: Edge) -> float | None:
    """Return a sister's resistance at the same edge, or None."""
    near_Ah = SAME_CHARGE * mine.plan.planned_charge_Ah
    for one in each.edges:
        currents = like(one.from_A, edge.from_A) and like(one.to_A, edge.to_A)
        if one.step == edge.step and currents and abs(one.charge_Ah - edge.charge_Ah) <= near_Ah:
            return one.ohm
    return None


def joint_resistance(look: Look) -> Finding | None:
    """Hazard: a joint that oxidises or loosens grows hot, burns off, and arcs in gas.

    Rule: at each of the last two edges that can be compared its string shows 20 mohm more than the median of the same
    edges of at least three circuits, itself among them.
    Why: 20 mohm are 4.5 W at 15 A: below what melts a clamp, above what strings differ by. In the virtual plant clean
    strings differ by up to 25 mohm at one edge and by less than 12 at both of two; own choice.
    Does not see: a joint before the second edge; one in a string whose edges have no sisters (a hold of its own), so
    not against the course either, which has no edges; a slow ramp of current; edges at the knee, where plates differ.
    """
    excess = excess_ohm(look)
    return None if excess is None else against(1000.0 * excess, JOINT_mOHM)


def joint_hot(look: Look) -> Finding | None:
    """Hazard: a joint burns off within the shift.

    Rule: its excess, found as in `joint_resistance`, makes 5 W at the current that flows now, or is 50 mohm; told as
    watts, beside the lower of 5 W and what 50 mohm make. Only while current flows; in a rest it stays as it was.
    Why: 5 W on a clamp of some 100 g heats it by about 50 K beside the acid (from memory); own choice.
    Does not see: as `joint_resistance`.
    """
    excess, own = excess_ohm(look), look.mine.now
    if excess is None or own is None or abs(own.current_A) <= 1.0:
        return None
    squared = own.current_A * own.current_A
    return against(excess * squared, min(HOT_W, HOT_mOHM / 1000.0 * squared))


def leads_crossed(look: Look) -> Finding | None:
    """Hazard: a string that is off for one circuit is live from another: whoever works on it is hurt.

    Rule: at the last two edges of its current its own volts stood while those of one and the same other circuit, whose
    own current did not change, moved by at least half a volt.
    Why: an edge of 2 A moves a string of 100 cells by more than 0.3 V within a second, noise by 0.1; own choice.
    Does not see: power leads crossed in pairs where each rectifier reads the volts at its own terminals: there current
    and volts still belong together, and only the probes are exchanged (`probe_elsewhere`) and the place that the meter
    walk finds without volts. It is for leads of which only the volts' own are crossed.
    """
    last = look.mine.edges[-EDGES:]
    if len(last) < EDGES:
        return None
    over = bool(last[-1].other) and all(each.other == last[-1].other for each in last)
    return Finding(None, None, over, not last[-1].other)


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
