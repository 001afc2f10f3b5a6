"""What happens to alarms by time alone: calm after chatter, the end of a shelf, explanations, escalation. Pure."""

from __future__ import annotations

from dataclasses import replace

from controller.core.alarmhush import Silencer
from controller.core.alarmlife import Change, Life, moved, quiet
from controller.core.lawsettings import AlarmLimits
from controller.core.state import Alarm
from controller.core.types import Event, EventKind, Scalar

CHATTER_MS = 60_000
"""Returns within this time count together; an alarm that did not return for so long is calm."""


def event(target: str, life: str, alarm: Alarm) -> Event:
    """Return what happened to an alarm, as the record tells it."""
    data: dict[str, Scalar] = {"life": life, "value": alarm.value, "limit": alarm.limit}
    return Event(alarm.code, target, EventKind.ALARM, data, alarm.reaction, alarm.priority)


def move(
    alarm: Alarm,
    change: Change,
    target: str,
    now_ms: int,
    kept: list[Alarm],
    events: list[Event],
    before: Life | None = None,
) -> None:
    """Move one alarm, keep what is left of it, and tell; `before`: where it stood, as in `moved`."""
    new, word = moved(alarm, change, now_ms, before)
    events.append(event(target, word, new or alarm))
    if new is not None:
        kept.append(new)


def by_time(
    alarms: tuple[Alarm, ...], target: str, now_ms: int, limits: AlarmLimits, silent: Silencer, events: list[Event]
) -> tuple[Alarm, ...]:
    """Return the alarms after what needs no law to begin or end: calm, shelves, what explains them, escalation."""
    kept: list[Alarm] = []
    for alarm in alarms:
        change = _change(alarm, silent, now_ms)
        if alarm.chattering and now_ms - alarm.returns_ms[-1] >= CHATTER_MS:
            _calm(alarm, target, now_ms, kept, events)
        elif change is not None:
            move(alarm, change, target, now_ms, kept, events)
        elif _too_long(alarm, now_ms, limits):
            kept.append(replace(alarm, escalated=True))
            minutes = (now_ms - alarm.told_ms) / 60_000.0
            events.append(
                Event("escalated", target, data={"cause": alarm.code, "minutes": minutes}, priority=alarm.priority)
            )
        else:
            kept.append(alarm)
    return tuple(kept)


def _change(alarm: Alarm, silent: Silencer, now_ms: int) -> Change | None:
    """Return what silences an alarm from now on, or what ends its silence; None: it stays as it is."""
    silence = silent(alarm.code, alarm.priority, alarm.reaction) if alarm.active else None
    if alarm.shelved_until_ms is not None:
        if now_ms < alarm.shelved_until_ms or silence is not None:
            return None
        return Change.SHOW if alarm.active else Change.DROP
    if not quiet(alarm):
        return silence
    return Change.SHOW if alarm.active and silence is None else None


def _calm(alarm: Alarm, target: str, now_ms: int, kept: list[Alarm], events: list[Event]) -> None:
    """Let an alarm that came and went go on as what it is now: standing, or gone."""
    steady = replace(alarm, chattering=False, returns_ms=(), times=0)
    if alarm.active:
        kept.append(steady)
        events.append(event(target, "steady", steady))
        return
    # It returned long ago, which is told only now.
    stood = replace(steady, active=True)
    move(stood, Change.RETURN_LATCHED if alarm.latched else Change.RETURN, target, now_ms, kept, events)


def _too_long(alarm: Alarm, now_ms: int, limits: AlarmLimits) -> bool:
    """Return whether nobody has acknowledged an alarm in the time that its priority leaves."""
    if alarm.acknowledged or alarm.escalated or alarm.priority > 2 or quiet(alarm):
        return False
    minutes = limits.escalate_1_minutes if alarm.priority == 1 else limits.escalate_2_minutes
    return now_ms - alarm.told_ms >= minutes * 60_000.0
