"""Builders for the core's tests: settings, plans, facts, readings, and a bath in a closed loop with a toy plant."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import pytest

from controller.core import bath, planned
from controller.core import types as t
from controller.core.bathstate import BathState
from controller.core.conditions import Family, judge
from controller.core.facts import Facts
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, Run
from controller.core.view import BathFacts, BathView, CircuitView

CELLS = 6
BATTERIES = 18
STRING_CELLS = CELLS * BATTERIES
NAMES = ("A01", "A02", "A03")
EVERY_ROLE = ("technician", "engineer", "maintenance", "quality")


def make_settings(period_ms=1_000, circuits=2, own=None, **changes):
    changes = {"alone_ms": 0, "apart_ms": 0, **changes}
    one = CircuitSettings("A01", places=BATTERIES, current_min_A=0.5, current_max_A=60.0, voltage_max_V=340.0)
    one = replace(one, **(own or {}))
    named = tuple(replace(one, name=name) for name in NAMES[:circuits])
    base = BathSettings("north", "A", True, period_ms, 3 * period_ms, 5 * period_ms, named, purge_ms=3 * period_ms)
    return replace(base, **changes)


def make_step(number=1, kind="charge", current_A=15.0, ends=None, **changes):
    base = planned.PlanStep(
        number=number,
        name=f"step {number}",
        kind=planned.StepKind(kind),
        current_A=current_A,
        voltage_V_per_cell=2.85,
        ends=planned.Ends(**(ends or {"time_ms": 14_400_000})),
        ramp_ms=0,
        longest_ms=None,
        on_overrun="hold",
        restart_current_A=3.0 if kind != "rest" else 0.0,
        restart_ms=600_000,
        resume_within_ms=7_200_000,
        owes_percent_per_hour=0.5,
    )
    return replace(base, **changes)


def make_plan(*steps, **changes):
    base = planned.Plan(
        name="a plan",
        revision=1,
        sha256="0" * 64,
        cells=CELLS,
        capacity_C20_Ah=60.0,
        steps=steps or (make_step(),),
        planned_charge_Ah=200.0,
        charge_cap_Ah=210.0,
        voltage_trip_V_per_cell=2.95,
        probe_trip_C=None,
    )
    return replace(base, **changes)


def make_load(*steps, batteries=BATTERIES, fresh=True, plan=None):
    return planned.Load(plan=plan or make_plan(*steps), batteries=batteries, batch="K1", fresh=fresh)


def make_run(**changes):
    return replace(Run(0, "anna"), **changes)


def make_state(state=t.State.RUNNING, steps=(), set_A=15.0, run=None, **changes):
    """One circuit in a state, with a load, a run where the state has one, and a command of `set_A`."""
    has_run = state not in (t.State.IDLE, t.State.UNKNOWN)
    base = CircuitState("A01", now_ms=0, state=state, load=make_load(*steps))
    base = replace(
        base,
        run=run or (make_run() if has_run else None),
        command=replace(base.command, set_current_A=set_A, voltage_limit_V=2.85 * STRING_CELLS, output_on=set_A > 0),
        asked=((0, set_A),),
        output=t.Output.ON if set_A > 0 else t.Output.OFF,
    )
    return replace(base, **changes)


def make_facts(now_ms=0, dt_ms=1_000, volts_per_cell=2.3, **changes):
    """A sound cycle: 15 A, 2.3 V a cell, 30 C; change what a test is about."""
    base = Facts(
        now_ms=now_ms,
        dt_ms=dt_ms,
        gap=False,
        fresh=True,
        stale=False,
        link=t.LinkState.UP,
        fit=t.Fit.OK,
        current_A=15.0,
        voltage_V=None if volts_per_cell is None else volts_per_cell * STRING_CELLS,
        set_current_A=15.0,
        output_on=True,
        voltage_V_per_cell=volts_per_cell,
        probe_C=30.0,
        hot_C=changes.get("probe_C", 30.0),
        probe_lost=False,
        water_C=25.0,
        local=False,
        fault_code=0.0,
        uptime_s=1_000.0,
        any_read=changes.get("fresh", True),
    )
    return replace(base, **changes)


def make_share(**changes):
    return replace(t.BathShare(t.Value(25.0), 0, True, True, True, True), **changes)


def make_view(state=None, facts=None, settings=None, share=None, **cin):
    settings = settings or make_settings()
    share = share or make_share()
    reading = t.ChannelReading(*(t.LOST,) * 5)
    cin = t.CircuitIn((facts or make_facts()).now_ms, reading, share, **cin)
    return CircuitView(settings, settings.circuits[0], state or make_state(), facts or make_facts(), share, cin)


def make_bath_facts(now_ms=0, **changes):
    base = BathFacts(now_ms, 1_000, False, True, False, 25.0, True, True, True, any_read=changes.get("fresh", True))
    return replace(base, **changes)


def make_bath_view(facts=None, in_use=True, after_run=False, settings=None, state=None):
    settings = settings or make_settings()
    state = state or BathState(tuple(CircuitState(own.name) for own in settings.circuits))
    return BathView(settings, state, facts or make_bath_facts(), in_use, after_run)


def watch(code, views, period_ms=1_000, timers=()):
    """Ask one law about each view in turn, `period_ms` apart; return after each whether it reacts."""
    laws = tuple(law for law in (*CIRCUIT_LAWS, *BATH_LAWS) if law.code == code)
    assert len(laws) == 1, f"no law is called {code}"
    reacts = []
    for index, view in enumerate(views):
        judged = judge(
            (Family(laws, lambda _: False),), view, view.settings, timers, index * period_ms, view.facts.any_read
        )
        timers = judged.timers
        reacts.append(bool(judged.standing))
    return reacts


def make_order(verb, target="A01", who="anna", roles=EVERY_ROLE, load=None, seen=None, **args):
    return t.Order("1", verb, target, who, tuple(roles), args, seen, load)


@dataclass
class ToyCircuit:
    """A rectifier and its string: what was written acts from the next cycle on."""

    set_A: float = 0.0
    limit_V: float = 0.0
    on: bool = False
    current_A: float = 0.0
    charged: bool = False
    uptime_s: float = 5_000.0
    probe_C: float = 25.0
    flicker_C: float = 1e-9  # a living probe never reads the same to the bit for half an hour
    counter_Ah: float | None = None
    ripple_percent: float | None = None

    def signals(self):
        volts = 0.1
        if self.current_A > 0.0:
            volts = min(2.3 * STRING_CELLS, self.limit_V)
        elif self.charged:
            volts = 2.05 * STRING_CELLS
        return {
            "current_A": self.current_A,
            "voltage_V": volts,
            "set_current_A": self.set_A,
            "set_voltage_V": self.limit_V,
            "output_on": float(self.on),
            "local": 0.0,
            "fault_code": 0.0,
            "uptime_s": self.uptime_s,
            "probes": self.probe_C + self.flicker_C,
            **{
                name: number
                for name, number in (("counter_Ah", self.counter_Ah), ("ripple_percent", self.ripple_percent))
                if number is not None
            },
        }


@dataclass
class Bench:
    """A bath in a closed loop with a toy plant. `bad[(circuit, signal)]`: a number, None (no value), or "old".

    Circuit -1 is the bath's input box; signal "link" takes a whole circuit away (its values grow old).
    """

    settings: BathSettings
    state: BathState
    toys: list[ToyCircuit]
    now_ms: int = 0
    bad: dict = field(default_factory=dict)
    fits: dict = field(default_factory=dict)
    links: dict = field(default_factory=dict)
    last: dict = field(default_factory=dict)
    out: object = None
    advice: tuple = ()
    events: list = field(default_factory=list)
    bath_signals: dict = field(
        default_factory=lambda: {"water_C": 25.0, "airflow": 1.0, "emergency_stop_ok": 1.0, "hood_closed": 1.0}
    )

    def _value(self, key, number):
        bad = self.bad.get(key, "good")
        if bad == "old" or (key[0], "link") in self.bad:
            old = self.last.get(key, t.LOST)
            value = replace(old, age_ms=old.age_ms + self.settings.period_ms)
        elif bad is None:
            value = t.LOST
        else:
            value = t.Value(number if bad == "good" else bad)
        self.last[key] = value
        return value

    def _channel(self, index):
        toy = self.toys[index]
        values = {name: self._value((index, name), number) for name, number in toy.signals().items()}
        probe = values.pop("probes")
        link = t.LinkState.DOWN if (index, "link") in self.bad else self.links.get(index, t.LinkState.UP)
        return t.ChannelReading(**values, probes=(probe,), link=link, fit=self.fits.get(index, t.Fit.OK))

    def cycle(self, *orders, skip_ms=0):
        """Read, decide, write once; return the events of this cycle."""
        self.now_ms += self.settings.period_ms + skip_ms
        for toy in self.toys:
            toy.uptime_s += (self.settings.period_ms + skip_ms) / 1000.0
            toy.current_A = toy.set_A if toy.on else 0.0
            toy.charged = toy.charged or toy.current_A > 0.0
            toy.flicker_C = 1e-9 - toy.flicker_C
            if toy.counter_Ah is not None:
                toy.counter_Ah += toy.current_A * (self.settings.period_ms + skip_ms) / 3.6e6
        values = {name: self._value((-1, name), number) for name, number in self.bath_signals.items()}
        inputs = t.BathReading(water_C=(values.pop("water_C"),), **values, link=t.LinkState.UP, fit=t.Fit.OK)
        channels = tuple(self._channel(index) for index in range(len(self.toys)))
        given = t.BathIn(self.now_ms, inputs, channels, orders, self.advice)
        self.state, self.out = bath.step(self.settings, self.state, given)
        for index, command in enumerate(self.out.commands):
            if (index, "link") not in self.bad:
                toy = self.toys[index]
                toy.set_A, toy.limit_V, toy.on = command.set_current_A, command.voltage_limit_V, command.output_on
        self.events += self.out.events
        return self.out.events

    def cycles(self, count):
        for _ in range(count):
            self.cycle()
        return self

    def order(self, verb, target="A01", **changes):
        """Give one order in a cycle of its own; return the code of its answer."""
        events = self.cycle(make_order(verb, target, **changes))
        return next(event.code for event in events if event.data.get("verb") == verb and event.kind != "event")

    def running(self, *steps, fresh=True):
        """Load and start every circuit with these steps, and let the current come."""
        self.cycles(5)
        for own in self.settings.circuits:
            assert self.order("load", own.name, load=make_load(*steps, fresh=fresh)) == "accepted"
            assert self.order("start", own.name) == "accepted"
        return self.cycles(2)

    def circuit(self, index=0):
        return self.state.circuits[index]

    def set_A(self, index=0):
        return self.out.commands[index].set_current_A

    def change(self, index=0, **changes):
        """Put something into a circuit's memory."""
        circuits = list(self.state.circuits)
        circuits[index] = replace(circuits[index], **changes)
        self.state = replace(self.state, circuits=tuple(circuits))
        return self


def make_bench(settings=None, **changes):
    settings = settings or make_settings(**changes)
    return Bench(settings, bath.fresh_state(settings), [ToyCircuit() for _ in settings.circuits])


@pytest.fixture(scope="session")
def kit():
    """The builders, for tests that cannot import from here."""
    return SimpleNamespace(
        settings=make_settings,
        step=make_step,
        plan=make_plan,
        load=make_load,
        run=make_run,
        state=make_state,
        facts=make_facts,
        share=make_share,
        view=make_view,
        bath_facts=make_bath_facts,
        bath_view=make_bath_view,
        watch=watch,
        order=make_order,
        bench=make_bench,
        cells=STRING_CELLS,
    )
