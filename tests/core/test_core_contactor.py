"""The contactor: when it is closed and opened, openings under load, welded, not closed, due for inspection."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import contactor
from controller.core.types import Command, Condition, Output, Reaction, State

OWN = {"has_contactor": True}
OFF, ON, TO_ZERO, OFF_SENT, STUCK = Output.OFF, Output.ON, Output.TO_ZERO, Output.OFF_SENT, Output.STUCK
AGAINST = (Condition("not_obeyed", Reaction.TRIP),)
STOP = (Condition("emergency_stop", Reaction.TRIP),)


def shall_close(kit, machine, *, was=True, state=State.HELD, has=True, outside=False, keep=False, standing=(), **given):
    reads = given.pop("reads", None)
    settings = kit.settings(own={"has_contactor": has}, contactors_outside=outside)
    state = kit.state(state, command=Command(contactor_closed=was))
    facts = kit.facts(**{"current_A": 15.0, **given})
    cin = kit.view(share=kit.share(keep_contactor=keep), contactor=reads).cin
    return contactor.closed(settings, settings.circuits[0], state, machine, facts, cin, standing)


@pytest.mark.parametrize(("machine", "was", "closed"), [
    (ON, False, True), (ON, True, True), (TO_ZERO, True, True), (OFF_SENT, True, True), (TO_ZERO, False, False),
    (OFF_SENT, False, False), (OFF, True, False), (OFF, False, False), (STUCK, True, False), (STUCK, False, False),
])  # fmt: skip
def test_it_closes_for_current_alone_and_opens_at_zero(kit, machine, was, closed):
    """Once open it stays open on the way to off; a stuck output opens it."""
    assert shall_close(kit, machine, was=was) is closed
    assert not shall_close(kit, machine, was=was, has=False)


@pytest.mark.parametrize("code", ["not_obeyed", "output_stuck", "output_came_on", "current_though_off", "hands_off"])
@pytest.mark.parametrize("machine", [ON, TO_ZERO, OFF_SENT])
def test_current_that_is_not_obeyed_opens_it_at_once(kit, machine, code):
    """Under load, whatever the machine does; another trip does not."""
    assert not shall_close(kit, machine, standing=(Condition("probe_trip", Reaction.TRIP), Condition(code, 4)))
    assert shall_close(kit, machine, standing=(Condition("probe_trip", Reaction.TRIP),))


@pytest.mark.parametrize(("machine", "was", "outside", "standing", "closed"), [
    (OFF, True, False, (), True), (OFF, False, False, (), False), (TO_ZERO, True, False, AGAINST, True),
    (TO_ZERO, True, True, AGAINST, False), (STUCK, True, False, (), True), (STUCK, True, True, (), False),
    (ON, False, True, (), False), (OFF, True, True, (), True),
])  # fmt: skip
def test_in_gas_it_stays_as_it_is(kit, machine, was, outside, standing, closed):
    """Neither opened nor closed; opened only outside the gas space, against current that is not obeyed."""
    assert shall_close(kit, machine, was=was, outside=outside, keep=True, standing=standing) is closed


@pytest.mark.parametrize(("machine", "was", "reads", "current_A", "closed"), [
    (TO_ZERO, False, None, 15.0, True), (TO_ZERO, False, True, 15.0, True), (TO_ZERO, False, False, 15.0, False),
    (OFF_SENT, True, None, 15.0, True), (OFF, True, None, 15.0, True), (OFF, False, True, None, True),
    (OFF, False, True, 0.0, False), (OFF, True, True, 0.0, False), (OFF, False, None, None, False),
    (OFF, False, False, None, False),
])  # fmt: skip
def test_a_new_service_does_not_open_it_under_load(kit, machine, was, reads, current_A, closed):
    """Unknown state: it stays as it is found until zero was read back."""
    given = {"was": was, "reads": reads, "current_A": current_A, "state": State.UNKNOWN}
    assert shall_close(kit, machine, **given) is closed
    known = shall_close(kit, OFF, was=False, reads=True, current_A=None)
    assert known is False


@pytest.mark.parametrize(("was", "closed", "current_A", "loaded"), [
    (True, False, 15.0, True), (True, False, None, True), (True, False, 0.29, False), (True, False, 0.3, True),
    (False, False, 15.0, False), (True, True, 15.0, False), (False, True, 15.0, False),
])  # fmt: skip
def test_an_opening_without_zero_read_is_one_under_load(kit, was, closed, current_A, loaded):
    """Current not read is taken for current."""
    state = kit.state(command=Command(contactor_closed=was))
    facts = kit.facts(current_A=current_A)
    assert contactor.opened_under_load(kit.settings(), state, OFF, closed, facts, ()) is loaded


@pytest.mark.parametrize(("output", "machine", "standing", "recent", "loaded"), [
    (ON, TO_ZERO, STOP, ((8_000, 0.3),), True), (ON, TO_ZERO, STOP, ((8_000, -15.0), (10_000, 0.0)), True),
    (ON, TO_ZERO, STOP, ((7_999, 15.0), (10_000, 0.0)), False), (ON, TO_ZERO, STOP, ((8_000, 0.29),), False),
    (ON, TO_ZERO, AGAINST, ((8_000, 15.0),), False), (ON, ON, STOP, ((8_000, 15.0),), False),
    (TO_ZERO, TO_ZERO, STOP, ((8_000, 15.0),), False),
])  # fmt: skip
def test_the_emergency_stops_wire_opens_it_under_load_too(kit, output, machine, standing, recent, loaded):
    """In the cycle in which current is taken away, where some flowed in the settling time before."""
    state = kit.state(command=Command(contactor_closed=True), output=output, recent=recent)
    facts = kit.facts(now_ms=10_000, current_A=0.0)
    assert contactor.opened_under_load(kit.settings(), state, machine, True, facts, standing) is loaded


def views(kit, *reads, closed, on=True, has=True, period_ms=1_000, **state):
    command = Command(15.0, 300.0, output_on=on, contactor_closed=closed)
    state = kit.state(command=command, **state)
    settings = kit.settings(period_ms, own={"has_contactor": has}, inspect_after=2)
    return [kit.view(state=state, settings=settings, contactor=read) for read in reads]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_welded_contactor_trips_after_three_cycles(kit, period_ms):
    """Ordered open, read as closed; not read it stays; read as open it is gone."""
    given = views(kit, *[True] * 4, None, False, closed=False, period_ms=period_ms)
    assert kit.watch("contactor_welded", given, period_ms) == [False, False, False, True, True, False]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_contactor_that_does_not_close_holds_after_three_cycles(kit, period_ms):
    """Ordered closed with the output on, read as open."""
    given = views(kit, *[False] * 4, None, True, closed=True, period_ms=period_ms)
    assert kit.watch("contactor_not_closed", given, period_ms) == [False, False, False, True, True, False]


@pytest.mark.parametrize(("code", "read", "changes"), [
    ("contactor_welded", True, {"closed": True}), ("contactor_welded", False, {"closed": False}),
    ("contactor_welded", None, {"closed": False}), ("contactor_welded", True, {"closed": False, "has": False}),
    ("contactor_not_closed", False, {"closed": False}), ("contactor_not_closed", True, {"closed": True}),
    ("contactor_not_closed", None, {"closed": True}), ("contactor_not_closed", False, {"closed": True, "on": False}),
    ("contactor_not_closed", False, {"closed": True, "has": False}),
])  # fmt: skip
def test_what_is_as_ordered_or_cannot_be_told_is_no_fault(kit, code, read, changes):
    """As ordered, not read, without a contactor, or still without output."""
    assert not any(kit.watch(code, views(kit, *[read] * 6, **changes)))


@pytest.mark.parametrize(("openings", "has", "due"), [(1, True, False), (2, True, True), (3, True, True),
                                                      (2, False, False)])  # fmt: skip
def test_inspection_is_due_after_so_many_openings_under_load(kit, openings, has, due):
    """The number is the bath file's."""
    assert kit.watch("contactor_inspection", views(kit, True, closed=True, has=has, openings=openings)) == [due]


def test_the_whole_way_of_an_opening_under_load(kit):
    """Held, 15 A go on: not obeyed, opened under load once, told, counted, inspection due; it does not close again."""
    bench = kit.bench(circuits=1, own=OWN).running()
    bench.bad |= {(0, "current_A"): 15.0, (0, "output_on"): 1.0}
    bench.order("hold")
    bench.cycles(12)
    told = [event for event in bench.events if event.code == "opened_under_load"]
    assert [event.data for event in told] == [{"openings": 1, "current_A": 15.0}]
    assert bench.circuit().openings == 1
    assert any(alarm.code == "contactor_inspection" for alarm in bench.circuit().alarms)
    bench.bad = {(0, "current_A"): 0.0, (0, "output_on"): 1.0}
    for _ in range(6):
        bench.cycle()
        assert not bench.out.commands[0].contactor_closed


def test_a_normal_hold_counts_no_opening(kit):
    """Zero is read back first."""
    bench = kit.bench(circuits=1, own=OWN).running()
    bench.order("hold")
    bench.cycles(6)
    assert not bench.out.commands[0].contactor_closed
    assert bench.circuit().openings == 0


def test_an_emergency_stop_counts_one_opening_of_each_circuit_with_current(kit):
    """The wire opened it: the controller opens it too, at zero, and does not count that again."""
    bench = kit.bench(circuits=1, own=OWN).running()
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycles(8)
    assert bench.circuit().openings == 1
    assert not bench.out.commands[0].contactor_closed


def test_a_restarted_service_keeps_it_closed_until_zero_is_read(kit):
    """Current was found: set to zero first, opened at zero, nothing counted."""
    bench = kit.bench(circuits=1, own=OWN)
    bench.toys[0].set_A, bench.toys[0].on = 15.0, True
    bench.cycle()
    assert bench.out.commands[0].contactor_closed
    bench.cycles(4)
    assert not bench.out.commands[0].contactor_closed
    assert bench.circuit().openings == 0


def test_a_hydrogen_trip_leaves_it_as_it_is(kit):
    """`keep_contactor` all the way to off."""
    state = kit.state(State.TRIPPED, set_A=0.0, command=Command(contactor_closed=True), output=OFF)
    view = kit.view(state, kit.facts(current_A=0.0, output_on=False), kit.settings(own=OWN))
    share = kit.share(keep_contactor=True)
    closed = contactor.closed(view.settings, view.own, state, OFF, view.facts, replace(view.cin, bath=share), ())
    assert closed
