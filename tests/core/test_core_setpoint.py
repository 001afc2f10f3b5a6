"""Who changed the set-point: the ordered table, each of its rows alone and in its place; and current that flows on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import setpoint
from controller.core.setpoint import Changer
from controller.core.state import LinkMemory
from controller.core.types import Fit, Output, State

OWN = {"default_A": 5.0, "default_V": 100.0}


def seen(kit, read_A=9.0, *, own=None, state=None, link=None, written=(), **facts):
    """A running circuit at 15 A whose set-point reads back as `read_A`."""
    state = state or kit.state(link=link or LinkMemory(9_000, 999.0), written=written)
    facts = kit.facts(**{"now_ms": 10_000, "set_current_A": read_A, **facts})
    return kit.view(state=state, facts=facts, settings=kit.settings(own=own))


def who(kit, read_A=9.0, **changes):
    return setpoint.changer(seen(kit, read_A, **changes), read_A)


def test_what_nothing_explains_is_somebody_elses(kit):
    """The base of all the rows below."""
    assert who(kit) is Changer.FOREIGN


ROWS = [
    (Changer.LOCAL, {"local": True}),
    (Changer.RESTARTED, {"uptime_s": 998.9}),
    (Changer.RESTARTED, {"uptime_s": 2.0, "link": LinkMemory(9_000, None)}),
    (Changer.RESTARTED, {"fit": Fit.IDENTITY}),
    (Changer.RESTARTED, {"fit": Fit.RATING}),
    (Changer.ACKNOWLEDGE, {"written": ((0, 9.0), (1_000, 15.0))}),
    (Changer.WAIT, {"written": ((7_001, 8.0), (9_000, 15.0))}),
    (Changer.WAIT, {"written": ((6_000, 3.0), (7_001, 8.0), (9_000, 15.0))}),
    (Changer.FOREIGN, {"written": ((6_000, 8.0), (9_000, 15.0))}),
    (Changer.FOREIGN, {"local": None}),
    (Changer.FOREIGN, {"uptime_s": 999.0}),
    (Changer.FOREIGN, {"uptime_s": 2.001, "link": LinkMemory(9_000, None)}),
    (Changer.FOREIGN, {"uptime_s": None}),
    (Changer.FOREIGN, {"fit": Fit.NOT_CHECKED}),
    (Changer.FOREIGN, {"written": ((0, 9.2), (1_000, 15.0))}),
    (Changer.FOREIGN, {"written": ((7_000, 8.0), (9_000, 15.0))}),
    (Changer.FOREIGN, {"written": ((7_001, 9.2), (9_000, 15.0))}),
    (Changer.FOREIGN, {"written": ((7_001, 8.0), (9_000, 8.8))}),
    (Changer.FOREIGN, {"written": ((9_000, 15.0),)}),
]


@pytest.mark.parametrize(("changer", "given"), ROWS)
def test_each_row_alone(kit, changer, given):
    """9 A read where 15 A were written: what explains it, and what just does not."""
    assert who(kit, **given) is changer


@pytest.mark.parametrize(("read_A", "fresh_ms", "changer"), [
    (0.0, 4_999, Changer.WATCHDOG), (0.0, 5_000, Changer.FOREIGN), (0.1, 4_999, Changer.WATCHDOG),
    (0.2, 4_999, Changer.FOREIGN), (0.0, None, Changer.FOREIGN),
])  # fmt: skip
def test_zero_after_a_silence_longer_than_the_watchdogs_time_is_the_watchdogs(kit, read_A, fresh_ms, changer):
    """Longer than 5 s, and zero."""
    assert who(kit, read_A, link=LinkMemory(fresh_ms, 999.0)) is changer


@pytest.mark.parametrize(("read_A", "volts", "own", "changer"), [
    (5.0, 100.0, OWN, Changer.DEFAULTS), (5.0, 100.5, OWN, Changer.DEFAULTS), (5.0, 99.5, OWN, Changer.DEFAULTS),
    (5.0, 100.6, OWN, Changer.FOREIGN), (5.2, 100.0, OWN, Changer.FOREIGN), (5.0, None, OWN, Changer.FOREIGN),
    (5.0, 100.0, {"default_A": 5.0}, Changer.FOREIGN), (5.0, 100.0, {"default_V": 100.0}, Changer.FOREIGN),
])  # fmt: skip
def test_both_limits_at_the_devices_defaults_are_a_restart(kit, read_A, volts, own, changer):
    """Both, within a register's step, and only where the map says what they are."""
    assert who(kit, read_A, set_voltage_V=volts, own=own) is changer


def test_the_rows_stand_in_their_order(kit):
    """With all causes at once the first row speaks; taken away one by one, the next."""
    given = {
        "own": {"default_A": 0.0, "default_V": 100.0}, "set_voltage_V": 100.0, "local": True, "uptime_s": 1.0,
        "link": LinkMemory(1_000, 999.0), "written": ((7_500, 0.0), (9_000, 15.0)),
    }  # fmt: skip
    order = [who(kit, 0.0, **given)]
    for change in (
        {"local": False},
        {"uptime_s": 1_000.0},
        {"link": LinkMemory(9_000, 999.0)},
        {"written": ((7_500, -1.0), (9_000, 15.0))},
        {"written": ()},
        {"own": None},
    ):
        given |= change
        order.append(who(kit, 0.0, **given))
    assert order == [*(row for row, _ in setpoint.TABLE), Changer.FOREIGN]


@pytest.mark.parametrize(("read_A", "asked_A", "is_taken"), [
    (0.1, 0.0, True), (0.11, 0.0, False), (-0.11, 0.0, False), (101.0, 100.0, True), (101.1, 100.0, False),
    (99.0, 100.0, True), (98.9, 100.0, False), (-101.0, -100.0, True), (4.9, 5.0, True), (4.89, 5.0, False),
])  # fmt: skip
def test_a_read_back_is_taken_within_a_registers_step(read_A, asked_A, is_taken):
    """1 % or 0.1 A, whichever is more, on both sides."""
    assert setpoint.taken(read_A, asked_A) is is_taken


def test_a_set_point_of_the_settling_time_does_not_differ(kit):
    """The one written last and those of the last 2 s; what was not read differs from nothing."""
    state = kit.state(asked=((0, 9.0), (1_000, 15.0)))
    assert [setpoint.differs(seen(kit, amount, state=state)) for amount in (9.0, 15.0, 12.0, None)] == [
        False, False, True, False,
    ]  # fmt: skip
    assert not setpoint.differs(seen(kit, 15.0, state=replace(state, asked=())))


OFF = {"set_A": 0.0}


def course(kit, state, facts, *, cycles=6, period_ms=1_000, own=None, share=None):
    settings = kit.settings(period_ms, own=own)
    views = [
        kit.view(state=state, facts=replace(facts, now_ms=index * period_ms), settings=settings, share=share)
        for index in range(cycles)
    ]
    return kit.watch("not_obeyed", views, period_ms)


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 3), (5_000, 3), (500, 5)])
def test_current_after_zero_was_asked_is_not_obeyed_after_three_cycles(kit, period_ms, first):
    """3 T, and never before a device's 2 s and one cycle."""
    held = kit.state(State.HELD, set_A=0.0)
    assert course(kit, held, kit.facts(), period_ms=period_ms).index(True) == first


@pytest.mark.parametrize(("state", "set_A", "read_A", "current_A", "trips"), [
    (State.HELD, 0.0, 0.0, 1.0, False), (State.HELD, 0.0, 0.0, 1.01, True), (State.HELD, 0.0, 0.0, -1.01, True),
    (State.UNKNOWN, 0.0, 15.0, 15.0, True), (State.IDLE, 0.0, 0.0, 2.0, True),
    (State.RUNNING, 15.0, 20.0, 16.5, False), (State.RUNNING, 15.0, 20.0, 16.6, True),
    (State.RUNNING, 15.0, 15.0, 20.0, False), (State.RUNNING, 5.0, 9.0, 6.0, False),
    (State.RUNNING, 5.0, 9.0, 6.01, True), (State.RUNNING, -5.0, -9.0, -6.01, True),
    (State.RUNNING, -5.0, -9.0, -5.9, False), (State.RUNNING, -5.0, -9.0, 1.01, True),
])  # fmt: skip
def test_what_is_not_obeyed(kit, state, set_A, read_A, current_A, trips):
    """Current above what was asked, after zero or with another set-point read back; else it is `current_trip`."""
    facts = kit.facts(set_current_A=read_A, current_A=current_A)
    assert any(course(kit, kit.state(state, set_A=set_A), facts)) is trips


def test_what_was_written_in_a_silence_did_not_arrive(kit):
    """The first reading after it does not count; one that is active goes on."""
    held = kit.state(State.HELD, set_A=0.0, link=LinkMemory(0))
    views = [kit.view(state=held, facts=kit.facts(now_ms=at_ms)) for at_ms in (9_000, 1_000, 2_000, 3_000, 3_000)]
    assert kit.watch("not_obeyed", views) == [False] * 4 + [True]
    active = [kit.view(state=held, facts=kit.facts(now_ms=at_ms)) for at_ms in (0, 0, 0, 0, 9_000)]
    assert kit.watch("not_obeyed", active)[-2:] == [True, True]


def test_current_not_read_keeps_what_is_not_obeyed(kit):
    """It is gone when it is read to be gone."""
    held = kit.state(State.HELD, set_A=0.0)
    flows, unread, gone = (kit.facts(current_A=amount) for amount in (15.0, None, 0.0))
    views = [kit.view(state=held, facts=fact) for fact in (*(flows,) * 4, unread, gone)]
    assert kit.watch("not_obeyed", views)[-3:] == [True, True, False]


@pytest.mark.parametrize("code", ["not_obeyed", "current_trip"])
def test_in_local_control_the_watchdogs_time_is_given(kit, code):
    """Nothing is written there: what was asked for within that time still explains current, and then no more."""
    for written, trips in ((((0, 15.0), (900, 0.0)), False), (((900, 0.0),), True), (((0, -15.0), (900, 0.0)), True)):
        held = kit.state(State.HELD, set_A=0.0, written=written)
        views = [kit.view(state=held, facts=kit.facts(local=True, now_ms=5_000))] * 5
        assert any(kit.watch(code, views)) is trips
    held = kit.state(State.HELD, set_A=0.0, written=((0, 15.0), (900, 0.0)))
    assert any(kit.watch(code, [kit.view(state=held, facts=kit.facts(local=True, now_ms=5_001))] * 5))
    assert any(kit.watch(code, [kit.view(state=replace(held, written=()), facts=kit.facts(local=True))] * 5))
    remote = kit.state(State.HELD, set_A=0.0, written=((0, 15.0), (900, 0.0)))
    assert any(kit.watch(code, [kit.view(state=remote)] * 5))


def test_local_control_holds_and_nothing_is_written_any_more(kit):
    """The whole way: two readings hold; the command is silent from the first on; the watchdog's zero trips nothing."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "local"] = 1.0
    bench.cycle()
    assert bench.out.commands[0].silent
    assert bench.set_A() == 15.0
    toy = bench.toys[0]
    for index in range(12):
        toy.set_A, toy.on = (15.0, True) if index < 5 else (0.0, False)
        bench.cycle()
    assert bench.circuit().state is State.HELD
    del bench.bad[0, "local"]
    bench.cycles(3)
    assert not bench.out.commands[0].silent
    assert bench.circuit().state is State.HELD
    assert not [event for event in bench.events if event.data.get("life") == "new" and event.code != "local_control"]


def test_current_that_goes_on_in_local_control_is_taken_away(kit):
    """Past the watchdog's time nobody watches it: not obeyed, written again, contactor open."""
    bench = kit.bench(circuits=1, own={"has_contactor": True}).running()
    bench.bad |= {(0, "local"): 1.0, (0, "current_A"): 15.0, (0, "set_current_A"): 15.0, (0, "output_on"): 1.0}
    bench.cycles(7)
    assert bench.circuit().state is State.HELD
    assert bench.circuit().output is Output.TO_ZERO
    assert bench.out.commands[0].contactor_closed
    bench.cycles(8)
    assert bench.circuit().state is State.TRIPPED
    assert not bench.out.commands[0].contactor_closed
    assert not bench.out.commands[0].silent


def test_writes_that_are_acknowledged_and_not_applied_hold_and_then_trip(kit):
    """The set-point stays at 15 A whatever is written: 15 A wanted no more, held, not obeyed, contactor open."""
    down = kit.step(2, current_A=6.0)
    bench = kit.bench(circuits=1, own={"has_contactor": True}).running(kit.step(ends={"time_ms": 6_000}), down)
    bench.bad |= {(0, "set_current_A"): 15.0, (0, "current_A"): 15.0, (0, "output_on"): 1.0}
    states = []
    for _ in range(20):
        bench.cycle()
        states.append(bench.circuit().state)
    codes = [event.code for event in bench.events if event.data.get("life") == "new"]
    assert "set_not_taken" in codes
    assert "not_obeyed" in codes
    assert "foreign_master" not in codes
    assert states[-1] is State.TRIPPED
    assert bench.circuit().output is Output.STUCK
    assert not bench.out.commands[0].contactor_closed


def test_an_older_set_point_is_remembered_while_the_device_stands_at_it(kit):
    """It is ours for as long as it reads back, and forgotten with the watchdog's time once it does not."""
    bench = kit.bench(circuits=1).running()
    bench.order("hold")
    bench.bad[0, "set_current_A"] = 15.0
    bench.cycles(30)
    assert [amount for _, amount in bench.circuit().written] == [15.0, 0.0]
    bench.bad.clear()
    bench.cycles(1)
    assert [amount for _, amount in bench.circuit().written] == [0.0]
