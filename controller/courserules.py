"""Slow comparisons with the expected course and the sisters: each a small rule that can only warn. Pure.

A rule looks at one minute and says what it finds: a value beside its limit, or None where it cannot judge now. What
stands in how many such minutes becomes an advice in `controller.coursestand`; a rule that cannot judge changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller.core.planned import StepKind
from controller.core.values import ZERO_A, GASSING_mV_PER_K
from controller.course import KNEE_V, Spread, beyond, knee_V, late_minutes, position
from controller.coursetrace import SETTLED_MINUTES, Look, Minute, Trace, like

CHARGE = StepKind.CHARGE
RETURN_SHARE = 0.7
"""What stands ends below this share of its limit; own choice."""

LATE_MINUTES = 30.0
MISSING_mV, LEAST_MISSING = 15.0, 0.5
PLATEAU_mV = 10.0
KNEE_PERCENT = 6.0
ACID_mV = 15.0
ACID_FROM_SHARE = 0.1
ACID_LEAST_CELLS = 36
LEAST_GROUP = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule sees now. `over`: beyond its limit; `back`: clearly inside again; neither: as it was."""

    value: float | None
    limit: float | None
    over: bool
    back: bool


@dataclass(frozen=True, slots=True)
class Rule:
    """`minutes`: in so many minutes that could be judged, without one that was back, `judge` must find it over."""

    code: str
    minutes: int
    judge: Callable[[Look], Finding | None]


def against(value: float, limit: float) -> Finding:
    """Return a value that is over above its limit, and back below seven tenths of it."""
    return Finding(value, limit, value > limit, value < RETURN_SHARE * limit)


def course_late(look: Look) -> Finding | None:
    """Hazard: a string that falls behind (reduced, held, warm, low current) ends in another shift, or too late to save.

    Rule: elapsed time since first current, less the course's time at the point where the string stands, above 30 min,
    or above what the slowest twentieth of the studied strings took more, where that is longer.
    Why: 30 min is 3 % of a usual run, and more than a meter walk with its restart current costs; own choice.
    Does not see: why. A string that is early.
    """
    if look.expected is None or look.point is None or look.mine.elapsed_ms is None:
        return None
    late = late_minutes(look.expected, look.point, look.mine.elapsed_ms, look.mine.first_step + 1)
    hours = look.point.hours
    slowest = 60.0 * (hours.high - hours.middle) if hours is not None else 0.0
    return against(late, max(LATE_MINUTES, slowest))


def off_mV(own: Minute, volts: Spread | None, warm_volts: Spread | None) -> float | None:
    """Return by how many mV a cell volts are off a median: the smaller of as read and as corrected for warmth.

    0.0 where the two differ in sign: then a probe, or a warm place, may be all that is odd.
    """
    if volts is None or warm_volts is None or own.warm_volts is None:
        return None
    read, warm = 1000.0 * (own.volts - volts.middle), 1000.0 * (own.warm_volts - warm_volts.middle)
    if read * warm <= 0.0:
        return 0.0
    return min(read, warm, key=abs)


def cells_missing(look: Look) -> Finding | None:
    """Hazard: a shorted cell takes no charge, boils, and is shipped.

    Rule: on a plateau, volts a cell 15 mV below the median of at least three sisters at the same point and like
    current; without sisters, below the course's own range. Counts only what is missing both as read and as corrected by
    5.5 mV a kelvin and cell, so that neither a warm place nor a false probe looks like a short. Told in cells; in a
    short string the limit is half a cell, for there 15 mV are less (in 36 cells a quarter), and no cell is missing.
    Why: one cell of 108 is 19 mV a cell before the knee and 25 after; the virtual plant's strings lie within 9 mV of
    each other on plateaus; 15 is between. Around the knee strings lie 100 mV apart, so it waits until half an hour
    moves volts by less than 10 mV a cell.
    Does not see: one cell of more than some 140 (too small a share), a soft short that takes less than 15 mV, one cell
    in a string whose volts lie high by nature (by 5 to 8 mV of the 19), a short in every sister, pulsed steps (never
    settled).
    """
    found = _against_sisters(look) or _against_course(look)
    if found is None:
        return None
    own, usual_V, mV = found
    if own.current_A <= ZERO_A or usual_V <= 0.0:
        return None
    cells = look.mine.cells / (1000.0 * usual_V)
    return against(-mV * cells, max(LEAST_MISSING, MISSING_mV * cells))


def _against_sisters(look: Look) -> tuple[Minute, float, float] | None:
    now, before = look.compared, look.before
    if now is None or before is None or now.volts is None or before.volts is None:
        return None
    moved = max(abs(now.own.volts - before.own.volts), abs(now.volts.middle - before.volts.middle))
    mV = off_mV(now.own, now.volts, now.warm_volts)
    return (now.own, now.volts.middle, mV) if mV is not None and 1000.0 * moved <= PLATEAU_mV else None


def _against_course(look: Look) -> tuple[Minute, float, float] | None:
    """Return the same against the course's range, where there are too few sisters to ask."""
    own, point = look.mine.now, look.point
    asked = look.compared is not None and look.compared.volts is not None
    if asked or own is None or point is None or not as_expected(look):
        return None
    volts, probe = point.volts, point.probe_C
    earlier = _moved_mV(look.mine)
    if volts is None or probe is None or own.probe_C is None or earlier is None or earlier > PLATEAU_mV:
        return None
    read = beyond(own.volts, volts)
    warm = beyond(own.volts + GASSING_mV_PER_K / 1000.0 * (own.probe_C - probe.middle), volts)
    return own, volts.middle, 1000.0 * (min(read, warm, key=abs) if read * warm > 0.0 else 0.0)


def _moved_mV(mine: Trace) -> float | None:
    """Return how far a run's volts moved in the last half hour of its step; None: it was not that long settled."""
    last = mine.minutes[-31:]
    if len(last) < 31 or last[0].step != last[-1].step or last[0].settled < SETTLED_MINUTES:
        return None
    return 1000.0 * abs(last[-1].volts - last[0].volts)


def as_expected(look: Look) -> bool:
    """Return whether the current has flowed for a while as the course has it, so that volts may be compared with it."""
    own, point = look.mine.now, look.point
    if own is None or point is None or point.current_A is None or own.settled < SETTLED_MINUTES:
        return False
    return own.current_A > ZERO_A and like(own.current_A, point.current_A.middle)


def knee_early(look: Look) -> Finding | None:
    """Hazard: smaller batteries, or formed ones, on a profile for larger fresh ones: overcharged, hot, dry.

    Rule: volts a cell, corrected to 40 C, passed 2.40 while the current was as in the course; the share of the planned
    charge at which they did lies 6 points below the course's own.
    Why: 2.40 is between the plateau and gassing of every step of charge. A battery a quarter smaller has its knee 13
    points early; the virtual plant's strings lie within 2 points; 6 is own choice.
    Does not see: a knee that was passed while the current was reduced, one in the first fifth of the charge.
    """
    shares = _knees(look)
    if shares is None or look.mine.knee_Ah is None:
        return None
    own, usual = shares
    return Finding(own, usual, usual - own > KNEE_PERCENT, back=False)


def knee_late(look: Look) -> Finding | None:
    """Hazard: larger batteries than the list says come out half formed.

    Rule, numbers, blind spots: as `knee_early`, 6 points above; it does not wait for the knee to come.
    """
    shares = _knees(look)
    if shares is None or (look.mine.knee_Ah is None and not _below_knee(look)):
        return None
    own, usual = shares
    return Finding(own, usual, own - usual > KNEE_PERCENT, back=False)


def _below_knee(look: Look) -> bool:
    own = look.mine.now
    return own is not None and own.probe_C is not None and as_expected(look) and knee_V(own.volts, own.probe_C) < KNEE_V


def _knees(look: Look) -> tuple[float, float] | None:
    """Return the share of the planned charge at which the knee came (or now), and at which the course has it."""
    planned_Ah, own = look.mine.plan.planned_charge_Ah, look.mine.now
    if look.expected is None or own is None or planned_Ah <= 0.0 or look.mine.apart:
        return None
    usual_Ah = look.expected.knee_Ah
    if usual_Ah is None:
        return None
    at_Ah = look.mine.knee_Ah if look.mine.knee_Ah is not None else own.charge_Ah
    return 100.0 * at_Ah / planned_Ah, 100.0 * usual_Ah / planned_Ah


def acid_differs(look: Look) -> Finding | None:
    """Hazard: another filling acid, in every battery that was filled from the tank: all come out wrong.

    Rule: before the knee and after a tenth of the charge, volts a cell of all sisters (at least two) lie 15 mV off the
    course on the same side, outside its range, as read and as corrected for warmth. Told is the one that is least off.
    Why: 1.280 for 1.240 kg/L is about 30 mV a cell (Nernst, and from memory); half of that; own choice.
    Does not see: which tank (all sisters of one profile count as one filling), one circuit filled apart, a course that
    was studied with the wrong acid, strings of less than 36 cells: their leads add more than 4 mV a cell.
    """
    kin = [each for each in look.kin if each.cells >= ACID_LEAST_CELLS]
    if len(kin) < LEAST_GROUP or look.expected is None:
        return None
    offs = [_acid_mV(look, each) for each in kin]
    known = [off for off in offs if off is not None]
    if len(known) < len(kin):
        return None
    if max(known) * min(known) <= 0.0:
        return against(0.0, ACID_mV)
    return against(min(abs(off) for off in known), ACID_mV)


def _acid_mV(look: Look, each: Trace) -> float | None:
    own, expected = each.now, look.expected
    if own is None or expected is None or own.probe_C is None or own.settled < SETTLED_MINUTES:
        return None
    step = each.plan.steps[own.step]
    point = position(expected, step.number, own.progress, own.step_minutes)
    if point is None or point.volts is None or point.current_A is None or point.probe_C is None:
        return None
    early = own.charge_Ah < ACID_FROM_SHARE * each.plan.planned_charge_Ah
    warm = own.volts + GASSING_mV_PER_K / 1000.0 * (own.probe_C - point.probe_C.middle)
    past = max(own.volts, warm, point.volts.middle) > KNEE_V - 0.1
    if step.kind is not CHARGE or early or past or not like(own.current_A, point.current_A.middle):
        return None
    read, warm = (1000.0 * beyond(volts, point.volts) for volts in (own.volts, warm))
    middle = 1000.0 * (own.volts - point.volts.middle)
    return min(read, warm, middle, key=abs) if read * warm > 0.0 else 0.0
