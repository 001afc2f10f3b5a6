"""What a study keeps of one string: some figures, what it met with, and what was drawn for it. A few hundred bytes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.core.types import EventKind, Reaction
from simulator.bench.setting import Setting, settings_for, spec_of
from simulator.bench.strings import Strings
from simulator.bench.tried import Tried
from simulator.parameters import Array

NOTHING = float("nan")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One figure of a string: its key with the unit in it, its words, how many decimals people need."""

    key: str
    words: str
    decimals: int


FIGURES = (
    Quantity("hours", "end, h after the start", 2),
    Quantity("charge_Ah", "charge, Ah", 1),
    Quantity("discharge_Ah", "discharged, Ah", 1),
    Quantity("energy_kWh", "energy into the string, kWh", 2),
    Quantity("energy_kWh_per_battery", "energy, kWh a battery", 3),
    Quantity("soak_C", "hottest at the start, C", 1),
    Quantity("hottest_C", "hottest battery, C", 1),
    Quantity("probe_C", "hottest probe, C", 1),
    Quantity("start_V_per_cell", "peak of first 2 h, V/cell", 3),
    Quantity("highest_V_per_cell", "highest, V/cell", 3),
    Quantity("density_kg_L", "end density, kg/L at 25 C", 4),
    Quantity("lowest_density_kg_L", "lowest density, kg/L", 4),
    Quantity("formed_positive_percent", "formed positive, %", 2),
    Quantity("formed_positive_least_percent", "worst battery's, %", 2),
    Quantity("formed_negative_percent", "formed negative, %", 2),
    Quantity("hydrogen_m3", "hydrogen, m3 a string", 2),
    Quantity("hydrogen_m3_h", "most hydrogen, m3/h", 3),
    Quantity("water_g_per_cell", "water lost, g a cell", 1),
)
KEYS = tuple(each.key for each in FIGURES)
FLAGS = ("complete", "derated", "held", "tripped", "limited", "overrun")
"""What a string met with; `limited`: a voltage limit held its current back, `overrun`: a step took its longest time."""
LIMITED_PERCENT = 1.0
"""Share of a step's time from which on it counts as held back by its voltage limit; own choice."""
INPUTS = (
    "paste",
    "fast forming",
    "slow forming",
    "gassing current",
    "skin resistance",
    "clamp resistance",
    "acid filled",
    "acid strength",
    "acid start temperature",
    "cooling by the water",
    "worst battery's cooling",
    "place in the bath",
    "warmest place",
    "rectifier gain",
    "rectifier offset",
    "voltage reading",
    "probe offset",
    "water temperature",
)
"""Drawn for each string: means over its batteries, where a mean says little the extreme as well."""


def row(tried: Tried) -> tuple[float, ...]:
    """A string's figures in the order of FIGURES; NaN for what it never came to."""
    course, end = tried.course, tried.end
    done = tried.state == "complete"
    hydrogen = end.hydrogen_L * tried.batteries / 1000.0
    energy = float(course.of("energy_kWh")[-1])
    ran = bool(tried.steps)
    return (
        tried.hours if done else NOTHING,
        float(course.of("charge_Ah")[-1]),
        float(course.of("discharge_Ah")[-1]),
        energy,
        energy / tried.batteries,
        tried.soak_C,
        float(course.of("hottest_C").max()) if ran else NOTHING,
        float(np.fmax.reduce(course.of("probe_C"))) if ran else NOTHING,
        tried.start_V_per_cell if tried.start_V_per_cell is not None else NOTHING,
        float(course.of("voltage_V_per_cell").max()) if ran else NOTHING,
        end.density_kg_L,
        end.lowest_density_kg_L,
        100.0 * end.formed_positive,
        100.0 * end.formed_positive_least,
        100.0 * end.formed_negative,
        hydrogen,
        float(course.of("hydrogen_m3_h").max()),
        end.water_g_per_cell,
    )


def flags(tried: Tried) -> tuple[bool, ...]:
    """What a string met with, in the order of FLAGS."""
    codes = {one.event.code for one in tried.events}
    return (
        tried.state == "complete",
        any(step.derated_percent > 0.0 for step in tried.steps),
        "held" in codes,
        "tripped" in codes,
        any(step.limited_percent >= LIMITED_PERCENT for step in tried.steps),
        any(step.ended_by == "overrun" for step in tried.steps),
    )


def causes(tried: Tried) -> frozenset[tuple[str, str]]:
    """Which laws reduced, held or tripped this string: pairs of `derated`, `held` or `tripped` and the law's code."""
    words = {Reaction.DERATE: "derated", Reaction.HOLD: "held"}
    found = set()
    for one in tried.events:
        event = one.event
        if event.code == "tripped":
            found.add(("tripped", str(event.data.get("cause") or event.code)))
        elif event.kind is EventKind.ALARM and event.reaction in words:
            found.add((words[event.reaction], event.code))
    return frozenset(found)


def drawn(setting: Setting, waters_C: Array) -> Array:
    """What `try_many` draws for strings in these waters, (strings, INPUTS): the same seed through the same parts."""
    strings = waters_C.size
    bench = Strings(spec_of(setting, settings_for(setting), strings), waters_C)
    cells, errors, parts = bench.racks.base, bench.parts.sound, bench.parts

    def mean(values: Array) -> Array:
        return np.asarray(values.reshape(strings, -1).mean(axis=1))

    first_probe = np.searchsorted(parts.probe_circuit, np.arange(strings))
    columns = (
        mean((cells.paste_Ah / cells.capacity_Ah).mean(axis=0)),
        mean(cells.k_fast_h.mean(axis=0)),
        mean(cells.k_slow_h.mean(axis=0)),
        mean(cells.gas_A),
        mean(cells.skin_ohm),
        mean(cells.contact_ohm),
        mean(cells.fill_kg),
        mean(cells.fill_w),
        mean(cells.start_C),
        mean(cells.water_W_K),
        cells.water_W_K.reshape(strings, -1).min(axis=1),
        mean(cells.offset_K),
        cells.offset_K.reshape(strings, -1).max(axis=1),
        errors.gain,
        errors.offset_A,
        errors.voltage_V,
        parts.probes.offset_K[first_probe],
        waters_C,
    )
    return np.stack(columns, axis=1)


def table(tried: Sequence[Tried]) -> tuple[Array, NDArray[np.bool_]]:
    """Figures (strings, FIGURES) and flags (strings, FLAGS) of these strings."""
    return np.array([row(each) for each in tried]), np.array([flags(each) for each in tried], dtype=bool)
