"""Putting a service together: bath file, locks, links, records, what an earlier service left, the socket."""

from __future__ import annotations

import os
from contextlib import ExitStack
from functools import partial

from controller.bathfile import Bath, settings_of
from controller.core.settings import BathSettings
from controller.core.types import LinkState
from controller.field.lines import Field, open_links
from controller.field.registermap import map_path
from controller.records.head import Text
from controller.records.ours import VERSION
from controller.records.writer import Writer
from controller.service.begun import Begun, begun
from controller.service.clock import RealClock, boot_mark, wall_moved_ms, wall_ms
from controller.service.desk import Desk
from controller.service.devices import at_other_devices
from controller.service.errors import Unreachable
from controller.service.left import what_was_left
from controller.service.limits import Keeping, limits_of, told_limits
from controller.service.locks import hold, locks_of
from controller.service.loop import Parts, Service
from controller.service.people import account_of, people_of
from controller.service.places import socket_place
from controller.service.recorder import Recorder, Sources
from controller.service.recordroom import log_ms_of, not_on_disk, writer_of
from controller.service.sockets import OrderSocket


def sources_of(bath: Bath) -> Sources:
    """Return the texts that a run of this bath rests on."""
    maps: dict[str, Text] = {}
    for entry in bath.file.circuit:
        path = map_path(entry.map, bath.folder)
        maps[entry.name] = Text(path.name, path.read_text(encoding="utf-8"))
    return Sources(Text(bath.document.path.name, bath.document.text), maps, {"formbath": VERSION})


def targets_of(bath: Bath) -> tuple[str, ...]:
    """Return the names that orders to this bath may have as target, the bath first."""
    return (bath.file.name, *(circuit.name for circuit in bath.file.circuit))


async def prove_reachable(field: Field, now_ms: int) -> None:
    """Raise Unreachable, naming every device that does not answer, where not one device of the bath does."""
    bath, channels = await field.read(now_ms)
    if bath.link is LinkState.UP or any(channel.link is LinkState.UP for channel in channels):
        return
    why = "; ".join(f"{place}: {what}" for place, what in sorted(field.why().items()))
    raise Unreachable(
        f"no device of the bath answers ({why or 'all links down'}); is the plant on, are the links right?"
    )


async def serve(bath: Bath, held: ExitStack, reason: str = "") -> Service:
    """Return a real service on its real clock, ready to run; its locks are held by `held`.

    `reason`: why settings were changed since the last service, in the words of who starts this one.

    Raises InputError for a wrong bath file or a lock another service has, Unreachable where no device answers.
    """
    held.push(hold(locks_of(bath), bath.document.name))
    settings = settings_of(bath)
    field = Field(bath, open_links(bath))
    await prove_reachable(field, 0)
    writer, not_kept = writer_of(bath, settings)
    recorder = Recorder(settings, sources_of(bath), bath.runs_path, log_ms_of(bath), writer, by_count=False)
    limits = limits_of(bath)
    left = what_was_left(settings, recorder, writer, bath.runs_path)
    left = at_other_devices(left, settings.name, bath.runs_path, limits)
    for circuit, (record, start_utc_ms) in left.records.items():
        recorder.adopt(circuit, record, start_utc_ms)
    recorder.remember_ended(left.ended)
    recorder.limits = Keeping(limits)
    changed = told_limits(bath, recorder.bath, tuple(left.records), account_of(os.getuid()).name, reason)
    begin = begun(settings, left, wall_ms(), wall_moved_ms(left.boot, boot_mark()))
    parts = _parts(bath, settings, field, recorder, writer, begin)
    service = Service(parts, begin.state, (*begin.told, *not_kept, *changed), begin.away)
    service.parts.desk.profiles.update(left.profiles)
    service.parts.desk.releases.update(left.releases)
    writer.start()
    return service


def _parts(bath: Bath, settings: BathSettings, field: Field, recorder: Recorder, writer: Writer, begin: Begun) -> Parts:
    clock = RealClock(settings.period_ms, begin.begin_ms, begin.first_ms)
    desk = Desk(bath.file, clock.last, partial(not_on_disk, writer), writer.has_dropped)
    place = socket_place(bath.file.hall, bath.file.name)
    identify = people_of(bath.file, os.getuid()).identify
    socket = OrderSocket(
        place.path,
        identify,
        desk.on_order,
        targets=targets_of(bath),
        virtual=bath.file.virtual,
        group=place.group,
        hall=bath.file.hall,
        runs=str(bath.runs_path.absolute()),
    )
    return Parts(
        settings,
        clock,
        field,
        desk,
        recorder,
        writer,
        socket,
        stepped=False,
        since_ms=clock.since_ms,
        log_ms=log_ms_of(bath),
        boot=boot_mark,
    )
