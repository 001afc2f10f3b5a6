"""What outlives a restart beside the run folders: state.json, and how a new service takes it up. Pure but for clocks.

Circuits with an open run come back from their own record, which knows each cycle; the others from here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from controller.core.bath import fresh_state
from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.interlocks import BATH_LAWS
from controller.core.moves import restarted
from controller.core.settings import BathSettings
from controller.core.state import Alarm, Allowed, CircuitState, Timer
from controller.core.types import Reaction
from controller.records.errors import RecordError
from controller.records.head import Text
from controller.records.plain import Codec, PlainError
from controller.records.statefile import BATH_LOST
from controller.texts.holders import UNREADABLE

WEEK_MS = 7 * 24 * 3_600_000
SURE_MS = 20
"""So much longer than stale is a gap that is waited for: a timer may ring some ms early (own choice)."""

ADDED: Mapping[str, frozenset[str]] = {
    kind: frozenset(names.split())
    for kind, names in {
        "Alarm": "first shelved_until_ms shelved_by shelved_why suppressed returns_ms chattering times escalated"
        " told_ms out_of_use",
        "CircuitState": "ticks probes trail written openings out_of_use leads_off resume_for share_A moved_K written_V",
        "Command": "silent",
        "LinkMemory": "wrong late_ms garbled_ms",
        "Load": "battery_type continues first_step credited_Ah trial released",
        "Plan": "battery_type level_mm readings",
        "PlanStep": "expected_ms charge_cap_Ah",
        "Run": "first_ms late extended_ms before_A device_Ah ours_Ah rides_ms credited_Ah walk read watered",
        "Timer": "quiet_ms",
    }.items()
}
"""What core 1 or 2 did not keep yet: there it takes its default. Anything else that is missing is damage."""

BATH_CODES = frozenset(law.code for law in BATH_LAWS)

DROPPED: Mapping[str, frozenset[str]] = {"Run": frozenset({"step_told"})}


@dataclass(frozen=True, slots=True)
class Memory:
    """What of a bath's inputs outlives a restart: what reacts, and what it rests on; hydrogen is to be read anew."""

    timers: tuple[Timer, ...] = ()
    allowed: Allowed = field(default_factory=Allowed)
    flow_lost_ms: int | None = None
    base_ohm_per_V: float | None = None


def memory_of(state: BathState) -> Memory:
    """Return what the bath remembers of its inputs; of its timers those that react."""
    active = tuple(timer for timer in state.timers if timer.active)
    return Memory(active, state.allowed, state.inputs.flow_lost_ms, state.inputs.base_ohm_per_V)


def state_to_keep(
    state: BathState,
    utc_ms: int,
    folders: Mapping[str, str],
    profiles: Mapping[str, Text],
    ended: Mapping[str, str] | None = None,
    releases: Mapping[str, Text] | None = None,
    lost: Mapping[str, tuple[int, int]] | None = None,
    bath_lost: int = 0,
) -> dict[str, Any]:
    """Return state.json's content: circuits, open and ended run folders, the profiles and releases loads rest on.

    `lost`: cycles and rows of open records that no disk took; `bath_lost`: rows of the bath's own. `releases` are by
    the circuit; of each its name and hash stand here, its text in a file of its own.
    """
    codec = Codec()
    loads = [each.load for each in state.circuits if each.load is not None]
    used = {load.plan.sha256 for load in loads}
    return {
        "now_ms": state.now_ms,
        "utc_ms": utc_ms,
        "open_runs": dict(folders),
        "ended_runs": dict(ended or {}),
        "lost": {name: list(both) for name, both in (lost or {}).items()},
        BATH_LOST: bath_lost,
        "alarms": [codec.dump(Alarm, alarm) for alarm in state.alarms],
        "duty": codec.dump(Duty, state.duty),
        "resume_for": state.resume_for,
        "memory": codec.dump(Memory, memory_of(state)),
        "circuits": {each.name: codec.dump(CircuitState, each) for each in state.circuits},
        "profiles": _texts(profiles, used),
        "releases": {
            name: {"name": text.name, "sha256": text.sha256} for name, text in rested_on(state, releases or {}).items()
        },
    }


def rested_on(state: BathState, releases: Mapping[str, Text]) -> dict[str, Text]:
    """Return of these releases, by the circuit, those that a load rests on."""
    released = {each.name for each in state.circuits if each.load is not None and each.load.released}
    return {name: text for name, text in releases.items() if name in released}


def _texts(texts: Mapping[str, Text], used: set[str]) -> dict[str, Any]:
    return {sha: {"name": text.name, "text": text.text} for sha, text in texts.items() if sha in used}


def kept_circuits(content: Mapping[str, Any]) -> tuple[dict[str, CircuitState], list[str]]:
    """Return the circuits that state.json holds, and what of it cannot be used."""
    codec = Codec(added=ADDED, dropped=DROPPED)
    found: dict[str, CircuitState] = {}
    problems: list[str] = []
    circuits = content.get("circuits")
    for name, plain in circuits.items() if isinstance(circuits, dict) else ():
        try:
            found[name] = codec.load(CircuitState, plain)
        except (PlainError, KeyError, TypeError, ValueError) as error:
            problems.append(f"state.json: {name}: {error}")
            found[str(name)] = unreadable(str(name))
    return found, problems


def ended_folders(content: Mapping[str, Any], circuits: Mapping[str, CircuitState]) -> dict[str, str]:
    """Return the folder names of runs that ended and were not unloaded, as far as state.json still says so."""
    named = content.get("ended_runs")
    ended = {name for name, each in circuits.items() if each.run is not None and each.run.end_ms is not None}
    return {
        str(name): Path(str(folder)).name
        for name, folder in (named.items() if isinstance(named, Mapping) else ())
        if name in ended
    }


def kept_lost(content: Mapping[str, Any]) -> dict[str, tuple[int, int]]:
    """Return how many cycles and rows of open records no disk had taken, by the run's folder; nothing that is no count.

    Not by the circuit: it may have a newer run by now, which a service that was killed could not name here any more.
    """
    named, folders = content.get("lost"), content.get("open_runs")
    if not isinstance(named, Mapping) or not isinstance(folders, Mapping):
        return {}
    found = {}
    for name, both in named.items():
        counts = isinstance(both, list) and len(both) == 2 and all(type(each) is int and each >= 0 for each in both)
        if counts and name in folders:
            found[Path(str(folders[name])).name] = (both[0], both[1])
    return found


def unreadable(name: str) -> CircuitState:
    """Return a circuit of which nothing is known any more: blocked, until maintenance has looked and says why."""
    return CircuitState(name, blocked_by=UNREADABLE)


def kept_alarms(content: Mapping[str, Any]) -> tuple[Alarm, ...]:
    """Return the bath's own alarms that nobody has dealt with, or whose cause still reacts.

    Of what cannot be read the gravest is believed: a latch that waits for its reset.
    """
    codec = Codec(added=ADDED)
    reacts = {timer.code for timer in kept_memory(content).timers}
    found = []
    for plain in content.get("alarms") or ():
        try:
            alarm = codec.load(Alarm, plain)
            found.append(replace(alarm, active=alarm.active and alarm.code in reacts))
        except (PlainError, KeyError, TypeError, ValueError):
            found.append(stand_in(plain, int(content.get("now_ms") or 0)))
    return tuple(alarm for alarm in found if alarm.latched or alarm.active or not alarm.acknowledged)


def stand_in(plain: object, now_ms: int) -> Alarm:
    """Return a latched alarm for one that cannot be read: of its own code where that is known, else a stop."""
    said = plain.get("code") if isinstance(plain, Mapping) else None
    code = said if isinstance(said, str) and said in BATH_CODES else "emergency_stop"
    return Alarm(code, now_ms, 1, Reaction.TRIP, active=False, latched=True)


def kept_memory(content: Mapping[str, Any]) -> Memory:
    """Return what the bath remembered of its inputs; nothing where that was not kept or cannot be read."""
    try:
        found = Codec(added=ADDED).load(Memory, content["memory"])
    except (PlainError, KeyError, TypeError, ValueError):
        return Memory()
    return replace(found, timers=tuple(timer for timer in found.timers if timer.code in BATH_CODES))


def kept_duty(content: Mapping[str, Any]) -> Duty:
    """Return what people did last: shift, round, horn. A permit and a running horn test end with a restart."""
    try:
        duty = Codec().load(Duty, content["duty"])
    except (PlainError, KeyError, TypeError, ValueError):
        return Duty()
    return replace(duty, permit_until_ms=None, permit_by="", horn_test_ms=None, muted=False)


def kept_resume_for(content: Mapping[str, Any]) -> str:
    """Return the cause after which the first resume is maintenance's."""
    return str(content.get("resume_for") or "")


def kept_profiles(content: Mapping[str, Any]) -> dict[str, Text]:
    """Return the texts of the profiles that kept loads rest on."""
    return _kept_texts(content.get("profiles"))


def kept_releases(
    content: Mapping[str, Any], circuits: Mapping[str, CircuitState], read: Callable[[str], str]
) -> tuple[dict[str, Text], list[str]]:
    """Return the releases that kept loads rest on, by the circuit, and what of them cannot be read any more.

    `read` returns the text that was kept under a hash, or raises RecordError. An older state held the texts itself, by
    the hash of the profile's text.
    """
    entries = content.get("releases")
    named = entries if isinstance(entries, dict) else {}
    older = _kept_texts(named)
    found: dict[str, Text] = {}
    problems: list[str] = []
    for name, each in circuits.items():
        if each.load is None or not each.load.released:
            continue
        entry = named.get(name)
        if each.load.plan.sha256 in older:
            found[name] = older[each.load.plan.sha256]
        elif isinstance(entry, dict):
            try:
                found[name] = Text(str(entry.get("name")), read(str(entry.get("sha256"))))
            except (RecordError, OSError, ValueError) as error:
                problems.append(f"the release of {name}: {error}")
    return found, problems


def _kept_texts(texts: object) -> dict[str, Text]:
    if not isinstance(texts, dict):
        return {}
    return {
        str(sha): Text(str(entry["name"]), str(entry["text"]))
        for sha, entry in texts.items()
        if isinstance(entry, dict) and "name" in entry and "text" in entry
    }


def begun_again(
    settings: BathSettings,
    kept: Mapping[str, CircuitState],
    now_ms: int,
    alarms: tuple[Alarm, ...] = (),
    *,
    after_run: bool,
    duty: Duty | None = None,
    resume_for: str = "",
    memory: Memory | None = None,
) -> BathState:
    """Return the bath of a new service: every circuit unknown until zero was read back, the purge begun anew.

    `now_ms`: core time of the newest thing on record. `after_run`: current may have flowed not long ago.
    """
    fresh, memory = fresh_state(settings), memory or Memory()
    circuits = tuple(restarted(kept[each.name]) if each.name in kept else each for each in fresh.circuits)
    return BathState(
        circuits,
        now_ms=now_ms,
        current_ms=now_ms if after_run else None,
        alarms=alarms,
        duty=duty or Duty(),
        resume_for=resume_for,
        timers=memory.timers,
        allowed=memory.allowed,
        inputs=Inputs(flow_lost_ms=memory.flow_lost_ms, base_ohm_per_V=memory.base_ohm_per_V),
    )


def base_ms(last_now_ms: int, last_utc_ms: int | None, utc_ms: int, stale_ms: int) -> tuple[int, bool]:
    """Return the core time at which a new service goes on, and whether the gap is known.

    The gap is wall time since the last row; negative or above a week it is not known, and counts as just stale.
    """
    away = utc_ms - last_utc_ms if last_utc_ms is not None else -1
    if 0 <= away <= WEEK_MS:
        return last_now_ms + away, True
    return last_now_ms + stale_ms + 1, False


def first_cycle_ms(last_now_ms: int, stale_ms: int) -> int:
    """Return the core time before which a new service decides nothing: a restart is a gap in every record.

    Who is back sooner waits the rest of it, a moment that the rectifiers' watchdogs are made for: no time is invented.
    """
    return last_now_ms + stale_ms + SURE_MS
