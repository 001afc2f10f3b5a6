"""Settings of the laws, one record a table of the bath file; each default protects.

The reason for a default stands in the docstring of the law that uses it.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class ProbeLimits:
    """Battery temperature: derate falls linearly from 100 % at `derate_C` to 20 % at `hold_C`.

    Warns: a rise above `rise_K_per_h` over `rise_minutes`; two sensors that differ by more than `differ_K`; one that
    stays the same to the bit for `frozen_minutes` while its neighbours move.
    """

    derate_C: float = 50.0
    hold_C: float = 55.0
    trip_C: float = 60.0
    return_K: float = 3.0
    rise_K_per_h: float = 30.0
    rise_minutes: float = 10.0
    differ_K: float = 3.0
    frozen_minutes: float = 30.0


@dataclass(frozen=True, slots=True)
class WaterLimits:
    """Bath water temperature."""

    cold_C: float = 15.0
    warn_C: float = 40.0
    derate_C: float = 45.0
    hold_C: float = 50.0
    return_K: float = 2.0


@dataclass(frozen=True, slots=True)
class VoltageLimits:
    """Trip this far above the limit written, after so many seconds; at once at the profile's own trip level.

    `least_V_per_cell`, `most_V_per_cell`: where a string of the right number stands in its first `first_minutes`.
    """

    above_mV_per_cell: float = 50.0
    seconds: float = 10.0
    warn_mV_per_cell: float = 20.0
    first_minutes: float = 10.0
    least_V_per_cell: float = 2.0
    most_V_per_cell: float = 2.8


@dataclass(frozen=True, slots=True)
class CurrentLimits:
    """Trip above the larger of `above_percent` of the set-point and `above_A` more; warn past `warn_percent`.

    Warns: current `low_percent` below the set-point for `low_s`; ripple or hunting above `ripple_percent` (hold after
    `ripple_hold_s`); the rectifier's Ah counter and ours apart by `counter_percent` for `counter_minutes`.
    """

    above_percent: float = 10.0
    above_A: float = 1.0
    warn_percent: float = 2.0
    warn_s: float = 10.0
    low_percent: float = 5.0
    low_s: float = 30.0
    ripple_percent: float = 15.0
    ripple_warn_s: float = 15.0
    ripple_hold_s: float = 60.0
    counter_percent: float = 1.0
    counter_minutes: float = 10.0


@dataclass(frozen=True, slots=True)
class OpenStringLimits:
    """No current at the voltage limit: below the larger of `least_A` and `least_percent` of the set-point.

    `dry_s`: hardly any current at the limit for so long right after the start is a battery that was not filled.
    """

    least_A: float = 0.3
    least_percent: float = 1.0
    seconds: float = 5.0
    dry_s: float = 60.0


@dataclass(frozen=True, slots=True)
class ProbeLossLimits:
    """A lost probe: derate to `derate_C20`, hold after `hold_minutes`, at once above `bath_C`."""

    derate_C20: float = 0.1
    hold_minutes: float = 60.0
    bath_C: float = 40.0


@dataclass(frozen=True, slots=True)
class RunawayLimits:
    """Volts that fall by more than `mV_per_K` a cell and kelvin while a battery warms by `rise_K` near the end."""

    mV_per_K: float = 6.0
    rise_K: float = 1.0
    hold_minutes: float = 30.0


@dataclass(frozen=True, slots=True)
class LinkLimits:
    """Wrong answers on end that hold; late or garbled cycles a minute that warn; ride-throughs an hour that warn."""

    wrong_answers: int = 3
    late_a_minute: int = 6
    garbled_a_minute: int = 3
    rides_an_hour: int = 5


@dataclass(frozen=True, slots=True)
class FlowLimits:
    """Cooling water: below `least_L_min` while the water stands `above_K` over the valve's opening at `opens_C`."""

    least_L_min: float = 1.0
    opens_C: float = 28.0
    above_K: float = 2.0
    warn_s: float = 60.0
    hold_minutes: float = 60.0
    rise_K_per_h: float = 6.0


@dataclass(frozen=True, slots=True)
class LevelLimits:
    """Water level: hold below `plates_mm` (None: not measured in mm) or falling faster than `fall_mm_per_minute`."""

    plates_mm: float | None = None
    fall_mm_per_minute: float = 10.0
    leak_mm_per_h: float = 20.0
    seconds: float = 10.0


@dataclass(frozen=True, slots=True)
class HydrogenLimits:
    """Hydrogen in per cent of its lower explosive limit; a sensor that cannot be told for `dead_s` is dead."""

    warn_percent_LEL: float = 10.0
    trip_percent_LEL: float = 25.0
    return_percent_LEL: float = 2.0
    dead_s: float = 60.0
    frozen_minutes: float = 240.0


@dataclass(frozen=True, slots=True)
class EarthLimits:
    """Leakage to earth, in ohm per volt of the string: warn below, trip below (None: not set by the plant)."""

    warn_ohm_per_V: float = 100.0
    trip_ohm_per_V: float | None = None
    baseline_share: float = 0.5
    minutes: float = 10.0


@dataclass(frozen=True, slots=True)
class AlarmLimits:
    """Alarms in time: quiet time of the bath's inputs, escalation, groups, chatter, flood, holds that harm."""

    quiet_s: float = 10.0
    escalate_1_minutes: float = 5.0
    escalate_2_minutes: float = 15.0
    group_s: float = 10.0
    chatter_returns: int = 3
    flood_begins: int = 10
    flood_ends: int = 5
    harm_minutes: float = 30.0


@dataclass(frozen=True, slots=True)
class RecordLimits:
    """The record's disk: slow from `slow_s` on; room for so many hours of every circuit warns, or refuses a start."""

    slow_s: float = 3.0
    space_warn_h: float = 168.0
    space_refuse_h: float = 24.0


@dataclass(frozen=True, slots=True)
class LawSettings:
    """One entry a law."""

    probe: ProbeLimits = field(default_factory=ProbeLimits)
    water: WaterLimits = field(default_factory=WaterLimits)
    voltage: VoltageLimits = field(default_factory=VoltageLimits)
    current: CurrentLimits = field(default_factory=CurrentLimits)
    open_string: OpenStringLimits = field(default_factory=OpenStringLimits)
    probe_loss: ProbeLossLimits = field(default_factory=ProbeLossLimits)
    runaway: RunawayLimits = field(default_factory=RunawayLimits)
    link: LinkLimits = field(default_factory=LinkLimits)
    flow: FlowLimits = field(default_factory=FlowLimits)
    level: LevelLimits = field(default_factory=LevelLimits)
    hydrogen: HydrogenLimits = field(default_factory=HydrogenLimits)
    earth: EarthLimits = field(default_factory=EarthLimits)
    alarm: AlarmLimits = field(default_factory=AlarmLimits)
    record: RecordLimits = field(default_factory=RecordLimits)
