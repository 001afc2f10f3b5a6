"""Whether the core would load a profile on a circuit: the order is given to it, nothing is decided here."""

from __future__ import annotations

from dataclasses import replace

from controller.bathfile import settings_of
from controller.core import bath as core_bath
from controller.core.planned import Load
from controller.core.settings import BathSettings
from controller.core.types import BathIn, BathReading, ChannelReading, EventKind, Fit, LinkState, Order, Value
from controller.words import refusal_text
from simulator.bench.helping import ROLES
from simulator.bench.setting import Setting

CYCLES = 4
"""Cycles of one second until the circuit has read zero back and the order has its answer."""


def load_refusal(setting: Setting, settings: BathSettings) -> str:
    """Why the core refuses to load the profile on the setting's circuit, in words; "" where it does not."""
    if setting.bath is not None:
        settings = replace(settings, level_mm=settings_of(setting.bath).level_mm)
    zero, one = Value(0.0), Value(1.0)
    reading = ChannelReading(
        zero, zero, zero, zero, zero, zero, zero, zero, None, None, None,
        (Value(setting.water_C),), LinkState.UP, Fit.OK,
    )  # fmt: skip
    inputs = BathReading((Value(setting.water_C),), one, one, one, link=LinkState.UP, fit=Fit.OK)
    load = Load(setting.plan, setting.batteries, "bench", released=True)
    order = Order("load", "load", settings.circuits[0].name, "bench", ROLES, {}, None, load)
    state = core_bath.fresh_state(settings)
    for cycle in range(CYCLES):
        orders = (order,) if cycle == CYCLES - 1 else ()
        state, out = core_bath.step(settings, state, BathIn(1000 * cycle, inputs, (reading,), orders))
        for event in out.events:
            if event.kind is EventKind.REFUSAL:
                return refusal_text(event.code, event.data)
    return ""
