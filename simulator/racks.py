"""The batteries of all circuits in one element array, and what can be done to them: swap, bridge, refill, shield."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from profiles import chemistry
from simulator import acid, cell, deviants, rows
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


@dataclass(frozen=True, slots=True)
class Stood:
    """How batteries that come in stood before: filled so long ago, in this bath and air."""

    seconds: float
    bath_C: float
    air_C: float


class Racks:
    """Elements of all strings, string after string; a battery with a deviating cell is two elements (rest, cell).

    `lengths`: batteries of each string, in the order of `cells`. Strings count from 0, batteries from 1.
    """

    def __init__(self, cells: Cells, lengths: Sequence[int]) -> None:
        self.base = cells
        self.sound = cells  # what stands here when nothing deviates
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
        self.marked = np.ones(cells.count)  # -1: the marked poles carry the other sign than the string's direction

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
        self.marked[at] = 1.0
        self._take(at, self.sound.part(at.tolist()))
        self.state[:, at] = soaked(self.cells.part(at.tolist()), soaked_s, bath_C, air_C)

    def put_turned(self, string: int, battery: int, stood: Stood) -> None:
        """An unformed battery stands here the wrong way round: it forms with the sign that its marks deny."""
        at = self.elements(string, battery)
        self.marked[at] = -1.0
        self._stand_new(at, deviants.turned(self.sound.part(at.tolist())), stood)

    def put_filled(self, string: int, battery: int | None, density_20C: float, stood: Stood) -> None:
        """Batteries filled with acid of another density (kg/L at 20 C) stand here, or in the whole string."""
        at = self.elements(string, battery)
        self._stand_new(at, deviants.filled_with(self.base.part(at.tolist()), density_20C), stood)

    def put_type(self, string: int, battery: int | None, capacity_C20_Ah: float, stood: Stood) -> None:
        """Batteries of another rated capacity stand here, or in the whole string."""
        at = self.elements(string, battery)
        self._stand_new(at, deviants.of_size(self.base.part(at.tolist()), capacity_C20_Ah), stood)

    def drain(self, string: int, battery: int | None, wet: float) -> None:
        """Acid reaches only this share of the plates, of a battery or of the whole string."""
        at = self.elements(string, battery)
        part, self.state[:, at] = deviants.low_acid(self.base.part(at.tolist()), self.state[:, at], wet)
        self._take(at, part)

    def foul(self, string: int, battery: int | None, factor: float) -> None:
        """Foul acid gasses so many times more easily than sound acid does (1: clean again)."""
        at = self.elements(string, battery)
        self._take(at, replace(self.base.part(at.tolist()), gas_A=factor * self.sound.gas_A[at]))

    def over_soak(self, string: int, battery: int | None) -> None:
        """What stands here stood in acid for far too long before its first current."""
        at = self.elements(string, battery)
        self.state[:, at] = deviants.over_soaked(self.base.part(at.tolist()), self.state[:, at])

    def add(self, string: int, battery: int, stood: Stood) -> None:
        """One battery more than was counted stands behind this one; it bears no number (0)."""
        model = int(self.elements(string, battery)[0])
        at = int(self.elements(string, battery)[-1]) + 1
        whole = self.sound.cells[self.elements(string, battery)].sum() / self.sound.cells[model]
        n = self.base.count
        self._arrange([*range(at), model, *range(at, n)])
        self.battery_of[at] = 0
        self.extra_ohm[at] = 0.0
        self.marked[at] = self.water_share[at] = 1.0
        self.sound = _times(self.sound, at, whole)
        self._stand_new(np.array([at]), self.sound.part([at]), stood)

    def remove_added(self, string: int) -> None:
        """The battery that was not counted, and was put in last, is gone; nothing if there is none."""
        added = self.elements(string, 0)
        if added.size:
            self._arrange([k for k in range(self.base.count) if k != added[-1]])
            self._rebuild()

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

    def _stand_new(self, at: NDArray[np.intp], part: Cells, stood: Stood) -> None:
        """Other batteries at these places: as new where nothing has happened there yet, else soaked as `stood` says."""
        untouched = not self.state[_BOOKS, at].any()
        self._take(at, part)
        placed = self.cells.part(at.tolist())
        seconds = 0.0 if untouched else stood.seconds
        self.state[:, at] = soaked(placed, seconds, stood.bath_C, stood.air_C)

    def _take(self, at: NDArray[np.intp], part: Cells) -> None:
        """These parameters at these places; the clamps are the place's own."""
        arrays: dict[str, Any] = {}
        for name in ARRAYS:
            if name != "contact_ohm":
                arrays[name] = getattr(self.base, name).copy()
                arrays[name][..., at] = getattr(part, name)
        self.base = replace(self.base, **arrays)
        self._rebuild()

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
        number = float(self.base.cells[at])
        if number < 2.0:
            return
        self._arrange([*range(at + 1), at, *range(at + 1, n)])
        for place, share in ((at, (number - 1.0) / number), (at + 1, 1.0 / number)):
            self.base, self.sound = _times(self.base, place, share), _times(self.sound, place, share)
            self.state[_BOOKS, place] *= share
        for cells in (self.base, self.sound):
            cells.contact_ohm[at + 1] = 0.0
        self.extra_ohm[at + 1] = 0.0
        self._rebuild()

    def _arrange(self, chosen: list[int]) -> None:
        """Only these elements, in this order; an index may come twice. Numbered batteries all stay."""
        self.base, self.sound = self.base.part(chosen), self.sound.part(chosen)
        self.state = self.state[:, chosen]
        self.water_share, self.extra_ohm, self.marked = (
            values[chosen] for values in (self.water_share, self.extra_ohm, self.marked)
        )
        self.string_of, self.battery_of = self.string_of[chosen], self.battery_of[chosen]
        self.strings = series(np.bincount(self.string_of, minlength=len(self.lengths)).tolist())
        at_first = [chosen.index(int(first)) for first in self.first_of]
        self.first_of = np.array(at_first, dtype=np.intp)


def _times(cells: Cells, at: int, share: float) -> Cells:
    """What grows with the number of cells, times this at one element."""
    arrays: dict[str, Any] = {name: getattr(cells, name).copy() for name in PER_CELL_COUNT}
    for values in arrays.values():
        values[at] *= share
    return replace(cells, **arrays)
