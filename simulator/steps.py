"""How long a step may be: short after a change of current, longer while nothing happens."""

from __future__ import annotations

import numpy as np

from simulator.parameters import Array

SHARE = 0.05  # a step is this share of the time since a current last changed
SHORTEST_S = 0.2
LONGEST_S = 15.0
APPRECIABLE = 0.02  # of C20: a change of this size starts the time anew, a smaller one takes its share of it


class StepRule:
    """Time since the current of each string (k,) last changed appreciably, in seconds."""

    def __init__(self, capacity_Ah: Array) -> None:
        self._inverse_A = 1.0 / (APPRECIABLE * capacity_Ah)
        self._since_s = np.zeros(capacity_Ah.shape)

    def restart(self) -> None:
        """Something else changed at once: begin with short steps."""
        self._since_s[:] = 0.0

    def changed(self, by_A: Array) -> None:
        """The currents change, or are about to change, by so much."""
        self._since_s *= np.maximum(1.0 - np.abs(by_A) * self._inverse_A, 0.0)

    def went_on(self, dt_s: float) -> None:
        """A step is done."""
        self._since_s += dt_s

    def step_s(self, left_s: float) -> float:
        """Length of the next step: equal parts of what is left, none longer than the rule allows."""
        since = float(self._since_s.min()) if self._since_s.size else LONGEST_S / SHARE
        longest = min(max(SHARE * since, SHORTEST_S), LONGEST_S)
        return left_s / max(1, int(np.ceil(left_s / longest - 1e-9)))
