"""Laws of zero, hands, set-points, the link and what people owe, at the very edge of their comparisons."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import CLEAR
from controller.core.laws import advised, contactor, dues, hands_off, link, output_on, zero
from controller.core.planned import PlanReading
from controller.core.state import LinkMemory, Tick, Timer
from controller.core.types import Advice, Condition, LinkState, Output, Reaction, State
from controller.core.values import ZERO_A

MINUTE_MS = 60_000


def says(found, holds, value=None, limit=None):
    """Whether a finding is this one, the last bit of its amounts left open; no derate goes with it."""
    shown = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit)]
    return (found.holds, found.value, found.limit, found.allowed_A, found.allowed_percent) == (
        holds, *shown, None, 100.0,
    )  # fmt: skip


def seen(kit, facts=None, settings=None, share=None, run=None, **state):
    """A circuit's view: facts, run and state as a sound running one's, but for these."""
    if run is not None:
        state["run"] = kit.run(**run)
    return kit.view(kit.state(**state), kit.facts(**(facts or {})), settings, share and kit.share(**share))


@pytest.mark.parametrize(("now_ms", "since_ms", "period_ms", "changes", "long"), [
    (60_000, 0, 1_000, {}, True), (59_999, 0, 1_000, {}, False), (90_000, 0, 1_000, {}, True),
    (91_000, 1_000, 1_000, {}, True), (60_999, 1_000, 1_000, {}, False), (4_000, 0, 1_000, {"blocked_by": "x"}, True),
    (3_999, 0, 1_000, {"blocked_by": "x"}, False), (30_000, 0, 1_000, {"blocked_by": "x"}, True),
    (20_000, 0, 5_000, {"blocked_by": "x"}, True), (19_999, 0, 5_000, {"blocked_by": "x"}, False),
    (90_000, None, 1_000, {}, False),
])  # fmt: skip
def test_zero_unconfirmed_is_long_from_its_time_on(kit, now_ms, since_ms, period_ms, changes, long):
    """At a minute or at the first alarm's own time, and ever after; another timer's time is not asked."""
    name = "".join(list("zero_unconfirmed"))  # as read from a record: not the very same text in memory
    timers = (Timer("aaa", 0), Timer("zzz", 0), *(() if since_ms is None else (Timer(name, since_ms),)), Timer("b", 0))
    view = seen(kit, {"now_ms": now_ms}, kit.settings(period_ms), state=State.HELD, timers=timers, **changes)
    assert says(zero.unconfirmed_long(view, False), long, 15.0, ZERO_A)
    assert says(zero.unconfirmed(view, False), True, 15.0, ZERO_A)


@pytest.mark.parametrize(("reaction", "priority", "long"), [
    (Reaction.HOLD, 1, True), (Reaction.TRIP, 1, True), (Reaction.HOLD, 2, False), (Reaction.DERATE, 1, False),
    (Reaction.WARN, 1, False), (Reaction.TRIP, 3, False),
])  # fmt: skip
def test_a_cause_of_the_whole_bath_is_one_of_several_reactions(kit, reaction, priority, long):
    """Of priority 1, and a hold at least, beside whatever else stands."""
    share = {"reactions": (Condition("a", Reaction.WARN, priority=3), Condition("b", reaction, priority=priority))}
    view = seen(kit, {"now_ms": 30_000}, share=share, state=State.HELD, timers=(Timer("zero_unconfirmed", 0),))
    assert zero.unconfirmed_long(view, False).holds is long


@pytest.mark.parametrize(("current_A", "output_on", "expected"), [
    (1.0, False, (False, 1.0, ZERO_A)), (-1.01, False, (True, -1.01, ZERO_A)), (None, True, (True, None, ZERO_A)),
    (None, None, (None,)), (0.1, None, (False, 0.1, ZERO_A)),
])  # fmt: skip
def test_a_stuck_output_shows_its_current(kit, current_A, output_on, expected):
    """And what counts as zero; only where the output machine says that it is stuck."""
    facts = {"current_A": current_A, "output_on": output_on}
    assert says(zero.stuck(seen(kit, facts, output=Output.STUCK), False), *expected)
    for output in Output:
        if output is not Output.STUCK:
            assert zero.stuck(seen(kit, facts, output=output), False) is CLEAR


@pytest.mark.parametrize(("facts", "state", "asleep"), [
    ({"current_A": 1.0, "output_on": False}, {}, True), ({"current_A": 1.001, "output_on": False}, {}, False),
    ({"current_A": -1.001, "output_on": False}, {}, False), ({"current_A": 1.001}, {}, True),
    ({"current_A": 1.001, "output_on": None}, {}, True), ({"current_A": None, "output_on": False}, {}, True),
    ({}, {"blocked_by": "x"}, False), ({}, {"state": State.IDLE}, False),
    ({}, {"state": State.IDLE, "output": Output.OFF}, True),
    ({"current_A": 0.0}, {"state": State.HELD}, True),
    ({"current_A": 0.0}, {"state": State.HELD, "blocked_by": "x"}, True),
    *(({}, {"state": state}, False) for state in zero.AT_ZERO),
    *(({}, {"output": output}, output is not Output.STUCK) for output in Output),
    ({"current_A": 0.0}, {"output": Output.STUCK}, False),
])  # fmt: skip
def test_zero_sleeps_where_none_is_wanted_or_it_reads(kit, facts, state, asleep):
    """Up to the ampere of a shunt's offset where the output reads off; never in a stuck output."""
    assert zero.asleep(seen(kit, facts, **state)) is asleep


def test_current_though_off_shows_amount_and_limit(kit):
    """As an amount, whatever its direction."""
    for read_A in (1.01, -1.01):
        facts = {"current_A": read_A, "output_on": False}
        assert says(zero.though_off(seen(kit, facts), False), True, 1.01, 1.0)


RESTS = {"set_A": 0.0, "state": State.HELD, "output": Output.OFF, "blocked_by": "bert"}


@pytest.mark.parametrize(("facts", "state", "share", "expected"), [
    ({}, {}, {}, (True, 15.0, ZERO_A)), ({"current_A": -0.31}, {}, {}, (True, 0.31, ZERO_A)),
    ({"current_A": 0.0}, {}, {}, (True, 0.0, ZERO_A)),
    ({"current_A": 0.0, "output_on": False}, {}, {}, (False, 0.0, ZERO_A)),
    ({"current_A": 0.0, "output_on": None}, {}, {}, (False, 0.0, ZERO_A)),
    ({"current_A": None}, {}, {}, (True, None, ZERO_A)),
    ({"current_A": None, "output_on": False}, {}, {}, (None,)),
    ({"current_A": None, "output_on": None}, {}, {}, (None,)),
    ({}, {"blocked_by": ""}, {}, (False,)), ({}, {"blocked_by": ""}, {"purge_left_ms": 1}, (True, 15.0, ZERO_A)),
    ({}, {"blocked_by": ""}, {"hood_closed": False}, (True, 15.0, ZERO_A)),
    ({}, {"out_of_use": "x", "leads_off": True}, {}, (True, 15.0, ZERO_A)),
    ({}, {"out_of_use": "x", "leads_off": True, "blocked_by": ""}, {"hood_closed": False}, (False,)),
    ({}, {"out_of_use": "x", "blocked_by": ""}, {"hood_closed": False}, (True, 15.0, ZERO_A)),
    ({}, {"state": State.UNKNOWN, "blocked_by": ""}, {"hood_closed": False}, (False,)),
    ({}, {"out_of_use": "x"}, {}, (True, 15.0, ZERO_A)),
    ({}, {"leads_off": True}, {}, (True, 15.0, ZERO_A)),
    ({}, {"asked": ((0, 0.29), (1, 0.0))}, {}, (True, 15.0, ZERO_A)),
    ({}, {"asked": ((0, 0.3), (1, 0.0))}, {}, (False,)),
    *(({}, {"output": output}, {}, (True, 15.0, ZERO_A) if output in (Output.OFF, Output.STUCK) else (False,))
      for output in Output),
    *(({}, {"state": state}, {}, (True, 15.0, ZERO_A)) for state in State),
    ({}, {"state": State.UNKNOWN, "output": Output.STUCK}, {}, (True, 15.0, ZERO_A)),
])  # fmt: skip
def test_what_drives_a_string_that_somebody_may_touch(kit, facts, state, share, expected):
    """Amount and what counts as zero are shown; what ours explains, a bench and an unknown circuit are left alone."""
    view = seen(kit, facts, share=share, run={}, **{**RESTS, **state})
    assert says(hands_off.driven(view, False), *expected)
    if expected[0]:
        assert not hands_off.asleep(view)


@pytest.mark.parametrize(("share", "blocked_by", "asleep"), [
    ({}, "", True), ({}, "bert", False), ({"hood_closed": False}, "", False), ({"purge_left_ms": 1}, "", False),
    ({"purge_left_ms": 60_000}, "", False),
])  # fmt: skip
def test_hands_off_sleeps_under_a_shut_and_purged_hood(kit, share, blocked_by, asleep):
    """Where nobody has blocked the string."""
    assert hands_off.asleep(seen(kit, share=share, blocked_by=blocked_by)) is asleep


def counted(kit, *, now_ms=100_000, link_state=LinkState.UP, stale=False, state=State.RUNNING, run=None, **memory):
    facts = {"now_ms": now_ms, "link": link_state, "stale": stale}
    return seen(kit, facts, run=run or {}, state=state, link=LinkMemory(**memory))


@pytest.mark.parametrize(("wrong", "link_state", "expected"), [
    (2, LinkState.WRONG_ANSWER, (True, 3, 3)), (1, LinkState.WRONG_ANSWER, (False, 2, 3)),
    (3, LinkState.LATE, (True, 3, 3)), (2, LinkState.LATE, (False, 2, 3)), (3, LinkState.DOWN, (True, 3, 3)),
    (2, LinkState.DOWN, (False, 2, 3)), (9, LinkState.UP, (False,)), (9, LinkState.LATE, (True, 9, 3)),
])  # fmt: skip
def test_wrong_answers_are_counted_with_this_cycles(kit, wrong, link_state, expected):
    """Three hold; this cycle counts only where its own answer was wrong."""
    assert says(link.wrong_answer(counted(kit, wrong=wrong, link_state=link_state), False), *expected)


@pytest.mark.parametrize(("compare", "memory", "least", "within_ms"), [
    (link.garbled, "garbled_ms", 3, 60_000), (link.slow, "late_ms", 6, 60_000), (link.ridden, "rides_ms", 6, 3_600_000),
])  # fmt: skip
def test_what_came_lately_is_counted_to_the_edge_of_its_time(kit, compare, memory, least, within_ms):
    """The one that is just as old counts, one a millisecond older does not; more than enough is enough."""
    now_ms = 4_000_000
    limit = 5 if compare is link.ridden else least

    def view(*moments):
        if compare is link.ridden:
            return counted(kit, now_ms=now_ms, run={memory: moments})
        return counted(kit, now_ms=now_ms, **{memory: moments})

    others = (now_ms,) * (least - 1)
    assert says(compare(view(now_ms - within_ms, *others), False), True, least, limit)
    assert says(compare(view(now_ms - within_ms - 1, *others), False), False, least - 1, limit)
    assert says(compare(view(*others, now_ms, now_ms, now_ms), False), True, least + 2, limit)
    assert not link.asleep(view(*others, now_ms))


@pytest.mark.parametrize("state", list(State))
def test_the_link_of_an_open_run_alone_is_told(kit, state):
    """Running, held and tripped are open; silence shows the stale time in seconds."""
    open_run = state in (State.RUNNING, State.HELD, State.TRIPPED)
    moments = (100_000,) * 9
    memory = {"wrong": 9, "late_ms": moments, "garbled_ms": moments, "run": {"rides_ms": moments}}
    view = counted(kit, state=state, stale=True, link_state=LinkState.DOWN, **memory)
    found = [law.compare(view, False) for law in link.LAWS]
    assert [one.holds for one in found] == [open_run] * 5
    assert says(found[0], True, None, 3.0) if open_run else found[0] is CLEAR
    assert link.asleep(view) is not open_run
    assert link.ridden(replace(view, state=replace(view.state, run=None)), False) is CLEAR


@pytest.mark.parametrize(("changes", "asleep"), [
    ({}, True), ({"stale": True}, False), ({"link_state": LinkState.WRONG_ANSWER}, False), ({"wrong": 1}, False),
    ({"late_ms": (1,)}, False), ({"garbled_ms": (1,)}, False), ({"run": {"rides_ms": (1,) * 5}}, True),
    ({"run": {"rides_ms": (1,) * 6}}, False), ({"link_state": LinkState.LATE}, True),
    ({"link_state": LinkState.DOWN}, True),
    ({"stale": True, "state": State.IDLE}, True), ({"wrong": 1, "state": State.COMPLETE}, True),
])  # fmt: skip
def test_the_link_sleeps_where_nothing_was_odd(kit, changes, asleep):
    """Nothing stale, wrong, late or garbled, and no more rides than are allowed; or no open run."""
    view = counted(kit, **changes)
    assert link.asleep(view) is asleep
    assert link.asleep(replace(view, state=replace(view.state, run=None))) or changes.keys() & {"late_ms", "garbled_ms"}


WALK_MS = (15 * MINUTE_MS, 60 * MINUTE_MS)


def walk(kit, now_ms, *, first_ms=600_000, walk_ms=WALK_MS, items=2, right=(), run=None, plan=None):
    settings = kit.settings(walk_ms=walk_ms, walk_items=("a", "b", "c")[:items])
    ticks = tuple(Tick(item, ok=ok, who="anna", at_ms=1) for item, ok in right)
    state = {"load": kit.load(plan=plan)} if plan else {}
    return seen(kit, {"now_ms": now_ms}, settings, run={"first_ms": first_ms, "walk": ticks, **(run or {})}, **state)


@pytest.mark.parametrize(("minutes", "due", "overdue"), [
    (14.999, False, False), (15.0, True, False), (59.999, True, False), (60.0, False, True), (90.0, False, True),
])  # fmt: skip
def test_the_walk_is_due_from_its_first_to_its_last_minute(kit, minutes, due, overdue):
    """Counted from the first current, ten minutes after the service began; minutes and the last of them are shown."""
    view = walk(kit, 600_000 + round(minutes * MINUTE_MS))
    assert says(dues.walk_due(view, False), due, minutes, 60.0)
    assert says(dues.walk_overdue(view, False), overdue, minutes, 60.0)
    assert dues.asleep(view) is (not due and not overdue)


def test_the_walks_minutes_are_shown_whole(kit):
    """Ninety seconds are one and a half."""
    view = walk(kit, 690_000, walk_ms=(30_000, 90_000))
    assert says(dues.walk_due(view, False), False, 1.5, 1.5)
    assert says(dues.walk_overdue(view, False), True, 1.5, 1.5)
    assert dues.walk_due(walk(kit, 630_000, walk_ms=(30_000, 90_000)), False).holds
    assert not dues.walk_due(walk(kit, 629_999, walk_ms=(30_000, 90_000)), False).holds


@pytest.mark.parametrize(("changes", "asked"), [
    ({}, True), ({"right": ((1, True),)}, True), ({"right": ((1, True), (2, True))}, False),
    ({"right": ((1, True), (2, False))}, True), ({"right": ((2, True), (3, True))}, True), ({"items": 0}, False),
    ({"items": 3, "right": ((1, True), (2, True))}, True), ({"first_ms": None}, False), ({"run": {"end_ms": 1}}, False),
    ({"walk_ms": None}, False), ({"right": ((2, False), (1, True), (2, True))}, False),
])  # fmt: skip
def test_the_walk_is_owed_until_every_item_was_found_right(kit, changes, asked):
    """Nothing is owed before the first current, after the run's end, or where the bath has no walk."""
    view = walk(kit, 600_000 + 70 * MINUTE_MS, **changes)
    assert dues.walk_overdue(view, False).holds is asked
    assert (dues.walk_due(view, False) is CLEAR) is not asked
    assert dues.asleep(view) is not asked


@pytest.mark.parametrize(("step", "end_ms", "read", "missing"), [
    (0, None, (), False), (1, None, (), True), (1, None, ((0, 1), (0, 18)), False), (1, None, ((0, 1),), True),
    (1, None, ((1, 1), (1, 18)), True), (0, 5, (), True), (1, None, ((0, 1), (0, 18), (0, 19)), False),
])  # fmt: skip
def test_a_reading_is_missing_until_every_battery_of_the_circuit_was_read(kit, step, end_ms, read, missing):
    """After its step, or the run; a position that this circuit does not have is not asked for."""
    plan = kit.plan(kit.step(1), kit.step(2), readings=(PlanReading(0, "density", (1, 18, 19)),))
    view = walk(kit, 0, run={"step": step, "end_ms": end_ms, "read": read}, plan=plan)
    assert says(dues.reading_missing(view, False), missing)
    assert not dues.asleep(view)
    for gone in ({"run": None}, {"load": None}):
        bare = replace(view, state=replace(view.state, **gone))
        assert dues.reading_missing(bare, False) is CLEAR
        assert dues.asleep(bare)


def contact(kit, closed, on, reads, *, has=True, openings=0, after=1):
    view = seen(kit, settings=kit.settings(own={"has_contactor": has}, inspect_after=after), openings=openings)
    state = replace(view.state, command=replace(view.state.command, contactor_closed=closed, output_on=on))
    return replace(view, state=state, cin=replace(view.cin, contactor=reads))


@pytest.mark.parametrize(("closed", "on", "reads", "welded", "not_closed"), [
    (False, False, True, True, False), (False, False, False, False, False), (False, False, None, None, False),
    (True, True, False, False, True), (True, True, True, False, False), (True, True, None, False, None),
    (True, False, False, False, False), (True, False, None, False, False), (False, True, False, False, False),
])  # fmt: skip
def test_what_a_contactor_reads_against_its_order(kit, closed, on, reads, welded, not_closed):
    """Not read, nothing is told of what is asked; without one, nothing at all."""
    view = contact(kit, closed, on, reads)
    assert says(contactor.welded(view, False), welded)
    assert says(contactor.not_closed(view, False), not_closed)
    assert contactor.asleep(view) is (reads is None or reads is closed)
    bare = contact(kit, closed, on, reads, has=False, openings=9)
    assert contactor.welded(bare, False) is CLEAR
    assert contactor.asleep(bare)
    assert contactor.inspection(bare, False).holds is False


@pytest.mark.parametrize(
    ("openings", "after", "due"), [(0, 1, False), (1, 1, True), (2, 3, False), (3, 3, True), (4, 3, True)]
)
def test_a_contactor_is_due_at_so_many_openings(kit, openings, after, due):
    """Count and limit are shown."""
    view = contact(kit, True, True, True, openings=openings, after=after)
    assert says(contactor.inspection(view, False), due, openings, after)
    assert contactor.asleep(view) is not due


@pytest.mark.parametrize(("is_on", "state", "active", "holds"), [
    (True, {}, False, True), (False, {}, False, False), (False, {}, True, False), (None, {}, False, None),
    (None, {"output": Output.ON}, True, None), (True, {"output": Output.ON}, True, True),
    (True, {"out_of_use": "x", "leads_off": True}, False, False), (True, {"out_of_use": "x"}, False, True),
    (True, {"leads_off": True}, False, True), (True, {"out_of_use": "x", "leads_off": True}, True, True),
    (True, {"out_of_use": "x", "leads_off": True, "blocked_by": "bert"}, False, True),
    *((True, {"output": output}, False, output is Output.OFF) for output in Output),
])  # fmt: skip
def test_an_output_that_comes_on_by_itself(kit, is_on, state, active, holds):
    """Read on where this circuit's own is off; only off read back ends it, and volts are shown."""
    view = seen(kit, {"output_on": is_on}, **{"state": State.IDLE, "output": Output.OFF, **state})
    found = output_on.by_itself(view, active)
    shown = view.facts.voltage_V if is_on else None
    assert says(found, holds, shown)
    assert output_on.asleep(view) is not (view.state.output is Output.OFF and is_on is True)


@pytest.mark.parametrize("read_A", [15.0, None])
def test_where_zero_must_stand(kit, read_A):
    """Everywhere but in a running circuit, and in an idle one that was read back as off; silence is told less often."""
    for state in State:
        for output in Output:
            for stored in (State.IDLE, State.HELD, State.COMPLETE, State.UNKNOWN):
                view = seen(kit, {"current_A": read_A}, state=state, output=output, stored=stored)
                idle_off = state is State.IDLE and output is Output.OFF
                silent = read_A is None and (stored is State.IDLE if state is State.UNKNOWN else output is Output.OFF)
                assert zero.unconfirmed(view, False).holds is not (state is State.RUNNING or idle_off or silent)


def test_the_stale_time_is_shown_in_parts_of_seconds(kit):
    """3.5 s, exactly there."""
    view = seen(kit, {"stale": True}, kit.settings(stale_ms=3_500), run={})
    assert says(link.silent(view, False), True, None, 3.5)


@pytest.mark.parametrize(("given", "code", "expected"), [
    ((("joint_hot", 1.0, 2.0),), "joint_hot", (True, 1.0, 2.0)), ((("joint_hot", 1.0, 2.0),), "knee_early", (False,)),
    ((("knee_late", 3.0, None), ("joint_hot", 1.0, 2.0)), "joint_hot", (True, 1.0, 2.0)),
    ((("zzz", 3.0, None), ("aaa", 1.0, 2.0), ("knee_late", 3.0, 4.0)), "advice_unknown", (True, 2.0)),
    ((("knee_late", 3.0, None),), "advice_unknown", (False,)), ((("zzz", 3.0, None),), "advice_unknown", (True, 1.0)),
    ((), "advice_unknown", (False,)),
    ((("zzz", 3.0, None), ("aaa", 1.0, 2.0)), "knee_late", (False,)),
])  # fmt: skip
def test_an_advice_stands_under_its_own_code(kit, given, code, expected):
    """With what it says; of unknown ones their number is told."""
    said = tuple(Advice("".join(list(name)), value, limit) for name, value, limit in given)
    view = kit.view(advice=said)
    law = next(law for law in advised.LAWS if law.code == code)
    assert says(law.compare(view, False), *expected)
    assert advised.asleep(view) is (not said)
