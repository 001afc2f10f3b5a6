"""The bath file's `[interlock.*]` tables: one a law or group of laws, attribute names are keys, each default protects.

The ranges keep a slip of the pen from switching a protection off; what keys must hold together stands in
`controller.bathtogether`, the reason for a default in the law's own file.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, Field

from profiles.profile import STRICT

Percent = Annotated[float, Field(ge=0.1, le=25)]


class ProbeInterlock(BaseModel):
    """Battery temperature: derate from here, hold, trip."""

    model_config = STRICT
    derate_C: Annotated[float, Field(ge=30, le=60)] = 50.0
    hold_C: Annotated[float, Field(ge=32, le=62)] = 55.0
    trip_C: Annotated[float, Field(ge=35, le=65)] = 60.0
    return_K: Annotated[float, Field(ge=0.5, le=10)] = 3.0
    rise_K_per_h: Annotated[float, Field(ge=5, le=120)] = 30.0
    rise_minutes: Annotated[float, Field(ge=4, le=30)] = 10.0
    differ_K: Annotated[float, Field(ge=0.5, le=10)] = 3.0
    frozen_minutes: Annotated[float, Field(ge=20, le=30)] = 30.0


class WaterInterlock(BaseModel):
    """Temperature of the bath's water."""

    model_config = STRICT
    cold_C: Annotated[float, Field(ge=0, le=30)] = 15.0
    warn_C: Annotated[float, Field(ge=20, le=50)] = 40.0
    derate_C: Annotated[float, Field(ge=25, le=55)] = 45.0
    hold_C: Annotated[float, Field(ge=30, le=60)] = 50.0
    return_K: Annotated[float, Field(ge=0.5, le=10)] = 2.0


class VoltageInterlock(BaseModel):
    """Trip so far above the limit written, after so long; where a string stands in its first minutes."""

    model_config = STRICT
    above_mV_per_cell: Annotated[float, Field(ge=10, le=200)] = 50.0
    seconds: Annotated[float, Field(ge=1, le=60)] = 10.0
    warn_mV_per_cell: Annotated[float, Field(ge=5, le=100)] = 20.0
    first_minutes: Annotated[float, Field(ge=1, le=60)] = 10.0
    least_V_per_cell: Annotated[float, Field(ge=1.0, le=2.4)] = 2.0
    most_V_per_cell: Annotated[float, Field(ge=2.2, le=3.0)] = 2.8


class CurrentInterlock(BaseModel):
    """Trip and warning above the current that was asked."""

    model_config = STRICT
    above_percent: Percent = 10.0
    above_A: Annotated[float, Field(ge=0.1, le=10)] = 1.0
    warn_percent: Percent = 2.0
    warn_s: Annotated[float, Field(ge=1, le=300)] = 10.0
    low_percent: Percent = 5.0
    low_s: Annotated[float, Field(ge=5, le=600)] = 30.0
    ripple_percent: Annotated[float, Field(ge=1, le=50)] = 15.0
    ripple_warn_s: Annotated[float, Field(ge=5, le=300)] = 15.0
    ripple_hold_s: Annotated[float, Field(ge=10, le=600)] = 60.0
    counter_percent: Percent = 1.0
    counter_minutes: Annotated[float, Field(ge=1, le=120)] = 10.0


class OpenStringInterlock(BaseModel):
    """No current at the voltage limit."""

    model_config = STRICT
    least_A: Annotated[float, Field(ge=0.05, le=5)] = 0.3
    least_percent: Percent = 1.0
    seconds: Annotated[float, Field(ge=1, le=60)] = 5.0
    dry_s: Annotated[float, Field(ge=10, le=120)] = 60.0


class ProbeLossInterlock(BaseModel):
    """A lost probe: derate at once, hold later, or at once above this water temperature."""

    model_config = STRICT
    derate_C20: Annotated[float, Field(ge=0.01, le=0.15)] = 0.1
    hold_minutes: Annotated[float, Field(ge=0, le=240)] = 60.0
    bath_C: Annotated[float, Field(ge=25, le=50)] = 40.0


class RunawayInterlock(BaseModel):
    """Volts that fall while a battery warms, near the end of the charge."""

    model_config = STRICT
    mV_per_K: Annotated[float, Field(ge=5.5, le=12)] = 6.0
    rise_K: Annotated[float, Field(ge=0.3, le=5)] = 1.0
    hold_minutes: Annotated[float, Field(ge=5, le=120)] = 30.0


class LinkInterlock(BaseModel):
    """Answers that are wrong or late, and links that come and go."""

    model_config = STRICT
    wrong_answers: Annotated[int, Field(ge=1, le=10)] = 3
    late_a_minute: Annotated[int, Field(ge=1, le=60)] = 6
    garbled_a_minute: Annotated[int, Field(ge=1, le=60)] = 3
    rides_an_hour: Annotated[int, Field(ge=1, le=60)] = 5


class FlowInterlock(BaseModel):
    """Cooling water that does not flow although its valve should be open."""

    model_config = STRICT
    least_L_min: Annotated[float, Field(ge=0.1, le=100)] = 1.0
    opens_C: Annotated[float, Field(ge=10, le=45)] = 28.0
    """Where the cooling valve begins to open."""
    above_K: Annotated[float, Field(ge=0.5, le=5)] = 2.0
    warn_s: Annotated[float, Field(ge=5, le=600)] = 60.0
    hold_minutes: Annotated[float, Field(ge=1, le=120)] = 60.0
    rise_K_per_h: Annotated[float, Field(ge=1, le=12)] = 6.0


class LevelInterlock(BaseModel):
    """The bath's water level."""

    model_config = STRICT
    plates_mm: Annotated[float, Field(ge=0, le=1000)] | None = None
    """Height of the plates' upper edge above the bath's floor; for baths that measure their level in mm."""
    fall_mm_per_minute: Annotated[float, Field(ge=1, le=100)] = 10.0
    leak_mm_per_h: Annotated[float, Field(ge=2, le=200)] = 20.0
    seconds: Annotated[float, Field(ge=1, le=60)] = 10.0


class HydrogenInterlock(BaseModel):
    """Hydrogen, in per cent of its lower explosive limit."""

    model_config = STRICT
    warn_percent_LEL: Annotated[float, Field(ge=1, le=25)] = 10.0
    trip_percent_LEL: Annotated[float, Field(ge=2, le=50)] = 25.0
    return_percent_LEL: Annotated[float, Field(ge=0.5, le=5)] = 2.0
    dead_s: Annotated[float, Field(ge=5, le=600)] = 60.0
    frozen_minutes: Annotated[float, Field(ge=10, le=1440)] = 240.0


class EarthInterlock(BaseModel):
    """Leakage of a string to earth; the value that trips is the plant electrician's."""

    model_config = STRICT
    warn_ohm_per_V: Annotated[float, Field(ge=1, le=10000)] = 100.0
    trip_ohm_per_V: Annotated[float, Field(gt=0, le=10000)] | None = None
    baseline_share: Annotated[float, Field(ge=0.1, le=0.9)] = 0.5
    minutes: Annotated[float, Field(ge=1, le=60)] = 10.0


class AlarmInterlock(BaseModel):
    """Alarms in time."""

    model_config = STRICT
    quiet_s: Annotated[float, Field(ge=0, le=300)] = 10.0
    """How long an input of the bath must be calm before its alarm ends."""
    escalate_1_minutes: Annotated[float, Field(ge=1, le=30)] = 5.0
    escalate_2_minutes: Annotated[float, Field(ge=1, le=120)] = 15.0
    group_s: Annotated[float, Field(ge=0, le=60)] = 10.0
    chatter_returns: Annotated[int, Field(ge=2, le=20)] = 3
    flood_begins: Annotated[int, Field(ge=2, le=100)] = 10
    flood_ends: Annotated[int, Field(ge=1, le=99)] = 5
    harm_minutes: Annotated[float, Field(ge=5, le=120)] = 30.0
    """A hold of so long in the first third of a run begins to harm; told again each time."""


class RecordInterlock(BaseModel):
    """The record's disk, by how long rows wait for it and for how many hours of every circuit it has room."""

    model_config = STRICT
    slow_s: Annotated[float, Field(ge=2, le=60)] = 3.0
    space_warn_h: Annotated[float, Field(ge=24, le=8760)] = 168.0
    space_refuse_h: Annotated[float, Field(ge=1, le=720)] = 24.0


class Interlocks(BaseModel):
    """One table a law."""

    model_config = STRICT
    probe: ProbeInterlock = ProbeInterlock()
    water: WaterInterlock = WaterInterlock()
    voltage: VoltageInterlock = VoltageInterlock()
    current: CurrentInterlock = CurrentInterlock()
    open_string: OpenStringInterlock = OpenStringInterlock()
    probe_loss: ProbeLossInterlock = ProbeLossInterlock()
    runaway: RunawayInterlock = RunawayInterlock()
    link: LinkInterlock = LinkInterlock()
    flow: FlowInterlock = FlowInterlock()
    level: LevelInterlock = LevelInterlock()
    hydrogen: HydrogenInterlock = HydrogenInterlock()
    earth: EarthInterlock = EarthInterlock()
    alarm: AlarmInterlock = AlarmInterlock()
    record: RecordInterlock = RecordInterlock()
