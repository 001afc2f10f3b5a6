"""Rows of a real clock: cycles come some ms early or late, and the count from rows alone must bear it."""

from __future__ import annotations

import random
from types import SimpleNamespace

import pytest

from controller.records.due import due
from controller.verify.rowsums import Moment, Pace, pace_of, row_sums

PACES = ((1, 1), (1, 2), (1, 10), (5, 5), (5, 10), (15, 10))
"""Period and logging interval, s."""
HOURS = 18


def rows_of(period_s, log_s, early_s, share=1.0):
    """Rows of a constant 4 A whose reading scatters by 10 mA; a row is due `early_s` before its interval is over."""
    chance = random.Random(4)
    found, logged_s = [], None
    for cycle in range(HOURS * 3600 // period_s):
        now_s = round(cycle * period_s + chance.uniform(0.0, 0.003), 3)
        if logged_s is None or now_s - logged_s >= log_s - early_s:
            logged_s = now_s
            current_A = round(4.0 + chance.uniform(-0.01, 0.01), 3)
            told_Ah = round(4.0 * share * now_s / 3600, 4)
            found.append(Moment(now_s, current_A, current_A * 250.0, (told_Ah, 0.0, round(told_Ah * 250.0, 2))))
    return found


@pytest.mark.parametrize(("period_s", "log_s"), PACES)
@pytest.mark.parametrize("late", [True, False])
def test_honest_rows_hold_within_a_tight_bound(period_s, log_s, late):
    """Whether rows come on time or, as once, half of them a whole cycle late: nothing is found, within 2 per cent."""
    rows = rows_of(period_s, log_s, 0.0 if late else period_s / 2)
    charge, discharge, energy = row_sums(rows, period_s, 3.0 * period_s)
    assert [one.row for one in (charge, discharge, energy)] == [None] * 3
    assert charge.bound <= 0.02 * charge.told
    assert energy.bound <= 0.02 * energy.told


@pytest.mark.parametrize(("period_s", "log_s"), PACES)
def test_five_per_cent_that_are_missing_are_found(period_s, log_s):
    """The same rows with 5 % less charge told."""
    (charge, *_) = row_sums(rows_of(period_s, log_s, 0.0, share=0.95), period_s, 3.0 * period_s)
    assert charge.row is not None


def test_a_silence_is_longer_than_stale_and_than_a_late_row():
    """The longest distance without a silence: the usual one, a cycle and a half; or the stale time where that is more.

    Without a known cycle it is taken to be as long as the usual distance.
    """
    rows = [Moment(10.0 * each, 1.0, 1.0, (0.0, 0.0, 0.0)) for each in range(5)]
    assert pace_of(rows, 1.0, 3.0) == Pace(10.0, 11.5)
    assert pace_of(rows, 5.0, 15.0) == Pace(10.0, 17.5)
    assert pace_of(rows, 1.0, 30.0) == Pace(10.0, 30.0)
    assert pace_of(rows, None, 0.0) == Pace(10.0, 25.0)


def due_ms(rec, log_ms, moments):
    """The moments at which a row is due."""
    rule, logged_ms, found = due(log_ms, rec.settings.period_ms), None, []
    for now_ms in moments:
        state = SimpleNamespace(now_ms=now_ms, run=None, state="running", confirmed=True)
        if rule.at(logged_ms, state, state):
            logged_ms = now_ms
            found.append(now_ms)
    return found


@pytest.mark.parametrize("log_ms", [1_000, 2_000, 10_000])
def test_rows_are_due_on_time_though_cycles_are_some_ms_off(rec, log_ms):
    """A cycle each second, up to 5 ms late: rows stand `log_ms` apart, none a whole cycle late and none too early."""
    chance = random.Random(7)
    found = due_ms(rec, log_ms, [1_000 * each + chance.randrange(6) for each in range(600)])
    assert [round(moment / 1000) for moment in found] == list(range(0, 600, log_ms // 1000))


def test_half_a_cycle_early_is_on_time_and_no_more(rec):
    """With a cycle of 1 s and an interval of 10 s a row is due from 9.5 s on."""
    assert due_ms(rec, 10_000, [0, 9_499, 9_500]) == [0, 9_500]
    assert due_ms(rec, 10_000, [0, 9_499, 9_999]) == [0, 9_999]
