"""What a battery is made of: the model's parameters by name, and the arrays that many batteries make of them.

An engineering model on handbook values and trade practice, calibrated on no plant. Everything proportional to size is
given per Ah of rated capacity (C20). Pairs are (positive, negative). "own choice" means that nobody has measured it: it
was set so that the whole course agrees with what the trade reports of formation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from profiles import chemistry

Array = NDArray[np.float64]
Pair = tuple[float, float]

HEAT_DRY_J_K_AH = 46.13
"""Metal, oxides and case of a six-cell battery: 2.77 kJ/K at 60 Ah (computed from handbook heat capacities)."""
GAS_V = (0.0387909, 0.0521182)
"""Volts per e-fold of the gas current: 89.3 and 120.0 mV a decade, in sum 209.3 (11 per volt, Schiffer 2007)."""


@dataclass(frozen=True, slots=True)
class CellParameters:
    """One battery type. Spreads of production stand in `Spread`."""

    paste_Ah: Pair = (2.0168, 1.93)  # Ah per Ah: 9 g PbO2 per Ah; the negative 4 % less
    slow: Pair = (0.12, 0.05)  # share of the paste that forms slowly; own choice
    k_fast_h: Pair = (1.8, 4.0)  # 1/h at 40 C; own choice
    k_slow_h: Pair = (0.145, 0.30)
    k_temperature: float = 0.02  # 1/K; own choice
    exchange_A: Pair = (0.08, 0.08)  # A/Ah; own choice
    gas_A: float = 2.0e-4  # A/Ah at 2.23 V and 25 C, Schiffer 2007
    gas_temperature: float = 0.06  # 1/K, same source
    gas_from_V: Pair = (1.794, 0.436)  # sum 2.230, same source
    double_layer_F: Pair = (25.0, 6.0)  # F/Ah; own choice
    k_discharge_h: float = 8.0  # 1/h; own choice
    use: Pair = (0.4958, 0.53)  # usable share of formed mass
    couple_f: float = 2e-4  # formed share at which the couple shows; own choice
    skin_ohm: float = 12.0  # ohm Ah; start peak of 2.2-2.6 V
    skin_A: float = 0.075  # A/Ah
    skin_f: float = 0.006
    skin_s: float = 0.25
    metal_ohm: float = 0.024  # ohm Ah
    acid_ohm: float = 0.036  # ohm Ah at 80 S/m
    unformed_ohm: float = 0.18  # ohm Ah
    contact_ohm: float = 0.5e-3  # a battery
    fill_L: float = 0.010283  # L/Ah and cell
    fill_kg_m3: float = 1240.0  # at 20 C
    sulfate: float = 0.1085  # share of the paste that is sulfate at filling
    sulfate_most: float = 0.36
    k_soak_h: float = 2.0  # 1/h at 5 mol/kg; own choice
    pore: float = 0.30  # share of the acid in the plates; own choice
    mixing_h: float = 0.5
    stir: float = 12.0  # per A/Ah of gas
    water_W_K: float = 7.2  # battery of 60 Ah to the bath
    air_W_K: float = 0.5
    start_C: float = 20.0
    entropy_V_K: float = 2.0e-4


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of production, relative unless a unit is named; cut at three of them. Own choice."""

    paste_Ah: float = 0.015
    k_fast_h: float = 0.03
    k_slow_h: float = 0.06
    gas_A: float = 0.10
    skin_ohm: float = 0.08
    metal_ohm: float = 0.03
    acid_ohm: float = 0.03
    unformed_ohm: float = 0.05
    contact_log: float = 0.4
    fill_L: float = 0.01
    fill_kg_m3: float = 2.0
    water_W_K: float = 0.06
    start_K: float = 1.0
    offset_K: float = 0.5


@dataclass(frozen=True, slots=True)
class Cells:
    """Parameters of n elements, ready for the step: shapes (n,) and (2, n), absolute units.

    An element is `cells` equal cells in series that share one temperature: a whole battery, or a part of one.
    """

    cells: Array
    polarity: Array  # +1, -1: connected the wrong way round
    capacity_Ah: Array
    paste_Ah: Array
    slow: Array
    k_fast_h: Array
    k_slow_h: Array
    inverse_exchange: Array
    gas_A: Array
    reverse_A: Array
    double_layer_F: Array
    use: Array
    skin_ohm: Array
    metal_ohm: Array
    acid_ohm: Array
    unformed_ohm: Array
    contact_ohm: Array
    leak_S: Array
    fill_kg: Array
    fill_w: Array
    heat_J_K: Array
    water_W_K: Array
    air_W_K: Array
    offset_K: Array
    start_C: Array
    leaking: bool = False
    common: CellParameters = field(default_factory=CellParameters)

    @property
    def count(self) -> int:
        """Number of elements."""
        return int(self.cells.shape[0])

    def part(self, index: Sequence[int]) -> Cells:
        """The chosen elements, in that order; an index may come twice."""
        chosen = list(index)
        arrays: dict[str, Any] = {name: getattr(self, name)[..., chosen] for name in ARRAYS}
        return replace(self, **arrays)

    def repeated(self, times: int) -> Cells:
        """All elements so many times, one row after the other."""
        arrays: dict[str, Any] = {}
        for name in ARRAYS:
            values = getattr(self, name)
            arrays[name] = np.tile(values, (1,) * (values.ndim - 1) + (times,))
        return replace(self, **arrays)

    def changed(self, **arrays: Any) -> Cells:
        """A copy with other arrays; `leaking` follows."""
        new = replace(self, **arrays)
        return replace(new, leaking=bool(np.any(new.leak_S > 0.0)))


ARRAYS = tuple(f.name for f in fields(Cells) if f.name not in ("leaking", "common"))
PER_CELL_COUNT = ("cells", "heat_J_K", "water_W_K", "air_W_K")
"""What a battery shares out among its parts when one cell deviates."""


class _Draw:
    """Draws of production's differences for n batteries, cut at three sigma; without a generator: none."""

    def __init__(self, random: np.random.Generator | None, n: int) -> None:
        self._random = random
        self._n = n

    def rows(self, count: int) -> Array:
        if self._random is None:
            return np.zeros((count, self._n))
        return np.clip(self._random.standard_normal((count, self._n)), -3.0, 3.0)

    def one(self) -> Array:
        return np.asarray(self.rows(1)[0])

    def pair(self, values: Pair, sd: float = 0.0) -> Array:
        return np.asarray(np.array(values)[:, None] * (1.0 + sd * self.rows(2)))

    def single(self, value: float, sd: float = 0.0) -> Array:
        return np.asarray(value * (1.0 + sd * self.one()))


def build_cells(
    capacity_C20_Ah: Array,
    cells: Array,
    common: CellParameters | None = None,
    spread: Spread | None = None,
    random: np.random.Generator | None = None,
) -> Cells:
    """Parameters of n batteries from their rated capacities (Ah) and numbers of cells, both shape (n,).

    With `spread` and `random` each battery gets its own draw, in a fixed order; without, all are the type itself.
    """
    p = common or CellParameters()
    s = spread or Spread()
    c20 = np.asarray(capacity_C20_Ah, dtype=np.float64)
    number = np.asarray(cells, dtype=np.float64)
    n = c20.shape[0]

    draw = _Draw(random if spread is not None else None, n)
    fill_rho = p.fill_kg_m3 + s.fill_kg_m3 * draw.one()
    fill_w = chemistry.mass_fraction(fill_rho, np.full(n, 20.0))
    fill_kg = draw.single(p.fill_L, s.fill_L) * c20 * fill_rho * 1e-3
    size = (c20 / 60.0) ** (2.0 / 3.0) * number / 6.0
    return Cells(
        cells=number,
        polarity=np.ones(n),
        capacity_Ah=c20,
        leak_S=np.zeros(n),
        fill_kg=fill_kg,
        fill_w=fill_w,
        heat_J_K=HEAT_DRY_J_K_AH * c20 * number / 6.0 + number * fill_kg * (4206.0 - 3450.0 * fill_w),
        water_W_K=draw.single(p.water_W_K, s.water_W_K) * size,
        air_W_K=p.air_W_K * size,
        offset_K=s.offset_K * draw.one(),
        start_C=p.start_C + s.start_K * draw.one(),
        common=p,
        **_plates(p, s, draw, c20),
        **_ohms(p, s, draw, c20),
    )


def _plates(p: CellParameters, s: Spread, draw: _Draw, c20: Array) -> dict[str, Any]:
    gas_b = np.array(GAS_V)[:, None]
    return {
        "paste_Ah": draw.pair(p.paste_Ah, s.paste_Ah) * c20,
        "slow": draw.pair(p.slow) * np.ones(c20.size),
        "k_fast_h": draw.pair(p.k_fast_h, s.k_fast_h),
        "k_slow_h": draw.pair(p.k_slow_h, s.k_slow_h),
        "inverse_exchange": 1.0 / (draw.pair(p.exchange_A) * c20),
        "gas_A": draw.single(p.gas_A, s.gas_A) * c20,
        "reverse_A": 0.1 * np.exp(-1.95 / gas_b) * c20,
        "double_layer_F": draw.pair(p.double_layer_F) * c20,
        "use": draw.pair(p.use) * np.ones(c20.size),
    }


def _ohms(p: CellParameters, s: Spread, draw: _Draw, c20: Array) -> dict[str, Any]:
    return {
        "skin_ohm": draw.single(p.skin_ohm, s.skin_ohm) / c20,
        "metal_ohm": draw.single(p.metal_ohm, s.metal_ohm) / c20,
        "acid_ohm": draw.single(p.acid_ohm, s.acid_ohm) / c20,
        "unformed_ohm": draw.single(p.unformed_ohm, s.unformed_ohm) / c20,
        "contact_ohm": p.contact_ohm * np.exp(s.contact_log * draw.one()),
    }
