"""What the service shows of itself: one plain object, for consoles and scripts. Pure."""

from __future__ import annotations

from typing import Any

from controller import words
from controller.core.bath import BathOut
from controller.core.ends import charge_end_Ah, moved_Ah
from controller.core.facts import hottest_C
from controller.core.sequence import step_of
from controller.core.settings import BathSettings
from controller.core.state import Alarm, BathState, CircuitState
from controller.core.types import BathReading, CircuitIn, Value
from controller.records.rows import time_utc


def snapshot(
    settings: BathSettings, state: BathState, out: BathOut, bath: BathReading, utc_ms: int, trouble: str | None
) -> dict[str, Any]:
    """Return the whole picture of one cycle."""
    return {
        "format": "formbath/snapshot/1",
        "time_utc": time_utc(utc_ms),
        "now_ms": state.now_ms,
        "hall": settings.hall,
        "bath": settings.name,
        "virtual": settings.virtual,
        "stale_after_s": settings.stale_ms / 1000.0,
        "record_trouble": trouble,
        "purge_left_s": out.told[0].bath.purge_left_ms / 1000.0 if out.told else None,
        "inputs": {
            "water_C": [_value(value) for value in bath.water_C],
            "airflow": _value(bath.airflow),
            "hood_closed": _value(bath.hood_closed),
            "emergency_stop_ok": _value(bath.emergency_stop_ok),
            "flow_L_min": _value(bath.flow_L_min),
            "level": _value(bath.level),
            "hydrogen_percent_LEL": _value(bath.hydrogen_percent_LEL),
            "link": bath.link.value,
        },
        "alarms": [_alarm(settings.name, alarm) for alarm in state.alarms],
        "circuits": [
            _circuit(each, cin, settings.stale_ms) for each, cin in zip(state.circuits, out.told, strict=True)
        ],
    }


def _circuit(state: CircuitState, cin: CircuitIn, stale_ms: int) -> dict[str, Any]:
    reading, command, load, run = cin.reading, state.command, state.load, state.run
    cells = load.plan.cells * load.batteries if load is not None else None
    shown: dict[str, Any] = {
        "name": state.name,
        "state": state.state.value,
        "since_ms": state.since_ms,
        "confirmed": state.confirmed,
        "revision": state.revision,
        "blocked_by": state.blocked_by or None,
        "output": state.output.value,
        "link": reading.link.value,
        "set_current_A": command.set_current_A,
        "voltage_limit_V": command.voltage_limit_V,
        "allowed_percent": state.allowed.percent,
        "current_A": _value(reading.current_A),
        "voltage_V": _value(reading.voltage_V),
        "output_on": _value(reading.output_on),
        "probes_C": [_value(probe) for probe in reading.probes],
        "hot_C": hottest_C(reading.probes, stale_ms),
        "counter_Ah": _value(reading.counter_Ah),
        "cells": cells,
        "alarms": [_alarm(state.name, alarm) for alarm in state.alarms],
    }
    if load is not None:
        shown["load"] = {
            "profile": load.plan.name,
            "revision": load.plan.revision,
            "steps": len(load.plan.steps),
            "planned_Ah": load.plan.planned_charge_Ah,
            "batch": load.batch,
            "batteries": load.batteries,
        }
    if run is not None and load is not None:
        at = step_of(load.plan, run)
        shown["run"] = {
            "start_ms": run.start_ms,
            "end_ms": run.end_ms,
            "step": at.number,
            "step_name": at.name,
            "task": at.task or None,
            "step_time_ms": run.step_time_ms,
            "step_Ah": moved_Ah(run, at),
            "step_end_Ah": charge_end_Ah(run, at),
            "charge_Ah": run.counters.charge_Ah,
            "discharge_Ah": run.counters.discharge_Ah,
            "energy_Wh": run.counters.energy_Wh,
            "owed_Ah": run.owed_Ah,
            "held_since_ms": run.interruption.since_ms if run.interruption is not None else None,
            "held_by": run.interruption.code if run.interruption is not None else None,
            "hottest_C": run.hottest_C,
            "highest_V_per_cell": run.highest_V_per_cell,
        }
    return shown


def _value(value: Value | None) -> dict[str, Any] | None:
    """Return a value with its quality and age, so that nothing old ever looks current."""
    if value is None:
        return None
    return {"number": value.number, "quality": value.quality.value, "age_ms": value.age_ms}


def _alarm(target: str, alarm: Alarm) -> dict[str, Any]:
    data = {"value": alarm.value, "limit": alarm.limit}
    return {
        "target": target,
        "code": alarm.code,
        "since_ms": alarm.since_ms,
        "priority": alarm.priority,
        "active": alarm.active,
        "acknowledged": alarm.acknowledged,
        "latched": alarm.latched,
        **data,
        "text": words.alarm_text(alarm.code, data),
    }
