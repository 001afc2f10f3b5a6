"""The preconditions of current: the rectifier, the bath's air and hood, the neighbours, the string at zero, the run."""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.laws.record import WAITS
from controller.core.laws.record_space import EASED, REFUSES_START
from controller.core.orderchecks import Ask, Refusal, engineer_with_reason, knows_the_plant, whole_of
from controller.core.planned import REST, PlanStep
from controller.core.sequence import soaked_too_long, step_of
from controller.core.types import Fit, LinkState, Output, Reaction, State

CONTINUED_LEAST_V_PER_CELL = 1.8
CONTINUED_MOST_V_PER_CELL = 2.4
"""A string whose formation is continued rests between these; Bode's curve gives 1.92 to 2.15 V for 1 to 7 mol/kg."""

EXTEND_MINUTES = 240
"""The most that one order adds to a step's longest time (own choice: who looks comes back within half a shift)."""


def cause_gone(ask: Ask) -> Refusal | None:
    """Refuse current while anything that holds or trips stands."""
    for condition in ask.standing:
        if condition.reaction >= Reaction.HOLD:
            return Refusal("cause_stands", {"cause": condition.code})
    return None


def record_has_room(ask: Ask) -> Refusal | None:
    """Refuse to begin a run that the disk of its record may not hold to its end, or takes nothing of now.

    A resume is not refused: batteries in mid-run are harmed by each hour without current, and what waits in memory has
    hours before `record_full` holds the bath; what was never begun can wait for its disk.
    """
    for condition in ask.standing:
        if condition.code == WAITS:
            return Refusal("record_waits", {})
        if condition.code == REFUSES_START:
            limit = condition.limit
            eased = None if limit is None else limit * EASED
            seconds = ask.settings.laws.alarm.quiet_s
            return Refusal(
                "record_space", {"value": condition.value, "limit": limit, "eased": eased, "seconds": seconds}
            )
    return None


def remote(ask: Ask) -> Refusal | None:
    """Refuse current from a rectifier that is in other hands, or of which nobody knows in whose."""
    if ask.facts.local is None:
        return Refusal("not_read", {"link": ask.facts.link.value})
    return Refusal("local", {}) if ask.facts.local else None


def read(ask: Ask) -> Refusal | None:
    """Refuse current where the rectifier's values are not fresh."""
    facts = ask.facts
    if facts.stale or not facts.fresh or facts.link is not LinkState.UP:
        return Refusal("not_read", {"link": facts.link.value})
    return None


def right_device(ask: Ask) -> Refusal | None:
    """Refuse a device that is not the map's, or was not compared with it yet."""
    return None if ask.facts.fit is Fit.OK else Refusal("device", {"fit": ask.facts.fit.value})


def not_stuck(ask: Ask) -> Refusal | None:
    """Refuse current from a rectifier that ignores its off, or is on (its contactor closed) though ordered off."""
    if ask.state.output is Output.STUCK:
        return Refusal("stuck", {})
    if ask.state.output is Output.OFF and ask.facts.output_on:
        return Refusal("output_on", {})
    ours = ask.own.has_contactor and not ask.state.command.contactor_closed
    if ours and ask.contactor and ask.state.output is Output.OFF:
        return Refusal("contactor_closed", {})
    return None


def bath_shut_and_aired(ask: Ask) -> Refusal | None:
    """Refuse while the bath is open (or may be), not aired, not purged, holds gas, is stopped, or is not known."""
    bath = ask.bath
    if not bath.inputs_ok:
        return Refusal("inputs_unknown", {})
    if not bath.emergency_stop_ok:
        return Refusal("emergency_stop", {})
    if not bath.hood_closed:
        return Refusal("hood_open", {})
    if not bath.airflow_ok:
        return Refusal("no_airflow", {})
    if bath.purge_left_ms > 0:
        return Refusal("unpurged", {"minutes": bath.purge_left_ms / 60_000.0})
    return no_permit(ask) if bath.gas_ok else Refusal("hydrogen", {})


def no_permit(ask: Ask) -> Refusal | None:
    """Refuse more current while somebody may have the hood open for readings."""
    return Refusal("permit_stands", {"by": ask.bath.permit_by}) if ask.bath.permit else None


def neighbours_told(ask: Ask) -> Refusal | None:
    """Refuse until each person who blocked a circuit under this hood was told, named in `told`."""
    told = str(ask.order.args.get("told") or "").replace(",", " ").split()
    for neighbour in ask.bath.blocked:
        name = neighbour.split(" ", 1)[0]
        if name.lower() not in (word.lower() for word in told):
            return Refusal("neighbour_blocked", {"neighbour": neighbour, "name": name})
    return None


def flows_alone(ask: Ask) -> Refusal | None:
    """Refuse while another circuit's first current flows alone, so that crossed leads show."""
    left_ms = ask.bath.alone_until_ms - ask.facts.now_ms
    if left_ms <= 0 or ask.bath.alone in ("", ask.own.name):
        return None
    return Refusal("alone", {"circuit": ask.bath.alone, "seconds": left_ms / 1000.0})


def resume_is_yours(ask: Ask) -> Refusal | None:
    """Refuse the first resume after a bath's grave cause to all but maintenance, any other to maintenance alone."""
    if ask.state.resume_for or ask.bath.resume_for:
        return first_is_maintenances(ask)
    if {"technician", "engineer"} & set(ask.order.roles):
        return None
    return Refusal("role", {"needs": "technician or engineer"})


def first_is_maintenances(ask: Ask) -> Refusal | None:
    """Refuse the first current after a bath's grave cause to all but maintenance: a start no less than a resume."""
    cause = ask.state.resume_for or ask.bath.resume_for
    yours = not cause or knows_the_plant(ask.settings, ask.order)
    return None if yours else Refusal("maintenance_resume", {"cause": cause})


def _next_flows(ask: Ask) -> bool:
    step = next_of(ask)
    return ask.state.state is State.RUNNING and step is not None and step.kind is not REST


def next_neighbours_told(ask: Ask) -> Refusal | None:
    """Refuse to go on to a step with current until each person at a blocked neighbour was told, as at a start."""
    return neighbours_told(ask) if _next_flows(ask) else None


def next_flows_alone(ask: Ask) -> Refusal | None:
    """Refuse to go on to a step with current while another circuit's first current flows alone."""
    return flows_alone(ask) if _next_flows(ask) else None


def soaked(ask: Ask) -> Refusal | None:
    """Refuse outside the soak: its minimum from the last battery filled, its maximum from the first."""
    load, now_ms = ask.state.load, ask.facts.now_ms
    if load is None or not load.fresh:
        return None
    left = load.plan.soak_min_ms - (now_ms - load.last_filled_ms)
    if left > 0:
        return Refusal("soak_short", {"minutes": left / 60_000.0})
    if soaked_too_long(load, now_ms) and load.plan.late_start == "engineer" and not engineer_with_reason(ask):
        return Refusal("soak_long", {"minutes": (now_ms - load.first_filled_ms) / 60_000.0})
    return None


def cool_enough(ask: Ask) -> Refusal | None:
    """Refuse a start above the profile's start temperature, or without a temperature."""
    load, hot = ask.state.load, ask.facts.probe_C
    limit = load.plan.start_below_C if load is not None else None
    if limit is None:
        return None
    if hot is None:
        return Refusal("no_temperature", {})
    if ask.facts.seen_C is not None:  # the first reading of a probe counts here, though laws wait for a second one
        hot = max(hot, ask.facts.seen_C)
    return Refusal("too_hot", {"value": hot, "limit": limit}) if hot > limit else None


def string_volts(ask: Ask) -> Refusal | None:
    """Refuse string volts at zero current that do not fit the load list.

    A fresh string stands near the plant's own fresh volts; a formed battery in it adds or takes some 12.7 V.
    """
    load, volts = ask.state.load, ask.facts.voltage_V
    if load is None or volts is None or not ask.facts.zero:
        return Refusal("not_read", {"link": ask.facts.link.value})
    if load.fresh:
        expected, scatter = ask.settings.fresh_V, ask.settings.fresh_scatter_V
        fits = abs(volts - expected) <= scatter
    else:
        cells = load.plan.cells * load.batteries
        least, most = CONTINUED_LEAST_V_PER_CELL * cells, CONTINUED_MOST_V_PER_CELL * cells
        expected, scatter = (least + most) / 2.0, (most - least) / 2.0
        fits = least <= volts <= most
    return None if fits else Refusal("string_volts", {"value": volts, "expected": expected, "scatter": scatter})


def stands_off(ask: Ask) -> Refusal | None:
    """Refuse to unload before zero and off were read back: now, or earlier where nothing read since speaks against it.

    What was read in the cycle of the stop itself was read before it.
    """
    state, facts = ask.state, ask.facts
    if state.run is not None and state.run.end_ms == facts.now_ms:
        return Refusal("not_zero", {})
    against = (facts.current_A is not None and not facts.zero) or facts.output_on is True
    return None if at_zero(facts) or (state.output is Output.OFF and not against) else Refusal("not_zero", {})


def cooled_down(ask: Ask) -> Refusal | None:
    """Refuse to unload in the cool-down without a reason."""
    run = ask.state.run
    if run is None or run.end_ms is None or ask.order.args.get("reason"):
        return None
    left = ask.settings.after_run_ms - (ask.facts.now_ms - run.end_ms)
    if left > 0:
        return Refusal("cool_down", {"minutes": left / 60_000.0})
    hot = ask.facts.hot_C
    if hot is None or hot > ask.settings.after_run_probe_C:
        return Refusal("still_hot", {"value": hot, "limit": ask.settings.after_run_probe_C})
    return None


def step_stands(ask: Ask) -> Refusal | None:
    """Refuse an order that names a step other than the one that stands: the person looked before it changed."""
    step = stands(ask)
    if "step" not in ask.order.args or step is None:
        return None
    return None if whole_of(ask.order.args, "step") == step.number else Refusal("changed", {})


def waits_for_done(ask: Ask) -> Refusal | None:
    """Refuse `done` where no step waits for it."""
    step = stands(ask)
    return None if step is not None and step.ends.order else Refusal("nothing_to_do", {})


def within_resume_limit(ask: Ask) -> Refusal | None:
    """Refuse past the step's resume limit, but the engineer with a reason (a named deviation)."""
    run, load = ask.state.run, ask.state.load
    if run is None or load is None or ask.state.state is not State.HELD or run.interruption is None:
        return None
    held_ms = ask.facts.now_ms - run.interruption.since_ms
    limit_ms = step_of(load.plan, run).resume_within_ms
    if held_ms <= limit_ms or engineer_with_reason(ask):
        return None
    return Refusal("past_resume_limit", {"minutes": held_ms / 60_000.0, "limit": limit_ms / 60_000.0})


def stands(ask: Ask) -> PlanStep | None:
    """Return the step that the run stands in, or None."""
    run, load = ask.state.run, ask.state.load
    return None if run is None or load is None else step_of(load.plan, run)


def next_of(ask: Ask) -> PlanStep | None:
    """Return the step after the one that stands, or None."""
    run, load = ask.state.run, ask.state.load
    if run is None or load is None or run.step + 1 >= len(load.plan.steps):
        return None
    return load.plan.steps[run.step + 1]


def has_next(ask: Ask) -> Refusal | None:
    """Refuse to skip the last step: a stop ends the run."""
    return None if next_of(ask) is not None else Refusal("last_step", {})


def extends_enough(ask: Ask) -> Refusal | None:
    """Refuse to lengthen a step without a longest time, or by more than a person may at once."""
    step, minutes = stands(ask), whole_of(ask.order.args, "minutes")
    if step is None or step.longest_ms is None:
        return Refusal("no_longest", {})
    if minutes is None or not 1 <= minutes <= EXTEND_MINUTES:
        return Refusal("minutes", {"most": EXTEND_MINUTES})
    return None


def at_zero(facts: Facts) -> bool:
    """Return whether zero current and an output that is off were read back."""
    return not facts.stale and facts.zero and facts.output_on is False


def at_rest(ask: Ask) -> Refusal | None:
    """Refuse current where what was asked for before has not come to zero and off yet."""
    return None if ask.facts.zero and ask.facts.output_on is False else Refusal("not_zero", {})


def dead(ask: Ask) -> Refusal | None:
    """Refuse what hands do at the string before zero and off were read back."""
    return None if at_zero(ask.facts) else Refusal("not_zero", {})
