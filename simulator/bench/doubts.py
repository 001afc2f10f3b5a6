"""What an engineer should look at twice in a tried profile: each doubt a code, one sentence, and where. Pure.

One small function a doubt; those that stopped the try come first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simulator.bench import doubtsend, doubtsway
from simulator.bench.doubtcase import Case, Doubt
from simulator.bench.figures import Totals
from simulator.bench.setting import Setting, settings_for
from simulator.bench.tried import Tried

__all__ = ["Case", "Doubt", "doubts_of"]

Look = Callable[[Case], Iterator[Doubt]]
LOOKS: tuple[Look, ...] = (
    doubtsway.never_started,
    doubtsway.never_ended,
    doubtsway.interrupted,
    doubtsway.too_hot,
    doubtsway.alarms,
    doubtsway.ended_otherwise,
    doubtsway.constant_voltage,
    doubtsway.soak,
    doubtsend.first_current,
    doubtsend.charge,
    doubtsend.end_density,
    doubtsend.fill,
    doubtsend.hydrogen,
    doubtsend.rectifier,
    doubtsend.idle_limit,
    doubtsend.water_range,
    doubtsend.resistor,
    doubtsway.unseen,
)


def doubts_of(
    setting: Setting, tried: Tried, totals: Totals, water_C: tuple[float, float] | None = None, *, given: bool = True
) -> tuple[Doubt, ...]:
    """All doubts about a try, those that stopped it first. `given`: whether a person said the water by its option."""
    case = Case(setting, tried, totals, settings_for(setting), water_C, given)
    found = [doubt for look in LOOKS for doubt in look(case)]
    if tried.state == "idle":
        return tuple(doubt for doubt in found if doubt.error or doubt.code == "water_range")
    return tuple(found)
