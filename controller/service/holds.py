"""Which blocks, and which circuits out of use, the disk has: what of them a service that ends now would take with it.

Pure. A block keeps current from somebody's hands: one that only this process knows of ends with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller.core.bathstate import BathState
from profiles.problems import clean

LONGEST_SAID = 100


@dataclass(frozen=True, slots=True)
class Held:
    """Who blocked a circuit, and why it is out of use; empty: nobody, it is in use."""

    blocked_by: str
    out_of_use: str


NOTHING = Held("", "")


def holds_of(state: BathState) -> dict[str, Held]:
    """Return what keeps current from each circuit by a person's word, or a restart's."""
    return {each.name: Held(each.blocked_by, each.out_of_use) for each in state.circuits}


class Holds:
    """The blocks of each state that was given to the writer, with the writer's mark behind it.

    Begins with those that were found: they stand on the disk, or are found again by the next start.
    """

    def __init__(self, found: BathState) -> None:
        self._given: list[tuple[int, Mapping[str, Held]]] = [(0, holds_of(found))]

    def given(self, mark: int, state: BathState) -> None:
        """A state went into the writer's memory before it gave that mark."""
        holds = holds_of(state)
        if holds != self._given[-1][1]:
            self._given.append((mark, holds))

    def forget(self, safe_mark: int) -> None:
        """Let go of what a newer state on the disk stands for."""
        while len(self._given) > 1 and self._given[1][0] <= safe_mark:
            del self._given[0]

    def lost(self, state: BathState, safe_mark: int) -> list[str]:
        """Return in words what holds now and is not in the newest state on the disk, a circuit each.

        `safe_mark`: what was given before this mark is on the disk (`Writer.safe_mark`). A block that the disk has
        under another name counts as lost: that person may lift it.
        """
        self.forget(safe_mark)
        kept = self._given[0][1]
        return [said for name, now in holds_of(state).items() if (said := _lost(name, now, kept.get(name, NOTHING)))]


def _lost(name: str, now: Held, kept: Held) -> str:
    blocked = f"blocked by {clean(now.blocked_by, LONGEST_SAID)}" if now.blocked_by not in ("", kept.blocked_by) else ""
    unused = f"out of use ({clean(now.out_of_use, LONGEST_SAID)})" if now.out_of_use and not kept.out_of_use else ""
    what = " and ".join(said for said in (blocked, unused) if said)
    return f"{clean(name)}: {what}" if what else ""
