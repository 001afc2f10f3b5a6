"""Whether a file that a person named may be written there: asked before the work is done, by whoever writes one."""

from __future__ import annotations

from pathlib import Path

from controller.records.guarded import guarded
from profiles.problems import clean


def wrong_place(place: Path, *, force: bool = True) -> str | None:
    """Return what stands against writing a file there, in words behind its name; None: nothing does.

    `force` False: what is there already is not written over. Opening a pipe or a device may wait for ever, so that only
    plain files are, and a record's own are no place for anything else.
    """
    shown = clean(str(place), 120)
    try:
        if "\0" in str(place):
            return f"{shown}: its name cannot be used"
        if place.is_dir():
            return f"{shown} is a folder, name a file"
        if not place.parent.is_dir():
            return f"{shown}: its folder does not exist, make it first"
        taken = place.exists()
        if taken and not place.is_file():
            return f"{shown} is no plain file, name another one"
        if (why := guarded(place)) is not None:
            return f"{shown} {why}"
        taken = taken or place.is_symlink()
    except (OSError, ValueError):
        return f"{shown}: its name cannot be used"
    return f"{shown} exists, name another file or add --force" if taken and not force else None
