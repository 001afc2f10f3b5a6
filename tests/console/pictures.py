"""Builders of what a console sees, for its tests: circuits, alarms, pictures, scenes. All data are invented.

    circuit("A07", percent=44, alarms=(alarm("A07", "probe_derate", value=53.5, limit=50.0),))
    scene(picture([circuit("A01"), idle("A02")], bath="A"), page="bath", circuit="A01")

Times: core time now is `NOW_MS`, the services' clock then shows `TIME_UTC`.
"""

from __future__ import annotations

import random
from dataclasses import fields
from typing import Any

from controller.console.picture import AlarmView, CircuitView, Picture
from controller.console.scene import BathSeen, Place, Scene

NOW_MS = 50_000_000
TIME_UTC = "2026-03-17T02:14:31.000Z"
MINUTE, HOUR = 60_000, 3_600_000
PLAN = "0123456789ab"
PLANNED_AH = 202.5
CELLS = 108

_STEPS = (
    ("wetting", "charge", 3.0, 0.5, None),
    ("first charge", "charge", 15.0, None, 96.0),
    ("pause", "rest", 0.0, 0.5, None),
    ("second charge", "charge", 12.0, None, 84.0),
    ("pause", "rest", 0.0, 0.5, None),
    ("finish", "charge", 6.0, None, 21.0),
)
_BEFORE_AH = (0.0, 1.5, 97.5, 97.5, 181.5, 181.5)


def reading(number: float | None, age_ms: int = 0, quality: str = "good") -> list[Any]:
    """A reading as the service sends it."""
    return [number, quality, age_ms]


def alarm(target: str = "A07", code: str = "probe_derate", **over: Any) -> AlarmView:
    """An alarm, new and active since half a minute, priority 2; any field by its name, `seen=True`: acknowledged."""
    seen = over.pop("seen", False)
    fitting: dict[str, Any] = {
        "target": target, "code": code, "since_ms": NOW_MS - 31_000, "priority": 2, "active": True,
        "acknowledged": seen, "latched": False, "value": 53.5, "limit": 50.0,
    }  # fmt: skip
    return AlarmView.model_validate(fitting | over)


def plan(**over: Any) -> dict[str, Any]:
    """A one-shot plan of six steps, 202.5 Ah; any field by its name."""
    steps = [
        {
            "number": number, "name": name, "kind": kind, "current_A": current, "voltage_V_per_cell": 2.85,
            "time_ms": round(hours * HOUR) if hours is not None else None, "charge_Ah": charge,
            "restart_A": min(3.0, current), "restart_ms": 10 * MINUTE, "resume_within_ms": 2 * HOUR,
        }
        for number, (name, kind, current, hours, charge) in enumerate(_STEPS, 1)
    ]  # fmt: skip
    fitting = {
        "name": "starter 60 Ah, one-shot, 18 h", "revision": 3, "planned_Ah": PLANNED_AH, "charge_cap_Ah": 212.6,
        "voltage_trip_V_per_cell": 2.95, "steps": steps,
    }  # fmt: skip
    return fitting | over


def load(**over: Any) -> dict[str, Any]:
    """Eighteen fresh batteries of one batch, filled 1:10 to 0:39 ago, to be started within two hours of filling."""
    fitting = {
        "plan": PLAN, "batch": "K3107", "text": "K3107:1-18", "batteries": 18, "fresh": True,
        "first_filled_ms": NOW_MS - 70 * MINUTE, "last_filled_ms": NOW_MS - 39 * MINUTE,
        "start_from_ms": NOW_MS - 9 * MINUTE, "start_by_ms": NOW_MS + 56 * MINUTE,
    }  # fmt: skip
    return fitting | over


def run(step: int = 4, step_Ah: float = 46.5, **over: Any) -> dict[str, Any]:
    """An open run, by default in its second charge, 144.0 Ah done."""
    _, _, current, hours, charge = _STEPS[max(1, min(len(_STEPS), step)) - 1]
    before = _BEFORE_AH[max(1, min(len(_STEPS), step)) - 1]
    fitting = {
        "start_ms": NOW_MS - 11 * HOUR, "started_by": "night1", "step": step,
        "step_time_ms": round(step_Ah / current * HOUR) if current > 0.0 else 10 * MINUTE,
        "step_Ah": step_Ah if hours is None else 0.0, "step_end_Ah": charge, "charge_Ah": before + step_Ah,
        "energy_Wh": 42_000.0, "hottest_C": 45.0, "highest_V_per_cell": 2.78,
    }  # fmt: skip
    return fitting | over


def circuit(name: str = "A01", state: str = "running", **over: Any) -> CircuitView:
    """A circuit in that state, all well. Any field of `CircuitView` by its name.

    Besides: `age_s` of every reading (stale), `blocked="night1"`, `percent=44` (derated by heat), `hot_C`,
    `trip="open_string"` (its latched alarm). `load` and `run` are dictionaries or None.
    """
    age_ms = round(over.pop("age_s", 0.0) * 1000)
    hot_C, blocked = over.pop("hot_C", 42.1), over.pop("blocked", None)
    percent, trip = over.pop("percent", 100.0), over.pop("trip", None)
    amps = 12.0 * percent / 100.0 if state == "running" else 0.0
    running = state == "running"
    fitting: dict[str, Any] = {
        "name": name, "state": state, "since_ms": NOW_MS - 41 * MINUTE, "confirmed": True, "revision": 7,
        "blocked_by": blocked, "blocked_ms": NOW_MS - 9 * MINUTE if blocked else None,
        "output": "on" if running else "off", "link": "up", "places": 18, "set_current_A": amps,
        "voltage_limit_V": 307.8, "current_max_A": 20.0, "allowed_percent": percent,
        "allowed_code": "probe_derate" if percent < 100.0 else None, "current_A": reading(amps, age_ms),
        "voltage_V": reading(2.77 * CELLS if running else 2.13 * CELLS, age_ms), "read_set_A": reading(amps, age_ms),
        "output_on": reading(1.0 if running else 0.0, age_ms), "probes_C": [reading(hot_C, age_ms)],
        "counter_Ah": reading(144.2, age_ms), "cells": CELLS, "load": load(), "run": run(),
    }  # fmt: skip
    if state == "idle":
        fitting["run"] = None
        fitting["may"] = {"start": ""}
    if state == "held":
        fitting["run"] = run(held_since_ms=NOW_MS - 41 * MINUTE, held_by="local_control", would_owe_Ah=0.7)
        fitting["may"] = {"resume": ""}
    if state in {"complete", "stopped"}:
        fitting["run"] = run(6, 21.0, end_ms=NOW_MS - 112 * MINUTE)
        fitting["probes_C"] = [reading(over.pop("probe_C", 31.1), age_ms)]
        fitting["may"] = {"unload": ""}
    if state == "tripped":
        fitting["alarms"] = (alarm(name, trip or "open_string", latched=True, active=False, seen=True),)
        fitting["may"] = {"reset": ""}
    return CircuitView.model_validate(fitting | over)


def idle(name: str = "A10", **over: Any) -> CircuitView:
    """A free circuit: nothing stands in it."""
    return circuit(name, "idle", **({"load": None, "cells": None, "may": {}} | over))


def cooling(name: str = "B03", minutes_left: int = 25, **over: Any) -> CircuitView:
    """A circuit that ended and cools down for so many minutes yet."""
    return circuit(name, "complete", **({"run": run(6, 21.0, end_ms=NOW_MS - (60 - minutes_left) * MINUTE)} | over))


def unconfirmed(name: str = "A09", age_s: float = 12.0, **over: Any) -> CircuitView:
    """A held circuit whose rectifier does not answer: nothing is read back."""
    lost = alarm(name, "link_lost", since_ms=NOW_MS - 12_000, value=None, limit=3.0)
    return circuit(name, "held", **({"confirmed": False, "age_s": age_s, "link": "down", "alarms": (lost,)} | over))


def picture(circuits: Any = None, **over: Any) -> Picture:
    """A bath A with its circuits, all inputs well, purged. Any field of `Picture` by its name; `inputs` are merged."""
    inputs: dict[str, Any] = {
        "water_C": [reading(31.2)], "airflow": reading(1.0), "hood_closed": reading(1.0),
        "emergency_stop_ok": reading(1.0), "flow_L_min": reading(42.0), "level": reading(0.0),
        "hydrogen_percent_LEL": reading(3.0), "link": "up",
    }  # fmt: skip
    fitting: dict[str, Any] = {
        "format": "formbath/snapshot/2", "time_utc": TIME_UTC, "now_ms": NOW_MS, "hall": "Hall 1", "bath": "A",
        "virtual": False, "period_s": 1.0, "stale_after_s": 5.0, "purge_left_s": 0.0, "purge_s": 600.0,
        "air_s": 3660.0, "inputs": inputs | over.pop("inputs", {}),
        "limits": {
            "probe_derate_C": 50.0, "probe_hold_C": 55.0, "probe_trip_C": 60.0, "fresh_V": 0.3, "fresh_scatter_V": 3.0,
            "after_run_ms": 60 * MINUTE, "after_run_probe_C": 40.0,
        },
        "plans": {PLAN: plan()},
    }  # fmt: skip
    fitting["circuits"] = tuple(circuits) if circuits is not None else (circuit(),)
    return Picture.model_validate(fitting | over)


def seen(one: Picture | None, **over: Any) -> BathSeen:
    """A bath as a technician sees it; any field of `BathSeen` by its name."""
    fitting: dict[str, Any] = {
        "name": one.bath if one is not None else "A", "picture": one, "silent_s": 0.2, "who": "night1",
        "roles": ("technician",),
    }  # fmt: skip
    return BathSeen(**(fitting | over))


_PLACE, _SCENE = {field.name for field in fields(Place)}, {field.name for field in fields(Scene)}


def scene(*baths: Picture | BathSeen, **over: Any) -> Scene:
    """A scene of pictures or baths; further names go to `Place` or `Scene` (`page="bath", circuit="A07", said="..."`).

    Without a name of its own the place is at the first bath and its first circuit.
    """
    all_seen = tuple(each if isinstance(each, BathSeen) else seen(each) for each in baths)
    place = {name: over.pop(name) for name in list(over) if name in _PLACE}
    place.setdefault("bath", all_seen[0].name if all_seen else "")
    home = next((each for each in all_seen if each.name == place["bath"]), None)
    if home is not None and home.picture is not None and home.picture.circuits:
        place.setdefault("circuit", home.picture.circuits[0].name)
    assert set(over) <= _SCENE, over
    return Scene(baths=all_seen, place=Place(**place), **over)


def special() -> tuple[CircuitView, ...]:
    """Bath A's ten circuits, most of them with something to say."""
    heat = alarm("A07", "probe_derate", since_ms=NOW_MS - 117 * MINUTE, value=53.5, limit=50.0)
    warm = alarm("A03", "water_warm", priority=3, seen=True, value=34.2, limit=34.0)
    clamp = alarm("A10", "open_string", latched=True, active=False, seen=True, value=0.1, limit=0.5)
    return (
        circuit("A01"), circuit("A02"), circuit("A03", alarms=(warm,)),
        circuit("A04", "idle"), idle("A05"), circuit("A06", "complete"),
        circuit("A07", percent=44, hot_C=53.5, alarms=(heat,), run=run(4, 36.3)),
        circuit("A08", "held"), unconfirmed("A09"),
        circuit("A10", "tripped", blocked="night1", alarms=(clamp,)),
    )  # fmt: skip


def forty() -> Scene:
    """Four baths of ten; A07 is selected."""
    baths = [picture(special())]
    for bath in "BCD":
        others = [circuit(f"{bath}{number:02d}") for number in range(1, 10)]
        baths.append(picture([*others, cooling(f"{bath}10")], bath=bath))
    return scene(*baths, bath="A", circuit="A07")


PAGES = ("hall", "bath", "circuit", "trend", "alarms", "events", "orders", "starts", "recovery", "help")
_STATES = ("idle", "running", "held", "complete", "stopped", "tripped", "unknown")
_CODES = ("probe_derate", "link_lost", "open_string", "extraction_lost", "step_slow", "not_a_code")
_NUMBERS = (None, 0.0, -3.25, 12.0, 299.16, 1e9, float("nan"), float("inf"))


def any_scene(chance: random.Random, **over: Any) -> Scene:
    """A scene by chance, likely or not: any states, values, ages, gaps; what no page may stumble over."""
    baths = [_any_bath(chance, name) for name in "ABCD"[: chance.randint(0, 4)]]
    names = [each.name for bath in baths if bath.picture is not None for each in bath.picture.circuits]
    fitting: dict[str, Any] = {
        "bath": chance.choice(["", "A", "B", "Z"]), "circuit": chance.choice([*names, "", "Z99"]),
        "cursor": chance.randint(-3, 90), "top": chance.randint(-3, 90), "only_abnormal": chance.random() < 0.3,
        "blink": chance.random() < 0.5, "said": chance.choice(["", "pasted 34 characters, ignored"]),
        "replay": chance.random() < 0.1,
        "page": chance.choice(PAGES),
    }  # fmt: skip
    return scene(*baths, **(fitting | over))


def _any_bath(chance: random.Random, name: str) -> BathSeen:
    if chance.random() < 0.1:
        return seen(None, name=name, silent_s=chance.choice([0.0, 9.0, 1e7]))
    one = picture(
        [_any_circuit(chance, f"{name}{number:02d}") for number in range(1, chance.choice([0, 1, 3, 10, 40]) + 1)],
        bath=name, virtual=chance.random() < 0.2, purge_left_s=chance.choice([None, 0.0, 350.0]),
        record_trouble=chance.choice([None, "disk full"]), alarms=_any_alarms(chance, name),
        time_utc=chance.choice([TIME_UTC, TIME_UTC, "nonsense"]),
        pace=chance.choice([None, {"ratio": 300.0, "paused": False}, {"ratio": 1.0, "paused": True}]),
        inputs={
            key: chance.choice([None, reading(chance.choice(_NUMBERS), chance.choice([0, 9_000]))])
            for key in ("airflow", "hood_closed", "emergency_stop_ok", "flow_L_min", "level", "hydrogen_percent_LEL")
        },
    )  # fmt: skip
    return seen(one, silent_s=chance.choice([0.1, 0.1, 4.0, 9e9]), attached=chance.random() < 0.9)


def _any_alarms(chance: random.Random, target: str) -> tuple[AlarmView, ...]:
    return tuple(
        alarm(
            target, chance.choice(_CODES), priority=chance.choice([1, 2, 3, 3, 17]), active=chance.random() < 0.7,
            seen=chance.random() < 0.5, latched=chance.random() < 0.3, value=chance.choice(_NUMBERS),
            limit=chance.choice(_NUMBERS), since_ms=NOW_MS - chance.choice([0, MINUTE, 400 * HOUR]),
            first=chance.choice(["", "", *_CODES]), suppressed=chance.random() < 0.1, out_of_use=chance.random() < 0.1,
            shelved_until_ms=chance.choice([None] * 9 + [NOW_MS + MINUTE]), escalated=chance.random() < 0.1,
            came_and_went=chance.choice([0, 0, 0, 7]), shelved_why=chance.choice(["", "wet \u0416 plug"]),
        )
        for _ in range(chance.choice([0, 0, 0, 1, 3]))
    )  # fmt: skip


def _any_circuit(chance: random.Random, name: str) -> CircuitView:
    values = {
        key: reading(chance.choice(_NUMBERS), chance.choice([0, 0, 9_000, 10**9]), chance.choice(["good", "lost"]))
        for key in ("current_A", "voltage_V")
        if chance.random() < 0.4
    }
    one_run = run(
        chance.randint(0, 8), chance.choice([0.0, 36.3, 1e9]), end_ms=chance.choice([None, NOW_MS - HOUR]),
        restart_left_ms=chance.choice([0, 9 * MINUTE]), slow=chance.random() < 0.1,
    )  # fmt: skip
    gaps: dict[str, Any] = {"run": chance.choice([None, one_run]), "load": chance.choice([None, load(), load(plan="")])}
    odd = {key: value for key, value in gaps.items() if chance.random() < 0.3}
    return circuit(
        chance.choice([name, name, f"{name}-with-a-name"]), chance.choice([*_STATES, "melted"]),
        **values, **odd, alarms=_any_alarms(chance, name), confirmed=chance.random() < 0.8,
        blocked=chance.choice([None, None, None, "night1", "a-login-of-a-great-many-letters"]),
        percent=chance.choice([100.0, 100.0, 44.0, 0.0, float("nan")]), cells=chance.choice([CELLS, CELLS, None, 0]),
        link=chance.choice(["up", "down"]),
        probes_C=[reading(chance.choice(_NUMBERS), chance.choice([0, 9_000])) for _ in range(chance.randint(0, 3))],
    )  # fmt: skip
