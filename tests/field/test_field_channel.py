"""One channel, pure: what is written for a command, in which order, and what is read of it."""

from __future__ import annotations

import math

import pytest

from controller.core.types import ALL_OFF, BathCommand, Command, Fit, LinkState, Quality, Value
from controller.field.channel import bath_numbers, channel_reading, command_cells, command_numbers, falls
from controller.field.codec import codec_of
from controller.field.registermap import MAPS, load_map
from controller.field.startcheck import check

CABINET = load_map(MAPS / "cabinet.toml")[0]
SINGLE = load_map(MAPS / "single.toml")[0]
PILLAR = load_map(MAPS / "pillar.toml")[0]


def told(**numbers):
    return {name: Value(number) for name, number in numbers.items()}


def cells(map_, command, values, held=None):
    codecs = {name: codec_of(map_, name) for name in map_.signal}
    return command_cells(map_, codecs, 1, command, values, held or {}, 1)


def test_lower_current_goes_before_the_voltage():
    """A fall writes the current first, a rise the voltage limit first; the output is last in both."""
    falling = list(command_numbers(CABINET, Command(5, 300, True), told(set_current_A=10.0), 0))
    rising = list(command_numbers(CABINET, Command(15, 300, True), told(set_current_A=10.0), 0))
    assert falling == ["set_current_A", "set_voltage_V", "output_on"]
    assert rising == ["set_voltage_V", "set_current_A", "output_on"]


def test_unknown_read_back_counts_as_falling():
    """Without knowing what the device was told, the current is written first."""
    assert falls(Command(5, 300, True), {})


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_command_that_is_no_number_becomes_zero(bad):
    """Current or voltage that cannot be encoded: zero current, zero volts, output off."""
    off = cells(CABINET, ALL_OFF, {})
    assert set(off.values()) == {0}
    assert cells(CABINET, Command(bad, 300, True), {}) == off
    assert cells(CABINET, Command(5, bad, True), {}) == off


def test_nothing_past_the_range_is_written():
    """A set-point past the map's range is held at its end."""
    written = cells(CABINET, Command(1000, 5000, True), {})
    assert written["HoldingRegister", 0] == 6000
    assert written["HoldingRegister", 1] == 3600


def test_a_charger_never_gets_a_discharge():
    """A map without discharge turns a negative set-point into zero."""
    assert command_numbers(SINGLE, Command(-5, 300, True), {}, 0)["set_current_A"] == 0.0


def test_control_bit_leaves_the_other_bits():
    """The output's bit is changed in the register as the device holds it."""
    written = cells(CABINET, Command(5, 300, True), {}, {("HoldingRegister", 2): 0xA0})
    assert written["HoldingRegister", 2] == 0xA1


def test_discharge_mode_is_read_back_before_current():
    """The amount stays zero until the mode asked for was read back; then it is written without a sign."""
    command = Command(-5, 200, True)
    before = command_numbers(PILLAR, command, told(discharge_mode=0.0, set_current_A=0.0), 0)
    after = command_numbers(PILLAR, command, told(discharge_mode=1.0, set_current_A=0.0), 0)
    unknown = command_numbers(PILLAR, command, {}, 0)
    assert (before["set_current_A"], before["discharge_mode"]) == (0.0, 1.0)
    assert (after["set_current_A"], after["discharge_mode"]) == (5.0, 1.0)
    assert unknown["set_current_A"] == 0.0


def test_discharge_mode_gives_the_sign():
    """Amounts read under discharge mode are negative; with the mode unknown there is no current to trust."""
    values = told(current_A=5.0, set_current_A=5.0, discharge_mode=1.0)
    reading = channel_reading(PILLAR, values, (), LinkState.UP, Fit.OK)
    assert (reading.current_A.number, reading.set_current_A.number) == (-5.0, -5.0)
    del values["discharge_mode"]
    assert channel_reading(PILLAR, values, (), LinkState.UP, Fit.OK).current_A.quality is Quality.LOST


def test_absent_is_not_lost():
    """A signal the map lacks is None; one it has but that was never read is lost."""
    reading = channel_reading(PILLAR, {}, ("probe_C",), LinkState.DOWN, Fit.NOT_CHECKED)
    assert reading.counter_Ah is None
    assert reading.uptime_s is not None
    assert reading.uptime_s.quality is Quality.LOST
    assert [probe.quality for probe in reading.probes] == [Quality.LOST]


def test_bath_outputs_by_name():
    """The box's outputs are written as the map has them."""
    box = load_map(MAPS / "inputs.toml")[0]
    numbers = bath_numbers(box, BathCommand(horn=2, beacon=True, healthy=True), 0)
    assert numbers == {"horn": 2.0, "beacon": 1.0, "healthy": 1.0, "water_call": 0.0}


def test_identity_and_rating():
    """A device fits by its identity, then by the ratings it tells; what is no number does not fit."""
    right = told(model_code=22086.0, rating_current_A=60.0, rating_voltage_V=360.0)
    assert check(CABINET, right) is Fit.OK
    assert check(CABINET, right | told(model_code=4711.0)) is Fit.IDENTITY
    assert check(CABINET, {}) is Fit.IDENTITY
    assert check(CABINET, right | told(rating_current_A=120.0)) is Fit.RATING
    assert check(CABINET, right | {"rating_voltage_V": Value(None, Quality.OUT_OF_RANGE)}) is Fit.RATING
