"""Settings of the decisions, as plain frozen data; each default protects.

The bath file fills them in (`controller.bathfile`); the reason for a law's default stands in that law's file.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class ProbeLimits:
    """Battery temperature: derate falls linearly from 100 % at `derate_C` to 20 % at `hold_C`."""

    derate_C: float = 50.0
    hold_C: float = 55.0
    trip_C: float = 60.0
    return_K: float = 3.0


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
    """Trip this far above the limit written, after so many seconds; at once at the profile's own trip level."""

    above_mV_per_cell: float = 50.0
    seconds: float = 10.0


@dataclass(frozen=True, slots=True)
class CurrentLimits:
    """Trip above the larger of `above_percent` of the set-point and `above_A` more; warn past `warn_percent`."""

    above_percent: float = 10.0
    above_A: float = 1.0
    warn_percent: float = 2.0
    warn_s: float = 10.0


@dataclass(frozen=True, slots=True)
class OpenStringLimits:
    """No current at the voltage limit: below the larger of `least_A` and `least_percent` of the set-point."""

    least_A: float = 0.3
    least_percent: float = 1.0
    seconds: float = 5.0


@dataclass(frozen=True, slots=True)
class ProbeLossLimits:
    """A lost probe: derate to `derate_C20`, hold after `hold_minutes`, at once above `bath_C`."""

    derate_C20: float = 0.1
    hold_minutes: float = 60.0
    bath_C: float = 40.0


@dataclass(frozen=True, slots=True)
class LawSettings:
    """One entry a law."""

    probe: ProbeLimits = field(default_factory=ProbeLimits)
    water: WaterLimits = field(default_factory=WaterLimits)
    voltage: VoltageLimits = field(default_factory=VoltageLimits)
    current: CurrentLimits = field(default_factory=CurrentLimits)
    open_string: OpenStringLimits = field(default_factory=OpenStringLimits)
    probe_loss: ProbeLossLimits = field(default_factory=ProbeLossLimits)


@dataclass(frozen=True, slots=True)
class CircuitSettings:
    """What the bath file and the register map say of one circuit.

    `probes`: how many the map serves; `can_discharge`: the channel takes a negative set-point;
    `has_uptime`: without an uptime signal a short link loss never resumes by rule.
    """

    name: str
    places: int
    current_min_A: float
    current_max_A: float
    voltage_max_V: float
    priority: int = 1
    probes: int = 1
    can_discharge: bool = False
    has_uptime: bool = True
    has_contactor: bool = False


@dataclass(frozen=True, slots=True)
class BathSettings:
    """What the whole bath shares.

    `start_items`: what people confirm before a start, item 1 first; a tick older than `tick_stale_ms` counts no more.
    """

    hall: str
    name: str
    virtual: bool
    period_ms: int
    stale_ms: int
    watchdog_ms: int
    circuits: tuple[CircuitSettings, ...]
    laws: LawSettings = field(default_factory=LawSettings)
    auto_resume_link_ms: int = 120_000
    fresh_V: float = 0.0
    fresh_scatter_V: float = 3.0
    purge_ms: int = 600_000
    after_run_ms: int = 3_600_000
    after_run_probe_C: float = 40.0
    power_limit_kW: float | None = None
    start_items: tuple[str, ...] = ()
    tick_stale_ms: int = 1_800_000

    @property
    def settle_ms(self) -> int:
        """How long a device may take to follow a set-point: 2 s, or two cycles."""
        return max(2_000, 2 * self.period_ms)
