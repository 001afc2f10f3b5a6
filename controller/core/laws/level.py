"""The bath's water level: low, high, below the plates, falling, leaking.

Hazard: low water leaves batteries without cooling; high water runs into vents and couples strings across their
terminals.
Law: low for `seconds`: warn, the derates by temperature act as ever. High for `seconds`: hold the bath. Where the level
is measured in mm: below `plates_mm`, or falling by more than `fall_mm_per_minute`: hold. Falling by more than
`leak_mm_per_h` over an hour: warn. A level that is not read for a minute: warn.
What asks for water, or shuts it off, stands in `controller.core.outputs`.
Defaults: 10 s outlast a wave. Open water of 45 C under extraction loses some 2 to 4 mm an hour (from the vapour law
and a common transfer coefficient), so that 20 mm is no evaporation; 10 mm a minute empties a bath within the
half hour it takes to drain the string's heat. Own choice, adjustable.
Clears: a switch when it has been calm for `quiet_s`; `RETURN_mm` above the plates; when it no longer falls.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.laws.extraction import quiet_ms
from controller.core.settings import BathSettings
from controller.core.types import Reaction
from controller.core.view import BathView

RETURN_mm = 5.0
LOW, HIGH = -0.5, 0.5
UNREAD_MS = 60_000.0
FAST_MS, HOUR_MS, NEARLY_HOUR_MS = 30_000, 3_600_000.0, 3_480_000
"""A fast fall is told over half a minute at least, a leak over an hour (58 min of points a minute apart)."""


def low(view: BathView, active: bool) -> Finding:
    """Return whether the water stands below its marks."""
    if "level" not in view.facts.has:
        return CLEAR
    return CANNOT_TELL if view.facts.level is None else Finding(view.facts.level < LOW)


def high(view: BathView, active: bool) -> Finding:
    """Return whether the water stands above its marks."""
    if "level" not in view.facts.has:
        return CLEAR
    return CANNOT_TELL if view.facts.level is None else Finding(view.facts.level > HIGH)


def below_plates(view: BathView, active: bool) -> Finding:
    """Return whether the water stands below the plates."""
    plates, level = view.settings.laws.level.plates_mm, view.facts.level_mm
    if plates is None or "level_mm" not in view.facts.has:
        return CLEAR
    if level is None:
        return CANNOT_TELL
    return Finding(level < (plates + RETURN_mm if active else plates), level, plates)


def falls(view: BathView, active: bool) -> Finding:
    """Return whether the water falls fast."""
    return _falling(view, FAST_MS, 60_000.0, view.settings.laws.level.fall_mm_per_minute)


def leaks(view: BathView, active: bool) -> Finding:
    """Return whether the water has fallen over the last hour by more than evaporation."""
    return _falling(view, NEARLY_HOUR_MS, HOUR_MS, view.settings.laws.level.leak_mm_per_h)


def not_told(view: BathView, active: bool) -> Finding:
    """Return whether a level that is measured here has no value."""
    return Finding(_unread(view))


def _unread(view: BathView) -> bool:
    has, facts = view.facts.has, view.facts
    return ("level" in has and facts.level is None) or ("level_mm" in has and facts.level_mm is None)


def _falling(view: BathView, least_ms: int, unit_ms: float, limit: float) -> Finding:
    """Compare the level with the newest one that is at least so old; `limit` in mm a unit of time."""
    level, now_ms = view.facts.level_mm, view.facts.now_ms
    if "level_mm" not in view.facts.has:
        return CLEAR
    if level is None:
        return CANNOT_TELL
    for at_ms, was_mm in reversed(view.state.inputs.level_mm):
        if now_ms - at_ms >= least_ms:
            fall = (was_mm - level) * unit_ms / (now_ms - at_ms)
            return Finding(fall > limit, fall, limit)
    return CLEAR


def _seconds_ms(settings: BathSettings) -> float:
    return settings.laws.level.seconds * 1000.0


LAWS: tuple[Law[BathView], ...] = (
    Law("level_low", Reaction.WARN, 3, low, _seconds_ms, readings=2, quiet_ms=quiet_ms),
    Law("level_high", Reaction.HOLD, 1, high, _seconds_ms, readings=2, quiet_ms=quiet_ms),
    Law("level_hold", Reaction.HOLD, 2, below_plates, _seconds_ms, readings=2, explains=("level_low",)),
    Law("level_falls", Reaction.HOLD, 2, falls, readings=2, explains=("leak",)),
    Law("leak", Reaction.WARN, 2, leaks, readings=2),
    Law("level_unknown", Reaction.WARN, 2, not_told, lambda _: UNREAD_MS, readings=0),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    level = view.facts.level
    if "level_mm" in view.facts.has or _unread(view):
        return False
    return level is None or LOW <= level <= HIGH


FAMILY = Family(LAWS, asleep)
