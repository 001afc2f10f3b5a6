"""A circuit's or bath's alarms through one cycle, and what a person does to them. Pure.

Which state leads to which stands in `alarmlife.py`. Alarms that come within `group_s` of an earlier one of the same
circuit or bath are its followers: the first one is where to look. `group_s`, the times of escalation and three returns
in a minute for chatter are own choices; that such alarms are to be told once is IEC 62682, from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from controller.core.alarmhush import OPEN, Hush, Silencer, silencer
from controller.core.alarmlife import TABLE, Change, Life, life_of, moved, quiet
from controller.core.alarmtime import CHATTER_MS, by_time, event, move
from controller.core.lawsettings import AlarmLimits
from controller.core.state import Alarm
from controller.core.types import Condition, Event, Reaction, Scalar

Alarms = tuple[Alarm, ...]


@dataclass(frozen=True, slots=True)
class Lived:
    """Alarms after a cycle, what happened to them, and whether (1 or 0) a person would see a change."""

    alarms: Alarms
    events: tuple[Event, ...]
    seen: int


def step(
    alarms: Alarms,
    begun: tuple[Condition, ...],
    ended: tuple[Condition, ...],
    target: str,
    now_ms: int,
    limits: AlarmLimits,
    hush: Hush = OPEN,
    again: tuple[tuple[Condition, float], ...] = (),
) -> Lived:
    """Live one cycle: what began and ended in it, what silences it, and what the time alone does.

    `again`: conditions that stand, each with the time in ms after which its alarm is told anew.
    """
    events: list[Event] = []
    new = alarms
    if begun or ended:
        silent = silencer(new, begun, ended, hush)
        new = _raised(new, begun, target, now_ms, limits, silent, events)
        new = _returned(new, ended, target, now_ms, limits, events)
    else:
        silent = silencer(new, (), (), hush)
    for condition, repeat_ms in again:
        new = _told_again(new, condition, repeat_ms, target, now_ms, events)
    new = by_time(new, target, now_ms, limits, silent, events)
    if len(new) == len(alarms) and all(one is old for one, old in zip(new, alarms, strict=True)):
        return Lived(alarms, tuple(events), 0)
    return Lived(new, tuple(events), int(marks(new) != marks(alarms)))


def _raised(
    alarms: Alarms,
    begun: tuple[Condition, ...],
    target: str,
    now_ms: int,
    limits: AlarmLimits,
    silent: Silencer,
    events: list[Event],
) -> Alarms:
    """Return the alarms with those that began in this cycle; one that comes back is new again, but in its chatter.

    What holds or trips is new even then, once a person has seen it: a latch, its alarm and its horn are never lost.
    """
    for condition in begun:
        old = next((alarm for alarm in alarms if alarm.code == condition.code), None)
        if old is not None and old.chattering and not _news(condition, old):
            alarms = tuple(replace(old, active=True) if alarm is old else alarm for alarm in alarms)
            continue
        kept = [alarm for alarm in alarms if alarm is not old]
        change = silent(condition.code, condition.priority, condition.reaction) or Change.BEGIN
        first = _first(kept, now_ms, limits) if change is Change.BEGIN else ""
        before = Life.NORMAL if old is None or _worse(condition, old) else life_of(old)
        move(_fresh(condition, old, before, first, now_ms), change, target, now_ms, kept, events, before)
        alarms = tuple(kept)
    return alarms


def _news(condition: Condition, old: Alarm) -> bool:
    """Return whether a chattering alarm that begins again holds or trips and nobody is being told of it any more."""
    unlatched = condition.reaction is Reaction.TRIP and not old.latched
    return condition.reaction >= Reaction.HOLD and (old.acknowledged or unlatched)


def _worse(condition: Condition, old: Alarm) -> bool:
    """Return whether a shelved alarm comes back worse than it was shelved, or holds: that ends its shelf."""
    shelved = old.shelved_until_ms is not None
    return shelved and (condition.priority < old.priority or condition.reaction >= Reaction.HOLD)


def _fresh(condition: Condition, old: Alarm | None, before: Life, first: str, now_ms: int) -> Alarm:
    """Return an alarm as its condition makes it; what is remembered of an earlier one goes on."""
    new = Alarm(
        condition.code,
        now_ms,
        condition.priority,
        condition.reaction,
        latched=condition.reaction is Reaction.TRIP or (old is not None and old.latched),
        value=condition.value,
        limit=condition.limit,
        first=first,
        told_ms=now_ms,
    )
    if old is None:
        return new
    new = replace(new, returns_ms=old.returns_ms, times=old.times)
    if before is not Life.SHELVED:
        return new
    return replace(
        new,
        acknowledged=old.acknowledged,
        shelved_until_ms=old.shelved_until_ms,
        shelved_by=old.shelved_by,
        shelved_why=old.shelved_why,
    )


def _first(alarms: list[Alarm], now_ms: int, limits: AlarmLimits) -> str:
    """Return the code of the earliest alarm under which one that comes now stands, or an empty text."""
    since_ms = now_ms - limits.group_s * 1000.0
    firsts = [each for each in alarms if not each.first and each.since_ms >= since_ms and not quiet(each)]
    return min(firsts, key=lambda each: each.since_ms).code if firsts else ""


def _returned(
    alarms: Alarms,
    ended: tuple[Condition, ...],
    target: str,
    now_ms: int,
    limits: AlarmLimits,
    events: list[Event],
) -> Alarms:
    """Return the alarms with those whose cause is gone: acknowledged ones leave, the others and latched ones stay."""
    gone = {condition.code for condition in ended}
    kept: list[Alarm] = []
    for alarm in alarms:
        if alarm.code not in gone or not alarm.active:
            kept.append(alarm)
            continue
        lately = (*(at_ms for at_ms in alarm.returns_ms if now_ms - at_ms < CHATTER_MS), now_ms)
        counted = replace(alarm, returns_ms=lately, times=alarm.times + 1)
        if alarm.chattering:
            kept.append(replace(counted, active=False))
        elif len(lately) >= limits.chatter_returns and not quiet(alarm):
            back = replace(counted, active=False, chattering=True)
            kept.append(back)
            events.append(event(target, "chattering", back))
        else:
            move(counted, Change.RETURN_LATCHED if alarm.latched else Change.RETURN, target, now_ms, kept, events)
    return tuple(kept)


def _told_again(
    alarms: Alarms, condition: Condition, repeat_ms: float, target: str, now_ms: int, events: list[Event]
) -> Alarms:
    """Return the alarms with one that stands, and was told so long ago that it is told anew."""
    kept: list[Alarm] = []
    for alarm in alarms:
        if alarm.code != condition.code or not alarm.active or now_ms - alarm.told_ms < repeat_ms or quiet(alarm):
            kept.append(alarm)
        else:
            told = replace(alarm, value=condition.value, limit=condition.limit, since_ms=now_ms)
            move(told, Change.AGAIN, target, now_ms, kept, events)
    return tuple(kept)


def waits(alarms: Alarms, code: Scalar = None) -> bool:
    """Return whether an alarm, or the one of this code, waits to be acknowledged."""
    return any(not alarm.acknowledged and code in (None, alarm.code) for alarm in alarms)


def acknowledged(alarms: Alarms, code: Scalar = None) -> Alarms:
    """Return the alarms after a person saw them all, or the one of this code.

    Those that were seen, whose cause is gone and that are not latched leave.
    """
    seen = (
        moved(alarm, Change.ACKNOWLEDGE, alarm.told_ms)[0] if code in (None, alarm.code) else alarm for alarm in alarms
    )
    return tuple(alarm for alarm in seen if alarm is not None)


def reset(alarms: Alarms) -> Alarms:
    """Return the alarms without latches: those whose cause is gone and that a person has seen leave.

    A latch's chatter ends with it: what trips again after a reset is no repetition.
    """
    calm = (replace(alarm, chattering=alarm.chattering and not alarm.latched) for alarm in alarms)
    left = (
        moved(alarm, Change.RESET if alarm.active or alarm.chattering else Change.RESET_GONE, alarm.told_ms)[0]
        for alarm in calm
    )
    return tuple(alarm for alarm in left if alarm is not None)


def may_shelve(alarms: Alarms, code: Scalar) -> bool:
    """Return whether there is an alarm of this code that may be shelved: it warns or derates, and is not urgent.

    One that held is not shelved after its cause went either: the next hold must be heard.
    """
    return any(each.code == code and each.priority > 1 and _harmless(each) and _shelf(each) for each in alarms)


def _harmless(alarm: Alarm) -> bool:
    return alarm.reaction < Reaction.HOLD and not alarm.latched


def _shelf(alarm: Alarm) -> bool:
    return (life_of(alarm), Change.SHELVE) in TABLE


def shelved(alarms: Alarms, code: Scalar, until_ms: int, who: str, why: str) -> Alarms:
    """Return the alarms with the one of this code silent until then, where it may be."""
    if not may_shelve(alarms, code):
        return alarms
    left = []
    for alarm in alarms:
        silent = replace(alarm, shelved_until_ms=until_ms, shelved_by=who, shelved_why=why)
        new = moved(silent, Change.SHELVE, alarm.told_ms, life_of(alarm))[0] if alarm.code == code else alarm
        left.append(new or alarm)
    return tuple(left)


def unshelved(alarms: Alarms, code: Scalar, now_ms: int) -> Alarms:
    """Return the alarms with the one of this code told again, as new where it stands."""
    return _unshelved(alarms, lambda alarm: alarm.code == code, now_ms)


def unshelved_all(alarms: Alarms, now_ms: int) -> Alarms:
    """Return the alarms with every shelf ended, as at a hand-over."""
    return _unshelved(alarms, lambda _: True, now_ms)


def _unshelved(alarms: Alarms, meant: Callable[[Alarm], bool], now_ms: int) -> Alarms:
    left = (
        moved(alarm, Change.SHOW if alarm.active else Change.DROP, now_ms)[0]
        if alarm.shelved_until_ms is not None and meant(alarm)
        else alarm
        for alarm in alarms
    )
    return tuple(alarm for alarm in left if alarm is not None)


def told_shelves(before: Alarms, after: Alarms, target: str) -> list[Event]:
    """Return what an order did to shelves, as events for the record."""
    old = {alarm.code: alarm.shelved_until_ms for alarm in before}
    new = {alarm.code: alarm.shelved_until_ms for alarm in after}
    ended = [
        event(target, "unshelved", alarm)
        for alarm in before
        if alarm.shelved_until_ms is not None and new.get(alarm.code) is None
    ]
    begun = [
        event(target, "shelved", alarm)
        for alarm in after
        if alarm.shelved_until_ms is not None and alarm.shelved_until_ms != old.get(alarm.code)
    ]
    return ended + begun


def marks(alarms: Alarms) -> tuple[tuple[str, Life, bool, bool], ...]:
    """Return what of the alarms a person can see change; one that comes and goes does not change by that."""
    return tuple((alarm.code, life_of(alarm), alarm.acknowledged, alarm.latched) for alarm in alarms)
