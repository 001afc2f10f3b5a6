"""Which laws there are, in the order in which they are asked."""

from __future__ import annotations

from controller.core.conditions import Law
from controller.core.laws import (
    bath_water,
    charge_cap,
    current,
    device,
    extraction,
    open_string,
    people,
    probe,
    probe_loss,
    step_time,
    voltage,
)
from controller.core.view import BathView, CircuitView

CIRCUIT_LAWS: tuple[Law[CircuitView], ...] = (
    *device.LAWS,
    *current.LAWS,
    *voltage.LAWS,
    *open_string.LAWS,
    *probe.LAWS,
    *probe_loss.LAWS,
    *charge_cap.LAWS,
    *step_time.LAWS,
)
BATH_LAWS: tuple[Law[BathView], ...] = (*people.LAWS, *extraction.LAWS, *bath_water.LAWS)
