"""The words the core speaks: readings in, orders in, commands and events out.

Plain frozen data. Nothing here may do I/O, know a wall clock or hold prose; units stand in the names.
Core time is integer milliseconds of process time (`now_ms`), monotonic across restarts of the service.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

from controller.core.planned import Load

Scalar = str | int | float | bool | None


class Quality(StrEnum):
    """How far a value can be trusted; no law sees a bad value as a number."""

    GOOD = "good"
    SUSPECT = "suspect"
    LOST = "lost"
    STALE = "stale"
    OUT_OF_RANGE = "out of range"
    FROZEN = "frozen"


class LinkState(StrEnum):
    """What the field says of the link to a channel in this cycle."""

    UP = "up"
    LATE = "late"
    DOWN = "down"
    WRONG_ANSWER = "wrong answer"


class Fit(StrEnum):
    """Whether the device answering is the one the map describes (identity and rating)."""

    OK = "ok"
    NOT_CHECKED = "not checked"
    IDENTITY = "identity"
    RATING = "rating"


class State(StrEnum):
    """Circuit states; which leads to which is in `table.py`."""

    UNKNOWN = "unknown"
    IDLE = "idle"
    RUNNING = "running"
    HELD = "held"
    COMPLETE = "complete"
    STOPPED = "stopped"
    TRIPPED = "tripped"


class Output(StrEnum):
    """The output machine beside the state: never `off` before zero current was read back."""

    OFF = "off"
    ON = "on"
    TO_ZERO = "to zero"
    OFF_SENT = "off sent"
    STUCK = "stuck"


class Reaction(IntEnum):
    """In order of severity: the most severe wins."""

    NONE = 0
    WARN = 1
    DERATE = 2
    HOLD = 3
    TRIP = 4


class EventKind(StrEnum):
    """Column `kind` of events.csv."""

    EVENT = "event"
    ALARM = "alarm"
    ORDER = "order"
    REFUSAL = "refusal"


UNKNOWN, RUNNING, HELD, TRIPPED = State.UNKNOWN, State.RUNNING, State.HELD, State.TRIPPED
OFF, ON, TO_ZERO, STUCK = Output.OFF, Output.ON, Output.TO_ZERO, Output.STUCK
UP, WRONG_ANSWER = LinkState.UP, LinkState.WRONG_ANSWER
"""Members that every circuit asks for in every cycle: Python 3.11 looks one up in its class by calling a function."""

OPEN_STATES = (RUNNING, HELD, TRIPPED)
"""Where a run is open, if there is one."""


@dataclass(frozen=True, slots=True)
class Value:
    """One read quantity: a number or none, its quality, and its age in ms (0: read in this cycle)."""

    number: float | None
    quality: Quality = Quality.GOOD
    age_ms: int = 0


LOST = Value(None, Quality.LOST, 0)


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """What one rectifier channel says; an optional signal that the map does not have is None.

    Flags (`output_on`, `local`) are Values of 0.0 or 1.0. `set_*` and `output_on` are read back from the device.
    """

    current_A: Value
    voltage_V: Value
    set_current_A: Value
    set_voltage_V: Value
    output_on: Value
    local: Value | None = None
    fault_code: Value | None = None
    uptime_s: Value | None = None
    watchdog_s: Value | None = None
    counter_Ah: Value | None = None
    ripple_percent: Value | None = None
    probes: tuple[Value, ...] = ()
    link: LinkState = LinkState.DOWN
    fit: Fit = Fit.NOT_CHECKED


@dataclass(frozen=True, slots=True)
class BathReading:
    """What the bath's input box says; an optional signal that the map does not have is None.

    `airflow`, `hood_closed`, `emergency_stop_ok`, `heard_button` are 0.0 or 1.0 (airflow: proved by measurement);
    `level` is -1.0 low, 0.0 in its marks, 1.0 high; `level_mm` above the bath's floor where it is measured.
    `contactors`: bit n-1 is set where the n-th circuit's contactor is closed, by its auxiliary contact.
    """

    water_C: tuple[Value, ...]
    airflow: Value
    emergency_stop_ok: Value
    hood_closed: Value | None = None
    flow_L_min: Value | None = None
    level: Value | None = None
    level_mm: Value | None = None
    hydrogen_percent_LEL: Value | None = None
    contactors: Value | None = None
    earth_ohm_per_V: Value | None = None
    heard_button: Value | None = None
    link: LinkState = LinkState.DOWN
    fit: Fit = Fit.NOT_CHECKED


@dataclass(frozen=True, slots=True)
class Command:
    """What a channel shall do: each cycle, whole and absolute. Charge current is positive.

    `silent`: it is not written, since the device is in other hands (local control); its watchdog takes over.
    """

    set_current_A: float = 0.0
    voltage_limit_V: float = 0.0
    output_on: bool = False
    contactor_closed: bool = False
    silent: bool = False


ALL_OFF = Command()


@dataclass(frozen=True, slots=True)
class BathCommand:
    """The bath's outputs: horn 0 off, 1 new, 2 escalated. Healthy drops when the service stops."""

    horn: int = 0
    beacon: bool = False
    healthy: bool = False
    water_call: bool = False


@dataclass(frozen=True, slots=True)
class Condition:
    """What a law found standing: reaction and what it rests on.

    `allowed_percent` (of the step's current) and `allowed_A` (None: no such limit) count for a derate only.
    """

    code: str
    reaction: Reaction
    value: float | None = None
    limit: float | None = None
    allowed_percent: float = 100.0
    allowed_A: float | None = None
    priority: int = 3


@dataclass(frozen=True, slots=True)
class Order:
    """What a person asks of one circuit. `roles` are those the person holds; the core decides."""

    id: str
    verb: str
    target: str
    who: str
    roles: tuple[str, ...]
    args: Mapping[str, Scalar] = field(default_factory=dict)
    seen_revision: int | None = None
    load: Load | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """A code with its data, for one target (circuit or bath). Words live in `controller.words`."""

    code: str
    target: str
    kind: EventKind = EventKind.EVENT
    data: Mapping[str, Scalar] = field(default_factory=dict)
    reaction: Reaction = Reaction.NONE
    priority: int = 0


@dataclass(frozen=True)
class BathShare:
    """What a circuit is told of its bath: the value the laws use, whether people may let current flow, reactions.

    `flow_lost_ms`: since when no cooling flow is proved, so that no step goes up into gassing (None: it flows).
    `keep_contactor`: gas may be where contactors switch, so they stay as they are.
    `resume_for`: the cause after which the first resume is for maintenance ("": none). `gas_ok`: hydrogen is below its
    warning level, or not measured. `sisters_K`: how far the circuits' probes moved in the last half hour, by their
    median. Until `alone_until_ms` the first current of circuit `alone` flows alone. `permit`: the hood may be open for
    readings, by `permit_by`; current flows on below it, but none begins or rises.
    """

    water_C: Value
    purge_left_ms: int
    hood_closed: bool
    airflow_ok: bool
    inputs_ok: bool
    emergency_stop_ok: bool
    blocked: tuple[str, ...] = ()
    reactions: tuple[Condition, ...] = ()
    flow_lost_ms: int | None = None
    keep_contactor: bool = False
    resume_for: str = ""
    gas_ok: bool = True
    sisters_K: float | None = None
    alone: str = ""
    alone_until_ms: int = 0
    permit: bool = False
    permit_by: str = ""


@dataclass(frozen=True, slots=True)
class Advice:
    """A slow comparison made outside the core; it can only warn."""

    code: str
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True)
class CircuitIn:
    """Everything a circuit's decision hangs on, and what its record keeps of each cycle.

    `share_A` is what power sharing leaves (None: no limit); `stand_in_C` replaces a lost probe (None: there is none);
    `contactor` whether this circuit's contactor reads as closed (None: not read).
    """

    now_ms: int
    reading: ChannelReading
    bath: BathShare
    share_A: float | None = None
    stand_in_C: float | None = None
    orders: tuple[Order, ...] = ()
    advice: tuple[Advice, ...] = ()
    contactor: bool | None = None


@dataclass(frozen=True, slots=True)
class BathIn:
    """One cycle of a bath: readings of the inputs and of each circuit, in the settings' order, and the orders.

    `record_left_ms`: for how long rows can still wait for their disk (None: it takes them); `record_age_ms`: how long
    one has; `record_space_h`: hours of room for every circuit (None: not looked at); `overdue`: what lacks its proof.
    """

    now_ms: int
    bath: BathReading
    channels: tuple[ChannelReading, ...]
    orders: tuple[Order, ...] = ()
    advice: tuple[tuple[str, Advice], ...] = ()
    record_left_ms: int | None = None
    overdue: tuple[str, ...] = ()
    record_age_ms: int | None = None
    record_space_h: float | None = None
    record_space_unknown: bool = False
