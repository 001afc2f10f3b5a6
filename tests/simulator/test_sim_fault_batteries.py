"""Batteries that are not what the load list says, instruments that tell something else: how each begins and ends."""

import numpy as np
import pytest

from profiles import chemistry
from simulator import deviants, injectors, rows
from simulator.cell import prepare
from simulator.faults import CATALOGUE, FaultLine, parse_fault_line
from simulator.parameters import ARRAYS, PER_CELL_COUNT, Spread, build_cells
from simulator.parts import build_parts
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant
from simulator.racks import Racks, Stood
from simulator.rows import new_state
from simulator.string import LEAD_OHM, advance_strings

BATTERY_FAULTS = sorted(name for name, kind in CATALOGUE.items() if kind.place == "battery")


def plant(*faults, n=2, batteries=4, **changed):
    settings = {"spread": False, "noise": False, "soaked_s": 1800.0} | changed
    circuits = tuple(CircuitSpec(f"A{i:02d}", batteries=batteries, watchdog_s=65.0) for i in range(1, n + 1))
    return VirtualPlant(PlantSpec(circuits=circuits, **settings), [parse_fault_line(text) for text in faults])


def drive(p, current_A, minutes):
    for _ in range(round(minutes * 2)):
        for k in range(len(p.spec.circuits)):
            p.order(k, {"set_current_A": current_A, "set_voltage_V": 340.0, "output_on": float(current_A != 0.0)})
        p.advance(30.0)
    return [p.signals(k)["voltage_V"] for k in range(len(p.spec.circuits))]


def racks(lengths=(3, 2), spread=False):
    circuits = tuple(CircuitSpec(f"A{i:02d}", batteries=n) for i, n in enumerate(lengths))
    parts = build_parts(PlantSpec(circuits, spread=spread), np.random.default_rng(3), np.random.default_rng(3))
    return parts, parts.racks


def test_wrong_acid_in_one_battery_and_in_all():
    """Filled with 1.10 instead of 1.24: that density, in one battery or the whole circuit; its end: fresh ones."""
    p = plant("A01/2 wrong_fill 1.1", "A02 wrong_fill 1.1", soaked_s=0.0)
    thin = chemistry.reading_at(1.1, 20.0)
    normal = chemistry.reading_at(1.24, 20.0)
    seen = [[b["density_kg_L"] for b in p.batteries(k)] for k in range(2)]
    assert seen[0] == pytest.approx([normal, thin, normal, normal], abs=1e-6)
    assert seen[1] == pytest.approx([thin] * 4, abs=1e-6)
    for line in p.active_faults:
        p.clear(line)
    soaked = [b["density_kg_L"] for k in range(2) for b in p.batteries(k)]
    assert soaked[1] == pytest.approx(1.194, abs=0.005)
    assert soaked[4:] == pytest.approx([soaked[1]] * 4, abs=1e-9)


def test_wrong_acid_keeps_the_volume():
    """The same litres go in whatever their density, and the heat capacity is that of the new acid (4206 - 3450 w)."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    other = deviants.filled_with(cells, 1.1)
    twenty = np.array([20.0])
    litres = [c.fill_kg / chemistry.density_kg_m3(c.fill_w, twenty) for c in (cells, other)]
    assert litres[1] == pytest.approx(litres[0], rel=1e-12)
    assert other.fill_kg[0] / cells.fill_kg[0] == pytest.approx(1.1 / 1.24, rel=1e-9)
    acid_J_K = [6 * c.fill_kg * (4206.0 - 3450.0 * c.fill_w) for c in (cells, other)]
    assert other.heat_J_K - cells.heat_J_K == pytest.approx(acid_J_K[1] - acid_J_K[0], rel=1e-9)
    assert new_state(other)[rows.ACID] < 0.5 * new_state(cells)[rows.ACID]


def test_wrong_type_is_formed_sooner():
    """45 Ah among 60 Ah get the same amperes: formed a third further and hotter per plate; 60 Ah is no change."""
    p = plant("A01/2 wrong_type 45", "A02/2 wrong_type 60")
    drive(p, 12.0, 90.0)
    small, other = p.batteries(0)[1], p.batteries(1)[1]
    assert small["formed_positive"] / p.batteries(0)[0]["formed_positive"] == pytest.approx(60 / 45, rel=0.02)
    assert (p.batteries(0)[2], p.batteries(0)[3]) == (p.batteries(0)[0], p.batteries(0)[0])
    assert small["temperature_C"] > other["temperature_C"] + 1.0
    assert other == pytest.approx(p.batteries(1)[0])


def test_unformed_battery_turned_is_not_seen_on_the_string():
    """The string's volts stay within a few hundredths; only its marks tell: they carry the other sign."""
    p = plant("A01/2 reversed_unformed")
    turned, sound = drive(p, 6.0, 60.0)
    assert turned == pytest.approx(sound, abs=0.11)
    parts, held = racks()
    line = parse_fault_line("A00/2 reversed_unformed")
    injectors.begin(parts, line)
    assert held.marked.tolist() == [1, -1, 1, 1, 1]
    assert held.base.paste_Ah[:, 1] == pytest.approx(held.sound.paste_Ah[::-1, 1])
    assert held.base.k_slow_h[:, 1] == pytest.approx(0.7 * held.sound.k_slow_h[:, 1])
    injectors.end(parts, line)
    assert held.marked.tolist() == [1] * 5


def test_unfilled_is_an_open_circuit():
    """Without acid nothing flows, and the voltage stands at its limit."""
    p = plant("0:02 A01/3 unfilled")
    drive(p, 6.0, 2.0)
    assert p.signals(0)["current_A"] == 6.0
    assert drive(p, 6.0, 1.0)[0] == 340.0
    assert [p.signals(k)["current_A"] for k in range(2)] == [0.0, 6.0]


def test_one_too_many_and_gone_again():
    """A fifth battery adds a quarter of the volts and bears no number; without it all is as before."""
    p = plant("0:30-1:00 A01/4 extra")
    drive(p, 6.0, 30.0)
    many, sound = drive(p, 6.0, 29.0)
    assert many == pytest.approx(1.25 * sound, rel=0.02)
    assert len(p.batteries(0)) == 4
    many, sound = drive(p, 6.0, 2.0)
    assert many == pytest.approx(sound, abs=0.11)


def test_over_soaked_keeps_its_sulfur():
    """The sulfate that formed came out of the acid, the water took its place; what is formed cannot be soaked."""
    cells = build_cells(np.array([60.0, 60.0]), np.array([6.0, 6.0]))
    state = new_state(cells)
    state[rows.FAST, 1] = state[rows.SLOW, 1] = 0.0
    state[rows.SURPLUS] = -0.2
    new = deviants.over_soaked(cells, state)
    lead = cells.paste_Ah * 3600.0 * chemistry.MOL_PER_C
    sulfur = [s[rows.ACID] + (lead * s[rows.SULFATE]).sum(axis=0) for s in (state, new)]
    assert sulfur[1] == pytest.approx(sulfur[0], rel=1e-13)
    assert new[rows.ACID] + new[rows.WATER] == pytest.approx(state[rows.ACID] + state[rows.WATER], rel=1e-13)
    assert new[rows.SULFATE, 0] == pytest.approx([0.36, 0.36])
    assert (new[rows.SURPLUS] == 0.0).all()
    assert (new[rows.SULFATE, 1] == state[rows.SULFATE, 1]).all()


def test_little_acid_takes_its_share_of_everything():
    """0.7 of the acid, of the plates, of their gas; the rest's resistance; less to warm. Dry plates change nothing."""
    cells = build_cells(np.array([60.0]), np.array([6.0]))
    state = new_state(cells)
    part, drained = deviants.low_acid(cells, state, 0.7)
    for name in ("paste_Ah", "gas_A", "reverse_A", "double_layer_F", "fill_kg"):
        assert getattr(part, name) == pytest.approx(0.7 * getattr(cells, name))
    for name in ("inverse_exchange", "acid_ohm", "unformed_ohm", "skin_ohm"):
        assert getattr(part, name) == pytest.approx(getattr(cells, name) / 0.7)
    assert part.metal_ohm == cells.metal_ohm
    assert part.water_W_K == pytest.approx(0.85 * cells.water_W_K)
    assert cells.heat_J_K - part.heat_J_K == pytest.approx(0.3 * 6 * cells.fill_kg * 3080.0)
    assert drained[[rows.ACID, rows.WATER]] == pytest.approx(0.7 * state[[rows.ACID, rows.WATER]])
    assert (drained[rows.FAST] == state[rows.FAST]).all()


def test_foul_acid_at_a_voltage_limit():
    """Held at 2.62 V a cell foul acid takes three times what sound acid does at that temperature, by the gassing law
    (Schiffer 2007: 0.02 A per 100 Ah, 11 per volt, 0.06 per kelvin); badly cooled, more yet; cleaned, what it was.
    """
    parts, held = racks((1, 1, 1))
    foul = [parse_fault_line(f"A0{k} foul_acid 3") for k in range(2)]
    for string in range(3):
        held.put_formed(string, 1, 1.0)
    for line in foul:
        injectors.begin(parts, line)
    injectors.stand(parts, [*foul, parse_fault_line("A01 warm_place 0.4")])

    def law_A(current_A):
        ohm = prepare(held.cells, held.state, 60.0).ohmic + (held.cells.contact_ohm + LEAD_OHM) / 6.0
        over = 11.0 * (2.62 - current_A * ohm - 2.23) + 0.06 * (held.state[rows.TEMPERATURE] - 25.0)
        return 0.012 * np.exp(over)

    current = end_A(held)
    assert current / law_A(current) == pytest.approx([3.0, 3.0, 1.0], rel=0.02)
    assert current[1] > 1.1 * current[0] > 2.2 * current[2]
    for line in foul:
        injectors.end(parts, line)
    current = end_A(held)
    assert current[0] == pytest.approx(current[2], rel=0.01)


def end_A(held):
    """Current that is left after hours at 2.62 V a cell."""
    current = np.full(3, 6.0)
    limit_V = np.full(3, 6 * 2.62)
    for _ in range(600):
        held.state, shown, _ = advance_strings(
            held.cells, held.strings, held.state, np.full(3, 6.0), limit_V, 30.0, 60.0, 22.0, current
        )
        current = shown.current_A
    return current


@pytest.mark.parametrize("spread", [False, True])
@pytest.mark.parametrize("name", BATTERY_FAULTS)
def test_a_fresh_battery_takes_every_fault_away(name, spread):
    """Whatever stood at a place, after it ends and a fresh one comes the parameters are the type's own again."""
    parts, held = racks(spread=spread)
    before = held.base
    line = FaultLine(name, "A00", 2)
    injectors.begin(parts, line)
    injectors.stand(parts, [line])
    changed = (
        any((getattr(held.cells, f) != getattr(before, f)).any() for f in ARRAYS) if held.base.count == 5 else True
    )
    state_changed = (held.state[:, :5] != new_state(before)).any()
    assert changed or state_changed or parts.open_string.any(), "the fault was not felt"
    injectors.end(parts, line)
    injectors.stand(parts, [])
    injectors.put_fresh(parts, 0, 2)
    whole = held.base
    assert (held.marked == 1.0).all()
    for field in ARRAYS:
        now, once = getattr(whole, field), getattr(before, field)
        now = np.add.reduceat(now, held.first_of) if field in PER_CELL_COUNT else now[..., held.first_of]
        assert now == pytest.approx(once, rel=1e-12), field
    assert (held.cells.contact_ohm[held.first_of] == before.contact_ohm).all()


def test_two_faults_at_one_place():
    """A battery with a short in one cell is drained, fouled and joined by one too many; the string stays whole."""
    parts, held = racks((3,))
    for text in ("A00/2 shorted_cell", "A00/2 low_acid 0.5", "A00/2 foul_acid", "A00/2 extra", "A00/2 wrong_type 30"):
        injectors.begin(parts, parse_fault_line(text))
    assert held.battery_of.tolist() == [1, 2, 2, 0, 3]
    assert held.cells.cells.tolist() == [6.0, 5.0, 1.0, 6.0, 6.0]
    assert held.cells.contact_ohm[2] == 0.0
    assert held.cells.leak_S.tolist() == [0.0, 0.0, 500.0, 0.0, 0.0]
    assert held.first_of.tolist() == [0, 1, 4]
    held.remove_added(0)
    held.remove_added(0)
    assert held.battery_of.tolist() == [1, 2, 2, 3]


def test_what_comes_late_comes_soaked():
    """Before anything happened a wrong filling is as new; later the battery was filled an hour before."""
    held = Racks(build_cells(np.full(2, 60.0), np.full(2, 6.0)), [2])
    stood = Stood(3600.0, 25.0, 22.0)
    held.put_filled(0, 1, 1.15, stood)
    assert held.state[rows.SULFATE, 0] == pytest.approx(0.1085)
    held.state[rows.TO_BATH] += 1.0
    held.put_filled(0, 1, 1.15, stood)
    assert held.state[rows.SULFATE, 0].min() > 0.2
    assert held.state[rows.SULFATE, 1] == pytest.approx(0.1085)


def test_instruments_that_tell_something_else():
    """Probes 4 K too high for a while, and with a sister's; a counter that counts 5 % too much."""
    p = plant(
        "0:10-0:20 A01 probe_offset 4", "A03 warm_place 0.3", "1:00-1:10 A03 probe_swapped", "A02 counter_gain", n=4
    )
    drive(p, 12.0, 12.0)
    assert p.signals(0)["probe_C"] - p.signals(1)["probe_C"] == pytest.approx(4.0, abs=0.11)
    drive(p, 12.0, 48.0)
    seen = [p.signals(k)["probe_C"] for k in range(4)]
    assert seen[0] == pytest.approx(seen[1], abs=0.11)
    assert seen[2] > seen[3] + 2.0
    drive(p, 12.0, 9.0)
    swapped = [p.signals(k)["probe_C"] for k in range(4)]
    assert swapped[3] > swapped[2] + 2.0
    drive(p, 12.0, 10.0)
    assert p.signals(2)["probe_C"] > p.signals(3)["probe_C"] + 2.0
    counted = [p.signals(k)["counter_Ah"] for k in range(2)]
    assert counted[1] == pytest.approx(1.05 * counted[0], rel=1e-6)


def test_swaps_may_overlap():
    """Two swaps at once are a ring of probes; whichever ends first, the rest stands as it would alone."""
    circuits = tuple(CircuitSpec(f"A{k}", batteries=2) for k in range(3))
    parts = build_parts(PlantSpec(circuits, spread=False), np.random.default_rng(1), np.random.default_rng(1))
    first, second = parse_fault_line("A0 probe_swapped"), parse_fault_line("A1 probe_swapped")
    seen = []
    for active in ([], [first, second], [second], [first], []):
        injectors.stand(parts, active)
        seen.append(parts.probe_slot.tolist())
    assert seen == [[0, 2, 4], [2, 4, 0], [0, 4, 2], [2, 0, 4], [0, 2, 4]]


def test_ripple_is_a_number_beside_the_current():
    """What the rectifier tells of ripple: the fault's number at its circuit, else the usual."""
    active = [parse_fault_line("A01 ripple 18"), parse_fault_line("A02 open_clamp")]
    told = [injectors.ripple_percent(active, name, 4.2) for name in ("A01", "A02")]
    assert told == [18.0, 4.2]


def test_another_type_keeps_its_place():
    """Clamps, place in the water, start and short stay what they were; all the rest is the other type's own."""
    cells = build_cells(np.full(2, 60.0), np.full(2, 6.0), spread=Spread(), random=np.random.default_rng(1))
    cells = cells.changed(leak_S=np.array([0.0, 2.0]), polarity=np.array([1.0, -1.0]))
    other, own = deviants.of_size(cells, 45.0), build_cells(np.full(2, 45.0), np.full(2, 6.0))
    kept = ("contact_ohm", "offset_K", "start_C", "leak_S", "polarity")
    assert other.leaking
    for name in ARRAYS:
        assert (getattr(other, name) == getattr(cells if name in kept else own, name)).all(), name


def test_what_goes_with_a_replaced_battery():
    """A fresh battery takes its own faults away, not those of the whole string, nor the battery too many behind it."""
    own, other = parse_fault_line("A01/3 shorted_cell"), parse_fault_line("A01/4 shorted_cell")
    first, every = parse_fault_line("A01 shorted_cell"), parse_fault_line("A01 low_acid")
    extra, clamp = parse_fault_line("A01/3 extra"), parse_fault_line("A01 open_clamp")
    gone = [line for line in (own, other, first, every, extra, clamp) if injectors.goes_with(line, "A01", 3)]
    assert gone == [own]
    assert injectors.goes_with(first, "A01", 1)
    assert not injectors.goes_with(every, "A01", 1)
    assert not injectors.goes_with(own, "A02", 3)
    assert injectors.goes_with(every, "A01", None)


def test_ripple_and_a_turned_battery_show_on_the_plant():
    """The ripple a fault tells stands in the registers under current; a turned unformed battery reads negative."""
    spec = PlantSpec((CircuitSpec("A01", 2),), spread=False, noise=False, soaked_s=3_600.0)
    plant = VirtualPlant(spec, [parse_fault_line("A01 ripple 33"), parse_fault_line("A01/2 reversed_unformed")])
    plant.order(0, {"set_current_A": 6.0, "set_voltage_V": 40.0, "output_on": 1.0})
    for _ in range(120):
        plant.order(0, {"output_on": 1.0})
        plant.advance(5.0)
    assert plant.signals(0)["ripple_percent"] == 33.0
    right, turned = (battery["open_circuit_V"] for battery in plant.batteries(0))
    assert right > 10.0
    assert turned < -5.0
