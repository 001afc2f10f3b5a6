"""What the marked line of a list stands for: an alarm, a circuit that recovers, an event. Pure."""

from __future__ import annotations

from dataclasses import replace

from controller.console import events, moves, recovery
from controller.console.picture import AlarmView
from controller.console.scene import BathSeen, Place, Scene

AlarmKey = tuple[str, str, str]
"""Bath, target, code: an alarm's place in a list, whenever it came."""


def alarm_keys(scene: Scene) -> list[AlarmKey]:
    """Return every open alarm's key, in the order of the list."""
    return [(seen.name, alarm.target, alarm.code) for seen, alarm in scene.alarms()]


def alarm(scene: Scene) -> tuple[BathSeen, AlarmView] | None:
    """Return the alarm at the cursor of the alarms page."""
    listed = scene.alarms()
    if scene.place.page != "alarms" or not listed:
        return None
    return listed[max(0, min(scene.place.cursor, len(listed) - 1))]


def circuit(scene: Scene) -> Place:
    """Return the place with the marked line's circuit selected; where the line is of none, as it was."""
    place = scene.place
    if (found := alarm(scene)) is not None:
        return replace(place, bath=found[0].name, circuit=found[1].target)
    if place.page == "recovery" and (waiting := recovery.entries(scene)):
        seen, name, _ = waiting[max(0, min(place.cursor, len(waiting) - 1))]
        return replace(place, bath=seen.name, circuit=name)
    if place.page == "events" and (line := events.selected(scene)) is not None:
        places = [each for each in moves.found(scene, line.target) if each.page == "circuit"]
        if len(places) == 1:
            return replace(place, bath=places[0].bath, circuit=places[0].circuit)
    return place


def opened(scene: Scene) -> Place | None:
    """Return where Enter leads from the alarms or the events page: the alarm's circuit, the event's moment."""
    if (found := alarm(scene)) is not None:
        seen, one = found
        page = "bath" if seen.picture is not None and one.target == seen.picture.bath else "circuit"
        name = scene.place.circuit if page == "bath" else one.target
        return replace(
            scene.place, page=page, bath=seen.name, circuit=name, cursor=0, top=0, trend_cursor=None, trend_utc=""
        )
    line = events.selected(scene) if scene.place.page == "events" else None
    places = moves.found(scene, line.target) if line is not None else []
    if line is None or len(places) != 1 or places[0].page != "circuit":
        return None
    return replace(places[0], page="trend", trend_cursor=None, trend_utc=line.time_utc)
