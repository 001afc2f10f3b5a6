"""What a string's first minutes show, volts a little high, and the clamp that arced: levels, times, what clears."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.laws.first_minutes import misfit
from controller.core.laws.open_string import no_current
from controller.core.lawsettings import LawSettings, OpenStringLimits, VoltageLimits
from controller.core.state import Counters, Timer, TrailPoint
from controller.core.types import State

LIMIT = 2.85


def views(kit, *facts, state=None, settings=None):
    return [kit.view(state=state, facts=fact, settings=settings) for fact in facts]


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 10), (5_000, 2)])
def test_volts_a_little_above_the_limit_warn_after_ten_seconds(kit, period_ms, first):
    """20 mV a cell above what was written; not read it stays, below it is gone."""
    settings = kit.settings(period_ms)
    high, at, unread = (kit.facts(volts_per_cell=volts) for volts in (2.8701, 2.8699, None))
    seen = kit.watch("voltage_warn", views(kit, *[high] * 12, unread, at, settings=settings), period_ms)
    assert (seen.index(True), seen[-2:]) == (first, [True, False])
    assert not any(kit.watch("voltage_warn", views(kit, *[at] * 12, settings=settings), period_ms))


def test_the_little_above_is_the_settings(kit):
    """A bath file may say 5 mV."""
    settings = kit.settings(laws=LawSettings(voltage=VoltageLimits(warn_mV_per_cell=5.0, seconds=2.0)))
    seen = kit.watch("voltage_warn", views(kit, *[kit.facts(volts_per_cell=2.856)] * 3, settings=settings))
    assert seen == [False, False, True]


def starting(kit, *, first_ms=0, charge_Ah=0.2, state=State.RUNNING, set_A=15.0, **changes):
    run = kit.run(first_ms=first_ms, counters=Counters(charge_Ah=charge_Ah))
    return kit.state(state, set_A=set_A, run=run, **changes)


def dry(kit, current_A=7.4, volts=LIMIT, now_ms=0, **changes):
    return kit.facts(current_A=current_A, volts_per_cell=volts, now_ms=now_ms, **changes)


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 60), (5_000, 12)])
def test_a_string_that_was_not_filled_trips_after_a_minute(kit, period_ms, first):
    """At the limit, less than half of the set-point, from the start on."""
    settings = kit.settings(period_ms)
    given = views(kit, *[dry(kit)] * 62, state=starting(kit), settings=settings)
    assert kit.watch("dry_string", given, period_ms).index(True) == first


@pytest.mark.parametrize(("facts", "state", "trips"), [
    ({"current_A": 7.5}, {}, False), ({"volts": LIMIT * 0.985}, {}, True), ({"volts": LIMIT * 0.984}, {}, False),
    ({"now_ms": 120_000}, {}, True), ({"now_ms": 120_001}, {}, False), ({"now_ms": 900_000}, {"first_ms": None}, True),
    ({}, {"set_A": -15.0}, False), ({}, {"set_A": 0.0}, False), ({}, {"state": State.HELD}, False),
    ({"current_A": None}, {}, False), ({"volts": None}, {}, False),
    ({}, {"asked": ((0, 3.0), (1_000, 15.0))}, False),
])  # fmt: skip
def test_what_is_a_string_not_filled(kit, facts, state, trips):
    """Half of the lowest set-point asked for lately, at 0.985 of the limit, in the first two minutes of a charge."""
    given = views(kit, *[dry(kit, **facts)] * 62, state=starting(kit, **state))
    assert any(kit.watch("dry_string", given)) is trips


def test_the_time_of_a_string_not_filled_is_the_settings(kit):
    """A bath file may say 5 s; a reading that is lost meanwhile clears nothing."""
    settings = kit.settings(laws=LawSettings(open_string=OpenStringLimits(dry_s=5.0)))
    facts = [*[dry(kit)] * 6, dry(kit, current_A=None), dry(kit, volts=None), dry(kit, current_A=15.0)]
    seen = kit.watch("dry_string", views(kit, *facts, state=starting(kit), settings=settings))
    assert seen == [False] * 5 + [True] * 3 + [False]


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 60), (5_000, 12)])
def test_a_string_whose_volts_do_not_fit_its_list_holds_after_a_minute(kit, period_ms, first):
    """1.99 V a cell by the list's number, in the first ten minutes."""
    settings = kit.settings(period_ms)
    given = views(kit, *[kit.facts(volts_per_cell=1.99)] * 62, state=starting(kit), settings=settings)
    assert kit.watch("string_count", given, period_ms).index(True) == first


@pytest.mark.parametrize(("facts", "state", "holds"), [
    ({"volts_per_cell": 2.0}, {}, False), ({"volts_per_cell": 2.8}, {}, False), ({"volts_per_cell": 2.81}, {}, True),
    ({"now_ms": 600_000}, {}, True), ({"now_ms": 600_001}, {}, False), ({}, {"first_ms": None}, False),
    ({"current_A": 0.3}, {}, True), ({"current_A": 0.29}, {}, False), ({"current_A": None}, {}, False),
    ({"volts_per_cell": None}, {}, False), ({}, {"charge_Ah": 0.12}, True), ({}, {"charge_Ah": 0.119}, False),
    ({}, {"set_A": -15.0}, False), ({}, {"state": State.HELD}, False), ({}, {"load": None}, False),
    ({}, {"state": State.IDLE}, False),
])  # fmt: skip
def test_what_does_not_fit(kit, facts, state, holds):
    """Outside 2.0 to 2.8 V, while current flows, after 0.2 % of C20 (0.12 of 60 Ah) and within ten minutes."""
    given = views(kit, *[kit.facts(**{"volts_per_cell": 1.9, **facts})] * 62, state=starting(kit, **state))
    assert any(kit.watch("string_count", given)) is holds


def test_a_misfit_says_which_edge_and_stays_while_unread(kit):
    """The nearer edge is its limit; lost current or volts keep it."""
    low, high = (kit.facts(volts_per_cell=volts) for volts in (1.9, 2.9))
    unread, blind = replace(low, current_A=None), replace(low, voltage_V_per_cell=None)
    seen = kit.watch("string_count", views(kit, *[low] * 61, unread, blind, state=starting(kit)))
    assert seen[-3:] == [True, True, True]
    edges = [misfit(view, active=False).limit for view in views(kit, low, high, state=starting(kit))]
    assert edges == [2.0, 2.8]


def test_the_first_minutes_are_the_settings(kit):
    """A bath file may say other edges and one minute."""
    limits = VoltageLimits(first_minutes=1.0, least_V_per_cell=1.5, most_V_per_cell=2.3)
    settings = kit.settings(laws=LawSettings(voltage=limits))
    for volts, at_ms, holds in ((1.6, 60_000, False), (1.4, 60_000, True), (2.4, 60_000, True), (2.4, 60_001, False)):
        facts = kit.facts(volts_per_cell=volts, now_ms=at_ms)
        given = views(kit, *[facts] * 62, state=starting(kit), settings=settings)
        assert any(kit.watch("string_count", given)) is holds


RAGGED = ((0, 15.0), (1_000, 13.0), (2_000, 15.0), (3_000, 13.0))


def arc(kit, *, recent=RAGGED, before=2.3, now_ms=4_000, trail=True, flowing=True, **facts):
    point = TrailPoint(0, 15.0, before, 30.0, 25.0)
    state = kit.state(recent=recent, trail=(point,) if trail else (), run=kit.run(flowing=flowing))
    settings = facts.pop("settings", None)
    facts = kit.facts(**{"current_A": 0.1, "volts_per_cell": 2.84, "now_ms": now_ms, **facts})
    return kit.view(state, facts, settings)


def test_a_clamp_that_arced_trips_in_the_first_reading_without_current(kit):
    """Ragged before, volts jumped, no current at the limit."""
    assert kit.watch("arcing", [arc(kit)]) == [True]
    assert kit.watch("open_string", [arc(kit)]) == [False]


@pytest.mark.parametrize(("changes", "trips"), [
    ({"recent": RAGGED[:3]}, False), ({"before": 2.79}, False), ({"before": 2.7899}, True), ({"before": None}, False),
    ({"trail": False}, False), ({"current_A": 0.3}, False), ({"volts_per_cell": 2.80}, False),
    ({"recent": ((0, 15.0), (1_000, 13.6), (2_000, 15.0), (3_000, 13.6))}, False),
    ({"recent": ((0, 15.0), (1_000, 13.5), (2_000, 15.0), (3_000, 13.5))}, True),
    ({"now_ms": 10_000}, True), ({"now_ms": 10_001}, False),
])  # fmt: skip
def test_what_is_an_arc(kit, changes, trips):
    """Twice back by a tenth of the set-point in the last 10 s, and 50 mV a cell up; else five seconds are waited."""
    assert kit.watch("arcing", [arc(kit, **changes)]) == [trips]


def test_an_arc_is_not_told_without_current_or_volts(kit):
    """Not read: nothing begins; volts per cell need a load list's number."""
    assert kit.watch("arcing", [arc(kit, current_A=None), arc(kit, volts_per_cell=None)]) == [False, False]
    assert kit.watch("arcing", [replace(arc(kit), facts=replace(arc(kit).facts, voltage_V_per_cell=None))]) == [False]


@pytest.mark.parametrize(("now_ms", "period_ms", "trips"), [
    (10_000, 1_000, True), (10_001, 1_000, False), (12_000, 6_000, True), (12_001, 6_000, False),
])  # fmt: skip
def test_current_is_compared_with_the_ten_seconds_before(kit, now_ms, period_ms, trips):
    """Or two cycles, where they are longer; what flowed before that has nothing to say."""
    settings = kit.settings(period_ms)
    view = arc(kit, recent=((0, 15.0), (9_000, 0.1)), now_ms=now_ms, settings=settings)
    assert any(kit.watch("open_string", [view] * 8, period_ms)) is trips


def test_the_whole_way_of_an_arcing_clamp(kit):
    """Current jumps about, stops, volts go to the limit: tripped in that very cycle."""
    bench = kit.bench(circuits=1).running()
    bench.cycles(125)
    for current_A in (15.0, 12.0, 14.5, 12.5, 14.8):
        bench.bad[0, "current_A"] = current_A
        bench.cycle()
    assert bench.circuit().state is State.RUNNING
    bench.bad |= {(0, "current_A"): 0.0, (0, "voltage_V"): LIMIT * kit.cells}
    bench.cycle()
    assert bench.circuit().state is State.TRIPPED
    assert next(event.code for event in bench.events if event.data.get("life") == "new") == "arcing"


@pytest.mark.parametrize(("late", "period_ms", "first"), [((), 5_000, 1), ((1,), 5_000, 2), ((1, 2), 1_000, 5)])
def test_a_late_reading_does_not_make_an_open_clamp_invisible(kit, late, period_ms, first):
    """Once it counts, what flowed 10 s before is asked no more; the first reading alone does not trip."""
    bench = kit.bench(circuits=1, period_ms=period_ms).running()
    bench.cycles(10)
    for cycle in range(first + 1):
        assert bench.circuit().state is State.RUNNING or cycle > 1
        gone = {(0, "current_A"): 0.0, (0, "voltage_V"): LIMIT * kit.cells}
        bench.bad |= dict.fromkeys(gone, "old") if cycle in late else gone
        bench.cycle()
    assert bench.circuit().state is State.TRIPPED


def test_only_fresh_readings_are_remembered_as_what_flowed(kit):
    """An old one says nothing of now."""
    bench = kit.bench(circuits=1).running()
    bench.cycles(3)
    before = bench.circuit().recent
    bench.bad[0, "current_A"] = "old"
    bench.cycle()
    assert bench.circuit().recent == before


def test_what_waits_is_judged_by_low_current_at_the_limit_alone(kit):
    """Without the timer nothing flowed before, and nothing begins; current that is back ends it."""
    view = arc(kit, recent=(), now_ms=60_000)
    waits = replace(view, state=replace(view.state, timers=(Timer("open_string"),)))
    other = replace(view, state=replace(view.state, timers=(Timer("dry_string"),)))
    back = replace(waits, facts=replace(waits.facts, current_A=0.3))
    found = [no_current(each, active=False).holds for each in (view, waits, other, back)]
    assert found == [False, True, False, False]
    assert no_current(view, active=True).holds


@pytest.mark.parametrize(("period_ms", "last_ms", "trips"), [(5_000, 20_000, True), (5_000, 20_001, False)])
def test_an_arc_is_looked_for_in_four_readings_where_they_take_longer_than_ten_seconds(kit, period_ms, last_ms, trips):
    """Two turns need four readings."""
    recent = tuple((5 * at_ms, amount) for at_ms, amount in RAGGED)
    view = arc(kit, recent=recent, now_ms=last_ms, settings=kit.settings(period_ms))
    waits = replace(view, state=replace(view.state, timers=(Timer("open_string"),)))
    assert kit.watch("arcing", [waits]) == [trips]
