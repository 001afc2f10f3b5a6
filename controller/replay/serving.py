"""The replay's own process: snapshots of a record on a socket, at a pace, until whoever started it hangs up.

It opens the record for reading and writes only into a private folder that it makes itself. It takes no order.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from controller import words
from controller.console.replayview import since_start
from controller.console.then import asks
from controller.core.version import CORE
from controller.records.head import safe_name
from controller.replay.bathalarms import BathAlarms
from controller.replay.clockwork import Clockwork
from controller.replay.files import RunFiles
from controller.replay.landmarks import Happened, Landmarks
from controller.replay.shown import picture
from controller.replay.story import Story
from controller.replay.tape import Tape
from controller.service.errors import Refused
from controller.service.people import People, Person
from controller.service.protocol import Answer, OrderMessage, PaceMessage, clean
from controller.service.sockets import OrderSocket
from controller.words import Say

LOOK_EVERY_S = 0.5
MOST_PROBLEMS = 5
"""Of what is not whole in a record, so many sentences are told; `formbath verify` tells all."""


class Show:
    """A record being shown: position, files, snapshots. Knows no socket and no wall clock."""

    def __init__(self, tape: Tape, base: Path, clockwork: Clockwork) -> None:
        self.tape = tape
        self.clockwork = clockwork
        self.landmarks = Landmarks(tape.events)
        self._story = Story(tape)
        self._bath_alarms = BathAlarms(tape)
        self._files = RunFiles(base, safe_name(tape.head.plain["circuit"]), (tape.log, tape.all_events), tape.end_ms)

    def snapshot(self) -> dict[str, Any]:
        """Bring the files to the moment shown, then return its snapshot."""
        now_ms = self.clockwork.now_ms
        folder = self._files.show(now_ms)
        moment = self._story.at(now_ms)
        pace = (self.clockwork.ratio, self.clockwork.paused)
        try:
            alarms = self._bath_alarms.of(moment)
            return picture(self.tape, moment, folder, pace, self._told(decided=moment.decided), alarms)
        except Exception:  # noqa: BLE001 - a record from outside may hold what no core ever wrote; its rows still tell
            return picture(self.tape, self._story.by_rows(now_ms), folder, pace, self._told(decided=False))

    def close(self) -> None:
        """Remove the files of the moment shown."""
        self._files.remove()

    def seek(self, wish: PaceMessage) -> list[Happened]:
        """Go where a client asks; return the events that stand there, where it asked for one (empty: there is none)."""
        clockwork, head = self.clockwork, self.tape.head
        if wish.elapsed_s is not None:
            clockwork.seek(head.start_ms + round(wish.elapsed_s * 1000))
        elif wish.time_utc is not None:
            clockwork.seek(self.tape.moment_at(_utc_ms(wish.time_utc)))
        elif wish.event is not None:
            found = self.landmarks
            there = found.after(clockwork.now_ms) if wish.event == "next" else found.before(clockwork.now_ms)
            if there:
                # Who jumps to an event wants to look at it.
                clockwork.ask(None, paused=True)
                clockwork.seek(there[0].at_ms)
            return there
        return []

    def _told(self, *, decided: bool) -> dict[str, Any]:
        tape, at = self.tape, self.clockwork
        return {
            "elapsed_s": round(tape.elapsed_s(at.now_ms), 3),
            "length_s": round(tape.length_s, 3),
            "start_utc_ms": tape.utc_ms(at.begin_ms),
            "end_utc_ms": tape.utc_ms(at.end_ms),
            "core": tape.head.core,
            "shown_by": CORE,
            "decided": decided,
            "ended": at.ended,
            "name": clean(tape.name, 200),
            "problems": [clean(each, 200) for each in tape.problems[:MOST_PROBLEMS]],
            "more_problems": max(0, len(tape.problems) - MOST_PROBLEMS),
        }


class Serving:
    """A show on a socket. While nobody is attached, nothing goes on."""

    def __init__(self, show: Show, folder: Path) -> None:
        self.show = show
        self._say = Say()
        self._woken = asyncio.Event()
        self._over = False
        head = show.tape.head
        self.socket = OrderSocket(
            folder / f"replay-{os.getpid()}.sock",
            People(None, virtual=False, own_uid=os.getuid()).identify,
            _no_order,
            targets=(head.bath, head.circuit),
            virtual=head.settings.virtual,
            hall=head.settings.hall,
            runs=str(folder.resolve()),
            on_pace=self._paced,
            on_seek=self._sought,
        )

    async def run(self) -> None:
        """Show until told to end."""
        loop = asyncio.get_running_loop()
        while not self._over:
            self._woken.clear()
            attached = self.socket.clients > 0
            ended = self.show.clockwork.passed(loop.time(), still=not attached)
            await self.socket.publish(self.show.snapshot())
            if ended:
                await self._notice(self._say("replay.end"))
            await _wait(self._woken, LOOK_EVERY_S)

    def end(self) -> None:
        """Ask it to end."""
        self._over = True
        self._woken.set()

    def _paced(self, ratio: float | None, paused: bool | None) -> None:
        clockwork = self.show.clockwork
        clockwork.passed(asyncio.get_running_loop().time())
        clockwork.ask(ratio, paused)
        self._now(self._say("replay.end") if paused is False and clockwork.ended else "")

    def _sought(self, wish: PaceMessage) -> None:
        there = self.show.seek(wish)
        if wish.event is None:
            self._now("")
        elif there:
            first = next((each for each in there if each.kind == "alarm"), there[0])
            at = since_start(self.show.tape.elapsed_s(first.at_ms))
            cause = first.text.partition(";")[0] if first.kind == "alarm" else first.text
            text = cause or first.code
            if first.kind != "alarm" and asks(first.kind, first.code):  # of an alarm only its cause is told here
                text = self._say("replay.then", text=text)
            self._now(self._say("replay.event", at=at, target=first.target, text=text))
        else:
            self._now(self._say("replay.no_next" if wish.event == "next" else "replay.no_previous"))

    def _now(self, notice: str) -> None:
        """Show at once, and say something to whoever is attached."""
        loop = asyncio.get_running_loop()
        self.show.clockwork.passed(loop.time(), still=True)
        task = loop.create_task(self._shown(notice))
        task.add_done_callback(_heard)

    async def _shown(self, notice: str) -> None:
        await self.socket.publish(self.show.snapshot(), urgent=True)
        if notice:
            await self._notice(notice)

    async def _notice(self, text: str) -> None:
        await self.socket.tell({"type": "notice", "text": text})


def _heard(task: asyncio.Task[None]) -> None:
    """Let a failure end the process with its story, not vanish with the task."""
    error = None if task.cancelled() else task.exception()
    if error is not None:
        task.get_loop().call_exception_handler({"message": "a moment could not be shown", "exception": error})


async def _no_order(_message: OrderMessage, _person: Person) -> Answer:
    raise Refused("replay", words.REFUSALS["replay"])


def serve(tape: Tape, folder: Path, ratio: float, start_ms: int | None, out: TextIO) -> None:
    """Serve a record until standard input closes; `start_ms`: core time to begin at (None: its beginning).

    Makes `folder`, which must not be there, and takes away what it made in it at its end, and then the folder. Says the
    socket's path on `out`, one line, once it listens. Raises OSError, FileExistsError before anything else is done.
    """
    folder.mkdir(mode=0o700)
    try:
        clockwork = Clockwork(tape.begin_ms, tape.end_ms, ratio)
        if start_ms is not None:
            clockwork.seek(start_ms)
        asyncio.run(_served(Serving(Show(tape, folder, clockwork), folder), out))
    finally:
        # Never more than an empty folder: what somebody else put there is theirs.
        with suppress(OSError):
            folder.rmdir()


async def _served(serving: Serving, out: TextIO) -> None:
    leaving = asyncio.create_task(_hung_up(serving))
    try:
        await serving.socket.start()
        print(serving.socket.path, file=out, flush=True)
        await serving.run()
    finally:
        leaving.cancel()
        await serving.socket.close()
        serving.show.close()


async def _hung_up(serving: Serving) -> None:
    """End the show when the pipe on standard input closes (the other side left, or died), or a signal asks for it."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, serving.end)
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while await reader.read(4096):
        continue
    serving.end()


async def _wait(woken: asyncio.Event, longest_s: float) -> None:
    try:
        async with asyncio.timeout(longest_s):
            await woken.wait()
    except TimeoutError:
        return


def _utc_ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
