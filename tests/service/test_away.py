"""The service was away with runs open: what it tells until each of them has a person's answer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathstate import BathState
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, Counters, Interruption, Run
from controller.core.types import Command, State
from controller.service.away import away_shown, followed, found_open

OWN = CircuitSettings("A01", 18, 0.5, 20.0, 340.0)
BATH = BathSettings("north", "A", True, 1_000, 3_000, 5_000, (OWN, replace(OWN, name="A02")))
FROM_MS = 1_773_648_000_000  # 2026-03-16T08:00:00Z
TO_MS = FROM_MS + 689_000
RUNNING = CircuitState(
    "A01", state=State.RUNNING, run=Run(0, "anna", counters=Counters(10.0, last_ms=5_000, last_A=12.0))
)
IDLE = CircuitState("A02", state=State.IDLE)


def found(*left, known=True, from_ms=FROM_MS):
    return found_open(BATH, {each.name: each for each in left}, from_ms, TO_MS, known=known)


def bath(*circuits):
    return BathState(circuits)


def held(name="A01", state=State.HELD):
    return replace(RUNNING, name=name, state=state, run=replace(RUNNING.run, interruption=Interruption(0, "x")))


def test_no_open_run_no_word():
    """After an ordinary end, an idle hall or a finished run there is nothing to recover."""
    ended = replace(RUNNING, state=State.COMPLETE, run=replace(RUNNING.run, end_ms=9))
    assert found(IDLE) is None
    assert found(ended, IDLE) is None
    assert found() is None
    assert followed(None, bath(IDLE), TO_MS) is None
    assert away_shown(None) is None


def test_from_when_to_when():
    """The last moment on record, this service's own start, and the time between."""
    assert away_shown(found(RUNNING, IDLE)) == {
        "from_utc": "2026-03-16T08:00:00.000Z",
        "to_utc": "2026-03-16T08:11:29.000Z",
        "away_s": 689.0,
        "circuits": {"A01": {"unsure_Ah": None, "zero_utc": None, "answered": False}},
    }


@pytest.mark.parametrize("made", [{"known": False}, {"from_ms": None}])
def test_an_unknown_gap_has_no_length(made):
    """A wall clock that was moved says nothing of how long it was."""
    assert away_shown(found(RUNNING, **made))["away_s"] is None


def test_what_may_not_be_counted_is_said_once_zero_was_read_back():
    """12 A for a period, the watchdog's time and the fall of 2 s: 12 * 8 / 3600 Ah. Before, nobody can say."""
    away = found(RUNNING)
    away = followed(away, bath(replace(RUNNING, state=State.UNKNOWN)), TO_MS + 1_000)
    assert away_shown(away)["circuits"]["A01"] == {"unsure_Ah": None, "zero_utc": None, "answered": False}
    away = followed(away, bath(held()), TO_MS + 13_000)
    away = followed(away, bath(held()), TO_MS + 14_000)
    assert away_shown(away)["circuits"]["A01"] == {
        "unsure_Ah": round(12.0 * 8 / 3600, 4),
        "zero_utc": "2026-03-16T08:11:42.000Z",
        "answered": False,
    }


@pytest.mark.parametrize(("left", "current_A"), [
    (RUNNING, 12.0),
    (replace(RUNNING, run=replace(RUNNING.run, counters=Counters(last_ms=5_000, last_A=-5.0))), 5.0),
    (replace(RUNNING, run=replace(RUNNING.run, counters=Counters()), command=Command(15.0, 300.0, True)), 15.0),
    (replace(RUNNING, run=replace(RUNNING.run, counters=Counters(last_A=9.0)), command=Command(-4.0)), 4.0),
    (replace(RUNNING, state=State.HELD, run=replace(RUNNING.run, counters=Counters(last_ms=1, last_A=0.0))), 0.0),
])  # fmt: skip
def test_the_last_current_on_record(left, current_A):
    """As it was read, in either direction; where the last reading was lost, as it was asked for."""
    away = followed(found(left), bath(held()), TO_MS)
    assert away_shown(away)["circuits"]["A01"]["unsure_Ah"] == round(current_A * 8 / 3600, 4)


def test_it_stays_until_each_run_has_its_answer():
    """Resumed by a person, stopped, unloaded: an answer stays one, also when that circuit is held again later."""
    away = found(RUNNING, replace(RUNNING, name="A02"))
    away = followed(away, bath(held(), held("A02")), TO_MS)
    away = followed(away, bath(RUNNING, held("A02")), TO_MS)
    assert {name: run.answered for name, run in away.runs.items()} == {"A01": True, "A02": False}
    away = followed(away, bath(held(), held("A02")), TO_MS)
    assert {name: run.answered for name, run in away.runs.items()} == {"A01": True, "A02": False}
    stopped = replace(RUNNING, name="A02", state=State.STOPPED, run=replace(RUNNING.run, end_ms=9))
    assert followed(away, bath(held(), stopped), TO_MS) is None
    assert followed(away, bath(held(), IDLE), TO_MS) is None


def test_a_trip_is_no_answer():
    """Neither a trip nor its reset lets the line go."""
    away = found(RUNNING)
    for state in (State.TRIPPED, State.HELD):
        away = followed(away, bath(held(state=state)), TO_MS)
        assert not away.runs["A01"].answered


def test_a_circuit_that_the_bath_file_lost_is_not_waited_for():
    """Nobody could ever answer for it."""
    assert followed(found(RUNNING), bath(IDLE), TO_MS) is None
