"""Map files: the examples load, wrong ones say where and what would be right."""

from __future__ import annotations

import re

import pytest

from controller.field.registermap import MAPS, load_map, map_path, missing_signals, sensors
from profiles.problems import InputError

GOOD = """kind = "map"
identity = { signal = "model_code", equals = 4711 }
rating = { current_A = 60, voltage_V = 360 }
[signal.model_code]
entity = "InputRegister"
address = 0
type = "uint16"
[signal.current_A]
entity = "InputRegister"
address = 1
type = "int16"
scale = 0.01
range = [-70, 70]
[signal.voltage_V]
entity = "InputRegister"
address = 2
type = "uint16"
scale = 0.01
range = [0, 400]
[signal.set_current_A]
entity = "HoldingRegister"
address = 1
type = "uint16"
scale = 0.01
range = [0, 60]
[signal.set_voltage_V]
entity = "HoldingRegister"
address = 2
type = "uint16"
scale = 0.01
range = [0, 360]
[signal.output_on]
entity = "HoldingRegister"
address = 3
type = "uint16"
bit = 0
"""


def problems(tmp_path, text):
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        load_map(path)
    return [str(problem) for problem in caught.value.problems]


def line_of(text, line):
    return text.splitlines().index(line) + 1


@pytest.mark.parametrize("path", sorted(MAPS.glob("*.toml")), ids=lambda path: path.stem)
def test_example_maps_are_right(path):
    """Every example map loads; the virtual ones carry the number kept for virtual devices."""
    map_, document = load_map(path)
    assert document.data["kind"] == "map"
    assert map_.virtual == (path.stem in ("cabinet", "single", "inputs"))


def test_a_plain_map_is_right(tmp_path):
    """The map that the other tests spoil is right as it stands."""
    path = tmp_path / "good.toml"
    path.write_text(GOOD)
    map_, _ = load_map(path)
    missing = dict(missing_signals(map_))
    assert {"probe_C", "uptime_s", "local"} <= set(missing)
    assert sensors(map_) == ()


def test_sensors_stand_in_order_of_their_numbers():
    """probe_C comes first, probe_2_C after it."""
    assert sensors(load_map(MAPS / "cabinet.toml")[0]) == ("probe_C", "probe_2_C")


def test_bare_names_are_example_maps(tmp_path):
    """`cabinet` is the example; with a slash or .toml it is a file beside the bath file."""
    assert map_path("cabinet", tmp_path) == MAPS / "cabinet.toml"
    assert map_path("own.toml", tmp_path) == tmp_path / "own.toml"
    assert map_path("maps/own", tmp_path) == tmp_path / "maps/own"


BROKEN = {
    "unknown identity": ('signal = "model_code"', 'signal = "modell"', r"identity\.signal: no \[signal\.modell\]"),
    "range upside down": ("range = [-70, 70]", "range = [70, -70]", r"signal\.current_A\.range: .* holds nothing"),
    "range past the type": ("range = [-70, 70]", "range = [-700, 700]", r"signal\.current_A\.range: .* reaches"),
    "no range": ("range = [-70, 70]", "", r"signal\.current_A\.range: missing"),
    "zero not writable": ("range = [0, 60]", "range = [5, 60]", r"signal\.set_current_A\.range: .* does not hold 0"),
    "bit of a float": ('type = "uint16"\nbit = 0', 'type = "float32"\nbit = 0', r"signal\.output_on\.bit: float32"),
    "bit 20 of 16": ("bit = 0", "bit = 20", r"signal\.output_on\.bit: uint16 has bits 0 to 15"),
    "overlap": ("address = 3", "address = 2", r"signal\.output_on\.address: register 2 .* set_voltage_V"),
    "no type": ('type = "uint16"\nbit = 0', "", r"signal\.output_on\.type: missing"),
    "scale 0": ("scale = 0.01\nrange = [-70", "scale = 0\nrange = [-70", r"signal\.current_A\.scale: 0"),
    "zero between counts": ("range = [0, 60]", "offset = 0.005\nrange = [0, 60]", r"signal\.set_current_A\.offset"),
    "read-only command": ('"HoldingRegister"\naddress = 3', '"InputRegister"\naddress = 3', "entity: .* cannot be wr"),
    "unknown signal": ("[signal.model_code]", "[signal.probe_1_C]", r"signal\.probe_1_C: no part of the program"),
    "no rating": ("rating = { current_A = 60, voltage_V = 360 }", "", "rating: missing"),
    "mode without a signal": ('kind = "map"', 'kind = "map"\ndischarge = "mode"', "discharge: no .signal.discharge_mo"),
    "channels overlap": ("[signal.model", "[channels]\ncount = 2\nstride = 1\n[signal.model", "address: register"),
    "default below zero": ("[signal.model", "default = { current_A = -1, voltage_V = 0 }\n[signal.model", "default"),
    "past the end": ("address = 3", "address = 65536", r"signal\.output_on\.address"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_maps_say_what_and_where(tmp_path, name):
    """Each fault is told with its file, a line, its key and what is wrong."""
    good, bad, told = BROKEN[name]
    assert good in GOOD
    found = problems(tmp_path, GOOD.replace(good, bad, 1))
    assert any(re.search(told, line) for line in found), found
    assert all(re.search(r"bad\.toml:\d+: ", line) for line in found), found


def test_a_map_may_say_with_what_the_device_starts(tmp_path):
    """Both set-points; a bath's inputs have none."""
    path = tmp_path / "good.toml"
    path.write_text(GOOD.replace("[signal.model", "default = { current_A = 5, voltage_V = 100 }\n[signal.model", 1))
    default = load_map(path)[0].default
    assert default is not None
    assert (default.current_A, default.voltage_V) == (5.0, 100.0)
    inputs = (MAPS / "inputs.toml").read_text(encoding="utf-8")
    wrong = inputs.replace('kind = "map"', 'kind = "map"\ndefault = { current_A = 5, voltage_V = 100 }', 1)
    assert any("default: a bath's inputs have no set-points" in line for line in problems(tmp_path, wrong))


def test_a_missing_required_signal_is_told(tmp_path):
    """A map without the measured voltage is refused."""
    start, end = GOOD.index("[signal.voltage_V]"), GOOD.index("[signal.set_current_A]")
    found = problems(tmp_path, GOOD[:start] + GOOD[end:])
    assert any("signal.voltage_V: missing" in line for line in found)


def test_all_faults_are_told_at_once(tmp_path):
    """Two faults of one file come together, each at its own line."""
    bad = GOOD.replace("range = [-70, 70]", "range = [70, -70]").replace("bit = 0", "bit = 16")
    found = problems(tmp_path, bad)
    assert len(found) == 2
    assert f":{line_of(bad, 'range = [70, -70]')}:" in found[0]
    assert f":{line_of(bad, 'bit = 16')}:" in found[1]


def test_bits_of_one_register_may_stand_side_by_side(tmp_path):
    """Two signals share a register when their bits differ, and clash when they do not."""
    extra = '[signal.local]\nentity = "HoldingRegister"\naddress = 3\ntype = "uint16"\nbit = {}\n'
    path = tmp_path / "bits.toml"
    path.write_text(GOOD + extra.format(1))
    assert load_map(path)[0].signal["local"].bit == 1
    assert any("signal.local.address" in line for line in problems(tmp_path, GOOD + extra.format(0)))
