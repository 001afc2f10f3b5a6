"""What silences alarms by design: what explains them, a circuit that is idle, one out of use. Pure.

An alarm is told once: what follows from one that stands is on the list and in the record, and rings nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.core.alarmlife import Change
from controller.core.state import Alarm
from controller.core.types import Condition, Reaction


@dataclass(frozen=True, slots=True)
class Hush:
    """What silences alarms by design.

    `explains`: by code, what follows from it; `outer`: codes that stand for the whole bath, whose repeats in a circuit
    say nothing new. `idle`: nothing runs, so that only priority 1 and trips are told; `out_of_use`: only priority 1.
    """

    explains: Mapping[str, tuple[str, ...]]
    outer: tuple[str, ...] = ()
    idle: bool = False
    out_of_use: bool = False


OPEN = Hush({})


Silencer = Callable[[str, int, Reaction], Change | None]


def silencer(
    alarms: tuple[Alarm, ...], begun: tuple[Condition, ...], ended: tuple[Condition, ...], hush: Hush
) -> Silencer:
    """Return what silences an alarm of this code, priority and reaction now: a change, or None."""
    over = {condition.code for condition in ended}
    stands = [alarm.code for alarm in alarms if alarm.active and alarm.code not in over]
    explained = set(hush.outer)
    for code in (*stands, *(condition.code for condition in begun), *hush.outer):
        explained.update(hush.explains.get(code, ()))

    def silent(code: str, priority: int, reaction: Reaction) -> Change | None:
        if hush.out_of_use and priority > 1:
            return Change.REMOVE
        if code in explained or (hush.idle and priority > 1 and reaction is not Reaction.TRIP):
            return Change.SUPPRESS
        return None

    return silent
