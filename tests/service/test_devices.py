"""A name that means another rectifier than before is nobody's to use yet: blocks go by names, hands by strings."""

from __future__ import annotations

import json

import pytest
from leftkit import NAMES, Hall, Plant, in_memory

from controller.records.sealed import sealed
from controller.records.statefile import limits_file, state_before_seal
from controller.service.devices import at_other_devices, devices_of, moved, of_others

NEW = "restart: new in the bath file"
NOW = {
    "virtual": False, "link.east.tcp": "192.0.2.7:502", "link.east.rtu": None,
    "circuit.A01.link": "east", "circuit.A01.unit": 1, "circuit.A01.channel": 1,
    "circuit.A02.link": "east", "circuit.A02.unit": 2, "circuit.A02.channel": 1,
}  # fmt: skip
SWAPPED = {**NOW, "circuit.A01.unit": 2, "circuit.A02.unit": 1}


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.mark.parametrize(("change", "names"), [
    ({}, []), ({"circuit.A01.unit": 3}, ["A01"]), ({"circuit.A02.channel": 2}, ["A02"]),
    ({"circuit.A01.unit": 2, "circuit.A02.unit": 1}, ["A01", "A02"]),
    ({"link.east.tcp": "192.0.2.8:502"}, ["A01", "A02"]),
    ({"link.east.tcp": None, "link.east.rtu": "/dev/ttyS0"}, ["A01", "A02"]), ({"circuit.A01.voltage_max_V": 9}, []),
])  # fmt: skip
def test_what_makes_another_rectifier(change, names):
    """Address, unit, channel; no limit does. With any of several services before."""
    assert moved([{**NOW, **change}], NOW) == names
    assert moved([NOW, {**NOW, **change}, NOW], NOW) == names
    assert moved([], NOW) == []


def test_a_new_name_is_another_matter_and_ports_of_a_virtual_bath_are_none():
    """What was not there before is not at another place; a simulated plant takes whichever port is free."""
    assert moved([{key: value for key, value in NOW.items() if ".A02." not in key}], NOW) == []
    virtual = {**NOW, "virtual": True}
    assert moved([{**virtual, "link.east.tcp": "127.0.0.1:5020"}], virtual) == []
    assert moved([{**virtual, "circuit.A01.unit": 3}], virtual) == ["A01"]
    assert of_others({"B": NOW}, NOW) == {"A01": "B, A01", "A02": "B, A02"}
    assert of_others({"B": virtual}, virtual) == {}
    assert set(devices_of(NOW)) == {"A01", "A02"}


async def left_with(runs, limits, bath="A"):
    """A service that blocked A02 and left its settings; then what the next one finds."""
    hall = Hall(runs)
    await hall.cycles(3)
    assert (await hall.order("block", "A02")).accepted
    hall.end()
    (runs / bath).mkdir(exist_ok=True)
    (runs / bath / "limits.json").write_text(json.dumps(limits))
    plant = Plant()
    plant.passed_ms = 60_000
    return Hall(runs, plant).left


async def test_names_that_were_exchanged_come_back_blocked(tmp_path):
    """Both: a block stands for a person at a string, and that string has the other name now. Its holder is told."""
    left = await left_with(tmp_path, {"format": "formbath/limits/1", "limits": NOW})
    assert at_other_devices(left, "A", tmp_path, NOW) is left
    found = at_other_devices(left, "A", tmp_path, SWAPPED)
    assert {name: found.circuits[name].blocked_by for name in NAMES} == {"A01": NEW, "A02": NEW}
    told = [event.data["what"] for event in found.events[len(left.events) :]]
    assert told == [
        f"{name}: is at another rectifier than before: blocked until maintenance has looked and unblocks"
        for name in ("A01", "A02 (blocked by anna)")
    ]


async def test_one_wire_has_many_names(tmp_path):
    """However the same end of it is written it is no other rectifier."""
    local = {**NOW, "link.east.tcp": "localhost:502"}
    left = await left_with(tmp_path, {"format": "formbath/limits/1", "limits": local})
    for text in ("127.0.0.1:502", "LOCALHOST:0502"):
        assert at_other_devices(left, "A", tmp_path, {**NOW, "link.east.tcp": text}) is left
    assert moved([{**NOW, "link.east.tcp": None, "link.east.rtu": "/dev/null"}],
                 {**NOW, "link.east.tcp": None, "link.east.rtu": "/dev//null"}) == []  # fmt: skip


async def test_a_service_that_was_killed_before_all_was_told_changes_nothing_of_it(tmp_path):
    """Its settings stand among those that began; what the string was before still counts."""
    begun = [{"limits": SWAPPED, "who": "root", "why": ""}]
    left = await left_with(tmp_path, {"format": "formbath/limits/1", "limits": NOW, "begun": begun})
    found = at_other_devices(left, "A", tmp_path, SWAPPED)
    assert found.circuits["A01"].blocked_by == NEW


async def test_a_bath_of_another_name_at_the_same_rectifiers_begins_blocked(tmp_path):
    """Renamed in the bath file: blocks and runs of the old name are not forgotten in silence."""
    await left_with(tmp_path, {"format": "formbath/limits/1", "limits": NOW})
    first = Hall(tmp_path / "new", Plant()).left
    found = at_other_devices(first, "B", tmp_path, NOW)
    assert {each.blocked_by for each in found.circuits.values()} == {NEW}
    assert "A, A02" in found.events[-1].data["what"]
    elsewhere = {**NOW, "link.east.tcp": "192.0.2.9:502"}
    assert at_other_devices(first, "B", tmp_path, elsewhere) is first


@pytest.mark.parametrize(("later_ms", "state", "blocked"), [
    (1, None, True), (0, None, False), (-1, None, False), (-1, b"{", True), (1, b"", False),
])  # fmt: skip
async def test_a_bath_that_gets_its_old_name_back_does_not_forget_what_was_meanwhile(
    tmp_path, later_ms, state, blocked
):
    """Where the other name was served later; its state that cannot be read counts as later, none as no block at all."""
    left = await left_with(tmp_path, {"format": "formbath/limits/1", "limits": NOW})
    (tmp_path / "B").mkdir()
    (tmp_path / "B" / "limits.json").write_text((tmp_path / "A" / "limits.json").read_text())
    kept = sealed(state_before_seal({"utc_ms": left.utc_ms + later_ms})) if state is None else state
    (tmp_path / "B" / "state.json").write_bytes(kept)
    found = at_other_devices(left, "A", tmp_path, NOW)
    assert (found is not left) == blocked
    assert {found.circuits[name].blocked_by for name in NAMES} == ({NEW} if blocked else {"", "anna"})


SEALED = limits_file({"format": "formbath/limits/1", "limits": NOW}).decode()


@pytest.mark.parametrize(
    "text",
    [
        *("", "{", "[]", "[" * 100_000, '{"format": "other"}', '{"format": "formbath/limits/1", "limits": 7}'),
        SEALED.replace("{", '{"more": 0,', 1),
    ],
)
async def test_settings_that_cannot_be_read_block_all_of_a_real_bath(tmp_path, text):
    """Nobody knows which rectifiers the names meant. Not of a simulated one, and not at a first start."""
    left = await left_with(tmp_path, {})
    (tmp_path / "A" / "limits.json").write_text(text)
    found = at_other_devices(left, "A", tmp_path, NOW)
    assert {found.circuits[name].blocked_by for name in NAMES} == {NEW}
    assert "A01: limits.json does not tell which rectifier it had: blocked" in found.events[-2].data["what"]
    assert at_other_devices(found, "A", tmp_path, NOW) is found
    assert at_other_devices(left, "A", tmp_path, {**NOW, "virtual": True}) is left
    assert at_other_devices(Hall(tmp_path / "new", Plant()).left, "B", tmp_path, NOW).circuits == {}
