"""What a virtual plant consists of: plain frozen data with defaults that make a believable bath."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from simulator.parameters import CellParameters


@dataclass(frozen=True, slots=True)
class CircuitSpec:
    """One rectifier channel and what hangs on it.

    `load_ohm`: a resistor instead of a string; `batteries` 0: nothing is connected. `probe_at`: batteries (from 1) that
    carry the probes; left empty, `probes` of them spread along the string. `link`: name of the link it answers on.
    """

    name: str
    batteries: int = 18
    capacity_C20_Ah: float = 60.0
    cells: int = 6
    current_max_A: float = 60.0
    voltage_max_V: float = 360.0
    load_ohm: float | None = None
    watchdog_s: float = 5.0
    probes: int = 1
    probe_at: tuple[int, ...] = ()
    link: str = ""

    def __post_init__(self) -> None:
        positive = {
            "capacity_C20_Ah": self.capacity_C20_Ah,
            "cells": float(self.cells),
            "current_max_A": self.current_max_A,
            "voltage_max_V": self.voltage_max_V,
            "watchdog_s": self.watchdog_s,
            "load_ohm": 1.0 if self.load_ohm is None else self.load_ohm,
        }
        for key, value in positive.items():
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"circuit {self.name}: {key} must be above 0, not {value}")
        if self.batteries < 0 or self.probes < 0:
            raise ValueError(f"circuit {self.name}: batteries and probes cannot be below 0")
        if any(not 1 <= place <= self.batteries for place in self.probe_at):
            raise ValueError(f"circuit {self.name}: probe_at counts batteries from 1 to {self.batteries}")

    @property
    def has_string(self) -> bool:
        """Whether batteries hang on it."""
        return self.load_ohm is None and self.batteries > 0

    @property
    def probe_places(self) -> tuple[int, ...]:
        """Batteries with a probe; without a string each probe hangs at battery 0, in the air."""
        if not self.has_string:
            return (0,) * (len(self.probe_at) or self.probes)
        if self.probe_at:
            return self.probe_at
        return tuple(math.ceil(self.batteries * (k + 0.5) / self.probes) for k in range(self.probes))


@dataclass(frozen=True, slots=True)
class PlantSpec:
    """One bath with its circuits. None: a default, grown with the number of circuits where size matters.

    `spread`: batteries and instruments differ as in production; else all are alike and exact. `errors` (None: as
    `spread`): the same for the instruments alone. `soaked_s`: how long before the start the batteries were filled.
    `links`: names of further links (of the bath's inputs, say) that `link_off` may hit.
    """

    circuits: tuple[CircuitSpec, ...]
    water_start_C: float = 25.0
    water_inlet_C: float | None = None
    air_C: float | None = None
    water_kg: float | None = None
    flow_L_min: float | None = None
    valve_C: float | None = None
    band_K: float | None = None
    open_m2: float | None = None
    wall_W_K: float | None = None
    humidity: float | None = None
    airflow_m3_h: float | None = None
    water_probes: int = 1
    seed: int = 1
    spread: bool = True
    errors: bool | None = None
    noise: bool = True
    soaked_s: float = 0.0
    links: tuple[str, ...] = ()
    model: CellParameters = field(default_factory=CellParameters)

    def __post_init__(self) -> None:
        names = [circuit.name for circuit in self.circuits]
        if not names:
            raise ValueError("a plant has at least one circuit")
        if len(set(names)) != len(names):
            raise ValueError("two circuits have the same name")
        if not (math.isfinite(self.soaked_s) and self.soaked_s >= 0.0):
            raise ValueError(f"soaked_s cannot be below 0: {self.soaked_s}")
