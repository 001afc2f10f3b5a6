"""The life of an alarm as one table: nine states, what can happen in each, and what is told of it.

The states are those of IEC 62682 (ISA-18.2), from memory. A and B stand also for what is not on the list yet or any
more. Shelved, suppressed and out of service silence what a person sees and hears; the law's reaction is not touched.
"""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum

from controller.core.state import Alarm


class Life(StrEnum):
    """Where an alarm stands."""

    NORMAL = "A"
    UNACKNOWLEDGED = "B"
    ACKNOWLEDGED = "C"
    RETURNED = "D"
    LATCHED_UNACKNOWLEDGED = "E"
    LATCHED = "F"
    SHELVED = "G"
    SUPPRESSED = "H"
    OUT_OF_SERVICE = "I"


class Change(StrEnum):
    """What can happen to an alarm.

    SUPPRESS, REMOVE: it begins while something explains it or its circuit is out of use, or that begins while it
    stands. SHOW, DROP: a shelf, suppression or removal ends, and its cause stands (SHOW) or is gone (DROP).
    """

    BEGIN = "begin"
    AGAIN = "again"
    RETURN = "return"
    RETURN_LATCHED = "return latched"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    RESET_GONE = "reset gone"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    REMOVE = "remove"
    SHOW = "show"
    DROP = "drop"


A, B, C, D, E, F, G, H, I = Life  # noqa: E741 - the letters of the standard

TABLE: dict[tuple[Life, Change], tuple[Life, str]] = {
    (A, Change.BEGIN): (B, "new"),
    (A, Change.SUPPRESS): (H, "new_suppressed"),
    (A, Change.REMOVE): (I, "new_out_of_use"),
    (B, Change.BEGIN): (B, "new"),
    (B, Change.AGAIN): (B, "new"),
    (B, Change.RETURN): (D, "returned"),
    (B, Change.RETURN_LATCHED): (E, "returned"),
    (B, Change.ACKNOWLEDGE): (C, ""),
    (B, Change.RESET): (B, ""),
    (B, Change.SHELVE): (G, "shelved"),
    (B, Change.SUPPRESS): (H, "suppressed"),
    (B, Change.REMOVE): (I, "out_of_use"),
    (C, Change.BEGIN): (B, "new"),
    (C, Change.AGAIN): (B, "new"),
    (C, Change.RETURN): (A, "returned"),
    (C, Change.RETURN_LATCHED): (F, "returned"),
    (C, Change.ACKNOWLEDGE): (C, ""),
    (C, Change.RESET): (C, ""),
    (C, Change.SHELVE): (G, "shelved"),
    (C, Change.SUPPRESS): (H, "suppressed"),
    (C, Change.REMOVE): (I, "out_of_use"),
    (D, Change.BEGIN): (B, "new"),
    (D, Change.ACKNOWLEDGE): (A, ""),
    (D, Change.RESET_GONE): (D, ""),
    (D, Change.SHELVE): (G, "shelved"),
    (D, Change.SUPPRESS): (H, "new_suppressed"),
    (D, Change.REMOVE): (I, "new_out_of_use"),
    (E, Change.BEGIN): (B, "new"),
    (E, Change.ACKNOWLEDGE): (F, ""),
    (E, Change.RESET_GONE): (D, ""),
    (E, Change.SUPPRESS): (H, "new_suppressed"),
    (E, Change.REMOVE): (I, "new_out_of_use"),
    (F, Change.BEGIN): (B, "new"),
    (F, Change.ACKNOWLEDGE): (F, ""),
    (F, Change.RESET_GONE): (A, ""),
    (F, Change.SUPPRESS): (H, "new_suppressed"),
    (F, Change.REMOVE): (I, "new_out_of_use"),
    (G, Change.BEGIN): (G, "new_shelved"),
    (G, Change.SUPPRESS): (G, "new_shelved"),
    (G, Change.REMOVE): (G, "new_shelved"),
    (G, Change.RETURN): (G, "returned"),
    (G, Change.ACKNOWLEDGE): (G, ""),
    (G, Change.RESET): (G, ""),
    (G, Change.RESET_GONE): (G, ""),
    (G, Change.SHELVE): (G, "shelved"),
    (G, Change.SHOW): (B, "unshelved"),
    (G, Change.DROP): (A, "unshelved"),
    (H, Change.BEGIN): (B, "new"),
    (H, Change.SUPPRESS): (H, "new_suppressed"),
    (H, Change.REMOVE): (I, "new_out_of_use"),
    (H, Change.RETURN): (A, "returned"),
    (H, Change.RETURN_LATCHED): (H, "returned"),
    (H, Change.ACKNOWLEDGE): (H, ""),
    (H, Change.RESET): (H, ""),
    (H, Change.RESET_GONE): (A, ""),
    (H, Change.SHOW): (B, "unsuppressed"),
    (I, Change.BEGIN): (B, "new"),
    (I, Change.SUPPRESS): (H, "new_suppressed"),
    (I, Change.REMOVE): (I, "new_out_of_use"),
    (I, Change.RETURN): (A, "returned"),
    (I, Change.RETURN_LATCHED): (I, "returned"),
    (I, Change.ACKNOWLEDGE): (I, ""),
    (I, Change.RESET): (I, ""),
    (I, Change.RESET_GONE): (A, ""),
    (I, Change.SHOW): (B, "in_use"),
}
"""Where each change leads, and by which word the record knows it (empty: an order's own event says it).

What is not here cannot happen, or changes nothing. What was suppressed and is gone stays so until it is reset: the
alarm that explained it was told, and where the cause is real it comes again as new.
"""


def life_of(alarm: Alarm) -> Life:
    """Return where an alarm stands; one that comes and goes counts as standing until it has been calm."""
    if alarm.out_of_use:
        return I
    if alarm.suppressed:
        return H
    if alarm.shelved_until_ms is not None:
        return G
    if alarm.active or alarm.chattering:
        return C if alarm.acknowledged else B
    if alarm.latched:
        return F if alarm.acknowledged else E
    return A if alarm.acknowledged else D


def quiet(alarm: Alarm) -> bool:
    """Return whether an alarm is silenced: shelved, suppressed, or of a circuit out of use."""
    return alarm.suppressed or alarm.out_of_use or alarm.shelved_until_ms is not None


def moved(alarm: Alarm, change: Change, now_ms: int, before: Life | None = None) -> tuple[Alarm | None, str]:
    """Return the alarm after a change (None: it leaves the list), and the word for it.

    `before`: where it stood, if that is not what the alarm itself says (A: it is not on the list yet). A change that
    the table does not know leaves it as it is. A shelf's own fields are set by who shelves.
    """
    found = TABLE.get((before or life_of(alarm), change))
    if found is None:
        return alarm, ""
    life, word = found
    if life is A:
        return None, word
    if life is B and change is not Change.RESET:
        return replace(
            alarm,
            acknowledged=False,
            escalated=False,
            suppressed=False,
            out_of_use=False,
            shelved_until_ms=None,
            shelved_by="",
            shelved_why="",
            chattering=False,
            told_ms=now_ms,
        ), word
    return replace(
        alarm,
        active=alarm.active and change not in (Change.RETURN, Change.RETURN_LATCHED),
        acknowledged=alarm.acknowledged or change is Change.ACKNOWLEDGE,
        latched=alarm.latched and change not in (Change.RESET, Change.RESET_GONE),
        suppressed=life is H,
        out_of_use=life is I,
        chattering=alarm.chattering and life in (B, C),
    ), word
