"""The laws of a run: charge past a cap, a step past its time."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import sequence
from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import charge_cap, step_time
from controller.core.state import Counters
from controller.core.types import Reaction, State

H_MS = 3_600_000


def found(law, view):
    """What a comparison says, as (holds, value, limit, allowed A)."""
    finding = law(view, active=False)
    return finding.holds, finding.value, finding.limit, finding.allowed_A


def law_of(family, code):
    return next(law for law in family.laws if law.code == code)


@pytest.mark.parametrize(("charge_Ah", "owed_Ah", "holds"), [(210.0, 0, False), (210.1, 0, True), (211.0, 2, False)])
def test_charge_past_the_cap_holds_at_once(kit, charge_Ah, owed_Ah, holds):
    """200 Ah planned, 105 %: 210 Ah, and what interruptions added."""
    state = kit.state(run=kit.run(counters=Counters(charge_Ah), owed_Ah=owed_Ah))
    assert kit.watch("charge_cap", [kit.view(state=state)]) == [holds]
    assert found(charge_cap.above_cap, kit.view(state=state)) == (holds, charge_Ah, 210.0 + owed_Ah, None)


@pytest.mark.parametrize(("charge_Ah", "holds"), [(90.0, False), (90.0165, False), (90.0168, True)])
def test_credited_charge_counts_toward_the_cap_and_a_readings_worth_more_may_pass(kit, charge_Ah, holds):
    """120 of an earlier run and 90 of 210 Ah; 4 s at 15 A are 0.01667 Ah, in which a last step sees its end."""
    state = kit.state(run=kit.run(counters=Counters(charge_Ah), credited_Ah=120.0))
    assert kit.watch("charge_cap", [kit.view(state=state)]) == [holds]


def in_step(kit, state=State.RUNNING, run=(), owed_Ah=0.0, **step):
    step = kit.step(**({"charge_cap_Ah": 63.0, "ends": {"charge_Ah": 60.0}} | step))
    run = kit.run(owed_Ah=owed_Ah, **dict(run))
    return kit.state(state, steps=(step,), run=run)


@pytest.mark.parametrize(
    ("moved_Ah", "owed_Ah", "step", "run", "cap_Ah"),
    [
        (63.01, 0.0, {}, {}, 63.0),
        (64.01, 1.0, {"takes_owed": True}, {}, 64.0),
        (63.01, 1.0, {}, {}, 63.0),
        (63.01, 0.0, {}, {"extended_ms": H_MS}, 63.0),
        (78.01, 0.0, {"ends": {"current_A": 2.0}}, {"extended_ms": H_MS}, 78.0),
    ],
)
def test_charge_past_the_steps_cap_holds_at_once(kit, moved_Ah, owed_Ah, step, run, cap_Ah):
    """63 Ah, what it takes of the owed, and 15 A for a person's hour where no charge ends it; 0.01667 Ah more pass."""
    for more_Ah, holds in ((0.0, False), (0.01, True)):
        state = in_step(kit, owed_Ah=owed_Ah, run={"step_charge_Ah": moved_Ah + more_Ah, **run}, **step)
        assert kit.watch("step_cap", [kit.view(state=state)]) == [holds]
        assert found(charge_cap.above_step_cap, kit.view(state=state))[1:3] == (moved_Ah + more_Ah, cap_Ah)


def test_a_steps_cap_counts_its_own_direction_and_a_rest_has_none(kit):
    """70 Ah out of a discharge are past its cap, 70 Ah into it are not; a rest is never past one."""
    for charged, discharged, holds in ((70.0, 0.0, False), (0.0, 70.0, True)):
        run = {"step_charge_Ah": charged, "step_discharge_Ah": discharged}
        assert charge_cap.above_step_cap(kit.view(state=in_step(kit, run=run, kind="discharge")), False).holds is holds
    rest = in_step(kit, run={"step_charge_Ah": 70.0}, kind="rest", current_A=0.0, charge_cap_Ah=None)
    assert charge_cap.above_step_cap(kit.view(state=rest), False) == CLEAR


def test_the_steps_cap_is_kept_while_held_or_tripped(kit):
    """So that nobody resumes into it; an engineer skips the step."""
    for state in State:
        holds = state in (State.RUNNING, State.HELD, State.TRIPPED)
        past = in_step(kit, state, run={"step_charge_Ah": 70.0})
        assert kit.watch("step_cap", [kit.view(state=past)]) == [holds]


def past_cap(kit, current_A=15.0, **run):
    run = run or {"step_charge_Ah": 70.0}
    return kit.view(state=in_step(kit, State.HELD, run=run), facts=kit.facts(current_A=current_A))


def test_current_that_flows_on_after_a_cap_hold_trips(kit):
    """10 s after the cap was passed, in two readings at T = 1 and 5 s; whichever cap it was, in either direction."""
    for view in (past_cap(kit), past_cap(kit, counters=Counters(300.0)), past_cap(kit, current_A=-15.0)):
        assert kit.watch("cap_not_obeyed", [view] * 11) == [False] * 10 + [True]
        assert kit.watch("cap_not_obeyed", [view] * 3, period_ms=5_000) == [False, False, True]
    assert kit.watch("cap_not_obeyed", [past_cap(kit)] * 2, period_ms=10_000) == [False, True]
    assert kit.watch("cap_not_obeyed", [past_cap(kit)] * 2, period_ms=9_999) == [False, False]
    assert found(charge_cap.not_obeyed, past_cap(kit, current_A=-15.0)) == (True, 15.0, 0.0, None)
    law = law_of(charge_cap.FAMILY, "cap_not_obeyed")
    assert (law.reaction, law.priority) == (Reaction.TRIP, 1)


def test_no_current_or_no_cap_passed_trips_nothing_and_unread_current_keeps_what_stood(kit):
    """Zero is 0.3 A; current that cannot be read neither trips nor clears."""
    assert charge_cap.not_obeyed(past_cap(kit, current_A=0.29), False).holds is False
    assert charge_cap.not_obeyed(past_cap(kit, step_charge_Ah=63.0), False) == CLEAR
    assert charge_cap.not_obeyed(past_cap(kit, current_A=None), False) == CANNOT_TELL
    views = [past_cap(kit)] * 11 + [past_cap(kit, current_A=None), past_cap(kit, current_A=0.0)]
    assert kit.watch("cap_not_obeyed", views)[-3:] == [True, True, False]


@pytest.mark.parametrize("cap", ["step", "profile"])
def test_a_living_circuit_is_held_at_a_cap_and_a_device_that_goes_on_is_tripped(kit, cap):
    """15 A past a cap of 0.05 Ah: held; the device ignores it: tripped 10 s after. The cap stands while it is held."""
    step = kit.step(charge_cap_Ah=0.05 if cap == "step" else None)
    bench = kit.bench(circuits=1).running(step)
    if cap == "profile":
        load = bench.circuit().load
        bench.change(load=replace(load, plan=replace(load.plan, charge_cap_Ah=0.05)))
    while bench.circuit().state is State.RUNNING:
        bench.cycle()
        assert bench.now_ms < 60_000
    code = "step_cap" if cap == "step" else "charge_cap"
    assert bench.circuit().run.interruption.code == code
    held_ms = bench.now_ms
    bench.bad[0, "current_A"] = 15.0
    while bench.circuit().state is State.HELD:
        bench.cycle()
        assert bench.now_ms <= held_ms + 11_000
    assert any(event.code == "cap_not_obeyed" for event in bench.events) or bench.now_ms < held_ms + 10_000
    assert bench.circuit().state is State.TRIPPED


def test_the_cap_is_kept_while_held_or_tripped_and_gone_with_the_run(kit):
    """Charge counted does not go down; an ended run has nothing to lose."""
    run = kit.run(counters=Counters(300.0))
    for state in State:
        holds = state in (State.RUNNING, State.HELD, State.TRIPPED)
        assert kit.watch("charge_cap", [kit.view(state=kit.state(state, run=run))]) == [holds]


def test_a_plan_that_only_discharges_is_not_held_by_a_shunts_offset(kit):
    """Nothing planned to be charged: a half an Ah counted from an offset are no overcharge."""
    plan = kit.plan(kit.step(kind="discharge"), planned_charge_Ah=0.0, charge_cap_Ah=0.0)
    state = kit.state(load=kit.load(plan=plan), run=kit.run(counters=Counters(0.5, 5.0)))
    assert kit.watch("charge_cap", [kit.view(state=state)]) == [False]


def overdue(kit, on_overrun, fair_h, slow=False, state=State.RUNNING):
    step = kit.step(longest_ms=2 * H_MS, on_overrun=on_overrun)
    return kit.view(state=kit.state(state, steps=(step,), run=kit.run(fair_ms=fair_h * H_MS, slow=slow)))


@pytest.mark.parametrize(("on_overrun", "code"), [("hold", "step_overrun"), ("slow", "step_slow"), ("next", None)])
def test_a_step_past_its_longest_time_does_what_it_says(kit, on_overrun, code):
    """Hold holds, slow warns, next is no alarm; before its time none does anything."""
    for law in ("step_overrun", "step_slow"):
        assert kit.watch(law, [overdue(kit, on_overrun, 2.0)]) == [False]
        assert kit.watch(law, [overdue(kit, on_overrun, 2.001)]) == [law == code]


def test_a_slow_step_warns_until_it_ends(kit):
    """A resume grants the time once more, the step stays slow and says so."""
    assert kit.watch("step_slow", [overdue(kit, "slow", 0.0, slow=True)]) == [True]
    assert kit.watch("step_overrun", [overdue(kit, "hold", 0.0, slow=True)]) == [False]


def test_what_a_person_added_lengthens_the_longest_time(kit):
    """2 h and half an hour; the alarm names both in one."""
    for fair_h, holds in ((2.5, False), (2.501, True)):
        step = kit.step(longest_ms=2 * H_MS)
        run = kit.run(fair_ms=fair_h * H_MS, extended_ms=H_MS // 2)
        view = kit.view(state=kit.state(steps=(step,), run=run))
        assert found(step_time.held, view) == (holds, fair_h, 2.5, None)


@pytest.mark.parametrize(
    ("fair_h", "owed_Ah", "step", "late"),
    [
        (4.4, 0.0, {}, False),
        (4.401, 0.0, {}, True),
        (6.4, 30.0, {"takes_owed": True}, False),
        (6.401, 30.0, {"takes_owed": True}, True),
        (4.401, 15.0, {}, True),
        (9.0, 0.0, {"expected_ms": None}, False),
    ],
)
def test_a_step_is_late_past_its_expected_time_and_what_it_owes(kit, fair_h, owed_Ah, step, late):
    """4.4 h; 30 Ah owed at 15 A are two hours more for the step that takes them."""
    step = kit.step(**({"expected_ms": round(4.4 * H_MS)} | step))
    state = kit.state(steps=(step,), run=kit.run(fair_ms=round(fair_h * H_MS), owed_Ah=owed_Ah))
    assert kit.watch("step_late", [kit.view(state=state)]) == [late]
    law = law_of(step_time.FAMILY, "step_late")
    assert (law.reaction, law.priority) == (Reaction.WARN, 3)
    if step.expected_ms is not None:
        limit = 4.4 + (owed_Ah / 15.0 if step.takes_owed else 0.0)
        assert found(step_time.late, kit.view(state=state))[1:] == (fair_h, pytest.approx(limit), None)


def test_only_a_running_circuit_is_late(kit):
    """Held, it stands; without a run or a load there is no step."""
    step = kit.step(expected_ms=H_MS, longest_ms=H_MS)
    for state in State:
        each = kit.state(state, steps=(step,), run=kit.run(fair_ms=2.0 * H_MS))
        assert kit.watch("step_late", [kit.view(state=each)]) == [state is State.RUNNING]
    for bare in (replace(each, state=State.RUNNING, run=None), replace(each, state=State.RUNNING, load=None)):
        for law in step_time.LAWS:
            assert law.compare(kit.view(state=bare), False) == CLEAR


def test_a_held_circuit_is_not_past_its_time(kit):
    """Time at zero current is nobody's step time."""
    assert kit.watch("step_overrun", [overdue(kit, "hold", 3.0, state=State.HELD)]) == [False]


def test_a_step_without_a_longest_time_has_none(kit):
    """An end by hours needs no other."""
    state = kit.state(steps=(kit.step(),), run=kit.run(fair_ms=99 * H_MS))
    assert kit.watch("step_overrun", [kit.view(state=state)]) == [False]


def test_overrun_hold_holds_a_living_circuit_and_a_resume_grants_the_time_again(kit):
    """Six seconds of longest time; after the resume six more."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=6_000, restart_ms=0))
    bench.cycles(8)
    assert bench.circuit().state is State.HELD
    assert bench.set_A() == 0.0
    bench.cycles(3)
    assert bench.order("resume") == "accepted"
    bench.cycles(5)
    assert bench.circuit().state is State.RUNNING
    bench.cycles(4)
    assert bench.circuit().state is State.HELD


def test_overrun_slow_runs_on_at_restart_current(kit):
    """An early step tells, and goes on at 3 A."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=6_000, on_overrun="slow"))
    bench.cycles(10)
    assert bench.circuit().state is State.RUNNING
    assert bench.set_A() == 3.0
    assert any(event.code == "step_slow" for event in bench.events)


def test_overrun_next_goes_to_the_next_step(kit):
    """A finish may go on to the rest behind it."""
    first = kit.step(longest_ms=6_000, on_overrun="next")
    bench = kit.bench(circuits=1).running(first, kit.step(2, current_A=6.0))
    bench.cycles(10)
    assert bench.circuit().run.step == 1
    assert bench.set_A() == 6.0


def test_a_resume_at_restart_current_is_not_late(kit):
    """At a fifth of the current a second counts for a fifth of the time until it is late."""
    bench = kit.bench(circuits=1).running(kit.step(expected_ms=20_000)).cycles(10)
    bench.order("hold")
    bench.cycles(4)
    assert bench.order("resume") == "accepted"
    bench.cycles(26)
    assert bench.circuit().run.fair_ms == pytest.approx(5_200.0)
    bench.change(run=replace(bench.circuit().run, restart_left_ms=0))
    bench.cycles(14)
    assert not any(event.code == "step_late" for event in bench.events)
    bench.cycles(2)
    assert any(event.code == "step_late" for event in bench.events)


def test_a_second_with_less_power_counts_by_its_share(kit):
    """Of 15 A power sharing left 6: 40 %; the smallest of all counts, and a rest's second is a second."""
    step, rest = kit.step(), kit.step(kind="rest", current_A=0.0)
    slow = kit.run(restart_left_ms=1)
    assert sequence.fair_percent(kit.run(), step, 100.0, None) == 100.0
    assert sequence.fair_percent(kit.run(), step, 60.0, None) == 60.0
    assert sequence.fair_percent(kit.run(), step, 60.0, 6.0) == pytest.approx(40.0)
    assert sequence.fair_percent(kit.run(), step, 30.0, 6.0) == 30.0
    assert sequence.fair_percent(slow, step, 30.0, None) == pytest.approx(20.0)
    assert sequence.fair_percent(slow, step, 10.0, 6.0) == 10.0
    assert sequence.fair_percent(slow, kit.step(restart_current_A=4.0), 100.0, None) == pytest.approx(400.0 / 15.0)
    assert sequence.fair_percent(slow, kit.step(kind="discharge"), 100.0, None) == pytest.approx(20.0)
    assert sequence.fair_percent(kit.run(), step, 100.0, 30.0) == 100.0
    assert sequence.fair_percent(slow, rest, 30.0, 0.0) == 100.0


@pytest.mark.parametrize("cause", ["probe", "water"])
def test_a_derated_second_counts_by_its_allowed_share(kit, cause):
    """At 60 % ten seconds of step time are six of its longest time, whoever took the rest away."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=H_MS))
    if cause == "probe":
        bench.toys[0].probe_C = 52.5
    else:
        bench.bath_signals["water_C"] = 47.5
    bench.cycles(3)
    before = bench.circuit().run
    assert bench.set_A() == pytest.approx(9.0)
    bench.cycles(10)
    after = bench.circuit().run
    assert after.step_time_ms - before.step_time_ms == 10_000
    assert after.fair_ms - before.fair_ms == pytest.approx(6_000.0)


def views_of_all(kit):
    """Views in which one law or another of these files holds, and some in which none does."""
    yield kit.view()
    yield kit.view(state=kit.state(State.IDLE))
    yield kit.view(state=kit.state(load=None))
    for charge_Ah in (210.0, 211.0):
        yield kit.view(state=kit.state(run=kit.run(counters=Counters(charge_Ah))))
        yield kit.view(state=kit.state(run=kit.run(counters=Counters(charge_Ah - 100.0), credited_Ah=100.0)))
    for moved in ("step_charge_Ah", "step_discharge_Ah"):
        for kind in ("charge", "discharge"):
            yield kit.view(state=in_step(kit, run={moved: 70.0}, kind=kind))
    for fair_h in (1.0, 2.0, 2.001):
        yield overdue(kit, "slow", fair_h)
        yield overdue(kit, "hold", fair_h)
        yield kit.view(state=kit.state(steps=(kit.step(expected_ms=2 * H_MS),), run=kit.run(fair_ms=fair_h * H_MS)))
    yield overdue(kit, "slow", 0.0, slow=True)
    yield overdue(kit, "hold", 9.0, state=State.HELD)


@pytest.mark.parametrize("module", [charge_cap, step_time])
def test_a_family_is_asleep_only_where_none_of_its_laws_would_hold(kit, module):
    """It sleeps in a sound running circuit, wakes for each of its laws, and never sleeps through one."""
    asleep, woken = 0, set()
    for view in views_of_all(kit):
        holding = {law.code for law in module.LAWS if law.compare(view, False).holds}
        assert not (holding and module.FAMILY.asleep(view)), holding
        asleep += module.FAMILY.asleep(view)
        woken |= holding
    assert module.FAMILY.asleep(kit.view())
    assert woken == {law.code for law in module.LAWS}
    assert asleep >= 3
    assert module.FAMILY.laws is module.LAWS


def told(family):
    return [(law.code, law.reaction, law.priority, law.readings, law.explains) for law in family.laws]


def test_what_each_law_of_a_run_does_and_how_soon(kit):
    """Code, reaction, priority, readings it waits for, and what only follows from it; one waits for a time too."""
    assert told(charge_cap.FAMILY) == [
        ("charge_cap", Reaction.HOLD, 2, 0, ("step_cap",)),
        ("step_cap", Reaction.HOLD, 2, 0, ()),
        ("cap_not_obeyed", Reaction.TRIP, 1, 2, ("charge_cap", "step_cap")),
    ]
    assert told(step_time.FAMILY) == [
        ("step_slow", Reaction.WARN, 3, 0, ("step_late",)),
        ("step_overrun", Reaction.HOLD, 2, 0, ("step_late",)),
        ("step_late", Reaction.WARN, 3, 0, ()),
    ]
    laws = [*charge_cap.LAWS, *step_time.LAWS]
    assert [law.code for law in laws if law.wait_ms is not None] == ["cap_not_obeyed"]


def test_a_cap_is_passed_only_above_it_and_a_readings_worth(kit):
    """At exactly 210 Ah, or 63, and 4 s of 15 A nothing holds; period and stale time make up the 4 s."""
    more_Ah = 15.0 * (3_000 + 1_000) / 3_600_000.0
    total = kit.view(state=kit.state(run=kit.run(counters=Counters(210.0 + more_Ah))))
    assert charge_cap.above_cap(total, False).holds is False
    step = kit.view(state=in_step(kit, run={"step_charge_Ah": 63.0 + more_Ah}))
    assert charge_cap.above_step_cap(step, False).holds is False
    slow = kit.settings(5_000)
    assert charge_cap.above_step_cap(replace(step, settings=slow), False).holds is False
    past = kit.view(state=in_step(kit, run={"step_charge_Ah": 63.0 + 5.0 * more_Ah}), settings=slow)
    assert charge_cap.above_step_cap(past, False).holds is False
    past = kit.view(state=in_step(kit, run={"step_charge_Ah": 63.001 + 5.0 * more_Ah}), settings=slow)
    assert charge_cap.above_step_cap(past, False).holds is True


def test_charge_laws_sleep_up_to_the_caps_and_wake_above_them(kit):
    """210 and 63 Ah are still none; without run or load there is nothing to watch."""
    asleep = charge_cap.FAMILY.asleep
    for charge_Ah, credited_Ah, sleeps in ((210.0, 0.0, True), (210.001, 0.0, False), (110.0, 100.0, True)):
        run = kit.run(counters=Counters(charge_Ah), credited_Ah=credited_Ah)
        assert asleep(kit.view(state=kit.state(run=run))) is sleeps
    for moved in ("step_charge_Ah", "step_discharge_Ah"):
        for moved_Ah, sleeps in ((63.0, True), (62.0, True), (63.001, False)):
            assert asleep(kit.view(state=in_step(kit, run={moved: moved_Ah}))) is sleeps
    past = kit.state(run=kit.run(counters=Counters(300.0)))
    assert asleep(kit.view(state=replace(past, run=None)))
    assert asleep(kit.view(state=replace(past, load=None)))


def test_time_laws_sleep_up_to_their_times_and_wake_above_them(kit):
    """1 h each; a slow step is awake, a held one sleeps, as does one without run, load or times."""
    asleep = step_time.FAMILY.asleep
    for times in ({"longest_ms": H_MS}, {"expected_ms": H_MS}, {"longest_ms": H_MS, "expected_ms": 2 * H_MS}):
        for fair_ms, sleeps in ((float(H_MS), True), (H_MS + 1.0, False), (H_MS - 1.0, True)):
            state = kit.state(steps=(kit.step(**times),), run=kit.run(fair_ms=fair_ms))
            assert asleep(kit.view(state=state)) is sleeps
            for bare in ({"run": None}, {"load": None}, {"state": State.HELD}, {"state": State.TRIPPED}):
                assert asleep(kit.view(state=replace(state, **bare)))
    assert not asleep(kit.view(state=kit.state(run=kit.run(slow=True))))
    assert asleep(kit.view(state=kit.state(run=kit.run(fair_ms=99.0 * H_MS))))
