"""What verify holds against each other once all files are read and the cycles were decided or counted again.

Calls the single checks, each with what it needs, and leaves out those whose ground is missing. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Command, Event, EventKind, Reaction
from controller.core.version import CORE
from controller.records.due import USUAL_LOG_S, bath_file_of, logged_each_s
from controller.records.ended import ended, wrong_end
from controller.records.head import Head
from controller.records.outside import number_of, plain_number
from controller.records.reader import Block
from controller.records.redecide import Step
from controller.records.summary import is_sealed
from controller.verify.again import Again
from controller.verify.gather import Gathered
from controller.verify.losses import Bounds, Lost, lost_of
from controller.verify.readingcheck import ReadingCheck
from controller.verify.rowtimes import missing_rows, wrong_times
from controller.verify.signedcheck import wrong_sign_off
from controller.verify.statecheck import wrong_states, wrong_trips
from controller.verify.strangerows import strange_rows

_ALWAYS = ("core", "run_json_sha256", "cycles_sha256", "readme_sha256", "rows", "chain", "cycles", "lost_cycles",
           "lost_rows")  # fmt: skip
"""Keys that each summary of the present form has."""
_BY_A_SERVICE = ("start_utc", "end_utc", "trips")
_HALF_DIGIT_C = 0.0051


@dataclass(slots=True)
class TripCount:
    """A core's step that counts the trips on the way, as a service counts them for summary.json."""

    step: Step
    trips: int = 0

    def __call__(
        self, settings: BathSettings, own: CircuitSettings, state: CircuitState, cin: CircuitIn, /
    ) -> tuple[CircuitState, Command, tuple[Event, ...]]:
        """One cycle."""
        after, command, events = self.step(settings, own, state, cin)
        self.trips += sum(map(is_trip, events))
        return after, command, events


def is_trip(event: Event) -> bool:
    """Whether a trip began with this event, told or silent."""
    begins = event.kind is EventKind.ALARM and str(event.data.get("life")).startswith("new")
    return begins and event.reaction >= Reaction.TRIP


def seen_by(check: ReadingCheck, blocks: Iterable[Block | str]) -> Iterator[Block | str]:
    """The blocks as they come, each cycle shown to `check`."""
    state = None
    for block in blocks:
        if isinstance(block, Block):
            state = block.start or state
            if state is not None:
                for cycle in block.cycles:
                    check.see(cycle, state)
        yield block


def wrong_in_files(found: Gathered) -> list[str]:
    """What the files tell against each other; needs no cycle."""
    log, events = found.rows_of("log.csv"), found.rows_of("events.csv")
    wrong = []
    if found.plain:
        wrong += wrong_times(str(found.plain.get("start_utc")), log, events, lost_of(found.summary).rows)
        if found.plain.get("core") == CORE:
            wrong += strange_rows(events, str(found.plain.get("circuit")), CORE)
    if found.summary is not None:
        wrong += _missing_keys(found.summary, found.plain)
        wrong += wrong_sign_off(found.summary, found.rows_of("batteries.csv"))
        wrong += _too_cold(found.summary, log)
        wrong += wrong_trips(found.summary, events, lost_of(found.summary).rows)
    return wrong


def hold_against(found: Gathered, head: Head, again: Again, trips: int, bounds: Bounds) -> None:
    """Add to `again` what rows and summary tell otherwise than the cycles; `trips`: those decided again."""
    if again.readings.now_ms is None:
        return
    if not again.rows_due:
        _distances(found, head, again, bounds)
    summary, result = found.summary, again.result
    duration_s = plain_number((summary or {}).get("duration_s"))
    if result is None and duration_s is not None:
        again.readings.over_at(head.start_ms + round(duration_s * 1000))
    if result is None and not bounds.lost:
        again.wrong += _states(found, head, again, bounds)
    if summary is None or result is None or result.state is None or result.not_compared:
        return
    # A service that began anew counts from there on; one that lost cycles counted the trips in them.
    told = summary.get("trips")
    known = trips
    if type(told) is int and ((result.restarts and 0 <= told <= trips) or (bounds.lost.cycles and told >= trips)):
        known = told
    _end(found, summary, result.state, known, again, bounds.lost)


def _end(
    found: Gathered, summary: Mapping[str, Any], state: CircuitState, trips: int | None, again: Again, lost: Lost
) -> None:  # fmt: skip
    """What summary.json says of the end: a note where it may have grown in cycles that were lost, else wrong."""
    all_there = "summary_format" in found.plain
    told = wrong_end(summary, state, trips, all_there=all_there)
    grown = {key: last for key, last in ended(state).items() if lost.behind_cycles(key, summary.get(key), last)}
    wrong = wrong_end({**summary, **grown}, state, trips, all_there=all_there)
    again.wrong += wrong
    again.notes += [said for said in told if said not in wrong]


def _states(found: Gathered, head: Head, again: Again, bounds: Bounds) -> list[str]:
    """Where nothing was decided again: states of rows against their events."""
    silences, last_ms = again.readings.silences, again.readings.now_ms
    interrupted = bounds.interruptions(
        [(since - head.start_ms, to - head.start_ms) for since, to in silences],
        None if last_ms is None else last_ms - head.start_ms,
    )
    return wrong_states(found.rows_of("log.csv"), found.rows_of("events.csv"), interrupted)


def _distances(found: Gathered, head: Head, again: Again, bounds: Bounds) -> None:
    """Rows that are missing, by their distance alone: where nobody knows which are due."""
    if again.readings.now_ms is None:
        return
    wrong, notes = missing_rows(
        found.rows_of("log.csv"),
        [(since - head.start_ms, to - head.start_ms) for since, to in again.readings.silences],
        again.readings.now_ms - head.start_ms,
        log_s=logged_each_s(bath_file_of(found.plain)) or USUAL_LOG_S,
        slack_ms=2 * head.settings.period_ms + head.settings.stale_ms,
        tail_ms=bounds.tail_ms,
        is_open=bounds.is_open,
        lost_rows=bounds.lost.rows,
    )
    again.wrong += wrong
    again.notes += notes


def _missing_keys(summary: Mapping[str, Any], plain: Mapping[str, Any]) -> list[str]:
    """Keys that summary.json must have, as it or run.json was written by a version that always writes them."""
    if "summary_format" not in plain and not is_sealed(summary):
        return []
    wanted = (*_ALWAYS, *(_BY_A_SERVICE if plain.get("versions") else ()))
    return [f"summary.json: {key} is missing" for key in wanted if key not in summary]


def _too_cold(summary: Mapping[str, Any], log: Iterable[Mapping[str, str]]) -> list[str]:
    """The highest temperature of a run is none that its own rows are above."""
    hottest_C = plain_number(summary.get("hottest_C"))
    # The cycle that starts a run is not counted yet.
    running = (row for row in log if row.get("state") == "running" and row.get("elapsed_s") != "0.000")
    rows_C = [number_of(row.get("probe_C", "")) for row in running]
    highest_C = max((each for each in rows_C if each is not None), default=None)
    if hottest_C is None or highest_C is None or highest_C <= hottest_C + _HALF_DIGIT_C:
        return []
    return [f"summary.json: hottest_C is {hottest_C:g}, log.csv has {highest_C:.2f}"]
