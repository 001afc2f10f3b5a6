"""Changes of a run by order and by a new service: next step, more time, another count, start, unload, restart."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import moves, sequence
from controller.core.state import Alarm, Allowed, Interruption, LinkMemory, ProbeMemory, Tick, Timer, TrailPoint
from controller.core.table import Cause
from controller.core.types import ALL_OFF, Output, Reaction, State

H_MS = 3_600_000
POINT = TrailPoint(0, 15.0, 2.3, 30.0, 25.0)
TICK = Tick(1, True, "anna", 5)


def three(kit, **second):
    return (kit.step(1, current_A=3.0), kit.step(2, **second), kit.step(3, current_A=6.0))


def used(kit, **changes):
    """A run that has everything a step keeps for itself."""
    kept = {
        "step_time_ms": 5, "fair_ms": 5.0, "step_charge_Ah": 1.0, "step_discharge_Ah": 1.0, "step_entered_ms": 1,
        "slow": True, "done": True, "ramp_from_A": 2.0, "steady": ((0, 2.3),), "meets": 1, "flowing": True,
        "extended_ms": 60_000,
    }  # fmt: skip
    return kit.run(**(kept | changes))


def test_a_step_begins_with_nothing_of_the_one_before(kit):
    """Its time, charge, samples, extension and slowness are its own; charge of the run stays."""
    run = used(kit, owed_Ah=2.0, restart_left_ms=7)
    new = sequence.entered(kit.plan(*three(kit)), run, 1, 900, 3.0)
    assert new == kit.run(step=1, step_entered_ms=900, ramp_from_A=3.0, before_A=3.0, owed_Ah=2.0, restart_left_ms=7)


def test_the_charge_before_a_step_is_the_last_charge_whatever_lies_between(kit):
    """Rests and discharges are passed over; before the first charge there is none."""
    rest, out = kit.step(2, kind="rest", current_A=0.0), kit.step(3, kind="discharge", current_A=9.0)
    plan = kit.plan(kit.step(1, current_A=3.0), rest, out, kit.step(4, current_A=8.0), kit.step(5))
    before = [sequence.entered(plan, kit.run(), index, 0, 0.0).before_A for index in range(5)]
    assert before == [0.0, 3.0, 3.0, 3.0, 8.0]


@pytest.mark.parametrize(
    ("kind", "set_A", "from_A"), [("charge", 15.0, 15.0), ("discharge", 15.0, 0.0), ("rest", 15.0, 0.0)]
)
def test_a_ramp_begins_at_the_current_asked_for_in_the_same_direction(kit, kind, set_A, from_A):
    """From a charge into a discharge it begins at zero."""
    state = kit.state(steps=(kit.step(1), kit.step(2, kind=kind)), set_A=set_A)
    run = moves.next_step(state, 900).run
    assert (run.step, run.step_entered_ms, run.ramp_from_A) == (1, 900, from_A)


@pytest.mark.parametrize(("kinds", "from_A"), [
    (("charge", "charge", "discharge"), 0.0), (("rest", "charge", "charge"), 15.0),
])  # fmt: skip
def test_a_ramp_into_the_third_step_looks_at_the_second_and_third(kit, kinds, from_A):
    """The first one's direction says nothing about it."""
    state = kit.state(steps=[kit.step(at, kind) for at, kind in enumerate(kinds, 1)], run=kit.run(step=1))
    run = moves.next_step(state, 900).run
    assert (run.step, run.ramp_from_A) == (2, from_A)


def test_a_ramp_from_discharge_to_discharge_begins_at_its_amount(kit):
    """Currents of steps are amounts, set-points of a discharge are negative."""
    state = kit.state(steps=(kit.step(1, kind="discharge"), kit.step(2, kind="discharge")), set_A=-15.0)
    assert moves.next_step(state, 900).run.ramp_from_A == 15.0


def test_after_the_last_step_there_is_no_next_one(kit):
    """Nor without a run, nor without a load."""
    second = kit.state(steps=three(kit)[:2], run=kit.run(step=1))
    assert moves.next_step(second, 900) is second
    last = kit.state(steps=three(kit), run=kit.run(step=2))
    assert moves.next_step(last, 900) is last
    assert moves.skipped(last, 900) is last
    for state in (kit.state(State.IDLE), kit.state(load=None)):
        assert moves.next_step(state, 900) is state
        assert moves.skipped(state, 900) is state


def test_a_derate_without_flow_goes_over_to_the_next_step_up(kit):
    """The charge before had no more than the one before it, so that one stays the measure; a waiting timer is none."""
    for active, before_A in ((True, 3.0), (False, 15.0)):
        others = (Timer("charge_cap", active=True), Timer("step_late", active=True))
        timers = (*others, Timer("flow_no_step_up", active=active))
        state = kit.state(steps=three(kit), run=kit.run(step=1, before_A=3.0), timers=timers)
        assert moves.next_step(state, 900).run.before_A == before_A


def test_a_step_is_skipped_running_or_held_and_a_second_order_sees_the_change(kit):
    """The interruption stays; the revision rises so that two persons do not skip two steps."""
    held = kit.state(State.HELD, steps=three(kit), run=kit.run(interruption=Interruption(5, "order")), revision=7)
    new = moves.skipped(held, 900)
    assert (new.state, new.run.step, new.revision) == (State.HELD, 1, 8)
    assert new.run.interruption == Interruption(5, "order")
    assert moves.skipped(kit.state(steps=three(kit)), 900).run.step == 1


@pytest.mark.parametrize(("fair_h", "more_h", "slow"), [(2.5, 1.0, False), (3.5, 1.0, True), (3.0, 1.0, False)])
def test_more_time_ends_slowness_only_where_time_is_left(kit, fair_h, more_h, slow):
    """Longest 2 h and 1 h more; what was added before counts."""
    run = kit.run(fair_ms=fair_h * H_MS, slow=True)
    state = kit.state(steps=(kit.step(longest_ms=2 * H_MS, on_overrun="slow"),), run=run, revision=3)
    new = moves.extended(state, round(more_h * H_MS))
    assert (new.run.extended_ms, new.run.slow, new.revision) == (round(more_h * H_MS), slow, 4)
    assert moves.extended(new, 60_000).run.extended_ms == round(more_h * H_MS) + 60_000


def test_more_time_makes_no_step_slow_and_less_time_is_none(kit):
    """A step at its own current stays so; zero, a negative time, no run, no load change nothing."""
    state = kit.state(steps=(kit.step(longest_ms=H_MS),), run=kit.run(fair_ms=9.0 * H_MS))
    assert moves.extended(state, 1).run.slow is False
    assert moves.extended(state, 1).run.extended_ms == 1
    for same, more_ms in ((state, 0), (state, -5), (kit.state(State.IDLE), 9), (kit.state(load=None), 9)):
        assert moves.extended(same, more_ms) is same


def test_batteries_are_recounted_only_while_held_and_blocked(kit):
    """Samples of volts begin anew; everything else of the run stays."""
    run = kit.run(highest_V_per_cell=2.6, steady=((0, 2.3),), step_charge_Ah=5.0)
    held = kit.state(State.HELD, run=run, blocked_by="anna", trail=(POINT,), revision=3)
    new = moves.recounted(held, 17)
    assert (new.load, new.revision) == (replace(held.load, batteries=17), 4)
    assert (new.trail, new.blocked_by) == ((POINT,), "anna")
    assert new.run == replace(run, highest_V_per_cell=None, steady=())
    for state in State:
        if state is not State.HELD:
            other = replace(held, state=state)
            assert moves.recounted(other, 17) is other
    for other in (replace(held, blocked_by=""), replace(held, load=None)):
        assert moves.recounted(other, 17) is other
    assert moves.recounted(held, 0) is held
    assert moves.recounted(replace(held, run=None), 1).load.batteries == 1


def test_a_start_begins_a_new_run_at_the_first_step(kit):
    """Nothing of an earlier run, no ticks; no load, no start."""
    idle = kit.state(State.IDLE, ticks=(TICK,))
    new = moves.started(idle, "eva", 900)
    assert (new.state, new.ticks) == (State.RUNNING, ())
    assert new.run == replace(kit.run(), start_ms=900, started_by="eva", step_entered_ms=900)
    bare = kit.state(State.IDLE, load=None)
    assert moves.started(bare, "eva", 900) is bare


@pytest.mark.parametrize(("first", "index"), [(0, 0), (2, 2), (3, 2), (-1, 0)])
def test_a_follow_on_run_begins_at_its_step_with_its_credit(kit, first, index):
    """The step begins anew; an index past the plan is its last step, never an error in the cycle."""
    load = replace(kit.load(*three(kit)), fresh=False, first_step=first, credited_Ah=99.0, continues="a run")
    run = moves.started(kit.state(State.IDLE, load=load), "eva", 900).run
    assert (run.step, run.credited_Ah, run.step_charge_Ah, run.counters.charge_Ah) == (index, 99.0, 0.0, 0.0)
    assert run.before_A == [0.0, 3.0, 15.0][index]
    assert sequence.charged_Ah(run) == 99.0


def test_an_unload_forgets_the_string(kit):
    """Load, run, ticks and what was remembered of volts and temperature; not what is true of the circuit."""
    old = kit.state(
        State.COMPLETE, ticks=(TICK,), trail=(POINT,), moved_K=2.0, openings=2, out_of_use="", revision=4,
        probes=(ProbeMemory(30.0),),
    )  # fmt: skip
    new = moves.unloaded(old, 900)
    assert (new.state, new.load, new.run, new.ticks, new.trail, new.moved_K) == (State.IDLE, None, None, (), (), None)
    assert (new.openings, new.probes, new.revision) == (2, (ProbeMemory(30.0),), 5)


def remembered(kit, state, **run):
    """A circuit with something in every field that a new service may or may not believe."""
    return kit.state(
        state, run=kit.run(walk=(TICK,), read=((0, 1),), device_Ah=5.0, ours_Ah=5.0, meets=1, flowing=True,
                           steady=((0, 2.3),), rides_ms=(3,), **run),
        now_ms=800, ticks=(TICK,), probes=(ProbeMemory(30.0),), trail=(POINT,), written=((1, 15.0),), openings=2,
        out_of_use="fan", leads_off=True, resume_for="gas", moved_K=2.0, link=LinkMemory(5), recent=((1, 15.0),),
        pending=(("1", "hold"),), blocked_by="anna", blocked_ms=7, confirmed=True, revision=5,
        allowed=Allowed(60.0, 60.0), alarms=(Alarm("x", 1, 3, Reaction.WARN, shelved_until_ms=9_000),),
    )  # fmt: skip


def test_a_new_service_believes_people_and_not_readings(kit):
    """Sensors, links, set-points begin anew; what people found, said, blocked or shelved, and a derate, stay."""
    old = remembered(kit, State.RUNNING)
    new = moves.restarted(old)
    run = replace(
        old.run, interruption=Interruption(800, "service_away"), device_Ah=None, meets=0, flowing=False, steady=()
    )
    wanted = replace(
        old, state=State.UNKNOWN, stored=State.HELD, run=run, output=Output.OFF, confirmed=False, command=ALL_OFF,
        asked=(), recent=(), pending=(), written=(), link=LinkMemory(), probes=(), trail=(), moved_K=None, ticks=(),
        revision=6,
    )  # fmt: skip
    assert new == wanted


def test_a_new_service_resumes_no_held_run_by_rule(kit):
    """A link that was short before the restart is no short one after it; the hold's moment and cause stay."""
    old = remembered(kit, State.HELD, interruption=Interruption(5, "link_lost", resumable_by_rule=True))
    new = moves.restarted(old)
    assert (new.stored, new.run.interruption) == (State.HELD, Interruption(5, "link_lost"))
    again = moves.restarted(replace(new, stored=State.TRIPPED))
    assert again.stored is State.TRIPPED


def test_a_new_service_finds_an_ended_run_ended_and_an_idle_circuit_idle(kit):
    """No interruption is made for a run that is over."""
    ended = moves.restarted(remembered(kit, State.COMPLETE, end_ms=700))
    assert (ended.stored, ended.run.interruption, ended.run.end_ms) == (State.COMPLETE, None, 700)
    idle = moves.restarted(kit.state(State.IDLE))
    assert (idle.state, idle.stored, idle.run) == (State.UNKNOWN, State.IDLE, None)


def test_an_interruption_begins_once_and_stops_what_was_measured(kit):
    """The first cause and moment stay; samples and flowing begin anew."""
    running = kit.state(run=kit.run(flowing=True, steady=((0, 2.3),)), revision=3)
    held = moves.interrupted(running, Cause.HOLD, "order", 900)
    assert (held.state, held.since_ms, held.revision) == (State.HELD, 900, 4)
    assert held.run == kit.run(interruption=Interruption(900, "order"))
    tripped = moves.interrupted(held, Cause.TRIP, "fault", 950)
    assert (tripped.state, tripped.run) == (State.TRIPPED, held.run)


@pytest.mark.parametrize(
    ("was", "by_rule", "code", "kept"),
    [(True, True, "link_lost", True), (True, False, "fault", False), (False, True, "order", False)],
)
def test_a_short_link_loss_is_no_longer_one_once_anything_else_stood(kit, was, by_rule, code, kept):
    """And nothing makes a hold by a person one; the moment stays, the cause is what forbids the rule."""
    first = Interruption(5, "link_lost" if was else "order", was)
    held = kit.state(State.HELD, run=kit.run(interruption=first))
    new = moves.interrupted(held, Cause.HOLD, "fault" if not by_rule else "link_lost", 900, by_rule)
    assert new.run.interruption == Interruption(5, code, kept)
    assert (new is held) is (was == kept)


def test_what_has_no_open_run_is_not_interrupted(kit):
    """An idle circuit trips without a run, a complete one keeps its end, a tripped one its cause."""
    idle = moves.interrupted(kit.state(State.IDLE), Cause.TRIP, "fault", 900)
    assert (idle.state, idle.run) == (State.TRIPPED, None)
    over = kit.state(run=kit.run(end_ms=800))
    assert moves.interrupted(over, Cause.HOLD, "order", 900).run is over.run
    tripped = kit.state(State.TRIPPED)
    assert moves.interrupted(tripped, Cause.TRIP, "fault", 900) is tripped


@pytest.mark.parametrize(("by_rule", "fair_ms", "slow", "rides"), [(False, 0.0, False, 2), (True, 5.0, True, 3)])
def test_a_resume_by_a_person_grants_the_steps_time_anew_and_one_by_rule_does_not(kit, by_rule, fair_ms, slow, rides):
    """Both begin at restart current and owe for an hour: 0.5 % of 200 Ah."""
    run = used(kit, interruption=Interruption(0, "link_lost", True), link_rides=2, owed_Ah=0.5)
    state = kit.state(State.HELD, steps=(kit.step(restart_ms=7_000),), run=run, revision=3)
    new = moves.resumed(state, H_MS, by_rule)
    assert (new.state, new.since_ms, new.revision) == (State.RUNNING, H_MS, 4)
    assert (new.run.owed_Ah, new.run.restart_left_ms) == (pytest.approx(1.5), 7_000)
    assert (new.run.fair_ms, new.run.slow, new.run.link_rides) == (fair_ms, slow, rides)
    assert (new.run.interruption, new.run.flowing, new.run.meets) == (None, False, 0)
    assert (new.run.step_time_ms, new.run.step_charge_Ah, new.run.extended_ms) == (5, 1.0, 60_000)


def test_nothing_is_owed_resumed_or_ended_where_there_is_nothing(kit):
    """No run, no load, no interruption, an end that stands already."""
    idle, bare = kit.state(State.IDLE), kit.state(State.HELD, load=None)
    assert moves.would_owe_Ah(kit.state(), H_MS) == 0.0
    for state in (idle, bare):
        assert moves.would_owe_Ah(state, H_MS) == 0.0
        assert moves.resumed(state, H_MS, by_rule=False) is state
    assert moves.ended(idle, Cause.STOP, 900) is idle
    over = kit.state(State.COMPLETE, run=kit.run(end_ms=800))
    assert moves.ended(over, Cause.STOP, 900) is over
    held = kit.state(State.HELD, run=kit.run(interruption=Interruption(5, "order")))
    stopped = moves.ended(held, Cause.STOP, 900)
    assert (stopped.state, stopped.run.end_ms, stopped.run.interruption) == (State.STOPPED, 900, None)


@pytest.mark.parametrize(
    ("stored", "state"),
    [
        (State.TRIPPED, State.TRIPPED),
        (State.HELD, State.HELD),
        (State.COMPLETE, State.COMPLETE),
        (State.STOPPED, State.STOPPED),
        (State.IDLE, State.IDLE),
    ],
)
def test_an_unknown_circuit_returns_to_what_was_stored(kit, stored, state):
    """And says which state that is."""
    new, event = moves.returned_to(kit.state(State.UNKNOWN, stored=stored), 900)
    assert (new.state, new.since_ms) == (state, 900)
    assert (event.code, event.data, event.target) == ("zero_read", {"state": state.value}, "A01")


def test_a_cause_the_table_does_not_know_moves_nothing(kit):
    """A complete circuit is not resumed."""
    complete = kit.state(State.COMPLETE)
    assert moves.moved(complete, Cause.RESUME, 900) is complete
    idle = kit.state(State.IDLE)
    assert moves.moved(idle, Cause.LOAD, 900) is idle


@pytest.mark.parametrize(("percent", "hours", "owed_Ah"), [(0.4, 3.0, 2.4), (0.4, 0.25, 0.2), (1.5, 0.0, 0.0)])
def test_an_interruption_owes_by_the_hour_a_share_of_the_planned_charge(kit, percent, hours, owed_Ah):
    """Of 200 Ah, since it began at 7 s; what was owed before is added to at the resume."""
    run = kit.run(interruption=Interruption(7_000, "order"), owed_Ah=1.0)
    state = kit.state(State.HELD, steps=(kit.step(owes_percent_per_hour=percent),), run=run)
    now_ms = 7_000 + round(hours * H_MS)
    assert moves.would_owe_Ah(state, now_ms) == pytest.approx(owed_Ah)
    assert moves.resumed(state, now_ms, by_rule=False).run.owed_Ah == pytest.approx(1.0 + owed_Ah)
