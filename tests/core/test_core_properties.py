"""Whatever comes in, the guarantees hold: a toy plant in a closed loop, with faults and orders at random moments.

Each check is named after its guarantee; where one is broken, the assertion prints the guarantee's sentence, the circuit
and the moment, and Hypothesis prints the faults and orders that led there. `FORMBATH_LONG=1` tries 10,000 examples.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core import bath, circuit, limits, moves
from controller.core import types as t
from controller.core.interlocks import BATH_FAMILIES, CIRCUIT_FAMILIES
from controller.core.orders import RULES, rule_of
from controller.core.types import Fit, LinkState, Output, State

CYCLES = 60
LONG = os.environ.get("FORMBATH_LONG") == "1"


def examples(short):
    """Settings of a property: `short` examples, or ten thousand in the long form."""
    return settings(max_examples=10_000 if LONG else short, deadline=None)


SENTENCES = {
    "bounded": "No current, voltage limit or on beyond the smallest of all limits is ever written.",
    "fresh": "No decision to keep or raise current rests on a missing or stale current, voltage, output or read-back.",
    "latched": "A trip stays until its cause is gone and a person acknowledged and reset it; a reset starts nothing.",
    "by_order": "Only an order from a permitted person, or the short link loss's rule, lets a circuit run.",
    "people_first": "No current in a blocked circuit, nor in an unpurged or opened bath, whatever comes in.",
    "cooler_only": "Two hot readings on end: no more current than the cooler of them allows.",
    "sane": "Zero is sent before off; only what was read back is confirmed; charge only grows.",
    "balance": "Charge counted is the trapezoid of what was read, and nothing else.",
    "permitted": "An order is accepted only from a person with a role that its rule names.",
}


def hold(truth, guarantee, course, name):
    """Fail with the guarantee's sentence, the circuit and the moment."""
    assert truth, f"{guarantee}: {SENTENCES[guarantee]} Broken for {name} at {course.bench.now_ms / 1000:g} s"


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
    "counter_Ah": (None, "old", 0.0, 99.0, NAN),
    "ripple_percent": (None, "old", 40.0, INF),
    "link": ("down",) * 6,
    "answer": (LinkState.WRONG_ANSWER, LinkState.LATE, LinkState.DOWN),
    "fit": tuple(Fit),
    "sleep": (1, 2, 4, 20),
}
BATH_BAD = {
    "water_C": (None, "old", 47.5, 51.0, 10.0, NAN),
    "airflow": (None, "old", 0.0, NAN),
    "emergency_stop_ok": (None, "old", 0.0),
    "hood_closed": (None, "old", 0.0),
    "flow_L_min": (None, "old", 0.0, NAN),
    "level": (None, "old", -1.0, 1.0, 7.0),
    "level_mm": (None, "old", 20.0, 260.0),
    "hydrogen_percent_LEL": (None, "old", 12.0, 40.0, INF),
    "earth_ohm_per_V": (None, "old", 90.0, 1.0, NAN),
    "contactors": (None, "old", 0.0, 1.0, -3.0, 1e30),
    "heard_button": (None, 1.0),
}


def faults_of(bad, *circuits):
    """A fault: when and for how long, which circuit's signal, which bad value."""
    pairs = [(circuit, signal, value) for circuit in circuits for signal, values in bad.items() for value in values]
    return st.tuples(
        st.tuples(st.integers(0, CYCLES - 1), st.integers(1, 20)), st.sampled_from(pairs).map(lambda p: (p[:2], p[2]))
    ).map(lambda made: (made[0], *made[1]))


FAULTS = st.one_of(faults_of(CIRCUIT_BAD, 0, 1), faults_of(BATH_BAD, -1))
VERBS = (*sorted(RULES), "?")
ROLES = (("technician",),) * 3 + (("engineer",), ("maintenance",), ("quality",), ())
ARGS = (
    {"reason": "tried", "told": "A01 A02"},
    {"reason": "tried", "told": "A01 A02", "item": 1, "ok": True},
    {"alarm": "link_lost", "minutes": 15, "reason": "tried"},
    {"batteries": 17, "links": 1, "what": "density", "position": 3, "value": 1.25, "told": "A02"},
    {"reason": 7, "told": True, "item": "x", "minutes": -1, "batteries": 1e300, "alarm": False, "text": "t" * 9_000},
)
ORDER = st.tuples(
    st.integers(0, CYCLES - 1),
    st.sampled_from((*VERBS, *(("resume",) * 8), *(("acknowledge", "reset") * 3))),
    st.sampled_from(("A01", "A01", "A02", "A02", "A", "A09")),
    st.sampled_from(("anna", "bert")),
    st.sampled_from(ROLES),
    st.sampled_from((ARGS[0],) * 5 + ARGS[1:]),
)
INPUTS = {
    "water_C": 25.0,
    "airflow": 1.0,
    "emergency_stop_ok": 1.0,
    "hood_closed": 1.0,
    "flow_L_min": 40.0,
    "level": 0.0,
    "level_mm": 220.0,
    "hydrogen_percent_LEL": 2.0,
    "earth_ohm_per_V": 900.0,
    "contactors": 3.0,
    "heard_button": 0.0,
}


class Course:
    """A bath that runs through faults and orders; `each` looks at every cycle. `from_ms`: core time at its start."""

    def __init__(self, kit, faults, orders, each, restarts=(), steps=None, from_ms=0):
        self.kit, self.faults, self.orders, self.restarts = kit, faults, orders, restarts
        steps = steps or (
            kit.step(1, current_A=15.0, ends={"time_ms": 25_000}, restart_ms=5_000),
            kit.step(2, kind="rest", current_A=0.0, ends={"time_ms": 5_000}),
            kit.step(3, current_A=6.0, voltage_V_per_cell=2.7, ends={"charge_Ah": 0.05}, takes_owed=True),
        )
        self.load = replace(kit.load(*steps), first_filled_ms=from_ms, last_filled_ms=from_ms)
        self.bench = kit.bench(auto_resume_link_ms=20_000, purge_ms=4_000)
        self.bench.now_ms = from_ms
        self.bench.bath_signals = dict(INPUTS)
        for toy in self.bench.toys:
            toy.counter_Ah, toy.ripple_percent = 10.0, 2.0
        self.begin()
        self.unsafe_s, self.aired_s, self.hot_C = [0, 0], 9, [[], []]
        names = [own.name for own in self.bench.settings.circuits]
        self.counted = {
            name: (self.bench.now_ms, self.bench.last[index, "current_A"].number) for index, name in enumerate(names)
        }
        for cycle in range(CYCLES):
            before = self.bench.state
            given_ = self.cycle(cycle)
            each(self, before, given_)

    def begin(self):
        bench = self.bench
        bench.cycles(5)
        for own in bench.settings.circuits:
            assert bench.order("load", own.name, load=self.load) == "accepted"
            assert bench.order("start", own.name) == "accepted"
        bench.cycles(2)

    def cycle(self, cycle):
        bench, sleep = self.bench, 0
        if cycle in self.restarts:
            bench.state = replace(bench.state, circuits=tuple(moves.restarted(one) for one in bench.state.circuits))
            # A new service does not know what was sent: it has its own two seconds to see zero before it says off.
            self.unsafe_s = [0, 0]
        bench.bad.clear()
        bench.fits.clear()
        bench.links.clear()
        for (begin, lasts), (index, signal), bad in self.faults:
            if not begin <= cycle < begin + lasts:
                continue
            if signal == "fit":
                bench.fits[index] = bad
            elif signal == "answer":
                bench.links[index] = bad
            elif signal == "sleep":
                sleep = bad * 1_000 if cycle == begin else sleep
            else:
                bench.bad[index, signal] = bad
        given_ = tuple(
            self.kit.order(verb, target, who=who, roles=roles, load=self.load, **{"links": 0, **args})
            for at, verb, target, who, roles, args in self.orders
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
        event.kind is t.EventKind.ORDER and event.target == target and event.data.get("verb") in verbs
        for event in course.bench.out.events
        if event.code != "read_back"
    )


def bounded(course, before, _):
    """No command beyond step, plan and circuit; nothing but the running step's own current."""
    for _, now, command, _, own in each_circuit(course, before):
        hold(0.0 <= command.set_current_A <= own.current_max_A, "bounded", course, own.name)
        hold(0.0 <= command.voltage_limit_V <= own.voltage_max_V, "bounded", course, own.name)
        if command.set_current_A == 0.0:
            continue
        step = now.load.plan.steps[now.run.step]
        most_V = step.voltage_V_per_cell * now.load.plan.cells * now.load.batteries
        hold(now.state is State.RUNNING and command.output_on, "bounded", course, own.name)
        hold(own.current_min_A <= command.set_current_A <= step.current_A, "bounded", course, own.name)
        hold(command.voltage_limit_V <= most_V, "bounded", course, own.name)
        slow = now.run.restart_left_ms > 0
        hold(not slow or command.set_current_A <= step.restart_current_A, "bounded", course, own.name)


def cooler_only(course, before, _):
    """Two hot readings in a row: no more than the curve of the cooler one allows; none from 55 C."""
    for index, (_, now, command, told, own) in enumerate(each_circuit(course, before)):
        (probe,) = told.reading.probes
        read = probe.number if probe.age_ms == 0 and told.reading.current_A.age_ms == 0 else None
        course.hot_C[index] = [*course.hot_C[index], read][-2:]
        if len(course.hot_C[index]) < 2 or not all(hot is not None and hot > 50.0 for hot in course.hot_C[index]):
            continue
        allowed = limits.curve_percent(min(course.hot_C[index]), 50.0, 55.0)
        most_A = (
            0.0 if min(course.hot_C[index]) >= 55.0 or now.run is None else now.load.plan.steps[now.run.step].current_A
        )
        hold(command.set_current_A <= most_A * allowed / 100.0 + 1e-9, "cooler_only", course, own.name)


def people_first(course, before, _):
    """No current in a blocked circuit or a bath that is open, unpurged, unknown or stopped; off soon after."""
    bench = course.bench
    inputs = [bench.last[-1, signal] for signal in ("airflow", "hood_closed", "emergency_stop_ok")]
    shut_and_aired = all(value.number is not None and value.age_ms <= 3_000 for value in inputs)
    shut_and_aired = shut_and_aired and inputs[0].number == 1.0 and inputs[1].number == 1.0
    slept = bench.now_ms - before.now_ms > 3_000
    course.aired_s = 0 if not shut_and_aired else 1 if slept else course.aired_s + 1
    for index, (_, now, command, told, own) in enumerate(each_circuit(course, before)):
        share = told.bath
        unsafe = bool(now.blocked_by) or share.purge_left_ms > 0 or not share.hood_closed or not share.airflow_ok
        unsafe = unsafe or not share.emergency_stop_ok or not share.inputs_ok or course.aired_s < 5
        # A service that begins anew and hears nothing can send nothing: its time to see zero counts from the answer on.
        deaf = now.state is State.UNKNOWN and told.reading.link is not LinkState.UP
        course.unsafe_s[index] = course.unsafe_s[index] + 1 if unsafe and not deaf else 0
        hold(not unsafe or command.set_current_A == 0.0, "people_first", course, own.name)
        hold(course.unsafe_s[index] <= 3 or not command.output_on, "people_first", course, own.name)


def latched(course, before, _):
    """A trip stays until acknowledged and reset; a stop ends the run, not the latch; a reset starts nothing."""
    for was, now, command, _, own in each_circuit(course, before):
        had = {alarm.code for alarm in was.alarms if alarm.latched}
        has = {alarm.code for alarm in now.alarms if alarm.latched}
        hold(now.state is not State.TRIPPED or has, "latched", course, own.name)
        if not accepted(course, own.name, "reset"):
            hold(had <= has, "latched", course, own.name)
            if was.state is State.TRIPPED:
                still = now.state in (State.TRIPPED, State.STOPPED, State.UNKNOWN)
                hold(still, "latched", course, own.name)
            continue
        hold(command.set_current_A == 0.0 or accepted(course, own.name, "resume"), "latched", course, own.name)
        # What repeats the bath's own trip is acknowledged there, before the bath's reset.
        told = [alarm for alarm in was.alarms if alarm.latched and not alarm.acknowledged]
        if told and not (all(alarm.suppressed for alarm in told) and not any(one.latched for one in before.alarms)):
            hold(accepted(course, own.name, "acknowledge"), "latched", course, own.name)


def by_order(course, before, _):
    """A circuit begins to run by an accepted start or resume, or by the short link loss's rule."""
    for was, now, command, told, own in each_circuit(course, before):
        if was.state is State.RUNNING or now.state is not State.RUNNING:
            continue
        if accepted(course, own.name, "start", "resume"):
            continue
        ruled = [event for event in course.bench.out.events if event.code == "resumed_by_rule"]
        hold([event for event in ruled if event.target == own.name], "by_order", course, own.name)
        held = was.run.interruption
        hold(was.state is State.HELD and held.resumable_by_rule, "by_order", course, own.name)
        hold(held.code == "link_lost" and not was.blocked_by, "by_order", course, own.name)
        hold(not told.bath.blocked and told.reading.fit is Fit.OK, "by_order", course, own.name)
        hold(abs(told.reading.current_A.number) < 0.3, "by_order", course, own.name)
        hold(course.bench.now_ms - held.since_ms <= 20_000, "by_order", course, own.name)
        restart_A = now.load.plan.steps[now.run.step].restart_current_A
        hold(command.set_current_A <= restart_A, "by_order", course, own.name)


def permitted(course, _, given_):
    """Whoever gave an accepted order held a role of its rule; the order's own rule, not the verb of another."""
    for order in given_:
        rule = rule_of(order)
        told = [event for event in course.bench.out.events if event.data.get("verb") == order.verb]
        for event in told:
            if event.kind is not t.EventKind.ORDER or event.target != order.target or event.code == "read_back":
                continue
            same = event.data["who"] == order.who and event.data.get("role") in (*order.roles, "")
            if rule is not None and same and len([one for one in given_ if one.verb == order.verb]) == 1:
                hold(not rule.roles or set(rule.roles) & set(order.roles), "permitted", course, order.target)


def fresh(course, before, _):
    """No current is asked for while current, volts, output or read-back is missing, no number, or older than stale."""
    stale_ms = course.bench.settings.stale_ms
    for _, _, command, told, own in each_circuit(course, before):
        reading = told.reading
        four = (reading.current_A, reading.voltage_V, reading.set_current_A, reading.output_on)
        if any(value.number is None or not math.isfinite(value.number) or value.age_ms > stale_ms for value in four):
            hold(command.set_current_A == 0.0, "fresh", course, own.name)


def sane(course, before, _):
    """Charge only grows and is a number; zero is sent before off; only what was read back is confirmed."""
    for was, now, command, told, own in each_circuit(course, before):
        if was.run is not None and now.run is not None and was.run.start_ms == now.run.start_ms:
            hold(now.run.counters.charge_Ah >= was.run.counters.charge_Ah, "sane", course, own.name)
            hold(now.run.counters.discharge_Ah >= was.run.counters.discharge_Ah, "sane", course, own.name)
        if was.command.set_current_A > 0.0 and now.state is not State.UNKNOWN and was.output is Output.ON:
            hold(command.output_on, "sane", course, own.name)
        if now.confirmed:
            read = told.reading.output_on.number == (1.0 if now.output is Output.ON else 0.0)
            hold(read, "sane", course, own.name)


def balance(course, before, _):
    """Charge in and out, worked out here from the readings by trapezoids of their own, gaps left out."""
    for was, now, _, told, own in each_circuit(course, before):
        value, now_ms = told.reading.current_A, course.bench.now_ms
        good = value.number is not None and math.isfinite(value.number) and value.age_ms == 0
        last = course.counted.get(own.name)
        course.counted[own.name] = (now_ms, value.number) if good else last
        gap = now_ms - before.now_ms > 3_000
        if gap:
            course.counted[own.name] = None
        if was.run is None or now.run is None or was.run.start_ms != now.run.start_ms or was.run.end_ms is not None:
            continue
        area = 0.0
        if good and not gap and last is not None and now_ms - last[0] <= 3_000:
            area = (last[1] + value.number) / 2.0 * (now_ms - last[0]) / 3.6e6
        counted = now.run.counters.charge_Ah - was.run.counters.charge_Ah
        counted -= now.run.counters.discharge_Ah - was.run.counters.discharge_Ah
        hold(abs(counted - area) < 1e-9, "balance", course, own.name)


CHECKS = (bounded, cooler_only, people_first, latched, by_order, permitted, fresh, sane, balance)


def all_of(course, before, given_):
    for check in CHECKS:
        check(course, before, given_)


@examples(200)
@given(st.lists(FAULTS, min_size=1, max_size=15), st.lists(ORDER, max_size=12))
def test_whatever_comes_in_the_guarantees_hold(kit, faults, orders):
    """Up to 15 faults and a dozen orders at random moments: no exception, and every check in every cycle."""
    Course(kit, faults, orders, all_of)


@examples(40)
@given(
    st.lists(FAULTS, max_size=6),
    st.lists(ORDER, max_size=6),
    st.lists(st.integers(0, CYCLES - 1), min_size=1, max_size=3),
)
def test_the_guarantees_hold_over_restarts_of_the_service(kit, faults, orders, restarts):
    """Killed and begun again at random moments."""
    checks = [check for check in CHECKS if check not in (sane, balance)]
    Course(kit, faults, orders, lambda *seen: [check(*seen) for check in checks], restarts)


OWN_FAULT = faults_of({key: bad for key, bad in CIRCUIT_BAD.items() if key != "sleep"}, 0)
OWN_ORDER = ORDER.filter(lambda order: order[2] == "A01" and order[1] != "block")


@examples(50)
@given(st.lists(OWN_FAULT, min_size=1, max_size=15), st.lists(OWN_ORDER, max_size=6))
def test_a_fault_in_one_circuit_changes_no_command_of_the_other(kit, faults, orders):
    """A02 does to the bit what it does beside a sound A01, but where A01's fault is the bath's cause, too."""
    alone, beside, shared = [], [], []
    Course(kit, (), (), lambda course, *_: alone.append(course.bench.out.commands[1]))

    def look(course, *_):
        beside.append(course.bench.out.commands[1])
        shared.extend(course.bench.out.told[1].bath.reactions)

    Course(kit, faults, orders, look)
    if not shared:
        assert beside == alone


SEVERITY = {State.RUNNING: 0, State.COMPLETE: 0, State.HELD: 1, State.STOPPED: 1, State.UNKNOWN: 1, State.TRIPPED: 2}
MORE = st.one_of(
    faults_of({key: bad for key, bad in CIRCUIT_BAD.items() if key != "sleep"}, 0, 1), faults_of(BATH_BAD, -1)
)


WITNESSES = frozenset({"current_A", "voltage_V", "set_current_A", "output_on", "counter_Ah", "ripple_percent"})
"""A channel's own readings, which laws hold against each other: where two lie, one may hide what the other shows."""


def hides(more, fault):
    """Whether the added fault replaces one, or takes away what another would have been seen by."""
    (_, (circuit, signal), _), (_, (other, shown), _) = more, fault
    unheard = signal in {"link", "answer"}  # the last values stand until they are stale, and those were good
    return circuit == other and (unheard or signal == shown or {signal, shown} <= WITNESSES)


@examples(60)
@given(st.lists(MORE, max_size=5), MORE)
def test_one_more_fault_never_weakens_the_reaction(kit, faults, more):
    """Without anybody's orders: in no cycle more current, or a circuit in a milder state, than without the last fault.

    A fault on a signal that is bad already would replace that fault, not add to it; current that reads as zero hides an
    output that reads as off although current flows; a silent link hides what its channel would have told: such pairs
    are left out.
    """
    if any(hides(more, fault) for fault in faults):
        return
    runs = []
    for added in ((), (more,)):
        seen = []

        def look(course, *_, seen=seen):
            ruled = {event.target for event in course.bench.out.events if event.code == "resumed_by_rule"}
            out = zip(course.bench.out.commands, course.bench.state.circuits, strict=True)
            seen.append([(command.set_current_A, SEVERITY[one.state], one.name in ruled) for command, one in out])

        Course(kit, [*faults, *added], (), look, steps=(kit.step(1, ends={"time_ms": 900_000}, restart_ms=5_000),))
        runs.append(seen)
    electric = {circuit for _, (circuit, signal), _ in faults if signal in WITNESSES}
    zero, ruled = [False, False], [False, False]
    for cycle, (without, beside) in enumerate(zip(*runs, strict=True)):
        for index, ((less_A, mild, _), (amount_A, severe, now_ruled)) in enumerate(zip(without, beside, strict=True)):
            # A short link loss ends by rule; what asks only under current was not asked meanwhile.
            ruled[index] = ruled[index] or now_ruled
            if ruled[index]:
                continue
            assert amount_A <= less_A + 1e-9, f"more current in cycle {cycle}"
            # Readings that contradict each other do so under current: where it was taken away before, nothing shows.
            assert severe >= mild or (index in electric and zero[index]), f"a milder state in cycle {cycle}"
            zero[index] = amount_A == 0.0


@examples(60)
@given(
    st.sampled_from([(index, name) for index, bad in ((0, CIRCUIT_BAD), (-1, BATH_BAD)) for name in bad]),
    st.data(),
    st.sampled_from((None, "old")),
)
def test_losing_the_source_ends_no_reaction(kit, place, data, loss):
    """A value that made a law react goes bad, then is lost: what stood in the circuits goes on standing."""
    index, signal = place
    if signal in ("link", "fit", "sleep", "answer"):
        return
    bad = data.draw(st.sampled_from((CIRCUIT_BAD if index == 0 else BATH_BAD)[signal]))
    stood = []

    def look(course, *_):
        state = course.bench.state
        found = {timer.code for one in state.circuits for timer in one.timers if timer.active}
        found |= {timer.code for timer in state.timers if timer.active}
        strong = {"held", "tripped"} & {one.state.value for one in state.circuits}
        stood.append((found, strong))

    Course(kit, [((5, 15), place, bad), ((20, CYCLES), place, loss)], (), look)
    for earlier, later in pairwise(stood[19:]):
        assert earlier[1] <= later[1]


@examples(30)
@given(st.lists(FAULTS, max_size=10), st.lists(ORDER, max_size=5))
def test_the_same_readings_and_orders_give_the_same_decisions(kit, faults, orders):
    """Twice the same course: commands, events and states are equal."""
    runs = []
    for _ in range(2):
        seen = []
        Course(kit, faults, orders, lambda course, *_, seen=seen: seen.append(repr(course.bench.out)))
        runs.append(seen)
    assert runs[0] == runs[1]


@examples(30)
@given(st.lists(FAULTS, max_size=10), st.lists(ORDER, max_size=5), st.integers(0, 2**40))
def test_decisions_do_not_hang_on_when_time_begins(kit, faults, orders, from_ms):
    """The same course at another origin of time: the same commands, event by event the same codes, the same charge."""
    runs = []
    for origin in (0, from_ms):
        seen = []

        def look(course, *_, seen=seen):
            events = [(event.code, event.target, event.kind) for event in course.bench.out.events]
            charges = [one.run and one.run.counters.charge_Ah for one in course.bench.state.circuits]
            seen.append((course.bench.out.commands, events, charges))

        Course(kit, faults, orders, look, from_ms=origin)
        runs.append(seen)
    assert runs[0] == runs[1]


WAKEFUL = {
    (circuit, "orderly"): lambda _: False,
    (circuit, "CIRCUIT_FAMILIES"): tuple(replace(family, asleep=lambda _: False) for family in CIRCUIT_FAMILIES),
    (bath, "BATH_FAMILIES"): tuple(replace(family, asleep=lambda _: False) for family in BATH_FAMILIES),
}


@examples(60)
@given(st.lists(FAULTS, max_size=12), st.lists(ORDER, max_size=8))
def test_laws_asleep_would_not_have_held(kit, faults, orders):
    """With every law asked in every cycle the course is the same to the bit: asleep means that none would hold."""
    runs = []
    for wakeful in (False, True):
        seen = []
        with pytest.MonkeyPatch.context() as patch:
            for (module, name), families in WAKEFUL.items() if wakeful else ():
                patch.setattr(module, name, families)
            Course(kit, faults, orders, lambda course, *_, seen=seen: seen.append(repr(course.bench.out)))
        runs.append(seen)
    assert runs[0] == runs[1]


def test_the_course_without_faults_runs_to_its_end(kit):
    """The properties above would hold of a bath that never runs: this one does, without an alarm."""
    states, alarms = [], []

    def look(course, *_):
        states.append(course.bench.state.circuits[0].state)
        alarms.extend(event for event in course.bench.out.events if event.kind is t.EventKind.ALARM)

    Course(kit, (), (), look)
    assert states[0] is State.RUNNING
    assert states[-1] is State.COMPLETE
    assert alarms == []


@pytest.mark.parametrize(
    ("place", "signal", "bad"),
    [
        (0, "current_A", 40.0),
        (0, "fault_code", 5.0),
        (0, "probes", 61.0),
        (0, "link", 0),
        (0, "answer", LinkState.WRONG_ANSWER),
        (-1, "hydrogen_percent_LEL", 40.0),
        (-1, "level", 1.0),
        (-1, "airflow", 0.0),
        (-1, "emergency_stop_ok", 0.0),
    ],
)
def test_the_faults_of_the_properties_are_felt(kit, place, signal, bad):
    """Each kind of fault takes the first circuit's current away."""
    amounts = []
    Course(
        kit,
        [((5, 20), (place, signal), bad)],
        (),
        lambda course, *_: amounts.append(course.bench.out.commands[0].set_current_A),
    )
    assert amounts[4] == 15.0
    assert 0.0 in amounts[5:20]
