"""The profile: what a string must receive, step by step. Attribute names are the keys of the file.

Ranges are engineering limits of flooded lead-acid formation, wide enough for any bath we know of (common practice, no
published source). What keys must hold together stands in `profiles.together`, what is only unwise in
`profiles.warnings`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from profiles.loader import Document, load_model, read_document
from profiles.plainwords import Words, check_together
from profiles.together import profile_findings

STRICT = ConfigDict(
    strict=True,
    extra="forbid",
    frozen=True,
    allow_inf_nan=False,
    use_attribute_docstrings=True,
    hide_input_in_errors=True,
)

Text = Annotated[
    str,
    Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$"),
    Words('1 to 60 characters in "quotes", on one line'),
]
Current_A = Annotated[float, Field(gt=0, le=1200)]
Current_C20 = Annotated[float, Field(gt=0, le=0.40)]
Charge_Ah = Annotated[float, Field(gt=0, le=30_000)]
Charge_C20 = Annotated[float, Field(gt=0, le=10)]
Cell_V = Annotated[float, Field(ge=1.0, le=3.0)]
Water_C = Annotated[float, Field(ge=0, le=50)]
Hours = Annotated[float, Field(gt=0, le=200)]
Minutes = Annotated[float, Field(ge=0, le=1440)]
Restart_C20 = Annotated[float, Field(ge=0.005, le=0.20)]
Owed_percent = Annotated[float, Field(ge=0, le=5)]
Restart_minutes = Annotated[float, Field(ge=0, le=240)]


class Battery(BaseModel):
    """The battery that the profile is for."""

    model_config = STRICT
    cells: Annotated[int, Field(ge=1, le=120)]
    """Cells in series in one battery."""
    capacity_C20_Ah: Annotated[float, Field(ge=1, le=3000)]
    """Rated capacity at the 20 h rate."""
    level_mm: Annotated[float, Field(ge=10, le=1000)] | None = None
    """Height of the acid's mark above the battery's floor; the bath's water must suit it."""
    type: Text | None = None
    """Type as load lists name it; a list that names another is refused."""


class Soak(BaseModel):
    """Rest between filling and first current: at least from the last battery filled, at most from the first."""

    model_config = STRICT
    minutes_min: Minutes
    minutes_max: Minutes
    late_start: Literal["engineer", "slow"] = "engineer"
    """Past the longest soak: only an engineer may start, or the first step is lengthened."""
    start_below_C: Annotated[float, Field(ge=20, le=55)] = 45.0
    """No first current while the acid is hotter."""


class BathRange(BaseModel):
    """The bath for which the profile was studied."""

    model_config = STRICT
    water_C: Annotated[tuple[Water_C, Water_C], Field(strict=False)]
    """Coldest and hottest water."""


class Limits(BaseModel):
    """Trips of this profile; the bath's own stay in force beside them."""

    model_config = STRICT
    voltage_V_per_cell: Annotated[float, Field(ge=2.0, le=3.0)] | None = None
    probe_C: Annotated[float, Field(ge=35, le=65)] | None = None
    charge_cap_percent: Annotated[float, Field(ge=100, le=150)] = 105.0
    """Of the planned charge; no step goes past it."""


class Interruption(BaseModel):
    """What a run does after current was interrupted; a step may say otherwise."""

    model_config = STRICT
    resume_within_minutes: Minutes = 120.0
    add_charge_percent_per_hour: Owed_percent = 0.5
    """Of the planned charge, added to the last step that ends by charge."""
    restart_current_C20: Restart_C20 = 0.05
    restart_minutes: Restart_minutes = 10.0


class Steady(BaseModel):
    """The end by voltage, corrected to 40 C a cell, that no longer rises."""

    model_config = STRICT
    rise_mV_per_cell: Annotated[float, Field(gt=0, le=50)]
    over_minutes: Annotated[float, Field(ge=5, le=600)]
    not_before_charge_C20: Charge_C20
    """Charge of this step before which it cannot end: a plateau is steady too."""


class End(BaseModel):
    """What ends a step; the first met. `order`: a person says done (hours beside it are then its longest time)."""

    model_config = STRICT
    hours: Hours | None = None
    charge_Ah: Charge_Ah | None = None
    charge_C20: Charge_C20 | None = None
    voltage_V_per_cell: Cell_V | None = None
    current_A: Current_A | None = None
    """Fallen to."""
    current_C20: Current_C20 | None = None
    """Fallen to."""
    temperature_C: Annotated[float, Field(ge=5, le=60)] | None = None
    """Cooled to."""
    steady: Steady | None = None
    order: bool = False


class Step(BaseModel):
    """One step. Currents are positive amounts, `kind` gives the direction; a repeat holds steps, not repeats."""

    model_config = STRICT
    name: Text
    kind: Literal["charge", "discharge", "rest", "repeat"]
    current_A: Current_A | None = None
    current_C20: Current_C20 | None = None
    voltage_limit_V_per_cell: Cell_V | None = None
    voltage_floor_V_per_cell: Cell_V | None = None
    ramp_minutes: Annotated[float, Field(ge=0, le=240)] = 0.0
    end: End | None = None
    longest_hours: Annotated[float, Field(gt=0, le=400)] | None = None
    """Default: one and a half times the charge by the current."""
    on_overrun: Literal["hold", "next", "slow"] | None = None
    """Default: slow in the first third of the planned charge, else hold; a task always holds."""
    task: Text | None = None
    """Work that people do in this rest."""
    refill_density: Annotated[float, Field(ge=1.0, le=1.40)] | None = None
    """Of the acid filled in by the task, in kg/L at 20 C."""
    times: Annotated[int, Field(ge=1, le=200)] | None = None
    step: Annotated[tuple[Step, ...], Field(strict=False)] = ()
    resume_within_minutes: Minutes | None = None
    add_charge_percent_per_hour: Owed_percent | None = None
    restart_current_C20: Restart_C20 | None = None
    restart_minutes: Restart_minutes | None = None


class Reading(BaseModel):
    """A reading by hand that falls due after each step of that name, of batteries counted from the plus end lead."""

    model_config = STRICT
    after_step: Text
    what: Literal["density", "voltage", "temperature", "level", "joint_mV"]
    batteries: Annotated[tuple[Annotated[int, Field(ge=1, le=100)], ...], Field(strict=False)]


class Profile(BaseModel):
    """A whole profile file."""

    model_config = STRICT
    kind: Literal["profile"]
    name: Text
    revision: Annotated[int, Field(ge=1, le=1_000_000)]
    battery: Battery
    soak: Soak | None = None
    """None: a bench profile on a resistor needs no soak."""
    bath: BathRange | None = None
    limits: Limits = Limits()
    interruption: Interruption = Interruption()
    step: Annotated[tuple[Step, ...], Field(strict=False)]
    reading: Annotated[tuple[Reading, ...], Field(strict=False)] = ()

    @model_validator(mode="wrap")
    @classmethod
    def _together(cls, data: Any, handler: Callable[[Any], Any]) -> Any:
        return check_together(data, handler, profile_findings)


def load_profile(path: Path | str) -> tuple[Profile, Document]:
    """Read and check one profile file; raises InputError."""
    document = read_document(path)
    return load_model(document, Profile), document
