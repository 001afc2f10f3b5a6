"""Probes against their sisters and the course: in air, reading low, in another circuit's battery. Pure.

Rules of `controller.courserules`; see there.
"""

from __future__ import annotations

from controller.core.values import ZERO_A
from controller.course import beyond
from controller.courserules import RETURN_SHARE, Finding, against, as_expected
from controller.coursetrace import Look

READS_LOW_K, LEAST_RISE_K, AIR_SHARE = 4.0, 6.0, 0.3
KEEPS_SHARE, KEEPS_MINUTES, BEFORE_MINUTES = 0.85, 30, 60


def probe_in_air(look: Look) -> Finding | None:
    """Hazard: a probe out of the acid: nobody sees the battery heat up.

    Rule: sisters at the same point, with like current, stand at least 6 K above the water (their median), and this
    probe rises less than 0.3 of that above it.
    Why: cooling differs by some 6 % from place to place, so a probe in its battery follows within a fifth; one in air
    or in the bath's water does not follow at all; 0.3 and 6 K are own choice (the finish step makes 5 K and less).
    Does not see: anything while sisters are cool, or fewer than three; air as warm as the battery.
    """
    rises = _rises(look)
    if rises is None:
        return None
    own, usual = rises
    return Finding(own, usual, own < AIR_SHARE * usual, own > AIR_SHARE * usual / RETURN_SHARE)


def probe_reads_low(look: Look) -> Finding | None:
    """Hazard: the battery is hotter than its limits know.

    Rule: at the same point and like current this probe stands 4 K less above the water than the median of its sisters
    (but follows: else it is in air); without sisters, 4 K below the lowest twentieth of the course, where the water is
    as warm as in the study.
    Why: place and probe together scatter by about 1 K (one standard deviation, own choice of the virtual plant); 4 K is
    beyond what forty circuits show by chance; own choice.
    Does not see: a probe that reads high, a drift until it has come to 4 K, all probes of a bath off alike.
    """
    rises = _rises(look)
    if rises is not None:
        own, usual = rises
        return None if own < AIR_SHARE * usual else against(usual - own, READS_LOW_K)
    now, point, expected = look.mine.now, look.point, look.expected
    if look.compared is not None or now is None or expected is None or point is None or point.probe_C is None:
        return None
    if now.probe_C is None or now.water_C is None or not as_expected(look):
        return None
    if not expected.water_C[0] <= now.water_C <= expected.water_C[1]:
        return None
    return against(-beyond(now.probe_C, point.probe_C), READS_LOW_K)


def _rises(look: Look) -> tuple[float, float] | None:
    """Return how far this probe and the sisters' median stand above the water, where that is enough to judge by."""
    found = look.compared
    if found is None or found.rise_K is None or found.own.rise_K is None or found.rise_K.middle < LEAST_RISE_K:
        return None
    return found.own.rise_K, found.rise_K.middle


def probe_elsewhere(look: Look) -> Finding | None:
    """Hazard: the probe sits in another circuit's battery: this one's limits watch the wrong string.

    Rule: current was zero for 30 min after at least an hour of current, the probe stood 6 K above the water and keeps
    85 % of that, while current flows in another circuit of the bath.
    Why: a battery in the bath loses half of its warmth in 25 min and two thirds in 40 (heat capacity by transfer to
    water in the virtual plant: 35 min); one that is cooled half as well keeps 68 % in that time; own choice.
    Does not see: anything while current flows, or rests with it at the same time: strings of one bath then all warm
    and cool alike. The meter walk's few minutes are too short. Leads of two circuits crossed in pairs look the same.
    """
    minutes = look.mine.minutes
    zero = next((at for at, each in enumerate(reversed(minutes)) if abs(each.current_A) > ZERO_A), len(minutes))
    earlier = minutes[: len(minutes) - zero][-BEFORE_MINUTES:]
    if zero < KEEPS_MINUTES or len(earlier) < BEFORE_MINUTES or any(each.current_A <= ZERO_A for each in earlier):
        return None
    begin_K, now_K, since_ms = earlier[-1].rise_K, minutes[-1].rise_K, minutes[-KEEPS_MINUTES].at_ms
    if begin_K is None or now_K is None or begin_K < LEAST_RISE_K or not _others_flow(look, since_ms):
        return None
    return Finding(now_K, KEEPS_SHARE * begin_K, now_K > KEEPS_SHARE * begin_K, now_K < RETURN_SHARE * begin_K)


def _others_flow(look: Look, since_ms: int) -> bool:
    """Return whether current flowed in another circuit in every minute since then."""
    for each in look.all:
        then = [one.current_A for one in each.minutes[-KEEPS_MINUTES - 1 :] if one.at_ms >= since_ms]
        if each.name != look.mine.name and len(then) >= KEEPS_MINUTES - 1 and min(then) > ZERO_A:
            return True
    return False
