"""The events page: the records' own rows, newest last. It follows what comes until it is scrolled. Pure.

Events never ring, blink or carry a colour; what somebody has to do is an alarm and stands on the alarms page.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from controller.console.row import Row, fitted, single, wrapped
from controller.console.scene import EventLine, Place, Scene
from controller.console.then import asks

KINDS = ("", "alarm", "order", "refusal", "event")
"""What `f` goes through; empty: every kind."""

_KIND, _WHO = 8, 9


def visible(scene: Scene) -> list[EventLine]:
    """Return the events that fit the filters, the newest last."""
    place = scene.place
    words = place.find.casefold().split()
    return [
        line
        for line in scene.events
        if (not place.events_kind or line.kind == place.events_kind)
        and (not place.events_circuit or line.target == place.events_circuit)
        and _has(line, words)
    ]


def _has(line: EventLine, words: list[str]) -> bool:
    if not words:
        return True
    text = f"{line.time_utc} {line.kind} {line.code} {line.target} {line.who} {line.text}".casefold()
    return all(word in text for word in words)


def filtered(scene: Scene) -> Place:
    """Return the place with the next filter: every kind in turn, then the same for the selected circuit alone."""
    place = scene.place
    at = KINDS.index(place.events_kind) + 1 if place.events_kind in KINDS else 0
    if at < len(KINDS):
        return replace(place, events_kind=KINDS[at], top=0)
    circuit = place.circuit if not place.events_circuit else ""
    return replace(place, events_kind="", events_circuit=circuit, top=0)


def selected(scene: Scene) -> EventLine | None:
    """Return the event at the bottom of the list: the newest, or where the list is scrolled to."""
    lines = visible(scene)
    return lines[len(lines) - 1 - _below(scene, len(lines))] if lines else None


def _below(scene: Scene, count: int) -> int:
    """Return how many events stand below the last row."""
    return max(0, min(scene.place.top, count - 1))


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the page: what is shown, then the newest events that fit."""
    if height <= 0:
        return []
    lines = visible(scene)
    below = _below(scene, len(lines))
    head = _head(scene, below, width)
    if not lines:
        key = "events.none_found" if scene.events else "events.none" if scene.events_read else "events.reading"
        return [fitted(each, width) for each in (head, *wrapped(scene.say(key), width))][:height]
    room = max(0, height - 1)
    last = len(lines) - below
    shown = lines[max(0, last - room) : last] if room else []
    place = max((len(line.target) for line in shown), default=0)
    made = [_line(scene, line, min(place, 12), chosen=line is shown[-1]) for line in shown]
    return [fitted(each, width) for each in (head, *made)]


def _head(scene: Scene, below: int, width: int) -> Row:
    place, say = scene.place, scene.say
    parts = [
        say("events.kind", kind=place.events_kind) if place.events_kind else say("events.every_kind"),
        say("events.circuit", circuit=place.events_circuit) if place.events_circuit else say("events.every_circuit"),
    ]
    if place.find:
        parts.append(say("events.find", words=single(place.find, ascii_only=False)))
    left = ", ".join(parts)
    right = say.count("events.newer", below) if below else say("events.following")
    return Row(f"{left:<{max(0, width - len(right) - 1)}} {right}" if len(left) + len(right) < width else right)


def _line(scene: Scene, line: EventLine, place: int, *, chosen: bool) -> Row:
    """Return one event: mark of the chosen one, local day and time, target, kind, who, text."""
    target = single(line.target, ascii_only=False)[:12]
    kind = fitted(Row(single(line.kind, ascii_only=False)), _KIND - 1).text
    who = fitted(Row(single(line.who, ascii_only=False)), _WHO - 1).text
    text = single(line.text, ascii_only=False)
    if scene.replay and asks(line.kind, line.code):
        text = scene.say("replay.then", text=text)
    return Row(
        f"{'>' if chosen else ' '}{_when(scene, line.time_utc)} {target:<{place}} {kind:<{_KIND}}{who:<{_WHO}} {text}"
    )


def _when(scene: Scene, time_utc: str) -> str:
    try:
        moment = datetime.fromisoformat(time_utc)
        return scene.local(moment).strftime("%d %H:%M:%S") if moment.tzinfo is not None else "--"
    except (ValueError, OverflowError):
        return "--"
