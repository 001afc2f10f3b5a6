"""Settings of the decisions, as plain frozen data; each default protects.

The bath file fills them in (`controller.bathfile`); those of the laws stand in `lawsettings`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.core.lawsettings import LawSettings


@dataclass(frozen=True, slots=True)
class CircuitSettings:
    """What the bath file and the register map say of one circuit.

    `probes`: how many the map serves; `can_discharge`: the channel takes a negative set-point;
    `has_uptime`: without an uptime signal a short link loss never resumes by rule; `default_A`, `default_V`: the
    set-points with which the device starts (None: the map does not say).
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
    default_A: float | None = None
    default_V: float | None = None


@dataclass(frozen=True, slots=True)
class BathSettings:
    """What the whole bath shares.

    `start_items`: what people confirm before a start, item 1 first; a tick older than `tick_stale_ms` counts no more.
    `walk_items`, `walk_ms`: the meter walk's list, and between which times after the first current it is due (None:
    there is none). `round_ms`: how often the round is due (None: never). `permit_ms`: how long an open hood is allowed
    for readings (0: never). `alone_ms`, `apart_ms`: for how long a first current, a resumed one, flows alone.
    `resets_by`: persons who may give the resets that are maintenance's. `two_people`: the start list's first item
    (polarity) needs a second person. `inspect_after`: contactor openings under load until its inspection is due.
    `airflow_m3_h`: what the extraction draws (None: the plant does not say). `require_release`: only released profiles
    are loaded, trials apart (None: so on every bath that is not virtual).
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
    walk_items: tuple[str, ...] = ()
    walk_ms: tuple[int, int] | None = None
    round_ms: int | None = None
    round_items: tuple[str, ...] = ()
    permit_ms: int = 0
    alone_ms: int = 60_000
    apart_ms: int = 10_000
    resets_by: tuple[str, ...] = ()
    two_people: bool = False
    inspect_after: int = 1
    level_mm: float | None = None
    contactors_outside: bool = False
    airflow_m3_h: float | None = None
    require_release: bool | None = None

    @property
    def asks_release(self) -> bool:
        """Whether only released profiles are loaded."""
        return not self.virtual if self.require_release is None else self.require_release

    @property
    def settle_ms(self) -> int:
        """How long a device may take to follow a set-point: 2 s, or two cycles."""
        return max(2_000, 2 * self.period_ms)
