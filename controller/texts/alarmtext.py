"""What an alarm says, and the cautions that alarms share."""

from __future__ import annotations

from dataclasses import dataclass

LOOK_ONLY = "LIVE, LOOK ONLY: flow, level, gassing from outside; touch nothing"
BEFORE_HANDS = "off, zero read back; block it, lock the rectifier off; air on; wait 10 min; meter; only then hands"


@dataclass(frozen=True, slots=True)
class AlarmText:
    """What an alarm says. `unit` is that of its value and limit. `hands`: `do` sends hands to a string.

    `consequence`: what happens to people, batteries or plant where nobody acts; for the table of all alarms.
    """

    cause: str
    did: str
    do: str
    unit: str = ""
    hands: bool = False
    consequence: str = ""
