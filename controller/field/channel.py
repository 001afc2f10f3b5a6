"""One channel, pure: decoded signals to a reading, a command to the numbers and registers that carry it out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.core.types import (
    ALL_OFF,
    LOST,
    BathCommand,
    BathReading,
    ChannelReading,
    Command,
    Fit,
    LinkState,
    Quality,
    Value,
)
from controller.field.blocks import Cell
from controller.field.codec import Codec, encode
from controller.field.registermap import RegisterMap, address_of

Values = Mapping[str, Value]
COUNTER_END = 65536


def channel_reading(
    map_: RegisterMap, values: Values, probes: Iterable[str], link: LinkState, fit: Fit
) -> ChannelReading:
    """What one channel says. `values` by signal name; a signal of the map that was never read is lost, not absent."""

    def optional(name: str) -> Value | None:
        return values.get(name, LOST) if name in map_.signal else None

    return ChannelReading(
        current_A=_directed(map_, values, "current_A"),
        voltage_V=values.get("voltage_V", LOST),
        set_current_A=_directed(map_, values, "set_current_A"),
        set_voltage_V=values.get("set_voltage_V", LOST),
        output_on=values.get("output_on", LOST),
        local=optional("local"),
        fault_code=optional("fault_code"),
        uptime_s=optional("uptime_s"),
        watchdog_s=optional("watchdog_s"),
        counter_Ah=optional("counter_Ah"),
        ripple_percent=optional("ripple_percent"),
        probes=tuple(values.get(name, LOST) for name in probes),
        link=link,
        fit=fit,
    )


def bath_reading(map_: RegisterMap, values: Values, water: Iterable[str], link: LinkState, fit: Fit) -> BathReading:
    """What the input box of a bath says."""

    def optional(name: str) -> Value | None:
        return values.get(name, LOST) if name in map_.signal else None

    return BathReading(
        water_C=tuple(values.get(name, LOST) for name in water),
        airflow=values.get("airflow", LOST),
        emergency_stop_ok=values.get("emergency_stop_ok", LOST),
        hood_closed=optional("hood_closed"),
        flow_L_min=optional("flow_L_min"),
        level=optional("level"),
        level_mm=optional("level_mm"),
        hydrogen_percent_LEL=optional("hydrogen_percent_LEL"),
        contactors=optional("contactors"),
        earth_ohm_per_V=optional("earth_ohm_per_V"),
        heard_button=optional("heard_button"),
        link=link,
        fit=fit,
    )


def falls(command: Command, values: Values) -> bool:
    """Whether the command asks for less current than the device was last told; unknown counts as falling."""
    told = values.get("set_current_A", LOST).number
    return told is None or abs(command.set_current_A) <= abs(told)


def command_numbers(map_: RegisterMap, command: Command, values: Values, beat: int) -> dict[str, float]:
    """The signals to write and their numbers, in the order of writing: what lowers first, the output last."""
    current = command.set_current_A
    numbers: dict[str, float] = {}
    if map_.discharge == "mode":
        current, numbers["discharge_mode"] = _moded(current, values)
    elif map_.discharge is None:
        current = current if math.isnan(current) else max(0.0, current)
    pair = {"set_current_A": current, "set_voltage_V": command.voltage_limit_V}
    if not falls(command, values):
        pair = dict(reversed(pair.items()))
    numbers = pair | numbers
    numbers |= {"output_on": float(command.output_on), "contactor_closed": float(command.contactor_closed)}
    numbers |= {"remote_request": 1.0, "heartbeat": float(beat)}
    return {name: number for name, number in numbers.items() if name in map_.signal}


def bath_numbers(map_: RegisterMap, command: BathCommand, beat: int) -> dict[str, float]:
    """The outputs of a bath's box: horn 0, 1 new, 2 escalated (where it is one bit: sounding)."""
    numbers = {
        "horn": float(command.horn),
        "beacon": float(command.beacon),
        "healthy": float(command.healthy),
        "water_call": float(command.water_call),
        "heartbeat": float(beat),
    }
    return {name: number for name, number in numbers.items() if name in map_.signal}


def cells_of(
    map_: RegisterMap, codecs: Mapping[str, Codec], channel: int, numbers: Mapping[str, float], held: Mapping[Cell, int]
) -> dict[Cell, int] | None:
    """Numbers to registers and coils; None: one of them cannot be encoded.

    `held` is what the device's registers hold: a one-bit signal leaves the other bits of its register alone.
    """
    cells: dict[Cell, int] = {}
    for name, number in numbers.items():
        codec = codecs[name]
        entity, first = map_.signal[name].entity, address_of(map_, name, channel)
        places = [(entity, first + step) for step in range(codec.cells)]
        base = () if codec.bit is None else tuple(cells.get(place, held.get(place, 0)) for place in places)
        turned = _turn(codec, int(number)) if name == "heartbeat" else number
        words = encode(codec, turned, base)
        if words is None:
            return None
        cells.update(zip(places, words, strict=True))
    return cells


def command_cells(
    map_: RegisterMap,
    codecs: Mapping[str, Codec],
    channel: int,
    command: Command,
    values: Values,
    held: Mapping[Cell, int],
    beat: int,
) -> dict[Cell, int]:
    """A whole command as registers; one that cannot be encoded becomes zero current, zero volts, output off."""
    for wanted in (command, replace(ALL_OFF, contactor_closed=command.contactor_closed), ALL_OFF):
        cells = cells_of(map_, codecs, channel, command_numbers(map_, wanted, values, beat), held)
        if cells is not None:
            return cells
    return {}


def _directed(map_: RegisterMap, values: Values, name: str) -> Value:
    """Charge positive: where the map tells amounts, the mode read back gives the direction."""
    value = values.get(name, LOST)
    if map_.discharge != "mode" or value.number is None:
        return value
    mode = values.get("discharge_mode", LOST)
    if mode.number is None:
        return Value(None, Quality.LOST, value.age_ms)
    return Value(-value.number, value.quality, value.age_ms) if mode.number else value


def _moded(current: float, values: Values) -> tuple[float, float]:
    """Amount and mode; the amount is zero until the mode asked for has been read back."""
    mode = values.get("discharge_mode", LOST).number
    wanted = (mode or 0.0) if current == 0 else float(current < 0)
    return (abs(current) if mode == wanted else 0.0), wanted


def _turn(codec: Codec, beat: int) -> float:
    """A heartbeat that fits its register: a bit flips, a number counts up within its range."""
    if codec.is_coil or codec.bit is not None:
        return float(beat % 2)
    end = int(codec.high) + 1 if codec.high < COUNTER_END else COUNTER_END
    return float(beat % min(end, 32768 if codec.format == ">h" else COUNTER_END))
