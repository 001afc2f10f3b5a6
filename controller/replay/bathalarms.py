"""The bath's own alarms, as far as a circuit's record tells of them: what reduces, holds or trips the whole bath. Pure.

The record has no word on who acknowledged them, so that none of them is shown as new.
"""

from __future__ import annotations

from controller.core.state import Alarm
from controller.core.types import Condition
from controller.records.peek import changes
from controller.replay.story import Moment
from controller.replay.tape import Tape


class BathAlarms:
    """Says of what stands in a moment since when it does; what is worked out of a block is kept."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape
        self._codes: dict[int, list[tuple[int, frozenset[str]]] | None] = {}

    def of(self, moment: Moment) -> tuple[Alarm, ...]:
        """Return an alarm for each condition of the bath that the circuit was told of."""
        found: dict[str, Condition] = {each.code: each for each in moment.cin.bath.reactions}
        return tuple(
            Alarm(
                code=each.code,
                since_ms=self._since_ms(each.code, moment.now_ms),
                priority=each.priority,
                reaction=each.reaction,
                acknowledged=True,
                value=each.value,
                limit=each.limit,
            )
            for each in found.values()
        )

    def _since_ms(self, code: str, now_ms: int) -> int:
        """Return the time of the first of the cycles on end that tell of it."""
        tape = self._tape
        index = tape.frame_at(now_ms)
        block = tape.block(index) if index is not None else None
        if index is None or block is None:
            return now_ms
        begun = self._begun(index, code, sum(each.cin.now_ms <= now_ms for each in block[1]) - 1)
        while begun == 0 and tape.follows(index):
            earlier = self._begun(index - 1, code, tape.frames[index - 1].count - 1)
            if earlier is None:
                break
            index, begun = index - 1, earlier
        if begun is None:
            return now_ms
        block = tape.block(index) if begun else None
        return block[1][begun].cin.now_ms if block is not None and begun < len(block[1]) else tape.begins_ms(index)

    def _begun(self, index: int, code: str, last: int) -> int | None:
        """Return from which cycle of a block on it stood up to the cycle `last`; None: it did not stand there."""
        if index not in self._codes:
            found = changes(self._tape.frames[index].body, self._tape.head.codec)
            told = None if found is None else [(at, _codes(extras.reactions)) for at, extras in found]
            self._codes[index] = told
        begun = None
        for at, codes in self._codes[index] or ():
            if at > last:
                break
            if code not in codes:
                begun = None
            elif begun is None:
                begun = at
        return begun


def _codes(reactions: tuple[Condition, ...]) -> frozenset[str]:
    return frozenset(each.code for each in reactions)
