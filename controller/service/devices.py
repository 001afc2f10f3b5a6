"""Whether a circuit's name still means the same rectifier: the settings of earlier services against these.

A block, out of use and an open run are kept by a circuit's name; where names were exchanged in the bath file, or the
bath itself got another one, they would come to another string. Reads, changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from controller.core.types import Event, Scalar
from controller.records.errors import RecordError
from controller.records.head import safe_name
from controller.records.reader import read_bytes
from controller.service.begun import is_first
from controller.service.left import Left
from controller.service.limits import Limits, kept_begun, kept_limits
from controller.service.renamed import new_here
from controller.texts.holders import NEW_HERE

Device = tuple[Scalar, ...]
LIMITS = "limits.json"


def devices_of(limits: Limits) -> dict[str, Device]:
    """Return where each circuit's rectifier is: the link's address, unit, channel.

    The ports of a virtual bath may be others each time: there the link's name counts.
    """
    found: dict[str, Device] = {}
    for key in limits:
        name, _, last = key.removeprefix("circuit.").rpartition(".")
        if not key.startswith("circuit.") or last != "unit":
            continue
        link = limits.get(f"circuit.{name}.link")
        where = (
            (link,) if limits.get("virtual") else tuple(limits.get(f"link.{link}.{kind}") for kind in ("tcp", "rtu"))
        )
        found[name] = (*where, limits[key], limits.get(f"circuit.{name}.channel"))
    return found


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

    At a bath's first start: every circuit whose rectifier stands in the settings of another bath below these runs.
    """
    if is_first(left):
        found = of_others(_beside(runs, bath), now)
        said = [f"{name}: its rectifier was that of {other}: {_SAID}" for name, other in found.items()]
        names = list(found)
    else:
        names = moved(_earlier(runs / safe_name(bath)), now)
        said = [f"{name}: is at another rectifier than before: {_SAID}" for name in names]
    if not names:
        return left
    circuits = dict(left.circuits)
    for name in names:
        each = circuits.get(name, new_here(name))
        circuits[name] = each if each.blocked_by else replace(each, blocked_by=NEW_HERE)
    return replace(left, circuits=circuits, events=(*left.events, *(_notice(bath, what) for what in said)))


_SAID = "blocked until maintenance has looked and unblocks"


def _notice(bath: str, what: str) -> Event:
    return Event("notice", bath, data={"what": what})


def _earlier(folder: Path) -> list[Limits]:
    """Return the settings of the services before, of which one or more may have been killed before all was told."""
    try:
        plain = json.loads(read_bytes(folder / LIMITS) or b"{}")
    except (RecordError, ValueError, RecursionError):
        return []
    before = kept_limits(plain)
    return [] if before is None else [before, *(each.limits for each in kept_begun(plain))]


def _beside(runs: Path, bath: str) -> dict[str, Limits]:
    """Return the newest settings of each other bath below a folder of runs, by the name of its folder."""
    try:
        folders = sorted(path.parent for path in runs.glob(f"*/{LIMITS}"))
    except OSError:
        return {}
    return {each.name: found[-1] for each in folders if each.name != safe_name(bath) and (found := _earlier(each))}
