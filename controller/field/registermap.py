"""The register map file of a device: which signal stands in which register, and what the device is like.

The words (entity, type, mostSignificantWord) are those of the W3C Web of Things Modbus binding where it has one.
No device's map is code: a new rectifier is a new file beside those in `maps/`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from controller.field.signalnames import COMMANDS, NEEDS_RANGE, OPTIONAL, QUIET, REQUIRED, SENSOR
from profiles.loader import Document, load_model, read_document
from profiles.problems import InputError, Problem

VIRTUAL_CODE = 22086
MAPS = Path(__file__).parent / "maps"

Entity = Literal["HoldingRegister", "InputRegister", "Coil", "DiscreteInput"]
NumberType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]

REGISTERS = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "float64": 4}
BIT_ENTITIES = ("Coil", "DiscreteInput")
WRITABLE_ENTITIES = ("HoldingRegister", "Coil")


class Strict(BaseModel):
    """Frozen, unknown keys refused, no NaN."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Signal(Strict):
    """Where one quantity stands. Physical number = raw x scale + offset; `bit` counts from the least significant."""

    entity: Entity
    address: int = Field(ge=0, le=65535)
    type: NumberType | None = None
    scale: float = 1.0
    offset: float = 0.0
    range: tuple[float, float] | None = None
    bit: int | None = Field(default=None, ge=0, le=31)
    mostSignificantWord: bool | None = None
    shared: bool = False

    @property
    def cells(self) -> int:
        """How many registers, or coils, it takes."""
        return REGISTERS[self.type] if self.type else 1


class Identity(Strict):
    """The register that tells one make of device from another, and what it must hold."""

    signal: str
    equals: int


class Rating(Strict):
    """What the device can give at most."""

    current_A: float = Field(gt=0)
    voltage_V: float = Field(gt=0)


class Default(Strict):
    """The set-points with which the device starts after its supply came back, as its manual says."""

    current_A: float = Field(ge=0)
    voltage_V: float = Field(ge=0)


class Quirk(Strict):
    """What the device cannot bear. `bridge_registers`: how many unlisted registers a read may pass over."""

    pause_ms: int = Field(default=0, ge=0, le=5000)
    max_registers: int = Field(default=125, ge=1, le=125)
    one_at_a_time: bool = False
    busy_retry: int = Field(default=1, ge=0, le=3)
    bridge_registers: int = Field(default=0, ge=0, le=64)
    mostSignificantWord: bool = True


class Channels(Strict):
    """Channel k (from 1) stands `stride` x (k - 1) registers further; coils `bit_stride`, where that differs."""

    count: int = Field(default=1, ge=1, le=64)
    stride: int = Field(default=0, ge=0, le=4096)
    bit_stride: int | None = Field(default=None, ge=0, le=4096)


SignalName = Annotated[str, Field(pattern=r"^[a-z][A-Za-z0-9_]{0,39}$")]


class RegisterMap(Strict):
    """A whole map file. `device`: a rectifier's, or that of a bath's input box.

    `discharge`: how the device is told to discharge: a negative set-point ("sign"), or amounts without a sign and
    the signal discharge_mode ("mode"); without it the device cannot. `default`: by which a restart is told from a
    second master; without it only the uptime tells.
    """

    kind: Literal["map"]
    name: str = Field(default="", max_length=80)
    device: Literal["rectifier", "inputs"] = "rectifier"
    identity: Identity
    rating: Rating | None = None
    default: Default | None = None
    discharge: Literal["sign", "mode"] | None = None
    quirk: Quirk = Quirk()
    channels: Channels = Channels()
    signal: dict[SignalName, Signal]

    @property
    def virtual(self) -> bool:
        """Whether its identity is the number kept for virtual devices."""
        return self.identity.equals == VIRTUAL_CODE


def address_of(map_: RegisterMap, name: str, channel: int) -> int:
    """First address of a signal for a channel (counted from 1)."""
    signal = map_.signal[name]
    if signal.shared:
        return signal.address
    stride = map_.channels.stride
    if signal.entity in BIT_ENTITIES and map_.channels.bit_stride is not None:
        stride = map_.channels.bit_stride
    return signal.address + (channel - 1) * stride


def sensors(map_: RegisterMap) -> tuple[str, ...]:
    """The probes of a rectifier's map, or the water sensors of an input box's, in the order of their numbers."""
    found = (name for name in map_.signal if SENSOR[map_.device].fullmatch(name))
    return tuple(sorted(found, key=lambda name: (len(name), name)))


def commands(map_: RegisterMap) -> tuple[str, ...]:
    """The signals of the map that are written."""
    return tuple(name for name in map_.signal if name in COMMANDS[map_.device])


def missing_signals(map_: RegisterMap) -> list[tuple[str, str]]:
    """Optional signals that the map does not have, each with what that switches off."""
    return [(name, lost) for name, lost in OPTIONAL[map_.device].items() if name not in map_.signal]


def map_path(name: str, folder: Path) -> Path:
    """`cabinet` is an example map that comes with the program; anything with a slash or .toml is a file."""
    return folder / name if "/" in name or name.endswith(".toml") else MAPS / f"{name}.toml"


def load_map(path: Path | str) -> tuple[RegisterMap, Document]:
    """Read and check a map file. Raises InputError with all its problems."""
    document = read_document(path)
    map_ = load_model(document, RegisterMap)
    problems = tuple(cross_checks(map_, document))
    if problems:
        raise InputError(problems)
    return map_, document


def cross_checks(map_: RegisterMap, document: Document) -> Iterator[Problem]:
    """What one key alone cannot show: missing and unknown signals, ranges, types, overlapping addresses."""
    for name in REQUIRED[map_.device]:
        if name not in map_.signal:
            yield document.problem(("signal", name), f"missing, a map of device {map_.device!r} must have it")
    if map_.identity.signal not in map_.signal:
        yield document.problem(("identity", "signal"), f"no [signal.{map_.identity.signal}] here, name one that is")
    if map_.device == "rectifier" and map_.rating is None:
        yield document.problem(("rating",), "missing, write rating = { current_A = ..., voltage_V = ... }")
    if map_.default is not None and map_.device != "rectifier":
        yield document.problem(("default",), "a bath's inputs have no set-points, leave it out")
    if map_.discharge == "mode" and "discharge_mode" not in map_.signal:
        yield document.problem(("discharge",), 'no [signal.discharge_mode] here, add it or write "sign"')
    for name, signal in map_.signal.items():
        for key, what in _signal_problems(map_, name, signal):
            yield document.problem(("signal", name, key) if key else ("signal", name), what)
    for name, what in _overlaps(map_):
        yield document.problem(("signal", name, "address"), what)


def _signal_problems(map_: RegisterMap, name: str, signal: Signal) -> Iterator[tuple[str, str]]:
    known = set(REQUIRED[map_.device]) | set(OPTIONAL[map_.device]) | QUIET[map_.device] | {map_.identity.signal}
    if name not in known and not SENSOR[map_.device].fullmatch(name):
        yield "", f"no part of the program reads it, known are {', '.join(sorted(known))}"
    if name in COMMANDS[map_.device]:
        if signal.entity not in WRITABLE_ENTITIES:
            yield "entity", f"{signal.entity} cannot be written, right would be HoldingRegister or Coil"
        if signal.scale and abs(signal.offset / signal.scale - round(signal.offset / signal.scale)) > 1e-9:
            yield "offset", f"no count stands for 0 with scale {signal.scale:g}, and zero must always be writable"
    if address_of(map_, name, map_.channels.count) + signal.cells > 65536:
        yield "address", "past 65535 at the last channel, a smaller address or stride would fit"
    yield from _type_problems(signal)
    yield from _range_problems(map_, name, signal)


def _type_problems(signal: Signal) -> Iterator[tuple[str, str]]:
    if signal.entity in BIT_ENTITIES:
        if signal.type is not None:
            yield "type", f"a {signal.entity} is one bit and has no type, leave it out"
        if signal.bit is not None:
            yield "bit", f"a {signal.entity} is one bit already, leave it out"
    elif signal.type is None:
        yield "type", f"missing, a register needs one of {', '.join(REGISTERS)}"
    elif signal.bit is not None and signal.type.startswith("float"):
        yield "bit", f"{signal.type} has no bits to pick, only an integer type has"
    elif signal.bit is not None and signal.bit >= 16 * signal.cells:
        yield "bit", f"{signal.type} has bits 0 to {16 * signal.cells - 1}"
    if not 1e-9 <= abs(signal.scale) <= 1e9:
        yield "scale", f"{signal.scale:g} cannot be, right would be the size of one count"


def _range_problems(map_: RegisterMap, name: str, signal: Signal) -> Iterator[tuple[str, str]]:
    if signal.range is None:
        if NEEDS_RANGE.fullmatch(name):
            yield "range", "missing, write range = [lowest, highest] that can be true"
        return
    low, high = signal.range
    if low >= high:
        yield "range", f"[{low:g}, {high:g}] holds nothing, the lower end comes first"
        return
    if name in COMMANDS[map_.device] and not low <= 0 <= high:
        yield "range", f"[{low:g}, {high:g}] does not hold 0, and zero must always be writable"
    if signal.type and not signal.type.startswith("float") and signal.scale and signal.bit is None:
        least, most = _reach(signal)
        if low < least or high > most:
            yield "range", f"{signal.type} x {signal.scale:g} reaches {least:g} to {most:g} only"


def _reach(signal: Signal) -> tuple[float, float]:
    bits = 16 * signal.cells
    signed = not (signal.type or "").startswith("u")
    raw = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
    ends = sorted(number * signal.scale + signal.offset for number in raw)
    return ends[0], ends[1]


def _overlaps(map_: RegisterMap) -> Iterator[tuple[str, str]]:
    """Two signals, or one signal of two channels, in one register; bits of one register may stand side by side."""
    taken: dict[tuple[str, int, int | None], tuple[str, int]] = {}
    told: set[str] = set()
    for name, signal in map_.signal.items():
        for channel in range(1, (1 if signal.shared else map_.channels.count) + 1):
            first = address_of(map_, name, channel)
            clash = _clash(taken, signal, first)
            if clash and name not in told:
                told.add(name)
                other, its = clash
                yield name, f"register {first} of channel {channel} is also that of {other}, channel {its}"
            for cell in range(first, first + signal.cells):
                taken.setdefault((signal.entity, cell, signal.bit), (name, channel))
                taken.setdefault((signal.entity, cell, -1), (name, channel))


def _clash(
    taken: dict[tuple[str, int, int | None], tuple[str, int]], signal: Signal, first: int
) -> tuple[str, int] | None:
    for cell in range(first, first + signal.cells):
        if signal.bit is None:
            found = taken.get((signal.entity, cell, -1))
        else:
            found = taken.get((signal.entity, cell, signal.bit)) or taken.get((signal.entity, cell, None))
        if found:
            return found
    return None
