"""The console on a real terminal: keys in, rows out, messages to and from the services. The one place with a screen.

At most two drawings a second unless a key was pressed or an alarm changed. The terminal is put back whatever happens;
a console that ends, hangs or is killed changes nothing at any circuit.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import locale
import os
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import urwid
from urwid.display.common import InputClosedError
from urwid.display.raw import Screen

from controller.console.app import Announced, App, Effect, Quit, Taste
from controller.console.feed import Feed
from controller.console.links import Link, Links, cause_of, pause
from controller.console.pacing import Pace, Seek
from controller.console.picture import AlarmView
from controller.console.plain import run_plain
from controller.console.pointer import keys_of
from controller.console.prompt import Wanted
from controller.console.row import Row
from controller.console.scene import BathSeen
from controller.console.sending import announcement, order_of, pace_of, seek_of
from controller.console.sheet import PALETTE, Sheet, wants_ascii
from controller.service.client import new_id
from controller.service.errors import Unreachable
from controller.words import Say

EXIT_DONE, EXIT_INTERRUPTED = 0, 130
TICK_S = 0.5
ATTACH_S = 5.0
BELL_AGAIN_S = 30.0
UNSIZED = (80, 24)
Keys = list[str | tuple[str, int, int, int]]


def run_console(
    paths: Sequence[Path] | None,
    *,
    ascii_only: bool = False,
    still: bool = False,
    mouse: bool = False,
    colour: bool | None = None,
    plain: bool = False,
) -> int:
    """Show the services at `paths` (None: every one of this machine that may be opened) until the person leaves.

    `colour` False: none; None: as the terminal and NO_COLOR say. Raises `Unreachable` where no service answers at all.
    """
    if plain:
        return asyncio.run(run_plain(paths, sys.stdin, sys.stdout))
    ascii_only = ascii_only or wants_ascii(os.environ, locale.getpreferredencoding(do_setlocale=False))
    console = Console(paths, ascii_only=ascii_only, still=still, mouse=mouse, colour=colour)
    code = asyncio.run(console.run())
    with contextlib.suppress(OSError):  # a terminal that hung up hears nothing more
        for line in console.last_words():
            print(line, file=sys.stderr)
    return code


class Console:
    """The parts put together; `run` lives as long as the person looks."""

    def __init__(
        self, paths: Sequence[Path] | None, *, ascii_only: bool, still: bool, mouse: bool, colour: bool | None
    ) -> None:
        self._say = Say()
        self._app = App(Taste(self._say, None, still))
        self._links = Links(paths, self._message)
        self._feed = Feed()
        self._ascii_only = ascii_only
        self._mouse = mouse
        self._colour = colour
        self._sheet = Sheet(self._rows, ascii_only=ascii_only)
        self._shown: list[Row] = []
        self._main: urwid.MainLoop | None = None
        self._done: asyncio.Future[int] | None = None
        self._drawn_s = -1e9
        self._known: object = None
        self._rung: dict[tuple[str, str, str], float] = {}
        self._sending: set[asyncio.Task[None]] = set()
        self._wake = asyncio.Event()
        self._left: tuple[BathSeen, ...] = ()

    async def run(self) -> int:
        """Attach, then show until `q`, a signal or the terminal's end; the terminal is as before afterwards."""
        loop = asyncio.get_running_loop()
        self._done = loop.create_future()
        try:
            async with asyncio.TaskGroup() as tasks:
                linked = tasks.create_task(self._links.run())
                try:
                    await self._links.first(ATTACH_S)
                    return await self._on_screen(tasks)
                finally:
                    linked.cancel()
        except BaseExceptionGroup as group:
            raise cause_of(group) from group

    async def _on_screen(self, tasks: asyncio.TaskGroup) -> int:
        loop, done = asyncio.get_running_loop(), self._done
        if done is None:
            return EXIT_DONE
        urwid.set_encoding("ascii" if self._ascii_only else "utf-8")
        screen = Sized(bracketed_paste_mode=True, focus_reporting=False)
        screen.set_terminal_properties(colors=1 if self._colour is False else colours_of(screen.colors))
        events = urwid.AsyncioEventLoop(loop=loop)
        self._main = urwid.MainLoop(
            self._sheet, PALETTE, screen, handle_mouse=self._mouse, input_filter=self._input, event_loop=events
        )
        ends = {signal.SIGTERM: EXIT_DONE, signal.SIGHUP: EXIT_DONE, signal.SIGINT: EXIT_INTERRUPTED}
        for number, code in ends.items():
            loop.add_signal_handler(number, self._end, code)
        # What urwid's own callbacks raise (a resize, a closed terminal) comes out here and nowhere else.
        loop.set_exception_handler(self._uncaught)
        ticking = reading = None
        try:
            self._main.start()
            self._draw()
            ticking, reading = tasks.create_task(self._tick()), tasks.create_task(self._read())
            return await done
        finally:
            for task in (ticking, reading):
                if task is not None:
                    task.cancel()
            main, self._main = self._main, None
            self._left = self._links.seen(loop.time())
            main.stop()

    def last_words(self) -> list[str]:
        """What goes on running without this console, a line a bath."""
        said = []
        for seen in self._left:
            if seen.picture is None or seen.picture.pace is not None:
                continue
            if not seen.trusted:
                said.append(self._say("link.left_silent", bath=seen.name))
                continue
            running = sum(each.state == "running" for each in seen.picture.circuits)
            said.append(self._say("link.left", bath=seen.name, running=running, circuits=len(seen.picture.circuits)))
        return said

    # -- drawing

    def _rows(self, width: int, height: int) -> list[Row]:
        now_s = asyncio.get_running_loop().time()
        self._look(now_s)
        self._shown = self._app.rows(width, height, now_s)
        return self._shown

    def _look(self, now_s: float) -> None:
        seen = self._links.seen(now_s)
        self._app.look(seen, self._feed.trend, self._feed.events if self._feed.fits(seen) else None)

    def _draw(self) -> None:
        if self._main is None:
            return
        self._sheet.refresh()
        self._main.draw_screen()
        self._drawn_s = asyncio.get_running_loop().time()

    async def _tick(self) -> None:
        """Twice a second: time passes, the screen is drawn, bells ring."""
        await self._guarded(self._tick_once)

    def _tick_once(self) -> None:
        now_s = asyncio.get_running_loop().time()
        self._look(now_s)
        self._effects(self._app.passed(now_s))
        self._draw()
        self._ring(now_s)

    async def _read(self) -> None:
        """Read the records that the page in view needs, off the loop's thread."""
        while True:
            scene = self._app.scene(asyncio.get_running_loop().time())
            try:
                await asyncio.to_thread(self._feed.update, scene)
                if self._feed.trouble and scene.place.page == "events":
                    self._app.say(self._feed.trouble, asyncio.get_running_loop().time())
            except Exception as error:  # noqa: BLE001 - a record that cannot be read must not end the console
                self._app.say(self._say("link.record", why=f"{type(error).__name__}: {error}"), self._drawn_s)
            await self._woken()

    async def _woken(self) -> None:
        """Wait for the next look at the records: a moment, or at once when another page is opened."""
        self._wake.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(TICK_S):
                await self._wake.wait()

    async def _guarded(self, do: Callable[[], None]) -> None:
        while True:
            try:
                do()
            except Exception as error:  # noqa: BLE001 - told after the terminal is put back
                self._fail(error)
                return
            await pause(TICK_S)

    def _ring(self, now_s: float) -> None:
        """Ring for each new alarm of priority 1 and 2, at once and again until somebody acknowledges or mutes it."""
        ringing = self._app.bell()
        self._rung = {key: rung for key, rung in self._rung.items() if key in ringing}
        due = [key for key in ringing if now_s - self._rung.get(key, -1e9) >= BELL_AGAIN_S]
        if due and self._main is not None:
            self._rung.update(dict.fromkeys(ringing, now_s))
            sys.stdout.write("\a")
            sys.stdout.flush()

    # -- what comes in

    def _input(self, keys: Keys, raw: list[int]) -> Keys:
        """Take the keys of one read; urwid itself only needs to hear of a new size."""
        resized: Keys = [key for key in keys if key == "window resize"]
        try:
            now_s = asyncio.get_running_loop().time()
            self._look(now_s)
            typed = [stroke for key in keys for stroke in keys_of(key, self._shown, self._app)]
            if typed == ["ctrl l"] and self._main is not None:
                self._main.screen.clear()
            page = self._app.place
            self._effects(self._app.read(typed, now_s))
            if self._app.place != page:
                self._wake.set()
            if not resized:
                self._draw()
        except Exception as error:  # noqa: BLE001 - told after the terminal is put back
            self._fail(error)
        return resized

    def _message(self, link: Link, message: Mapping[str, Any]) -> None:
        loop = asyncio.get_running_loop()
        if message.get("type") in {"snapshot", "gone"}:
            known = _alarms_of(self._links)
            if known != self._known or message.get("type") == "gone":
                self._known = known
                loop.call_soon(self._safely, self._draw)
            return
        self._app.message(link.name, message, loop.time())
        if message.get("type") in {"answer", "readback", "order", "notice"}:
            loop.call_soon(self._safely, self._draw)

    def _safely(self, do: Callable[[], None]) -> None:
        try:
            do()
        except Exception as error:  # noqa: BLE001 - told after the terminal is put back
            self._fail(error)

    def _end(self, code: int) -> None:
        if self._done is not None and not self._done.done():
            self._done.set_result(code)

    def _fail(self, error: Exception) -> None:
        if hung_up(error):
            self._end(EXIT_DONE)
        elif self._done is not None and not self._done.done():
            self._done.set_exception(error)

    def _uncaught(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        if isinstance(error, Exception):
            self._fail(error)
        else:
            loop.default_exception_handler(context)

    # -- what goes out

    def _effects(self, effects: Sequence[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, Quit):
                self._end(EXIT_DONE)
                continue
            task = asyncio.get_running_loop().create_task(self._send(effect))
            self._sending.add(task)
            task.add_done_callback(self._sent)

    def _sent(self, task: asyncio.Task[None]) -> None:
        self._sending.discard(task)
        if not task.cancelled() and isinstance(error := task.exception(), Exception):
            self._fail(error)

    async def _send(self, effect: Wanted | Pace | Seek | Announced) -> None:
        link = self._links.of(effect.bath)
        order_id = new_id()
        try:
            if isinstance(effect, Wanted):
                time_utc = link.picture.time_utc if link is not None and link.picture is not None else ""
                who, now_s = link.who if link is not None else "", asyncio.get_running_loop().time()
                self._app.asked(order_id, effect, who, time_utc, now_s)
                await self._links.send(effect.bath, order_of(effect, order_id))
            elif isinstance(effect, Pace):
                pace = link.picture.pace if link is not None and link.picture is not None else None
                await self._links.send(effect.bath, pace_of(effect, pace, order_id))
            elif isinstance(effect, Seek):
                await self._links.send(effect.bath, seek_of(effect, order_id))
            elif link is not None and link.connection is not None:
                await self._links.send(effect.bath, announcement(effect.verb, effect.target, effect.open, order_id))
        except (Unreachable, ValueError) as error:
            self._app.lost(order_id, str(error), asyncio.get_running_loop().time())


class Sized(Screen):
    """urwid's terminal, which always has a size: one that says 0 x 0 (a serial line, a bare pty) counts as 80 x 24."""

    def get_cols_rows(self) -> tuple[int, int]:
        """Return columns and rows."""
        columns, rows = super().get_cols_rows()
        return (columns, rows) if columns > 0 and rows > 0 else UNSIZED


def hung_up(error: Exception) -> bool:
    """Return whether this is how a terminal says that nobody is there any more."""
    return isinstance(error, InputClosedError) or (
        isinstance(error, OSError) and error.errno in {errno.EIO, errno.ENXIO, errno.EPIPE}
    )


def colours_of(found: int) -> Literal[1, 16, 256]:
    """Return the number of colours used where the terminal has so many."""
    return 256 if found >= 256 else 16 if found >= 16 else 1


def _alarms_of(links: Links) -> object:
    """What of the alarms and of the services' well-being is worth an early drawing."""
    known: list[object] = []
    for link in links.links.values():
        if link.picture is None:
            continue
        known.append((link.name, link.attached, _lives(link.picture.alarms)))
        known += [(each.name, each.state, each.blocked_by, _lives(each.alarms)) for each in link.picture.circuits]
    return known


def _lives(alarms: Sequence[AlarmView]) -> list[tuple[str, bool, bool, bool]]:
    return [(alarm.code, alarm.acknowledged, alarm.active, alarm.quiet) for alarm in alarms]
