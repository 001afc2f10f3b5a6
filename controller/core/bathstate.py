"""What the core remembers of a bath between two cycles: its circuits, the purge, the after-run, what people did."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.core.state import Alarm, Allowed, CircuitState, ProbeMemory, Timer
from controller.core.types import BathCommand


@dataclass(frozen=True)
class Inputs:
    """What laws remember of the bath's inputs.

    Trails are (moment, value), newest last: `water_C` and `level_mm` of the last hour every minute, `earth` of the
    last minute. `base_ohm_per_V`: the bath's own leakage resistance in ohm per volt, following slowly (None: not yet).
    `hydrogen_LEL`, `hydrogen_still_ms`: its last value, and since when it has been the same to the bit.
    `flow_lost_ms`: since when no cooling flow is proved. `minute_ms`: when the trails last grew. `contacts`: the last
    known state of each contact; `changes`: (moment, which contact) of its changes in the last minute.
    `expected_LEL`: hydrogen that the currents should give, in per cent of its lower explosive limit, following slowly;
    `seen_LEL`: the least that should have been seen since the sensor's value last changed; `rise_LEL`: the most that
    it should have risen by since.
    """

    water_C: tuple[tuple[int, float], ...] = ()
    level_mm: tuple[tuple[int, float], ...] = ()
    earth: tuple[tuple[int, float], ...] = ()
    base_ohm_per_V: float | None = None
    hydrogen_LEL: float | None = None
    hydrogen_still_ms: int | None = None
    flow_lost_ms: int | None = None
    minute_ms: int | None = None
    contacts: tuple[float | None, ...] = ()
    changes: tuple[tuple[int, int], ...] = ()
    expected_LEL: float = 0.0
    seen_LEL: float = 0.0
    rise_LEL: float = 0.0


@dataclass(frozen=True, slots=True)
class Duty:
    """What people at the bath did last, and when (None: never since the service began).

    `permit_until_ms`: until when an open hood is allowed for readings. `horn_test_ms`: since when the horn is being
    tested; `horn_ok`: what the last test found. `muted`: the horn's sound was stopped at the bath, alarms as they are;
    `heard`: the button for that reads as pressed.
    """

    round_ms: int | None = None
    permit_until_ms: int | None = None
    permit_by: str = ""
    shift_by: str = ""
    shift_ms: int | None = None
    horn_test_ms: int | None = None
    horn_ok: bool = True
    muted: bool = False
    heard: bool = False


@dataclass(frozen=True, slots=True)
class Flood:
    """Alarms that came in the last ten minutes, and whether they come faster than a person can take them in."""

    came_ms: tuple[int, ...] = ()
    active: bool = False


@dataclass(frozen=True)
class BathState:
    """What the bath remembers: its circuits in the settings' order, the purge, the after-run, its own alarms.

    `air_since_ms`: since when airflow was proved and the hood shut without a break (None: not now).
    `current_ms`: when current last flowed in any circuit (None: never since the service started).
    `alone_until_ms`: until when `alone`'s first current flows alone. `resume_for`: a cause after which the first
    resume of any circuit is for maintenance ("": none). `water`: memory of each water sensor.
    """

    circuits: tuple[CircuitState, ...]
    now_ms: int = 0
    revision: int = 0
    air_since_ms: int | None = None
    current_ms: int | None = None
    timers: tuple[Timer, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    allowed: Allowed = field(default_factory=Allowed)
    command: BathCommand = field(default_factory=BathCommand)
    water: tuple[ProbeMemory, ...] = ()
    inputs: Inputs = field(default_factory=Inputs)
    duty: Duty = field(default_factory=Duty)
    flood: Flood = field(default_factory=Flood)
    alone: str = ""
    alone_until_ms: int = 0
    resume_for: str = ""
