"""The whole virtual plant: orders in, signals out, true books beside them, the same again from the same seed."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.bath import BathSize, advance_bath, scaled
from simulator.faults import CATALOGUE, FaultLine
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant
from simulator.steps import StepRule

CIRCUIT_SIGNALS = {
    "current_A", "voltage_V", "set_current_A", "set_voltage_V", "output_on", "local", "fault_code", "uptime_s",
    "watchdog_s", "counter_Ah", "ripple_percent", "model_code", "rating_current_A", "rating_voltage_V", "probe_C",
}  # fmt: skip


def plant(n=1, batteries=4, **changed):
    keys = {"spread": False, "noise": False, "soaked_s": 3600.0} | changed
    circuits = tuple(CircuitSpec(f"A{i:02d}", batteries=batteries, watchdog_s=25.0) for i in range(1, n + 1))
    return VirtualPlant(PlantSpec(circuits=circuits, **keys))


def drive(p, current_A, seconds, limit_V=360.0, dt_s=5.0, circuit=0):
    for _ in range(round(seconds / dt_s)):
        p.order(circuit, {"set_current_A": current_A, "set_voltage_V": limit_V, "output_on": float(current_A != 0.0)})
        p.advance(dt_s)
    return p.signals(circuit)


def test_signals_by_name():
    """Every signal has its name; the identity says: virtual."""
    p = plant()
    assert set(p.signals(0)) == CIRCUIT_SIGNALS
    assert p.signals(0)["model_code"] == 22086
    assert set(p.bath_signals()) == {
        "water_C", "flow_L_min", "level", "airflow", "hood_closed", "emergency_stop_ok", "hydrogen_percent_LEL",
        "model_code", "horn", "beacon", "healthy", "water_call",
    }  # fmt: skip
    many = VirtualPlant(PlantSpec(circuits=(CircuitSpec("A01", probes=3, probe_at=(1, 2, 18)),), water_probes=2))
    assert {"probe_C", "probe_2_C", "probe_3_C"} <= set(many.signals(0))
    assert "water_2_C" in many.bath_signals()
    p.bath_order({"horn": 2.0})
    assert p.bath_signals()["horn"] == 2.0
    with pytest.raises(ValueError, match="no output siren"):
        p.bath_order({"siren": 1.0})


def test_soaked_before_the_start():
    """Batteries filled an hour before are warm, their acid is thin, the string has no volts; no time has passed."""
    p = plant()
    battery = p.batteries(0)[0]
    assert battery["density_kg_L"] == pytest.approx(1.194, abs=0.004)
    assert battery["temperature_C"] == pytest.approx(35.0, abs=1.0)
    assert p.signals(0)["voltage_V"] == 0.0
    assert (p.elapsed_s, p.delivered_Ah(0)) == (0.0, 0.0)
    assert p.signals(0)["probe_C"] == pytest.approx(battery["temperature_C"], abs=0.3)


def test_charge_is_exact():
    """Ramp, lag and steps included, the charge into the plates is the integral of the current to a thousandth."""
    p = plant()
    drive(p, 15.0, 60.0)
    ramp_s = 13.5 / 5.0  # up to 13.5 A; the last 1.5 A come with the lag of 0.3 s
    expected = 13.5 * ramp_s / 2 + 15.0 * (60.0 - ramp_s) - 1.5 * 0.3
    assert p.delivered_Ah(0) * 3600.0 == pytest.approx(expected, rel=1e-3)
    assert p.signals(0)["counter_Ah"] == pytest.approx(p.delivered_Ah(0), rel=1e-9)
    drive(p, -6.0, 60.0, limit_V=0.0)
    assert p.discharged_Ah(0) * 3600.0 == pytest.approx(6.0 * 60.0, rel=0.03)


def test_voltage_limit_is_constant_voltage():
    """At the limit the current falls back to what holds it, within 0.05 V, and comes back when there is room."""
    p = plant()
    limit_V = 4 * 6 * 2.60
    low = drive(p, 15.0, 30.0, limit_V)
    assert low["current_A"] < 12.0
    assert low["voltage_V"] == pytest.approx(limit_V, abs=0.06)
    late = drive(p, 15.0, 1800.0, limit_V)
    assert late["current_A"] == 15.0
    assert late["voltage_V"] < limit_V


def test_start_held_back_by_the_limit():
    """15 A at once under 2.60 V a cell into fresh batteries is held back to about 8 A in the first minutes."""
    p = plant(batteries=18)
    lowest = min(drive(p, 15.0, 5.0, 18 * 6 * 2.60)["current_A"] for _ in range(60))
    assert lowest == pytest.approx(8.0, abs=1.0)


def test_discharge_stops_at_its_floor():
    """While discharging the voltage set is the floor: the current gives way, the string does not fall through."""
    p = plant()
    drive(p, 12.0, 3600.0)
    free = drive(p, -6.0, 30.0, limit_V=0.0)
    assert free["current_A"] == -6.0
    floor_V = free["voltage_V"] + 0.4
    held = drive(p, -6.0, 30.0, limit_V=floor_V)
    assert -6.0 < held["current_A"] < 0.0
    assert held["voltage_V"] == pytest.approx(floor_V, abs=0.11)
    assert drive(p, -6.0, 30.0, limit_V=200.0)["current_A"] == 0.0


def test_silence_ends_the_current():
    """Nobody writes: after the watchdog's time the current falls to zero and stays there; reading does not feed it."""
    p = plant()
    drive(p, 10.0, 60.0)
    for _ in range(4):
        p.advance(5.0)
        assert p.signals(0)["current_A"] == 10.0
    p.advance(8.0)
    assert p.signals(0)["current_A"] == 0.0
    p.advance(600.0)
    assert p.signals(0)["set_current_A"] == p.signals(0)["output_on"] == p.signals(0)["current_A"] == 0.0
    assert p.delivered_Ah(0) == pytest.approx((10.0 * 80.0 - 7.225 - 0.45 + 10.0 * 0.3 - 2.55) / 3600.0, abs=1e-4)


def test_resistor_and_empty_circuit():
    """A resistor gives V = I R up to the limit and no discharge; where nothing hangs the output rises to its limit."""
    circuits = (CircuitSpec("R1", load_ohm=10.0, watchdog_s=25.0), CircuitSpec("E1", batteries=0, watchdog_s=25.0))
    p = VirtualPlant(PlantSpec(circuits=circuits, spread=False, noise=False))
    assert drive(p, 20.0, 30.0)["voltage_V"] == pytest.approx(200.0)
    limited = drive(p, 20.0, 30.0, limit_V=150.0)
    assert (limited["current_A"], limited["voltage_V"]) == pytest.approx((15.0, 150.0))
    assert drive(p, -5.0, 30.0)["current_A"] == 0.0
    empty = drive(p, 5.0, 10.0, limit_V=300.0, circuit=1)
    assert (empty["current_A"], empty["voltage_V"]) == (0.0, 300.0)
    assert p.batteries(0) == []
    with pytest.raises(ValueError, match="no batteries"):
        p.replace_battery(0, 1)


def test_same_seed_same_plant():
    """Two plants of one seed agree in every signal; another seed differs; faults elsewhere do not move the noise."""

    def course(seed, faults=()):
        p = VirtualPlant(
            PlantSpec(circuits=(CircuitSpec("A01"), CircuitSpec("A02")), seed=seed, soaked_s=600.0), faults
        )
        seen = []
        for _ in range(40):
            for k in range(2):
                p.order(k, {"set_current_A": 6.0, "set_voltage_V": 330.0, "output_on": 1})
            p.advance(5.0)
            seen.append((p.signals(0), p.bath_signals()))
        return seen

    first = course(3)
    assert course(3) == first
    assert course(4) != first
    assert [s["voltage_V"] for s, _ in course(3, [FaultLine("probe_lost", "A02")])] == [
        s["voltage_V"] for s, _ in first
    ]


def test_batteries_differ_with_spread():
    """With spread the batteries of a string differ as production does: a sd of about a kelvin in soak, none without."""
    p = VirtualPlant(PlantSpec(circuits=(CircuitSpec("A01", batteries=40),), soaked_s=3600.0, seed=2))
    temperatures = [row["temperature_C"] for row in p.batteries(0)]
    assert 0.2 < np.std(temperatures) < 2.0


def test_refill_changes_the_acid():
    """Dumping thin acid and filling strong acid: what stands outside the plates is the new one, the charge is kept."""
    p = plant()
    drive(p, 12.0, 3600.0)
    before = p.batteries(0)[0]
    p.refill(0, 1.320)
    after = p.batteries(0)[0]
    assert after["density_kg_L"] == pytest.approx(1.317, abs=0.002)
    assert after["formed_positive"] == before["formed_positive"]
    drive(p, 0.0, 4 * 3600.0, dt_s=60.0)
    assert before["density_kg_L"] < p.batteries(0)[0]["density_kg_L"] < 1.317
    with pytest.raises(ValueError, match=r"1\.0 to 1\.4"):
        p.refill(0, 1320.0)


def test_bath_keeps_its_temperature_whatever_its_size():
    """The default bath grows with its circuits: water, flow, surface, wall."""
    assert scaled(3) == BathSize()
    assert scaled(6).water_kg == 900.0
    assert scaled(6, water_kg=500.0).water_kg == 500.0
    for circuits in (1, 3, 8):
        water_C = 25.0
        for _ in range(5000):
            water_C, _ = advance_bath(scaled(circuits), water_C, circuits * 1650.0 * 15.0, 15.0)
        assert water_C == pytest.approx(30.1, abs=0.5)


def test_bath_balances():
    """Heat in less what flows, evaporates and leaks is what warms the water; without flow it still balances."""
    fine = 30.0
    for _ in range(1500):
        fine, _ = advance_bath(BathSize(), fine, 150.0, 0.1)
    coarse = 30.0
    for _ in range(10):
        coarse, _ = advance_bath(BathSize(), coarse, 22500.0, 15.0)
    assert coarse == pytest.approx(fine, abs=3e-3)
    assert coarse < 30.0 + 225000.0 / (4181 * 450)
    still, _ = advance_bath(BathSize(flow_L_min=0.0, wall_W_K=0.0, evaporation_W_m2_Pa=0.0), 30.0, 15000.0, 15.0)
    assert still == pytest.approx(30.0 + 15000.0 / (4181 * 450))


def test_steps_are_short_after_a_change_only():
    """An edge costs some eighty steps, a slow ramp a few a cycle, a steady current one."""
    rule = StepRule(np.array([60.0]))
    rule.changed(np.array([15.0]))
    steps, left = 0, 100.0
    while left > 1e-9:
        dt_s = rule.step_s(min(left, 5.0))
        rule.went_on(dt_s)
        left -= dt_s
        steps += 1
    assert 60 < steps < 110
    ramp = 0
    for _ in range(120):
        rule.changed(np.array([0.125]))
        left = 5.0
        while left > 1e-9:
            dt_s = rule.step_s(left)
            rule.went_on(dt_s)
            left -= dt_s
            ramp += 1
    assert ramp < 120 * 4
    rule.went_on(1000.0)
    assert rule.step_s(5.0) == 5.0
    assert rule.step_s(60.0) == 15.0


def test_steps_of_a_run_are_few(monkeypatch):
    """Three hours in 5 s cycles with a start, a ramp of ten minutes and a stop take at most 1.5 steps a cycle."""
    from simulator import works

    taken = []
    step = works.Works._step
    monkeypatch.setattr(works.Works, "_step", lambda self, *args: (taken.append(1), step(self, *args)))
    p = plant()
    taken.clear()
    for k in range(2160):
        current_A = 3.0 if k < 360 else min(15.0, 3.0 + 0.1 * (k - 360)) if k < 1800 else 0.0
        p.order(0, {"set_current_A": current_A, "set_voltage_V": 360.0, "output_on": 1})
        p.advance(5.0)
    assert 2160 <= len(taken) < 1.5 * 2160


def test_hydrogen_under_the_hood():
    """Gassing strings under extraction stay well below the limit; without extraction it climbs."""
    p = plant(n=1, batteries=18)
    p.replace_battery(0)
    for k in range(1, 19):
        p.inject(FaultLine("formed", "A01", k))
    drive(p, 12.0, 1800.0)
    with_air = p.bath_signals()["hydrogen_percent_LEL"]
    assert 5.0 < with_air < 30.0
    p.inject(FaultLine("no_airflow"))
    drive(p, 12.0, 900.0)
    assert p.bath_signals()["hydrogen_percent_LEL"] > 2 * with_air


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"capacity_C20_Ah": 0.0}, "capacity_C20_Ah must be above 0"),
        ({"watchdog_s": 0.0}, "watchdog_s must be above 0"),
        ({"batteries": -1}, "cannot be below 0"),
        ({"probe_at": (19,)}, "from 1 to 18"),
    ],
)
def test_specs_that_are_refused(wrong, words):
    """A circuit that cannot be is refused by name."""
    with pytest.raises(ValueError, match=words):
        CircuitSpec("A01", **wrong)


def test_plants_that_are_refused():
    """No circuits, two of one name, time that does not pass."""
    with pytest.raises(ValueError, match="at least one"):
        PlantSpec(circuits=())
    with pytest.raises(ValueError, match="same name"):
        PlantSpec(circuits=(CircuitSpec("A01"), CircuitSpec("A01")))
    with pytest.raises(ValueError, match="above 0 s"):
        plant().advance(0.0)


ACTS = st.lists(
    st.tuples(
        st.floats(-20, 70, allow_nan=False),
        st.floats(-10, 400, allow_nan=False),
        st.sampled_from([0.0, 1.0]),
        st.sampled_from([0.3, 5.0, 60.0]),
        st.one_of(st.none(), st.sampled_from(sorted(CATALOGUE))),
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(ACTS)
def test_any_orders_and_faults_give_numbers(acts):
    """Whatever is ordered and whatever breaks, signals are numbers and the current stays in the rating."""
    p = VirtualPlant(PlantSpec(circuits=(CircuitSpec("A01", batteries=3), CircuitSpec("A02", batteries=2)), seed=5))
    for current_A, limit_V, on, dt_s, fault in acts:
        if fault is not None:
            kind = CATALOGUE[fault]
            line = FaultLine(fault, None if kind.place == "bath" else "A01")
            if line in p.active_faults:
                p.clear(line)
            else:
                p.inject(line)
        for _ in range(5):
            p.order(0, {"set_current_A": current_A, "set_voltage_V": limit_V, "output_on": on})
            p.advance(dt_s)
            for k in range(2):
                seen = [value for value in p.signals(k).values() if value is not None]
                assert np.isfinite(seen).all()
                assert -13.0 <= p.true_current_A(k) <= 121.0
            assert np.isfinite([v for v in p.bath_signals().values() if v is not None]).all()
    assert p.true_current_A(1) == 0.0
