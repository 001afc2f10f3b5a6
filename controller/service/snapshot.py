"""What the service shows of itself: one plain object, for consoles and scripts, format 2. Pure.

A read quantity is [number, quality, age in ms]; the reaction of an alarm is told where it holds or trips. What is None
or empty is left out where the console's picture has the same default. Plans stand once, by the first twelve hex digits
of their hash, for all circuits that use them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from controller import words
from controller.core import asking
from controller.core.bath import BathOut
from controller.core.bathstate import BathState
from controller.core.ends import charge_end_Ah, moved_Ah
from controller.core.limits import set_point_A, smallest_percent
from controller.core.moves import would_owe_Ah
from controller.core.orderchecks import Refusal
from controller.core.planned import Load, Plan, PlanStep
from controller.core.sequence import step_of
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import Alarm, CircuitState, Run, Tick
from controller.core.types import BathReading, ChannelReading, CircuitIn, Condition, Reaction, State, Value
from controller.course import Expected
from controller.records.rows import time_utc
from controller.service.away import Away, away_shown

FORMAT = "formbath/snapshot/2"
DECIMALS = 4
KEY_DIGITS = 12
POWER = "power"
"""What stands in the place of a law's code where the circuit's share of the bath's power is the smallest limit."""

LONGEST_TEXT = 200
LONGEST_SENTENCE = 300
"""Characters of a text from outside, and of a refusal with all its cautions; the console shows no more of them."""


@dataclass(frozen=True, slots=True)
class Seen:
    """All that one snapshot is made of. `folders`: each circuit's open or last run folder, by name.

    `beside`: each run beside its course and sisters (`controller.courseseen`); `courses`: by the profile's hash.
    `replay`: what is told of a replay (`controller.console.replayview`), None where what is shown is live.
    """

    settings: BathSettings
    state: BathState
    out: BathOut
    bath: BathReading
    utc_ms: int
    trouble: str | None = None
    folders: Mapping[str, str] = field(default_factory=dict)
    prompts: tuple[Mapping[str, Any], ...] = ()
    pace: tuple[float, bool] | None = None
    away: Away | None = None
    beside: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    courses: Mapping[str, Expected | None] = field(default_factory=dict)
    replay: Mapping[str, Any] | None = None


def snapshot(seen: Seen) -> dict[str, Any]:
    """Return the whole picture of one cycle."""
    settings, state, out = seen.settings, seen.state, seen.out
    air_ms = state.now_ms - state.air_since_ms if state.air_since_ms is not None else None
    shared = out.told[0].bath.reactions if out.told else ()
    circuits = zip(settings.circuits, state.circuits, out.told, out.standing, strict=True)
    return {
        "format": FORMAT,
        "time_utc": time_utc(seen.utc_ms),
        "now_ms": state.now_ms,
        "hall": settings.hall,
        "bath": settings.name,
        "virtual": settings.virtual,
        "period_s": settings.period_ms / 1000.0,
        "stale_after_s": settings.stale_ms / 1000.0,
        "purge_s": settings.purge_ms / 1000.0,
        "tick_stale_s": settings.tick_stale_ms / 1000.0,
        "inputs": _inputs(seen.bath),
        "limits": _limits(settings),
        "circuits": [
            {
                **_circuit(settings, own, each, cin, standing, seen.folders.get(own.name)),
                **_beside(seen.beside, own.name),
            }
            for own, each, cin, standing in circuits
        ],
        **_present(
            record_trouble=seen.trouble,
            purge_left_s=out.told[0].bath.purge_left_ms / 1000.0 if out.told else None,
            air_s=air_ms / 1000.0 if air_ms is not None else None,
            alarms=[_alarm(settings.name, alarm, shared) for alarm in state.alarms],
            flood=state.flood.active or None,
            start_items=list(settings.start_items),
            unreleased=(not settings.virtual and not settings.asks_release) or None,
            plans=_plans(state, seen.courses),
            pace=None if seen.pace is None else {"ratio": seen.pace[0], "paused": seen.pace[1]},
            prompts=list(seen.prompts),
            recovery=away_shown(seen.away),
            replay=seen.replay,
        ),
    }


def _present(**parts: Any) -> dict[str, Any]:
    """Return the parts that say anything: not None, not empty (False and 0 do say something)."""
    return {key: part for key, part in parts.items() if part is not None and part != [] and part not in ({}, "")}


def _number(number: float | None) -> float | None:
    return None if number is None else round(number, DECIMALS)


def _value(value: Value | None) -> list[Any] | None:
    """Return a value with its quality and age, so that nothing old ever looks current."""
    return None if value is None else [_number(value.number), value.quality.value, value.age_ms]


def _inputs(bath: BathReading) -> dict[str, Any]:
    return _present(
        water_C=[_value(value) for value in bath.water_C],
        airflow=_value(bath.airflow),
        hood_closed=_value(bath.hood_closed),
        emergency_stop_ok=_value(bath.emergency_stop_ok),
        flow_L_min=_value(bath.flow_L_min),
        level=_value(bath.level),
        hydrogen_percent_LEL=_value(bath.hydrogen_percent_LEL),
        link=bath.link.value,
    )


def _limits(settings: BathSettings) -> dict[str, Any]:
    probe = settings.laws.probe
    return {
        "probe_derate_C": probe.derate_C,
        "probe_hold_C": probe.hold_C,
        "probe_trip_C": probe.trip_C,
        "fresh_V": settings.fresh_V,
        "fresh_scatter_V": settings.fresh_scatter_V,
        "after_run_ms": settings.after_run_ms,
        "after_run_probe_C": settings.after_run_probe_C,
    }


def _circuit(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
    folder: str | None,
) -> dict[str, Any]:
    reading, load, run = cin.reading, state.load, state.run
    at = step_of(load.plan, run) if load is not None and run is not None else None
    percent, code = _allowed(own, state, at, cin, standing)
    return {
        "name": state.name,
        "state": state.state.value,
        "since_ms": state.since_ms,
        "confirmed": state.confirmed,
        "revision": state.revision,
        "output": state.output.value,
        "link": reading.link.value,
        "places": own.places,
        "set_current_A": _number(state.command.set_current_A),
        "voltage_limit_V": _number(state.command.voltage_limit_V),
        "current_max_A": own.current_max_A,
        **_read(reading),
        **_present(
            blocked_by=state.blocked_by,
            blocked_ms=state.blocked_ms if state.blocked_by else None,
            allowed_percent=_number(percent) if code is not None else None,
            allowed_code=code,
            cells=load.plan.cells * load.batteries if load is not None else None,
            load=_load(load) if load is not None else None,
            run=_run(state, run, at) if run is not None and at is not None else None,
            folder=folder,
            alarms=[_alarm(state.name, alarm, standing) for alarm in state.alarms],
            ticks=[_tick(tick) for tick in state.ticks],
            start_checks=_start_checks(settings, own, state, cin, standing),
            may={verb: _why(no) for verb, no in asking.may(settings, own, state, cin, standing).items()},
        ),
    }


def _allowed(
    own: CircuitSettings, state: CircuitState, at: PlanStep | None, cin: CircuitIn, standing: tuple[Condition, ...]
) -> tuple[float, str | None]:
    """Return what reduces the current most, in percent of the step's, and its law; `power` where it is the share."""
    percent, share_A, run = state.allowed.percent, cin.share_A, state.run
    if share_A is not None and run is not None and at is not None and state.state is State.RUNNING:
        whole_A = set_point_A(own, run, at, None, percent, standing)
        if set_point_A(own, run, at, share_A, percent, standing) < whole_A:
            return 100.0 * share_A / at.current_A, POWER
    return smallest_percent(percent, at, standing)


def _read(reading: ChannelReading) -> dict[str, Any]:
    """Return what the channel says, each value with its quality and age."""
    return {
        "current_A": _value(reading.current_A),
        "voltage_V": _value(reading.voltage_V),
        "read_set_A": _value(reading.set_current_A),
        "output_on": _value(reading.output_on),
        **_present(probes_C=[_value(probe) for probe in reading.probes], counter_Ah=_value(reading.counter_Ah)),
    }


def _start_checks(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    cin: CircuitIn,
    standing: tuple[Condition, ...],
) -> list[tuple[str, str]]:
    """Return each check of a start with its refusal, for a circuit that could be started next."""
    if state.state is not State.IDLE or state.load is None:
        return []
    ask = asking.ask_of(settings, own, state, cin, standing, "start")
    return [(name, _why(refusal)) for name, refusal in asking.start_checks(ask)]


def _why(refusal: Refusal | None) -> str:
    return "" if refusal is None else words.refusal_text(refusal.code, refusal.data)[:LONGEST_SENTENCE]


def _load(load: Load) -> dict[str, Any]:
    plan = load.plan
    most = plan.soak_max_ms if load.fresh else None
    return _present(
        plan=plan.sha256[:KEY_DIGITS],
        batch=load.batch[:LONGEST_TEXT],
        text=load.text[:LONGEST_TEXT],
        batteries=load.batteries,
        fresh=load.fresh,
        trial=load.trial or None,
        first_filled_ms=load.first_filled_ms,
        last_filled_ms=load.last_filled_ms,
        start_from_ms=load.last_filled_ms + plan.soak_min_ms if load.fresh else None,
        start_by_ms=load.first_filled_ms + most if most is not None else None,
    )


def _run(state: CircuitState, run: Run, at: PlanStep) -> dict[str, Any]:
    held = run.interruption
    return _present(
        start_ms=run.start_ms,
        started_by=run.started_by,
        end_ms=run.end_ms,
        step=at.number,
        step_time_ms=run.step_time_ms,
        step_Ah=_number(moved_Ah(run, at)),
        step_end_Ah=_number(charge_end_Ah(run, at)),
        charge_Ah=_number(run.counters.charge_Ah),
        discharge_Ah=_number(run.counters.discharge_Ah) or None,
        energy_Wh=_number(run.counters.energy_Wh),
        owed_Ah=_number(run.owed_Ah) or None,
        would_owe_Ah=_number(would_owe_Ah(state, state.now_ms)) or None,
        restart_left_ms=run.restart_left_ms or None,
        slow=run.slow or None,
        held_since_ms=held.since_ms if held is not None else None,
        held_by=held.code if held is not None else None,
        hottest_C=_number(run.hottest_C),
        highest_V_per_cell=_number(run.highest_V_per_cell),
    )


def _tick(tick: Tick) -> dict[str, Any]:
    return _present(item=tick.item, ok=tick.ok, who=tick.who, at_ms=tick.at_ms, reason=tick.reason[:LONGEST_TEXT])


def _alarm(target: str, alarm: Alarm, standing: tuple[Condition, ...]) -> dict[str, Any]:
    """Return an alarm with the value that its law sees now; the record keeps the one with which it came."""
    value = alarm.value
    for found in standing if alarm.active else ():
        if found.code == alarm.code and _still_beyond(alarm, found.value):
            value = found.value
    return _present(
        target=target,
        code=alarm.code,
        since_ms=alarm.since_ms,
        priority=alarm.priority,
        reaction=alarm.reaction.name.lower() if alarm.reaction >= Reaction.HOLD else None,
        active=None if alarm.active else False,
        acknowledged=alarm.acknowledged or None,
        latched=alarm.latched or None,
        value=_number(value),
        limit=_number(alarm.limit),
        first=alarm.first,
        shelved_until_ms=alarm.shelved_until_ms,
        shelved_by=alarm.shelved_by[:LONGEST_TEXT],
        shelved_why=alarm.shelved_why[:LONGEST_TEXT],
        suppressed=alarm.suppressed or None,
        out_of_use=alarm.out_of_use or None,
        came_and_went=alarm.times if alarm.chattering else None,
        escalated=alarm.escalated or None,
    )


def _still_beyond(alarm: Alarm, value: float | None) -> bool:
    """Return whether a value is on the side of the limit where the alarm came; in the hysteresis it is not."""
    if value is None or alarm.value is None or alarm.limit is None:
        return False
    return (value - alarm.limit) * (alarm.value - alarm.limit) > 0.0


def _plans(state: BathState, courses: Mapping[str, Expected | None]) -> dict[str, Any]:
    plans = {each.load.plan.sha256: each.load.plan for each in state.circuits if each.load is not None}
    return {sha256[:KEY_DIGITS]: _plan(plan, _lengths_ms(courses, sha256)) for sha256, plan in plans.items()}


def _beside(beside: Mapping[str, Mapping[str, Any]], name: str) -> dict[str, Any]:
    """Return a run beside its course; what of it cannot be told is left out, and costs no cycle."""
    try:
        return _present(beside=beside.get(name))
    except Exception:  # noqa: BLE001 - a comparison is never worth the picture, nor the cycle that shows it
        return {}


def _lengths_ms(courses: Mapping[str, Expected | None], sha256: str) -> Mapping[int, int]:
    """Return how long the steps of a course take, by their numbers; nothing where that cannot be told."""
    try:
        expected = courses.get(sha256)
        return dict(expected.course_ms) if expected is not None else {}
    except Exception:  # noqa: BLE001 - as above
        return {}


def _plan(plan: Plan, lengths: Mapping[int, int]) -> dict[str, Any]:
    return _present(
        name=plan.name,
        revision=plan.revision,
        planned_Ah=_number(plan.planned_charge_Ah),
        charge_cap_Ah=_number(plan.charge_cap_Ah),
        voltage_trip_V_per_cell=plan.voltage_trip_V_per_cell,
        steps=[{**_step(step), **_present(course_ms=lengths.get(step.number))} for step in plan.steps],
    )


def _step(step: PlanStep) -> dict[str, Any]:
    return _present(
        number=step.number,
        name=step.name,
        kind=step.kind.value,
        current_A=_number(step.current_A),
        voltage_V_per_cell=step.voltage_V_per_cell,
        time_ms=step.ends.time_ms,
        charge_Ah=_number(step.ends.charge_Ah),
        order=step.ends.order or None,
        task=step.task,
        restart_A=_number(step.restart_current_A),
        restart_ms=step.restart_ms,
        resume_within_ms=step.resume_within_ms,
    )
