"""On what a profile is tried: how many batteries, which water and air, which physics, which bath, which faults."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from controller.bathfile import Bath, settings_of
from controller.core.planned import Plan
from controller.core.settings import BathSettings, CircuitSettings
from simulator.bench.strings import as_one
from simulator.faults import CATALOGUE, FaultLine
from simulator.parameters import CellParameters
from simulator.spec import CircuitSpec, PlantSpec

NAME = "A01"
"""What the tried string is called where no bath file names its circuit."""
LEAD_V = 20.0
"""What the bench's own rectifier has above the highest limit of the profile."""
STALE_MS, FAST_STALE_MS, WATCHDOG_MS = 75_000, 240_000, 900_000
"""Longer than any of the bench's own cycles, fine and fast ones: stepped time cannot be late."""
WATER_C, AIR_C, BATTERIES, CIRCUITS = 31.0, 22.0, 18, 3
"""Where nothing is said: a bath in mid-season for three strings of eighteen; own choice."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One try. `water_C`: the bath's water, held there by its cooling. `circuits`: how many like strings the bath
    holds, for its gas and its heat. `spread`: batteries and instruments differ as in production, drawn from `seed`.
    `fine`: shorter cycles for one string to look at, else longer ones for many.
    """

    plan: Plan
    batteries: int = BATTERIES
    water_C: float = WATER_C
    air_C: float = AIR_C
    circuits: int = CIRCUITS
    model: CellParameters = field(default_factory=CellParameters)
    bath: Bath | None = None
    faults: tuple[FaultLine, ...] = ()
    spread: bool = False
    seed: int = 1
    fine: bool = True


def merges(setting: Setting) -> bool:
    """Whether all batteries of the string are alike and stay so, so that one element stands for them."""
    return not setting.spread and not any(CATALOGUE[line.name].place == "battery" for line in setting.faults)


def circuit_of(setting: Setting) -> CircuitSettings:
    """The circuit on which it is tried: the bath file's first, or one that can do what the profile asks."""
    if setting.bath is not None:
        return replace(settings_of(setting.bath).circuits[0], places=max(setting.batteries, 1), probes=1)
    plan = setting.plan
    most_A = max((step.current_A for step in plan.steps), default=1.0)
    most_V = max((step.voltage_V_per_cell for step in plan.steps), default=2.85)
    volts = most_V * plan.cells * setting.batteries + LEAD_V
    discharges = any(step.kind == "discharge" for step in plan.steps)
    return CircuitSettings(NAME, setting.batteries, 0.0, max(60.0, 1.5 * most_A), volts, can_discharge=discharges)


def settings_for(setting: Setting) -> BathSettings:
    """What the core decides by: the bath file's limits and laws (else the defaults), on the bench's clock.

    What only people or the other circuits bring stays out: start list, meter walk, rounds, waiting for each other.
    """
    own = circuit_of(setting)
    own = replace(own, has_contactor=False)
    stale_ms = STALE_MS if setting.fine else FAST_STALE_MS
    base = (
        settings_of(setting.bath)
        if setting.bath is not None
        else BathSettings("bench", "bench", True, 1_000, stale_ms, WATCHDOG_MS, (own,))
    )
    return replace(
        base, virtual=True, period_ms=1_000, stale_ms=stale_ms, watchdog_ms=WATCHDOG_MS, circuits=(own,), purge_ms=0,
        alone_ms=0, apart_ms=0, start_items=(), walk_items=(), walk_ms=None, round_ms=None, round_items=(),
        two_people=False, power_limit_kW=None, level_mm=None,
    )  # fmt: skip


def spec_of(setting: Setting, settings: BathSettings, strings: int = 1) -> PlantSpec:
    """The virtual strings for it: `strings` alike but for their draws."""
    own = settings.circuits[0]
    one = CircuitSpec(
        own.name,
        setting.batteries,
        setting.plan.capacity_C20_Ah,
        setting.plan.cells,
        current_max_A=own.current_max_A,
        voltage_max_V=own.voltage_max_V,
        watchdog_s=WATCHDOG_MS / 1000.0,
        probes=max(1, own.probes),
    )
    if merges(setting):
        one = as_one(one)
    names = [own.name] if strings == 1 else [f"S{number:02d}" for number in range(1, strings + 1)]
    return PlantSpec(
        circuits=tuple(replace(one, name=name) for name in names),
        water_start_C=setting.water_C,
        air_C=setting.air_C,
        seed=setting.seed,
        spread=setting.spread,
        errors=setting.spread,
        noise=False,
        model=setting.model,
    )
