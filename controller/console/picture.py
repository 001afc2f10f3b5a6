"""What a service shows of itself, as the console understands it: one bath in one moment. Parsed as data, never trusted.

Unknown keys are left out, texts are cleaned, a message of another form is refused as a whole (`BadPicture`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Annotated, Any, Literal, NamedTuple, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from controller.console.replayview import ReplayView
from controller.service.protocol import clean

T = TypeVar("T")


class BadPicture(ValueError):
    """A message that is no snapshot this console understands."""


def _short(text: str) -> str:
    return clean(text, 200)


def _sentence(text: str) -> str:
    return clean(text, 300)


Text = Annotated[str, AfterValidator(_short)]
Sentence = Annotated[str, AfterValidator(_sentence)]
"""A refusal; long enough for one with all its cautions."""

_READ = ConfigDict(frozen=True, extra="ignore")


class Reading(NamedTuple):
    """One read quantity: a number or none, its quality, its age."""

    number: float | None
    quality: Text
    age_ms: int


class AlarmView(BaseModel):
    """One alarm. `since_ms` in core time; `value` and `limit` in the catalogue's unit.

    What is not said is what a new alarm has: active, seen by nobody, not latched. `first`: code of the earlier alarm
    under which it stands; `came_and_went`: so often lately, told as one alarm (0: it does not chatter); `escalated`:
    nobody acknowledged it in its time.
    """

    model_config = _READ
    target: Text
    code: Text
    since_ms: int
    priority: int
    active: bool = True
    acknowledged: bool = False
    latched: bool = False
    value: float | None = None
    limit: float | None = None
    first: Text = ""
    shelved_until_ms: int | None = None
    shelved_by: Text = ""
    shelved_why: Text = ""
    suppressed: bool = False
    out_of_use: bool = False
    came_and_went: int = 0
    escalated: bool = False

    @property
    def quiet(self) -> bool:
        """Whether it is silenced: shelved, explained by another, or of a circuit out of use."""
        return self.suppressed or self.out_of_use or self.shelved_until_ms is not None


class StepView(BaseModel):
    """One step of a plan; `current_A` a positive amount, `time_ms` and `charge_Ah` its ends where it has them."""

    model_config = _READ
    number: int
    name: Text
    kind: Literal["rest", "charge", "discharge"]
    current_A: float
    voltage_V_per_cell: float
    time_ms: int | None = None
    charge_Ah: float | None = None
    order: bool = False
    task: Text = ""
    restart_A: float = 0.0
    restart_ms: int = 0
    resume_within_ms: int = 0
    course_ms: int | None = None
    """How long it takes in the expected course."""


class PlanView(BaseModel):
    """A profile made ready; `soak_*` in ms, `charge_cap_Ah` where a law holds."""

    model_config = _READ
    name: Text
    revision: int
    planned_Ah: float
    charge_cap_Ah: float | None = None
    voltage_trip_V_per_cell: float | None = None
    steps: tuple[StepView, ...]

    @cached_property
    def worked_out(self) -> dict[object, Any]:
        """What has been worked out of this plan; forty circuits share it."""
        return {}

    def once(self, name: object, work: Callable[[PlanView], T]) -> T:
        """What `work` makes of this plan, done only the first time."""
        known = self.worked_out
        if name not in known:
            known[name] = work(self)
        found: T = known[name]
        return found


class LoadView(BaseModel):
    """What stands in the circuit. `plan`: key of `Picture.plans`. `start_from_ms`, `start_by_ms`: the soak's limits."""

    model_config = _READ
    plan: str
    batch: Text
    text: Text = ""
    batteries: int
    fresh: bool = True
    trial: bool = False
    """An engineer's run, perhaps of a profile that nobody released."""
    first_filled_ms: int = 0
    last_filled_ms: int = 0
    start_from_ms: int | None = None
    start_by_ms: int | None = None


class RunView(BaseModel):
    """An open or ended run. `step`: number of the step (from 1). `would_owe_Ah`: what a resume now would add."""

    model_config = _READ
    start_ms: int
    started_by: Text = ""
    end_ms: int | None = None
    step: int
    step_time_ms: int
    step_Ah: float
    step_end_Ah: float | None = None
    charge_Ah: float
    discharge_Ah: float = 0.0
    energy_Wh: float = 0.0
    owed_Ah: float = 0.0
    would_owe_Ah: float = 0.0
    restart_left_ms: int = 0
    slow: bool = False
    held_since_ms: int | None = None
    held_by: Text | None = None
    hottest_C: float | None = None
    highest_V_per_cell: float | None = None


class TickView(BaseModel):
    """One item of the start list as a person left it. `item` counts from 1; not `ok`: refused, with its reason."""

    model_config = _READ
    item: int
    ok: bool
    who: Text
    at_ms: int
    reason: Text = ""


class CheckView(NamedTuple):
    """One precondition of the core for an order; `refusal` is its sentence, empty where it holds."""

    check: Text
    refusal: Sentence


class BesideView(BaseModel):
    """A run beside its expected course and its sisters, once a minute. Ranges are (low, middle, high) by quantity.

    `percent`, `should_percent`: of the course's time, where it stands and where the clock is; `should_Ah` likewise;
    `late_minutes`: negative before it; `sisters`: circuits compared; `marks`: 1 above, -1 below course or sisters.
    """

    model_config = _READ
    percent: float | None = None
    should_percent: float | None = None
    should_Ah: float | None = None
    late_minutes: float | None = None
    course: dict[str, tuple[float, float, float]] = Field(default_factory=dict)
    sisters: int = 0
    sister: dict[str, tuple[float, float, float]] = Field(default_factory=dict)
    marks: dict[str, int] = Field(default_factory=dict)


class CircuitView(BaseModel):
    """One circuit. `folder`: name of its open or last run folder below the service's `runs`.

    `allowed_percent` is the smallest derate that stands, `allowed_code` its law (`power`: its share of the bath's
    power). `start_checks`: of an idle loaded circuit, every precondition of a start; `may`: for `start`, `resume`,
    `reset`, `unload` the first refusal now, empty where the core would accept (only verbs that fit the state).
    """

    model_config = _READ
    name: Text
    state: Text
    since_ms: int
    confirmed: bool
    revision: int
    blocked_by: Text | None = None
    blocked_ms: int | None = None
    output: Text
    link: Text
    places: int
    set_current_A: float
    voltage_limit_V: float
    current_max_A: float
    allowed_percent: float = 100.0
    allowed_code: Text | None = None
    current_A: Reading
    voltage_V: Reading
    read_set_A: Reading | None = None
    output_on: Reading | None = None
    probes_C: tuple[Reading, ...] = ()
    counter_Ah: Reading | None = None
    cells: int | None = None
    load: LoadView | None = None
    run: RunView | None = None
    folder: Text | None = None
    alarms: tuple[AlarmView, ...] = ()
    beside: BesideView | None = None
    ticks: tuple[TickView, ...] = ()
    start_checks: tuple[CheckView, ...] = ()
    may: dict[str, Sentence] = Field(default_factory=dict)


class InputsView(BaseModel):
    """The bath's own inputs; None: it has no such input. `airflow`, `hood_closed` are 0 or 1; `level` -1, 0, 1."""

    model_config = _READ
    water_C: tuple[Reading, ...] = ()
    airflow: Reading | None = None
    hood_closed: Reading | None = None
    emergency_stop_ok: Reading | None = None
    flow_L_min: Reading | None = None
    level: Reading | None = None
    hydrogen_percent_LEL: Reading | None = None
    link: Text = "up"


class LimitsView(BaseModel):
    """Levels of the bath's laws that the screens name."""

    model_config = _READ
    probe_derate_C: float
    probe_hold_C: float
    probe_trip_C: float
    fresh_V: float
    fresh_scatter_V: float
    after_run_ms: int
    after_run_probe_C: float


class PaceView(BaseModel):
    """How fast a stepped plant's time goes: seconds of plant time a second; only a virtual bath has it."""

    model_config = _READ
    ratio: float
    paused: bool


class PromptView(BaseModel):
    """A dialogue that somebody has open, seen by the others."""

    model_config = _READ
    who: Text
    verb: Text
    target: Text
    console: Text
    age_s: float


class AwayView(BaseModel):
    """What one circuit's record left open over a restart. `unsure_Ah` None: cannot be said; `zero_utc`: zero read back.

    `answered`: resumed by a person, or ended, since.
    """

    model_config = _READ
    unsure_Ah: float | None = None
    zero_utc: Text | None = None
    answered: bool = False


class RecoveryView(BaseModel):
    """The service was away with runs open; there until each of them was resumed or ended. `away_s` None: not known."""

    model_config = _READ
    from_utc: Text | None
    to_utc: Text
    away_s: float | None
    circuits: dict[str, AwayView]


class Picture(BaseModel):
    """One bath in one moment: snapshot format 2."""

    model_config = _READ
    format: Literal["formbath/snapshot/2"]
    time_utc: Text
    now_ms: int
    hall: Text
    bath: Text
    virtual: bool
    period_s: float
    stale_after_s: float
    record_trouble: Text | None = None
    purge_left_s: float | None = None
    purge_s: float = 0.0
    air_s: float | None = None
    """How long airflow has been proved without a break."""
    inputs: InputsView
    limits: LimitsView
    alarms: tuple[AlarmView, ...] = ()
    flood: bool = False
    """More alarms come than a person can take in."""
    start_items: tuple[Text, ...] = ()
    unreleased: bool = False
    """A real bath that takes profiles which nobody released."""
    tick_stale_s: float = 1800.0
    plans: dict[str, PlanView] = Field(default_factory=dict)
    circuits: tuple[CircuitView, ...]
    pace: PaceView | None = None
    prompts: tuple[PromptView, ...] = ()
    recovery: RecoveryView | None = None
    replay: ReplayView | None = None
    left_out: tuple[Text, ...] = ()
    """Parts that would not fit on the line; see `controller.service.fitting`."""

    def circuit(self, name: str) -> CircuitView | None:
        """The circuit of that name."""
        return next((each for each in self.circuits if each.name == name), None)

    @cached_property
    def worked_out(self) -> dict[object, Any]:
        """What has been worked out of this picture; every drawing of it asks for the same."""
        return {}

    def plan_of(self, circuit: CircuitView) -> PlanView | None:
        """The plan that a circuit's load names."""
        return self.plans.get(circuit.load.plan) if circuit.load is not None else None

    @property
    def utc(self) -> datetime:
        """The service's time of this cycle."""
        try:
            found = datetime.fromisoformat(self.time_utc)
        except ValueError:
            return datetime.fromtimestamp(0, UTC)
        # Far from both ends of the calendar, so that a time zone or an age can be added to it.
        bounded = found.replace(year=min(9000, max(1000, found.year))) if not 1000 <= found.year <= 9000 else found
        return bounded if bounded.tzinfo is not None else bounded.replace(tzinfo=UTC)

    def moment(self, core_ms: int) -> datetime:
        """The UTC time of a moment of core time."""
        return self.utc + timedelta(milliseconds=max(-(10**13), min(10**13, core_ms - self.now_ms)))

    def fresh(self, reading: Reading | None) -> float | None:
        """The number of a reading that is good and not stale, else None."""
        if reading is None or reading.quality not in {"good", "suspect"} or reading.age_ms > self.stale_after_s * 1000:
            return None
        return reading.number


def read_picture(message: Mapping[str, Any]) -> Picture:
    """Return the picture in a snapshot message. Raises `BadPicture`."""
    try:
        return Picture.model_validate(message)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        raise BadPicture(clean(f"{'.'.join(map(str, first['loc']))}: {first['msg']}", 200)) from None
