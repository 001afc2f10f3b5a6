"""The bath file's shape: attribute names are its keys, each default protects.

What keys must hold together stands in `controller.bathtogether`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, model_validator

from controller.bathtogether import bath_findings
from controller.interlocktables import Interlocks
from profiles.locator import KeyPath
from profiles.plainwords import Words, check_together
from profiles.profile import STRICT, Text

# These become parts of paths, of topics and of socket names.
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,16}$"), Words('up to 16 letters, digits, - or _ in "quotes"')]
PathText = Annotated[str, Field(min_length=1, max_length=400, pattern=r"^[^\x00-\x1f\x7f]+$"), Words('a "path"')]
HostPort = Annotated[
    str, Field(pattern=r"^(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]{1,253}):[0-9]{1,5}$"), Words('"host:port"')
]
Unit = Annotated[int, Field(ge=1, le=247)]
Users = Annotated[tuple[Annotated[str, Field(pattern=r"^[A-Za-z0-9_.$-]{1,64}$")], ...], Field(strict=False)]
Texts = Annotated[tuple[Text, ...], Field(strict=False)]
Names = Annotated[tuple[Name, ...], Field(strict=False)]


class LinkEntry(BaseModel):
    """One wire to devices: either `tcp` or `rtu`."""

    model_config = STRICT
    tcp: HostPort | None = None
    """Port 0, in a virtual bath only: whichever is free."""
    rtu: PathText | None = None
    """Serial device."""
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 19200
    parity: Literal["N", "E", "O"] = "E"
    timeout_s: Annotated[float, Field(ge=0.02, le=5)] = 0.3


class CircuitEntry(BaseModel):
    """One rectifier channel and the places of its string. `priority` 1 is cut last when power is short."""

    model_config = STRICT
    name: Name
    link: Name
    unit: Unit
    map: PathText
    """A file's path, or the bare name of an example map."""
    channel: Annotated[int, Field(ge=1, le=64)] = 1
    places: Annotated[int, Field(ge=1, le=60)] = 20
    current_min_A: Annotated[float, Field(ge=0, le=100)] = 0.0
    """Least current the rectifier holds; a step below it holds."""
    current_max_A: Annotated[float, Field(gt=0, le=1200)]
    voltage_max_V: Annotated[float, Field(gt=0, le=1000)]
    priority: Annotated[int, Field(ge=1, le=99)] = 1
    probes: Annotated[int, Field(ge=0, le=16)] = 1


class InputsEntry(BaseModel):
    """The bath's input box."""

    model_config = STRICT
    link: Name
    unit: Unit
    map: PathText


class OutputsEntry(BaseModel):
    """Where the bath's outputs are wired; each names a signal of the map."""

    model_config = STRICT
    link: Name | None = None
    unit: Unit | None = None
    map: PathText | None = None
    horn: Text | None = None
    beacon: Text | None = None
    healthy: Text | None = None
    water_call: Text | None = None
    contactors: Texts = ()
    """One signal a circuit, in the circuits' order."""


class RoundsEntry(BaseModel):
    """The walk past all circuits."""

    model_config = STRICT
    items: Texts = ()
    interval_minutes: Annotated[float, Field(ge=15, le=720)] = 120.0
    walking_order: Names = ()
    meter_walk_items: Texts = (
        "every battery + to red",
        "both ends and every link",
        "the string that keeps volts is this one",
    )
    """What the meter walk looks at, held and blocked."""


class StartListEntry(BaseModel):
    """What people confirm before a start."""

    model_config = STRICT
    items: Texts = ()
    two_people: bool = False
    """Polarity is confirmed by a second person."""


class RoleEntry(BaseModel):
    """Who holds a role, by the operating system's users and groups."""

    model_config = STRICT
    users: Users = ()
    groups: Users = ()


class PeopleEntry(BaseModel):
    """Roles."""

    model_config = STRICT
    technician: RoleEntry | None = None
    engineer: RoleEntry | None = None
    maintenance: RoleEntry | None = None
    quality: RoleEntry | None = None
    resets: Users = ()
    """Persons beside maintenance who may give the resets that are maintenance's."""


class RunsEntry(BaseModel):
    """Where records go, how often a row is written, and what is kept for a disk that is full or away."""

    model_config = STRICT
    path: PathText = "runs"
    log_s: Annotated[float, Field(ge=1, le=600)] = 10.0
    memory_MB: Annotated[float, Field(ge=1, le=4096)] = 64.0
    """How much may wait in memory while the disk takes nothing; 64 hold some 11 h of 40 circuits."""
    reserve_MB: Annotated[float, Field(ge=0, le=65536)] | None = None
    """Space kept back on the disk for when it is full; 0: none. Left out: 64, on a virtual bath none."""


class MqttEntry(BaseModel):
    """The plant's broker. Orders in are hold and stop only, and only where allowed here."""

    model_config = STRICT
    broker: HostPort
    tls: bool = True
    user: Text | None = None
    password_file: PathText | None = None
    ca_file: PathText | None = None
    certificate_file: PathText | None = None
    key_file: PathText | None = None
    allow_orders: bool = False


class BathFile(BaseModel):
    """A whole bath file."""

    model_config = STRICT
    kind: Literal["bath"]
    hall: Name
    name: Name
    virtual: bool = False
    """Devices are simulated: other clocks than the real one are allowed."""
    period_s: Annotated[float, Field(ge=0.1, le=10)] = 1.0
    stale_after_s: Annotated[float, Field(ge=0.2, le=30)] = 3.0
    watchdog_s: Annotated[float, Field(ge=0.3, le=60)] = 5.0
    """The rectifiers' own time-out to zero."""
    density_reference_C: Annotated[float, Field(ge=15, le=30)] = 25.0
    require_release: bool | None = None
    """Load released profiles only; left out: true, in a virtual bath false."""
    power_limit_kW: Annotated[float, Field(gt=0, le=100_000)] | None = None
    hall_power_limit_kW: Annotated[float, Field(gt=0, le=100_000)] | None = None
    auto_resume_link_s: Annotated[float, Field(ge=0, le=600)] = 120.0
    fresh_V: Annotated[float, Field(ge=-50, le=50)] = 0.0
    """String volts of a fresh string at zero current."""
    fresh_scatter_V: Annotated[float, Field(ge=0.5, le=30)] = 3.0
    purge_minutes: Annotated[float, Field(ge=0, le=120)] = 10.0
    """Proved airflow before the first current."""
    after_run_minutes: Annotated[float, Field(ge=0, le=480)] = 60.0
    meter_walk: Annotated[tuple[Annotated[float, Field(ge=0, le=240)], ...], Field(strict=False)] = (15.0, 60.0)
    """Earliest and latest minute after first current; empty: none."""
    permit_minutes: Annotated[float, Field(ge=0, le=15)] = 0.0
    """How long an open hood is allowed for readings while nothing gasses; 0: never."""
    first_current_alone_s: Annotated[float, Field(ge=0, le=600)] = 60.0
    """A first current flows alone for so long, so that crossed leads show."""
    resume_apart_s: Annotated[float, Field(ge=0, le=600)] = 10.0
    contactors_outside_hood: bool = False
    """Contactors stand outside the gas space and may open in a hydrogen alarm."""
    inspect_contactor_after: Annotated[int, Field(ge=1, le=100)] = 1
    """Openings under load until a contactor's inspection is due."""
    level_mm: Annotated[float, Field(ge=10, le=1000)] | None = None
    """Level mark of the batteries that fit this bath's water; a profile for another is refused."""
    airflow_m3_h: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    link: dict[Name, LinkEntry]
    circuit: Annotated[tuple[CircuitEntry, ...], Field(strict=False)]
    inputs: InputsEntry
    outputs: OutputsEntry | None = None
    interlock: Interlocks = Interlocks()
    rounds: RoundsEntry | None = None
    start_list: StartListEntry | None = None
    people: PeopleEntry | None = None
    runs: RunsEntry = RunsEntry()
    mqtt: MqttEntry | None = None

    @model_validator(mode="wrap")
    @classmethod
    def _together(cls, data: Any, handler: Callable[[Any], Any]) -> Any:
        return check_together(data, handler, bath_findings)


def map_places(file: BathFile) -> Iterator[tuple[KeyPath, str, str]]:
    """Every place that names a register map: its key path, the text there, and the sort of device it must be of."""
    for index, circuit in enumerate(file.circuit):
        yield ("circuit", index, "map"), circuit.map, "rectifier"
    yield ("inputs", "map"), file.inputs.map, "inputs"
