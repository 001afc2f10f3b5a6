"""The laws of the link: silence, wrong, garbled and late answers, ride-throughs; and what the core remembers."""

from __future__ import annotations

import pytest

from controller.core import shortloss
from controller.core.laws.link import LAWS
from controller.core.lawsettings import LawSettings, LinkLimits
from controller.core.state import LinkMemory
from controller.core.types import LinkState, State

UP, LATE, DOWN, WRONG = LinkState.UP, LinkState.LATE, LinkState.DOWN, LinkState.WRONG_ANSWER
OPEN = (State.RUNNING, State.HELD, State.TRIPPED)
CLOSED = (State.UNKNOWN, State.IDLE, State.COMPLETE, State.STOPPED)
LIMITS = LinkLimits()
MINUTE_MS = 60_000


def views(kit, *facts, state=None, settings=None):
    return [kit.view(state=state, facts=fact, settings=settings) for fact in facts]


@pytest.mark.parametrize("state", OPEN)
def test_a_silent_link_holds_an_open_run_at_once(kit, state):
    """Stale values are stale already; the law adds no wait of its own."""
    stale, good = kit.facts(stale=True, fresh=False), kit.facts()
    seen = kit.watch("link_lost", views(kit, good, stale, stale, good, state=kit.state(state)))
    assert seen == [False, True, True, False]


@pytest.mark.parametrize("state", CLOSED)
def test_a_silent_link_is_no_alarm_where_no_run_is_open(kit, state):
    """An idle rectifier may be switched off at the wall; so may its wrong, garbled and late answers be."""
    link = LinkMemory(wrong=9, late_ms=(0,) * 9, garbled_ms=(0,) * 9)
    for code in ("link_lost", "wrong_answer", "link_garbled", "link_slow"):
        facts = kit.facts(stale=True, link=WRONG)
        assert kit.watch(code, views(kit, facts, state=kit.state(state, link=link))) == [False]


@pytest.mark.parametrize(("before", "link", "holds"), [
    (2, WRONG, True), (1, WRONG, False), (2, LATE, False), (3, LATE, True), (3, DOWN, True), (9, UP, False),
])  # fmt: skip
def test_three_wrong_answers_on_end_hold_until_a_good_one(kit, before, link, holds):
    """The third one holds in its own cycle; silence neither counts nor clears, a good answer clears."""
    state = kit.state(link=LinkMemory(wrong=before))
    assert kit.watch("wrong_answer", views(kit, kit.facts(link=link, fresh=False), state=state)) == [holds]


def test_the_number_of_wrong_answers_is_the_settings(kit):
    """A bath file may say five."""
    settings = kit.settings(laws=LawSettings(link=LinkLimits(wrong_answers=5)))
    facts = kit.facts(link=WRONG, fresh=False)
    for before, holds in ((3, False), (4, True)):
        state = kit.state(link=LinkMemory(wrong=before))
        assert kit.watch("wrong_answer", views(kit, facts, state=state, settings=settings)) == [holds]


@pytest.mark.parametrize(("code", "field", "least"), [("link_garbled", "garbled_ms", 3), ("link_slow", "late_ms", 6)])
def test_garbled_and_late_answers_warn_by_their_number_in_a_minute(kit, code, field, least):
    """So many within 60 s, both ends counted; one that is older counts no more."""
    at_ms = 1_000_000
    facts = kit.facts(now_ms=at_ms)
    for moments, warns in (
        ((at_ms - MINUTE_MS,) * least, True),
        ((at_ms,) * (least - 1), False),
        ((at_ms - MINUTE_MS - 1, *(at_ms,) * (least - 1)), False),
    ):
        state = kit.state(link=LinkMemory(**{field: moments}))
        assert kit.watch(code, views(kit, facts, state=state)) == [warns]


def test_more_than_five_rides_an_hour_warn(kit):
    """Five are usual, six are not; a ride longer than an hour ago counts no more."""
    at_ms = 10_000_000
    hour = at_ms - 3_600_000
    for moments, warns in (((hour,) * 6, True), ((at_ms,) * 5, False), ((hour - 1, *(at_ms,) * 5), False)):
        state = kit.state(run=kit.run(rides_ms=moments))
        assert kit.watch("link_rides", views(kit, kit.facts(now_ms=at_ms), state=state)) == [warns]
        ended = kit.state(State.COMPLETE, run=kit.run(rides_ms=moments))
        assert kit.watch("link_rides", views(kit, kit.facts(now_ms=at_ms), state=ended)) == [False]
    assert kit.watch("link_rides", [kit.view(state=kit.state(State.IDLE))]) == [False]


def after(kit, memory, *, waits=False, **facts):
    return shortloss.remembered(memory, kit.facts(**facts), kit.share(), waits, LIMITS)


def test_wrong_answers_are_counted_until_a_good_one(kit):
    """Up to the number that counts; late ones between change nothing."""
    link = LinkMemory(0, 1_000.0)
    seen = []
    for state in (WRONG, LATE, WRONG, DOWN, WRONG, WRONG, UP):
        link = after(kit, link, now_ms=1_000, link=state, fresh=state is UP)
        seen.append(link.wrong)
    assert seen == [1, 1, 2, 2, 3, 3, 0]


def test_late_and_garbled_cycles_of_the_last_minute_are_remembered(kit):
    """Each its own; what is older than a minute leaves, and no more are kept than are counted."""
    link = LinkMemory()
    for at_ms, state in ((1_000, LATE), (2_000, WRONG), (3_000, LATE), (4_000, DOWN)):
        link = after(kit, link, now_ms=at_ms, link=state, fresh=False)
    assert (link.late_ms, link.garbled_ms) == ((1_000, 3_000), (2_000,))
    link = after(kit, link, now_ms=61_000, link=UP)
    assert link.late_ms == (1_000, 3_000)
    link = after(kit, link, now_ms=61_001, link=UP)
    assert (link.late_ms, link.garbled_ms) == ((3_000,), (2_000,))
    for at_ms in range(62_000, 72_000, 1_000):
        link = after(kit, link, now_ms=at_ms, link=LATE, fresh=False)
    assert link.late_ms == tuple(range(66_000, 72_000, 1_000))


def test_silence_is_not_slowness(kit):
    """Late answers of a link whose values are stale already say nothing of a slow device."""
    assert after(kit, LinkMemory(), now_ms=1_000, link=LATE, fresh=False, stale=True).late_ms == ()


def test_a_silence_is_remembered_with_what_was_before_it(kit):
    """Its beginning, the uptime before, whether the bath was good; and nothing changes where nothing is new."""
    link = after(kit, LinkMemory(), now_ms=5_000, uptime_s=77.0)
    assert link == LinkMemory(5_000, 77.0)
    lost = after(kit, link, now_ms=6_000, link=DOWN, fresh=False, uptime_s=78.0)
    assert lost == LinkMemory(5_000, 77.0, True, 5_000, True, 77.0)
    assert after(kit, lost, now_ms=7_000, link=DOWN, fresh=False, uptime_s=79.0) is lost
    found = after(kit, lost, now_ms=8_000, uptime_s=80.0)
    assert found == LinkMemory(8_000, 80.0, False, 5_000, True, 77.0)
    waiting = after(kit, found, now_ms=9_000, link=DOWN, fresh=False, waits=True)
    assert waiting == LinkMemory(8_000, 80.0, True, 5_000, True, 77.0)
    never = after(kit, LinkMemory(), now_ms=9_000, link=DOWN, fresh=False)
    assert (never.fresh_ms, never.lost_ms, never.lost) == (None, 9_000, True)


def test_a_good_reading_with_a_memory_of_late_ones_is_as_fresh_as_any(kit):
    """The slow way of remembering gives what the quick one gives."""
    link = after(kit, LinkMemory(1_000, 70.0, True, 900, True, 60.0, late_ms=(800,)), now_ms=5_000, uptime_s=77.0)
    assert link == LinkMemory(5_000, 77.0, False, 900, True, 60.0, late_ms=(800,))
    kept = after(kit, LinkMemory(1_000, 70.0, late_ms=(800,)), now_ms=5_000, uptime_s=None)
    assert kept.uptime_s == 70.0


@pytest.mark.parametrize(("fresh_ms", "fresh", "is_back"), [
    (6_000, True, True), (7_000, True, False), (6_000, False, False), (None, True, False),
])  # fmt: skip
def test_the_first_reading_after_a_silence_is_known(kit, fresh_ms, fresh, is_back):
    """Longer than the stale time of 3 s, and read now."""
    facts = kit.facts(now_ms=10_000, fresh=fresh)
    assert shortloss.back(kit.settings(), LinkMemory(fresh_ms), facts) is is_back


def test_a_ride_is_kept_for_an_hour(kit):
    """The moment of the resume; older ones leave."""
    state = kit.state(since_ms=3_600_500, run=kit.run(rides_ms=(499, 500)))
    assert shortloss.ridden(state).run.rides_ms == (500, 3_600_500)
    idle = kit.state(State.IDLE)
    assert shortloss.ridden(idle) is idle


def test_a_ridden_link_loss_counts_in_a_living_bath(kit):
    """The whole way: away for ten seconds, back by rule, one ride on the run."""
    bench = kit.bench().running(kit.step(restart_ms=10_000))
    bench.cycles(3)
    bench.bad[0, "link"] = "down"
    bench.cycles(10)
    bench.bad.clear()
    bench.cycles(3)
    run = bench.circuit(0).run
    assert (run.link_rides, len(run.rides_ms)) == (1, 1)
    assert run.rides_ms[0] == bench.circuit(0).since_ms


def test_what_a_silent_link_brings_with_it_is_told_once():
    """Zero cannot be read over a lost link: said with it; that it is STILL not confirmed is news."""
    for law in LAWS[:2]:
        assert law.explains == ("link_slow", "link_garbled", "probe_lost", "zero_unconfirmed")
    assert [law.explains for law in LAWS[2:]] == [()] * 3
