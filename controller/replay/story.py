"""What a circuit was at any moment of its record: the core folded over the cycles, or rows where that proves nothing.

The same moment gives the same answer, however it was come to: forward cycle by cycle, or by a jump.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.circuit import decided
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Condition
from controller.records.cycles import Cycle
from controller.replay.fromrows import commanded, line_at, state_of, told_of
from controller.replay.tape import Tape

MOST_BACK = 400
"""Frames folded at most to a moment: those of a tail are a second long each, and the first of them has the state."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A circuit at one moment: state, what it was told, what stood. `decided`: by the core, cycle by cycle."""

    now_ms: int
    state: CircuitState
    cin: CircuitIn
    standing: tuple[Condition, ...]
    decided: bool


@dataclass(slots=True)
class _Place:
    """Where the fold stands: `done` cycles of a frame are folded. `sound`: it has agreed with the record so far."""

    frame: int
    done: int
    state: CircuitState | None
    standing: tuple[Condition, ...] = ()
    sound: bool = True


class Story:
    """The moments of one record. Keeps where it was last, so that going on costs only what is new."""

    def __init__(self, tape: Tape) -> None:
        self.tape = tape
        self._place: _Place | None = None
        self._told_otherwise = False

    def at(self, now_ms: int) -> Moment:
        """Return the newest moment up to `now_ms`; before the first cycle: the first."""
        tape = self.tape
        index = tape.frame_at(max(now_ms, tape.begins_ms(0))) if tape.frames else None
        found = tape.block(index) if index is not None else None
        if index is None or found is None or not found[1]:
            return self._of_rows(now_ms)
        count = sum(cycle.cin.now_ms <= now_ms for cycle in found[1]) or 1
        cycle = found[1][count - 1]
        place = self._folded(index, count)
        row = line_at(tape.log, now_ms)
        if row is not None and row.at_ms > cycle.cin.now_ms:
            # Rows go on where cycles are missing.
            return self._of_rows(now_ms)
        if tape.same_core and place is not None and place.sound and place.state is not None:
            return Moment(cycle.cin.now_ms, place.state, cycle.cin, place.standing, decided=True)
        base = place.state if place is not None else None
        state = state_of(tape.head, base, row, cycle.cin.now_ms)
        return Moment(cycle.cin.now_ms, commanded(state, cycle.command), cycle.cin, (), decided=False)

    def by_rows(self, now_ms: int) -> Moment:
        """Return a moment by its row alone, whatever the cycles say."""
        return self._of_rows(now_ms)

    def _of_rows(self, now_ms: int) -> Moment:
        tape = self.tape
        row = line_at(tape.log, now_ms)
        return Moment(now_ms, state_of(tape.head, None, row, now_ms), told_of(row, now_ms), (), decided=False)

    def _folded(self, index: int, count: int) -> _Place | None:
        """Return the fold after `count` cycles of a frame; None: there is no state to begin from."""
        if not self.tape.states:
            return None
        place = self._place
        near = place is not None and place.frame in (index, index - 1)
        if place is None or not near or (place.frame == index and place.done > count):
            place = self._begun(index)
        while place is not None and place.frame < index:
            place = self._next(self._through(place, self.tape.frames[place.frame].count))
        if place is not None:
            place = self._through(place, count)
        self._place = place
        return place

    def _begun(self, index: int) -> _Place | None:
        """Return the place before the nearest frame that has its first state, with whole frames up to this one."""
        for back in range(index, max(-1, index - MOST_BACK), -1):
            found = self.tape.block(back)
            if found is None:
                return None
            if found[0] is not None:
                return _Place(back, 0, found[0])
            if not self.tape.follows(back):
                return None
        return None

    def _next(self, place: _Place) -> _Place | None:
        """Return the place before the frame that follows; a frame's own first state counts more than the fold's."""
        index = place.frame + 1
        found = self.tape.block(index)
        if found is None:
            return None
        if found[0] is not None:
            return _Place(index, 0, found[0])
        return _Place(index, 0, place.state, place.standing, place.sound) if self.tape.follows(index) else None

    def _through(self, place: _Place, count: int) -> _Place:
        """Fold on to `count` cycles of the place's frame; where the core is another one, nothing is folded."""
        found = self.tape.block(place.frame)
        cycles = found[1] if found is not None else []
        if self.tape.same_core:
            for cycle in cycles[place.done : count]:
                if not place.sound or place.state is None:
                    break
                self._one(place, cycle)
        place.done = count
        return place

    def _one(self, place: _Place, cycle: Cycle) -> None:
        head = self.tape.head
        state = place.state
        if state is None:
            return
        try:
            after, _, place.standing = decided(head.settings, head.own, state, cycle.cin)
        except Exception:  # noqa: BLE001 - whatever a record holds, its rows can still be shown
            place.sound = False
            return
        if after.command != cycle.command:
            place.sound = False
            return
        place.state = after
