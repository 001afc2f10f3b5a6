"""The virtual electrician: what is mended, when, and what never is."""

from __future__ import annotations

import pytest

from simulator.faults import parse_fault_line
from simulator.hands import MENDED, WORK_S, Hands
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant

STEP_s = 60.0


def plant_with(*faults: str) -> VirtualPlant:
    circuits = tuple(CircuitSpec(name, batteries=4, watchdog_s=25.0, voltage_max_V=80.0) for name in ("A01", "A02"))
    spec = PlantSpec(circuits=circuits, spread=False, noise=False, soaked_s=1800.0)
    return VirtualPlant(spec, [parse_fault_line(line) for line in faults])


def work(plant: VirtualPlant, hands: Hands, minutes: int, *blocked: str) -> list[tuple[float, str, str]]:
    """So many minutes of plant time with these circuits blocked; what was told, and when."""
    told = []
    for _ in range(minutes):
        told += [(plant.elapsed_s, *said) for said in hands.look(blocked)]
        plant.advance(STEP_s)
    return told


def test_clamp_is_remade_after_ten_minutes_blocked():
    """Not a minute earlier; told once; the string is whole afterwards."""
    plant = plant_with("A01 open_clamp")
    told = work(plant, Hands(plant), 30, "A01")
    assert told == [(WORK_S, "A01", "A01: clamp remade by the electrician")]
    assert plant.active_faults == ()


def test_an_interruption_begins_the_ten_minutes_anew():
    """Blocked nine minutes, free for one, blocked again: the work is done ten minutes after that."""
    plant = plant_with("A01 open_clamp")
    hands = Hands(plant)
    assert work(plant, hands, 9, "A01") == []
    assert work(plant, hands, 1) == []
    told = work(plant, hands, 30, "A01")
    assert [when for when, *_ in told] == [600.0 + WORK_S]


@pytest.mark.parametrize("name", ["reversed", "formed"])
def test_formed_battery_is_replaced_by_a_fresh_one(name):
    """The string's volts at zero current are those of a fresh string again; the words name the battery."""
    plant = plant_with(f"A01/3 {name}")
    assert abs(plant.signals(0)["voltage_V"]) > 10.0
    ((when, circuit, what),) = work(plant, Hands(plant), 30, "A01", "A02")
    assert (when, circuit) == (WORK_S, "A01")
    assert "battery 3" in what
    assert "replaced by a fresh soaked one by the electrician" in what
    assert abs(plant.signals(0)["voltage_V"]) < 3.0
    assert plant.active_faults == ()


def test_only_what_hands_can_mend_and_only_there():
    """Cooling, cells, cables and rectifiers stay as they are, and so does whatever is on a circuit not blocked."""
    lines = ("A01 warm_place 0.45", "A01/2 shorted_cell", "A01 link_off", "A01 current_gain", "A02 open_clamp")
    plant = plant_with(*lines)
    before = plant.active_faults
    assert work(plant, Hands(plant), 40, "A01") == []
    assert plant.active_faults == before


def test_a_fault_that_comes_while_blocked_is_mended_too():
    """Who stands at the string already sees it at once."""
    plant = plant_with("0:20 A01 open_clamp")
    told = work(plant, Hands(plant), 40, "A01")
    assert [when for when, *_ in told] == [pytest.approx(1_260.0, abs=STEP_s)]


def test_two_faults_of_one_string_are_both_told():
    """Each repair has its own words."""
    plant = plant_with("A01 open_clamp", "A01/2 reversed")
    told = work(plant, Hands(plant), 15, "A01")
    assert len(told) == 2
    assert len({what for *_, what in told}) == 2
    assert plant.active_faults == ()


def test_words_exist_for_what_is_in_the_catalogue_only():
    """Every fault that hands mend is a fault that a plant can have."""
    for name in MENDED:
        target = "A01/1" if name != "open_clamp" else "A01"
        assert parse_fault_line(f"{target} {name}").name == name
