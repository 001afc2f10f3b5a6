"""How a comparison becomes a condition: for its time and in its readings, kept where it cannot be told."""

from __future__ import annotations

import pytest

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law, judge
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.types import Reaction

HOLDS = Finding(True, 7.0, 5.0)


def course(kit, findings, wait_ms=0.0, readings=1, period_ms=1_000, fresh=None):
    law = Law("try", Reaction.HOLD, 2, lambda finding, active: finding, lambda _: wait_ms, readings)
    timers, reacts, life = (), [], []
    for index, finding in enumerate(findings):
        new = True if fresh is None else fresh[index]
        judged = judge((Family((law,), lambda _: False),), finding, kit.settings(), timers, index * period_ms, new)
        timers = judged.timers
        reacts.append(bool(judged.standing))
        life.append((len(judged.begun), len(judged.ended)))
    return reacts, life


def test_one_reading_is_enough_where_the_law_says_one(kit):
    """Readings 1 and no wait: reacts in the very cycle."""
    assert course(kit, [CLEAR, HOLDS, HOLDS, CLEAR])[0] == [False, True, True, False]


def test_two_readings_in_a_row_are_asked_for(kit):
    """One spike does nothing; the count begins anew after a good reading."""
    findings = [HOLDS, CLEAR, HOLDS, HOLDS, CLEAR]
    assert course(kit, findings, readings=2)[0] == [False, False, False, True, False]


def test_a_cycle_without_a_new_reading_does_not_count_as_one(kit):
    """The same old reading seen twice is one reading."""
    fresh = [True, False, False, True]
    assert course(kit, [HOLDS] * 4, readings=2, fresh=fresh)[0] == [False, False, False, True]


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 10), (5_000, 2)])
def test_the_waiting_time_is_counted_in_ms_not_in_cycles(kit, period_ms, first):
    """10 s are 10 s at a period of 1 s and of 5 s."""
    reacts, _ = course(kit, [HOLDS] * 14, wait_ms=10_000, period_ms=period_ms)
    assert reacts.index(True) == first


def test_the_waiting_time_begins_anew_after_a_good_reading(kit):
    """Nine seconds, one good reading, nine seconds: nothing."""
    assert not any(course(kit, [HOLDS] * 9 + [CLEAR] + [HOLDS] * 9, wait_ms=10_000)[0])


def test_what_cannot_be_told_keeps_a_standing_reaction(kit):
    """Losing the source ends no reaction; a valid reading does."""
    findings = [HOLDS, CANNOT_TELL, CANNOT_TELL, CLEAR]
    assert course(kit, findings)[0] == [True, True, True, False]


def test_what_cannot_be_told_begins_no_reaction(kit):
    """A source that was never read does not react by itself."""
    assert not any(course(kit, [CANNOT_TELL] * 5)[0])


def test_what_cannot_be_told_does_not_forget_a_wait(kit):
    """A lost reading in the middle of a wait does not start it anew."""
    findings = [HOLDS] * 5 + [CANNOT_TELL] + [HOLDS] * 5
    assert course(kit, findings, wait_ms=10_000)[0][-1]


def test_a_condition_begins_once_and_ends_once(kit):
    """The alarm is told of the beginning and of the end, each one time."""
    assert course(kit, [HOLDS, HOLDS, CLEAR, CLEAR])[1] == [(1, 0), (0, 0), (0, 1), (0, 0)]


def test_every_law_has_a_code_of_its_own():
    """An alarm's code says which law it is; circuit and bath do not share one."""
    codes = [law.code for law in (*CIRCUIT_LAWS, *BATH_LAWS)]
    assert len(codes) == len(set(codes))


def test_every_law_says_how_soon_a_person_must_act():
    """Priorities are 1 to 3; whatever takes current away is never shift work."""
    for law in (*CIRCUIT_LAWS, *BATH_LAWS):
        assert law.priority in (1, 2, 3)
        assert law.priority <= 2 or law.reaction < Reaction.HOLD, law.code
