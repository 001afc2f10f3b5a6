"""The console's state and what each key does to it. Knows no terminal and no socket: what is to be done comes out.

Orders leave here only as `prompt` gives them; nothing here turns a single key into current.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any

from controller.console import alarms, events, layout, marked, moves, ordermenu, pacing, prompt, recovery, starts, trend
from controller.console.followed import Followed
from controller.console.pacing import Pace, Seek
from controller.console.prompt import Prompt, Step, Wanted
from controller.console.row import Row
from controller.console.scene import BathSeen, EventLine, OrderLine, Place, Scene, TrendData
from controller.console.strokes import Strokes
from controller.words import Say

IDLE_S = 600.0
SAID_S = 12.0
PARENTLESS = ("alarms", "events", "orders", "help", "starts")
PAGE_KEYS = {"a": "alarms", "e": "events", "o": "orders", "?": "help", "l": "starts"}
PROMPT_KEYS = {"s": "hold", "n": "note", "g": "go"}
DIGITS = dict(zip("1234567890", "aeolkgn?sh", strict=True))
"""The same for keyboards without these letters, where a page has no use of its own for a digit."""
DRAFTED = frozenset({"note", "load"})
"""Dialogues whose unsent text is kept, for when they are opened again on the same circuit."""
LENGTHS = {"orders": ordermenu.length, "starts": starts.length, "recovery": recovery.length}


@dataclass(frozen=True, slots=True)
class Announced:
    """A dialogue that opened or closed, for the other consoles."""

    bath: str
    verb: str
    target: str
    open: bool


@dataclass(frozen=True, slots=True)
class Quit:
    """The person leaves."""


Effect = Wanted | Pace | Seek | Announced | Quit


@dataclass(frozen=True, slots=True)
class Taste:
    """What does not change while the console runs."""

    say: Say
    zone: tzinfo | None = None
    still: bool = False


class App:
    """One console. `seen`, `trend`, `events` are handed in before each key and each drawing."""

    def __init__(self, taste: Taste) -> None:
        self.taste = taste
        self.place = Place()
        self.prompt: Prompt | None = None
        self.followed = Followed()
        self.muted: frozenset[tuple[str, str]] = frozenset()
        self.size = (80, 24)
        self._strokes = Strokes()
        self._said, self._said_s = "", -1e9
        self._key_s = 0.0
        self._back: list[Place] = []
        self._drawn: dict[alarms.Key, float] = {}
        self._alarm: marked.AlarmKey | None = None
        self._recovered = False
        self._drafts: dict[tuple[str, str, str], Prompt] = {}
        self._seen: tuple[BathSeen, ...] = ()
        self._trend: TrendData | None = None
        self._events: tuple[EventLine, ...] = ()
        self._read_events = False

    def look(self, seen: tuple[BathSeen, ...], trend: TrendData | None, lines: tuple[EventLine, ...] | None) -> None:
        """Take what is known now; `lines` None: the records have not been read for events yet."""
        self._read_events, lines = lines is not None, lines or ()
        kept = events.selected(self._scene()) if self.place.page == "events" and self.place.top > 0 else None
        self._seen, self._trend, self._events = seen, trend, lines
        if kept is not None:
            # Scrolled: what is new comes below, and the row that is read stays where it is.
            shown = events.visible(self._scene())
            top = next((at for at, line in enumerate(reversed(shown)) if line == kept), self.place.top)
            self.place = replace(self.place, top=top)
        if not self.place.circuit and any(True for _ in Scene(seen).circuits()):
            self.place = moves.with_selection(Scene(seen, self.place))

    def _scene(self) -> Scene:
        """The scene without what hangs on the time."""
        return Scene(
            self._seen, self.place, self.taste.say, self.taste.zone, events=self._events, trend=self._trend,
            replay=pacing.all_replays(self._seen),
        )  # fmt: skip

    def scene(self, now_s: float) -> Scene:
        """The scene as it stands."""
        said = self._said if now_s - self._said_s < SAID_S else ""
        lit = self.taste.still or int(now_s * 2) % 2 == 0
        made = Scene(
            self._seen, self.place, self.taste.say, self.taste.zone, lit, said, self.followed.lines(), self._events,
            self.place.top, self._read_events, self._trend, self.muted, pacing.all_replays(self._seen),
        )  # fmt: skip
        if self.place.page == "alarms" and self._alarm is not None:
            keys = marked.alarm_keys(made)
            cursor = keys.index(self._alarm) if self._alarm in keys else min(self.place.cursor, max(0, len(keys) - 1))
            self.place = replace(self.place, cursor=cursor)
            made = replace(made, place=self.place)
        return made

    def rows(self, width: int, height: int, now_s: float) -> list[Row]:
        """The whole screen; remembers since when each alarm has been on it."""
        self.size = (width, height)
        self.passed(now_s)
        scene = self.scene(now_s)
        made = layout.rows(scene, self.prompt, width, height)
        # Under a dialogue only the alarm above every page can be read.
        bare = scene if self.prompt is None else layout.at(scene, "hall")
        covered = 2 if bare.said and height > layout.LEAST_HEIGHT + 2 else 0
        on = alarms.drawn(bare, width, height - covered)
        self._drawn = {key: self._drawn.get(key, now_s) for key in on}
        return made

    def passed(self, now_s: float) -> list[Effect]:
        """Let time pass: dialogues die, an idle console goes back to the hall, a recovery list opens."""
        if said := self.followed.unanswered(now_s, self.taste.say):
            self._say(said, now_s)
        scene = self.scene(now_s)
        effects: list[Effect] = []
        if self.prompt is not None and (why := prompt.expired(self.prompt, scene, now_s)):
            effects += self._closed(self.prompt)
            self.prompt = None
            self._say(why, now_s)
        if recovery.wanted(scene):
            if not self._recovered:
                self._recovered = True
                self._go(replace(self.place, page="recovery", cursor=0, top=0))
        else:
            self._recovered = False
            if self.place.page == "recovery":
                self.place = replace(self.place, page="hall", cursor=0)
        idle = now_s - self._key_s > IDLE_S and not scene.replay
        if idle and (self.prompt is not None or self.place.page != self._home()):
            if self.prompt is not None:
                effects += self._closed(self.prompt)
            self.prompt = None
            self._back.clear()
            self.place = replace(self.place, page=self._home(), cursor=0, top=0)
        return effects

    def message(self, bath: str, message: Mapping[str, Any], now_s: float) -> None:
        """Take a message that is not about the link: an order's way, from whoever gave it."""
        said = self.followed.take(message, self.taste.say, bath)
        if said:
            self._say(said, now_s)

    def asked(self, order_id: str, wanted: Wanted, who: str, time_utc: str, now_s: float) -> None:
        """An order has left for its service."""
        line = OrderLine(time_utc, wanted.verb, wanted.target, who, bath=wanted.bath)
        self.followed.asked(order_id, line, now_s)

    def lost(self, order_id: str, why: str, now_s: float) -> None:
        """An order could not be sent: nothing was changed by it."""
        self.followed.lost(order_id, why)
        self._say(self.taste.say("link.not_sent", why=why), now_s)

    def say(self, text: str, now_s: float) -> None:
        """Show one line for a while."""
        self._say(text, now_s)

    def read(self, keys: Sequence[object], now_s: float) -> list[Effect]:
        """Take the keys of one read of the terminal."""
        self._key_s = now_s
        effects = self.passed(now_s)
        for kind, what in self._strokes.read(keys, now_s):
            effects += self._burst(what, now_s) if kind == "burst" else self._key(what, now_s)
        return effects

    def bell(self) -> frozenset[tuple[str, str, str]]:
        """The new alarms of priority 1 and 2 whose bell rings."""
        scene = self.scene(self._key_s)
        return frozenset(
            (seen.name, alarm.target, alarm.code)
            for seen, alarm in scene.alarms()
            if not alarm.acknowledged and alarm.priority <= 2 and (alarm.target, alarm.code) not in self.muted
            and not seen.replayed
        )  # fmt: skip

    # -- keys

    def _burst(self, text: str, now_s: float) -> list[Effect]:
        if self.prompt is not None:
            return self._step(prompt.burst(self.prompt, text, self.scene(now_s), now_s), now_s)
        self._say(self.taste.say("link.pasted", n=len(text)), now_s)
        return []

    def _key(self, key: str, now_s: float) -> list[Effect]:
        if self.prompt is not None:
            return self._in_prompt(key, now_s)
        low = key.lower() if len(key) == 1 else key
        scene = self.scene(now_s)
        if self.place.page not in LENGTHS:
            low = DIGITS.get(low, low)
        if low in PROMPT_KEYS:
            self.place = marked.circuit(scene)
            return self._opened(PROMPT_KEYS[low], now_s)
        own = self._of_page(scene, low, now_s)
        if own is not None:
            return own
        if low == "o" and scene.replay:
            self._say(self.taste.say("orders.replay"), now_s)
            return []
        if low in PAGE_KEYS:
            self._go(replace(moves.with_selection(scene), page=PAGE_KEYS[low], cursor=0, top=0))
            self._alarm = None
            self._follow_alarm(self.scene(now_s))
            return []
        return self._other(scene, low, now_s)

    def _other(self, scene: Scene, key: str, now_s: float) -> list[Effect]:
        if key == "q":
            return [Quit()]
        if key == "k":
            if self._vanished(scene):
                self._say(self.taste.say("alarms.just_gone"), now_s)
                return []
            return self._step(alarms.acknowledgement(scene, self._drawn, now_s), now_s)
        if key == "m":
            self._mute(scene, now_s)
        elif key == "h":
            self._back.clear()
            self.place = replace(self.place, page=self._home(), cursor=0, top=0)
        elif key == "esc":
            self._leave_page()
        elif key == "t":
            self._go(replace(moves.with_selection(scene), page="trend", trend_cursor=None))
        elif key == "f" and self.place.page == "hall":
            self.place = replace(self.place, only_abnormal=not self.place.only_abnormal)
        elif key in pacing.KEYS:
            wish = pacing.wish_of(scene, pacing.KEYS[key])
            return [wish] if wish is not None else []
        else:
            self._navigate(scene, key)
        return []

    def _of_page(self, scene: Scene, key: str, now_s: float) -> list[Effect] | None:
        """Give the key to the page where that has a use of its own for it; None: it has none."""
        page = self.place.page
        if page == "orders" and (kind := ordermenu.chosen(scene, key)):
            return self._opened(kind, now_s)
        if page == "starts" and key in {"enter", "x"}:
            return self._step(starts.pressed(scene, key, now_s), now_s)
        if page == "recovery" and key in {"enter", "x", *"0123456789"}:
            return self._step(recovery.pressed(scene, key, now_s), now_s)
        if page == "events" and key in {"f", "/"}:
            if key == "/":
                return self._opened("find", now_s)
            self.place = events.filtered(scene)
            return []
        return None

    def _in_prompt(self, key: str, now_s: float) -> list[Effect]:
        given = self.prompt
        if given is None:
            return []
        if key.lower() == "s" and len(key) == 1 and not prompt.takes_text(given):
            # The dialogue's own circuit is meant, whatever is selected.
            self.prompt = None
            if given.targets:
                self.place = replace(self.place, bath=given.bath, circuit=given.targets[0])
            return self._closed(given) + self._opened("hold", now_s)
        return self._step(prompt.pressed(given, key, self.scene(now_s), now_s), now_s)

    def _opened(self, kind: str, now_s: float) -> list[Effect]:
        step = prompt.open_prompt(kind, self.scene(now_s), now_s)
        if (
            step.prompt is not None
            and (draft := self._drafts.pop((kind, step.prompt.bath, step.prompt.target), None)) is not None
        ):
            step = replace(step, prompt=prompt.reopened(step.prompt, draft))
        return self._step(step, now_s)

    def _step(self, step: Step, now_s: float) -> list[Effect]:
        effects: list[Effect] = []
        before = self.prompt
        if before is not None and (step.prompt is None or step.prompt.kind != before.kind):
            effects += self._closed(before)
        if step.prompt is not None and step.prompt.verb and (before is None or step.prompt.kind != before.kind):
            effects.append(Announced(step.prompt.bath, step.prompt.verb, step.prompt.target, open=True))
        if before is not None and step.prompt is None and not step.wanted and before.kind in DRAFTED:
            self._drafts[before.kind, before.bath, before.target] = before
        self.prompt = step.prompt
        if step.said:
            self._say(step.said, now_s)
        if step.find is not None:
            effects += self._found(step.find, now_s, kind=before.kind if before is not None else "go")
        return [*effects, *step.wanted]

    def _closed(self, old: Prompt) -> list[Effect]:
        return [Announced(old.bath, old.verb, old.target, open=False)] if old.verb else []

    def _found(self, text: str, now_s: float, *, kind: str) -> list[Effect]:
        if kind == "find":
            self.place = replace(self.place, find=text, top=0)
            return []
        sought = pacing.sought(self.scene(now_s), text)
        if sought.wish is not None or sought.said:
            self._say(sought.said, now_s)
            return [sought.wish] if sought.wish is not None else []
        places = moves.found(self.scene(now_s), text)
        if len(places) == 1:
            self._go(places[0])
        elif places:
            names = ", ".join(f"{place.bath}/{place.circuit}" for place in places)
            self._say(self.taste.say("link.several", names=names), now_s)
        else:
            self._say(pacing.not_found(self.scene(now_s), text), now_s)
        return []

    # -- places

    def _home(self) -> str:
        return "recovery" if self._recovered else "hall"

    def _go(self, place: Place) -> None:
        if place.page != self.place.page and self.place.page not in PARENTLESS:
            self._back = [*self._back[-20:], self.place]
        self.place = place

    def _leave_page(self) -> None:
        """Go back to where the person came from; on the way up the pages' own order."""
        page = self.place.page
        if page in moves.PARENT:
            self._back = [place for place in self._back if place.page not in {page, moves.PARENT[page]}]
            self.place = replace(self.place, page=moves.PARENT[page], cursor=0, top=0)
            return
        if page in {"hall", "recovery"}:
            self.place = replace(self.place, page=self._home(), only_abnormal=False)
            return
        target = self._back.pop().page if self._back else self._home()
        self.place = replace(self.place, page=target, cursor=0, top=0, find="")

    def _navigate(self, scene: Scene, key: str) -> None:
        page = self.place.page
        if page in {"alarms", "events"} and key == "enter":
            if (opened := marked.opened(scene)) is not None:
                self._go(opened)
            return
        place = moves.moved(scene, key, layout.hall_columns(scene, self.size[0]), trend.plot_width(self.size[0]))
        if place.page != self.place.page:
            self._go(place)
        else:
            most = LENGTHS[page](scene) if page in LENGTHS else None
            self.place = place if most is None else replace(place, cursor=max(0, min(place.cursor, most - 1)))
        if page == "alarms":
            self._alarm = None
            self._follow_alarm(self.scene(0.0))

    def _follow_alarm(self, scene: Scene) -> None:
        """Remember which alarm is selected, not which row."""
        if (found := marked.alarm(scene)) is not None:
            self._alarm = (found[0].name, found[1].target, found[1].code)

    def _vanished(self, scene: Scene) -> bool:
        """Whether the alarm that was selected is there no more; its neighbour is selected then, to be looked at."""
        if self.place.page != "alarms" or self._alarm is None or self._alarm in marked.alarm_keys(scene):
            return False
        self._alarm = None
        self._follow_alarm(scene)
        return True

    # -- the rest

    def _mute(self, scene: Scene, now_s: float) -> None:
        ringing = {(target, code) for _, target, code in self.bell()}
        self.muted = self.muted | ringing
        told = self.taste.say.count("link.muted", len(ringing)) if ringing else self.taste.say("link.no_bell")
        self._say(told, now_s)

    def _say(self, text: str, now_s: float) -> None:
        self._said, self._said_s = text, now_s
