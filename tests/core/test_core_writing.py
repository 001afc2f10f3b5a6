"""What is written each cycle and remembered of it: set-points, currents, openings, and what a device read back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import writing
from controller.core.state import LinkMemory
from controller.core.types import Command, Condition, Output, Reaction, State

NOW_MS = 20_000
HEARD = LinkMemory(NOW_MS - 1_000, 999.0)
AGAINST = (Condition("not_obeyed", Reaction.TRIP),)


def write(kit, state=None, *, own=None, standing=(), share_A=None, orders=(), period_ms=1_000, share=None, **facts):
    """The circuit after its last stage, and the events it told."""
    settings = kit.settings(period_ms, own=own)
    state = replace(state or kit.state(), link=HEARD)
    found = kit.facts(**{"now_ms": NOW_MS, **facts})
    cin = kit.view(facts=found, share=share, share_A=share_A, orders=orders).cin
    events = []
    new = writing.written(settings, settings.circuits[0], state, found, cin, standing, events)
    return new, events


def test_what_this_cycle_was_is_remembered(kit):
    """The moment, what power sharing left, the temperature, the link, the command, and that it is read back."""
    new, events = write(kit, share_A=14.0, hot_C=33.0, uptime_s=1_234.0)
    assert (new.now_ms, new.share_A, new.hot_C, new.link.fresh_ms, new.link.uptime_s) == (
        NOW_MS, 14.0, 33.0, NOW_MS, 1_234.0,
    )  # fmt: skip
    assert new.command == Command(14.0, 2.85 * kit.cells, True)
    assert (new.output, new.confirmed, events) == (Output.ON, True, [])
    assert not write(kit, output_on=False)[0].confirmed


@pytest.mark.parametrize("change", [
    {"state": State.HELD}, {"state": State.COMPLETE}, {"blocked_by": "bert"}, {"run": None}, {"load": None},
])  # fmt: skip
def test_nothing_is_asked_for_but_by_a_running_circuit_with_a_run_and_a_list(kit, change):
    """And nobody's hands in it; the limit stays as it was until zero is read back."""
    state = replace(kit.state(), **change)
    state = replace(state, command=replace(state.command, voltage_limit_V=301.0))
    new, _ = write(kit, state)
    assert (new.command, new.output) == (Command(0.0, 301.0, True), Output.TO_ZERO)
    off, _ = write(kit, replace(new, run=state.run), current_A=0.0)
    assert (off.command.voltage_limit_V, off.output) == (0.0, Output.OFF_SENT)


def test_a_discharge_is_asked_for_as_a_negative_current(kit):
    """And its limit is its floor."""
    state = kit.state(steps=(kit.step(kind="discharge", current_A=6.0, voltage_V_per_cell=1.75),), set_A=-6.0)
    new, _ = write(kit, state, current_A=-6.0)
    assert (new.command.set_current_A, new.command.voltage_limit_V) == (-6.0, 1.75 * kit.cells)


@pytest.mark.parametrize(("before", "expected"), [
    ((), ((NOW_MS, 15.0),)),
    (((3, 15.0),), ((NOW_MS, 15.0),)),
    (((NOW_MS - 2_001, 9.0),), ((NOW_MS, 15.0),)),
    (((NOW_MS - 2_000, 9.0),), ((NOW_MS - 2_000, 9.0), (NOW_MS, 15.0))),
    (((NOW_MS - 2_500, 7.0), (NOW_MS - 1_000, 15.0), (NOW_MS - 500, 9.0)), ((NOW_MS - 500, 9.0), (NOW_MS, 15.0))),
])  # fmt: skip
def test_set_points_of_the_settling_time_are_remembered_each_once(kit, before, expected):
    """Two seconds; equal ones at their newest moment."""
    assert write(kit, replace(kit.state(), asked=before))[0].asked == expected


@pytest.mark.parametrize(("before", "read_A", "expected"), [
    ((), 15.0, ((NOW_MS, 15.0),)),
    (((3, 15.0),), 15.0, ((NOW_MS, 15.0),)),
    (((3, 9.0),), 9.0, ((NOW_MS, 15.0),)),
    (((NOW_MS - 5_000, 9.0),), 15.0, ((NOW_MS - 5_000, 9.0), (NOW_MS, 15.0))),
    (((NOW_MS - 5_001, 9.0), (NOW_MS - 1_000, 15.0)), 15.0, ((NOW_MS, 15.0),)),
    (((NOW_MS - 5_001, 9.0), (NOW_MS - 1_000, 15.0)), 9.0, ((NOW_MS - 5_001, 9.0), (NOW_MS, 15.0))),
    (((NOW_MS - 5_001, 9.0), (NOW_MS - 1_000, 15.0)), 9.1, ((NOW_MS - 5_001, 9.0), (NOW_MS, 15.0))),
    (((NOW_MS - 5_001, 9.0), (NOW_MS - 1_000, 15.0)), 9.2, ((NOW_MS, 15.0),)),
    (((NOW_MS - 5_001, 9.0), (NOW_MS - 1_000, 15.0)), None, ((NOW_MS, 15.0),)),
    (((NOW_MS - 5_000, 7.0), (NOW_MS - 1_000, 15.0)), 15.0, ((NOW_MS - 5_000, 7.0), (NOW_MS, 15.0))),
    (((9, 3.0), (NOW_MS - 4_000, 7.0), (NOW_MS - 1_000, 15.0)), 15.0, ((NOW_MS - 4_000, 7.0), (NOW_MS, 15.0))),
])  # fmt: skip
def test_set_points_of_the_watchdogs_time_are_remembered_and_where_the_device_still_stands(
    kit, before, read_A, expected
):
    """Five seconds; an older one for as long as it reads back."""
    assert write(kit, replace(kit.state(), written=before), set_current_A=read_A)[0].written == expected


@pytest.mark.parametrize(("before", "current_A", "expected"), [
    ((), 15.0, ((NOW_MS, 15.0),)),
    ((), None, ()),
    (((NOW_MS - 9, 3.0),), None, ((NOW_MS - 9, 3.0),)),
    (((NOW_MS - 15_000, 3.0),), 15.0, ((NOW_MS - 15_000, 3.0), (NOW_MS, 15.0))),
    (((NOW_MS - 15_001, 3.0),), 15.0, ((NOW_MS, 15.0),)),
    (((NOW_MS - 1_000, 20.0),), 15.0, ((NOW_MS - 1_000, 20.0), (NOW_MS, 15.0))),
    (((NOW_MS - 15_001, 3.0), (NOW_MS - 9, 5.0)), 15.0, ((NOW_MS - 9, 5.0), (NOW_MS, 15.0))),
    (((NOW_MS - 19_000, 1.0), (NOW_MS - 18_000, 3.0), (NOW_MS - 9, 5.0)), 15.0, ((NOW_MS - 9, 5.0), (NOW_MS, 15.0))),
    (((NOW_MS - 2_000, 3.0), (NOW_MS - 1_000, 15.0)), 15.0, ((NOW_MS - 2_000, 3.0), (NOW_MS, 15.0))),
    (((NOW_MS - 2_000, 15.0), (NOW_MS - 1_000, 3.0)), 15.0, (
        (NOW_MS - 2_000, 15.0), (NOW_MS - 1_000, 3.0), (NOW_MS, 15.0),
    )),
])  # fmt: skip
def test_currents_are_remembered_in_their_order_as_often_as_they_come_back(kit, before, current_A, expected):
    """Fifteen seconds; one that stands is kept at its newest moment."""
    assert write(kit, replace(kit.state(), recent=before), current_A=current_A)[0].recent == expected


def falling(kit, **changes):
    """Held a second ago, under current."""
    return replace(kit.state(State.HELD), output=Output.TO_ZERO, output_since_ms=NOW_MS - 1_000, **changes)


@pytest.mark.parametrize(("link_ms", "local", "written", "since_ms"), [
    (1_000, False, (), NOW_MS - 1_000), (3_000, False, (), NOW_MS - 1_000), (3_001, False, (), NOW_MS),
    (1_000, True, ((NOW_MS - 4_000, 15.0),), NOW_MS), (1_000, True, ((NOW_MS - 4_000, -15.0),), NOW_MS),
    (1_000, True, ((NOW_MS - 4_000, 0.0),), NOW_MS - 1_000), (1_000, True, (), NOW_MS - 1_000),
    (1_000, False, ((NOW_MS - 4_000, 15.0),), NOW_MS - 1_000), (1_000, None, ((NOW_MS - 9, 15.0),), NOW_MS - 1_000),
])  # fmt: skip
def test_a_device_that_could_not_hear_is_given_its_time_anew(kit, link_ms, local, written, since_ms):
    """After a silence, and in local control for the watchdog's time."""
    state = falling(kit, written=written)
    settings = kit.settings()
    state = replace(state, link=LinkMemory(NOW_MS - link_ms, 999.0))
    found = kit.facts(now_ms=NOW_MS, local=local)
    cin = kit.view(facts=found).cin
    new = writing.written(settings, settings.circuits[0], state, found, cin, (), [])
    assert (new.output, new.output_since_ms) == (Output.TO_ZERO, since_ms)


@pytest.mark.parametrize(("state", "machine"), [
    (State.UNKNOWN, Output.TO_ZERO), (State.HELD, Output.OFF), (State.IDLE, Output.OFF), (State.TRIPPED, Output.OFF),
])  # fmt: skip
def test_only_a_circuit_of_which_nothing_is_known_is_found_under_current(kit, state, machine):
    """Read as on under current: it goes to zero first. A known one is off, whatever is read."""
    circuit = replace(kit.state(state, set_A=0.0), run=None)
    assert write(kit, circuit)[0].output is machine


@pytest.mark.parametrize(("local", "standing", "silent"), [
    (True, (), True), (False, (), False), (None, (), False), (True, AGAINST, False),
])  # fmt: skip
def test_a_device_in_local_control_is_not_written_to_unless_it_disobeys(kit, local, standing, silent):
    """Its watchdog takes over there."""
    assert write(kit, local=local, standing=standing)[0].command.silent is silent


@pytest.mark.parametrize(("current_A", "has", "openings", "told"), [
    (15.0, True, 6, True), (None, True, 6, True), (0.0, True, 5, False), (15.0, False, 5, False),
])  # fmt: skip
def test_an_opening_under_load_is_counted_and_told(kit, current_A, has, openings, told):
    """With the current that was read; a circuit without a contactor has none."""
    state = falling(kit, openings=5)
    state = replace(state, command=replace(state.command, contactor_closed=True))
    new, events = write(kit, state, own={"has_contactor": has}, standing=AGAINST, current_A=current_A)
    assert (new.openings, new.command.contactor_closed) == (openings, False)
    assert [(event.code, event.target, dict(event.data)) for event in events] == (
        [("opened_under_load", "A01", {"openings": 6, "current_A": current_A})] if told else []
    )


def ordered(kit, **changes):
    """Two orders wait for their read-back."""
    return replace(kit.state(), pending=(("1", "start"), ("2", "resume")), **changes)


def test_an_order_is_answered_once_the_device_read_it_back(kit):
    """Not in the cycle in which it was given: that reading is older than the order."""
    new, events = write(kit, ordered(kit), orders=(replace(kit.order("resume"), id="2"),))
    assert new.pending == (("2", "resume"),)
    (event,) = events
    assert (event.code, event.target, event.kind) == ("read_back", "A01", "order")
    assert dict(event.data) == {"order": "1", "verb": "start", "current_A": 15.0, "state": "running"}
    assert write(kit, ordered(kit))[0].pending == ()


@pytest.mark.parametrize(("change", "facts"), [
    ({}, {"output_on": False}), ({}, {"stale": True}), ({"output": Output.OFF}, {}), ({"output": Output.TO_ZERO}, {}),
    ({"output": Output.STUCK}, {}), ({"output": Output.OFF_SENT}, {}),
])  # fmt: skip
def test_an_order_waits_while_its_read_back_is_to_come(kit, change, facts):
    """Not read back, or the output is on its way in this very cycle."""
    new, events = write(kit, ordered(kit, **change), **facts)
    assert new.pending == (("1", "start"), ("2", "resume"))
    assert events == []


@pytest.mark.parametrize(("hood_closed", "purge_left_ms", "rises"), [
    (True, 0, True), (False, 0, False), (True, 1, False), (False, 1, False),
])  # fmt: skip
def test_below_an_open_hood_and_before_the_purge_no_current_rises(kit, hood_closed, purge_left_ms, rises):
    """It stays as it was, in either direction, and may fall."""
    share = kit.share(hood_closed=hood_closed, purge_left_ms=purge_left_ms, permit=True)
    for before_A, asked_A in ((0.0, 15.0 if rises else 0.0), (9.0, 15.0 if rises else 9.0), (20.0, 15.0)):
        assert write(kit, kit.state(set_A=before_A), share=share)[0].command.set_current_A == asked_A
    steps = (kit.step(kind="discharge", current_A=6.0, voltage_V_per_cell=1.75),)
    state = kit.state(steps=steps, set_A=-4.0)
    assert write(kit, state, share=share, current_A=-4.0)[0].command.set_current_A == (-6.0 if rises else -4.0)
