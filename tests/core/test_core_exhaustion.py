"""One cycle from every state, under every guard, with every order: no way to current or out of a trip but the table's.

The product is walked whole with `FORMBATH_LONG=1`; by default each bath and each reading is tried beside a sound other.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from functools import cache
from itertools import product

import pytest

from controller.core import circuit
from controller.core import types as t
from controller.core.orders import RULES
from controller.core.state import Alarm, Interruption, Timer
from controller.core.table import TABLE
from controller.core.types import Output, Quality, Reaction, State

LONG = os.environ.get("FORMBATH_LONG") == "1"
NOW_MS = 7_200_000
ROLES = ("technician", "engineer", "maintenance", "quality")

LATCHES = {
    "none": (),
    "unseen": (Alarm("rectifier_fault", 0, 2, Reaction.TRIP, active=False, latched=True),),
    "seen": (Alarm("rectifier_fault", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True),),
}


def held(reading_code, circuit_code, reaction=Reaction.HOLD):
    return (t.Condition(circuit_code, reaction, priority=1),) if reading_code else ()


BATHS = {
    "sound": {},
    "unpurged": {"purge_left_ms": 1},
    "hood open": {"hood_closed": False, "reactions": (t.Condition("hood_open", Reaction.HOLD, priority=2),)},
    "no air": {"airflow_ok": False, "reactions": (t.Condition("extraction_lost", Reaction.HOLD, priority=1),)},
    "not read": {"inputs_ok": False, "reactions": (t.Condition("inputs_stale", Reaction.HOLD, priority=1),)},
    "stopped": {
        "emergency_stop_ok": False,
        "reactions": (t.Condition("emergency_stop", Reaction.TRIP, priority=1),),
    },
    "gas": {"gas_ok": False},
    "neighbour": {"blocked": ("A02 by carl",)},
    "another starts": {"alone": "A02", "alone_until_ms": NOW_MS + 1},
    "maintenance first": {"resume_for": "extraction_lost"},
}
NO_CURRENT = frozenset({"hood open", "no air", "not read", "stopped"})
"""Under these no current may be asked for, whatever the circuit was doing."""

READINGS = {
    "zero": {},
    "flowing": {"current_A": 15.0, "set_current_A": 15.0, "output_on": 1.0, "voltage_V": 2.3 * 108},
    "stale": {"age_ms": 60_000},
    "another device": {"fit": t.Fit.IDENTITY},
    "fault": {"fault_code": 5.0},
    "hot": {"probe_C": 61.0},
    "no probe": {"probe_C": None},
}


@dataclass(frozen=True)
class Case:
    """One cycle: from which state, under which guards, with which order."""

    state: str
    blocked: str
    bath: str
    reading: str
    verb: str
    roles: tuple[str, ...]
    who: str


def states(kit):
    """Every state of a circuit that differs in what may come next, by name."""
    ends_now = kit.step(1, ends={"time_ms": 1_000})
    held_by_law = kit.run(step_time_ms=5_000, interruption=Interruption(NOW_MS - 20_000, "probe_hold"))
    held_by_link = kit.run(step_time_ms=5_000, interruption=Interruption(NOW_MS - 20_000, "link_lost", True))
    over = kit.run(end_ms=NOW_MS - 10_000_000)
    found = {f"unknown, {stored.value} before": {"state": State.UNKNOWN, "stored": stored} for stored in State}
    del found["unknown, unknown before"], found["unknown, running before"]
    found["idle, empty"] = {"state": State.IDLE, "load": None, "run": None}
    found["running"] = {"state": State.RUNNING, "run": kit.run(flowing=True, first_ms=0)}
    found["running, ends now"] = {"state": State.RUNNING, "run": kit.run(step_time_ms=500), "steps": (ends_now,)}
    found["held by law"] = {"state": State.HELD, "run": held_by_law}
    found["held by link"] = {"state": State.HELD, "run": held_by_link}
    for name, latch in LATCHES.items():
        found[f"idle, latch {name}"] = {"state": State.IDLE, "run": None, "alarms": latch}
        found[f"complete, latch {name}"] = {"state": State.COMPLETE, "run": over, "alarms": latch}
        found[f"stopped, latch {name}"] = {"state": State.STOPPED, "run": over, "alarms": latch}
        if latch:
            found[f"tripped, open run, latch {name}"] = {"state": State.TRIPPED, "run": held_by_law, "alarms": latch}
            found[f"tripped, no run, latch {name}"] = {"state": State.TRIPPED, "run": None, "alarms": latch}
    return found


def reading_of(current_A=0.0, set_current_A=0.0, output_on=0.0, voltage_V=0.1, probe_C=30.0, age_ms=0, **changes):
    def value(number):
        return t.Value(number, Quality.GOOD if number is not None else Quality.LOST, age_ms)

    return t.ChannelReading(
        value(current_A), value(voltage_V), value(set_current_A), value(300.0), value(output_on),
        local=value(0.0), fault_code=value(changes.get("fault_code", 0.0)), uptime_s=value(5_000.0),
        probes=(value(probe_C),), link=t.LinkState.UP, fit=changes.get("fit", t.Fit.OK),
    )  # fmt: skip


def state_of(kit, made, blocked, reading):
    """A circuit's state; running ones ask for their current, and what a law waits for has been seen once before."""
    changes = dict(made)
    steps = changes.pop("steps", ())
    running = made["state"] is State.RUNNING
    fresh = made["state"] is State.IDLE or "idle before" in made.get("stored", "")
    load = replace(kit.load(*steps, fresh=fresh), first_filled_ms=0, last_filled_ms=0)
    changes = {"load": load, "blocked_by": blocked, **changes}
    base = kit.state(made["state"], set_A=15.0 if running else 0.0)
    timers = tuple(
        Timer(code, NOW_MS - 60_000, 5, True, reaction, NOW_MS - 60_000)
        for code, reaction, when in (
            ("rectifier_fault", Reaction.TRIP, "fault"),
            ("probe_trip", Reaction.TRIP, "hot"),
        )
        if reading == when
    )
    link = replace(
        base.link, fresh_ms=NOW_MS - 1_000, uptime_s=4_999.0, lost_ms=NOW_MS - 21_000, uptime_before_s=4_979.0
    )
    return replace(base, now_ms=NOW_MS - 1_000, since_ms=NOW_MS - 20_000, timers=timers, link=link, **changes)


def cases(kit):
    """Every case of the form that is asked for."""
    verbs = (("", ()), *product((*RULES, "?"), (ROLES, ())))
    for state, blocked in product(states(kit), ("", "anna", "bert")):
        for bath, reading in product(BATHS, READINGS):
            if not LONG and "sound" not in bath and reading != "zero":
                continue
            for verb, roles in verbs:
                yield Case(state, blocked, bath, reading, verb, roles, "anna")


ARGS = {"reason": "tried", "told": "", "links": 0}
WAYS = {(old, new) for (old, _), new in TABLE.items() if old is not new}
TWO_WAYS = {(old, new) for old, middle in WAYS for start, new in WAYS if start is middle}
"""What one cycle may do at most: a law acts, and then a person's order, or unknown is left for a state that trips."""


class Walk:
    """Decides each case once with its order and once without."""

    def __init__(self, kit):
        self.kit, self.settings = kit, kit.settings(purge_ms=0)
        self.made = states(kit)
        self.seen = set()
        self._without = {}
        # All of it is frozen, so what is equal for many cases is made once.
        self.readings = {name: reading_of(**changes) for name, changes in READINGS.items()}
        self.shares = {name: kit.share(**changes) for name, changes in BATHS.items()}
        self.before = cache(lambda *key: state_of(kit, self.made[key[0]], *key[1:]))
        self.orders = cache(self._orders)

    def decide(self, case):
        before = self.before(case.state, case.blocked, case.reading)
        orders = self.orders(case.state, case.verb, case.who, case.roles) if case.verb else ()
        cin = t.CircuitIn(NOW_MS, self.readings[case.reading], self.shares[case.bath], orders=orders)
        after, events, _ = circuit.decided(self.settings, self.settings.circuits[0], before, cin)
        return before, after, events

    def _orders(self, state, verb, who, roles):
        load = self.before(state, "", "zero").load or self.kit.load()
        return (self.kit.order(verb, who=who, roles=roles, load=load, **ARGS),)

    def without(self, case):
        key = (case.state, case.blocked, case.bath, case.reading)
        if key not in self._without:
            self._without[key] = self.decide(replace(case, verb="", roles=()))[1]
        return self._without[key]


def told(events, kind):
    return [event for event in events if event.kind is kind and event.code != "read_back"]


def no_way_to_current(case, before, after, events):
    """No path to current without a start or resume order, but for the short link loss."""
    if after.state is not State.RUNNING or before.state is State.RUNNING:
        return
    ruled = [event for event in events if event.code == "resumed_by_rule"]
    if told(events, t.EventKind.ORDER):
        assert case.verb == {State.IDLE: "start", State.HELD: "resume"}[before.state], case
        assert case.roles, case
    else:
        assert ruled, case
        assert case.state == "held by link", case
    assert not case.blocked, case
    # A ride-through is no first current: it may come while another circuit's first current flows alone.
    assert case.bath in ("sound", "maintenance first") or (ruled and case.bath == "another starts"), case
    assert case.reading in ("zero", "no probe"), case


def no_way_out_of_a_trip(case, before, after, events):
    """None out of tripped without acknowledge and reset with the cause gone, but stop, which keeps the latch."""
    latched_before = {alarm.code for alarm in before.alarms if alarm.latched}
    latched_after = {alarm.code for alarm in after.alarms if alarm.latched}
    ordered = told(events, t.EventKind.ORDER)
    if not (ordered and case.verb == "reset"):
        assert latched_before <= latched_after, case
    else:
        assert all(alarm.acknowledged for alarm in before.alarms if alarm.latched), case
        assert not case.blocked, case
        assert case.reading not in ("fault", "hot"), case
        assert case.bath != "stopped", case
        assert after.state is not State.RUNNING, case
    if before.state is State.TRIPPED and after.state is not State.TRIPPED:
        assert ordered, case
        assert case.verb in ("reset", "stop"), case


def no_current_where_people_are(case, before, after, events):
    """No current while blocked, unpurged, with the hood open, without air, or with inputs not known."""
    del events
    stale = case.reading == "stale"
    if after.blocked_by or case.bath in NO_CURRENT or stale or after.state is not State.RUNNING:
        assert after.command.set_current_A == 0.0, case
    if before.output is Output.OFF and after.state is not State.RUNNING:
        assert not after.command.output_on or case.state.startswith("unknown"), case


def only_ways_of_the_table(case, before, after, events):
    """One cycle goes one way of the table, or two on end."""
    del events
    if after.state is not before.state:
        way = (before.state, after.state)
        assert way in WAYS or way in TWO_WAYS, case


CHECKS = (no_way_to_current, no_way_out_of_a_trip, no_current_where_people_are, only_ways_of_the_table)


@pytest.fixture(scope="module")
def walk(kit):
    """All cases decided once; the checks have looked at each of them."""
    walked = Walk(kit)
    for case in cases(kit):
        before, after, events = walked.decide(case)
        for check in CHECKS:
            check(case, before, after, events)
        if before.state is not after.state:
            walked.seen.add((before.state, after.state))
        if told(events, t.EventKind.REFUSAL) and case.verb:
            assert after == walked.without(case), f"a refused order changed something: {case}"
        accepted = told(events, t.EventKind.ORDER)
        if accepted and not case.roles:
            assert RULES[case.verb].roles == (), f"accepted without a role: {case}"
    return walked


def test_no_case_breaks_a_guarantee(walk):
    """Every state, guard and order: the checks held in each; a refused order changed nothing at all."""
    assert walk.seen


def test_every_state_is_reached_and_left_in_a_cycle(walk):
    """Each way of the table that changes the state was really gone by some case."""
    assert walk.seen >= WAYS
    assert {old for old, _ in walk.seen} == set(State)
    assert {new for _, new in walk.seen} == set(State) - {State.UNKNOWN}
