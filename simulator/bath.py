"""The bath's water: cooled by a valve on its inlet, warmed by all its batteries, losing vapour on top."""

from __future__ import annotations

from dataclasses import dataclass

from profiles import chemistry

CP_J_KG_K = 4181.0
KG_PER_L = 0.998


@dataclass(frozen=True, slots=True)
class BathSize:
    """One bath; the defaults suit three strings of 18 x 60 Ah. Own choice, as is every number here."""

    water_kg: float = 450.0
    flow_L_min: float = 16.0
    valve_C: float = 28.0
    band_K: float = 6.0
    inlet_C: float = 20.0
    air_C: float = 22.0
    humidity: float = 0.5
    open_m2: float = 1.6
    evaporation_W_m2_Pa: float = 0.10
    wall_W_K: float = 15.0


def scaled(circuits: int, **changed: float | None) -> BathSize:
    """A bath for so many circuits: what grows with the number of strings, grown; `changed` values as they are.

    None among the changed values means: the default.
    """
    share = max(circuits, 1) / 3.0
    base = BathSize()
    values: dict[str, float] = {
        "water_kg": base.water_kg * share,
        "flow_L_min": base.flow_L_min * share,
        "open_m2": base.open_m2 * share,
        "wall_W_K": base.wall_W_K * share,
    }
    values.update({key: value for key, value in changed.items() if value is not None})
    return BathSize(**values)


def valve_share(size: BathSize, water_C: float) -> float:
    """How far the cooling valve is open, 0.05 to 1: opens from `valve_C` over `band_K` (no band: always open)."""
    if size.band_K <= 0.0:
        return 1.0
    return min(max((water_C - size.valve_C) / size.band_K, 0.05), 1.0)


def flow_L_min(size: BathSize, water_C: float) -> float:
    """Cooling water through the valve."""
    return valve_share(size, water_C) * size.flow_L_min


def evaporation_W(size: BathSize, water_C: float) -> float:
    """Heat that vapour takes from the open surface, never negative."""
    vapour = chemistry.water_vapour_Pa(water_C) - size.humidity * chemistry.water_vapour_Pa(size.air_C)
    return max(0.0, size.evaporation_W_m2_Pa * size.open_m2 * vapour)


def advance_bath(size: BathSize, water_C: float, heat_J: float, dt_s: float) -> tuple[float, float]:
    """Water temperature after `dt_s` seconds in which all batteries gave `heat_J`, and the kilograms evaporated."""
    cooling = CP_J_KG_K * flow_L_min(size, water_C) / 60.0 * KG_PER_L
    vapour_W = evaporation_W(size, water_C)
    ua = cooling + size.wall_W_K
    half = ua * dt_s / (2.0 * CP_J_KG_K * size.water_kg)
    push = cooling * size.inlet_C + size.wall_W_K * size.air_C + heat_J / dt_s - vapour_W
    # Written without a division by ua: without flow and wall the water still warms.
    return (
        (water_C * (1.0 - half) + push * dt_s / (CP_J_KG_K * size.water_kg)) / (1.0 + half),
        vapour_W * dt_s / 2.43e6,
    )
