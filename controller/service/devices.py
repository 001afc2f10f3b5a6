"""Whether a circuit's name still means the same rectifier: the settings of earlier services against these.

A block, out of use and an open run are kept by a circuit's name; where names were exchanged in the bath file, or the
bath itself got another one, they would come to another string. Reads, changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from controller.core.state import CircuitState
from controller.core.types import Event, Scalar
from controller.records.errors import RecordError
from controller.records.head import safe_name
from controller.records.reader import read_bytes
from controller.records.statefile import LIMITS, read_limits, read_state
from controller.records.statefile import NAME as STATE
from controller.service.begun import is_first
from controller.service.left import Left
from controller.service.limits import Limits, kept_begun, kept_limits
from controller.service.locks import rtu_name, tcp_name
from controller.service.renamed import held, new_here
from controller.texts.holders import NEW_HERE, by_restart
from profiles.problems import clean

Device = tuple[Scalar, ...]
LONGEST_SAID = 400
_SAID = "blocked until maintenance has looked and unblocks"


def devices_of(limits: Limits) -> dict[str, Device]:
    """Return where each circuit's rectifier is: the link's address, unit, channel; one name for one end of a wire.

    The ports of a virtual bath may be others each time: there the link's name counts.
    """
    found: dict[str, Device] = {}
    for key in limits:
        name, _, last = key.removeprefix("circuit.").rpartition(".")
        if not key.startswith("circuit.") or last != "unit":
            continue
        link = str(limits.get(f"circuit.{name}.link"))
        where = f"link {link}" if limits.get("virtual") else _end_of(limits, link)
        found[name] = (where, limits[key], limits.get(f"circuit.{name}.channel"))
    return found


def _end_of(limits: Limits, link: str) -> str:
    tcp, rtu = limits.get(f"link.{link}.tcp"), limits.get(f"link.{link}.rtu")
    return tcp_name(tcp) if isinstance(tcp, str) else rtu_name(str(rtu))


def moved(before: Iterable[Limits], now: Limits) -> list[str]:
    """Return the circuits that had another rectifier with any of the services before; a new name is none of them."""
    earlier = [devices_of(limits) for limits in before]
    here = devices_of(now).items()
    return [name for name, device in here if any(each.get(name, device) != device for each in earlier)]


def of_others(before: Mapping[str, Limits], now: Limits) -> dict[str, str]:
    """Return the circuits whose rectifier another bath had, with that bath and the circuit's name there.

    Virtual ones are nobody else's: what they are called says nothing.
    """
    real = {bath: devices_of(limits) for bath, limits in before.items() if not limits.get("virtual")}
    theirs = {device: f"{bath}, {name}" for bath, devices in real.items() for name, device in devices.items()}
    return {name: theirs[device] for name, device in devices_of(now).items() if device in theirs}


def at_other_devices(left: Left, bath: str, runs: Path, now: Limits) -> Left:
    """Return what was left with every circuit blocked that has another rectifier than it had, and say so.

    Also where another bath below these runs had its rectifier last, and where nobody knows which one it had. Who
    blocked such a circuit stood at another string: only maintenance lifts it.
    """
    first, others = is_first(left), _beside(runs, bath)
    if not first:
        others = {name: limits for name, limits in others.items() if _is_later(runs / name, left.utc_ms)}
    why = {name: f"its rectifier was that of {other}" for name, other in of_others(others, now).items()}
    if not first:
        earlier = _earlier(runs / safe_name(bath))
        why |= dict.fromkeys(moved(earlier, now), "is at another rectifier than before")
        if not earlier and not now.get("virtual"):
            free = [name for name in devices_of(now) if not by_restart(_of(left, name).blocked_by)]
            why |= dict.fromkeys(free, f"{LIMITS} does not tell which rectifier it had")
    circuits, events = dict(left.circuits), list(left.events)
    for name, reason in why.items():
        each = _of(left, name)
        circuits[name] = each if by_restart(each.blocked_by) else replace(each, blocked_by=NEW_HERE)
        events.append(Event("notice", bath, data={"what": clean(f"{held(each)}: {reason}: {_SAID}", LONGEST_SAID)}))
    return replace(left, circuits=circuits, events=tuple(events)) if why else left


def _of(left: Left, name: str) -> CircuitState:
    return left.circuits.get(name, new_here(name))


def _earlier(folder: Path) -> list[Limits]:
    """Return the settings of the services before, of which one or more may have been killed before all was told."""
    try:
        plain, _ = read_limits(read_bytes(folder / LIMITS))
    except RecordError:
        return []
    before = None if plain is None else kept_limits(plain)
    return [] if plain is None or before is None else [before, *(each.limits for each in kept_begun(plain))]


def _beside(runs: Path, bath: str) -> dict[str, Limits]:
    """Return the newest settings of each other bath below a folder of runs, by the name of its folder."""
    try:
        folders = sorted(path.parent for path in runs.glob(f"*/{LIMITS}"))
    except OSError:
        return {}
    return {each.name: found[-1] for each in folders if each.name != safe_name(bath) and (found := _earlier(each))}


def _is_later(folder: Path, utc_ms: int | None) -> bool:
    """Whether a bath was served after that time, or nobody knows; one that keeps no state has no block to lose."""
    try:
        data = read_bytes(folder / STATE)
        kept, _ = read_state(data or b"")
    except RecordError:
        return True
    at_ms = kept.get("utc_ms") if kept is not None else None
    return bool(data) and (type(at_ms) is not int or utc_ms is None or at_ms > utc_ms)
