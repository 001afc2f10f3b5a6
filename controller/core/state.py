"""What the core remembers between two cycles: one frozen record a circuit, one a bath."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.core.types import ALL_OFF, BathCommand, Command, Load, Output, Reaction, State


@dataclass(frozen=True, slots=True)
class Counters:
    """What was read into and out of the string; charge and discharge are counted apart, gaps never filled.

    `last_ms`, `last_A`, `last_W`: the latest good reading, where the next trapezoid begins (None: after a gap).
    """

    charge_Ah: float = 0.0
    discharge_Ah: float = 0.0
    energy_Wh: float = 0.0
    last_ms: int | None = None
    last_A: float = 0.0
    last_W: float = 0.0


@dataclass(frozen=True, slots=True)
class Interruption:
    """A hold or trip of an open run: since when, by what, and what it owes the string when it resumes."""

    since_ms: int
    code: str
    resumable_by_rule: bool = False


@dataclass(frozen=True, slots=True)
class Run:
    """An open or ended run: where it stands in its plan and what it counted.

    `step` indexes `Plan.steps`; `step_time_ms` counts flowing or resting time, never gaps or holds; `fair_ms` is the
    same with a derated second counted by its allowed share (for the step's longest time). `steady` holds
    (moment of step time, corrected V per cell) samples. `restart_left_ms` is what is left of the restart current,
    `meets` in how many readings on end an end by a measured value was met, `flowing` whether current was seen since
    the last start, resume or change of step.
    """

    start_ms: int
    started_by: str
    step: int = 0
    step_time_ms: int = 0
    fair_ms: float = 0.0
    step_charge_Ah: float = 0.0
    step_discharge_Ah: float = 0.0
    step_entered_ms: int = 0
    step_told: bool = False
    slow: bool = False
    done: bool = False
    restart_left_ms: int = 0
    ramp_from_A: float = 0.0
    owed_Ah: float = 0.0
    interruption: Interruption | None = None
    link_rides: int = 0
    steady: tuple[tuple[int, float], ...] = ()
    meets: int = 0
    flowing: bool = False
    end_ms: int | None = None
    hottest_C: float | None = None
    highest_V_per_cell: float | None = None
    counters: Counters = field(default_factory=Counters)


@dataclass(frozen=True, slots=True)
class Timer:
    """A law's memory: since when and in how many readings its comparison has held, and whether it reacts now."""

    code: str
    since_ms: int = 0
    readings: int = 0
    active: bool = False
    reaction: Reaction = Reaction.NONE
    active_since_ms: int = 0


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of one circuit or bath. `active`: its cause stands; `latched`: waits for a reset."""

    code: str
    since_ms: int
    priority: int
    reaction: Reaction
    active: bool = True
    acknowledged: bool = False
    latched: bool = False
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Allowed:
    """The temperature derate: percent allowed now, and since when the cause has been below the value that set it."""

    percent: float = 100.0
    wanted_percent: float = 100.0
    eased_ms: int | None = None


@dataclass(frozen=True, slots=True)
class LinkMemory:
    """The short link loss: when the last fresh reading came, with which uptime of the rectifier."""

    fresh_ms: int | None = None
    uptime_s: float | None = None
    lost: bool = False
    lost_ms: int = 0
    bath_good: bool = True
    uptime_before_s: float | None = None


@dataclass(frozen=True, slots=True)
class Tick:
    """What a person found of one item of the start list (counted from 1); not `ok`: `reason` says what was found."""

    item: int
    ok: bool
    who: str
    at_ms: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class CircuitState:
    """All that one circuit's next decision needs besides its `CircuitIn`.

    `stored` is what `unknown` returns to once zero was read back. `revision` counts changes of state and alarms.
    `asked` are the set-points of the last `settle_ms`, `recent` the readings of current of the last 15 s, both as
    (moment, A), newest last. `hot_C` is the temperature of the last cycle.
    `pending` are accepted orders (id, verb) whose read-back is still to come. `ticks`: the start list, by item.
    """

    name: str
    now_ms: int = 0
    state: State = State.UNKNOWN
    stored: State = State.IDLE
    since_ms: int = 0
    revision: int = 0
    output: Output = Output.OFF
    output_since_ms: int = 0
    confirmed: bool = False
    blocked_by: str = ""
    blocked_ms: int = 0
    load: Load | None = None
    run: Run | None = None
    command: Command = ALL_OFF
    asked: tuple[tuple[int, float], ...] = ()
    recent: tuple[tuple[int, float], ...] = ()
    pending: tuple[tuple[str, str], ...] = ()
    timers: tuple[Timer, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    allowed: Allowed = field(default_factory=Allowed)
    hot_C: float | None = None
    link: LinkMemory = field(default_factory=LinkMemory)
    ticks: tuple[Tick, ...] = ()


@dataclass(frozen=True, slots=True)
class BathState:
    """What the bath remembers: its circuits in the settings' order, the purge, the after-run, its own alarms.

    `air_since_ms`: since when airflow was proved and the hood shut without a break (None: not now).
    `current_ms`: when current last flowed in any circuit (None: never since the service started).
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
