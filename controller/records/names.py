"""Names of run folders that are taken: read from the disk once, before anything is controlled; then remembered."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from controller.records.place import SUFFIX


class Names:
    """What stands below a folder of runs, archived or not, and what was given since.

    What comes there by other hands meanwhile is found by who makes the folder, and not written into.
    """

    def __init__(self) -> None:
        self._taken: dict[Path, set[str]] = {}

    def look(self, runs: Path) -> None:
        """Read the names below `runs`, where nobody has yet; a folder that cannot be read tells none."""
        if runs in self._taken:
            return
        taken = self._taken[runs] = set()
        with suppress(OSError):
            taken.update(path.name.removesuffix(SUFFIX) for path in runs.iterdir())

    def new(self, runs: Path, name: str) -> str:
        """The name, or the first of `name`-2, `name`-3 ... that is free; it is taken from now on."""
        self.look(runs)
        taken, found, count = self._taken[runs], name, 1
        while found in taken:
            count += 1
            found = f"{name}-{count}"
        taken.add(found)
        return found
