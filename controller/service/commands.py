"""The controller service of one bath as a process: `run --headless`, and what `run` starts on a terminal."""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import signal
import sys
from contextlib import ExitStack
from pathlib import Path

from controller.bathfile import Bath, load_bath
from controller.core.types import Event
from controller.service.loop import Parts, Service
from controller.service.start import serve

EXIT_DONE, EXIT_FAILED, EXIT_INTERRUPTED = 0, 70, 130
SECOND_PRESS_S = 5.0
NOT_READ_BACK = (
    "zero was ordered wherever a device could be reached, but NOT read back; "
    "the rectifiers' watchdogs do the rest: read their displays"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("bath", metavar="BATH.toml", type=Path, help="the bath file")
    parser.add_argument("--headless", action="store_true", help="the service alone, in this process, without a console")
    parser.add_argument("--reason", metavar="TEXT", default="", help="why settings were changed, for the record")


def runs_mark(bath: str, pid: int) -> str:
    """What stands before the socket's path in the line that says that this process takes orders for a bath."""
    return f"bath {bath} (pid {pid}): service runs, socket "


def run(args: argparse.Namespace) -> int:
    """Run the service until it is told to end. Returns 0 (SIGTERM), 130 (Ctrl-C twice), 70 (failed, all set to zero, or
    told to end and a disk did not take all rows).

    Raises InputError (exit 2) and Unreachable (exit 3).
    """
    bath = load_bath(args.bath)
    for problem in bath.problems:
        print(problem, file=sys.stderr)
    with ExitStack() as held:
        return asyncio.run(_serve(bath, held, args.reason))


async def _serve(bath: Bath, held: ExitStack, reason: str) -> int:
    return await run_service(await serve(bath, held, reason))


def calm_collector() -> None:
    """Take what lives as long as the service out of the garbage collector's rounds: a full one would stop a cycle."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


async def run_service(service: Service) -> int:
    """Run a service with its socket and signals to its end, and leave everything recorded, or say what is not."""
    ending = _Ending(service)
    ending.listen()
    calm_collector()
    parts = service.parts
    try:
        if parts.socket is not None:
            await parts.socket.start()
            print(f"{runs_mark(parts.settings.name, os.getpid())}{parts.socket.path}", file=sys.stderr, flush=True)
        await service.run()
        why, code = ending.why, ending.code
        if service.not_zero:
            why, code = f"{why}; zero NOT read back: {', '.join(service.not_zero)}", EXIT_FAILED
            print(f"bath {parts.settings.name}: {why}; read their own displays now", file=sys.stderr)
    except Exception as error:  # noqa: BLE001 - zero was ordered by now; say why, the manager restarts us
        why, code = f"{type(error).__name__}: {error}", EXIT_FAILED
        print(f"bath {parts.settings.name}: {why}; {NOT_READ_BACK}", file=sys.stderr)
    finally:
        await _leave(service)
    parts.recorder.event(
        Event("service_ended", parts.settings.name, data={"why": why}), parts.clock.last().utc_ms, None
    )
    parts.recorder.end_all()
    return code if await asyncio.to_thread(_all_written, parts) else EXIT_FAILED


def _all_written(parts: Parts) -> bool:
    """Have the disk take what still waits, and say so where it does not in its time; all rectifiers are at zero by now.

    For a thread: it may take half a minute.
    """
    writer = parts.writer
    if writer.close():
        return True
    why = writer.known_trouble or "the disk did not answer"
    what = f"{writer.waiting_rows:,} rows are NOT on the disk and lost with this process"
    print(f"bath {parts.settings.name}: {what}: {why}", file=sys.stderr, flush=True)
    return False


async def _leave(service: Service) -> None:
    parts = service.parts
    parts.desk.refuse_all()
    if parts.socket is not None:
        await parts.socket.close()
    await parts.field.close()


class _Ending:
    """SIGTERM, or Ctrl-C twice within five seconds: hold all, wait for zero read back, end."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._pressed_s: float | None = None
        self.why, self.code = "done", EXIT_DONE

    def listen(self) -> None:
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, self._end, "told to end", EXIT_DONE)
        loop.add_signal_handler(signal.SIGINT, self._press)

    def _press(self) -> None:
        now_s = asyncio.get_running_loop().time()
        if self._pressed_s is not None and now_s - self._pressed_s <= SECOND_PRESS_S:
            self._end("interrupted", EXIT_INTERRUPTED)
            return
        self._pressed_s = now_s
        print("Ctrl-C again within 5 s holds every circuit and ends the service", file=sys.stderr, flush=True)

    def _end(self, why: str, code: int) -> None:
        self.why, self.code = why, code
        self._service.ending = True
