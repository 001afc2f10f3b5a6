"""The life of an alarm: new, acknowledged, returned, latched (the states are those of IEC 62682)."""

from __future__ import annotations

from dataclasses import replace

from controller.core.state import Alarm
from controller.core.types import Condition, Event, EventKind, Reaction, Scalar


def _event(target: str, life: str, alarm: Alarm) -> Event:
    data = {"life": life, "value": alarm.value, "limit": alarm.limit}
    return Event(alarm.code, target, EventKind.ALARM, data, alarm.reaction, alarm.priority)


def raised(
    alarms: tuple[Alarm, ...], begun: tuple[Condition, ...], target: str, now_ms: int
) -> tuple[tuple[Alarm, ...], list[Event]]:
    """Return the alarms with those that began in this cycle; one that comes back is new again."""
    events: list[Event] = []
    for condition in begun:
        old = next((alarm for alarm in alarms if alarm.code == condition.code), None)
        new = Alarm(
            condition.code,
            now_ms,
            condition.priority,
            condition.reaction,
            latched=condition.reaction is Reaction.TRIP or (old is not None and old.latched),
            value=condition.value,
            limit=condition.limit,
        )
        alarms = (*(alarm for alarm in alarms if alarm is not old), new)
        events.append(_event(target, "new", new))
    return alarms, events


def returned(
    alarms: tuple[Alarm, ...], ended: tuple[Condition, ...], target: str
) -> tuple[tuple[Alarm, ...], list[Event]]:
    """Return the alarms with those whose cause is gone: acknowledged ones leave, the others and latched ones stay."""
    events: list[Event] = []
    gone = {condition.code for condition in ended}
    kept: list[Alarm] = []
    for alarm in alarms:
        if alarm.code not in gone or not alarm.active:
            kept.append(alarm)
            continue
        back = replace(alarm, active=False)
        events.append(_event(target, "returned", back))
        if back.latched or not back.acknowledged:
            kept.append(back)
    return tuple(kept), events


def waits(alarms: tuple[Alarm, ...], code: Scalar = None) -> bool:
    """Return whether an alarm, or the one of this code, waits to be acknowledged."""
    return any(not alarm.acknowledged and code in (None, alarm.code) for alarm in alarms)


def acknowledged(alarms: tuple[Alarm, ...], code: Scalar = None) -> tuple[Alarm, ...]:
    """Return the alarms after a person saw them all, or the one of this code.

    Those that were seen, whose cause is gone and that are not latched leave.
    """
    seen = (replace(alarm, acknowledged=True) if code in (None, alarm.code) else alarm for alarm in alarms)
    return tuple(alarm for alarm in seen if alarm.active or alarm.latched or not alarm.acknowledged)


def reset(alarms: tuple[Alarm, ...]) -> tuple[Alarm, ...]:
    """Return the alarms without latches: those whose cause is gone and that a person has seen leave."""
    return tuple(replace(alarm, latched=False) for alarm in alarms if alarm.active or not alarm.acknowledged)


def marks(alarms: tuple[Alarm, ...]) -> tuple[tuple[str, bool, bool, bool], ...]:
    """Return what of the alarms a person can see change."""
    return tuple((alarm.code, alarm.active, alarm.acknowledged, alarm.latched) for alarm in alarms)
