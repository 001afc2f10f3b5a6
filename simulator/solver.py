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


def solve_overpotential(
    eta: Array,
    before: Array,
    cell_A: Array,
    inverse_exchange: Array,
    charge_A: Array,
    discharge_A: Array,
    gas_A: Array,
    reverse_A: Array,
    layer_S: Array,
    leak: Array | None,
) -> Currents:
    """Overpotential (2, ..., n) at which the electrode's currents sum to the cell's.

    `before` is the overpotential at the start of the step, `charge_A` and `discharge_A` limit the main reaction,
    `gas_A` is the gas current at zero overpotential, `leak` (siemens, or None) takes current past the cell as its
    overpotentials rise. The last correction, below 1 mV, is applied linearly to the currents.

    Plain Newton swings for ever near full charge, where the main reaction saturates before gas has begun: the stride is
    limited, and from the fifth pass on halved wherever the correction changes sign.
    """
    stride: Array | None = None
    last: Array | None = None
    if leak is not None:
        fixed = cell_A
        cell_A = fixed - leak * (eta[0] + eta[1])
    passes = 0
    while True:
        y = np.exp(eta * _INVERSE_B)
        y2 = y * y
        y_2 = 1.0 / y2
        n = y2 - y_2
        bend = inverse_exchange + np.abs(n) / np.where(n > 0.0, charge_A, discharge_A)
        main = n / bend
        gas = gas_A * y
        reverse = reverse_A / y
        layer = layer_S * (eta - before)
        d_main = _TWO_INVERSE_B * (y2 + y_2) * inverse_exchange / (bend * bend)
        slope = d_main + (gas + reverse) * _INVERSE_B + layer_S
        d = (cell_A - (main + gas - reverse + layer)) / slope
        if leak is not None:
            inverse = 1.0 / slope
            change = (d[0] + d[1]) / (1.0 + leak * (inverse[0] + inverse[1]))
            d = d - (leak * change) * inverse
        passes += 1
        worst = max(d.max(), -d.min()) if d.size else 0.0
        if worst < GOOD_V or passes >= MOST_PASSES:
            break
        if passes >= 5:
            if stride is None or last is None:
                stride = np.full(d.shape, STRIDE_V)
            else:
                stride = np.where(d * last < 0.0, 0.5 * stride, np.minimum(1.3 * stride, STRIDE_V))
            step = np.clip(d, -stride, stride)
        elif worst > STRIDE_V:
            step = np.clip(d, -STRIDE_V, STRIDE_V)
        else:
            step = d
        last = d
        eta = eta + step
        if leak is not None:
            cell_A = fixed - leak * (eta[0] + eta[1])
    if leak is not None:
        cell_A = cell_A - leak * (d[0] + d[1])
    by_b = d * _INVERSE_B
    return Currents(
        eta=eta + d,
        main_A=main + d_main * d,
        gas_A=gas + gas * by_b,
        reverse_A=reverse - reverse * by_b,
        layer_A=layer + layer_S * d,
        cell_A=cell_A,
        resistance=1.0 / slope,
    )
