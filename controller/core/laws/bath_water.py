"""Bath water temperature.

Hazard: the bath is the batteries' only cooling; warm water takes the margin of every circuit at once, and water that
nobody can read may be warm.
Law: warn, derate and hold at rising temperature, warn when too cold; the derate is linear like the probe's and is given
back at 1 % a second. Without a valid sensor in a bath in use every circuit is reduced to `LOST_PERCENT` of its step,
and held after the hour of a lost probe (`probe_loss.hold_minutes`). Two sensors that differ by more than the probes'
`differ_K` for ten minutes: warn; the higher counts. One of several without a value: warn.
Defaults: 40, 45, 50 C and 15 C. Bath water is customarily kept at 25 to 45 C (from memory); cold acid raises the
voltage of every cell by some 5.5 mV a kelvin, so that a step turns into constant voltage. 40 % of a first charge at
0.25 C20 is the 0.1 C20 of a lost probe; each battery still has its own (own choice). Ten minutes: own choice.
Clears: below the level less `return_K`, or with a sensor valid for `EASED_MS` (the current then rises by 1 % a second;
moments shorter than that do not make the hour begin anew); the hold by order. While one of several sensors is lost none
ends by the others, nor does current rise: the lost one may be the warm one. One that stays dead is taken out of the
bath file by maintenance.
"""

from __future__ import annotations

from controller.core.bathstate import BathState
from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law, kept
from controller.core.limits import EASED_MS
from controller.core.types import Reaction
from controller.core.view import BathView

LOST_PERCENT = 40.0
DIFFER_MS = 600_000.0


def _above(view: BathView, active: bool, limit: float) -> Finding:
    water = view.facts.water_C
    if water is None:
        return CANNOT_TELL
    floor = limit - view.settings.laws.water.return_K if active else limit
    return kept(Finding(water >= floor, water, limit), active, None in view.facts.waters_C)


def warm(view: BathView, active: bool) -> Finding:
    """Return whether the water is at its warning level."""
    return _above(view, active, view.settings.laws.water.warn_C)


def reduced(view: BathView, active: bool) -> Finding:
    """Return whether the water reduces the current; it ends only when the whole current is allowed again."""
    water, limit, percent = view.facts.water_C, view.settings.laws.water.derate_C, view.state.allowed.percent
    if water is None:
        return Finding(None, allowed_percent=percent)
    floor = limit - view.settings.laws.water.return_K if active else limit
    rises = percent < 100.0 and (active or not _lost_stands(view.state))
    found = Finding(water >= floor or rises, water, limit, allowed_percent=percent)
    return kept(found, active, None in view.facts.waters_C)


def too_warm(view: BathView, active: bool) -> Finding:
    """Return whether the water is at its hold level."""
    return _above(view, active, view.settings.laws.water.hold_C)


def cold(view: BathView, active: bool) -> Finding:
    """Return whether the water is too cold while current flows."""
    water, limit = view.facts.water_C, view.settings.laws.water.cold_C
    if water is None:
        return CANNOT_TELL
    if not view.in_use:
        return CLEAR
    return Finding(water <= (limit + view.settings.laws.water.return_K if active else limit), water, limit)


def _lost_stands(state: BathState) -> bool:
    return any(timer.code == "water_lost" and timer.active for timer in state.timers)


def lost(view: BathView, active: bool) -> Finding:
    """Return whether no sensor tells the water of a bath in use, or its current still rises after that."""
    found, allowed = lost_long(view, active), view.state.allowed
    if active and not found.holds:
        return Finding(allowed.percent < allowed.wanted_percent, allowed_percent=allowed.percent)
    return found


def lost_long(view: BathView, active: bool) -> Finding:
    """Return whether no sensor tells the water of a bath in use; its own hold does not end it."""
    holds = view.facts.water_C is None and (view.in_use or active)
    return Finding(holds, allowed_percent=LOST_PERCENT)


def differ(view: BathView, active: bool) -> Finding:
    """Return whether the highest and the lowest sensor are too far apart; one sensor alone tells nothing."""
    valid = [water for water in view.facts.waters_C if water is not None]
    if len(valid) < 2:
        return CANNOT_TELL
    apart, limit = max(valid) - min(valid), view.settings.laws.probe.differ_K
    return kept(Finding(apart > limit, apart, limit), active, None in view.facts.waters_C)


def part_lost(view: BathView, active: bool) -> Finding:
    """Return whether some, not all, of the sensors have no value."""
    waters = view.facts.waters_C
    lost_ones = sum(water is None for water in waters)
    if lost_ones == len(waters):
        return CANNOT_TELL
    return Finding(lost_ones > 0, float(lost_ones), float(len(waters)))


LAWS: tuple[Law[BathView], ...] = (
    Law("water_warm", Reaction.WARN, 2, warm),
    Law("water_derate", Reaction.DERATE, 2, reduced, explains=("water_warm",)),
    Law("water_hold", Reaction.HOLD, 1, too_warm, explains=("water_warm", "water_derate")),
    Law("water_cold", Reaction.WARN, 3, cold),
    Law("water_lost", Reaction.DERATE, 2, lost, readings=2),
    Law(
        "water_lost_long",
        Reaction.HOLD,
        1,
        lost_long,
        lambda s: s.laws.probe_loss.hold_minutes * 60_000.0,
        quiet_ms=lambda _: EASED_MS,
        explains=("water_lost",),
        counts_on=True,
    ),
    Law("water_differ", Reaction.WARN, 3, differ, lambda _: DIFFER_MS),
    Law("water_part_lost", Reaction.WARN, 3, part_lost, readings=2),
)


def asleep(view: BathView) -> bool:
    """Return whether every sensor reads, they agree, and the water stands between its lowest and highest levels."""
    facts, levels = view.facts, view.settings.laws.water
    water = facts.water_C
    if water is None or None in facts.waters_C:
        return False
    waters = [each for each in facts.waters_C if each is not None]
    if len(waters) > 1 and max(waters) - min(waters) > view.settings.laws.probe.differ_K:
        return False
    hottest = min(levels.warn_C, levels.derate_C, levels.hold_C)
    return levels.cold_C < water < hottest and view.state.allowed.percent >= 100.0


FAMILY = Family(LAWS, asleep)
