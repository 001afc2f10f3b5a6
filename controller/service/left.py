"""What an earlier service left, however it ended: state.json and the runs that were not closed, as far as they hold.

Nothing here raises for what stands in a file: what cannot be used is said, and taken for the worse. A circuit of which
nothing is known comes back blocked, a run whose folder cannot be opened goes on in a new one, and no current comes back
in any case but by a person's order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.core.bathstate import Duty
from controller.core.planned import Plan
from controller.core.settings import BathSettings
from controller.core.state import Alarm, CircuitState
from controller.core.types import Event
from controller.records.bathlog import BathLog
from controller.records.errors import RecordError
from controller.records.head import Text, read_plain
from controller.records.place import FolderPlace
from controller.records.reader import read_bytes
from controller.records.resume import Resumed, resume_run
from controller.records.rows import parse_time
from controller.records.run import RunRecord
from controller.records.statefile import read_state_at
from controller.records.writer import Writer
from controller.service.earlier import may_be_of, names_below, what_is_left
from controller.service.keeping import (
    Memory,
    ended_folders,
    kept_alarms,
    kept_circuits,
    kept_duty,
    kept_lost,
    kept_memory,
    kept_profiles,
    kept_releases,
    kept_resume_for,
    unreadable,
)
from controller.service.lostrows import lost_before
from controller.service.recorder import Recorder
from controller.service.renamed import new_here, not_the_same, still_blocked

NO_HEAD = "holds no run.json, its disk had not taken it: no run can be resumed from it; look at it, it stays as it is"

LARGEST_MS = 1 << 53
"""No moment is as far: 285,000 years. A larger number is damage."""


@dataclass(frozen=True)
class Left:
    """What an earlier service left: circuits, the newest core and wall time on record, open records, events to tell.

    `boot`: the clocks as they stood when state.json was written (`clock.boot_mark`).
    """

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
    boot: object = None


@dataclass
class _Found:
    """What has been taken up so far. `said`: what cannot be used, and what was cut."""

    circuits: dict[str, CircuitState]
    now_ms: int
    utc_ms: int | None
    said: list[str]
    records: dict[str, tuple[RunRecord, int]] = field(default_factory=dict)
    ended: dict[str, str] = field(default_factory=dict)


def what_was_left(settings: BathSettings, recorder: Recorder, writer: Writer, runs: Path) -> Left:
    """Read state.json and open each run that was not ended; nothing is completed by guessing."""
    content, said, older = kept_content(settings, recorder.bath, runs)
    circuits, problems = kept_circuits(content)
    changed_file = []
    if said:
        circuits = {own.name: circuits.get(own.name, unreadable(own.name)) for own in settings.circuits}
    elif "circuits" in content:
        changed_file = not_the_same(settings, content, circuits)
        circuits |= {own.name: new_here(own.name) for own in settings.circuits if own.name not in circuits}
    found = _Found(circuits, content["now_ms"], content["utc_ms"], [*older, *said, *problems, *changed_file])
    found.ended = ended_folders(content, circuits)
    for name, folders in folders_to_open(settings, content, runs, found.said, found.ended).items():
        # An older one only where the newer cannot be opened: two records of one run would both be wrong.
        for folder in folders:
            if _take_up(settings, found, name, runs / folder, writer):
                break
    recorder.bath.lost_rows += lost_before(content)
    no_disk_took = kept_lost(content)
    for record, _ in found.records.values():
        if record.folder.name in no_disk_took:
            record.lost_cycles, record.lost_rows = no_disk_took[record.folder.name]
    releases, lost = kept_releases(content, found.circuits, recorder.bath.read_release)
    return Left(
        circuits=found.circuits,
        now_ms=found.now_ms,
        utc_ms=found.utc_ms,
        records=found.records,
        profiles=kept_profiles(content), releases=releases, alarms=kept_alarms(content),
        duty=kept_duty(content),
        resume_for=kept_resume_for(content),
        memory=kept_memory(content),
        ended=found.ended,
        events=tuple(Event("notice", settings.name, data={"what": told}) for told in (*found.said, *lost)),
        boot=content.get("boot"),
    )  # fmt: skip


def kept_content(
    settings: BathSettings, bath: BathLog, runs: Path
) -> tuple[dict[str, Any], list[str], tuple[str, ...]]:
    """Return state.json with times as whole numbers and lists as lists, what of it cannot be used, what is only told.

    A file that is not there is a first start, but where a service of this bath left anything else: then blocks were
    forgotten.
    """
    try:
        content, trouble, older = read_state_at(FolderPlace(bath.folder))
    except RecordError as error:
        content, trouble, older = None, str(error), None
    if content is not None and older:
        # Sealed as it stands before anything beside it is: else a start that fails leaves a hash that seems stolen.
        with suppress(ValueError):
            bath.put_state(content)
    said = [trouble] if trouble else []
    if content is None and not trouble and (what := what_is_left(runs, settings.name, said)) is not None:
        said.append(f"state.json: {what}")
    found = dict(content or {})
    if content is not None and not isinstance(found.get("circuits"), dict):
        said.append("state.json: circuits: is missing")
    for name in ("now_ms", "utc_ms"):
        number = found.get(name)
        usable = type(number) is int and -LARGEST_MS < number < LARGEST_MS
        if content is not None and not usable:
            said.append(f"state.json: {name}: is no time")
        found[name] = number if usable else None
    found["now_ms"] = found["now_ms"] or 0
    if not isinstance(found.get("alarms", []), list):
        # Of what cannot be read the gravest is believed.
        found["alarms"] = [None]
    return found, said, (older,) if older else ()


def folders_to_open(
    settings: BathSettings, content: Mapping[str, Any], runs: Path, said: list[str], ended: Mapping[str, str]
) -> dict[str, list[str]]:
    """Return by the circuit the folders that may hold the run to go on with, the likeliest first.

    Those that state.json names, those whose end it knows but not the record (killed between the two), and any newer
    one without an end (killed before state.json could name it). Newer is what began later by core time, which no
    setting of a clock moves.
    """
    named = content.get("open_runs")
    found = {str(name): [Path(str(folder)).name] for name, folder in _items(named)}
    for name, folder in ended.items():
        if name not in found and _stands_open(runs / folder):
            found[name] = [folder]
    names = names_below(runs, settings.name, said)
    said += [f"{name}: {NO_HEAD}" for name in names if _has_no_head(runs / name)]
    for own in settings.circuits:
        newer = [
            (began[0], name)
            for name in names
            if may_be_of(name, settings.name, own.name) and _stands_open(runs / name)
            if (began := _began(runs / name, settings.name, own.name)) is not None
            if began[0] > content["now_ms"]
        ]
        known = found.get(own.name, [])
        found[own.name] = [name for _, name in sorted(newer, reverse=True) if name not in known] + known
    return found


def _items(named: object) -> Iterator[tuple[object, object]]:
    yield from named.items() if isinstance(named, Mapping) else ()


def _has_no_head(folder: Path) -> bool:
    """Return whether a run's folder was made and its run.json was not, by a service that was killed between the two.

    Not what archiving makes, nor what it leaves when it is killed while it takes an archived folder away.
    """
    made_by_archiving = folder.suffix == ".new" or folder.with_name(f"{folder.name}.zip").exists()
    return folder.is_dir() and not made_by_archiving and not (folder / "run.json").exists()


def _stands_open(folder: Path) -> bool:
    return (folder / "run.json").is_file() and not (folder / "summary.json").exists()


def _began(folder: Path, bath: str, circuit: str = "") -> tuple[int, int] | None:
    """Return the core and wall time at which a folder's run began; None where it is no run of theirs, or damaged."""
    try:
        plain = read_plain(read_bytes(folder / "run.json"))
        start_utc_ms = parse_time(str(plain.get("start_utc")))
    except (RecordError, ValueError):
        return None
    start_ms = plain.get("start_ms")
    mine = plain.get("bath") == bath and circuit in ("", plain.get("circuit"))
    return (start_ms, start_utc_ms) if mine and type(start_ms) is int else None


def _take_up(settings: BathSettings, found: _Found, name: str, folder: Path, writer: Writer) -> bool:
    """Open a run's folder, and take the circuit from it where it is newer than state.json; False: it cannot be."""
    began, kept = _began(folder, settings.name, name), found.circuits.get(name)
    try:
        if began is None:
            raise RecordError(f"is no run of {settings.name}, {name} that can be read")
        resumed = resume_run(folder, writer, plan=_plan_of(kept))
    except Exception as error:  # noqa: BLE001 - whatever a folder holds, the service has to start and say so
        found.said.append(f"{folder.name}: {error}")
        return False
    found.said += [f"{folder.name}: {said}" for said in (*resumed.cut, *resumed.problems)]
    # state.json may be the newer one: it is written before the run's folder in the same commit.
    if resumed.state is not None and (kept is None or resumed.state.now_ms >= kept.now_ms):
        found.circuits[name] = still_blocked(resumed.state, kept)
    if resumed.last_now_ms is not None and resumed.last_now_ms > found.now_ms:
        if resumed.last_utc_ms is not None:
            found.utc_ms = resumed.last_utc_ms
        elif found.utc_ms is not None:
            # No row tells the wall time of the last cycle: it went on from state.json's with core time.
            found.utc_ms += resumed.last_now_ms - found.now_ms
        found.now_ms = resumed.last_now_ms
    if _is_over(resumed, found.circuits.get(name)):
        resumed.record.release()
        found.ended[name] = folder.name
    else:
        found.ended.pop(name, None)
        found.records[name] = (resumed.record, began[1])
    return True


def _plan_of(kept: CircuitState | None) -> Plan | None:
    """Return the plan of a run that state.json knows as open; no order changes that while it is."""
    is_open = kept is not None and kept.run is not None and kept.run.end_ms is None
    return kept.load.plan if kept is not None and is_open and kept.load is not None else None


def _is_over(resumed: Resumed, circuit: CircuitState | None) -> bool:
    """Return whether a run was closed, though state.json does not say so yet."""
    return resumed.closed and circuit is not None and circuit.run is not None and circuit.run.end_ms is not None
