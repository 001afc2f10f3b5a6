"""An alarm as it stands now, in words: what the catalogue says, less what is not true any more. Pure."""

from __future__ import annotations

from dataclasses import replace

from controller.console.picture import AlarmView
from controller.console.scene import BathSeen, Scene, stands
from controller.words import AlarmLines


def is_live(scene: Scene, lines: AlarmLines) -> bool:
    """Return whether it is about a string under current: such a caution stands whole, with nothing of now before it."""
    return scene.say("frame.live") in lines.do.partition(",")[0]


def told(scene: Scene, seen: BathSeen, alarm: AlarmView) -> AlarmLines:
    """Return the alarm's cause, what was done and what to do.

    One that is gone asks for no work at a string; a trip whose zero was read back says so in place of the order.
    """
    scene = scene.of(seen)
    lines = scene.say.alarm(alarm.code, alarm.value, alarm.limit)
    if alarm.came_and_went:
        lines = replace(lines, cause=scene.say("alarms.chatters", cause=lines.cause, n=alarm.came_and_went))
    if alarm.escalated and not alarm.acknowledged:
        lines = replace(lines, cause=scene.say("alarms.escalated", cause=lines.cause))
    if not stands(alarm):
        do = scene.say("replay.gone_do" if scene.replay else "alarms.gone_do")
        return replace(lines, did=scene.say("alarms.gone_did"), do=do, hands=False)
    circuit = seen.picture.circuit(alarm.target) if seen.picture is not None else None
    if alarm.latched and seen.trusted and circuit is not None and circuit.output == "off" and circuit.confirmed:
        return replace(lines, did=scene.say("alarms.zero_did"))
    return lines
