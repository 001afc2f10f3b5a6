"""The controller service of one bath as a process: `run --headless`, and what `run` starts on a terminal."""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import sys
from contextlib import ExitStack
from pathlib import Path

from controller.bathfile import Bath, load_bath
from controller.core.types import Event
from controller.service.leaving import EXIT_FAILED, Ending, all_written
from controller.service.loop import Service
from controller.service.start import serve

__all__ = ["EXIT_FAILED", "add_arguments", "calm_collector", "run", "run_service", "runs_mark"]

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
    told to end and a disk did not take all that is recorded).

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
    ending = Ending(service)
    ending.listen()
    calm_collector()
    parts = service.parts
    try:
        if parts.socket is not None:
            await parts.socket.start()
            print(f"{runs_mark(parts.settings.name, os.getpid())}{parts.socket.path}", file=sys.stderr, flush=True)
        await service.run()
        why, code, at_zero = ending.why, ending.code, not service.not_zero
        if service.not_zero:
            why, code = f"{why}; zero NOT read back: {', '.join(service.not_zero)}", EXIT_FAILED
            print(f"bath {parts.settings.name}: {why}; read their own displays now", file=sys.stderr)
    except Exception as error:  # noqa: BLE001 - zero was ordered by now; say why, the manager restarts us
        why, code, at_zero = f"{type(error).__name__}: {error}", EXIT_FAILED, False
        print(f"bath {parts.settings.name}: {why}; {NOT_READ_BACK}", file=sys.stderr)
    finally:
        ending.over = True
        await _leave(service)
    parts.recorder.event(
        Event("service_ended", parts.settings.name, data={"why": why}), parts.clock.last().utc_ms, None
    )
    parts.recorder.end_all()
    return code if await asyncio.to_thread(all_written, service, ending, at_zero=at_zero) else EXIT_FAILED


async def _leave(service: Service) -> None:
    parts = service.parts
    parts.desk.refuse_all()
    if parts.socket is not None:
        await parts.socket.close()
    await parts.field.close()
