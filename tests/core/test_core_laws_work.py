"""The laws about people's work: meter walk, readings by hand, the round, the horn."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathstate import BathState, Duty
from controller.core.laws import dues, rounds
from controller.core.planned import PlanReading
from controller.core.state import CircuitState, Tick
from controller.core.types import Reaction, State

MIN = 60_000
WALK = {"walk_items": ("+ to red", "ends"), "walk_ms": (15 * MIN, 60 * MIN)}
RIGHT = (Tick(1, True, "anna", 0), Tick(2, True, "anna", 0))


def walk_view(kit, minutes, settings=WALK, walk=(), state=State.RUNNING, **run):
    made = kit.run(**{"first_ms": 0, "walk": walk, **run})
    facts = kit.facts(now_ms=round(minutes * MIN))
    return kit.view(kit.state(state, run=made), facts, kit.settings(**settings))


def holding(family, view):
    """The codes whose comparison holds now; and what is asleep holds nothing."""
    found = [law.code for law in family.laws if law.compare(view, False).holds]
    assert not (family.asleep(view) and found)
    return found


@pytest.mark.parametrize(("minutes", "found"), [
    (14.9, []), (15.0, ["walk_due"]), (59.9, ["walk_due"]), (60.0, ["walk_overdue"]), (600.0, ["walk_overdue"]),
])  # fmt: skip
def test_the_meter_walk_is_due_from_its_first_minute_and_overdue_past_its_last(kit, minutes, found):
    """One or the other, with the minutes since the first current and the latest one."""
    view = walk_view(kit, minutes)
    assert holding(dues.FAMILY, view) == found
    for code in found:
        law = next(law for law in dues.LAWS if law.code == code)
        finding = law.compare(view, True)
        assert (finding.value, finding.limit) == (pytest.approx(minutes), 60.0)
    assert dues.asleep(view) == (not found)


@pytest.mark.parametrize("change", [
    {"walk": RIGHT}, {"first_ms": None}, {"end_ms": 5}, {"settings": {**WALK, "walk_ms": None}},
    {"settings": {**WALK, "walk_items": ()}},
])  # fmt: skip
def test_no_meter_walk_is_owed(kit, change):
    """All found right, no current yet, ended, or none asked for: nothing stands, and the family sleeps."""
    view = walk_view(kit, 61, **change)
    assert holding(dues.FAMILY, view) == []
    assert dues.asleep(view)


@pytest.mark.parametrize("walk", [RIGHT[:1], RIGHT[1:], (RIGHT[0], replace(RIGHT[1], ok=False))])
def test_the_walk_is_owed_until_every_item_is_right(kit, walk):
    """Half of it, or one wrong; held as well as running."""
    assert holding(dues.FAMILY, walk_view(kit, 61, walk=walk)) == ["walk_overdue"]
    assert holding(dues.FAMILY, walk_view(kit, 61, walk=walk, state=State.HELD)) == ["walk_overdue"]


def reading_view(kit, minutes=0, places=None, **run):
    wanted = (PlanReading(0, "density", (1, 9)), PlanReading(1, "density", (18,)))
    load = kit.load(plan=kit.plan(kit.step(), kit.step(2), readings=wanted))
    state = replace(kit.state(run=kit.run(**run)), load=load)
    own = {} if places is None else {"places": places}
    return kit.view(state, kit.facts(now_ms=minutes * MIN), kit.settings(own=own))


@pytest.mark.parametrize(("run", "missing"), [
    ({"step": 0}, False), ({"step": 1}, True), ({"step": 1, "read": ((0, 1),)}, True),
    ({"step": 1, "read": ((0, 1), (0, 9))}, False), ({"step": 1, "read": ((1, 1), (1, 9))}, True),
    ({"step": 1, "read": ((0, 1), (0, 9)), "end_ms": 5}, True),
    ({"step": 1, "read": ((0, 1), (0, 9), (1, 18)), "end_ms": 5}, False),
])  # fmt: skip
def test_a_reading_is_missing_once_its_step_has_ended(kit, run, missing):
    """At each battery that the plan names; after the last step, when the run has ended."""
    view = reading_view(kit, **run)
    assert holding(dues.FAMILY, view) == (["reading_overdue", "reading_overdue_long"] if missing else [])
    assert not dues.asleep(view)


def test_a_battery_that_the_string_does_not_have_owes_no_reading(kit):
    """A plan for 18 places on a circuit of 9: battery 18 is not there."""
    run = {"step": 1, "end_ms": 5, "read": ((0, 1), (0, 9))}
    assert holding(dues.FAMILY, reading_view(kit, places=17, **run)) == []
    assert holding(dues.FAMILY, reading_view(kit, places=18, **run)) != []


@pytest.mark.parametrize(("code", "minutes"), [("reading_overdue", 30), ("reading_overdue_long", 60)])
def test_a_reading_is_overdue_half_an_hour_and_long_overdue_an_hour_after_its_step(kit, code, minutes):
    """Not a minute earlier."""
    views = [reading_view(kit, minute, step=1) for minute in range(minutes + 1)]
    assert kit.watch(code, views, period_ms=MIN) == [False] * minutes + [True]


@pytest.mark.parametrize("change", [{"run": None}, {"load": None}])
def test_a_circuit_without_a_run_or_a_load_owes_nothing(kit, change):
    """Neither walk nor reading can be due there: the laws sleep."""
    view = walk_view(kit, 61)
    view = replace(view, state=replace(view.state, **change))
    assert dues.asleep(view)
    assert not dues.reading_missing(view, False).holds
    readings = reading_view(kit, step=1)
    assert not dues.reading_missing(replace(readings, state=replace(readings.state, **change)), False).holds


def bath_view(kit, minutes, round_ms=None, starts=(0,), ends=(None,), duty=None, interval_ms=120 * MIN):
    runs = [kit.run(start_ms=start, end_ms=end) for start, end in zip(starts, ends, strict=True)]
    circuits = (*(replace(kit.state(), run=run) for run in runs), CircuitState("A09"))
    state = BathState(circuits, duty=duty or Duty(round_ms=round_ms))
    return kit.bath_view(kit.bath_facts(round(minutes * MIN)), settings=kit.settings(round_ms=interval_ms), state=state)


BOTH = ["round_overdue", "round_overdue_long"]


@pytest.mark.parametrize(("minutes", "round_ms", "found"), [
    (149.9, None, []), (150.0, None, BOTH[:1]), (179.9, None, BOTH[:1]), (180.0, None, BOTH),
    (249.9, 100 * MIN, []), (250.0, 100 * MIN, BOTH[:1]), (280.0, 100 * MIN, BOTH),
])  # fmt: skip
def test_a_round_is_overdue_thirty_minutes_and_long_overdue_sixty_past_its_interval(kit, minutes, round_ms, found):
    """Counted from the last round, else from the start; the value is how late, the limit what was crossed."""
    view = bath_view(kit, minutes, round_ms)
    assert holding(rounds.FAMILY, view) == found
    if found == BOTH:
        late = minutes - 120.0 - (round_ms or 0) / MIN
        assert [rounds.overdue(view, True).value, rounds.long_overdue(view, True).limit] == [pytest.approx(late), 60.0]
        assert rounds.overdue(view, True).limit == 30.0


@pytest.mark.parametrize(("starts", "ends", "round_ms", "overdue"), [
    ((100 * MIN, 0), (None, None), None, True), ((100 * MIN, 50 * MIN), (None, None), None, False),
    ((0, 100 * MIN), (5, None), None, False), ((100 * MIN,), (None,), 5, False), ((0,), (5,), None, False),
])  # fmt: skip
def test_a_rounds_clock_begins_with_the_oldest_open_run(kit, starts, ends, round_ms, overdue):
    """After 160 min; ended runs ask for no round, and one made before the run began does not count against it."""
    assert bool(holding(rounds.FAMILY, bath_view(kit, 160, round_ms, starts, ends))) is overdue


def test_a_bath_that_asks_for_no_round_sleeps(kit):
    """Nothing is ever overdue there."""
    view = bath_view(kit, 10_000, interval_ms=None)
    assert holding(rounds.FAMILY, view) == []
    assert rounds.asleep(view)
    assert not rounds.asleep(bath_view(kit, 0))


def test_a_horn_that_was_not_heard_is_an_alarm_until_it_is(kit):
    """Also where no rounds are asked for."""
    silent = bath_view(kit, 0, duty=Duty(horn_ok=False), interval_ms=None)
    assert holding(rounds.FAMILY, silent) == ["horn_failed"]
    assert holding(rounds.FAMILY, bath_view(kit, 0)) == []


def test_they_tell_and_hold_nothing(kit):
    """Priority 3 when due, 2 when long overdue; the long ones explain the short ones."""
    laws = {law.code: law for law in (*dues.LAWS, *rounds.LAWS)}
    assert {law.reaction for law in laws.values()} == {Reaction.WARN}
    assert {code for code, law in laws.items() if law.priority == 3} == {"walk_due", "reading_overdue", "round_overdue"}
    assert {law.priority for law in laws.values()} == {2, 3}
    assert {law.readings for law in laws.values()} == {0}
    assert {code: law.explains for code, law in laws.items() if law.explains} == {
        "reading_overdue_long": ("reading_overdue",), "round_overdue_long": ("round_overdue",),
    }  # fmt: skip
