"""Which laws there are, in the order in which they are asked."""

from __future__ import annotations

from controller.core.conditions import Family, Law
from controller.core.laws import (
    advised,
    bath_water,
    block_ignored,
    charge_cap,
    contactor,
    counter,
    current,
    device,
    dues,
    earth,
    extraction,
    first_minutes,
    flow,
    flow_step,
    hands_off,
    hold_harm,
    hydrogen,
    level,
    link,
    open_string,
    output_on,
    people,
    power_limited,
    probe,
    probe_loss,
    probe_moves,
    probe_sensors,
    record,
    record_space,
    ripple,
    rounds,
    runaway,
    service_hold,
    set_point,
    several_hot,
    step_time,
    voltage,
    zero,
)
from controller.core.view import BathView, CircuitView

CIRCUIT_FAMILIES: tuple[Family[CircuitView], ...] = (
    hands_off.FAMILY,
    link.FAMILY,
    device.FAMILY,
    set_point.FAMILY,
    zero.FAMILY,
    output_on.FAMILY,
    contactor.FAMILY,
    current.FAMILY,
    ripple.FAMILY,
    counter.FAMILY,
    voltage.FAMILY,
    open_string.FAMILY,
    first_minutes.FAMILY,
    probe.FAMILY,
    probe_loss.FAMILY,
    probe_sensors.FAMILY,
    probe_moves.FAMILY,
    runaway.FAMILY,
    charge_cap.FAMILY,
    step_time.FAMILY,
    flow_step.FAMILY,
    service_hold.FAMILY,
    hold_harm.FAMILY,
    dues.FAMILY,
    advised.FAMILY,
)
NUMBER_FAMILIES: tuple[Family[CircuitView], ...] = (
    current.FAMILY,
    ripple.FAMILY,
    counter.FAMILY,
    voltage.FAMILY,
    open_string.FAMILY,
    first_minutes.FAMILY,
    probe.FAMILY,
    probe_sensors.FAMILY,
    charge_cap.FAMILY,
    step_time.FAMILY,
    dues.FAMILY,
)
"""Those that compare numbers: the only ones that must be asked of an orderly circuit (`orderly.py`)."""

BATH_FAMILIES: tuple[Family[BathView], ...] = (
    people.FAMILY,
    extraction.FAMILY,
    hydrogen.FAMILY,
    bath_water.FAMILY,
    several_hot.FAMILY,
    flow.FAMILY,
    level.FAMILY,
    earth.FAMILY,
    block_ignored.FAMILY,
    record.FAMILY,
    record_space.FAMILY,
    rounds.FAMILY,
    power_limited.FAMILY,
)
CIRCUIT_LAWS: tuple[Law[CircuitView], ...] = tuple(law for family in CIRCUIT_FAMILIES for law in family.laws)
BATH_LAWS: tuple[Law[BathView], ...] = tuple(law for family in BATH_FAMILIES for law in family.laws)
EXPLAINS: dict[str, tuple[str, ...]] = {
    **{law.code: law.explains for law in CIRCUIT_LAWS if law.explains},
    **{law.code: law.explains for law in BATH_LAWS if law.explains},
}
"""By code: the alarms that only follow from it."""
