"""Rectifier channels: set-points, how the current follows them, watchdog, own counters, small measuring errors.

All channels of a plant in arrays of shape (k,). The current follows a set-point with a first-order lag; away from zero
it rises at most `RAMP_A_S`, a fall follows the lag alone. Both are taken in closed form, so that the charge is exact
whatever the step. An invented device with figures usual in the trade.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.parameters import Array

LAG_S = 0.3
RAMP_A_S = 5.0
DISCHARGE_A = 12.0
CURRENT_STEP_A = 0.01
VOLTAGE_STEP_V = 0.1
RIPPLE_PERCENT = 4.2  # rms of a six-pulse bridge
CROSSING_A = 0.02  # below it a current that must change its sign is taken as zero
ORDERS = ("set_current_A", "set_voltage_V", "output_on")


@dataclass(frozen=True, slots=True)
class Ratings:
    """What the channels are built for, shape (k,)."""

    current_A: Array
    voltage_V: Array
    watchdog_s: Array


@dataclass(frozen=True, slots=True)
class Errors:
    """True current = shown x `gain` + `offset_A`; shown volts = true + `voltage_V`; the counter counts x `counter`."""

    gain: Array
    offset_A: Array
    voltage_V: Array
    counter: Array


def no_errors(k: int) -> Errors:
    """Channels that measure exactly."""
    return Errors(gain=np.ones(k), offset_A=np.zeros(k), voltage_V=np.zeros(k), counter=np.ones(k))


def drawn_errors(ratings: Ratings, random: np.random.Generator) -> Errors:
    """Small errors of good instruments: gain 0.3 %, offset 0.03 A, volts 0.1 % of full scale, cut at three sigma."""
    k = ratings.current_A.shape[0]
    draw = np.clip(random.standard_normal((4, k)), -3.0, 3.0)
    return Errors(
        gain=1.0 + 0.003 * draw[0],
        offset_A=0.03 * draw[1],
        voltage_V=0.001 * ratings.voltage_V * draw[2],
        counter=1.0 + 0.003 * draw[3],
    )


def follow(now_A: Array, target_A: Array, dt_s: float | Array) -> tuple[Array, Array]:
    """Mean over `dt_s` seconds and end value of currents that follow their targets. Exact.

    A current of the other sign falls to zero first.
    """
    if np.array_equal(now_A, target_A):
        return now_A, now_A
    now = np.where((now_A * target_A < 0.0) & (np.abs(now_A) < CROSSING_A), 0.0, now_A)
    aim = np.where(now * target_A < 0.0, 0.0, target_A)
    sign = np.where(now + aim < 0.0, -1.0, 1.0)
    size, goal = now * sign, aim * sign
    ramping = np.clip((goal - size - RAMP_A_S * LAG_S) / RAMP_A_S, 0.0, dt_s)
    top = size + RAMP_A_S * ramping
    left = dt_s - ramping
    fade = np.exp(-left / LAG_S)
    end = goal - (goal - top) * fade
    charge = (size + 0.5 * RAMP_A_S * ramping) * ramping + goal * left - (goal - top) * LAG_S * (1.0 - fade)
    end = np.where(np.abs(end - goal) < 1e-4, goal, end)
    return sign * charge / dt_s, sign * end


class Rectifiers:
    """The channels of one plant. Orders come in, `targets_A` and `limits_V` go to the strings, `took` comes back."""

    def __init__(self, ratings: Ratings, errors: Errors) -> None:
        k = ratings.current_A.shape[0]
        self.ratings = ratings
        self.errors = errors
        self.set_current_A = np.zeros(k)
        self.set_voltage_V = np.zeros(k)
        self.output_on = np.zeros(k)
        self.current_A = np.zeros(k)
        self.fed_s = np.zeros(k)
        self.uptime_s = np.zeros(k)
        self.counter_Ah = np.zeros(k)
        self.fault_code = np.zeros(k)
        self.local = np.zeros(k)
        self.stuck_A = np.full(k, np.nan)
        self.cut: NDArray[np.bool_] = np.zeros(k, dtype=bool)

    def order(self, channel: int, signals: Mapping[str, float]) -> None:
        """A write reached the channel: set-points are held to the rating, unreadable numbers become zero."""
        self.fed_s[channel] = 0.0
        wrong = sorted(set(signals) - set(ORDERS))
        if wrong:
            raise ValueError(f"a rectifier takes no {', '.join(wrong)}; it takes {', '.join(ORDERS)}")
        if self.cut[channel] or self.local[channel]:
            return
        if "set_current_A" in signals:
            value = min(max(_finite(signals["set_current_A"]), -DISCHARGE_A), float(self.ratings.current_A[channel]))
            self.set_current_A[channel] = round(value / CURRENT_STEP_A) * CURRENT_STEP_A
        if "set_voltage_V" in signals:
            value = min(max(_finite(signals["set_voltage_V"]), 0.0), float(self.ratings.voltage_V[channel]))
            self.set_voltage_V[channel] = round(value / VOLTAGE_STEP_V) * VOLTAGE_STEP_V
        if "output_on" in signals:
            self.output_on[channel] = 1.0 if _finite(signals["output_on"]) >= 0.5 else 0.0

    def restart(self, channel: int) -> None:
        """The device lost its supply for a moment: set-points zero, output off, its counters start anew."""
        for register in (self.set_current_A, self.set_voltage_V, self.output_on, self.uptime_s, self.counter_Ah):
            register[channel] = 0.0
        self.current_A[channel] = 0.0

    def expire(self) -> float:
        """Set channels whose watchdog has run out to zero; returns the seconds until the next may."""
        live = (self.set_current_A != 0.0) | (self.output_on > 0.0)
        if not live.any():
            return np.inf
        left = self.ratings.watchdog_s - self.fed_s
        dead = live & (left <= 1e-9)
        if dead.any():
            self.set_current_A[dead] = 0.0
            self.output_on[dead] = 0.0
            live &= ~dead
        return float(left[live].min()) if live.any() else np.inf

    def targets_A(self) -> Array:
        """True current each channel drives at, before its voltage limit."""
        flowing = (self.output_on > 0.0) & (self.set_current_A != 0.0)
        target = np.where(flowing, self.set_current_A * self.errors.gain + self.errors.offset_A, 0.0)
        target = np.where(np.isnan(self.stuck_A), target, self.stuck_A)
        return np.where(self.cut, 0.0, target)

    def limits_V(self) -> Array:
        """True volts at which each channel's voltage limit acts (a floor where it discharges)."""
        shown = np.where(np.isnan(self.stuck_A), self.set_voltage_V, self.ratings.voltage_V)
        return np.asarray(np.maximum(shown - self.errors.voltage_V, 0.0))

    def took(self, mean_A: Array, end_A: Array, dt_s: float | Array) -> None:
        """What the load took over the step: counters, uptime and watchdog go on."""
        self.current_A = end_A
        self.fed_s += dt_s
        self.uptime_s += dt_s
        shown = np.maximum((mean_A - self.errors.offset_A) / self.errors.gain, 0.0)
        self.counter_Ah += shown * self.errors.counter * (dt_s / 3600.0)

    def shown_A(self) -> Array:
        """The device's own current reading, in its steps."""
        return np.round((self.current_A - self.errors.offset_A) / self.errors.gain / CURRENT_STEP_A) * CURRENT_STEP_A


def ratings_of(current_A: Sequence[float], voltage_V: Sequence[float], watchdog_s: Sequence[float]) -> Ratings:
    """Ratings from plain numbers."""
    return Ratings(
        np.array(current_A, dtype=float), np.array(voltage_V, dtype=float), np.array(watchdog_s, dtype=float)
    )


def _finite(value: float) -> float:
    number = float(value)
    return number if np.isfinite(number) else 0.0
