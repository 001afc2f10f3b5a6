"""The alarms page: every open alarm in words, first what is first to be done; and what `k` acknowledges. Pure.

An alarm is drawn whole or not at all: a text that sends hands to a string is never cut. Only what was on the screen for
a second can be acknowledged, one alarm at a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from controller.console import alarmfoot, alarmwords
from controller.console.outlook import age_text, clock_at, mark_parts
from controller.console.picture import AlarmView
from controller.console.prompttypes import Step, Wanted
from controller.console.row import Row, fitted, row, wrapped
from controller.console.scene import BathSeen, Scene, leads, style_of, worst

Key = tuple[str, str, str, int]
"""Bath, target, code, and when it came: one that comes again is another to be seen."""

ON_SCREEN_S = 1.0
INDENT = "    "
UNDER = "  "
FRAME_ROWS = 6
SMALLEST = 12
"""Below this height of a terminal the page itself is not drawn."""


def key_of(seen: BathSeen, alarm: AlarmView) -> Key:
    """What an alarm is known by."""
    return seen.name, alarm.target, alarm.code, alarm.since_ms


def length(scene: Scene) -> int:
    """How many alarms the cursor moves over."""
    return len(scene.alarms())


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the alarms around the cursor, each whole, and how many are above and below."""
    if height <= 0:
        return []
    below = alarmfoot.rows(scene, width, height)
    room = height - len(below)
    first, blocks = _window(scene, width, room)
    made = [one for block in blocks for one in block][:room] if blocks else [Row(scene.say("alarms.none"))]
    if blocks and len(made) < room and len(blocks) < length(scene):
        made.append(Row(_hidden(scene, first, first + len(blocks))))
    return [fitted(each, width) for each in (*made, *below)]


def on_screen(scene: Scene, width: int, height: int) -> list[Key]:
    """Return the alarms that this page draws whole in so many rows."""
    if height <= 0:
        return []
    room, found = height - len(alarmfoot.rows(scene, width, height)), []
    first, blocks = _window(scene, width, room)
    for (seen, alarm), block in zip(scene.alarms()[first:], blocks, strict=False):
        room -= len(block)
        if room >= 0:
            found.append(key_of(seen, alarm))
    return found


def drawn(scene: Scene, width: int, height: int) -> list[Key]:
    """Return the alarms that a terminal of this size shows: the one told above every page, and what this page draws."""
    top = _on_top(scene)
    found = [key_of(*top)] if top is not None else []
    own = _own(scene) if scene.place.page == "circuit" and height >= SMALLEST else None
    if own is not None and key_of(*own) not in found:
        found.append(key_of(*own))
    if scene.place.page == "alarms" and height >= SMALLEST:
        found += [key for key in on_screen(scene, width, height - FRAME_ROWS) if key not in found]
    return found


def _on_top(scene: Scene) -> tuple[BathSeen, AlarmView] | None:
    """Return the alarm that stands above every page; a bath that does not answer takes its first line."""
    first = _first(scene)
    if first is None or all(each.trusted for each in scene.baths):
        return first
    return None if first[1].acknowledged else first


def _own(scene: Scene) -> tuple[BathSeen, AlarmView] | None:
    """Return the selected circuit's own first alarm, which its page shows."""
    if scene.selected is None:
        return None
    first = worst(scene.selected[1].alarms)
    return (scene.selected[0], first) if first is not None else None


def _first(scene: Scene) -> tuple[BathSeen, AlarmView] | None:
    return next(((seen, alarm) for seen, alarm in scene.alarms() if seen.trusted), None)


def acknowledgement(scene: Scene, drawn_since: Mapping[Key, float], now_s: float) -> Step:
    """Return the order that acknowledges one alarm: the selected one, a circuit's own on its page, elsewhere the first.

    `drawn_since`: since when each alarm has been on the screen. It changes nothing in the process.
    """
    listed = scene.alarms()
    if scene.replay:
        return Step(None, said=scene.say("orders.replay"))
    if not listed:
        return Step(None, said=scene.say("alarms.none"))
    chosen = _chosen(scene)
    if chosen is None:
        return Step(None, said=scene.say("alarms.none_here"))
    seen, alarm = chosen
    if alarm.acknowledged:
        return Step(None, said=scene.say("alarms.seen_already", target=alarm.target))
    since = drawn_since.get(key_of(seen, alarm))
    if since is None or now_s - since < ON_SCREEN_S:
        return Step(None, said=scene.say("alarms.look_first", target=alarm.target))
    circuit = seen.picture.circuit(alarm.target) if seen.picture is not None else None
    # What changed since it was looked at is another alarm: then the service refuses.
    revision = circuit.revision if circuit is not None else None
    return Step(None, (Wanted(seen.name, "acknowledge", alarm.target, {"alarm": alarm.code}, revision),))


def _chosen(scene: Scene) -> tuple[BathSeen, AlarmView] | None:
    if scene.place.page == "alarms":
        listed = scene.alarms()
        return listed[_cursor(scene, len(listed))]
    return _own(scene) if scene.place.page in {"circuit", "trend"} else _first(scene)


def _cursor(scene: Scene, count: int) -> int:
    return max(0, min(scene.place.cursor, count - 1))


def _hidden(scene: Scene, first: int, last: int) -> str:
    listed = scene.alarms()
    new = sum(1 for _, alarm in (*listed[:first], *listed[last:]) if not alarm.acknowledged)
    return scene.say("alarms.hidden", above=first, below=len(listed) - last, new=new)


def _window(scene: Scene, width: int, height: int) -> tuple[int, list[list[Row]]]:
    """Return which alarm is the first shown, and the alarms shown: whole ones, the selected among them.

    A row is left for how many are hidden, where some are; one alarm higher than the page is shown as far as it goes.
    Only what may be seen is put into words: there may be hundreds.
    """
    listed = scene.alarms()
    if not listed:
        return 0, []
    at = _cursor(scene, len(listed))
    made: dict[int, list[Row]] = {}

    def block(number: int) -> list[Row]:
        if number not in made:
            seen, alarm = listed[number]
            made[number] = _block(scene, seen, alarm, width, _group(listed, number), selected=number == at)
        return made[number]

    first, last = at, at + 1
    for room in (height, max(1, height - 1)):
        first, last, used = at, at + 1, len(block(at))
        while first > 0 and used + len(block(first - 1)) <= room:
            first -= 1
            used += len(block(first))
        while last < len(listed) and used + len(block(last)) <= room:
            used += len(block(last))
            last += 1
        if first == 0 and last == len(listed):
            break
    return first, [block(number) for number in range(first, last)]


def _group(listed: list[tuple[BathSeen, AlarmView]], number: int) -> int:
    """Return how many alarms a first one leads, itself among them; 0 for one that stands under another."""
    seen, alarm = listed[number]
    if any(one is seen and leads(each, alarm) for one, each in listed[:number]):
        return 0
    followers = listed[number + 1 :]
    return 1 + sum(one is seen and leads(alarm, each) for one, each in followers)


def _block(scene: Scene, seen: BathSeen, alarm: AlarmView, width: int, led: int, *, selected: bool) -> list[Row]:
    """Return one alarm: cause with value and limit; what was done and what to do; who works there.

    `led`: how many it leads, itself among them (0: it stands under another, set in).
    """
    said = alarmwords.told(scene, seen, alarm)
    if led > 1:
        said = replace(said, cause=scene.say("alarms.leads", cause=said.cause, n=led))
    at = clock_at(scene, seen, alarm.since_ms, "%H:%M:%S")
    head = [
        ">" if selected else " ",
        "" if led else UNDER,
        *mark_parts(scene, alarm),
        f" {at} ",
        (style_of(alarm.priority), alarm.target),
    ]
    old = "" if seen.trusted else f" {age_text(seen.silent_s * 1000.0 if seen.silent_s < 1e10 else 1e13)}"
    before = row(*head, f"{old} ")
    cause = wrapped(before.text + said.cause, width, INDENT, 4)
    made = [Row(cause[0].text, before.spans), *cause[1:]]
    if said.did:
        made += _indented(
            scene.say("replay.did_do" if scene.of(seen).replay else "alarms.did_do", did=said.did, do=said.do), width
        )
    circuit = seen.picture.circuit(alarm.target) if seen.picture is not None else None
    if circuit is not None and circuit.blocked_by:
        made.append(row(INDENT, ("waits", scene.say("alarms.blocked")), f" {circuit.blocked_by}"))
    return made


def _indented(text: str, width: int) -> list[Row]:
    """Return a whole text set in; never cut, whatever its length."""
    lines = wrapped(text, max(8, width - len(INDENT)), "", 1000)
    return [Row(INDENT + line.text) for line in lines]
