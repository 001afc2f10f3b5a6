"""One of several sensors is lost: what a hot one began may not end by the readings of the cold ones."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import bath, sensors
from controller.core import types as t
from controller.core.conditions import CLEAR, Finding, kept
from controller.core.laws import runaway
from controller.core.state import Allowed, CircuitState, ProbeMemory, Timer, TrailPoint


def memory(*believed_C, frozen=False):
    return tuple(ProbeMemory(value, (value,), 0, frozen) for value in believed_C)


@pytest.mark.parametrize(("numbers", "expected"), [
    ((30.0,), False),
    ((None,), False),
    ((30.0, 31.0), False),
    ((None, None), False),
    ((None, 31.0), True),
    ((30.0, None), True),
])  # fmt: skip
def test_a_set_is_part_lost_where_some_of_it_are_lost(numbers, expected):
    """One sensor, all of them or none of them lost: not in part."""
    values = tuple(t.LOST if number is None else t.Value(number) for number in numbers)
    assert sensors.part_lost(memory(*(number or 30.0 for number in numbers)), values, 3_000) is expected


def test_a_frozen_sensor_counts_as_lost_in_part():
    """What stands still is no sensor, here too."""
    probes = (*memory(30.0), *memory(31.0, frozen=True))
    assert sensors.part_lost(probes, (t.Value(30.0), t.Value(31.0)), 3_000)


@pytest.mark.parametrize(("holds", "active", "blind", "expected"), [
    (False, True, True, None),
    (False, False, True, False),
    (False, True, False, False),
    (True, True, True, True),
])  # fmt: skip
def test_what_stands_cannot_end_blindly(holds, active, blind, expected):
    """Only an end is put off; a beginning never is, and nothing is begun."""
    assert kept(Finding(holds, 1.0, 2.0), active, blind) == Finding(expected, 1.0, 2.0)


@pytest.mark.parametrize("code", ["probe_derate", "probe_hold", "probe_trip"])
def test_a_hot_probe_that_is_lost_keeps_its_reaction(kit, code):
    """It ends when that probe reads again with low values, and never begins by a part lost."""
    hot, cold = kit.facts(probe_C=61.0), kit.facts(probe_C=30.0)
    part = replace(cold, probe_part=True)
    views = [kit.view(facts=facts) for facts in (part, hot, part, part, cold)]
    assert kit.watch(code, views) == [False, True, True, True, False]


@pytest.mark.parametrize("code", ["water_warm", "water_derate", "water_hold"])
def test_a_warm_water_sensor_that_is_lost_keeps_its_reaction(kit, code):
    """The same for the bath's own sensors."""
    warm = kit.bath_facts(water_C=51.0, waters_C=(51.0, 30.0))
    part, cold = (kit.bath_facts(water_C=30.0, waters_C=waters) for waters in ((None, 30.0), (30.0, 30.0)))
    views = [kit.bath_view(facts) for facts in (part, warm, part, part, cold)]
    assert kit.watch(code, views) == [False, True, True, True, False]


def test_sensors_that_differ_do_so_until_all_of_them_agree(kit):
    """Of three, the one apart falls silent."""
    apart = kit.bath_facts(waters_C=(30.0, 30.0, 40.0))
    part, near = (kit.bath_facts(waters_C=waters) for waters in ((30.0, 30.0, None), (30.0, 30.0, 30.0)))
    views = [kit.bath_view(facts) for facts in (apart, apart, part, near)]
    assert kit.watch("water_differ", views, 600_000) == [False, True, True, False]


def of_three(kit, facts, *numbers):
    values = tuple(t.LOST if number is None else t.Value(number) for number in numbers)
    view = kit.view(facts=facts, state=kit.state(probes=memory(30.0, 30.0, numbers[2] or 40.0)))
    return replace(view, cin=replace(view.cin, reading=replace(view.cin.reading, probes=values)))


def test_probes_that_differ_do_so_until_all_of_them_agree(kit):
    """The same for a circuit's probes."""
    apart, near = (of_three(kit, kit.facts(), 30.0, 30.0, last) for last in (40.0, 30.0))
    part = of_three(kit, kit.facts(probe_part=True), 30.0, 30.0, None)
    assert kit.watch("probes_differ", [apart, apart, part, near], 600_000) == [False, True, True, False]


def trail_view(kit, now_ms, hots, part=False):
    trail = tuple(
        TrailPoint(now_ms - 120_000 * back, 15.0, 2.5, hot, 25.0) for back, hot in reversed(list(enumerate(hots)))
    )
    return kit.view(state=kit.state(trail=trail), facts=kit.facts(now_ms=now_ms, probe_part=part))


def test_a_rise_stands_while_a_probe_is_lost(kit):
    """Newest first: 10 K in ten minutes, then it looks cooler as the hot one is lost."""
    up, down = (40.0, 38.0, 36.0, 34.0, 32.0, 30.0), (30.0,) * 6
    views = [trail_view(kit, 0, up), trail_view(kit, 0, down, part=True), trail_view(kit, 0, down)]
    assert kit.watch("probe_rise", views) == [True, True, False]
    assert kit.watch("probe_rise", [trail_view(kit, 0, down, part=True)]) == [False]


def test_a_runaway_has_not_cooled_while_a_probe_is_lost(kit):
    """It would end as soon as its hot probe breaks."""
    hots = (30.0, 50.0)
    assert runaway.runs_away(trail_view(kit, 0, hots, part=True), active=True) == runaway.KEEPS
    assert runaway.runs_away(trail_view(kit, 0, hots), active=True) == CLEAR


@pytest.mark.parametrize(("part", "active", "expected"), [
    (True, True, True),
    (True, False, False),
    (False, True, False),
])  # fmt: skip
def test_a_held_circuit_with_a_lost_probe_may_still_be_a_hot_one(kit, part, active, expected):
    """It counts for `several_hot` while its own hold stands; a cold circuit's lost probe changes nothing."""
    timers = (Timer("probe_hold", active=active), Timer("probe_lost", active=True))
    circuits = (CircuitState("A01", timers=timers), CircuitState("A02"))
    hot, now = kit.bath_facts(hots_C=(56.0, 56.0)), kit.bath_facts(hots_C=(30.0, 56.0), probe_parts=(part, False))
    view = kit.bath_view(hot)
    views = [replace(view, facts=facts, state=replace(view.state, circuits=circuits)) for facts in (hot, now)]
    assert kit.watch("several_hot", views) == [True, expected]


class TwoProbes:
    """A bench whose circuits have two probes each, of which one may be lost."""

    def __init__(self, kit):
        self.bench = kit.bench(own={"probes": 2})
        self.first_C = 30.0
        self.bench._channel = self._channel
        self.bench.running(kit.step(ends={"time_ms": 14_400_000}))

    def _channel(self, index):
        reading = type(self.bench)._channel(self.bench, index)
        flicker = self.bench.toys[index].flicker_C
        first = t.LOST if self.first_C is None else t.Value(self.first_C + flicker)
        return replace(reading, probes=(first, t.Value(30.0 + flicker)))


def test_current_does_not_rise_while_the_hot_probe_is_lost(kit):
    """It comes back at 1 % a second once that probe reads low again; a cold circuit's part lost changes nothing."""
    two = TwoProbes(kit)
    two.first_C = None
    two.bench.cycles(100)
    assert two.bench.set_A() == 15.0
    assert [alarm.code for alarm in two.bench.circuit().alarms] == ["probe_part_lost"]
    two.first_C = 54.0
    two.bench.cycles(5)
    least_A = two.bench.set_A()
    assert least_A == pytest.approx(15.0 * 0.36)
    two.first_C = None
    two.bench.cycles(200)
    assert two.bench.set_A() == least_A
    two.first_C = 30.0
    two.bench.cycles(62)
    assert two.bench.set_A() == pytest.approx(least_A)
    two.bench.cycles(2)
    assert least_A < two.bench.set_A() <= least_A + 0.31


def test_the_baths_derate_does_not_rise_while_the_warm_sensor_is_lost(kit):
    """One sensor of two at 47 C, then lost: as it is; then cool: it rises."""
    bench = kit.bench()

    def share(first_C, count):
        signals = {key: t.Value(number) for key, number in bench.bath_signals.items() if key != "water_C"}
        for _ in range(count):
            bench.now_ms += 1_000
            waters = (t.LOST if first_C is None else t.Value(first_C), t.Value(30.0))
            given = t.BathIn(bench.now_ms, t.BathReading(waters, **signals), tuple(map(bench._channel, (0, 1))))
            bench.state, _ = bath.step(bench.settings, bench.state, given)
        return bench.state.allowed

    assert share(None, 3) == Allowed()
    percent = share(47.0, 3).percent
    assert percent == pytest.approx(68.0)
    assert share(None, 200).percent == percent
    assert share(30.0, 70).percent > percent
