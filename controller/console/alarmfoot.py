"""What stands below the alarms page: a flood, and the alarms that are silent; counted and named, never lost. Pure."""

from __future__ import annotations

from collections.abc import Callable

from controller.console.outlook import clock_at
from controller.console.picture import AlarmView
from controller.console.row import Row, single, wrapped
from controller.console.scene import BathSeen, Scene

Entry = tuple[BathSeen, AlarmView]

SHARE = 3
"""At most one row in so many is the foot's; each kind has at most as many rows."""

MOST = 40
"""How many silent alarms are put into words; the count before them counts all."""


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the foot: whether alarms come in a flood, what is shelved, suppressed, out of use."""
    made: list[Row] = []
    if any(seen.picture is not None and seen.picture.flood for seen in scene.baths):
        made += wrapped(scene.say("alarms.flood"), width, "  ", 2)
    shelved, removed, explained = list[Entry](), list[Entry](), list[Entry]()
    for entry in scene.silent():
        alarm = entry[1]
        (removed if alarm.out_of_use else explained if alarm.suppressed else shelved).append(entry)
    for key, entries, named in (
        ("alarms.shelved", shelved, _shelved),
        ("alarms.suppressed", explained, _named),
        ("alarms.out_of_use", removed, _named),
    ):
        made += _kind(scene, key, entries, named, width)
    return made[: height // SHARE]


def _kind(scene: Scene, key: str, entries: list[Entry], named: Callable[[Scene, Entry], str], width: int) -> list[Row]:
    """Return one kind of silent alarms with their number, on a few rows."""
    if not entries:
        return []
    what = "; ".join(named(scene, entry) for entry in entries[:MOST])
    return wrapped(scene.say(key, n=len(entries), what=what), width, "  ", SHARE)


def _shelved(scene: Scene, entry: Entry) -> str:
    """Return a shelved alarm: until when, by whom, why."""
    seen, alarm = entry
    at = clock_at(scene, seen, alarm.shelved_until_ms or 0)
    who, why = (single(text, ascii_only=True) for text in (alarm.shelved_by, alarm.shelved_why))
    return scene.say("alarms.shelved_one", target=alarm.target, cause=_cause(scene, alarm), at=at, who=who, why=why)


def _named(scene: Scene, entry: Entry) -> str:
    return scene.say("alarms.silent_one", target=entry[1].target, cause=_cause(scene, entry[1]))


def _cause(scene: Scene, alarm: AlarmView) -> str:
    return scene.say.alarm(alarm.code, alarm.value, alarm.limit).cause
