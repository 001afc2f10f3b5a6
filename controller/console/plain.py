"""The console as lines: for screen readers, logs, serial lines and terminals that can do no more. Append only.

No cursor movement, no colour, no box, no bell. Each line begins with time, circuit, kind; only what changes is printed,
`status` prints the rest. Orders go through the same dialogues as on the screen, with the same confirmations.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TextIO

from controller.console import alarms, answers, pacing, plainwords, prompt
from controller.console.followed import Followed
from controller.console.links import Link, Links, cause_of, pause
from controller.console.pacing import Pace, Seek
from controller.console.picture import Picture
from controller.console.plainwords import Asked, Line
from controller.console.prompt import Prompt, Step, Wanted
from controller.console.prompttypes import TEXT_STAGES
from controller.console.row import single
from controller.console.scene import OrderLine, Place, Scene
from controller.console.sending import announcement, order_of, pace_of, seek_of
from controller.service.client import new_id
from controller.service.errors import Unreachable
from controller.words import Say

TICK_S = 0.5
ATTACH_S = 5.0
LONGEST_LINE = 2000
Read = tuple[str, float]
"""A line, and when it came in."""


async def run_plain(paths: Sequence[Path] | None, stdin: TextIO, stdout: TextIO) -> int:
    """Print what changes and take orders line by line until `quit` or the end of input. Raises `Unreachable`."""
    try:
        return await PlainConsole(paths, stdin, stdout).run()
    except BaseExceptionGroup as group:
        raise cause_of(group) from group


class PlainConsole:
    """One plain console."""

    def __init__(self, paths: Sequence[Path] | None, stdin: TextIO, stdout: TextIO) -> None:
        self._stdin, self._stdout = stdin, stdout
        self._say = Say()
        self._links = Links(paths, self._message)
        self._followed = Followed()
        self._known: dict[str, Picture] = {}
        self._trusted: dict[str, bool] = {}
        self._printed: dict[alarms.Key, float] = {}
        self._place = Place(page="alarms")
        self._prompt: Prompt | None = None
        self._asked_s = 0.0
        """When the open dialogue was last printed."""
        self._sending: set[asyncio.Task[None]] = set()
        self._does: dict[str, Callable[[Asked], None]] = {
            "status": self._status,
            "alarms": self._alarms,
            "acknowledge": self._acknowledge,
            "list": self._list,
            "tick": self._tick_item,
            "recovery": self._recovery,
            "help": self._help,
            "faster": self._pace,
            "slower": self._pace,
            "pause": self._pace,
            "next": self._pace,
            "previous": self._pace,
            "go": self._go,
        }

    async def run(self) -> int:
        """Attach, then print and listen until the person leaves."""
        async with asyncio.TaskGroup() as tasks:
            linked = tasks.create_task(self._links.run())
            ticking = None
            try:
                await self._links.first(ATTACH_S)
                self._print(Line("", "", self._say("plain.hello")))
                ticking = tasks.create_task(self._tick())
                await self._listen()
            finally:
                linked.cancel()
                if ticking is not None:
                    ticking.cancel()
        if self._sending:
            await asyncio.wait(self._sending, timeout=2.0)
        return 0

    # -- out

    def _print(self, *lines: Line) -> None:
        seen = self._links.seen(self._now())
        virtual = any(each.picture is not None and each.picture.virtual for each in seen)
        replay = ("replay.line_demo" if virtual else "replay.line") if pacing.all_replays(seen) else ""
        for line in lines:
            text = single(" ".join(part for part in (line.at, line.who, line.text) if part), ascii_only=True)
            shown = self._say(replay, text=text) if replay else text
            print(shown, file=self._stdout, flush=True)

    async def _tick(self) -> None:
        while True:
            await pause(TICK_S)
            self._changes()
            if said := self._followed.unanswered(self._now(), self._say):
                self._print(Line("", "", said))
            if self._prompt is not None and (why := prompt.expired(self._prompt, self._scene(), self._now())):
                self._close(why)

    def _changes(self) -> None:
        """Print what has changed since the last look, bath by bath."""
        scene, now_s = self._scene(), self._now()
        for seen in scene.baths:
            if seen.trusted != self._trusted.get(seen.name, True):
                self._print(plainwords.trust(scene, seen))
            self._trusted[seen.name] = seen.trusted
            if seen.picture is None or seen.picture is self._known.get(seen.name):
                continue
            old = self._known.get(seen.name)
            self._known[seen.name] = seen.picture
            self._print(*plainwords.changes(scene, seen, old))
        on = {alarms.key_of(seen, alarm) for seen, alarm in scene.alarms() if not alarm.acknowledged}
        self._printed = {key: self._printed.get(key, now_s) for key in on}

    def _message(self, link: Link, message: Mapping[str, Any]) -> None:
        if message.get("type") == "snapshot":
            return
        said = self._followed.take(message, self._say, link.name)
        if said:
            scene = self._scene()
            bath = link.name if len(scene.baths) > 1 else ""
            # A replay's notice comes before the moment it is about; it says its own time.
            at = "" if scene.replay else plainwords.at_now(scene, scene.bath(link.name))
            self._print(Line(at, bath, said))

    # -- in

    async def _listen(self) -> None:
        """Take line by line; a reader thread waits for them, so that the loop never does."""
        lines: asyncio.Queue[Read | None] = asyncio.Queue(100)
        given = (self._stdin, asyncio.get_running_loop(), lines)
        # A daemon: it may wait for a line for ever, and must not keep the program from ending.
        threading.Thread(target=_read_lines, args=given, name="lines", daemon=True).start()
        while (read := await lines.get()) is not None:
            line, read_s = read
            if line.strip().lower() in {"quit", "q"} and self._prompt is None:
                return
            self._take(line, read_s)

    def _take(self, line: str, read_s: float) -> None:
        """Take one line; `read_s`: when it came in, on the loop's clock."""
        self._changes()
        if self._prompt is not None:
            self._answer(line, read_s)
            return
        asked = plainwords.parse(line, self._scene())
        if asked.said:
            self._print(Line("", "", asked.said))
            return
        self._place = asked.place(self._place)
        self._does.get(asked.word, self._order)(asked)

    def _answer(self, line: str, read_s: float) -> None:
        """Give a line to the open dialogue, as one answer."""
        if self._prompt is None:
            return
        if line.strip().lower() == "cancel":
            self._close(self._say("plain.left"))
            return
        if answers.too_soon(self._prompt, self._asked_s, read_s):
            self._print(Line("", "", self._say("plain.too_soon")))
            return
        if not self._step(answers.answered(self._prompt, line, self._scene(), self._now())):
            self._ask()

    def _ask(self) -> None:
        """Print the open dialogue."""
        if self._prompt is not None:
            self._print(*plainwords.question(self._prompt, self._scene()))
            self._asked_s = self._now()

    def _close(self, why: str) -> None:
        if self._prompt is not None and self._prompt.verb:
            self._announce(self._prompt, open_=False)
        self._prompt = None
        self._print(Line("", "", why))

    def _step(self, step: Step) -> bool:
        """Take what a key did; True where the dialogue is over."""
        before = self._prompt
        self._prompt = step.prompt
        if step.said:
            self._print(Line("", "", step.said))
        for wanted in step.wanted:
            self._send(wanted)
        if before is not None and step.prompt is None and before.verb:
            self._announce(before, open_=False)
        return step.prompt is None

    # -- what a word does

    def _order(self, asked: Asked) -> None:
        """Open the dialogue of an order; what follows the name is its text or reason, never its confirmation."""
        if self._step(plainwords.opened(self._scene(), asked, self._now())):
            return
        # On the screen the end of a run is a key of the hold's dialogue; here it has a word of its own.
        if asked.word == "stop" and self._prompt is not None:
            self._step(prompt.pressed(self._prompt, "e", self._scene(), self._now()))
        if self._prompt is None:
            return
        if self._prompt.verb:
            self._announce(self._prompt, open_=True)
        if asked.rest and self._prompt.stage in TEXT_STAGES:
            if not self._step(answers.answered(self._prompt, asked.rest, self._scene(), self._now())):
                self._ask()
            return
        if asked.rest:
            self._print(Line("", "", self._say("plain.not_used", text=asked.rest[:60])))
        self._ask()

    def _status(self, asked: Asked) -> None:
        self._print(*plainwords.status(self._scene(), asked))

    def _alarms(self, _: Asked) -> None:
        self._print(*plainwords.alarm_list(self._scene()))

    def _acknowledge(self, asked: Asked) -> None:
        found = plainwords.acknowledged(self._scene(), asked, self._printed, self._now())
        if found.said:
            self._print(Line("", "", found.said))
        for wanted in found.wanted:
            self._send(wanted)

    def _list(self, _: Asked) -> None:
        self._print(*plainwords.start_list(self._scene()))

    def _tick_item(self, asked: Asked) -> None:
        found = plainwords.ticked(self._scene(), asked)
        if found.said:
            self._print(Line("", "", found.said))
        for wanted in found.wanted:
            self._send(wanted)

    def _recovery(self, _: Asked) -> None:
        self._print(*plainwords.recovery_list(self._scene()))

    def _help(self, _: Asked) -> None:
        self._print(*plainwords.help_lines(self._scene()))

    def _pace(self, asked: Asked) -> None:
        wish = pacing.wish_of(self._scene(), asked.word)
        if wish is None:
            seek = asked.word in {"next", "previous"}
            self._print(Line("", "", self._say("replay.only" if seek else "plain.no_pace")))
            return
        self._wish(wish)

    def _go(self, asked: Asked) -> None:
        """Go to a moment of a replay."""
        scene = self._scene()
        sought = pacing.sought(scene, asked.rest)
        if sought.wish is not None:
            self._wish(sought.wish)
            return
        said = sought.said or self._say("replay.how_go" if scene.replay else "replay.only")
        self._print(Line("", "", said))

    def _wish(self, wish: Pace | Seek) -> None:
        link = self._links.of(wish.bath)
        pace = link.picture.pace if link is not None and link.picture is not None else None
        message = seek_of(wish, new_id()) if isinstance(wish, Seek) else pace_of(wish, pace, new_id())
        self._run(self._links.send(wish.bath, message), "")

    # -- sending

    def _send(self, wanted: Wanted) -> None:
        link = self._links.of(wanted.bath)
        order_id = new_id()
        utc = link.picture.time_utc if link is not None and link.picture is not None else ""
        who = link.who if link is not None else ""
        line = OrderLine(utc, wanted.verb, wanted.target, who, bath=wanted.bath)
        self._followed.asked(order_id, line, self._now())
        self._run(self._links.send(wanted.bath, order_of(wanted, order_id)), order_id)

    def _announce(self, given: Prompt, *, open_: bool) -> None:
        self._run(self._links.send(given.bath, announcement(given.verb, given.target, open_, new_id())), "")

    def _run(self, sending: Any, order_id: str) -> None:
        async def safely() -> None:
            try:
                await sending
            except (Unreachable, ValueError) as error:
                self._followed.lost(order_id, str(error))
                self._print(Line("", "", self._say("link.not_sent", why=str(error))))

        task = asyncio.get_running_loop().create_task(safely())
        self._sending.add(task)
        task.add_done_callback(self._sending.discard)

    def _scene(self) -> Scene:
        seen = self._links.seen(self._now())
        replay = pacing.all_replays(seen)
        return Scene(seen, self._place, self._say, orders=self._followed.lines(), blink=True, replay=replay)

    @staticmethod
    def _now() -> float:
        return asyncio.get_running_loop().time()


def _read_lines(stdin: TextIO, loop: asyncio.AbstractEventLoop, lines: asyncio.Queue[Read | None]) -> None:
    """Hand every line to the loop with the time it came in, None at the end. In a thread of its own: reading waits."""
    try:
        for line in stdin:
            read = (line[:LONGEST_LINE].rstrip("\n"), loop.time())
            asyncio.run_coroutine_threadsafe(lines.put(read), loop).result()
    except (OSError, ValueError, RuntimeError):
        pass
    finally:
        if not loop.is_closed():
            loop.call_soon_threadsafe(lines.put_nowait, None)
