"""Ways through a run besides the straight one: late start, follow-on, skip, more time, another count, no flow."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import circuit, moves, sequence
from controller.core.state import Counters, Interruption
from controller.core.types import ChannelReading, CircuitIn, Fit, LinkState, State, Value

H_MS = 3_600_000
MINUTE_MS = 60_000


def late_load(kit, *steps, minutes=121, late_start="slow", fresh=True):
    """A load whose first battery was filled so long before core time 0; its profile allows 120 minutes."""
    plan = kit.plan(*steps, soak_max_ms=120 * MINUTE_MS, late_start=late_start)
    load = kit.load(plan=plan, fresh=fresh)
    return replace(load, first_filled_ms=-minutes * MINUTE_MS, last_filled_ms=-minutes * MINUTE_MS)


@pytest.mark.parametrize(
    ("now_ms", "late_start", "fresh", "late"),
    [
        (0, "slow", True, False),
        (1, "slow", True, True),
        (1, "engineer", True, False),
        (1, "slow", False, False),
    ],
)
def test_a_fresh_string_past_its_soak_starts_late_where_the_profile_says_slow(kit, now_ms, late_start, fresh, late):
    """120 min are not past 120 min; an engineer's start is a whole one, a continued string has no soak."""
    load = late_load(kit, minutes=120, late_start=late_start, fresh=fresh)
    assert moves.started(kit.state(State.IDLE, load=load), "eva", now_ms).run.late is late


def test_a_profile_without_a_longest_soak_has_no_late_start(kit):
    """A bench profile starts whenever it is loaded."""
    load = kit.load(plan=kit.plan(soak_max_ms=None, late_start="slow"))
    assert not sequence.soaked_too_long(load, 99 * H_MS)


def test_a_slowed_step_moves_the_same_charge_at_half_the_current(kit):
    """Half of all currents, twice of all times; voltage, charge, cap and ramp stay."""
    ends = {"time_ms": H_MS, "charge_Ah": 9.0, "current_A": 4.0, "voltage_V_per_cell": 2.6}
    step = kit.step(
        ends=ends, longest_ms=3 * H_MS, expected_ms=2 * H_MS, restart_current_A=9.0, charge_cap_Ah=9.5, ramp_ms=5
    )
    wanted_ends = replace(step.ends, time_ms=2 * H_MS, current_A=2.0)
    assert sequence.slowed(step) == replace(
        step, current_A=7.5, ends=wanted_ends, longest_ms=6 * H_MS, expected_ms=4 * H_MS, restart_current_A=7.5
    )
    bare = kit.step(ends={"charge_Ah": 9.0})
    assert sequence.slowed(bare) == replace(bare, current_A=7.5)


def test_only_the_first_charge_of_a_late_run_is_slow(kit):
    """A rest before it is as long as ever, the second charge as strong; a run in time has none."""
    plan = kit.plan(kit.step(1, kind="rest", current_A=0.0), kit.step(2), kit.step(3))
    asked = [sequence.step_of(plan, kit.run(step=index, late=True)) for index in range(3)]
    assert asked == [plan.steps[0], sequence.slowed(plan.steps[1]), plan.steps[2]]
    assert sequence.step_of(plan, kit.run(step=1)) is plan.steps[1]
    assert sequence.first_charge(kit.plan(kit.step(kind="rest"))) is None


def test_a_late_start_is_told_and_its_first_charge_takes_twice_as_long(kit):
    """7.5 A for 20 s instead of 15 A for 10 s, then the second charge at its own 6 A."""
    steps = (kit.step(1, ends={"time_ms": 10_000}), kit.step(2, current_A=6.0))
    bench = kit.bench(circuits=1).cycles(5)
    assert bench.order("load", load=late_load(kit, *steps)) == "accepted"
    assert bench.order("start") == "accepted"
    (told,) = [event for event in bench.out.events if event.code == "late_start"]
    assert told.data["minutes"] == pytest.approx(121.0, abs=0.2)
    seen = []
    for _ in range(25):
        bench.cycle()
        seen.append(bench.set_A())
    assert seen == [7.5] * 19 + [6.0] * 6
    assert sum(event.code == "late_start" for event in bench.events) == 1


def test_an_order_in_a_late_run_tells_nothing_of_its_start_or_its_step(kit):
    """A reading typed later changes the run, not where it stands; nor does anything without a run."""
    late = kit.state(State.COMPLETE, run=kit.run(late=True, end_ms=900))
    read = replace(late, run=replace(late.run, read=((0, 1),)))
    assert circuit._moved_by_order(late, read, kit.facts(), "reading") == []
    assert circuit._moved_by_order(late, replace(late, run=None), kit.facts(), "unload") == []
    assert circuit._moved_by_order(late, late, kit.facts(), "note") == []


def test_a_start_in_time_tells_of_no_late_one(kit):
    """Nothing besides the start itself."""
    bench = kit.bench(circuits=1).running(kit.step())
    assert not any(event.code == "late_start" for event in bench.events)


def test_a_follow_on_run_begins_at_its_step_and_its_credit_counts_for_the_cap(kit):
    """Second of three steps; 209.99 of 210 Ah are credited, so a few seconds of 15 A are past the cap."""
    plan = kit.plan(kit.step(1, current_A=3.0), kit.step(2), kit.step(3, current_A=6.0))
    load = replace(kit.load(plan=plan, fresh=False), continues="a run", first_step=1, credited_Ah=209.99)
    bench = kit.bench(circuits=1).cycles(5)
    bench.toys[0].charged = True
    assert bench.order("load", load=load) == "accepted"
    bench.cycles(2)
    assert bench.order("start") == "accepted"
    assert bench.set_A() == 15.0
    bench.cycles(12)
    assert (bench.circuit().state, bench.circuit().run.interruption.code) == (State.HELD, "charge_cap")


def test_a_skipped_step_is_told_as_ended_and_the_next_one_begins_in_full(kit):
    """By whom stands in the order; the new step has lived nothing in the cycle of the order."""
    bench = kit.bench(circuits=1).running(kit.step(1), kit.step(2, current_A=6.0)).cycles(3)
    assert bench.order("skip", reason="plates are formed") == "skipped"
    told = [(event.code, event.data.get("step"), event.data.get("by")) for event in bench.out.events]
    assert ("step_ended", 1, "skip") in told
    assert ("step_began", 2, None) in told
    run = bench.circuit().run
    assert (run.step, run.step_time_ms, run.step_entered_ms) == (1, 0, bench.now_ms)
    assert bench.set_A() == 6.0
    bench.cycle()
    assert bench.circuit().run.step_time_ms == 1_000


def test_a_step_skipped_while_held_stays_held_until_the_resume(kit):
    """The interruption goes on, and what it owes with it."""
    bench = kit.bench(circuits=1).running(kit.step(1), kit.step(2, current_A=6.0))
    bench.order("hold")
    bench.cycles(4)
    assert bench.order("skip", reason="plates are formed") == "skipped"
    assert (bench.circuit().state, bench.circuit().run.step, bench.set_A()) == (State.HELD, 1, 0.0)
    assert bench.circuit().run.interruption.code == "order"
    bench.cycles(2)
    assert bench.order("resume") == "accepted"
    assert bench.set_A() == 3.0


def test_an_extended_step_is_held_that_much_later(kit):
    """6 s of longest time, a minute more; the alarm waits for both."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=6_000)).cycles(2)
    assert bench.order("extend", minutes=1) == "extended"
    bench.cycles(58)
    assert bench.circuit().state is State.RUNNING
    bench.cycles(8)
    assert (bench.circuit().state, bench.circuit().run.interruption.code) == (State.HELD, "step_overrun")


def test_after_another_count_volts_limit_and_trip_follow_the_batteries_there_are(kit):
    """17 of 18: volts per cell by 102 cells, the limit written for 102; at the trip's volts of 17 it trips."""
    bench = kit.bench(circuits=1, own={"places": 18}).running(kit.step(restart_ms=0))
    written_V = bench.out.commands[0].voltage_limit_V
    assert written_V == pytest.approx(2.85 * 108)
    assert bench.order("block") == "accepted"
    bench.cycles(4)
    bench.change(load=moves.recounted(bench.circuit(), 17).load)
    assert bench.order("unblock") == "accepted"
    bench.cycles(2)
    assert bench.order("resume") == "accepted"
    assert bench.out.commands[0].voltage_limit_V == pytest.approx(2.85 * 102)
    bench.cycles(3)
    assert bench.circuit().run.highest_V_per_cell == pytest.approx(2.3 * 108 / 102)
    bench.bad[0, "voltage_V"] = 2.96 * 102
    bench.cycles(3)
    assert bench.circuit().state is State.TRIPPED


def flowing(kit, state, now_ms, lost_ms, volts=2.4):
    """One cycle of a circuit at 15 A in a bath whose water flows, or does not since `lost_ms`."""
    settings = kit.settings()
    reading = ChannelReading(
        current_A=Value(abs(state.command.set_current_A)), voltage_V=Value(volts * kit.cells),
        set_current_A=Value(state.command.set_current_A), set_voltage_V=Value(state.command.voltage_limit_V),
        output_on=Value(1.0), local=Value(0.0), fault_code=Value(0.0), uptime_s=Value(now_ms / 1000.0),
        probes=(Value(30.0),), link=LinkState.UP, fit=Fit.OK,
    )  # fmt: skip
    cin = CircuitIn(now_ms, reading, kit.share(flow_lost_ms=lost_ms))
    return circuit.step(settings, settings.circuits[0], state, cin)[0]


def test_without_flow_a_step_up_stays_at_the_current_before_it_and_so_does_the_next(kit):
    """3 A, then 15 A and 20 A wanted: 3 A while the flow is lost, the step's own once it is proved again."""
    steps = (kit.step(1, current_A=3.0), kit.step(2, ends={"time_ms": 5_000}), kit.step(3, current_A=20.0))
    run = kit.run(step=1, before_A=3.0, step_entered_ms=0, flowing=True)
    state = kit.state(steps=steps, run=run, set_A=3.0)
    seen = []
    for second in range(1, 10):
        state = flowing(kit, state, second * 1_000, 0)
        seen.append((state.run.step, state.command.set_current_A))
    assert seen == [(1, 3.0)] * 4 + [(2, 3.0)] * 5
    state = flowing(kit, state, 10_000, None)
    assert state.command.set_current_A == 20.0


def test_first_current_is_remembered_once(kit):
    """The moment at which current was first read, whatever comes after."""
    bench = kit.bench(circuits=1).running(kit.step(restart_ms=0))
    first = bench.circuit().run.first_ms
    assert bench.circuit().run.start_ms < first <= bench.now_ms
    bench.cycles(3)
    bench.order("hold")
    bench.cycles(4)
    bench.order("resume")
    bench.cycles(5)
    assert bench.circuit().run.first_ms == first


def test_no_first_current_before_any_was_read(kit):
    """A command is no current: what is read counts, from 0.3 A on."""
    run, step = kit.run(), kit.step()
    assert sequence.lived(run, step, kit.facts(now_ms=7, current_A=0.29), 100.0, True, True).first_ms is None
    assert sequence.lived(run, step, kit.facts(now_ms=7, current_A=0.3), 100.0, True, True).first_ms == 7
    assert sequence.lived(run, step, kit.facts(now_ms=7, current_A=-0.3), 100.0, True, True).first_ms == 7
    assert sequence.lived(run, step, kit.facts(now_ms=7, current_A=None), 100.0, True, True).first_ms is None


def test_what_a_cycle_moved_counts_for_the_run_and_for_its_step(kit):
    """3 Ah in and 5 Ah out in this cycle, on 1 and 2 Ah of the step; nothing counted, nothing changed."""
    run = kit.run(step_charge_Ah=1.0, step_discharge_Ah=2.0)
    before, after = Counters(1.0, 3.0), Counters(4.0, 8.0)
    new = sequence.counted(run, before, after)
    assert (new.counters, new.step_charge_Ah, new.step_discharge_Ah) == (after, 4.0, 7.0)
    assert sequence.counted(run, before, before) is run


def test_a_cycle_of_a_step_counts_its_time_and_its_fair_time(kit):
    """1001 ms at a third: 333.3 ms of its longest time; a gap is no time at all."""
    run = kit.run(fair_ms=0.5, step_time_ms=10)
    new = sequence.lived(run, kit.step(), kit.facts(dt_ms=1_001), 33.3, undisturbed=True, limited=True)
    assert new.fair_ms == pytest.approx(0.5 + 333.333)
    assert new.step_time_ms == 1_011
    assert (
        sequence.lived(run, kit.step(), kit.facts(dt_ms=1_001, gap=True), 33.3, undisturbed=True, limited=True) is run
    )


def test_a_reading_short_of_an_end_counts_anew_from_nothing(kit):
    """One that meets it counts up, one that does not begins at zero, one that is old changes nothing."""
    step, met, short = kit.step(ends={"voltage_V_per_cell": 2.6}), {"volts_per_cell": 2.6}, {"volts_per_cell": 2.5}
    run = kit.run(meets=1, flowing=True)
    for facts, meets in ((kit.facts(**met), 2), (kit.facts(**short), 0), (kit.facts(**short, fresh=False), 1)):
        assert sequence.lived(run, step, facts, 100.0, undisturbed=True, limited=True).meets == meets


def test_a_step_that_ended_says_how_long_it_took_and_what_it_moved(kit):
    """Minutes of flowing or resting time, both charges, and by what."""
    run = kit.run(step_time_ms=90_000, step_charge_Ah=1.5, step_discharge_Ah=0.5)
    event = sequence.step_event("A01", run, kit.step(3), "time")
    assert (event.code, event.target) == ("step_ended", "A01")
    assert event.data == {
        "step": 3, "name": "step 3", "by": "time", "minutes": 1.5, "charge_Ah": 1.5, "discharge_Ah": 0.5
    }  # fmt: skip
    began = sequence.began_event("A01", kit.step(3, task="dump"))
    assert (began.code, began.data) == ("step_began", {"step": 3, "name": "step 3", "task": "dump"})


def test_a_steps_cap_grows_by_what_flows_in_a_persons_time(kit):
    """1 000 s at 15 A are 4.167 Ah; without a cap there is none, whatever was added."""
    run = kit.run(extended_ms=1_000_000, owed_Ah=2.0)
    open_end = kit.step(ends={"current_A": 2.0}, charge_cap_Ah=60.0)
    assert sequence.step_cap_Ah(run, open_end) == pytest.approx(60.0 + 15.0 * 1_000 / 3_600)
    assert sequence.step_cap_Ah(run, replace(open_end, charge_cap_Ah=None)) is None


def test_a_hold_in_a_ramp_and_its_resume_lose_no_step(kit):
    """A ramp from 3 to 15 A over 100 s goes on by its step time after the restart current."""
    bench = kit.bench(circuits=1).running(
        kit.step(1, current_A=3.0, ends={"time_ms": 5_000}), kit.step(2, ramp_ms=100_000, restart_ms=2_000)
    )
    bench.cycles(54)
    assert bench.circuit().run.step == 1
    assert bench.set_A() == pytest.approx(3.0 + 12.0 * bench.circuit().run.step_time_ms / 100_000.0)
    bench.change(run=replace(bench.circuit().run, interruption=Interruption(bench.now_ms, "order")), state=State.HELD)
    bench.cycles(4)
    assert bench.order("resume") == "accepted"
    bench.cycles(8)
    assert bench.set_A() == pytest.approx(3.0 + 12.0 * bench.circuit().run.step_time_ms / 100_000.0)
