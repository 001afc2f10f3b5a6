"""What a law may look at: settings, what the core remembers, and this cycle's facts."""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.bathstate import BathState
from controller.core.facts import Facts
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import OPEN_STATES, BathShare, CircuitIn


@dataclass(frozen=True, slots=True)
class CircuitView:
    """One circuit's cycle, as its laws see it. `bath` is `cin.bath`."""

    settings: BathSettings
    own: CircuitSettings
    state: CircuitState
    facts: Facts
    bath: BathShare
    cin: CircuitIn

    @property
    def asked_high_A(self) -> float:
        """The highest set-point (as an amount) that may still act: the last `settle_ms` of commands."""
        return max((abs(amount) for _, amount in self.state.asked), default=abs(self.state.command.set_current_A))

    def asked_along_A(self, current_A: float) -> float:
        """The highest set-point that may still act in the direction of this current, as an amount."""
        sign = 1.0 if current_A >= 0.0 else -1.0
        asked = self.state.asked or ((0, self.state.command.set_current_A),)
        return max(0.0, *(sign * amount for _, amount in asked))

    @property
    def open_run(self) -> bool:
        """Whether a run is open: something to lose."""
        return self.state.run is not None and self.state.state in OPEN_STATES


@dataclass(frozen=True)
class BathFacts:
    """The bath's inputs as facts: None where not read, bad or stale.

    `waters_C`: each water sensor as it is believed. `has`: names of the optional inputs that the bath has. By circuit,
    in the settings' order: `currents_A`, `hots_C` (hottest believed probe), `probe_parts` (some, not all, of its
    probes are lost), `volts_per_cell`, `contactors` (closed).
    `record_...`, `overdue`: as in `BathIn`. `any_read`: any input was read in this very cycle, which is what counts
    as a reading for a law.
    """

    now_ms: int
    dt_ms: int
    gap: bool
    fresh: bool
    stale: bool
    water_C: float | None
    airflow: bool | None
    hood_closed: bool | None
    emergency_stop_ok: bool | None
    has: frozenset[str] = frozenset()
    flow_L_min: float | None = None
    level: float | None = None
    level_mm: float | None = None
    hydrogen_LEL: float | None = None
    earth_ohm_per_V: float | None = None
    heard: bool | None = None
    currents_A: tuple[float | None, ...] = ()
    hots_C: tuple[float | None, ...] = ()
    volts_per_cell: tuple[float | None, ...] = ()
    contactors: tuple[bool | None, ...] = ()
    record_left_ms: int | None = None
    overdue: tuple[str, ...] = ()
    waters_C: tuple[float | None, ...] = ()
    probe_parts: tuple[bool, ...] = ()
    any_read: bool = False
    record_age_ms: int | None = None
    record_space_h: float | None = None
    record_space_unknown: bool = False


@dataclass(frozen=True, slots=True)
class BathView:
    """The bath's cycle, as its laws see it. `in_use`: current flows or is asked for in any circuit;
    `after_run`: current flowed not long ago, gas may still leave the cells.
    """

    settings: BathSettings
    state: BathState
    facts: BathFacts
    in_use: bool
    after_run: bool
