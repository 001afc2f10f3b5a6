"""Wishes about time: of a virtual plant how fast it goes, of a replay also where. From keys and words, pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from controller.console.moment import Since, chosen, moments, parse_moment
from controller.console.replayview import since_start
from controller.console.scene import BathSeen, Scene

RATIO_STEP = 2.0
_MEANT_AS_TIME = re.compile(r"[+-]?\d[\d:.,/+TZHtzh -]*")
KEYS = {" ": "pause", ",": "slower", ".": "faster", "[": "previous", "]": "next"}
"""The word of each key, which the plain console takes as it is."""


@dataclass(frozen=True, slots=True)
class Pace:
    """A wish about the plant's time: a factor on its ratio, or pause and go on."""

    bath: str
    factor: float = 1.0
    pause: bool = False


@dataclass(frozen=True, slots=True)
class Seek:
    """A wish about a replay: so long after its start, the moment when its clock showed that, or an event."""

    bath: str
    elapsed_s: float | None = None
    moment: datetime | None = None
    event: str = ""


@dataclass(frozen=True, slots=True)
class Sought:
    """What a typed moment comes to: a wish, or why there is none; neither: it was no moment."""

    wish: Seek | None = None
    said: str = ""


def wish_of(scene: Scene, word: str) -> Pace | Seek | None:
    """Return what a word asks of the selected bath's time; None: it has none that could be asked."""
    seen = scene.selected_bath
    if seen is None or seen.picture is None or seen.picture.pace is None:
        return None
    if word in {"next", "previous"}:
        return Seek(seen.name, event=word) if seen.picture.replay is not None else None
    if word == "pause":
        return Pace(seen.name, pause=True)
    return Pace(seen.name, RATIO_STEP if word == "faster" else 1.0 / RATIO_STEP)


def sought(scene: Scene, text: str) -> Sought:
    """Return the wish to go to a moment that was typed, where a replay is selected."""
    seen = scene.selected_bath
    when = parse_moment(text)
    if seen is None or seen.picture is None or seen.picture.replay is None or when is None:
        return Sought()
    replay = seen.picture.replay
    if isinstance(when, Since):
        if when.elapsed_s > replay.length_s:
            length = since_start(replay.length_s)
            return Sought(said=scene.say("replay.beyond", time=text.strip(), length=length))
        return Sought(Seek(seen.name, elapsed_s=when.elapsed_s))
    found = chosen(moments(when, replay.first, replay.last, scene.zone), seen.picture.utc)
    if found is not None:
        return Sought(Seek(seen.name, moment=found))
    first, last = (f"{scene.local(each):%a %d %b %H:%M}" for each in (replay.first, replay.last))
    return Sought(said=scene.say("replay.outside", time=text.strip(), first=first, last=last))


def not_found(scene: Scene, text: str) -> str:
    """Return what is said of a text that is neither a moment nor a name here."""
    as_time = scene.replay and _MEANT_AS_TIME.fullmatch(text.strip()) is not None
    return scene.say("replay.no_time", time=text.strip()) if as_time else scene.say("link.no_such", name=text)


def all_replays(baths: tuple[BathSeen, ...]) -> bool:
    """Return whether everything seen is a replay: then nothing here takes an order."""
    known = [seen for seen in baths if seen.picture is not None]
    return bool(known) and all(seen.replayed for seen in known)
