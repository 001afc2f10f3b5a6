"""Families of the rectifier, its link, its contactor and the string: asleep only where no law of theirs would hold."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from controller.core.laws import (
    contactor,
    counter,
    current,
    device,
    first_minutes,
    link,
    open_string,
    ripple,
    set_point,
    voltage,
    zero,
)
from controller.core.state import Counters, LinkMemory, TrailPoint
from controller.core.types import Command, Condition, Fit, LinkState, Output, Reaction, State, Value

FAMILIES = {
    module.__name__.rpartition(".")[2]: module.FAMILY
    for module in (
        contactor, counter, current, device, first_minutes, link, open_string, ripple, set_point, voltage, zero,
    )
}  # fmt: skip
VIEWS = 1_000
AMOUNTS = (None, -16.0, -1.1, -0.3, 0.0, 0.29, 0.3, 0.9, 1.1, 3.0, 7.0, 14.0, 14.7, 14.9, 15.0, 15.2, 15.6, 17.0, 40.0)


def drawn_view(kit, draw):
    """One view of a circuit with anything in it, as odd as it comes."""
    near = draw.random() < 0.5
    set_A = draw.choice((0.0, 3.0, 15.0, 15.0, -15.0))
    seen = draw.choice((set_A, set_A + draw.uniform(-0.5, 0.5))) if near else draw.choice(AMOUNTS)
    asked = ((0, set_A),) if draw.random() < 0.6 else ((0, draw.choice((0.0, 0.1, 3.0, 15.0))), (9_000, set_A))
    moments = tuple(range(2_000, 2_000 + draw.choice((0, 0, 1, 3, 7)) * 1_000, 1_000))
    recent = tuple((index * 1_000, draw.choice((15.0, 15.1, 9.0, 0.0))) for index in range(draw.randrange(11)))
    run = kit.run(
        first_ms=draw.choice((None, 0, 9_000)),
        step_time_ms=draw.choice((1_000, 16_000)),
        flowing=draw.random() < 0.5,
        device_Ah=draw.choice((None, 0.0)),
        rides_ms=moments,
        counters=Counters(charge_Ah=draw.choice((0.0, 1.0, 5.0))),
    )
    state = kit.state(
        draw.choice(list(State)),
        set_A=set_A,
        run=draw.choice((run, run, run, None)),
        asked=draw.choice((asked, asked, ())),
        command=Command(set_A, draw.choice((0.0, 307.8)), set_A != 0.0 or draw.random() < 0.2, draw.random() < 0.5),
        output=draw.choice(list(Output)),
        stored=draw.choice((State.IDLE, State.HELD)),
        recent=draw.choice((recent, ((9_000, 15.0),))),
        written=draw.choice((asked, ())),
        openings=draw.choice((0, 0, 1)),
        blocked_by=draw.choice(("", "", "bert")),
        link=LinkMemory(
            draw.choice((None, 1_000, 9_000)), draw.choice((None, 999.0)), wrong=draw.choice((0, 0, 1, 3)),
            late_ms=draw.choice(((), moments)), garbled_ms=draw.choice(((), moments)),
        ),
        trail=(TrailPoint(0, 15.0, draw.choice((None, 2.2)), 30.0, 25.0),) if draw.random() < 0.5 else (),
    )  # fmt: skip
    if draw.random() < 0.1:
        state = replace(state, load=None)
    facts = kit.facts(
        now_ms=10_000,
        current_A=seen,
        volts_per_cell=draw.choice((None, 1.9, 2.3, 2.805, 2.85, 2.86, 2.88, 2.91, 2.96)),
        set_current_A=draw.choice((None, set_A, set_A, set_A + 0.14, 9.0, 0.0)),
        set_voltage_V=draw.choice((None, 0.0)),
        output_on=draw.choice((None, True, False)),
        stale=draw.random() < 0.1,
        fresh=draw.random() < 0.9,
        link=draw.choice((LinkState.UP, LinkState.UP, *LinkState)),
        fit=draw.choice((Fit.OK, Fit.OK, *Fit)),
        local=draw.choice((None, False, False, True)),
        fault_code=draw.choice((None, 0.0, 0.0, 3.0)),
        uptime_s=draw.choice((None, 1.0, 1_000.0)),
        counter_Ah=draw.choice((None, 1.0, 5.3)),
        ripple_percent=draw.choice((None, 4.0, 15.0, 40.0)),
    )
    own = {"has_contactor": draw.random() < 0.7, "default_A": 0.0, "default_V": 0.0}
    share = kit.share(reactions=draw.choice(((), (Condition("hood", Reaction.HOLD, priority=1),))))
    view = kit.view(state, facts, kit.settings(own=own), share, contactor=draw.choice((None, True, False)))
    return replace(view, cin=replace(view.cin, reading=replace(view.cin.reading, ripple_percent=Value(4.0))))


@pytest.fixture(scope="module")
def drawn_views(kit):
    """A thousand circuits from a seed."""
    draw = random.Random(7)
    return [drawn_view(kit, draw) for _ in range(VIEWS)]


@pytest.mark.parametrize("name", FAMILIES)
def test_a_family_sleeps_only_where_none_of_its_laws_would_hold(drawn_views, name):
    """A thousand odd circuits: whoever sleeps would have found nothing; both happen."""
    family = FAMILIES[name]
    slept = held = 0
    for view in drawn_views:
        found = [law.code for law in family.laws if law.compare(view, False).holds]
        asleep = family.asleep(view)
        assert not (asleep and found), (found, view)
        slept += asleep
        held += bool(found)
    assert slept > 20
    assert held > 1


@pytest.mark.parametrize("set_A", [15.0, -15.0])
@pytest.mark.parametrize("seen_A", [14.9, 15.0, 15.1])
def test_all_families_sleep_in_a_sound_running_circuit(kit, set_A, seen_A):
    """As asked, as read back, nothing odd: what is asked about nearly all the time costs nearly nothing."""
    own = {"has_contactor": True}
    sign = 1.0 if set_A > 0.0 else -1.0
    run = kit.run(first_ms=0, device_Ah=0.0, flowing=True, counters=Counters(charge_Ah=20.1))
    state = kit.state(set_A=set_A, run=run, link=LinkMemory(9_999_000, 999.0), written=((9_999_000, set_A),))
    state = replace(state, command=replace(state.command, contactor_closed=True, output_on=True))
    facts = kit.facts(
        now_ms=10_000_000, current_A=sign * seen_A, set_current_A=set_A, counter_Ah=20.0, ripple_percent=4.2
    )
    view = kit.view(state, facts, kit.settings(own=own), contactor=True)
    awake = [name for name, family in FAMILIES.items() if not family.asleep(view)]
    assert awake == []


def test_current_sleeps_in_a_sound_taper(kit):
    """At the voltage limit current is what the string takes; below it, too little is looked at."""
    state = kit.state(run=kit.run(first_ms=0))
    for volts, sleeps in ((2.85, True), (2.80, False)):
        view = kit.view(state, kit.facts(current_A=4.0, volts_per_cell=volts, now_ms=900_000))
        assert current.FAMILY.asleep(view) is sleeps
