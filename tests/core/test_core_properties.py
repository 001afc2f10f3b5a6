"""Whatever comes in: bounds, people, latches, orders and neighbours, tried on a toy plant in a closed loop."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core import limits, moves
from controller.core.types import Fit, Output, State

CYCLES = 60
QUICK = settings(max_examples=250, deadline=None, derandomize=True)

NAN, INF = float("nan"), float("inf")
CIRCUIT_BAD = {
    "current_A": (None, "old", 0.0, 0.6, 3.3, 14.0, 40.0, -15.0, NAN, INF),
    "voltage_V": (None, "old", NAN, 0.0, 307.8, 330.0),
    "set_current_A": (None, "old", 0.0, 3.0, 40.0, NAN),
    "output_on": (None, "old", 0.0, 1.0),
    "local": (None, "old", 1.0),
    "fault_code": (None, "old", 5.0),
    "uptime_s": (None, "old", 1.0, 65535.0),
    "probes": (None, "old", 0.0, 52.5, 56.0, 61.0, 85.0, NAN),
    "link": ("down",) * 6,
    "fit": tuple(Fit),
    "sleep": (1, 2, 4, 20),
}
BATH_BAD = {
    "water_C": (None, "old", 47.5, 51.0, 10.0, NAN),
    "airflow": (None, "old", 0.0, NAN),
    "emergency_stop_ok": (None, "old", 0.0),
    "hood_closed": (None, "old", 0.0),
}


def faults_of(bad, *circuits):
    """A fault: when and for how long, which circuit's signal, which bad value."""
    pairs = [(circuit, signal, value) for circuit in circuits for signal, values in bad.items() for value in values]
    return st.tuples(
        st.tuples(st.integers(0, CYCLES - 1), st.integers(1, 20)), st.sampled_from(pairs).map(lambda p: (p[:2], p[2]))
    ).map(lambda made: (made[0], *made[1]))


FAULTS = st.one_of(faults_of(CIRCUIT_BAD, 0, 1), faults_of(BATH_BAD, -1))
VERBS = ("start", "hold", "stop", "block", "unblock", "acknowledge", "reset", "done", "unload", "load", "?")
ROLES = (("technician",),) * 3 + (("engineer",), ("maintenance",), ("quality",), ())
ORDER = st.tuples(
    st.integers(0, CYCLES - 1),
    st.sampled_from((*VERBS, *(("resume",) * 8), "acknowledge", "reset")),
    st.sampled_from(("A01", "A01", "A02", "A02", "A", "A09")),
    st.sampled_from(("anna", "bert")),
    st.sampled_from(ROLES),
)


class Course:
    """A bath that runs through faults and orders; `each` looks at every cycle."""

    def __init__(self, kit, faults, orders, each, restarts=()):
        steps = (
            kit.step(1, current_A=15.0, ends={"time_ms": 25_000}, restart_ms=5_000),
            kit.step(2, kind="rest", current_A=0.0, ends={"time_ms": 5_000}),
            kit.step(3, current_A=6.0, voltage_V_per_cell=2.7, ends={"charge_Ah": 0.05}, takes_owed=True),
        )
        self.kit, self.faults, self.orders, self.restarts = kit, faults, orders, restarts
        self.load = kit.load(*steps)
        self.bench = kit.bench(auto_resume_link_ms=20_000, purge_ms=4_000).running(*steps)
        self.unsafe_s, self.aired_s, self.hot_C = [0, 0], 9, [[], []]
        for cycle in range(CYCLES):
            before = self.bench.state
            given_ = self.cycle(cycle)
            each(self, before, given_)

    def cycle(self, cycle):
        bench, sleep = self.bench, 0
        if cycle in self.restarts:
            bench.state = replace(bench.state, circuits=tuple(moves.restarted(one) for one in bench.state.circuits))
        bench.bad.clear()
        bench.fits.clear()
        for (begin, lasts), (index, signal), bad in self.faults:
            if not begin <= cycle < begin + lasts:
                continue
            if signal == "fit":
                bench.fits[index] = bad
            elif signal == "sleep":
                sleep = bad * 1_000 if cycle == begin else sleep
            else:
                bench.bad[index, signal] = bad
        given_ = tuple(
            self.kit.order(verb, target, who=who, roles=roles, load=self.load, links=0, reason="tried", told="A01 A02")
            for at, verb, target, who, roles in self.orders
            if at == cycle
        )
        bench.cycle(*given_, skip_ms=sleep)
        return given_


def each_circuit(course, before):
    bench = course.bench
    return zip(
        before.circuits, bench.state.circuits, bench.out.commands, bench.out.told, bench.settings.circuits, strict=True
    )


def accepted(course, target, *verbs):
    return any(
        event.code == "accepted" and event.target == target and event.data["verb"] in verbs
        for event in course.bench.out.events
    )


def bounded(course, before, _):
    """No command beyond step, plan and circuit; nothing but the running step's own current."""
    for _, now, command, _, own in each_circuit(course, before):
        assert 0.0 <= command.set_current_A <= own.current_max_A
        assert 0.0 <= command.voltage_limit_V <= own.voltage_max_V
        if command.set_current_A == 0.0:
            continue
        step = now.load.plan.steps[now.run.step]
        assert now.state is State.RUNNING
        assert command.output_on
        assert command.set_current_A <= step.current_A
        assert command.set_current_A >= own.current_min_A
        assert command.voltage_limit_V <= step.voltage_V_per_cell * now.load.plan.cells * now.load.batteries
        assert now.run.restart_left_ms == 0 or command.set_current_A <= step.restart_current_A


def cooler_only(course, before, _):
    """Two hot readings in a row: no more than the curve of the cooler one allows; none from 55 C."""
    for index, (_, now, command, told, _) in enumerate(each_circuit(course, before)):
        (probe,) = told.reading.probes
        read = probe.number if probe.age_ms == 0 and told.reading.current_A.age_ms == 0 else None
        course.hot_C[index] = [*course.hot_C[index], read][-2:]
        if len(course.hot_C[index]) < 2 or not all(hot is not None and hot > 50.0 for hot in course.hot_C[index]):
            continue
        allowed = limits.curve_percent(min(course.hot_C[index]), 50.0, 55.0)
        most_A = (
            0.0 if min(course.hot_C[index]) >= 55.0 or now.run is None else now.load.plan.steps[now.run.step].current_A
        )
        assert command.set_current_A <= most_A * allowed / 100.0 + 1e-9


def people_first(course, before, _):
    """No current in a blocked circuit or a bath that is open, unpurged, unknown or stopped; off soon after."""
    bench = course.bench
    inputs = [bench.last[-1, signal] for signal in ("airflow", "hood_closed", "emergency_stop_ok")]
    shut_and_aired = all(value.number is not None and value.age_ms <= 3_000 for value in inputs)
    shut_and_aired = shut_and_aired and inputs[0].number == 1.0 and inputs[1].number == 1.0
    slept = bench.now_ms - before.now_ms > 3_000
    course.aired_s = 0 if not shut_and_aired else 1 if slept else course.aired_s + 1
    for index, (_, now, command, told, _) in enumerate(each_circuit(course, before)):
        share = told.bath
        unsafe = bool(now.blocked_by) or share.purge_left_ms > 0 or not share.hood_closed or not share.airflow_ok
        unsafe = unsafe or not share.emergency_stop_ok or not share.inputs_ok or course.aired_s < 5
        course.unsafe_s[index] = course.unsafe_s[index] + 1 if unsafe else 0
        if unsafe:
            assert command.set_current_A == 0.0
        if course.unsafe_s[index] > 3:
            assert not command.output_on


def latched(course, before, _):
    """A trip stays until acknowledged and reset; a stop ends the run, not the latch."""
    for was, now, _, _, own in each_circuit(course, before):
        had = {alarm.code for alarm in was.alarms if alarm.latched}
        has = {alarm.code for alarm in now.alarms if alarm.latched}
        assert now.state is not State.TRIPPED or has
        if not accepted(course, own.name, "reset"):
            assert had <= has
            if was.state is State.TRIPPED:
                assert now.state in (State.TRIPPED, State.STOPPED, State.UNKNOWN)
        elif any(alarm.latched and not alarm.acknowledged for alarm in was.alarms):
            assert accepted(course, own.name, "acknowledge")


def by_order_only(course, before, _):
    """A circuit begins to run by an accepted start or resume, or by the short link loss's rule."""
    for was, now, command, told, own in each_circuit(course, before):
        if was.state is State.RUNNING or now.state is not State.RUNNING:
            continue
        if accepted(course, own.name, "start", "resume"):
            continue
        assert any(event.code == "resumed_by_rule" and event.target == own.name for event in course.bench.out.events)
        assert was.state is State.HELD
        assert was.run.interruption.resumable_by_rule
        assert was.run.interruption.code == "link_lost"
        assert not was.blocked_by
        assert not told.bath.blocked
        assert abs(told.reading.current_A.number) < 0.3
        assert told.reading.fit is Fit.OK
        assert course.bench.now_ms - was.run.interruption.since_ms <= 20_000
        assert command.set_current_A <= now.load.plan.steps[now.run.step].restart_current_A


def fresh_readings(course, before, _):
    """No current is asked for while current, volts, output or read-back is missing, no number, or older than stale."""
    stale_ms = course.bench.settings.stale_ms
    for _, _, command, told, _ in each_circuit(course, before):
        reading = told.reading
        four = (reading.current_A, reading.voltage_V, reading.set_current_A, reading.output_on)
        if any(value.number is None or not math.isfinite(value.number) or value.age_ms > stale_ms for value in four):
            assert command.set_current_A == 0.0


def sane(course, before, _):
    """Charge only grows and is a number; zero is sent before off; only what was read back is confirmed."""
    for was, now, command, told, _ in each_circuit(course, before):
        if was.run is not None and now.run is not None and was.run.start_ms == now.run.start_ms:
            assert now.run.counters.charge_Ah >= was.run.counters.charge_Ah
            assert now.run.counters.discharge_Ah >= was.run.counters.discharge_Ah
        if was.command.set_current_A > 0.0 and now.state is not State.UNKNOWN and was.output is Output.ON:
            assert command.output_on
        if now.confirmed:
            assert told.reading.output_on.number == (1.0 if now.output is Output.ON else 0.0)


CHECKS = (bounded, cooler_only, people_first, latched, by_order_only, fresh_readings, sane)


def all_of(course, before, given_):
    for check in CHECKS:
        check(course, before, given_)


@QUICK
@given(st.lists(FAULTS, min_size=1, max_size=15), st.lists(ORDER, max_size=12))
def test_whatever_comes_in_the_guarantees_hold(kit, faults, orders):
    """Up to 15 faults and a dozen orders at random moments: no exception, and every check in every cycle."""
    Course(kit, faults, orders, all_of)


@settings(QUICK, max_examples=40)
@given(
    st.lists(FAULTS, max_size=6),
    st.lists(ORDER, max_size=6),
    st.lists(st.integers(0, CYCLES - 1), min_size=1, max_size=3),
)
def test_the_guarantees_hold_over_restarts_of_the_service(kit, faults, orders, restarts):
    """Killed and begun again at random moments."""
    checks = [check for check in CHECKS if check is not sane]
    Course(kit, faults, orders, lambda *seen: [check(*seen) for check in checks], restarts)


OWN_FAULT = faults_of({key: bad for key, bad in CIRCUIT_BAD.items() if key != "sleep"}, 0)
OWN_ORDER = ORDER.filter(lambda order: order[2] == "A01" and order[1] != "block")


@settings(QUICK, max_examples=60)
@given(st.lists(OWN_FAULT, min_size=1, max_size=15), st.lists(OWN_ORDER, max_size=6))
def test_a_fault_in_one_circuit_changes_no_command_of_the_other(kit, faults, orders):
    """A02 does to the bit what it does beside a sound A01."""
    alone, beside = [], []
    Course(kit, (), (), lambda course, *_: alone.append(course.bench.out.commands[1]))
    Course(kit, faults, orders, lambda course, *_: beside.append(course.bench.out.commands[1]))
    assert beside == alone


@settings(QUICK, max_examples=30)
@given(st.lists(FAULTS, max_size=10), st.lists(ORDER, max_size=5))
def test_the_same_readings_and_orders_give_the_same_decisions(kit, faults, orders):
    """Twice the same course: commands, events and states are equal."""
    runs = []
    for _ in range(2):
        seen = []
        Course(kit, faults, orders, lambda course, *_, seen=seen: seen.append(repr(course.bench.out)))
        runs.append(seen)
    assert runs[0] == runs[1]


def test_the_course_without_faults_runs_to_its_end(kit):
    """The properties above would hold of a bath that never runs: this one does."""
    states = []
    Course(kit, (), (), lambda course, *_: states.append(course.bench.state.circuits[0].state))
    assert states[0] is State.RUNNING
    assert states[-1] is State.COMPLETE


@pytest.mark.parametrize(("signal", "bad"), [("current_A", 40.0), ("fault_code", 5.0), ("probes", 61.0), ("link", 0)])
def test_the_faults_of_the_properties_are_felt(kit, signal, bad):
    """Each kind of fault takes the first circuit's current away."""
    amounts = []
    Course(
        kit,
        [((5, 10), (0, signal), bad)],
        (),
        lambda course, *_: amounts.append(course.bench.out.commands[0].set_current_A),
    )
    assert amounts[4] == 15.0
    assert amounts[12] == 0.0
