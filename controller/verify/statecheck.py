"""States of log.csv against the events that lead to them, and trips against the alarms: as every core tells them. Pure.

Needs no decision, so that a record of another core can be asked, too.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from controller.core.types import EventKind, State
from controller.records.outside import milliseconds_of
from controller.verify.losses import Interruptions
from controller.verify.telling import few

_TOLD = {State.COMPLETE.value: "complete", State.TRIPPED.value: "tripped"}
"""States that are never entered without their event, but by a restart, which finds them."""
_NEVER = Interruptions()

Rows = Sequence[Mapping[str, str]]


def wrong_states(log: Rows, events: Rows, interrupted: Interruptions = _NEVER) -> list[str]:
    """Rows of log.csv in a state that no event told of, and events that log.csv tells otherwise.

    `interrupted`: in elapsed time; an event right before it may not be written.
    """
    moments = {
        code: sorted(_moments(row for row in events if _is_event(row) and row.get("code") == code))
        for code in _TOLD.values()
    }
    states = [(milliseconds_of(row.get("elapsed_s", "")), row.get("state", "")) for row in log]
    found = []
    for number, ((before_ms, before), (at_ms, state)) in enumerate(pairwise(states), 2):
        code = _TOLD.get(state)
        if code is None or before in {state, State.UNKNOWN.value} or before_ms is None or at_ms is None:
            continue
        told = bisect_right(moments[code], at_ms) > bisect_right(moments[code], before_ms)
        if not told and not interrupted.may_have_taken(at_ms):
            found.append(f"log.csv:{number + 1}: row {number}: is {state}, and no event tells of it")
    by_moment = dict(states)
    otherwise = (
        f"events.csv: {code} of {at_ms / 1000:.3f} s: log.csv says {by_moment[at_ms]} there"
        for state, code in _TOLD.items()
        for at_ms in moments[code]
        if by_moment.get(at_ms, state) != state
    )
    return [*few(found, "log.csv", "rows"), *few(otherwise, "events.csv", "rows")]


def wrong_trips(summary: Mapping[str, Any], events: Rows, lost_rows: int = 0) -> list[str]:
    """Whether summary.json tells of more trips than alarms came."""
    trips = summary.get("trips")
    alarms = sum(row.get("kind") == EventKind.ALARM.value and ":new" in row.get("code", "") for row in events)
    if type(trips) is not int or trips <= alarms + lost_rows:
        return []
    return [f"summary.json: trips is {trips}, events.csv has {alarms} alarms"]


def _is_event(row: Mapping[str, str]) -> bool:
    return row.get("kind") == EventKind.EVENT.value


def _moments(rows: Any) -> list[int]:
    found = [milliseconds_of(row.get("elapsed_s", "")) for row in rows]
    return [each for each in found if each is not None]
