"""Why a load list is refused: its count, its profile, what stands there already."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.orderchecks import Ask
from controller.core.orders import given, refusal_of
from controller.core.state import Alarm, Interruption
from controller.core.types import Reaction, State

LATCHED = Alarm("current_trip", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True)
NOW_MS = 4_000_000
EVERY = ("technician", "engineer", "maintenance")


def ask_for(kit, verb, state=State.IDLE, load=None, roles=EVERY, who="anna", circuit=None, **args):
    """An order nothing speaks against, on a fresh string of 0.1 V."""
    settings = kit.settings()
    base = kit.state(state, set_A=0.0, **(circuit or {}))
    if state is State.HELD:
        base = replace(base, run=replace(base.run, interruption=Interruption(NOW_MS - 1, "order")))
    facts = kit.facts(now_ms=NOW_MS, current_A=0.0, volts_per_cell=0.001, output_on=False, set_current_A=0.0)
    order = kit.order(verb, who=who, roles=roles, load=load, **args)
    return Ask(settings, settings.circuits[0], base, facts, kit.share(), (), order)


def spoiled(ask, **changes):
    """Change one part of the ask: facts, bath, state, own, settings by dicts."""
    for name, change in changes.items():
        ask = replace(ask, **{name: replace(getattr(ask, name), **change) if isinstance(change, dict) else change})
    return ask


def code(ask):
    refusal = refusal_of(ask)
    given(ask)
    return None if refusal is None else refusal.code


@pytest.mark.parametrize(("batteries", "links", "why"), [
    (1, 17, None), (18, 0, None), (17, 1, None), (17, 0, "count"), (19, 0, "count"), (0, 18, "count"),
    (19, -1, "count"),
    (18, "", None), (18, None, None), (17, "1", None), (18, "many", "count"), (18, float("inf"), "count"),
    (18, float("nan"), "count"), (18, "0x1", "count"), (18, "9" * 5000, "count"), (18, True, "count"),
])  # fmt: skip
def test_batteries_and_links_must_fill_the_places(kit, batteries, links, why):
    """18 places; what is no number of links is refused, never an exception."""
    ask = ask_for(kit, "load", load=kit.load(batteries=batteries), links=links, circuit={"load": None})
    assert code(ask) == why


def test_a_refused_count_says_what_was_counted(kit):
    """Batteries, links and places; where no links were named there are none."""
    for said, links in (({}, 0), ({"links": None}, 0), ({"links": 2}, 2), ({"links": "many"}, "many")):
        ask = ask_for(kit, "load", load=kit.load(batteries=17), circuit={"load": None}, **said)
        assert refusal_of(ask).data == {"batteries": 17, "links": links, "places": 18}


def test_load_needs_a_list_and_an_empty_circuit(kit):
    """Twice loaded is a mistake somewhere."""
    assert code(ask_for(kit, "load", load=None, circuit={"load": None})) == "no_load_list"
    assert code(ask_for(kit, "load", load=kit.load())) == "loaded_already"
    blocked = {"load": None, "blocked_by": "bert"}
    assert code(ask_for(kit, "load", load=kit.load(), circuit=blocked)) == "blocked"
    latched = {"load": None, "alarms": (LATCHED,)}
    assert code(ask_for(kit, "load", load=kit.load(), circuit=latched)) == "latched"


@pytest.mark.parametrize(
    ("step", "own", "why"),
    [
        ({"current_A": 60.0}, {}, None),
        ({"current_A": 60.1}, {}, "profile_current"),
        ({"voltage_V_per_cell": 3.0}, {}, None),
        ({"voltage_V_per_cell": 3.2}, {}, "profile_voltage"),
        ({"current_A": 0.4}, {}, "profile_least"),
        ({"restart_current_A": 0.4}, {}, "profile_least"),
        ({"kind": "discharge"}, {}, "no_discharge"),
        ({"kind": "discharge"}, {"can_discharge": True}, None),
        ({"kind": "rest", "current_A": 0.0}, {}, None),
    ],
)
def test_a_profile_past_the_circuit_is_refused(kit, step, own, why):
    """60 A and 340 V at most, 0.5 A at least, no discharge where the channel cannot."""
    ask = ask_for(kit, "load", load=kit.load(kit.step(), kit.step(2, **step)), circuit={"load": None})
    assert code(spoiled(ask, own=own)) == why


@pytest.mark.parametrize(("currents_A", "late_start", "why"), [
    ((1.0, 0.6), "slow", None), ((0.98, 0.6), "slow", "profile_least"), ((0.98, 0.6), "engineer", None),
])  # fmt: skip
def test_a_slow_late_start_must_be_within_the_rectifier_too(kit, currents_A, late_start, why):
    """The first charge at half its current: 0.5 A is the least; the second never runs at half."""
    charges = [kit.step(2 + at, current_A=amount, restart_current_A=0.5) for at, amount in enumerate(currents_A)]
    plan = kit.plan(kit.step(kind="rest", current_A=0.0), *charges, late_start=late_start)
    ask = ask_for(kit, "load", load=kit.load(plan=plan), circuit={"load": None})
    assert code(ask) == why
    if why:
        assert refusal_of(ask).data["step"] == 2
