"""What ends a step: the first of its ends that is met."""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.planned import PlanStep, StepKind
from controller.core.state import Run
from controller.core.values import GASSING_mV_PER_K

STEADY_SAMPLES = 12
"""The window of a steady end is looked at in twelve parts: fine enough for an hour, little to remember."""

STEADY_REFERENCE_C = 40.0
MEETS = 2
"""An end by a measured value must be met in two readings, so that one spike ends no step."""


def corrected_V_per_cell(facts: Facts) -> float | None:
    """Return volts per cell corrected to 40 C, or None where volts or temperature are not known."""
    if facts.voltage_V_per_cell is None or facts.hot_C is None or facts.probe_lost:
        return None
    return facts.voltage_V_per_cell + GASSING_mV_PER_K / 1000.0 * (facts.hot_C - STEADY_REFERENCE_C)


def sampled(run: Run, step: PlanStep, facts: Facts, undisturbed: bool) -> tuple[tuple[int, float], ...]:
    """Return the samples of the steady end after this cycle; a disturbed current starts them anew."""
    ends = step.ends
    if ends.steady_rise_mV_per_cell is None or ends.steady_over_ms <= 0:
        return ()
    if not undisturbed:
        return ()
    due = run.steady[-1][0] + ends.steady_over_ms / STEADY_SAMPLES if run.steady else 0.0
    volts = corrected_V_per_cell(facts)
    if volts is None or run.step_time_ms < due:
        return run.steady
    return (*run.steady, (run.step_time_ms, volts))[-(STEADY_SAMPLES + 1) :]


def moved_Ah(run: Run, step: PlanStep) -> float:
    """Return the charge that counts for the step's end: discharged in a discharge, else charged."""
    return run.step_discharge_Ah if step.kind is StepKind.DISCHARGE else run.step_charge_Ah


def charge_end_Ah(run: Run, step: PlanStep) -> float | None:
    """Return the charge that ends the step, with what interruptions owe, or None."""
    if step.ends.charge_Ah is None:
        return None
    return step.ends.charge_Ah + (run.owed_Ah if step.takes_owed else 0.0)


def measured_end(run: Run, step: PlanStep, facts: Facts, undisturbed: bool, limited: bool) -> str | None:
    """Return which end by a measured value is met in this reading, or None. Nothing unread ends a step.

    A current has fallen only where the whole current of the step was asked for (`undisturbed`: no derate, ramp or
    restart current made it small) and volts stand at the limit written (`limited`: the string takes no more, rather
    than that the rectifier is still on its way up).
    """
    ends, volts, current, hot = step.ends, facts.voltage_V_per_cell, facts.current_A, facts.probe_C
    if ends.voltage_V_per_cell is not None and volts is not None:
        reached = (
            volts <= ends.voltage_V_per_cell if step.kind is StepKind.DISCHARGE else volts >= ends.voltage_V_per_cell
        )
        if reached and (run.flowing or step.kind is StepKind.REST):
            return "voltage"
    fallen = current is not None and ends.current_A is not None and abs(current) <= ends.current_A
    if fallen and run.flowing and undisturbed and limited:
        return "current"
    if ends.temperature_C is not None and hot is not None and hot <= ends.temperature_C:
        return "temperature"
    if ends.steady_rise_mV_per_cell is not None and len(run.steady) > STEADY_SAMPLES:
        rise_mV = 1000.0 * (run.steady[-1][1] - run.steady[0][1])
        if rise_mV <= ends.steady_rise_mV_per_cell and moved_Ah(run, step) >= ends.steady_not_before_Ah:
            return "steady"
    return None


def met(run: Run, step: PlanStep) -> str | None:
    """Return which end by order, time or charge is met, or None."""
    if step.ends.order and run.done:
        return "order"
    if step.ends.time_ms is not None and run.step_time_ms >= step.ends.time_ms:
        return "time"
    charge = charge_end_Ah(run, step)
    if charge is not None and moved_Ah(run, step) >= charge:
        return "charge"
    return None
