"""Where the bath file and what was kept do not name the same circuits: one taken out, put back, renamed. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.texts.holders import NEW_HERE
from profiles.problems import clean

LONGEST_SAID = 200


def new_here(name: str) -> CircuitState:
    """Return a circuit that the bath had no such name for: blocked, until maintenance has looked and says why.

    It may be another one's new name, or have been left out for a time: nobody knows who works on its string.
    """
    return CircuitState(name, blocked_by=NEW_HERE)


def still_blocked(found: CircuitState, kept: CircuitState | None) -> CircuitState:
    """Return a circuit as its open run's record left it; what happened while the bath file lacked it is not known."""
    unknown = kept is not None and kept.blocked_by == NEW_HERE and not found.blocked_by
    return replace(found, blocked_by=NEW_HERE) if unknown else found


def not_the_same(settings: BathSettings, content: Mapping[str, Any], kept: Mapping[str, CircuitState]) -> list[str]:
    """Return what is to be said where state.json and the bath file do not name the same circuits."""
    names = [own.name for own in settings.circuits]
    new, gone = [name for name in names if name not in kept], [name for name in kept if name not in names]
    said = []
    if new:
        said.append(f"state.json: does not hold {', '.join(new)}: blocked until maintenance has looked and unblocks")
    if gone:
        folders = content.get("open_runs")
        told = ", ".join(held(kept[name], folders if isinstance(folders, Mapping) else {}) for name in gone)
        said.append(f"state.json: holds {told}: not in the bath file any more, so this is no longer kept")
    return said


def held(each: CircuitState, folders: Mapping[str, Any] = MappingProxyType({})) -> str:
    """Return a circuit's name and what must not be forgotten of it; `folders`: of open runs, by the circuit."""
    blocked = f"blocked by {each.blocked_by}" if each.blocked_by else ""
    unused = f"out of use: {each.out_of_use}" if each.out_of_use else ""
    loaded = f"{each.load.batteries} batteries" if each.load is not None else ""
    open_run = f"open run {folders[each.name]}" if each.name in folders else ""
    what = "; ".join(said for said in (blocked, unused, loaded, open_run) if said)
    return clean(f"{each.name} ({what})" if what else each.name, LONGEST_SAID)
