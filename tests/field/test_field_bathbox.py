"""A bath's input box with the signals that the virtual one lacks: level in mm, contactors as bits, leakage."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.core.bath import fresh_state
from controller.core.bathfacts import bath_facts
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import LOST, BathIn, ChannelReading, Fit, LinkState, Quality
from controller.field.channel import bath_reading
from controller.field.codec import codec_of, decode
from controller.field.registermap import load_map

MAP = Path(__file__).parents[2] / "controller/field/maps/inputs.toml"
MORE = """
[signal.level_mm]
entity = "InputRegister"
address = 10
type = "uint16"
range = [0, 1000]

[signal.earth_ohm_per_V]
entity = "InputRegister"
address = 11
type = "uint16"

[signal.contactors]
entity = "InputRegister"
address = 12
type = "{type}"
"""
ONE = CircuitSettings("A01", places=18, current_min_A=0.5, current_max_A=60.0, voltage_max_V=340.0)


@pytest.fixture
def box(tmp_path):
    """The virtual box's map with the three signals more."""

    def made(type_="uint16"):
        path = tmp_path / "box.toml"
        path.write_text(MAP.read_text(encoding="utf-8") + MORE.replace("{type}", type_), encoding="utf-8")
        return load_map(path)[0]

    return made


def read(map_, **words):
    values = {name: decode(codec_of(map_, name), registers) for name, registers in words.items()}
    return bath_reading(map_, values, ("water_C",), LinkState.UP, Fit.OK)


def test_level_and_leakage_come_as_they_were_read(box):
    """Numbers of the registers; what was never read is lost, what the map lacks is None."""
    reading = read(box(), level_mm=(183,), earth_ohm_per_V=(740,))
    assert (reading.level_mm.number, reading.earth_ohm_per_V.number) == (183.0, 740.0)
    assert read(box()).level_mm.quality is Quality.LOST
    assert read(box(), level_mm=(1001,)).level_mm.quality is Quality.OUT_OF_RANGE
    assert read(load_map(MAP)[0]).level_mm is None


@pytest.mark.parametrize(("type_", "registers"), [("uint16", (0b101,)), ("uint32", (0, 0b101))])
def test_each_circuits_contactor_is_a_bit_of_its_own(box, type_, registers):
    """Bit 0 is the first circuit's; a pattern that is not read tells nothing of any."""
    settings = BathSettings("h", "A", True, 1_000, 3_000, 5_000, (ONE, ONE, ONE))
    channels = (ChannelReading(*(LOST,) * 5),) * 3
    for reading, expected in (
        (read(box(type_), contactors=registers), (True, False, True)),
        (read(box(type_)), (None, None, None)),
    ):
        facts = bath_facts(settings, fresh_state(settings), BathIn(1_000, reading, channels))
        assert facts.contactors == expected
