"""The batteries of all circuits in one element array, and what can be done to them: swap, bridge, refill, shield."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from profiles import chemistry
from simulator import acid, cell, rows
from simulator.parameters import ARRAYS, PER_CELL_COUNT, Array, Cells
from simulator.string import Series, series

SOAK_STEP_S = 15.0
_BOOKS = slice(rows.ENERGY, rows.TO_AIR + 1)


def soaked(cells: Cells, seconds: float, bath_C: float, air_C: float) -> Array:
    """State of fresh batteries after they stood this long in the bath without current."""
    state = rows.new_state(cells)
    left = seconds
    while left > 1e-9:
        dt_s = min(left, SOAK_STEP_S)
        state, _ = cell.advance(cells, state, 0.0, bath_C, dt_s, air_C)
        left -= dt_s
    return state


class Racks:
    """Elements of all strings, string after string; a battery with a deviating cell is two elements (rest, cell).

    `lengths`: batteries of each string, in the order of `cells`. Strings count from 0, batteries from 1.
    """

    def __init__(self, cells: Cells, lengths: Sequence[int]) -> None:
        self.base = cells
        self.cells = cells
        self.state = rows.new_state(cells)
        self.lengths = tuple(lengths)
        self.string_of: NDArray[np.intp] = np.repeat(np.arange(len(self.lengths)), self.lengths)
        self.battery_of: NDArray[np.intp] = np.concatenate(
            [np.arange(1, length + 1) for length in self.lengths] or [np.zeros(0, dtype=np.intp)]
        )
        self.strings: Series = series(list(self.lengths))
        self.first_of: NDArray[np.intp] = np.arange(cells.count)  # first element of each battery, all strings in a row
        self.water_share = np.ones(cells.count)
        self.extra_ohm = np.zeros(cells.count)

    def elements(self, string: int, battery: int | None = None) -> NDArray[np.intp]:
        """Elements of a battery, or of the whole string."""
        chosen = self.string_of == string
        if battery is not None:
            chosen &= self.battery_of == battery
        return np.flatnonzero(chosen)

    def shield(self, string: int, share: float) -> None:
        """Only this share of the cooling reaches the batteries of a string."""
        self.water_share[self.elements(string)] = share
        self._rebuild()

    def clamp(self, string: int, battery: int, ohm: float) -> None:
        """So much more resistance at a battery's clamp."""
        self.extra_ohm[self.elements(string, battery)[0]] = ohm
        self._rebuild()

    def bridge_cell(self, string: int, battery: int, siemens: float) -> None:
        """A conductance across one cell of a battery (0 takes it away)."""
        at = self.elements(string, battery)
        if at.size == 1:
            self._split(int(at[0]))
            at = self.elements(string, battery)
        self._set(at[-1:], leak_S=siemens)

    def put_formed(self, string: int, battery: int, polarity: float) -> None:
        """A battery formed before stands here, at its place's temperature."""
        at = self.elements(string, battery)
        fresh = rows.formed_state(self.base.part(at.tolist()))
        fresh[rows.TEMPERATURE] = self.state[rows.TEMPERATURE, at]
        self.state[:, at] = fresh
        self._set(at, polarity=polarity, leak_S=0.0)

    def take_out(self, string: int, battery: int) -> None:
        """The place is bridged: no volts, no current."""
        self._set(self.elements(string, battery), polarity=0.0)

    def put_fresh(self, string: int, battery: int | None, soaked_s: float, bath_C: float, air_C: float) -> None:
        """Fresh batteries, filled `soaked_s` ago, at this place or in the whole string; clamps and cells sound."""
        at = self.elements(string, battery)
        self.extra_ohm[at] = 0.0
        self._set(at, polarity=1.0, leak_S=0.0)
        self.state[:, at] = soaked(self.cells.part(at.tolist()), soaked_s, bath_C, air_C)

    def refill(self, string: int, density_20C: float) -> None:
        """The acid outside the plates is poured out, acid of this density (kg/L at 20 C) poured in."""
        at = self.elements(string)
        w = np.full(at.size, chemistry.mass_fraction(density_20C * 1000.0, 20.0))
        p = self.base.common
        fresh_kg = p.fill_L * self.base.capacity_Ah[at] * density_20C
        old = self.state[:, at]
        new = acid.refilled(old[rows.ACID], old[rows.WATER], old[rows.SURPLUS], fresh_kg, w, p.pore)
        for row, values in zip((rows.ACID, rows.WATER, rows.SURPLUS), new, strict=True):
            self.state[row, at] = values

    def _set(self, at: NDArray[np.intp], **values: float) -> None:
        arrays: dict[str, Any] = {}
        for name, value in values.items():
            arrays[name] = getattr(self.base, name).copy()
            arrays[name][at] = value
        self.base = replace(self.base, **arrays)
        self._rebuild()

    def _rebuild(self) -> None:
        self.cells = self.base.changed(
            water_W_K=self.base.water_W_K * self.water_share, contact_ohm=self.base.contact_ohm + self.extra_ohm
        )

    def _split(self, at: int) -> None:
        """One cell of a battery becomes an element of its own; the clamps stay with the rest."""
        n = self.base.count
        twice = [*range(at + 1), at, *range(at + 1, n)]
        number = float(self.base.cells[at])
        if number < 2.0:
            return
        share = np.ones(n + 1)
        share[at], share[at + 1] = (number - 1.0) / number, 1.0 / number
        arrays: dict[str, Any] = {name: getattr(self.base, name)[..., twice] for name in ARRAYS}
        for name in PER_CELL_COUNT:
            arrays[name] = arrays[name] * share
        arrays["contact_ohm"][at + 1] = 0.0
        self.base = replace(self.base, **arrays)
        self.state = self.state[:, twice]
        self.state[_BOOKS] *= share
        self.water_share = self.water_share[twice]
        self.extra_ohm = self.extra_ohm[twice]
        self.extra_ohm[at + 1] = 0.0
        self.string_of, self.battery_of = self.string_of[twice], self.battery_of[twice]
        self.strings = series(np.bincount(self.string_of, minlength=len(self.lengths)).tolist())
        self.first_of = self.first_of + (self.first_of > at)
        self._rebuild()
