"""Laws of a run's steps, its charge and its temperatures at the very edge, and what an operator is shown of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import (
    charge_cap,
    device,
    flow_step,
    hold_harm,
    set_point,
    step_time,
)
from controller.core.lawsettings import AlarmLimits, CurrentLimits, LawSettings
from controller.core.state import Counters, Interruption, LinkMemory
from controller.core.types import Fit, State

HOUR_MS = 3_600_000
OPEN = (State.RUNNING, State.HELD, State.TRIPPED)


def says(found, holds, value=None, limit=None, allowed_A=None, percent=100.0):
    """Whether a finding is this one, the last bit of its amounts left open."""
    shown = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit, allowed_A)]
    return (found.holds, found.value, found.limit, found.allowed_A, found.allowed_percent) == (holds, *shown, percent)


def seen(kit, facts=None, settings=None, share=None, run=None, **state):
    """A circuit's view: facts, run and state as a sound running one's, but for these."""
    if run is not None:
        state["run"] = kit.run(**run)
    return kit.view(kit.state(**state), kit.facts(**(facts or {})), settings, share and kit.share(**share))


def without(view, **gone):
    return replace(view, state=replace(view.state, **gone))


def capped(kit, charge_Ah, *, owed_Ah=0.0, credited_Ah=0.0, planned_Ah=200.0, state=State.RUNNING, facts=None):
    run = {"counters": Counters(charge_Ah=charge_Ah), "owed_Ah": owed_Ah, "credited_Ah": credited_Ah}
    load = kit.load(plan=kit.plan(planned_charge_Ah=planned_Ah))
    return seen(kit, facts, run=run, load=load, state=state)


MORE_Ah = 15.0 * 4_000 / HOUR_MS
"""What 15 A bring in the stale time of 3 s and a cycle of one."""


@pytest.mark.parametrize(("charge_Ah", "changes", "expected"), [
    (210.0, {}, (False, 210.0, 210.0)), (210.0 + MORE_Ah - 1e-6, {}, (False, 210.0 + MORE_Ah - 1e-6, 210.0)),
    (210.0 + MORE_Ah + 1e-6, {}, (True, 210.0 + MORE_Ah + 1e-6, 210.0)),
    (211.0, {"owed_Ah": 1.5}, (False, 211.0, 211.5)),
    (200.0, {"credited_Ah": 11.0}, (True, 211.0, 210.0)), (211.0, {"planned_Ah": 0.0}, (False,)),
    (211.0, {"planned_Ah": 0.5}, (True, 211.0, 210.0)), (211.0, {"planned_Ah": -1.0}, (False,)),
])  # fmt: skip
def test_the_profiles_cap_lets_a_readings_worth_pass(kit, charge_Ah, changes, expected):
    """Charge with what is credited against the cap with what is owed."""
    view = capped(kit, charge_Ah, **changes)
    assert says(charge_cap.above_cap(view, False), *expected)
    for gone in ({"run": None}, {"load": None}):
        assert charge_cap.above_cap(without(view, **gone), False) is CLEAR
        assert charge_cap.above_step_cap(without(view, **gone), False) is CLEAR
        assert charge_cap.asleep(without(view, **gone))


@pytest.mark.parametrize("state", list(State))
def test_a_cap_holds_in_an_open_run_alone(kit, state):
    """Both of them, and what comes of them."""
    steps = (kit.step(charge_cap_Ah=20.0),)
    view = seen(
        kit, state=state, load=kit.load(*steps), run={"step_charge_Ah": 21.0, "counters": Counters(charge_Ah=300.0)}
    )
    assert [law.compare(view, False).holds for law in charge_cap.LAWS] == [state in OPEN] * 3


@pytest.mark.parametrize(("moved_Ah", "kind", "extended_ms", "ends", "owed", "expected"), [
    (20.0, "charge", 0, {"charge_Ah": 19.0}, False, (False, 20.0, 20.0)),
    (20.0 + MORE_Ah - 1e-6, "charge", 0, {"charge_Ah": 19.0}, False, (False, 20.0 + MORE_Ah - 1e-6, 20.0)),
    (20.0 + MORE_Ah + 1e-6, "charge", 0, {"charge_Ah": 19.0}, False, (True, 20.0 + MORE_Ah + 1e-6, 20.0)),
    (21.0, "discharge", 0, {"charge_Ah": 19.0}, False, (True, 21.0, 20.0)),
    (21.0, "charge", 0, {"charge_Ah": 19.0}, True, (False, 21.0, 22.0)),
    (21.0, "charge", HOUR_MS, {"time_ms": 9}, False, (False, 21.0, 35.0)),
])  # fmt: skip
def test_the_steps_cap_lets_a_readings_worth_pass(kit, moved_Ah, kind, extended_ms, ends, owed, expected):
    """What its kind moves, against its cap with what it takes of the owed, or the time that was added."""
    step = kit.step(kind=kind, ends=ends, charge_cap_Ah=20.0, takes_owed=owed)
    other = "step_discharge_Ah" if kind == "charge" else "step_charge_Ah"
    mine = "step_charge_Ah" if kind == "charge" else "step_discharge_Ah"
    view = seen(kit, steps=(step,), run={mine: moved_Ah, other: 99.0, "extended_ms": extended_ms, "owed_Ah": 2.0})
    assert says(charge_cap.above_step_cap(view, False), *expected)
    assert not charge_cap.asleep(view)
    free = seen(kit, steps=(kit.step(charge_cap_Ah=None),), run={"step_charge_Ah": 999.0})
    assert charge_cap.above_step_cap(free, False) is CLEAR
    assert charge_cap.asleep(free)


@pytest.mark.parametrize(("read_A", "expected"), [
    (15.0, (True, 15.0, 0.0)), (-15.0, (True, 15.0, 0.0)), (0.29, (False, 0.29, 0.0)), (None, (None,)),
])  # fmt: skip
def test_current_though_a_cap_holds(kit, read_A, expected):
    """By either cap; its amount is shown."""
    for charge_Ah, step_Ah in ((300.0, 0.0), (0.0, 300.0)):
        load = kit.load(kit.step(charge_cap_Ah=20.0))
        run = {"step_charge_Ah": step_Ah, "counters": Counters(charge_Ah=charge_Ah)}
        assert says(charge_cap.not_obeyed(seen(kit, {"current_A": read_A}, load=load, run=run), False), *expected)
    assert charge_cap.not_obeyed(capped(kit, 0.0, facts={"current_A": read_A}), False) is CLEAR


@pytest.mark.parametrize(("charge_Ah", "credited_Ah", "in_Ah", "out_Ah", "asleep"), [
    (210.0, 0.0, 0.0, 0.0, True), (210.1, 0.0, 0.0, 0.0, False), (200.0, 10.0, 0.0, 0.0, True),
    (200.0, 10.1, 0.0, 0.0, False),
    (0.0, 0.0, 20.0, 20.0, True), (0.0, 0.0, 20.1, 0.0, False), (0.0, 0.0, 0.0, 20.1, False),
])  # fmt: skip
def test_caps_sleep_up_to_their_least(kit, charge_Ah, credited_Ah, in_Ah, out_Ah, asleep):
    """Neither what is owed nor the time that was added is asked before."""
    run = {"counters": Counters(charge_Ah=charge_Ah), "credited_Ah": credited_Ah, "step_charge_Ah": in_Ah,
           "step_discharge_Ah": out_Ah}  # fmt: skip
    assert charge_cap.asleep(seen(kit, load=kit.load(kit.step(charge_cap_Ah=20.0)), run=run)) is asleep


@pytest.mark.parametrize(("fair_ms", "step", "run", "expected"), [
    (HOUR_MS, {"expected_ms": HOUR_MS}, {}, (False, 1.0, 1.0)),
    (HOUR_MS + 1, {"expected_ms": HOUR_MS}, {}, (True, 1 + 1 / HOUR_MS, 1.0)),
    (5_400_000, {"expected_ms": HOUR_MS}, {"owed_Ah": 15.0}, (True, 1.5, 1.0)),
    (5_400_000, {"expected_ms": HOUR_MS, "takes_owed": True}, {"owed_Ah": 15.0}, (False, 1.5, 2.0)),
    (9 * HOUR_MS, {}, {}, (False,)),
])  # fmt: skip
def test_a_step_is_late_past_its_time(kit, fair_ms, step, run, expected):
    """Hours of fair time, and those that it should take."""
    view = seen(kit, steps=(kit.step(**step),), run={"fair_ms": fair_ms, **run})
    assert says(step_time.late(view, False), *expected)
    assert step_time.asleep(view) is (step.get("expected_ms") is None or fair_ms <= HOUR_MS)


@pytest.mark.parametrize(("what", "compare", "other"), [
    ("slow", step_time.slow, step_time.held), ("hold", step_time.held, step_time.slow),
])  # fmt: skip
def test_a_step_is_over_past_its_longest_time(kit, what, compare, other):
    """By what its profile says alone; hours of fair time and the longest with what was added."""
    step = kit.step(longest_ms=HOUR_MS, on_overrun=what)
    for fair_ms, added_ms, holds in (
        (HOUR_MS, 0, False), (HOUR_MS + 1, 0, True), (5_400_000, 1_800_000, False), (5_400_001, 1_800_000, True),
        (9 * HOUR_MS, 0, True),
    ):  # fmt: skip
        view = seen(kit, steps=(step,), run={"fair_ms": fair_ms, "extended_ms": added_ms})
        assert says(compare(view, False), holds, fair_ms / HOUR_MS, (HOUR_MS + added_ms) / HOUR_MS)
        assert other(view, False) is CLEAR
        assert step_time.asleep(view) is (fair_ms <= HOUR_MS)
    was_slow = seen(kit, steps=(step,), run={"fair_ms": 0, "slow": True})
    assert says(compare(was_slow, False), what == "slow", 0.0, 1.0)
    assert not step_time.asleep(was_slow)
    endless = seen(
        kit, steps=(kit.step(longest_ms=None, on_overrun=what),), run={"fair_ms": 99 * HOUR_MS, "slow": True}
    )
    assert compare(endless, False) is CLEAR
    for next_one in ("aaa", "next", "zzz"):
        view = seen(kit, steps=(replace(step, on_overrun=next_one),), run={"fair_ms": 9 * HOUR_MS})
        assert step_time.slow(view, False) is step_time.held(view, False) is CLEAR


@pytest.mark.parametrize("state", list(State))
def test_times_of_steps_are_a_running_circuits(kit, state):
    """In no other state, without a run, or without a load."""
    step = kit.step(longest_ms=HOUR_MS, on_overrun="slow", expected_ms=HOUR_MS)
    view = seen(kit, steps=(step,), run={"fair_ms": 9 * HOUR_MS}, state=state)
    for one in (view, without(view, run=None), without(view, load=None)):
        runs = one is view and state is State.RUNNING
        assert [law.compare(one, False).holds for law in step_time.LAWS] == [runs, False, runs]
        assert step_time.asleep(one) is not runs


@pytest.mark.parametrize(("now_ms", "charge_Ah", "credited_Ah", "holds", "minutes"), [
    (1_860_000, 0.0, 0.0, False, 30.0), (1_860_001, 0.0, 0.0, True, 30.0 + 1 / 60_000),
    (3_690_000, 66.6, 0.0, True, 60.5),
    (3_690_000, 66.7, 0.0, False, 60.5), (3_690_000, 50.0, 16.6, True, 60.5), (3_690_000, 50.0, 16.7, False, 60.5),
])  # fmt: skip
def test_an_early_stand_harms_past_half_an_hour(kit, now_ms, charge_Ah, credited_Ah, holds, minutes):
    """Since its beginning a minute after the service's, before a third of 200 Ah; minutes are shown."""
    run = {
        "interruption": Interruption(60_000, "x"),
        "counters": Counters(charge_Ah=charge_Ah),
        "credited_Ah": credited_Ah,
    }
    for state in State:
        view = seen(kit, {"now_ms": now_ms}, run=run, state=state)
        found = hold_harm.harms(view, False)
        assert says(found, holds, minutes, 30.0) if state in (State.HELD, State.TRIPPED) else found is CLEAR
        assert not hold_harm.asleep(view)
    held = seen(kit, {"now_ms": now_ms}, run=run, state=State.HELD)
    for gone in ({"run": None}, {"load": None}, {"run": replace(held.state.run, interruption=None)}):
        assert hold_harm.harms(without(held, **gone), False) is CLEAR
        assert hold_harm.asleep(without(held, **gone)) is ("run" in gone)
    settings = kit.settings(laws=LawSettings(alarm=AlarmLimits(harm_minutes=2.0)))
    assert hold_harm.harms(seen(kit, {"now_ms": 180_001}, settings, run=run, state=State.HELD), False).limit == 2.0
    assert hold_harm.LAWS[0].repeat_ms(settings) == 120_000


@pytest.mark.parametrize(("changes", "active", "expected"), [
    ({}, False, (True, 2.4, 2.35, 3.0)), ({"volts": 2.35}, False, (True, 2.35, 2.35, 3.0)),
    ({"volts": 2.349}, False, (False, 2.349, 2.35, 3.0)), ({"volts": 2.0}, True, (True, 2.0, 2.35, 3.0)),
    ({"volts": None}, True, (None,)), ({"before_A": 15.0}, False, (False,)),
    ({"before_A": 14.9}, False, (True, 2.4, 2.35, 14.9)),
    ({"before_A": 0.0}, False, (False,)), ({"before_A": 0.5}, False, (True, 2.4, 2.35, 0.5)),
    ({"before_A": -1.0}, False, (False,)),
    ({"before_A": 20.0}, True, (False,)),
    ({"entered_ms": 4_999}, True, (False,)), ({"entered_ms": 5_000}, False, (True, 2.4, 2.35, 3.0)),
    ({"entered_ms": 5_001}, False, (True, 2.4, 2.35, 3.0)), ({"kind": "rest"}, True, (False,)),
    ({"kind": "discharge"}, True, (False,)), ({"lost_ms": None}, True, (False,)),
])  # fmt: skip
def test_no_step_up_without_flow(kit, changes, active, expected):
    """From 2.35 V a cell, in a charge above the one before, entered after the flow was lost; what is left is shown."""
    given = {"volts": 2.4, "before_A": 3.0, "entered_ms": 6_000, "kind": "charge", "lost_ms": 5_000, **changes}
    run = {"before_A": given["before_A"], "step_entered_ms": given["entered_ms"]}
    view = seen(kit, {"volts_per_cell": given["volts"]}, share={"flow_lost_ms": given["lost_ms"]}, run=run,
                steps=(kit.step(kind=given["kind"]),))  # fmt: skip
    assert says(flow_step.steps_up(view, active), *expected)
    assert flow_step.asleep(view) is (given["lost_ms"] is None)
    for gone in ({"run": None}, {"load": None}, *({"state": state} for state in State if state is not State.RUNNING)):
        assert flow_step.steps_up(without(view, **gone), active) is CLEAR


@pytest.mark.parametrize(("read_A", "asked", "set_A", "local", "expected"), [
    (44.0, ((0, 40.0),), 40.0, False, (False,)), (44.001, ((0, 40.0),), 40.0, False, (True, 44.001, 44.0)),
    (-1.001, ((0, 40.0),), 40.0, False, (True, 1.001, 1.0)), (-1.0, ((0, 40.0),), 40.0, False, (False,)),
    (1.0, ((0, 0.0),), 0.0, False, (False,)), (1.001, ((0, 0.0),), 0.0, False, (True, 1.001, 1.0)),
    (-1.001, ((0, 0.0),), 0.0, False, (True, 1.001, 1.0)), (-44.0, ((0, -40.0),), -40.0, False, (False,)),
    (-44.001, ((0, -40.0),), -40.0, False, (True, 44.001, 44.0)),
    (1.001, ((0, -40.0),), -40.0, False, (True, 1.001, 1.0)),
    (1.5, ((0, 0.5),), 0.5, False, (False,)), (1.501, ((0, 0.5),), 0.5, False, (True, 1.501, 1.5)),
    (44.001, ((0, 40.0),), 40.0, True, (True, 44.001, 44.0)), (44.0, ((0, 40.0), (1, 0.0)), 0.0, True, (False,)),
    (44.0, ((0, 40.0), (1, 0.0)), 0.0, False, (True, 44.0, 1.0)), (0.0, ((0, 40.0),), 40.0, False, (False,)),
    (None, ((0, 0.0),), 0.0, False, (None,)),
])  # fmt: skip
def test_current_that_does_not_obey_begins_past_its_limit(kit, read_A, asked, set_A, local, expected):
    """With zero asked for, or another set-point read back; in local control what was asked lately explains it."""
    facts = {"current_A": read_A, "set_current_A": 9.0, "local": local}
    view = seen(kit, facts, set_A=set_A, asked=asked)
    assert says(set_point.not_obeyed(view, False), *expected)


def test_a_small_current_is_compared_in_its_own_direction(kit):
    """Where a tenth of an ampere is too much, half of one is still what a charge explains, and a discharge does not."""
    settings = kit.settings(laws=LawSettings(current=CurrentLimits(above_A=0.1)))
    for set_A, read_A, holds in ((40.0, 0.5, False), (40.0, -0.5, True), (-40.0, 0.5, True), (-40.0, -0.5, False)):
        view = seen(kit, {"current_A": read_A, "set_current_A": 9.0}, settings, set_A=set_A)
        assert set_point.not_obeyed(view, False).holds is holds


def test_current_obeys_where_its_set_point_was_taken(kit):
    """What is too high then is `current_trip`; with zero asked for it never is."""
    for set_A, holds in ((40.0, False), (-40.0, False), (0.0, True)):
        view = seen(kit, {"current_A": 99.0, "set_current_A": set_A}, set_A=set_A)
        assert set_point.not_obeyed(view, False).holds is holds


@pytest.mark.parametrize(("fresh_ms", "fresh", "active", "holds"), [
    (6_999, True, False, False), (7_000, True, False, True), (6_999, True, True, True), (None, True, False, True),
    (6_999, False, False, True),
])  # fmt: skip
def test_what_did_not_arrive_counts_anew(kit, fresh_ms, fresh, active, holds):
    """In the first reading after more than the stale time; what stood stays."""
    facts = {"current_A": 99.0, "now_ms": 10_000, "fresh": fresh}
    view = seen(kit, facts, set_A=0.0, link=LinkMemory(fresh_ms))
    assert set_point.not_obeyed(view, active).holds is holds


@pytest.mark.parametrize(("read_A", "written", "not_taken", "foreign"), [
    (15.149, (), False, False), (15.151, (), False, True), (9.0, (), False, True), (9.0, ((0, 9.0),), True, False),
    (9.1, ((0, 9.0),), True, False), (9.11, ((0, 9.0),), False, True), (20.0, ((0, 9.0),), False, True),
])  # fmt: skip
def test_who_wrote_the_set_point_read_back(kit, read_A, written, not_taken, foreign):
    """Read back and asked for are shown; an unknown circuit has none to compare with."""
    view = seen(kit, {"set_current_A": read_A, "now_ms": 900_000}, written=written)
    apart = not_taken or foreign
    for compare, holds in ((set_point.not_taken, not_taken), (set_point.foreign_master, foreign)):
        found = compare(view, False)
        assert says(found, holds, read_A, 15.0) if apart else found is CLEAR
        assert compare(without(view, state=State.UNKNOWN), False) is CLEAR
        unread = replace(view, facts=replace(view.facts, set_current_A=None))
        assert compare(unread, False) is CANNOT_TELL
        assert compare(without(unread, state=State.UNKNOWN), False) is CLEAR
    assert set_point.asleep(view) is not apart


@pytest.mark.parametrize(("set_A", "read_A", "asleep"), [
    (0.0, 1.0, True), (0.0, -1.0, True), (0.0, 1.001, False), (0.0, -1.001, False), (0.0, None, True),
    (15.0, 99.0, True),
    (-15.0, 99.0, True), (0.5, 99.0, True),
])  # fmt: skip
def test_set_points_sleep_where_they_were_taken(kit, set_A, read_A, asleep):
    """Up to an ampere with zero asked for; unread is no difference."""
    for set_back_A in (set_A, None):
        assert set_point.asleep(seen(kit, {"current_A": read_A, "set_current_A": set_back_A}, set_A=set_A)) is asleep


def limited(kit, read_V, *, on=True, is_on=True, **state):
    view = seen(kit, {"set_voltage_V": read_V, "now_ms": 900_000, "output_on": is_on}, **state)
    return without(view, command=replace(view.state.command, voltage_limit_V=300.0, output_on=on))


@pytest.mark.parametrize(("read_V", "written_V", "not_taken", "foreign"), [
    (300.0, (), False, False), (301.5, (), False, False), (301.6, (), False, True), (298.4, (), False, True),
    (200.0, ((897_999, 200.0),), True, False), (200.0, ((898_000, 200.0),), False, False),
    (400.0, ((0, 200.0),), False, True),
])  # fmt: skip
def test_who_wrote_the_voltage_limit_read_back(kit, read_V, written_V, not_taken, foreign):
    """Read back and asked for are shown, while output is asked for; an unknown circuit has none to compare with."""
    view = limited(kit, read_V, written_V=written_V)
    for compare, holds in ((set_point.limit_not_taken, not_taken), (set_point.foreign_limit, foreign)):
        found = compare(view, False)
        assert says(found, holds, read_V, 300.0) if not_taken or foreign else found is CLEAR
        assert compare(without(view, state=State.UNKNOWN), False) is CLEAR
        assert compare(limited(kit, read_V, on=False, written_V=written_V), False) is CLEAR
        assert compare(limited(kit, None, written_V=written_V), False) is CANNOT_TELL
        assert compare(limited(kit, None, on=False), False) is CLEAR
    assert set_point.asleep(view) is not (not_taken or foreign)
    assert set_point.asleep(limited(kit, read_V, on=False, written_V=written_V))


@pytest.mark.parametrize(("is_on", "holds"), [(True, False), (False, True), (None, None)])
def test_an_output_that_reads_off_though_it_is_asked_on(kit, is_on, holds):
    """In a running circuit; its current is shown."""
    for state in State:
        found = set_point.output_off(limited(kit, 300.0, is_on=is_on, state=state), False)
        if state is not State.RUNNING:
            assert found is CLEAR
        else:
            assert says(found, holds, None if holds is None else 15.0)
    assert set_point.output_off(limited(kit, 300.0, is_on=is_on, on=False), False) is CLEAR
    assert set_point.asleep(limited(kit, 300.0, is_on=is_on)) is not holds or holds is None
    assert set_point.asleep(limited(kit, 300.0, is_on=is_on, on=False))


@pytest.mark.parametrize(("fit", "another"), [
    (Fit.OK, False), (Fit.NOT_CHECKED, None), (Fit.IDENTITY, True), (Fit.RATING, True),
])  # fmt: skip
@pytest.mark.parametrize("state", list(State))
def test_a_device_that_is_not_the_maps(kit, fit, another, state):
    """In an open run; where it was not checked what stood stays."""
    view = seen(kit, {"fit": fit}, state=state)
    found = device.another_device(view, False)
    assert says(found, another) if state in OPEN else found is CLEAR
    assert device.asleep(view) is (state not in OPEN or not another)


@pytest.mark.parametrize(("facts", "state", "local", "asleep"), [
    ({"local": True}, {}, True, False), ({"local": False}, {}, False, True),
    ({"local": True, "stale": True}, {}, None, False),
    ({"local": True}, {"state": State.IDLE}, False, True), ({"local": False, "stale": True}, {}, None, True),
])  # fmt: skip
def test_local_control_of_an_open_run(kit, facts, state, local, asleep):
    """Silent, what stood stays."""
    view = seen(kit, facts, **state)
    assert says(device.local_control(view, False), local)
    assert device.asleep(view) is asleep


@pytest.mark.parametrize(("code", "active", "expected"), [
    (0.0, True, (False, 0.0)), (1.0, False, (True, 1.0)), (-1.0, False, (True, -1.0)), (0.5, False, (True, 0.5)),
    (None, True, (None,)), (None, False, (False,)), (7.0, False, (True, 7.0)),
])  # fmt: skip
def test_a_fault_of_the_rectifiers_own(kit, code, active, expected):
    """Any number but zero, shown as it is, in every state."""
    for state in State:
        view = seen(kit, {"fault_code": code}, state=state)
        assert says(device.own_fault(view, active), *expected)
        assert device.asleep(view) is (code in (None, 0.0))


@pytest.mark.parametrize(("uptime_s", "before_s", "read_A", "volts", "expected", "asleep"), [
    (9.0, 10.0, 15.0, None, (True, 9.0, 10.0), False), (10.0, 10.0, 15.0, None, (False, 10.0, 10.0), True),
    (11.0, 10.0, 15.0, None, (False, 11.0, 10.0), True), (None, 10.0, 15.0, None, (False, None, 10.0), True),
    (9.0, None, 15.0, None, (False, 9.0, None), True), (11.0, 10.0, 5.0, 200.0, (True, 11.0, 10.0), False),
    (11.0, 10.0, 5.0, 201.0, (False, 11.0, 10.0), False), (11.0, 10.0, None, 200.0, (False, 11.0, 10.0), True),
    (1.0, None, 5.0, None, (True, 1.0, None), False), (11.0, 10.0, 9.0, 200.0, (False, 11.0, 10.0), False),
])  # fmt: skip
def test_a_restart_in_mid_run(kit, uptime_s, before_s, read_A, volts, expected, asleep):
    """Uptime fell, or both limits read as the defaults; uptime and the one before are shown."""
    settings = kit.settings(own={"default_A": 5.0, "default_V": 200.0})
    facts = {"uptime_s": uptime_s, "set_current_A": read_A, "set_voltage_V": volts, "now_ms": 900_000}
    view = seen(kit, facts, settings, link=LinkMemory(None, before_s))
    assert says(device.restarted(view, False), *expected)
    assert device.asleep(view) is asleep
    assert device.restarted(without(view, state=State.IDLE), False) is CLEAR


def test_a_third_of_the_charge_is_no_longer_early(kit):
    """100 of 300 Ah, exactly there."""
    load = kit.load(plan=kit.plan(planned_charge_Ah=300.0))
    for charge_Ah, early in ((100.0, False), (99.9, True)):
        run = {"interruption": Interruption(0, "x"), "counters": Counters(charge_Ah=charge_Ah)}
        view = seen(kit, {"now_ms": 9_000_000}, run=run, load=load, state=State.HELD)
        assert hold_harm.harms(view, False).holds is early
