"""What the core remembers between two cycles: one frozen record a circuit, one a bath."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.core.planned import Load
from controller.core.types import ALL_OFF, Command, Output, Reaction, State


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
class Tick:
    """What a person found of one item of a list (counted from 1); not `ok`: `reason` says what was found."""

    item: int
    ok: bool
    who: str
    at_ms: int
    reason: str = ""


@dataclass(frozen=True)
class Run:
    """An open or ended run: where it stands in its plan and what it counted.

    `step` indexes `Plan.steps`; `step_time_ms` counts flowing or resting time, never gaps or holds; `fair_ms` is the
    same with a derated second counted by its allowed share (for the step's longest time). `steady` holds
    (moment of step time, corrected V per cell) samples. `restart_left_ms` is what is left of the restart current,
    `meets` in how many readings on end an end by a measured value was met, `flowing` whether current was seen since
    the last start, resume or change of step.

    `first_ms`: when its first current was read. `late`: started past its soak, so that the first charge is slow.
    `extended_ms`: what a person added to the step's longest time. `before_A`: current of the charge step before.
    `device_Ah`, `ours_Ah`: the rectifier's counter and ours where their comparison began (None: not begun).
    `rides_ms`: when the short link loss's rule brought current back. `credited_Ah`: charge of the run it continues.
    `walk`: the meter walk's list; `read`: readings by hand done, as (index into the plan's, position).
    `watered`: batteries that water was added to, as (position, ms of charging until it is mixed).
    """

    start_ms: int
    started_by: str
    step: int = 0
    step_time_ms: int = 0
    fair_ms: float = 0.0
    step_charge_Ah: float = 0.0
    step_discharge_Ah: float = 0.0
    step_entered_ms: int = 0
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
    first_ms: int | None = None
    late: bool = False
    extended_ms: int = 0
    before_A: float = 0.0
    device_Ah: float | None = None
    ours_Ah: float = 0.0
    rides_ms: tuple[int, ...] = ()
    credited_Ah: float = 0.0
    walk: tuple[Tick, ...] = ()
    read: tuple[tuple[int, int], ...] = ()
    watered: tuple[tuple[int, int], ...] = ()
    hottest_C: float | None = None
    highest_V_per_cell: float | None = None
    counters: Counters = field(default_factory=Counters)


@dataclass(frozen=True, slots=True)
class Timer:
    """A law's memory: since when and in how many readings its comparison has held, and whether it reacts now.

    `quiet_ms`: since when an active one's cause has been gone, while it waits out its quiet time (None: it stands).
    """

    code: str
    since_ms: int = 0
    readings: int = 0
    active: bool = False
    reaction: Reaction = Reaction.NONE
    active_since_ms: int = 0
    quiet_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of one circuit or bath. `active`: its cause stands; `latched`: waits for a reset.

    `first`: code of the alarm under which it stands as a later one of its group ("": it is the first itself).
    `shelved_until_ms`: silent on screens until then (None: not shelved). `suppressed`: by design, as another alarm
    explains it. `returns_ms`: when it returned lately; `chattering`: it comes and goes, and is told only once.
    `times`: how often it has returned since it came. `escalated`: nobody acknowledged it in its time. `told_ms`: when
    it was last new to a person. `out_of_use`: its circuit is, and it is silent.
    """

    code: str
    since_ms: int
    priority: int
    reaction: Reaction
    active: bool = True
    acknowledged: bool = False
    latched: bool = False
    value: float | None = None
    limit: float | None = None
    first: str = ""
    shelved_until_ms: int | None = None
    shelved_by: str = ""
    shelved_why: str = ""
    suppressed: bool = False
    returns_ms: tuple[int, ...] = ()
    chattering: bool = False
    times: int = 0
    escalated: bool = False
    told_ms: int = 0
    out_of_use: bool = False


@dataclass(frozen=True, slots=True)
class Allowed:
    """The temperature derate: percent allowed now, and since when the cause has been below the value that set it."""

    percent: float = 100.0
    wanted_percent: float = 100.0
    eased_ms: int | None = None


@dataclass(frozen=True)
class LinkMemory:
    """The short link loss: when the last fresh reading came, with which uptime of the rectifier.

    `wrong`: wrong answers on end; `late_ms`, `garbled_ms`: when cycles of the last minute were late or garbled.
    """

    fresh_ms: int | None = None
    uptime_s: float | None = None
    lost: bool = False
    lost_ms: int = 0
    bath_good: bool = True
    uptime_before_s: float | None = None
    wrong: int = 0
    late_ms: tuple[int, ...] = ()
    garbled_ms: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ProbeMemory:
    """One temperature sensor: the value its laws use, the last valid readings, and since when it has not moved.

    `lately`: up to three valid readings, newest last; `still_ms`: since when they are identical to the bit (None: no
    valid reading yet); `frozen`: it should have moved and did not.
    """

    believed_C: float | None = None
    lately: tuple[float, ...] = ()
    still_ms: int | None = None
    frozen: bool = False


@dataclass(frozen=True, slots=True)
class TrailPoint:
    """What a circuit was like at one moment of the last half hour; None: not known."""

    at_ms: int
    current_A: float | None
    volts_per_cell: float | None
    hot_C: float | None
    water_C: float | None


@dataclass(frozen=True)
class CircuitState:
    """All that one circuit's next decision needs besides its `CircuitIn`.

    `stored` is what `unknown` returns to once zero was read back. `revision` counts changes of state and alarms.
    `asked` are the set-points of the last `settle_ms`, `recent` the readings of current of the last 15 s, both as
    (moment, A), newest last. `hot_C` is the temperature of the last cycle.
    `pending` are accepted orders (id, verb) whose read-back is still to come. `ticks`: the start list, by item.
    `probes` remembers each sensor; `trail` samples the last half hour every two minutes; `written` the set-points of
    the last watchdog time as (moment, A), `written_V` the voltage limits. `openings`: contactor openings under load
    since its last inspection. `out_of_use`: why ("": in use); `leads_off`: the block said that no string is connected.
    `resume_for`: a cause after which the first resume is for maintenance. `share_A`: what power sharing left lately;
    `moved_K`: how far the temperature moved over the trail (None: too short to tell).
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
    probes: tuple[ProbeMemory, ...] = ()
    trail: tuple[TrailPoint, ...] = ()
    written: tuple[tuple[int, float], ...] = ()
    openings: int = 0
    out_of_use: str = ""
    leads_off: bool = False
    resume_for: str = ""
    share_A: float | None = None
    moved_K: float | None = None
    written_V: tuple[tuple[int, float], ...] = ()
