"""A record without summary.json: was it closed all the same, and its proof taken away? Pure.

Only a closed record gets batteries.csv and after.csv. One that tells of its end is closed within the minute, by the
service that has it open; which that is stands in the state.json of its bath.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

LATER_TABLES = ("batteries.csv", "after.csv")
"""Tables that begin when a record is closed."""
_ENDED = ("complete", "stopped")
_ENDS = (("event", "complete"), ("order", "signed_off"))


def told_end(last_state: str, events: Iterable[tuple[str, str]]) -> str:
    """What tells that the run ended, for a sentence; "": nothing. `events`: kind and code of each row of events.csv."""
    if last_state in _ENDED:
        return f"log.csv ends in the state {last_state}"
    code = next((code for kind, code in events if (kind, code) in _ENDS), "")
    return f"events.csv tells of {code}" if code else ""


def proof_missing(names: Collection[str], end: str, *, is_open: bool | None) -> str | None:
    """What is wrong with a record that has no summary.json, in a sentence; None: it may well be open.

    `names`: its files; `end`: as `told_end` says it; `is_open`: whether a service has it open (None: nobody can say).
    """
    later = next((name for name in LATER_TABLES if name in names), None)
    if later is not None:
        return f"summary.json: is missing: the record was closed, {later} is there"
    if is_open:
        return None
    if end:
        return f"summary.json: is missing: the run has ended, {end}"
    if is_open is False:
        return "summary.json: is missing, and no service has the run open: never closed, or its end was cut"
    return None
