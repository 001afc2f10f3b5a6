"""Every profile of the library really finishes: the real core against the virtual plant, in stepped time, no link."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import profiles
from controller.core import bath as core_bath
from controller.core.plan import compile_plan
from controller.core.planned import Load, Plan, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import (
    LOST,
    BathIn,
    BathReading,
    ChannelReading,
    Event,
    EventKind,
    Fit,
    LinkState,
    Order,
    State,
    Value,
)
from profiles.loader import load_model, read_document
from profiles.profile import Profile
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant

pytestmark = pytest.mark.slow

LIBRARY = Path(profiles.__file__).parent / "library"
NAMES = sorted(path.stem for path in LIBRARY.glob("*.toml"))
STARTER = [name for name in NAMES if not name.startswith("bench")]
BENCH = [name for name in NAMES if name.startswith("bench")]
TWO_ACID = "starter-100-two-acid"
WEAK_ACID = 1.100  # what that profile's own first line asks for at filling
BATTERIES = 18
START_s = 1_900.0  # past the purge and the shortest soak
LONGEST_s = 40 * 3_600.0
PERIOD_s = 10.0 if os.environ.get("FORMBATH_LONG") == "1" else 20.0
AIRFLOW_m3_h = 3_000.0  # seven strings that gas at once stay far below the hydrogen at which people are warned
AFTER_s = 2_400.0  # after the last end: what is still owed then would be told
TASK_s = 600.0  # how long the persons take for a task
READS = {  # what the persons read by hand and say beside it; the plan alone says where and when
    "density": {"value": 1.25, "temperature_C": 25.0, "instrument": "hydrometer 3"},
    "level": {"value": 160.0},
}
LOADS_ohm = {"bench-36s": 2.0, "bench-10min": 4.1}
"""A resistor each: the longer one runs into what the first minutes ask for, a string's volts a cell."""


def plan_of(name: str) -> Plan:
    document = read_document(str(LIBRARY / f"{name}.toml"))
    return compile_plan(load_model(document, Profile), document.sha256)


def value(number: float | None) -> Value:
    return LOST if number is None else Value(number)


@dataclass
class Rig:
    """A bath whose circuits carry one profile each; readings are built from the plant's signals, commands go back."""

    period_s: float
    plant: VirtualPlant
    plans: dict[str, Plan]
    settings: BathSettings
    batteries: int
    events: list[Event] = field(default_factory=list)
    duties: dict[str, float] = field(default_factory=dict)
    to_read: list[tuple[str, str, int]] = field(default_factory=list)
    refilled: list[float] = field(default_factory=list)

    def __post_init__(self):
        self.state = core_bath.fresh_state(self.settings)
        self.now_ms = 0
        self.orders: list[Order] = []

    def reading(self, index: int) -> ChannelReading:
        signals = {name: value(number) for name, number in self.plant.signals(index).items()}
        probes = tuple(signals[name] for name in sorted(signals) if name.startswith("probe"))
        wanted = ("current_A", "voltage_V", "set_current_A", "set_voltage_V", "output_on", "local", "fault_code")
        wanted += ("uptime_s", "watchdog_s", "counter_Ah", "ripple_percent")
        known = {name: signals[name] for name in wanted}
        return ChannelReading(**known, probes=probes, link=LinkState.UP, fit=Fit.OK)

    def inputs(self) -> BathReading:
        signals = {name: value(number) for name, number in self.plant.bath_signals().items()}
        wanted = ("airflow", "emergency_stop_ok", "hood_closed", "flow_L_min", "level", "hydrogen_percent_LEL")
        known = {name: signals[name] for name in wanted}
        return BathReading(water_C=(signals["water_C"],), **known, link=LinkState.UP, fit=Fit.OK)

    def order(self, verb: str, target: str, load: Load | None = None, **args) -> None:
        order_id = f"{verb}-{target}-{self.now_ms}-{len(self.orders)}"
        self.orders.append(Order(order_id, verb, target, "day", ("technician", "engineer"), args, load=load))

    def cycle(self) -> None:
        """Let the plant go on by one period, then read, decide, write."""
        self.plant.advance(self.period_s)
        self.now_ms += round(self.period_s * 1_000)
        channels = tuple(self.reading(index) for index in range(len(self.settings.circuits)))
        orders, self.orders = tuple(self.orders), []
        self.state, out = core_bath.step(
            self.settings, self.state, BathIn(self.now_ms, self.inputs(), channels, orders)
        )
        for index, command in enumerate(out.commands):
            self.plant.order(
                index,
                {
                    "set_current_A": command.set_current_A,
                    "set_voltage_V": command.voltage_limit_V,
                    "output_on": float(command.output_on),
                },
            )
        self.events += out.events
        for event in out.events:
            if event.code == "step_began" and event.data["task"]:
                self.duties[event.target] = self.now_ms / 1_000 + TASK_s
            if event.code == "step_ended":
                number = len(self.of(event.target, "step_ended")) - 1
                self.to_read += [
                    (event.target, wanted.what, position)
                    for wanted in self.plans[event.target].readings
                    if wanted.after_step == number
                    for position in wanted.batteries
                ]

    def read_by_hand(self) -> None:
        """The persons read what the plans ask for, each battery once zero was read back."""
        waiting, self.to_read = self.to_read, []
        for name, what, position in waiting:
            circuit = next(each for each in self.state.circuits if each.name == name)
            if circuit.command.set_current_A == 0.0 and circuit.confirmed:
                self.order("reading", name, what=what, position=position, **READS[what])
            else:
                self.to_read.append((name, what, position))

    def work(self) -> None:
        """The persons do the tasks that wait long enough, and say so."""
        for name, due_s in list(self.duties.items()):
            if self.now_ms / 1_000 < due_s:
                continue
            del self.duties[name]
            circuit = next(each for each in self.state.circuits if each.name == name)
            density = self.plans[name].steps[circuit.run.step].refill_density
            assert circuit.command.set_current_A == 0.0
            assert circuit.confirmed  # zero was read back before any hand
            self.plant.refill(list(self.plans).index(name), density)
            self.refilled.append(density)
            self.order("done", name)

    def play(self, start_s: float, longest_s: float) -> None:
        for name, plan in self.plans.items():
            self.order("load", name, Load(plan, self.batteries, "K1"))
        while self.now_ms < start_s * 1_000:
            self.cycle()
        for name in self.plans:
            self.order("start", name)
        self.cycle()
        while any(each.state is not State.COMPLETE for each in self.state.circuits):
            if self.now_ms > (start_s + longest_s) * 1_000:
                return
            self.cycle()
            self.read_by_hand()
            self.work()
        for _ in range(round(AFTER_s / self.period_s)):
            self.cycle()
            self.read_by_hand()

    def of(self, name: str, code: str) -> list[Event]:
        return [event for event in self.events if event.target == name and event.code == code]

    def table(self) -> str:
        """One line a circuit: state, hours, charge against plan, hottest, and what ended each step."""
        lines = []
        for each in self.state.circuits:
            run, plan = each.run, self.plans[each.name]
            if run is None:
                lines.append(f"{each.name:22} {each.state}: never started")
                continue
            hours = ((run.end_ms or self.now_ms) - run.start_ms) / 3.6e6
            ends = [f"{event.data['step']} {event.data['by']}" for event in self.of(each.name, "step_ended")]
            lines.append(
                f"{each.name:22} {each.state:9} {hours:6.2f} h {run.counters.charge_Ah:7.2f} of "
                f"{plan.planned_charge_Ah:7.2f} Ah  -{run.counters.discharge_Ah:5.2f} Ah  "
                f"{run.highest_V_per_cell or 0.0:.3f} V/cell  {run.hottest_C or 0.0:.1f} C  {', '.join(ends)}"
            )
        return "\n".join(lines)


def rig_of(names: list[str], period_s: float, batteries: int, **changes) -> Rig:
    plans = {name: plan_of(name) for name in names}
    circuits = tuple(
        CircuitSpec(
            name,
            batteries=batteries,
            capacity_C20_Ah=plan.capacity_C20_Ah,
            load_ohm=LOADS_ohm.get(name),
            voltage_max_V=340.0,
            watchdog_s=5 * period_s,
        )
        for name, plan in plans.items()
    )
    plant = VirtualPlant(PlantSpec(circuits, seed=11, **changes))
    own = tuple(
        CircuitSettings(
            name, batteries, 0.5, 60.0, 340.0, can_discharge=any(s.kind is StepKind.DISCHARGE for s in plan.steps)
        )
        for name, plan in plans.items()
    )
    period_ms = round(period_s * 1_000)
    at_once = {"alone_ms": 0, "apart_ms": 0}  # all start in the same cycle here
    settings = BathSettings("works", "A", True, period_ms, 3 * period_ms, 5 * period_ms, own, **at_once)
    return Rig(period_s, plant, plans, settings, batteries)


@pytest.fixture(scope="module")
def strings():
    """The formation profiles in one bath, each on 18 batteries of its own size; the weak acid is in before the soak."""
    rig = rig_of(STARTER, PERIOD_s, BATTERIES, airflow_m3_h=AIRFLOW_m3_h)
    rig.plant.refill(STARTER.index(TWO_ACID), WEAK_ACID)
    rig.play(START_s, LONGEST_s)
    sys.stdout.write(f"\n{rig.table()}\n")
    return rig


@pytest.fixture(scope="module")
def resistors():
    """The bench profiles on a resistor each, two cycles a second."""
    rig = rig_of(BENCH, 0.5, 1)
    rig.play(700.0, 1_800.0)
    sys.stdout.write(f"\n{rig.table()}\n")
    return rig


@pytest.fixture
def rig(request, name):
    return request.getfixturevalue("strings" if name in STARTER else "resistors")


def run_of(rig: Rig, name: str):
    circuit = next(each for each in rig.state.circuits if each.name == name)
    assert circuit.state is State.COMPLETE, rig.table()
    return circuit.run


def test_library_is_found():
    """Both sorts of profiles are there, and none is left out below."""
    assert len(STARTER) >= 7
    assert len(BENCH) >= 2
    assert TWO_ACID in STARTER


@pytest.mark.parametrize("name", NAMES)
def test_profile_completes(rig, name):
    """The run ends as complete, its output read back as off, and no order of the test was refused."""
    run = run_of(rig, name)
    circuit = next(each for each in rig.state.circuits if each.name == name)
    assert len(rig.of(name, "reading")) == sum(len(wanted.batteries) for wanted in rig.plans[name].readings)
    assert run.end_ms is not None
    assert [event.code for event in rig.events if event.target == name and event.kind is EventKind.REFUSAL] == []
    assert circuit.command.set_current_A == 0.0


@pytest.mark.parametrize("name", NAMES)
def test_nothing_trips_holds_or_warns(rig, name):
    """A profile of the library runs in a sound plant without a single alarm, hold, trip or gap."""
    run_of(rig, name)
    wrong = [event for event in rig.events if event.target in (name, "A") and event.kind is EventKind.ALARM]
    wrong += [event for code in ("held", "tripped", "gap") for event in rig.of(name, code)]
    assert wrong == [], rig.table()


@pytest.mark.parametrize("name", NAMES)
def test_every_step_ends_by_an_end_it_asks_for(rig, name):
    """Each step ended once, in order, by an end that its plan has (or, where allowed, its longest time)."""
    run_of(rig, name)
    plan = rig.plans[name]
    ended = rig.of(name, "step_ended")
    assert [event.data["step"] for event in ended] == [step.number for step in plan.steps]
    for step, event in zip(plan.steps, ended, strict=True):
        ends, by = step.ends, event.data["by"]
        asked = {
            "time": ends.time_ms is not None,
            "charge": ends.charge_Ah is not None,
            "voltage": ends.voltage_V_per_cell is not None,
            "current": ends.current_A is not None,
            "temperature": ends.temperature_C is not None,
            "steady": ends.steady_rise_mV_per_cell is not None,
            "order": ends.order,
            "longest time": step.on_overrun == "next" and step.longest_ms is not None,
        }
        assert asked.get(by), f"{name} step {step.number} ended by {by!r}"


@pytest.mark.parametrize("name", NAMES)
def test_charge_is_near_the_plan(rig, name):
    """Charge counted is what the plan's ends give: within a cycle's worth, less what an early end saves."""
    run = run_of(rig, name)
    plan = rig.plans[name]
    early = 0.0
    for step, event in zip(plan.steps, rig.of(name, "step_ended"), strict=True):
        if step.kind is StepKind.CHARGE and event.data["by"] in ("steady", "current", "longest time"):
            whole = step.ends.charge_Ah or step.current_A * (step.longest_ms or 0) / 3.6e6
            early += whole - event.data["charge_Ah"]
    cycle_Ah = max(step.current_A for step in plan.steps) * rig.period_s / 3_600
    steps = sum(step.kind is StepKind.CHARGE for step in plan.steps)
    wanted = plan.planned_charge_Ah - early
    assert run.counters.charge_Ah == pytest.approx(wanted, abs=0.01 * plan.planned_charge_Ah + 2 * cycle_Ah * steps)
    assert 0.8 * plan.planned_charge_Ah < run.counters.charge_Ah <= plan.charge_cap_Ah


@pytest.mark.parametrize("name", NAMES)
def test_charge_counted_is_charge_delivered(rig, name):
    """The core's count agrees within 2 % with what the plant truly delivered: instruments' errors, nothing more."""
    run = run_of(rig, name)
    delivered = rig.plant.delivered_Ah(list(rig.plans).index(name))
    assert run.counters.charge_Ah == pytest.approx(delivered, rel=0.02)


@pytest.mark.parametrize("name", STARTER)
def test_strings_stay_cool_and_below_their_trip(rig, name):
    """No probe reaches 50 C, where a derate would begin, and no string its profile's trip volts."""
    run = run_of(rig, name)
    assert run.hottest_C < 50.0
    assert run.highest_V_per_cell < rig.plans[name].voltage_trip_V_per_cell


@pytest.mark.parametrize("name", STARTER)
def test_plates_are_formed_at_the_end(rig, name):
    """Formation has happened: nearly all active mass converted, open-circuit volts of charged batteries."""
    run_of(rig, name)
    batteries = rig.plant.batteries(list(rig.plans).index(name))
    assert min(each["formed_positive"] for each in batteries) > 0.85
    assert min(each["formed_negative"] for each in batteries) > 0.9
    assert all(12.3 < each["open_circuit_V"] < 13.6 for each in batteries)


def test_change_of_acid_waits_for_its_word(strings):
    """The two-acid profile stood at zero until persons had refilled it with its density and said `done`."""
    ended = {event.data["step"]: event.data for event in strings.of(TWO_ACID, "step_ended")}
    task = next(step for step in strings.plans[TWO_ACID].steps if step.task)
    assert strings.refilled == [task.refill_density]
    assert ended[task.number]["by"] == "order"
    assert ended[task.number]["minutes"] == pytest.approx(TASK_s / 60, abs=1.0)
    assert ended[task.number]["charge_Ah"] < 0.05


def test_relief_takes_charge_out(strings):
    """The profile with a discharge takes out what its step says, and counts it apart."""
    name = "starter-45-relief"
    run = run_of(strings, name)
    relief = next(step for step in strings.plans[name].steps if step.kind is StepKind.DISCHARGE)
    wanted = relief.current_A * relief.ends.time_ms / 3.6e6
    assert run.counters.discharge_Ah == pytest.approx(wanted, rel=0.03)
    assert strings.plant.discharged_Ah(list(strings.plans).index(name)) == pytest.approx(wanted, rel=0.03)


def test_constant_voltage_finish_tapers(strings):
    """The constant-voltage finish ends because its current has fallen, not by its longest time."""
    assert strings.of("starter-100-cv", "step_ended")[-1].data["by"] == "current"
