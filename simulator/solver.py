"""The overpotentials of both electrodes at the end of a step: one Newton iteration over all elements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator.parameters import GAS_V, Array

_B = np.array(GAS_V)[:, None]
_INVERSE_B = 1.0 / _B
_TWO_INVERSE_B = 2.0 / _B
GOOD_V = 1e-3
STRIDE_V = 0.15
MOST_PASSES = 80


@dataclass(frozen=True, slots=True)
class Currents:
    """What flows through one cell by electrode, shape (2, ..., n); the parts sum to `cell_A` to the last bit."""

    eta: Array
    main_A: Array
    gas_A: Array
    reverse_A: Array
    layer_A: Array
    cell_A: Array  # (..., n)
    resistance: Array  # d eta / dI, ohm


@dataclass(frozen=True, slots=True)
class Electrodes:
    """What fixes the currents of an electrode at a given overpotential, shapes as there."""

    before: Array  # overpotential at the start of the step
    inverse_exchange: Array
    charge_A: Array  # limiting currents of the main reaction
    discharge_A: Array
    gas_A: Array  # at no overpotential
    reverse_A: Array
    layer_S: Array
    leak: Array | None  # takes current past the cell as its overpotentials rise, (..., n)


def _flows(e: Electrodes, eta: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Main, gas, reverse and double-layer current, d main/d eta, d all/d eta."""
    y = np.exp(eta * _INVERSE_B)
    y2 = y * y
    y_2 = 1.0 / y2
    n = y2 - y_2
    bend = e.inverse_exchange + np.abs(n) / np.where(n > 0.0, e.charge_A, e.discharge_A)
    gas = e.gas_A * y
    reverse = e.reverse_A / y
    d_main = _TWO_INVERSE_B * (y2 + y_2) * e.inverse_exchange / (bend * bend)
    slope = d_main + (gas + reverse) * _INVERSE_B + e.layer_S
    return n / bend, gas, reverse, e.layer_S * (eta - e.before), d_main, slope


def solve_overpotential(eta: Array, fixed_A: Array, e: Electrodes) -> Currents:
    """Overpotential (2, ..., n) at which the electrode's currents sum to the cell's; the search begins at `eta`.

    `fixed_A` (..., n) is the cell's current, with a leak what of it does not hang on the overpotential. The last
    correction, below 1 mV, is applied linearly to the currents.

    Plain Newton swings for ever near full charge, where the main reaction saturates before gas has begun: the stride is
    limited, and from the fifth pass on halved wherever the correction changes sign.
    """
    stride: Array | None = None
    last: Array | None = None
    cell_A = fixed_A
    passes = 0
    while True:
        main, gas, reverse, layer, d_main, slope = _flows(e, eta)
        if e.leak is not None:
            cell_A = fixed_A - e.leak * (eta[0] + eta[1])
        d = (cell_A - (main + gas - reverse + layer)) / slope
        if e.leak is not None:
            d, cell_A = _leaked(e.leak, d, slope, cell_A)
        passes += 1
        worst = max(d.max(), -d.min()) if d.size else 0.0
        if worst < GOOD_V or passes >= MOST_PASSES:
            break
        if passes >= 5:
            stride = _stride(stride, last, d)
        move = d if worst <= STRIDE_V and stride is None else _held(d, stride)
        # Who is there stays there, so that nobody's figures hang on the company: alone it would have stopped, too.
        eta = eta + move * (np.abs(d).max(axis=0) >= GOOD_V)
        last = d
    by_b = d * _INVERSE_B
    return Currents(
        eta=eta + d,
        main_A=main + d_main * d,
        gas_A=gas + gas * by_b,
        reverse_A=reverse - reverse * by_b,
        layer_A=layer + e.layer_S * d,
        cell_A=cell_A,
        resistance=1.0 / slope,
    )


def _leaked(leak: Array, d: Array, slope: Array, cell_A: Array) -> tuple[Array, Array]:
    """The correction when the cell's current falls as its overpotentials rise, and that current after it."""
    inverse = 1.0 / slope
    change = (d[0] + d[1]) / (1.0 + leak * (inverse[0] + inverse[1]))
    return d - (leak * change) * inverse, np.asarray(cell_A - leak * change)


def _stride(stride: Array | None, last: Array | None, d: Array) -> Array:
    """How far each overpotential may move next."""
    if stride is None or last is None:
        return np.full(d.shape, STRIDE_V)
    return np.where(d * last < 0.0, 0.5 * stride, np.minimum(1.3 * stride, STRIDE_V))


def _held(d: Array, stride: Array | None) -> Array:
    if stride is None:
        return np.clip(d, -STRIDE_V, STRIDE_V)
    return np.clip(d, -stride, stride)
