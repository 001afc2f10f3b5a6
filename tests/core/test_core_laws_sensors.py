"""Probes that contradict each other or stand still, and slow comparisons handed in from outside."""

from __future__ import annotations

import importlib
import random
from dataclasses import replace
from pathlib import Path

import pytest

from controller.core.laws import advised, probe, probe_loss, probe_moves, probe_sensors, runaway
from controller.core.lawsettings import LawSettings, ProbeLimits
from controller.core.state import Allowed, Counters, ProbeMemory, Timer, TrailPoint
from controller.core.types import LOST, Advice, Reaction, State, Value
from controller.words import ALARMS
from simulator.stage import Setting


def probes(kit, *temperatures, frozen=(), state=State.RUNNING, settings=None):
    """A circuit whose probes show and are believed to show these; None: no value."""
    memory = tuple(ProbeMemory(each, frozen=index in frozen) for index, each in enumerate(temperatures))
    values = tuple(LOST if each is None else Value(each) for each in temperatures)
    view = kit.view(kit.state(state, probes=memory), settings=settings)
    return replace(view, cin=replace(view.cin, reading=replace(view.cin.reading, probes=values)))


@pytest.mark.parametrize(
    ("temperatures", "holds"),
    [
        ((30.0, 33.1), True),
        ((33.1, 30.0), True),
        ((30.0, 33.0), False),
        ((30.0, None, 34.0), True),
        ((30.0, None), None),
        ((30.0,), None),
        ((), None),
    ],
)
def test_probes_that_differ_by_more_than_three_kelvin_are_told(kit, temperatures, holds):
    """Highest against lowest; one alone tells nothing."""
    found = probe_sensors.differ(probes(kit, *temperatures), False)
    assert found.holds is holds
    if holds:
        shown = [each for each in temperatures if each is not None]
        assert (found.value, found.limit) == (pytest.approx(max(shown) - min(shown)), 3.0)


def test_probes_differ_for_ten_minutes_and_agree_half_a_kelvin_closer(kit):
    """A battery that has just been put in is no fault; 2.5 K clears."""
    apart = [probes(kit, 30.0, 33.5)] * 121
    near = [probes(kit, 30.0, 32.6), probes(kit, 30.0, 32.5)]
    seen = kit.watch("probes_differ", [*apart, *near], 5_000)
    assert seen.index(True) == 120
    assert seen[-2:] == [True, False]
    settings = kit.settings(laws=LawSettings(probe=ProbeLimits(differ_K=2.0)))
    assert probe_sensors.differ(probes(kit, 30.0, 32.1, settings=settings), False).holds


def test_some_lost_probes_are_told_and_all_lost_are_another_law_s(kit):
    """In two readings; all lost ends nothing."""
    views = [probes(kit, *each) for each in ((30.0, None), (30.0, None), (None, None), (30.0, 30.0))]
    assert kit.watch("probe_part_lost", views) == [False, True, True, False]
    found = probe_sensors.part_lost(views[0], False)
    assert (found.value, found.limit) == (1.0, 2.0)


def test_a_frozen_probe_is_told_until_it_moves(kit):
    """Its value and the minutes it stood still go with it."""
    views = [probes(kit, 30.0, 31.0), probes(kit, 30.0, 31.0, frozen=(1,)), probes(kit, 30.0)]
    assert kit.watch("probe_frozen", views) == [False, True, False]
    found = probe_sensors.frozen(views[1], False)
    assert (found.value, found.limit) == (31.0, 30.0)


@pytest.mark.parametrize("state", [State.IDLE, State.COMPLETE, State.STOPPED, State.UNKNOWN])
def test_nothing_of_it_is_told_without_an_open_run(kit, state):
    """A probe may hang in the hall."""
    view = probes(kit, 30.0, 40.0, None, frozen=(0,), state=state)
    assert [law.compare(view, True).holds for law in probe_sensors.LAWS] == [False] * 3
    assert probe_sensors.FAMILY.asleep(view)


def test_the_hotter_of_two_probes_counts_and_a_frozen_one_does_not(kit):
    """In a living bath with a probe that stands still: lost after half an hour, a stand-in, the rest of row by row."""
    bench = kit.bench(circuits=3, period_ms=5_000).running()
    bench.bad[0, "probes"] = 25.0
    for at in range(372):
        for toy in bench.toys:
            toy.probe_C += 0.01
        bench.cycle()
        told = [event.code for event in bench.events if event.kind == "alarm" and event.target == "A01"]
        assert not told or at > 350
    assert told == ["probe_frozen", "probe_lost"]
    assert bench.set_A(0) == pytest.approx(6.0)
    assert bench.set_A(1) == 15.0
    assert bench.out.told[0].stand_in_C == pytest.approx(bench.toys[1].probe_C, abs=0.05)
    del bench.bad[0, "probes"]
    bench.cycles(23)
    assert bench.set_A(0) == pytest.approx(14.25)
    bench.cycle()
    assert bench.set_A(0) == 15.0


@pytest.fixture(scope="module")
def closed():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(Path(__file__).parent))
        return importlib.import_module("closed")


def test_a_frozen_probe_is_found_on_the_virtual_plant(closed):
    """From 0:30 on it shows what it showed: found between 30 and 36 min later, its sisters' are not."""
    plan = closed.shortened(closed.plan_of("starter-60"), 0.5)
    loop = closed.closed(closed.bath_of(3, 10.0), [plan], Setting(), ["0:30 A02 probe_frozen"])
    loop.until(lambda each: any("probe_lost" in line for line in each.wrong()), 2 * 3_600.0)
    alarms = [(at_s, event.target, event.code) for at_s, event in loop.events if event.kind == "alarm"]
    assert [entry[1:] for entry in alarms] == [("A02", "probe_frozen"), ("A02", "probe_lost")]
    assert 3_600.0 <= alarms[0][0] <= 3_960.0


def advice(kit, *codes):
    return kit.view(advice=tuple(Advice(code, 1.5, 1.0) for code in codes))


@pytest.mark.parametrize("code", sorted(advised.PRIORITIES))
def test_an_advice_stands_as_long_as_it_is_handed_in(kit, code):
    """With its value, its limit and its priority, as a warning only; and it has its words."""
    views = [kit.view(), advice(kit, code), advice(kit, "other", code), advice(kit, "other"), advice(kit)]
    assert kit.watch(code, views) == [False, True, True, False, False]
    (law,) = (law for law in advised.LAWS if law.code == code)
    found = law.compare(views[1], False)
    assert (found.value, found.limit) == (1.5, 1.0)
    assert (law.reaction, law.priority) == (Reaction.WARN, advised.PRIORITIES[code])
    assert code in ALARMS


def test_what_burns_or_cannot_be_stopped_comes_before_what_spoils():
    """Two priorities, as given."""
    urgent = {code for code, priority in advised.PRIORITIES.items() if priority == 2}
    assert urgent == {"joint_hot", "leads_crossed"}
    assert set(advised.PRIORITIES.values()) == {2, 3}


def test_an_advice_that_nobody_here_knows_is_told_as_such(kit):
    """A record of a later version must not fail; how many there are is its value."""
    views = [advice(kit, "joint_hot"), advice(kit, "joint_hot", "of_2031", "of_2032"), advice(kit)]
    assert kit.watch("advice_unknown", views) == [False, True, False]
    assert advised.unknown(views[1], False).value == 2.0
    assert advised.FAMILY.asleep(kit.view())
    assert not advised.FAMILY.asleep(advice(kit, "of_2031"))


def test_advice_takes_no_current_in_a_living_bath(kit):
    """All of it at once, on one of two circuits."""
    bench = kit.bench().running()
    given = tuple(("A01", Advice(code)) for code in (*advised.PRIORITIES, "of_2031"))
    bench.advice = given
    bench.cycles(2)
    assert {alarm.code for alarm in bench.circuit(0).alarms} == {*advised.PRIORITIES, "advice_unknown"}
    assert not bench.circuit(1).alarms
    assert (bench.set_A(0), bench.set_A(1)) == (15.0, 15.0)
    bench.advice = ()
    bench.cycle()
    assert not any(alarm.active for alarm in bench.circuit(0).alarms)


FILES = (advised, probe, probe_loss, probe_moves, probe_sensors, runaway)
NOW_MS = 30 * 120_000


def made_up(kit, draw):
    """One made-up cycle of a circuit: believed and shown temperatures, a trail, advice."""
    hots = (None, 30.0, 40.0, 49.9, 50.0, 54.0, 55.0, 60.0)
    values = tuple(draw.choice(hots) for _ in range(draw.randrange(4)))
    memory = tuple(ProbeMemory(each, frozen=draw.random() < 0.1) for each in values)
    lost = draw.random() < 0.3
    now_ms = NOW_MS + draw.choice((0, 1))
    points = tuple(
        TrailPoint(
            NOW_MS - back * 120_000,
            draw.choice((15.0,) * 20 + (15.1, 0.0, None)),
            draw.choice((2.7, 2.69, 2.68, 2.6, None)),
            draw.choice((40.0, 45.0, 46.0, 48.0, None)),
            25.0,
        )
        for back in range(draw.randrange(4, 12), -1, -1)
    )
    state = kit.state(
        draw.choice((State.RUNNING, State.RUNNING, State.HELD, State.IDLE)),
        run=kit.run(counters=Counters(charge_Ah=draw.choice((10.0, 150.0)))),
        load=draw.choice((None, kit.load(), kit.load(plan=kit.plan(probe_trip_C=45.0)))),
        allowed=draw.choice((Allowed(), Allowed(60.0, 100.0, 0))),
        trail=draw.choice(((), points)),
        timers=draw.choice(((), (Timer("runaway", active=True),), (Timer("runaway"),))),
        probes=memory,
    )
    probe_C = None if lost else draw.choice(hots[1:])
    facts = kit.facts(now_ms=now_ms, probe_C=probe_C, probe_lost=lost, stale=draw.random() < 0.2)
    said = draw.choice(((), (), (Advice("joint_hot"),), (Advice("of_2031"),)))
    view = kit.view(state, facts, advice=said)
    shown = tuple(LOST if each is None else Value(each) for each in values)
    return replace(view, cin=replace(view.cin, reading=replace(view.cin.reading, probes=shown)))


@pytest.fixture(scope="module")
def views(kit):
    draw = random.Random(7)
    return [made_up(kit, draw) for _ in range(1_500)]


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.__name__.rsplit(".", 1)[-1])
def test_a_law_of_temperature_sleeps_only_when_nothing_would_hold(views, file):
    """Nothing that holds is slept over; and each file sleeps and holds often enough for that to say something."""
    slept = held = 0
    for view in views:
        holds = [law.code for law in file.LAWS if law.compare(view, False).holds]
        asleep = file.FAMILY.asleep(view)
        assert not (asleep and holds), holds
        slept += asleep
        held += bool(holds)
    assert slept > 150
    assert held > 20
