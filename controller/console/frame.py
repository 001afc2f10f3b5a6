"""The lines that every page has: path, clock and counts; services and blocks; the first thing to do; the keys. Pure."""

from __future__ import annotations

from controller.console import alarmwords
from controller.console.amounts import finite
from controller.console.outlook import alarm_since, clock_at, mark_parts
from controller.console.picture import AlarmView
from controller.console.replayview import ReplayView, since_start
from controller.console.row import BLANK, Part, Row, fitted, row, single
from controller.console.scene import BathSeen, Scene, style_of
from controller.words import AlarmLines

LONG_CLOCK = 72
"""Width from which the date stands beside the time."""

_PAGES = {
    "trend": "frame.page.trend",
    "alarms": "frame.page.alarms",
    "events": "frame.page.events",
    "orders": "frame.page.orders",
    "starts": "frame.page.starts",
    "recovery": "frame.page.recovery",
    "help": "frame.page.help",
}
_OF_A_CIRCUIT = {"circuit", "trend", "orders", "starts"}


def top(scene: Scene, width: int) -> list[Row]:
    """Return the four lines above the page: they are there on every page and under every dialogue."""
    lines = (_path_line(scene, width), _services_line(scene, width), *_first_to_do(scene, width))
    return [fitted(each, width) for each in lines]


def _path_line(scene: Scene, width: int) -> Row:
    """Line 1: where the person is, DEMO or REPLAY, the services' clock, and how many alarms there are."""
    counts, clock = _counts(scene), _clock(scene, long=width >= LONG_CLOCK)
    word = _world_word(scene)
    room = width - len(counts) - len(clock) - (len(word) + 1 if word else 0) - 2
    path = fitted(Row(_path(scene)), max(0, room)).text
    left = f"{path} {word}".strip() if word else path
    middle = max(len(left) + 1, min(21, width - len(counts) - len(clock) - 2))
    text = left.ljust(middle) + clock
    # Where it is too narrow for all, the counts are the last to go.
    if len(text) + len(counts) + 1 > width:
        text = text[: max(0, width - len(counts) - 1)].rstrip()
    marked = scene.say("frame.replay")
    if scene.replay and marked not in text:
        return row(("replay", marked), " ", counts)
    at = text.find(f" {word}", len(path)) + 1 if word else 0
    spans = ((at, at + len(marked), "replay"),) if at and text[at:].startswith(marked) else ()
    return Row(text.ljust(max(0, width - len(counts))) + counts, spans)


def _path(scene: Scene) -> str:
    """Hall, bath, circuit, page: as deep as the person is."""
    place, seen = scene.place, scene.selected_bath
    halls = [each.picture.hall for each in scene.baths if each.picture is not None and each.picture.hall]
    parts = [halls[0] if halls else scene.say("frame.no_hall")]
    if place.page == "bath" or place.page in _OF_A_CIRCUIT:
        parts.append(scene.say("frame.bath", bath=seen.name if seen is not None else place.bath))
    if place.page in _OF_A_CIRCUIT and place.circuit:
        parts.append(place.circuit)
    if place.page == "hall" and place.only_abnormal:
        parts.append(scene.say("frame.only_abnormal"))
    if place.page in _PAGES:
        parts.append(scene.say(_PAGES[place.page]))
    return " / ".join(single(part, ascii_only=True) for part in parts)


def _world_word(scene: Scene) -> str:
    """DEMO where what is shown is virtual (of a mixed hall: which baths), REPLAY in a replay.

    And a standing word where a real bath takes profiles that nobody released.
    """
    known = [(each.name, each.picture) for each in scene.baths if each.picture is not None]
    if scene.replay:
        simulated = any(picture.virtual for _, picture in known)
        return " ".join(scene.say(key) for key in ("frame.replay", *(["frame.demo"] if simulated else [])))
    replayed = _of_baths(scene, "frame.replay", [name for name, picture in known if picture.replay is not None])
    virtual = _of_baths(scene, "frame.demo", [name for name, picture in known if picture.virtual])
    unreleased = _of_baths(scene, "frame.unreleased", [name for name, picture in known if picture.unreleased])
    return " ".join(word for word in (replayed, virtual, unreleased) if word)


_SOME = {
    "frame.replay": "frame.replay_some",
    "frame.demo": "frame.demo_some",
    "frame.unreleased": "frame.unreleased_some",
}


def _of_baths(scene: Scene, key: str, names: list[str]) -> str:
    """A word that holds for these baths: alone where it holds for the one here or for all, else with their names."""
    if not names:
        return ""
    here = scene.selected_bath
    if scene.place.page == "bath" or scene.place.page in _OF_A_CIRCUIT:
        return scene.say(key) if here is not None and here.name in names else ""
    known = sum(each.picture is not None for each in scene.baths)
    return scene.say(key) if len(names) == known else scene.say(_SOME[key], baths=" ".join(names))


def _clock(scene: Scene, *, long: bool) -> str:
    """The selected bath's time of its last cycle: it stands when the service does."""
    seen = scene.selected_bath
    if seen is None or seen.picture is None:
        return scene.say("frame.no_clock")
    # Of a record of years ago the year counts for more than the day of the week.
    dated = "%Y-%m-%d %H:%M:%S %z" if seen.replayed else "%a %d %b %H:%M:%S %z"
    spec = dated if long else "%H:%M:%S"
    shown = clock_at(scene, seen, seen.picture.now_ms, spec)
    if not long or shown[-5:-4] not in {"+", "-"}:
        return shown
    # %z gives +0100; a colon makes it an offset to the eye. Beside REPLAY there is no room for zeros.
    return shown[:-2] if seen.replayed and shown.endswith("00") else f"{shown[:-2]}:{shown[-2:]}"


def _counts(scene: Scene) -> str:
    """How many alarms are new, how many there are, and how many somebody shelved."""
    found = scene.alarms()
    new = sum(not alarm.acknowledged for _, alarm in found)
    shelved = sum(alarm.shelved_until_ms is not None for _, alarm in scene.silent())
    counts = [scene.say("frame.new", n=new), scene.say("frame.open", n=len(found))]
    return "  ".join([*counts, scene.say("frame.shelved", n=shelved)] if shelved else counts)


def _services_line(scene: Scene, width: int) -> Row:
    """Line 2: do the services answer, are records and links whole, who is blocked; a virtual plant's pace."""
    seen = scene.selected_bath
    if scene.replay and seen is not None and seen.picture is not None and seen.picture.replay is not None:
        return _replay_line(scene, seen.picture.replay, width)
    say, trusted = scene.say, [each for each in scene.baths if each.trusted]
    circuits = list(scene.circuits())
    up = sum(seen.trusted and one.link == "up" for seen, one in circuits)
    blocked = sum(bool(one.blocked_by) for _, one in circuits)
    answer = say("frame.answer", n=len(trusted), all=len(scene.baths))
    records, links = _records(scene), say("frame.links", n=up, all=len(circuits))
    told = say("frame.blocked", n=blocked)
    block: Part = ("waits", told) if blocked else told
    pace = _pace(scene)
    room = width - len(pace) - 1 if pace else width
    # Where it is narrow, what is well goes first; a block is always told.
    shorter = ["  ".join(([] if _records_well(scene) else [records]) + ([] if up == len(circuits) else [links])), ""]
    for middle in (f"{records}  {links}", *shorter):
        one = row(answer, " | ", middle, " | " if middle else "", block)
        if len(one.text) <= room:
            break
    one = fitted(one, max(0, room))
    return Row(one.text.ljust(max(0, width - len(pace))) + pace, one.spans) if pace else one


def _replay_line(scene: Scene, replay: ReplayView, width: int) -> Row:
    """Line 2 of a replay: where it stands, by whose decisions, what of the record is not whole; its pace."""
    say = scene.say
    pace = say("replay.ended") if replay.ended else _pace(scene)
    room = max(0, width - len(pace) - 1)
    parts = _replayed_at(scene, replay, room, dated=width < LONG_CLOCK)
    if replay.problems:
        parts.append(say("replay.not_whole", n=len(replay.problems) + replay.more_problems))
    if replay.core != replay.shown_by:
        parts.append(say("replay.other_core", core=replay.core, now=replay.shown_by))
    if not replay.decided:
        parts.append(say("replay.rows"))
    if replay.name:
        parts.append(single(replay.name, ascii_only=True))
    if replay.problems:
        parts.append(single(replay.problems[0], ascii_only=True))
    text = fitted(Row(" | ".join(parts)), room).text
    return Row(text.ljust(max(0, width - len(pace))) + pace)


def _replayed_at(scene: Scene, replay: ReplayView, room: int, *, dated: bool) -> list[str]:
    """The day (where line 1 has none) and the position; where both do not fit, the day goes first, then the length."""
    at, length = (since_start(each) for each in (replay.elapsed_s, replay.length_s))
    seen, position = scene.selected_bath, scene.say("replay.at", at=at, length=length)
    day = []
    if dated and seen is not None and seen.picture is not None:
        day = [clock_at(scene, seen, seen.picture.now_ms, "%Y-%m-%d")]
    tried = [[*day, position], [*day, at], [position], [at]]
    # Behind it is room for the sign that more is told.
    return next((each for each in tried if len(" | ".join(each)) < room), [at])


def _records_well(scene: Scene) -> bool:
    """Whether every bath writes; of a service that is silent nobody knows it."""
    told = [each.picture.record_trouble for each in scene.baths if each.picture is not None]
    return bool(scene.baths) and all(each.trusted for each in scene.baths) and not any(told)


def _records(scene: Scene) -> str:
    trouble = next(
        ((each.name, each.picture.record_trouble) for each in scene.baths
         if each.picture is not None and each.picture.record_trouble), None
    )  # fmt: skip
    if trouble is not None:
        return scene.say("frame.records_bad", bath=trouble[0], why=single(trouble[1] or "", ascii_only=True)[:24])
    return scene.say("frame.records_ok" if _records_well(scene) else "frame.records_unknown")


def _pace(scene: Scene) -> str:
    """How fast a virtual plant's time goes; empty for a real one."""
    seen = scene.selected_bath
    pace = seen.picture.pace if seen is not None and seen.picture is not None else None
    if pace is None:
        return ""
    if pace.paused:
        return scene.say("frame.paused")
    ratio = finite(pace.ratio)
    return scene.say("frame.pace" if ratio is None or ratio >= 1.0 else "frame.pace_slow", ratio=ratio)


def _first_to_do(scene: Scene, width: int) -> tuple[Row, Row]:
    """Lines 3 and 4: a service that does not answer before all alarms, else the first alarm; blank without one."""
    lost = [each for each in scene.baths if not each.trusted]
    found = [(seen, alarm) for seen, alarm in scene.alarms() if seen.trusted]
    if lost and scene.replay:
        return Row(scene.say("replay.silent")), BLANK
    if not lost:
        return _alarm_lines(scene, *found[0], width) if found else (BLANK, BLANK)
    silent, watchdogs = _silent(scene, lost), scene.say("frame.watchdogs")
    if found and not found[0][1].acknowledged:
        return silent, _alarm_lines(scene, *found[0], width)[0]
    if len(silent.text) + len(watchdogs) + 2 <= width:
        return Row(f"{silent.text}; {watchdogs}", silent.spans), BLANK
    return silent, row("   ", watchdogs)


def _silent(scene: Scene, lost: list[BathSeen]) -> Row:
    """Which services are silent, since the time of the longest silent one's last cycle."""
    say, told = scene.say, [each for each in lost if each.picture is not None]
    if not told:
        names = ", ".join(each.name for each in lost)
        return Row(say.count("frame.never", len(lost), baths=names))
    first = max(told, key=lambda each: finite(each.silent_s) or 0.0)
    at = clock_at(scene, first, first.picture.now_ms if first.picture is not None else 0, "%H:%M:%S")
    return Row(say.count("frame.silent", len(told), baths=", ".join(each.name for each in told), at=at))


def _alarm_lines(scene: Scene, seen: BathSeen, alarm: AlarmView, width: int) -> tuple[Row, Row]:
    """An alarm's first line with cause, value and limit, and its second: what was done, what to do, the key."""
    lines = alarmwords.told(scene, seen, alarm)
    named: Part = (style_of(alarm.priority), alarm.target)
    since = alarm_since(scene, seen, alarm)
    cause = row(*mark_parts(scene, alarm), " ", since, " ", named, " ", lines.cause)
    # In a narrow terminal the words of the caution need the room more than the key's name.
    key = "" if scene.replay or alarm.acknowledged or width < 72 else scene.say("frame.press_k")
    whole = did_and_do(scene.of(seen), lines)
    # Never a caution cut in two: where not all fits, what to do of a live string, else where the rest is read.
    more = "replay.did_more" if scene.of(seen).replay else "frame.did_more"
    short = lines.do if alarmwords.is_live(scene, lines) else scene.say(more, did=lines.did or None)
    ends = [f"  {key}", ""] if key else [""]
    told = next((text + end for text in (whole, short) for end in ends if len(text + end) + 3 <= width), short)
    return cause, fitted(row("   ", told), width)


def did_and_do(scene: Scene, lines: AlarmLines) -> str:
    """What was done and what to do, in one line; a caution stands as it is."""
    if not lines.do:
        return scene.say("frame.did", did=lines.did or None)
    live = "frame.did_live" if alarmwords.is_live(scene, lines) else "frame.did_do"
    return scene.say("replay.did_do" if scene.replay else live, did=lines.did or None, do=lines.do)


_GO = ("frame.key.open", "frame.key.back", "frame.key.hall", "frame.key.trend", "frame.key.alarms", "frame.key.events")
_TREND = (
    "frame.key.back", "frame.key.hall", "frame.key.trend_which", "frame.key.trend_window", "frame.key.trend_cursor",
    "frame.key.alarms",
)  # fmt: skip
_FIRST_KEYS: dict[str, tuple[str, ...]] = {
    "hall": (*_GO, "frame.key.go", "frame.key.filter"),
    "bath": (*_GO, "frame.key.go"),
    "circuit": _TREND,
    "trend": _TREND,
    "alarms": ("frame.key.open", "frame.key.back", "frame.key.hall", "frame.key.choose_line", "frame.key.events"),
    "events": (
        "frame.key.open", "frame.key.back", "frame.key.hall", "frame.key.filter", "frame.key.find", "frame.key.alarms",
    ),
    "orders": ("frame.key.choose", "frame.key.back", "frame.key.hall", "frame.key.choose_line", "frame.key.alarms"),
    "starts": ("frame.key.tick", "frame.key.refuse", "frame.key.back", "frame.key.choose_line", "frame.key.alarms"),
    "recovery": ("frame.key.answer", "frame.key.leave_held", "frame.key.choose_line", "frame.key.alarms"),
    "help": ("frame.key.back", "frame.key.hall", "frame.key.alarms", "frame.key.events"),
}  # fmt: skip
_ORDERING = {
    "frame.key.tick", "frame.key.refuse", "frame.key.answer", "frame.key.leave_held", "frame.key.choose",
    "frame.key.go",
}  # fmt: skip
"""Keys that a replay has no use for, or a wider one."""

_LAST_KEYS = ("frame.key.orders", "frame.key.note", "frame.key.mute", "frame.key.help", "frame.key.leave")


def keys(scene: Scene, width: int) -> list[Row]:
    """Return the two last lines: the keys that work on this page. A replay takes no order."""
    first = [*_FIRST_KEYS.get(scene.place.page, _GO)]
    if scene.replay:
        first = [each for each in first if each not in _ORDERING]
        second = ["frame.key.jump", "frame.key.go_time", "frame.key.pause", "frame.key.help", "frame.key.leave"]
    else:
        second = ["frame.key.stop", "frame.key.acknowledge", *_LAST_KEYS]
        if any(each.picture is not None and each.picture.pace is not None for each in scene.baths):
            if scene.place.page == "hall":
                first = [each for each in first if each not in {"frame.key.back", "frame.key.hall"}]
            first.insert(2, "frame.key.pause")
    return [_packed(scene, first, width), _packed(scene, second, width)]


def _packed(scene: Scene, wanted: list[str], width: int) -> Row:
    """The keys that fit, in their order; one that does not fit leaves its room to the next."""
    text = ""
    for key in wanted:
        word = scene.say(key)
        if len(text) + len(word) + (2 if text else 0) <= width:
            text += ("  " if text else "") + word
    return fitted(Row(text), width)
