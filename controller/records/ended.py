"""What summary.json says of a run's end as far as the circuit's last state tells it: written, and looked at again.

One place for both: verify decides the cycles again and asks for the same of the state it comes to. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.core.state import CircuitState
from controller.core.types import Output, State
from controller.records.head import follow_on
from controller.records.saying import bare

LINGER_MS = 60_000
"""A record is closed once its output was read back as off, or after this long: the end must not hang on a dead link."""
_DIGITS = 1e-9
"""Share by which a float may differ: they stand in JSON with all their digits (own choice)."""


def ended(state: CircuitState) -> dict[str, Any]:
    """The keys of summary.json for a run that has ended; none while it is open."""
    run, load = state.run, state.load
    if run is None or load is None or run.end_ms is None:
        return {}
    counters = run.counters
    return {
        "charge_Ah": counters.charge_Ah,
        "discharge_Ah": counters.discharge_Ah,
        "energy_Wh": counters.energy_Wh,
        "circuit": state.name,
        "state": state.state.value,
        "batch": load.batch,
        "batteries": load.batteries,
        "battery_type": load.battery_type or load.plan.battery_type,
        "trial": load.trial,
        "follow_on": follow_on(load, run.owed_Ah),
        "profile": load.plan.name,
        "revision": load.plan.revision,
        "duration_s": (run.end_ms - run.start_ms) / 1000.0,
        "planned_Ah": load.plan.planned_charge_Ah,
        "owed_Ah": run.owed_Ah,
        "hottest_C": run.hottest_C,
        "highest_V_per_cell": run.highest_V_per_cell,
        "link_rides": run.link_rides,
        "verdict": verdict_of_end(state.state.value),
    }


def verdict_of_end(state: str) -> str:
    """What is said of a run that ended in a state, before anybody judged its batteries."""
    return "complete" if state == State.COMPLETE.value else "ended by a person"


def is_over(state: CircuitState) -> bool:
    """Whether a service closes a record at this state: ended, and read back as off or long enough ago."""
    run = state.run
    if run is None or run.end_ms is None:
        return False
    return (state.output is Output.OFF and state.confirmed) or state.now_ms - run.end_ms > LINGER_MS


def wrong_end(summary: Mapping[str, Any], state: CircuitState, trips: int | None, *, all_there: bool) -> list[str]:
    """What summary.json tells otherwise than the state that the cycles lead to.

    `trips`: of the whole run (None: not known). `all_there`: its version always writes all of these keys.
    """
    wanted = ended(state)
    if not wanted:
        return []
    if "sign_offs" in summary:
        wanted["verdict_at_end"] = wanted.pop("verdict")
    if trips is not None:
        wanted["trips"] = trips
    found = []
    for key, value in wanted.items():
        if key not in summary:
            # Who counts trips is the service; a record without one does not have them.
            found += [f"summary.json: {key} is missing"] if all_there and key != "trips" else []
        elif not _same(summary[key], value):
            found.append(f"summary.json: {key} is {bare(summary[key])}, the cycles give {bare(value)}")
    return found


def _same(told: object, value: object) -> bool:
    if isinstance(value, Mapping) and isinstance(told, Mapping):
        return told.keys() == value.keys() and all(_same(told[key], each) for key, each in value.items())
    if isinstance(value, float) and isinstance(told, int | float) and not isinstance(told, bool):
        return abs(told - value) <= _DIGITS * max(1.0, abs(value))
    return type(told) is type(value) and told == value
