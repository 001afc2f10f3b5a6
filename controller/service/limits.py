"""What a service decides by, as flat plain values, so that the next one can tell what was changed in between.

Every key of the bath file counts, defaults too (a new version may bring others), with people and the register maps'
texts by their hash. A limit of another circuit is no matter of a run's record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from hashlib import sha256
from typing import Any

from controller.bathfile import Bath
from controller.bathmodel import map_places
from controller.core.types import Event, Scalar
from controller.field.registermap import map_path
from controller.records.bathlog import BathLog
from controller.records.writer import Writer
from profiles.problems import clean

FORMAT = "formbath/limits/1"
MOST_TOLD = 100
"""Changes that are told one by one; of further ones only how many."""
MOST_BEGUN = 8
"""Services on end that were killed before what they told was safe; of more the oldest are left out."""
LONGEST_VALUE, LONGEST_REASON = 200, 200
_HASH_DIGITS = 16
Limits = Mapping[str, Scalar]


@dataclass(frozen=True, slots=True)
class Change:
    """One value that is not as it was; None: it was, or is, not there."""

    key: str
    before: Scalar
    now: Scalar


@dataclass(frozen=True, slots=True)
class BegunWith:
    """What one service decided by, who started it and why."""

    limits: Limits
    who: str
    why: str


def limits_of(bath: Bath) -> dict[str, Scalar]:
    """Return the settings of a bath, `circuit.A01.current_max_A` to its value; lists as one text.

    Raises OSError where a map cannot be read any more.
    """
    plain = bath.file.model_dump(mode="json", exclude={"kind"})
    plain["circuit"] = {each["name"]: {k: v for k, v in each.items() if k != "name"} for each in plain["circuit"]}
    found: dict[str, Scalar] = {}
    _flatten("", plain, found)
    for text in sorted({text for _, text, _ in map_places(bath.file)}):
        data = map_path(text, bath.folder).read_bytes()
        found[f"map.{clean(text, LONGEST_VALUE)}"] = sha256(data).hexdigest()[:_HASH_DIGITS]
    return found


def _flatten(key: str, value: Any, found: dict[str, Scalar]) -> None:
    if isinstance(value, Mapping):
        for name, inner in value.items():
            _flatten(f"{key}.{name}" if key else str(name), inner, found)
    elif isinstance(value, list):
        found[key] = clean(", ".join(str(each) for each in value), LONGEST_VALUE)
    elif isinstance(value, str):
        found[key] = clean(value, LONGEST_VALUE)
    else:
        found[key] = value


def kept_limits(content: object) -> dict[str, Scalar] | None:
    """Return what an earlier service left of `limits.json`'s content; None: it is not of this form."""
    if not isinstance(content, Mapping) or content.get("format") != FORMAT:
        return None
    return _kept(content.get("limits"))


def kept_begun(content: Mapping[str, Any]) -> tuple[BegunWith, ...]:
    """Return the services that began since, of which it is not known whether all that they told is safe."""
    named = content.get("begun")
    found = []
    for each in named if isinstance(named, list) else ():
        limits = _kept(each.get("limits")) if isinstance(each, Mapping) else None
        if limits is not None:
            found.append(BegunWith(limits, clean(str(each.get("who")), LONGEST_VALUE), _why(str(each.get("why")))))
    return tuple(found)


def _kept(limits: object) -> dict[str, Scalar] | None:
    if not isinstance(limits, Mapping):
        return None
    return {
        str(key): value if value is None or isinstance(value, int | float) else str(value)
        for key, value in limits.items()
    }


def changes(before: Limits, now: Limits) -> tuple[Change, ...]:
    """Return what differs, in the order of the keys."""
    return tuple(
        Change(key, before.get(key), now.get(key))
        for key in sorted({*before, *now})
        if before.get(key) != now.get(key) or (key in before) != (key in now)
    )


def change_events(
    found: tuple[Change, ...], bath: str, open_runs: tuple[str, ...], circuits: tuple[str, ...], who: str, why: str
) -> tuple[Event, ...]:
    """Return what is told of them: to the bath all, to each open run those that are not another circuit's."""
    told = []
    for target in (bath, *open_runs):
        own = [each for each in found if target == bath or not _of_another(each.key, target, circuits)]
        told += [_event(each, target, who, why) for each in own[:MOST_TOLD]]
        if len(own) > MOST_TOLD:
            rest: dict[str, Scalar] = {"count": len(own) - MOST_TOLD, "who": who, "why": _why(why)}
            told.append(Event("limits_changed", target, data=rest))
    return tuple(told)


def told_limits(bath: Bath, log: BathLog, open_runs: tuple[str, ...], who: str, why: str) -> tuple[Event, ...]:
    """Return what was changed since the last service of this bath; nothing at its very first start.

    What a service was started with is left for the next one before it is told: killed on the way it is told once more,
    and what comes after it is held against it. `Keeping` ends that once all that was told is safe.
    """
    plain, trouble = log.read_limits()
    before = kept_limits(plain)
    if before is None:
        if plain is None and trouble is None:
            return ()
        what = f"{trouble or 'limits.json: is of another form'}; what was changed since the last service is not known"
        return (Event("notice", bath.file.name, data={"what": what}),)
    begun = list(kept_begun(plain or {}))[1 - MOST_BEGUN :]
    now = BegunWith(limits_of(bath), who, _why(why))
    if changes(begun[-1].limits if begun else before, now.limits):
        begun.append(now)
        log.put_limits({"format": FORMAT, "limits": before, "begun": [asdict(each) for each in begun]})
    circuits, told = tuple(each.name for each in bath.file.circuit), list[Event]()
    for each in begun:
        told += change_events(changes(before, each.limits), bath.file.name, open_runs, circuits, each.who, each.why)
        before = dict(each.limits)
    return tuple(told)


class Keeping:
    """Leaves the settings for the next service, once all that was told of them is safe in every record."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._cycles = 0
        self._told: int | None = None

    def look(self, log: BathLog, writer: Writer) -> bool:
        """Once a cycle, before its events; returns True when it is done.

        The first cycle tells; what it told is safe once all that was added before the second one is on the disk, be it
        on the space that was kept back.
        """
        self._cycles += 1
        if self._cycles < 2:
            return False
        mark, settled = writer.mark()
        if self._told is None:
            self._told = mark
        if settled < self._told:
            return False
        log.put_limits({"format": FORMAT, "limits": dict(self._limits)})
        return True


def _of_another(key: str, circuit: str, circuits: tuple[str, ...]) -> bool:
    return any(key.startswith(f"circuit.{other}.") for other in circuits if other != circuit)


def _event(change: Change, target: str, who: str, why: str) -> Event:
    data: dict[str, Scalar] = {
        "key": clean(change.key, LONGEST_VALUE), "was": _shown(change.before), "now": _shown(change.now),
        "limit": change.before, "value": change.now, "who": who, "why": _why(why),
    }  # fmt: skip
    return Event("limit_changed", target, data=data)


def _shown(value: Scalar) -> str:
    if value is None:
        return "not set"
    return ("yes" if value else "no") if isinstance(value, bool) else str(value) or "nothing"


def _why(why: str) -> str:
    return clean(why, LONGEST_REASON).strip() or "no reason given"
