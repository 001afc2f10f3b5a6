"""Putting a service together: bath file, locks, links, records, what an earlier service left, the socket."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.bathfile import Bath, settings_of
from controller.core.bathstate import Duty
from controller.core.settings import BathSettings
from controller.core.state import Alarm, CircuitState
from controller.core.types import Event, LinkState
from controller.core.version import CORE
from controller.field.lines import Field, open_links
from controller.field.registermap import map_path
from controller.records.errors import RecordError
from controller.records.head import Text
from controller.records.resume import resume_run
from controller.records.rows import parse_time, time_utc
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.service.away import found_open
from controller.service.clock import RealClock, wall_ms
from controller.service.desk import Desk
from controller.service.errors import Unreachable
from controller.service.keeping import (
    Memory,
    base_ms,
    begun_again,
    ended_folders,
    kept_alarms,
    kept_circuits,
    kept_duty,
    kept_memory,
    kept_profiles,
    kept_releases,
    kept_resume_for,
    unreadable,
)
from controller.service.locks import hold, locks_of
from controller.service.loop import Parts, Service
from controller.service.people import people_of
from controller.service.places import socket_place
from controller.service.recorder import Recorder, Sources
from controller.service.sockets import OrderSocket

VERSION = "0.1.0"


@dataclass(frozen=True)
class Left:
    """What an earlier service left: circuits, the newest core and wall time on record, open records, events to tell."""

    circuits: dict[str, CircuitState]
    now_ms: int
    utc_ms: int | None
    records: dict[str, tuple[RunRecord, int]]
    profiles: dict[str, Text]
    releases: dict[str, Text]
    alarms: tuple[Alarm, ...]
    ended: dict[str, str]
    events: tuple[Event, ...]
    duty: Duty
    resume_for: str
    memory: Memory


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


def what_was_left(settings: BathSettings, recorder: Recorder, writer: Writer, runs: Path) -> Left:
    """Read state.json and open each run that was not ended; nothing is completed by guessing."""
    content, trouble = recorder.bath.read_state()
    events = [Event("notice", settings.name, data={"what": trouble})] if trouble else []
    content = content or {}
    circuits, problems = kept_circuits(content)
    if trouble:
        circuits = {own.name: unreadable(own.name) for own in settings.circuits}
    now_ms, utc_ms = int(content.get("now_ms") or 0), int(content.get("utc_ms") or 0)
    records: dict[str, tuple[RunRecord, int]] = {}
    for name, folder in open_folders(settings, content, runs).items():
        try:
            resumed = resume_run(runs / Path(str(folder)).name, writer)
        except (RecordError, OSError) as error:
            problems.append(f"{folder}: {error}")
            continue
        problems += [f"{folder}: {said}" for said in (*resumed.cut, *resumed.problems)]
        records[str(name)] = (resumed.record, parse_time(resumed.head.start_utc))
        kept = circuits.get(str(name))
        # state.json may be the newer one: it is written before the run's folder in the same commit.
        if resumed.state is not None and (kept is None or resumed.state.now_ms >= kept.now_ms):
            circuits[str(name)] = resumed.state
        if resumed.last_now_ms is not None and resumed.last_now_ms > now_ms:
            now_ms = resumed.last_now_ms
            utc_ms = resumed.last_utc_ms or utc_ms
    releases, lost = kept_releases(content, circuits, recorder.bath.read_release)
    events += [Event("notice", settings.name, data={"what": said}) for said in (*problems, *lost)]
    return Left(
        circuits=circuits,
        now_ms=now_ms,
        utc_ms=utc_ms or None,
        records=records,
        profiles=kept_profiles(content), releases=releases, alarms=kept_alarms(content),
        duty=kept_duty(content),
        resume_for=kept_resume_for(content),
        memory=kept_memory(content),
        ended=ended_folders(content, circuits),
        events=tuple(events),
    )  # fmt: skip


def open_folders(settings: BathSettings, content: Mapping[str, Any], runs: Path) -> dict[str, str]:
    """Return the folder of each circuit's open run: those that state.json names, and any newer one without an end.

    A service that was killed just after a start may have written the run's folder, but not yet its name to state.json.
    """
    named = content.get("open_runs")
    found = {str(name): str(folder) for name, folder in named.items()} if isinstance(named, Mapping) else {}
    kept_at = time_utc(int(content.get("utc_ms") or 0))[:19].replace("-", "").replace(":", "")
    for own in settings.circuits:
        for path in sorted(runs.glob(f"*-{settings.name}-{own.name}-*/run.json")):
            folder = path.parent
            if folder.name[: len(kept_at)] >= kept_at and not (folder / "summary.json").exists():
                found[own.name] = folder.name
    return found


async def prove_reachable(field: Field, now_ms: int) -> None:
    """Raise Unreachable, naming every device that does not answer, where not one device of the bath does."""
    bath, channels = await field.read(now_ms)
    if bath.link is LinkState.UP or any(channel.link is LinkState.UP for channel in channels):
        return
    why = "; ".join(f"{place}: {what}" for place, what in sorted(field.why().items()))
    raise Unreachable(
        f"no device of the bath answers ({why or 'all links down'}); is the plant on, are the links right?"
    )


async def serve(bath: Bath, held: ExitStack) -> Service:
    """Return a real service on its real clock, ready to run; its locks are held by `held`.

    Raises InputError for a wrong bath file or a lock another service has, Unreachable where no device answers.
    """
    held.push(hold(locks_of(bath), bath.document.name))
    settings = settings_of(bath)
    field = Field(bath, open_links(bath))
    await prove_reachable(field, 0)
    writer = Writer()
    recorder = Recorder(
        settings, sources_of(bath), bath.runs_path, round(bath.file.runs.log_s * 1000), writer, by_count=False
    )
    left = what_was_left(settings, recorder, writer, bath.runs_path)
    for circuit, (record, start_utc_ms) in left.records.items():
        recorder.adopt(circuit, record, start_utc_ms)
    recorder.remember_ended(left.ended)
    begun_utc_ms = wall_ms()
    begin_ms, known = base_ms(left.now_ms, left.utc_ms, begun_utc_ms, settings.stale_ms) if left.utc_ms else (0, True)
    # Gas leaves cells for a time after a run: where there was one, or nobody knows, the after-run begins anew.
    after_run = any(each.run is not None or each.blocked_by for each in left.circuits.values())
    state = begun_again(
        settings,
        left.circuits,
        left.now_ms,
        left.alarms,
        after_run=after_run,
        duty=left.duty,
        resume_for=left.resume_for,
        memory=left.memory,
    )
    away = found_open(settings, left.circuits, left.utc_ms, begun_utc_ms, known=known)
    parts = _parts(bath, settings, field, recorder, writer, begin_ms)
    service = Service(parts, state, _told(settings, left, known), away)
    service.parts.desk.profiles.update(left.profiles)
    service.parts.desk.releases.update(left.releases)
    writer.start()
    return service


def _parts(
    bath: Bath, settings: BathSettings, field: Field, recorder: Recorder, writer: Writer, begin_ms: int
) -> Parts:
    clock = RealClock(settings.period_ms, begin_ms)
    desk = Desk(bath.file, clock.last, writer.flush)
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
    return Parts(settings, clock, field, desk, recorder, writer, socket, stepped=False, since_ms=clock.since_ms)


def _told(settings: BathSettings, left: Left, known: bool) -> tuple[Event, ...]:
    events = [Event("service_started", settings.name, data={"core": CORE}), *left.events]
    if not known:
        events.append(Event("notice", settings.name, data={"what": "how long the service was away is not known"}))
    return tuple(events)
