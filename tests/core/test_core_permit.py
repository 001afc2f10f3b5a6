"""A permit for an open hood: what ends it, and that below it no current begins, rises or comes back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import inputs, shortloss
from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.limits import no_more_A
from controller.core.types import Condition, Output, Reaction, State


def permitted(bench, minutes=10):
    """Let the hood stand open from now on, by eva's permit."""
    duty = Duty(permit_until_ms=bench.now_ms + minutes * 60_000, permit_by="eva")
    bench.state = replace(bench.state, duty=duty)
    return bench


def rig(kit, *steps):
    """Two circuits that run under a permit."""
    return permitted(kit.bench().running(*steps))


@pytest.mark.parametrize(("facts", "stands"), [
    ({}, True), ({"airflow": False}, False), ({"airflow": None}, False), ({"stale": True}, False),
    ({"hydrogen_LEL": 9.9}, True), ({"hydrogen_LEL": 10.0}, False),
])  # fmt: skip
def test_gas_and_lost_air_end_a_permit(kit, facts, stands):
    """Airflow that is not proved, inputs not known, hydrogen at its warning level."""
    duty = Duty(permit_until_ms=10, permit_by="eva")
    state = BathState((), inputs=Inputs(), duty=duty)
    has = frozenset({"hydrogen_percent_LEL"})
    given = kit.bath_facts(now_ms=5, **{"hydrogen_LEL": 0.0, "has": has, **facts})
    assert inputs.remembered(kit.settings(), state, given).duty == (duty if stands else Duty())


@pytest.mark.parametrize(("code", "reaction", "stands"), [
    ("earth_trip", Reaction.TRIP, False), ("level_high", Reaction.HOLD, False), ("water_derate", Reaction.DERATE, True),
    ("hood_open", Reaction.HOLD, True), ("leak", Reaction.WARN, True),
])  # fmt: skip
def test_what_holds_or_trips_the_bath_ends_a_permit(code, reaction, stands):
    """But not the open hood, which it is for; what else people did stays."""
    duty = Duty(permit_until_ms=10, permit_by="eva", round_ms=3)
    state = BathState((), duty=duty)
    found = inputs.permit_kept(state, (Condition("water_warm", Reaction.WARN), Condition(code, reaction)))
    assert found.duty == (duty if stands else Duty(round_ms=3))
    assert inputs.permit_kept(state, ()) is state
    assert inputs.permit_kept(BathState(()), (Condition("leak", Reaction.HOLD),)).duty == Duty()


def test_a_hold_of_the_bath_ends_the_permit_in_its_own_cycle(kit):
    """With the hood open, the bath stays held by it."""
    bench = rig(kit)
    bench.bath_signals["hood_closed"] = 0.0
    bench.cycles(2)
    assert bench.circuit().state is State.RUNNING
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycle()
    assert bench.state.duty.permit_until_ms is None
    assert not bench.out.told[0].bath.permit
    bench.cycle()
    assert "hood_open" in {alarm.code for alarm in bench.state.alarms}


def test_no_current_begins_under_an_open_hood(kit):
    """The rest is over, the next charge waits for hood and purge; then it flows, in the same run."""
    steps = (
        kit.step(1, kind="rest", current_A=0.0, ends={"time_ms": 20_000}),
        kit.step(2, current_A=15.0),
    )
    bench = rig(kit, *steps)
    bench.bath_signals["hood_closed"] = 0.0
    bench.cycles(30)
    assert [each.run.step for each in bench.state.circuits] == [1, 1]
    assert [command.set_current_A for command in bench.out.commands] == [0.0, 0.0]
    assert bench.circuit().output is Output.OFF
    bench.bath_signals["hood_closed"] = 1.0
    bench.cycles(3)
    assert bench.set_A() == 0.0
    bench.cycles(2)
    assert (bench.out.told[0].bath.purge_left_ms, bench.set_A()) == (0, 15.0)


def test_what_flows_goes_on_and_may_only_fall(kit):
    """The second step asks for more and gets what the first had; one that asks for less gets less."""
    up = rig(kit, kit.step(1, current_A=5.0, ends={"time_ms": 10_000}), kit.step(2, current_A=15.0))
    down = rig(kit, kit.step(1, current_A=5.0, ends={"time_ms": 10_000}), kit.step(2, current_A=2.0))
    for bench, ends_A in ((up, 5.0), (down, 2.0)):
        bench.bath_signals["hood_closed"] = 0.0
        bench.cycles(3)
        assert bench.set_A() == 5.0
        bench.cycles(20)
        assert bench.circuit().run.step == 1
        assert bench.set_A() == ends_A


@pytest.mark.parametrize(("asked_A", "before_A", "left_A"), [
    (15.0, 5.0, 5.0), (3.0, 5.0, 3.0), (15.0, 0.0, 0.0), (-10.0, 0.0, 0.0), (-10.0, 5.0, 0.0), (10.0, -5.0, 0.0),
    (-10.0, -5.0, -5.0), (-3.0, -5.0, -3.0), (0.0, 5.0, 0.0), (0.0, -5.0, 0.0),
])  # fmt: skip
def test_no_more_than_before_is_by_amount_and_direction(asked_A, before_A, left_A):
    """A charge and a discharge alike; neither turns into the other."""
    assert no_more_A(asked_A, before_A) == left_A


@pytest.mark.parametrize("verb", ["start", "resume", "done", "skip"])
def test_no_order_brings_current_while_a_permit_stands(kit, verb):
    """Whoever orders is told who may have the hood open; when it is over the order goes through."""
    ends = {"order": True, "time_ms": None}
    bench = kit.bench().cycles(5)
    for name in ("A01", "A02"):
        bench.order("load", name, load=kit.load(kit.step(1, ends=ends), kit.step(2)))
    if verb != "start":
        bench.order("start")
        bench.cycles(3)
    if verb == "resume":
        bench.order("hold")
        bench.cycles(5)
    permitted(bench, minutes=1)
    args = {"reason": "why"} if verb == "skip" else {}
    events = bench.cycle(kit.order(verb, **args))
    assert [(event.code, event.data.get("by")) for event in events if event.data.get("verb") == verb] == [
        ("permit_stands", "eva")
    ]
    bench.cycles(60)
    assert bench.order(verb, **args) in ("accepted", "skipped")


def test_a_lost_link_brings_no_current_back_under_a_permit(kit):
    """The rule resumes nothing while somebody may have the hood open, nor after."""
    bench, plain = rig(kit), kit.bench().running()
    for each in (bench, plain):
        each.bad[0, "link"] = True
        each.cycles(6)
        assert each.circuit().state is State.HELD
        each.bad.clear()
        each.toys[0].on, each.toys[0].set_A = False, 0.0
        each.cycles(10)
    assert plain.circuit().state is State.RUNNING
    assert bench.circuit().state is State.HELD
    assert shortloss.bath_good(kit.share())
    assert not shortloss.bath_good(kit.share(permit=True))
