"""A sign-off as summary.json tells it, held against batteries.csv, against itself and against what was read. Pure.

Each battery's row is made again from the words of the sign-off, the run's list of batteries and the readings, by the
functions that wrote it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

from controller.records.batchlist import Battery
from controller.records.batteries import (
    Measured,
    Outcome,
    batteries_of,
    battery_cells,
    judged,
    measured_of,
    outcomes_of,
    verdict_of,
)
from controller.records.later import SIGNED, last_current_ms, result_of
from controller.records.ours import by_service
from controller.records.readings import Reading, from_after, once, reading_of, reference_C
from controller.records.rows import BATTERY_COLUMNS, CELL_LIMIT, cells_text, time_utc
from controller.records.saying import counted
from controller.verify.telling import Few

MOST_TRIED = 200
"""Lengths of after.csv that a sign-off may have known, as a clock was set back later: three readings of each of 60
places, and some (own choice)."""
_MOST_LOOKED = 5_000_000
"""Sign-offs, times what each was tried with, times readings and batteries: so much no run has (own choice)."""
_SIGNED = ("outcomes", "signed_off_by", "signed_off_role", "signed_off_utc", "verdict_at_end")
_NEWEST = {"verdict": "verdict", "outcomes": "outcomes", "signed_off_by": "who", "signed_off_role": "role",
           "signed_off_utc": "time_utc"}  # fmt: skip
Row = Mapping[str, str]
Said = Mapping[str, Any]
Odd = tuple[list[str], list[str]]
"""Two lists of findings: of cells of batteries.csv and of sums in summary.json; or what is wrong, and notes."""


def wrong_sign_off(summary: Said, batteries: Sequence[Row]) -> list[str]:
    """What summary.json says of its newest sign-off otherwise than that itself, or than each battery's last row."""
    signed = summary.get("sign_offs")
    if signed is None:
        odd = next((key for key in _SIGNED if key in summary), None)
        return [f"summary.json: {odd} is there, and no sign-off"] if odd is not None else []
    if not isinstance(signed, list) or not signed or not all(isinstance(each, dict) for each in signed):
        return ["summary.json: sign_offs is no list of sign-offs"]
    newest = signed[-1]
    found = [
        f"summary.json: {key} is not that of the newest sign-off"
        for key, name in _NEWEST.items()
        if summary.get(key) != newest.get(name)
    ]
    last = {row.get("position", ""): row.get("outcome", "") for row in batteries}
    verdict, counts = verdict_of(Outcome(outcome) for outcome in last.values())
    if batteries and (summary.get("verdict"), summary.get("outcomes")) != (verdict, counts):
        found.append(f"summary.json: verdict or outcomes are not what batteries.csv says: {verdict}")
    return found


def wrong_batteries(
    summary: Said, run_json: Said, batteries: Sequence[Row], own: Iterable[Row], after: Sequence[Row],
    log: Sequence[str],
) -> Odd:  # fmt: skip
    """What batteries.csv and the sign-offs' sums say otherwise than the sign-offs' words and the readings give.

    `own`: rows of events.csv; `after`: of after.csv; `log`: the lines of log.csv. Wrong, and notes.
    """
    signed = signed_of(summary)
    if not signed:
        unsigned = bool(batteries) and by_service(run_json)
        return (["batteries.csv: has rows, summary.json tells of no sign-off"] if unsigned else []), []
    readings = [reading for row in own if (reading := reading_of(row)) is not None]
    string = batteries_of(run_json)
    known = _Known(readings, [from_after(row) for row in after], last_current_ms(log), reference_C(run_json))
    if len(signed) * known.most_tries * (len(readings) + len(after) + len(string) + 1) > _MOST_LOOKED:
        return [f"summary.json: tells of {len(signed)} sign-offs: more than can be looked at"], []
    cells, sums = Few("batteries.csv", "cells"), Few("summary.json: sign-offs", "values")
    notes = Few("summary.json: sign-offs", "notes")
    first = 0
    for number, said in enumerate(signed, 1):
        rows = batteries[first : first + len(string)]
        tries = (
            (_odd_sign_off(said, number, string, measured, rows, first), without)
            for measured, without in known.at(str(said.get("time_utc")))
        )
        odd, without = _least_odd(tries)
        cells.take(odd[0])
        sums.take(odd[1])
        notes.take([_later(number, without)] if without else [])
        first += len(string)
    wrong = [*cells.told(), *sums.told()]
    if len(batteries) != first:
        wrong.append(f"batteries.csv: has {len(batteries)} rows, its sign-offs give {first}")
    return wrong, notes.told()


def _least_odd(tries: Iterator[tuple[Odd, int]]) -> tuple[Odd, int]:
    """The first of the tries that finds nothing, else the first of all; with the readings it goes without."""
    first = next(tries)
    return next((each for each in chain((first,), tries) if not any(each[0])), first)


def _later(number: int, without: int) -> str:
    many = f"{counted(without, 'reading')} of after.csv with a time before it"
    return f"summary.json: sign-off {number}: knows nothing of {many}: so it is where a clock was set back in between"


def _odd_sign_off(
    said: Said, number: int, string: Sequence[Battery], measured: Mapping[int, Measured], rows: Sequence[Row],
    before: int,
) -> Odd:  # fmt: skip
    """What one sign-off's rows and sums say otherwise, if this had been measured."""
    result = str(said.get("result"))
    if len(result) > CELL_LIMIT:
        return [], [f"summary.json: sign-off {number}: result is longer than any row of events"]
    outcomes = outcomes_of(result, (each.position for each in string))
    cells = [
        _cells(battery_cells(each, measured.get(each.position, Measured()), outcomes[each.position])) for each in string
    ]
    verdict, counts = verdict_of(outcomes.values())
    sums = {
        "verdict": verdict,
        "outcomes": counts,
        "ocv_judged": judged(measured.get(each.position) for each in string),
    }
    return _odd_rows(rows, cells, before), _odd_sums(said, sums, number)


def signed_of(summary: Said) -> list[Said]:
    """The sign-offs that summary.json lists; what is none is left out."""
    listed = summary.get("sign_offs")
    return [each for each in listed if isinstance(each, dict)] if isinstance(listed, list) else []


def wrong_own(summary: Said, own: Iterable[Row], *, looked: bool) -> tuple[list[str], list[str]]:
    """What summary.json tells otherwise of the sign-offs that stand in events.csv, and what it lacks of them.

    `looked`: something was added to the closed record, which takes its own sign-offs first. Wrong, and notes.
    """
    told = {_key(each): each for each in signed_of(summary)}
    wrong: list[str] = []
    notes: list[str] = []
    for row in own:
        if row.get("kind") != "order" or row.get("code") != SIGNED:
            continue
        each = told.get(_key(row))
        if each is None:
            said = f"summary.json: lacks the sign-off {row.get('id', '')} that events.csv tells of"
            (wrong if looked else notes).append(said)
        else:
            wrong += odd_sign_off(each, row, "events.csv")
    return wrong, notes


def odd_sign_off(told: Said, row: Row, where: str) -> list[str]:
    """What a sign-off in summary.json says otherwise than its event's row; `where` that stands."""
    held = {"who": row.get("who", ""), "role": row.get("role", ""), "result": result_of(row)}
    return [
        f"summary.json: sign-off {row.get('id', '')}: {key} is not what {where} says"
        for key, value in held.items()
        if told.get(key) != value
    ]


def _key(said: Said) -> tuple[str, str]:
    return str(said.get("time_utc")), str(said.get("id"))


class _Known:
    """What was known of each battery at a moment, as a sign-off saw it."""

    def __init__(
        self, own: Sequence[Reading], after: Sequence[Reading | None], last_ms: int | None, at_C: float
    ) -> None:
        self._own = list(own)
        self._after = [each for each in after if each is not None]
        self._last_ms, self._at_C = last_ms, at_C
        self._times = [time_utc(each.utc_ms) for each in self._after]
        self._set_back = [row for row in range(1, len(self._times)) if self._times[row] < self._times[row - 1]]

    @property
    def most_tries(self) -> int:
        """How often one sign-off is looked at, at the most."""
        return 1 + min(MOST_TRIED, len(self._after))

    def at(self, signed_utc: str) -> Iterator[tuple[Mapping[int, Measured], int]]:
        """What had been read by then: from all rows first, then from fewer, as a clock that was set makes possible.

        Rows that came later have a time that is not later where the clock was set back, or in the same cycle. The rows
        may show neither: then how many of such a time are left out is told beside, the fewest first.
        """
        by_then = [row for row, told in enumerate(self._times) if told <= signed_utc]
        shown = sorted({*self._set_back, *(row for row in by_then if self._times[row] == signed_utc)})
        unshown = {row: without for without, row in enumerate(reversed(by_then), 1) if row not in shown}
        tries = [(len(self._times), 0), *((row, 0) for row in shown), *unshown.items()]
        for length, without in tries[: 1 + MOST_TRIED]:
            rows = (*self._own, *self._after[:length])
            known = once(each for each in rows if time_utc(each.utc_ms) <= signed_utc)
            yield measured_of(known, self._last_ms, self._at_C), without


def _cells(values: Iterable[Any]) -> dict[str, str]:
    """The cells of a row as it is written, by their columns."""
    (cells,) = csv.reader((cells_text(values, BATTERY_COLUMNS),))
    return dict(zip(BATTERY_COLUMNS, cells, strict=False))


def _odd_rows(rows: Sequence[Row], wanted: Sequence[Mapping[str, str]], before: int) -> list[str]:
    """What these rows of batteries.csv, the first of them behind `before` others, say otherwise."""
    return [
        f"batteries.csv:{before + at + 1}: row {before + at}: {name} is {row.get(name, '')!r}, "
        f"its sign-off and the readings give {value!r}"
        for at, (row, cells) in enumerate(zip(rows, wanted, strict=False), 1)
        for name, value in cells.items()
        if row.get(name, "") != value
    ]


def _odd_sums(said: Said, sums: Mapping[str, Any], number: int) -> list[str]:
    return [
        f"summary.json: sign-off {number}: {name} is not what its result gives: {value}"
        for name, value in sums.items()
        if name in said and said[name] != value
    ]
