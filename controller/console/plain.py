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

from controller.console import plainwords, prompt
from controller.console.app import Pace
from controller.console.followed import Followed
from controller.console.links import Link, Links, cause_of, pause
from controller.console.picture import Picture
from controller.console.plainwords import Asked, Line
from controller.console.prompt import Prompt, Step, Wanted
from controller.console.row import single
from controller.console.scene import Place, Scene
from controller.console.sending import announcement, order_of, pace_of
from controller.service.client import new_id
from controller.service.errors import Unreachable
from controller.words import Say

TICK_S = 0.5
ATTACH_S = 5.0
LONGEST_LINE = 2000


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
        self._printed: dict[tuple[str, str, str], float] = {}
        self._place = Place(page="alarms")
        self._prompt: Prompt | None = None
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
        for line in lines:
            text = single(" ".join(part for part in (line.at, line.who, line.text) if part), ascii_only=True)
            print(text, file=self._stdout, flush=True)

    async def _tick(self) -> None:
        while True:
            await pause(TICK_S)
            self._changes()
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
        on = {(seen.name, alarm.target, alarm.code) for seen, alarm in scene.alarms() if not alarm.acknowledged}
        self._printed = {key: self._printed.get(key, now_s) for key in on}

    def _message(self, link: Link, message: Mapping[str, Any]) -> None:
        if message.get("type") == "snapshot":
            return
        said = self._followed.take(message, self._say)
        if said:
            scene = self._scene()
            self._print(Line(plainwords.at_now(scene, scene.bath(link.name)), "", said))

    # -- in

    async def _listen(self) -> None:
        """Take line by line; a reader thread waits for them, so that the loop never does."""
        lines: asyncio.Queue[str | None] = asyncio.Queue(100)
        given = (self._stdin, asyncio.get_running_loop(), lines)
        # A daemon: it may wait for a line for ever, and must not keep the program from ending.
        threading.Thread(target=_read_lines, args=given, name="lines", daemon=True).start()
        while (line := await lines.get()) is not None:
            if line.strip().lower() in {"quit", "q"} and self._prompt is None:
                return
            self._take(line)

    def _take(self, line: str) -> None:
        self._changes()
        if self._prompt is not None:
            self._answer(line)
            return
        asked = plainwords.parse(line, self._scene())
        if asked.said:
            self._print(Line("", "", asked.said))
            return
        self._place = asked.place(self._place)
        self._does.get(asked.word, self._order)(asked)

    def _answer(self, line: str) -> None:
        """Give a line to the open dialogue, letter by letter, as fingers on the screen's keyboard would."""
        if self._prompt is None:
            return
        if line.strip().lower() == "cancel":
            self._close(self._say("plain.left"))
            return
        word = line.strip().lower()
        given = self._prompt
        for key in ["enter"] if word in {"", "yes"} else [*line, "enter"]:
            step = prompt.pressed(given, key, self._scene(), self._now())
            if self._step(step) or step.prompt is None:
                return
            given = step.prompt
        self._ask()

    def _ask(self) -> None:
        """Print the open dialogue."""
        if self._prompt is not None:
            shown = prompt.rows(self._prompt, self._scene(), 100, 30)
            self._print(*(Line("", "", row.text) for row in shown), Line("", "", self._say("plain.how")))

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
        """Open the dialogue of an order; what follows the name is typed into it."""
        # On the screen the end of a run is a key of the hold's dialogue; here it has a word of its own.
        kind = "hold" if asked.word == "stop" else asked.word
        if self._step(prompt.open_prompt(kind, self._scene(), self._now(), asked.target or None)):
            return
        if asked.word == "stop" and self._prompt is not None:
            self._step(prompt.pressed(self._prompt, "e", self._scene(), self._now()))
        if self._prompt is not None and self._prompt.verb:
            self._announce(self._prompt, open_=True)
        if asked.rest and self._prompt is not None and prompt.takes_text(self._prompt):
            self._answer(asked.rest)
            return
        self._ask()

    def _status(self, asked: Asked) -> None:
        self._print(*plainwords.status(self._scene(), asked.target))

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
        self._print(*plainwords.help_lines(self._say))

    def _pace(self, asked: Asked) -> None:
        scene = self._scene()
        seen = scene.selected_bath
        if seen is None or seen.picture is None or seen.picture.pace is None:
            self._print(Line("", "", self._say("plain.no_pace")))
            return
        wish = Pace(seen.name, {"faster": 2.0, "slower": 0.5}.get(asked.word, 1.0), asked.word == "pause")
        self._run(self._links.send(seen.name, pace_of(wish, seen.picture.pace, new_id())), "")

    # -- sending

    def _send(self, wanted: Wanted) -> None:
        link = self._links.of(wanted.bath)
        order_id = new_id()
        utc = link.picture.time_utc if link is not None and link.picture is not None else ""
        self._followed.asked(order_id, wanted.verb, wanted.target, link.who if link is not None else "", utc)
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
        return Scene(self._links.seen(self._now()), self._place, self._say, orders=self._followed.lines(), blink=True)

    @staticmethod
    def _now() -> float:
        return asyncio.get_running_loop().time()


def _read_lines(stdin: TextIO, loop: asyncio.AbstractEventLoop, lines: asyncio.Queue[str | None]) -> None:
    """Hand every line to the loop, None at the end. In a thread of its own: reading waits."""
    try:
        for line in stdin:
            asyncio.run_coroutine_threadsafe(lines.put(line[:LONGEST_LINE].rstrip("\n")), loop).result()
    except (OSError, ValueError, RuntimeError):
        pass
    finally:
        if not loop.is_closed():
            loop.call_soon_threadsafe(lines.put_nowait, None)
