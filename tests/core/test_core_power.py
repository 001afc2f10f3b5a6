"""Sharing the bath's power: who is cut, by how much, how it comes back, and what never happens."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise

import pytest

from controller.core import limits, power, sequence
from controller.core.bathstate import BathState
from controller.core.power import Demand
from controller.core.state import Allowed, Interruption
from controller.core.types import LOST as LOST_VALUE
from controller.core.types import BathIn, BathReading, State

SECOND_MS = 1_000


def limited(kit, limit_kW, priorities=(1, 1), **changes):
    settings = kit.settings(circuits=len(priorities), power_limit_kW=limit_kW, **changes)
    circuits = tuple(replace(own, priority=one) for own, one in zip(settings.circuits, priorities, strict=True))
    return replace(settings, circuits=circuits)


def later(kit, current_A=15.0, **changes):
    """A plan in its second charge step of this current, so that nothing protects it."""
    return {
        "steps": (kit.step(1, current_A=5.0), kit.step(2, current_A=current_A, **changes)),
        "run": kit.run(step=1),
        "set_A": current_A,
    }


def bath(*circuits, **changes):
    named = tuple(replace(each, name=f"A0{index}") for index, each in enumerate(circuits, 1))
    return BathState(named, **changes)


def facts(kit, volts_per_cell=(2.0, 2.0), dt_ms=SECOND_MS):
    return kit.bath_facts(volts_per_cell=tuple(volts_per_cell), dt_ms=dt_ms)


def given(*orders):
    return BathIn(0, BathReading((), LOST_VALUE, LOST_VALUE), (), tuple(orders))


def shared(kit, settings, state, volts=(2.0, 2.0), orders=(), dt_ms=SECOND_MS):
    return power.shares(settings, state, given(*orders), facts(kit, volts, dt_ms))


CELLS = 108


def kW(amperes, volts_per_cell=2.0):
    return amperes * volts_per_cell * CELLS / 1000.0


def test_without_a_limit_or_where_all_fits_nobody_has_a_share(kit):
    """30 A at 2.0 V a cell just fit in 6.48 kW."""
    state = bath(kit.state(**later(kit)), kit.state(**later(kit)))
    assert shared(kit, limited(kit, None), state) == (None, None)
    assert shared(kit, limited(kit, kW(30.0)), state) == (None, None)
    assert None not in shared(kit, limited(kit, kW(29.9)), state)


def test_equals_are_cut_in_proportion_to_their_demands(kit):
    """15 and 5 A, 10 A there: half for each."""
    state = bath(kit.state(**later(kit)), kit.state(**later(kit, 5.0)))
    assert shared(kit, limited(kit, kW(10.0)), state) == pytest.approx((7.5, 2.5))


def test_the_highest_number_is_cut_first_and_number_one_last(kit):
    """Three of 10 A each: priority 3 gives all it has before 2 gives any."""
    state = bath(*[kit.state(**later(kit, 10.0))] * 3)
    volts = (2.0,) * 3
    for there_A, expected in ((25.0, (5.0, 10.0, 10.0)), (15.0, (0.0, 10.0, 5.0)), (8.0, (0.0, 8.0, 0.0))):
        assert shared(kit, limited(kit, kW(there_A), (3, 1, 2)), state, volts) == pytest.approx(expected)


def test_volts_count_as_read_and_as_two_a_cell_at_least(kit):
    """A string at 2.5 V a cell takes more of the power; a fresh one, or one not read, as much as at 2.0."""
    state = bath(kit.state(**later(kit)), kit.state(**later(kit)))
    settings = limited(kit, kW(15.0))
    total_W = 1000.0 * kW(15.0)
    for low in (0.1, None, 2.0):
        first, second = shared(kit, settings, state, (2.5, low))
        assert first == pytest.approx(second)
        assert (first * 2.5 + second * 2.0) * CELLS == pytest.approx(total_W)


def test_a_string_in_its_first_steps_is_cut_last(kit):
    """Whatever its priority; the rest before its first charge is one of them. Only alone over the limit it is cut."""
    rest_first = (kit.step(1, kind="rest"), kit.step(2, current_A=15.0), kit.step(3, current_A=15.0))
    for steps, index, first in (
        ((kit.step(1, current_A=15.0), kit.step(2)), 0, True),
        (rest_first, 1, True),
        (rest_first, 2, False),
    ):
        young = kit.state(steps=steps, run=kit.run(step=index))
        found = shared(kit, limited(kit, kW(20.0), (9, 1)), bath(young, kit.state(**later(kit))))
        assert found == pytest.approx((15.0, 5.0) if first else (5.0, 15.0))
    alone = shared(kit, limited(kit, kW(9.0), (9, 1)), bath(young, kit.state(**later(kit))))
    assert alone == pytest.approx((0.0, 9.0))


def test_a_discharge_and_a_rest_draw_nothing(kit):
    """Nor do circuits that are held, ended, or empty."""
    quiet = [
        kit.state(**later(kit, kind="discharge")),
        kit.state(**later(kit, kind="rest")),
        kit.state(State.HELD, **later(kit)),
        kit.state(State.COMPLETE, **later(kit)),
        kit.state(State.IDLE),
        replace(kit.state(State.IDLE), load=None),
        replace(kit.state(), run=None),
    ]
    for each in quiet:
        state = bath(each, kit.state(**later(kit)))
        assert shared(kit, limited(kit, kW(15.0)), state) == (None, None)
        first, second = shared(kit, limited(kit, kW(9.0)), state)
        assert second == pytest.approx(9.0)
        runs = each.state is State.RUNNING and each.run is not None
        assert first is None if runs else first == 0.0


def test_who_starts_in_this_cycle_is_counted(kit):
    """By an order of this cycle, or by the rule of a short link loss; not by an order that starts nothing."""
    running = kit.state(**later(kit))
    held = kit.state(State.HELD, **later(kit))
    by_rule = replace(held, run=replace(held.run, interruption=Interruption(0, "link_lost", True)))
    by_hand = replace(held, run=replace(held.run, interruption=Interruption(0, "hold", False)))
    settings = limited(kit, kW(29.0))
    assert shared(kit, settings, bath(held, running)) == (None, None)
    assert shared(kit, settings, bath(by_hand, running)) == (None, None)
    for each, orders in ((by_rule, ()), (held, [kit.order("resume")])):
        assert shared(kit, settings, bath(each, running), orders=orders) == pytest.approx((14.5, 14.5))
    fresh = replace(kit.state(State.IDLE, steps=later(kit)["steps"]), run=None)
    first = shared(kit, limited(kit, kW(16.0)), bath(fresh, running), orders=[kit.order("start")])
    assert first == pytest.approx((15.0, 1.0))
    assert shared(kit, settings, bath(held, running), orders=[kit.order("hold")]) == (None, None)


def test_a_circuit_may_ask_for_its_own_highest_and_not_more(kit):
    """60 A here, whatever the plan says; and the next step may begin in this very cycle."""
    big = kit.state(**later(kit, 80.0))
    assert shared(kit, limited(kit, kW(75.0)), bath(big, kit.state(**later(kit)))) == (None, None)
    steps = (kit.step(1, current_A=5.0), kit.step(2, current_A=5.0), kit.step(3, current_A=20.0))
    state = bath(kit.state(steps=steps, run=kit.run(step=1)), kit.state(**later(kit)))
    assert None in shared(kit, limited(kit, kW(35.0)), state)
    found = shared(kit, limited(kit, kW(34.0)), state)
    assert found == pytest.approx((34.0 / 4.0, 34.0 * 0.75))


def test_a_demand_is_what_would_flow_without_a_share(kit):
    """Restart current, a ramp, the circuit's and the bath's temperature: the smallest."""
    base = kit.state(**later(kit))
    settings = limited(kit, kW(1.0))
    ramp = kit.state(**later(kit, ramp_ms=10_000))
    for each, bath_percent, expected in (
        (base, 100.0, 15.0),
        (replace(base, run=replace(base.run, restart_left_ms=5)), 100.0, 3.0),
        (replace(ramp, run=replace(ramp.run, ramp_from_A=5.0, step_time_ms=5_000)), 100.0, 10.0),
        (replace(base, allowed=Allowed(60.0)), 100.0, 9.0),
        (replace(base, allowed=Allowed(60.0)), 40.0, 6.0),
        (replace(base, allowed=Allowed(2.0)), 100.0, 0.0),
    ):
        state = bath(each, replace(base, load=None), allowed=Allowed(bath_percent))
        assert power.demands_of(settings, state, facts(kit))[0].current_A == pytest.approx(expected)


def bound(kit, share_A, set_A=None, current_A=15.0):
    """A circuit whose set-point is its share, unless `set_A` says what else it is."""
    asked = share_A if set_A is None else set_A
    return replace(kit.state(**{**later(kit, current_A), "set_A": asked}), share_A=share_A)


@pytest.mark.parametrize(("dt_ms", "risen_A"), [(1_000, 0.15), (500, 0.075), (0, 0.0), (-5, 0.0), (9_000, 0.45)])
def test_power_comes_back_by_one_percent_a_second(kit, dt_ms, risen_A):
    """Of the demand of 15 A; a gap counts as the stale time, never more."""
    state = bath(bound(kit, 10.0), bound(kit, 10.0))
    found = shared(kit, limited(kit, kW(50.0)), state, dt_ms=dt_ms)
    assert found == pytest.approx((10.0 + risen_A,) * 2)


def test_less_than_two_percent_more_changes_nothing(kit):
    """So that noisy volts do not make it hunt; a fall acts at once, and what is no longer held back is free at once."""
    state = bath(bound(kit, 10.0), bound(kit, 10.0))
    assert shared(kit, limited(kit, kW(20.39)), state) == (10.0, 10.0)
    assert shared(kit, limited(kit, kW(20.41)), state) == pytest.approx((10.15, 10.15))
    assert shared(kit, limited(kit, kW(19.9)), state) == pytest.approx((9.95, 9.95))
    free = bath(bound(kit, 10.0, set_A=3.0), bound(kit, 10.0, set_A=3.0))
    assert shared(kit, limited(kit, kW(29.0)), free) == pytest.approx((14.5, 14.5))
    nothing = bath(bound(kit, 0.0), bound(kit, 0.0))
    assert shared(kit, limited(kit, kW(29.0)), nothing) == pytest.approx((14.5, 14.5))


def test_who_is_served_whole_gets_the_last_two_percent(kit):
    """While others are cut: the dead band is for those whose share hangs on noisy volts."""
    served = bath(bound(kit, 5.0), bound(kit, 14.8))
    assert shared(kit, limited(kit, kW(20.0), (2, 1)), served) == pytest.approx((5.0, 14.95))
    both_cut = bath(bound(kit, 14.75), bound(kit, 14.75))
    assert shared(kit, limited(kit, kW(29.6)), both_cut) == (14.75, 14.75)


def test_a_share_lives_on_until_it_no_longer_binds(kit):
    """The limit is far away again: the shares still climb, and end when nobody reaches them."""
    assert shared(kit, limited(kit, kW(90.0)), bath(bound(kit, 10.0), kit.state(**later(kit))))[0] == 10.15
    ended = bath(bound(kit, 45.0, set_A=15.0), bound(kit, 45.0, set_A=15.0))
    assert shared(kit, limited(kit, kW(90.0)), ended) == (None, None)


def test_what_is_left_over_waits_for_nobody(kit):
    """All wants fit, the ceilings do not: each may go up by its part of what is left."""
    slow = replace(kit.state(**later(kit)), allowed=Allowed(20.0))
    found = shared(kit, limited(kit, kW(24.0)), bath(slow, kit.state(**later(kit))))
    assert found == pytest.approx((3.0 * 24.0 / 18.0, 15.0 * 24.0 / 18.0))


def test_shares_never_add_up_to_more_than_the_limit(kit):
    """A thousand made-up baths, with any memory of shares: the limit holds, and no share is below zero."""
    random_ = random.Random(7)
    for _ in range(1_000):
        demands = [
            Demand(random_.choice((0.0, 17.0, 60.0)), 60.0, random_.uniform(100, 300), random_.randint(0, 3))
            for _ in range(random_.randint(1, 6))
        ]
        limit_W = random_.uniform(1.0, 40_000.0)
        given_W = power.shared_W(limit_W, demands)
        assert sum(given_W) <= limit_W * (1.0 + 1e-12)
        assert all(power_W >= 0.0 for power_W in given_W)
        wanted_W = sum(each.current_A * each.string_V for each in demands)
        if wanted_W > 0.0:
            assert sum(given_W) == pytest.approx(limit_W)
        for each, power_W in zip(demands, given_W, strict=True):
            if wanted_W > limit_W:
                assert power_W <= each.current_A * each.string_V * (1.0 + 1e-12)


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_in_a_running_bath_the_limit_holds_in_every_cycle_and_the_currents_settle(kit, period_ms):
    """Noisy volts, one circuit held and resumed: never above the limit, no current moves once nothing else does."""
    settings = limited(kit, kW(26.0, 2.3), (2, 1, 2), period_ms=period_ms)
    bench = kit.bench(settings)
    random_ = random.Random(3)
    bench.running(kit.step(1, current_A=5.0, ends={"time_ms": 20_000}), kit.step(2, ends={"time_ms": 36_000_000}))

    def cycle(noise=0.004):
        volts = [2.3 * kit.cells * (1.0 + random_.uniform(-noise, noise)) for _ in range(3)]
        for index in range(3):
            bench.bad[index, "voltage_V"] = volts[index]
        bench.cycle()
        sets = [bench.set_A(index) for index in range(3)]
        assert sum(one * volt for one, volt in zip(sets, volts, strict=True)) <= settings.power_limit_kW * 1_000 + 1e-6
        assert all(one <= 15.0 for one in sets)
        return sets

    for _ in range(200_000 // period_ms):
        cycle()
    settled = [cycle() for _ in range(60_000 // period_ms)]
    assert settled[0][1] == pytest.approx(15.0)
    assert settled[0][0] == pytest.approx(5.5, rel=0.03)
    for before, after in pairwise(settled):
        assert all(now <= was + 1e-9 for was, now in zip(before, after, strict=True))
    calm = [cycle(noise=0.0) for _ in range(30_000 // period_ms)]
    assert all(sets == pytest.approx(calm[0], abs=1e-9) for sets in calm)
    assert calm[0] == pytest.approx(settled[0], rel=0.03)
    assert any(event.code == "power_limited" for event in bench.events)
    bench.order("hold", "A02")
    freed = [cycle() for _ in range(200_000 // period_ms)]
    most_A = 0.15 * period_ms / 1_000 + 1e-9
    assert all(after[0] - before[0] <= most_A for before, after in pairwise(freed))
    assert freed[-1][0] == pytest.approx(13.0, rel=0.03)


def test_the_alarm_tells_the_whole_demand_after_five_seconds(kit):
    """Held back by more than 2 %: 30 A wanted of 20; within the dead band, or free, nothing is told."""
    settings = limited(kit, kW(20.0))
    for share_A, expected in ((10.0, kW(30.0)), (14.7, kW(30.0)), (14.71, None), (15.0, None), (None, None)):
        state = bath(bound(kit, share_A, 10.0), bound(kit, share_A, 10.0))
        assert power.limited(settings, state, facts(kit)) == (expected if expected is None else pytest.approx(expected))
    assert power.limited(limited(kit, None), bath(bound(kit, 1.0), bound(kit, 1.0)), facts(kit)) is None
    one = bath(bound(kit, None, 15.0), bound(kit, 9.0))
    assert power.limited(settings, one, facts(kit)) == pytest.approx(kW(30.0))
    state = bath(bound(kit, 10.0), bound(kit, 10.0))
    view = kit.bath_view(facts(kit), settings=settings, state=state)
    assert kit.watch("power_limited", [view] * 6) == [False] * 5 + [True]
    free = kit.bath_view(facts(kit), settings=settings, state=bath(bound(kit, None, 15.0), bound(kit, None, 15.0)))
    assert not any(kit.watch("power_limited", [free] * 8))


def test_a_plan_that_begins_past_its_end_wants_nothing(kit):
    """A made-up load list must not stop the cycle."""
    load = replace(kit.load(kit.step(1)), first_step=7)
    odd = replace(kit.state(State.IDLE), load=load, run=None)
    state = bath(odd, kit.state(**later(kit)))
    assert shared(kit, limited(kit, kW(9.0)), state, orders=[kit.order("start")]) == pytest.approx((0.0, 9.0))


def test_who_wants_no_more_than_there_is_is_not_cut(kit):
    """30 A at exactly 6.48 kW: nobody has less than it wants, so the dead band holds."""
    whole = bath(bound(kit, 14.8), bound(kit, 14.8))
    assert shared(kit, limited(kit, kW(30.0)), whole) == (14.8, 14.8)


def test_an_order_to_a_circuit_without_a_run_counts_from_its_first_step(kit):
    """Whatever its state: a made-up order must not stop the cycle."""
    steps = later(kit)["steps"]
    odd = replace(kit.state(State.COMPLETE, steps=steps), run=None)
    state = bath(odd, kit.state(**later(kit)))
    assert shared(kit, limited(kit, kW(18.0)), state, orders=[kit.order("start")]) == pytest.approx((15.0, 3.0))
    idle = replace(odd, state=State.IDLE, run=kit.run(step=7))
    state = bath(idle, kit.state(**later(kit)))
    assert shared(kit, limited(kit, kW(18.0)), state, orders=[kit.order("start")]) == pytest.approx((15.0, 3.0))


def test_the_smallest_demand_shares_out_what_is_there():
    """A tenth of a watt; nothing at all takes nothing."""
    assert power.shared_W(10.0, [Demand(0.001, 1.0, 100.0, 1)]) == pytest.approx([10.0])
    assert power.shared_W(10.0, [Demand(0.0, 1.0, 100.0, 1)]) == [0.0]


def test_a_share_never_stops_a_discharge(kit):
    """It draws nothing from the site; its limit of 0 A would hold it as below its least current."""
    bench = kit.bench(own={"can_discharge": True}, power_limit_kW=3.0).cycles(5)
    discharge = kit.step(1, kind="discharge", current_A=10.0, voltage_V_per_cell=1.75, ends={"time_ms": 100_000})
    bench.order("load", "A01", load=kit.load(discharge, kit.step(2)))
    bench.order("load", "A02", load=kit.load(kit.step()))
    assert bench.order("start", "A01") == "accepted"
    bench.cycles(3)
    assert bench.order("start", "A02") == "accepted"
    bench.cycles(70)
    assert (bench.set_A(0), bench.circuit().state) == (-10.0, State.RUNNING)
    assert 0.0 < bench.set_A(1) < 15.0
    for _ in range(60):
        bench.cycle()
        sum_A = sum(max(0.0, bench.set_A(index)) for index in (0, 1))
        assert sum_A * 2.05 * kit.cells <= 3_000.0 * 1.001, "a string's volts before its charge"
    assert bench.set_A(0) > 0.0
    assert sum_A * 2.3 * kit.cells <= 3_000.0 * 1.001


@pytest.mark.parametrize(("kind", "percent"), [("charge", 20.0), ("discharge", 100.0)])
def test_a_share_is_a_charges(kit, kind, percent):
    """A discharge's longest time goes on whole, and its current is not cut."""
    step = kit.step(kind=kind)
    assert sequence.fair_percent(kit.run(), step, 100.0, 3.0) == percent
    own = kit.settings().circuits[0]
    assert limits.set_point_A(own, kit.run(), step, 3.0, 100.0, ()) == pytest.approx(0.15 * percent)
