"""What hands do and tell: readings, what was added and until when it lies unmixed, the meter walk, a second person."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import mixing
from controller.core.listchecks import KINDS, ticked
from controller.core.orderchecks import Ask
from controller.core.orders import RULES, WALK, given, refusal_of, rule_of
from controller.core.planned import PlanReading
from controller.core.state import Interruption, Tick
from controller.core.types import State

NOW_MS = 4_000_000
ROLES = ("technician", "engineer", "maintenance", "quality")
DENSITY = {"what": "density", "position": 9, "value": 1.24, "temperature_C": 31.5, "instrument": "H2"}
WALK_ITEMS = ("+ to red", "ends and links")


def ask_for(kit, verb, state=State.RUNNING, run=None, plan=None, circuit=None, settings=None, roles=ROLES, **args):
    """An order on a circuit of 18 places whose string shows zero; `run` changes its run."""
    settings = kit.settings(walk_items=WALK_ITEMS, walk_ms=(900_000, 3_600_000), **(settings or {}))
    base = replace(kit.state(state, set_A=0.0), **(circuit or {}))
    if base.run is not None:
        base = replace(base, run=replace(base.run, **(run or {})))
    if plan is not None:
        base = replace(base, load=kit.load(plan=plan))
    facts = kit.facts(now_ms=NOW_MS, current_A=0.0, output_on=False)
    order = kit.order(verb, roles=roles, **args)
    return Ask(settings, settings.circuits[0], base, facts, kit.share(), (), order)


def code(ask):
    refusal = refusal_of(ask)
    return None if refusal is None else refusal.code


def test_a_reading_is_told_with_all_that_was_said_of_it(kit):
    """What, where, how much, how warm, with what, when, by whom; unit and age are filled in."""
    state, event = given(ask_for(kit, "reading", **DENSITY))
    assert (event.code, event.kind, event.data["who"]) == ("reading", "order", "anna")
    assert {**DENSITY, "unit": "kg/L", "taken_minutes_ago": 0}.items() <= dict(event.data).items()
    assert state == ask_for(kit, "reading", **DENSITY).state
    _, event = given(ask_for(kit, "reading", **DENSITY, unit="kg/L", taken_minutes_ago=12.5))
    assert (event.data["unit"], event.data["taken_minutes_ago"]) == ("kg/L", 12.5)


@pytest.mark.parametrize(("change", "why"), [
    ({"what": "colour"}, "reading_what"), ({"what": None}, "reading_what"), ({"what": 7}, "reading_what"),
    ({"value": None}, "reading_value"), ({"value": "1.24"}, "reading_value"), ({"value": True}, "reading_value"),
    ({"value": float("nan")}, "reading_value"), ({"value": float("inf")}, "reading_value"),
    ({"value": -float("inf")}, "reading_value"), ({"unit": "Bé"}, "reading_unit"), ({"unit": ""}, None),
    ({"temperature_C": None}, "reading_C"), ({"temperature_C": "warm"}, "reading_C"), ({"instrument": " "},
    "reading_instrument"), ({"instrument": 7}, None), ({"instrument": True}, "reading_instrument"),
    ({"taken_minutes_ago": 240}, None), ({"taken_minutes_ago": 241}, "reading_age"), ({"taken_minutes_ago": 0}, None),
    ({"taken_minutes_ago": -1}, "reading_age"), ({"taken_minutes_ago": None}, "reading_age"),
    ({"position": 1}, None), ({"position": 18}, None), ({"position": 0}, "position"), ({"position": 19}, "position"),
    ({"position": "9"}, "position"), ({"position": True}, "position"), ({"position": 9.0}, "position"),
])  # fmt: skip
def test_a_reading_that_is_worth_nothing_later_is_refused(kit, change, why):
    """Another quantity, out of all range, without temperature or instrument, too long ago, at no place."""
    assert code(ask_for(kit, "reading", **{**DENSITY, **change})) == why


@pytest.mark.parametrize(("what", "least", "most", "needs"), [
    ("density", 1.0, 1.4, ("temperature_C", "instrument")), ("voltage", -500.0, 500.0, ("instrument",)),
    ("temperature", -20.0, 100.0, ()), ("level", 0.0, 1000.0, ()), ("joint_mV", 0.0, 5000.0, ("instrument",)),
])  # fmt: skip
def test_each_kind_of_reading_has_its_range_and_its_needs(kit, what, least, most, needs):
    """Both ends included; a misplaced comma falls outside; without what it needs it is refused."""
    said = {"what": what, "position": 9, "temperature_C": 20, "instrument": "M1"}
    for value, why in ((least, None), (most, None), (least - 0.01, "reading_value"), (most + 0.01, "reading_value")):
        assert code(ask_for(kit, "reading", **said, value=value)) == why
    lacking = {"temperature_C": "reading_C", "instrument": "reading_instrument"}
    for key, why in lacking.items():
        assert code(ask_for(kit, "reading", **{**said, key: None}, value=most)) == (why if key in needs else None)
    refusal = refusal_of(ask_for(kit, "reading", **said, value=9_999))
    assert (refusal.data["least"], refusal.data["most"]) == (least, most)
    assert set(KINDS) == {"density", "voltage", "temperature", "level", "joint_mV"}


def test_a_reading_needs_a_load_but_no_run(kit):
    """Before the start too; of an empty circuit there is nothing to read."""
    assert code(ask_for(kit, "reading", State.IDLE, **DENSITY)) is None
    assert given(ask_for(kit, "reading", State.IDLE, **DENSITY))[0].run is None
    assert code(ask_for(kit, "reading", State.IDLE, circuit={"load": None}, **DENSITY)) == "not_loaded"


def due_plan(kit):
    wanted = (PlanReading(0, "density", (1, 9)), PlanReading(1, "density", (9,)), PlanReading(0, "voltage", (9,)))
    return kit.plan(kit.step(), kit.step(2), readings=wanted)


@pytest.mark.parametrize(("run", "read"), [
    ({"step": 0}, ()), ({"step": 1}, ((0, 9),)), ({"step": 1, "end_ms": 5}, ((0, 9), (1, 9))),
    ({"step": 1, "read": ((0, 9),)}, ((0, 9),)), ({"step": 1, "read": ((0, 1),)}, ((0, 1), (0, 9))),
])  # fmt: skip
def test_a_reading_ticks_off_what_the_plan_wanted_once_it_is_due(kit, run, read):
    """The same quantity at that battery, of steps that have ended, each once; after the end all of them."""
    state, _ = given(ask_for(kit, "reading", plan=due_plan(kit), run=run, **DENSITY))
    assert state.run.read == read


def test_a_reading_elsewhere_ticks_nothing_off(kit):
    """Battery 5 was not asked for, and a temperature was not."""
    for change in ({"position": 5}, {"what": "temperature"}):
        ask = ask_for(kit, "reading", plan=due_plan(kit), run={"step": 1}, **{**DENSITY, **change})
        assert given(ask)[0] is ask.state


@pytest.mark.parametrize(("change", "why"), [
    ({}, None), ({"what": "acid"}, None), ({"what": "oil"}, "added_what"), ({"what": None}, "added_what"),
    ({"mL": 2000}, None), ({"mL": 0.1}, None), ({"mL": 2001}, "added_mL"), ({"mL": 0}, "added_mL"),
    ({"mL": "50"}, "added_mL"), ({"position": 19}, "position"),
])  # fmt: skip
def test_what_was_added_is_water_or_acid_in_an_amount_a_battery_takes(kit, change, why):
    """More than nothing, at most 2 L, at one of the places."""
    assert code(ask_for(kit, "added", **{"position": 9, "mL": 50, "what": "water", **change})) == why


def test_nothing_is_added_where_no_run_is(kit):
    """Tripped with nothing loaded: no run, nothing to remember it by."""
    ask = ask_for(kit, "added", State.TRIPPED, circuit={"run": None}, position=9, mL=50, what="water")
    assert code(ask) == "no_run"
    assert RULES["added"].effect(ask) is ask.state


def test_water_lies_unmixed_for_an_hour_of_charging(kit):
    """Its battery's density is refused so long, no other's, and no voltage; acid asks for no waiting."""
    state, event = given(ask_for(kit, "added", position=9, mL=50, what="water"))
    assert (event.code, state.run.watered) == ("added", ((9, 3_600_000),))
    refusal = refusal_of(ask_for(kit, "reading", circuit={"run": state.run}, **DENSITY))
    assert (refusal.code, dict(refusal.data)) == ("not_mixed", {"minutes": 60.0})
    for change in ({"position": 8}, {"what": "voltage", "value": 12.0}):
        assert code(ask_for(kit, "reading", circuit={"run": state.run}, **{**DENSITY, **change})) is None
    again, _ = given(ask_for(kit, "added", run={"watered": ((9, 5), (4, 7))}, position=9, mL=50, what="water"))
    assert again.run.watered == ((4, 7), (9, 3_600_000))
    ask = ask_for(kit, "added", position=9, mL=50, what="acid")
    assert given(ask)[0] is ask.state


@pytest.mark.parametrize(("current_A", "gap", "left"), [
    (0.3, False, ((9, 9_000),)), (15.0, False, ((9, 9_000),)), (0.29, False, ((4, 1_000), (9, 10_000))),
    (-5.0, False, ((4, 1_000), (9, 10_000))), (None, False, ((4, 1_000), (9, 10_000))),
    (15.0, True, ((4, 1_000), (9, 10_000))),
])  # fmt: skip
def test_only_charge_current_that_was_read_stirs(kit, current_A, gap, left):
    """Neither a rest nor a discharge, nothing that was not read; what is mixed is forgotten."""
    run = kit.run(watered=((4, 1_000), (9, 10_000)))
    assert mixing.stirred(run, kit.facts(dt_ms=1_000, current_A=current_A, gap=gap)).watered == left
    assert mixing.left_ms(run, 9) == 10_000
    assert mixing.left_ms(run, 5) == 0


def test_the_whole_core_stirs_while_it_charges(kit):
    """Ten cycles of a second, then held: not one more."""
    bench = kit.bench(circuits=1).running()
    assert bench.order("added", position=9, mL=50, what="water") == "added"
    bench.cycles(10)
    assert bench.circuit().run.watered == ((9, 3_590_000),)
    bench.order("hold")
    bench.cycles(2)
    left = bench.circuit().run.watered
    assert bench.cycles(5).circuit().run.watered == left


def walk_for(kit, now=0, **more):
    """An item of the meter walk on a held, blocked circuit; its first current came `now` ms after the first minute."""
    held = {"interruption": Interruption(0, "block"), "first_ms": NOW_MS - 900_000 - now}
    more = {"circuit": {"blocked_by": "bert"}, "walk": 1, "ok": True, **more}
    return ask_for(kit, "done", more.pop("state", State.HELD), {**held, **more.pop("run", {})}, **more)


def test_the_meter_walk_keeps_what_each_item_was_found_to_be(kit):
    """Who, when, wrong with what; the newest word on an item counts, and the answer has the item's words."""
    state, event = given(walk_for(kit, ok=False, reason="battery 4"))
    assert state.run.walk == (Tick(1, False, "anna", NOW_MS, "battery 4"),)
    assert (event.code, event.data["item_text"]) == ("accepted", "+ to red")
    both, event = given(walk_for(kit, run={"walk": (*state.run.walk, Tick(2, True, "bert", 5))}))
    assert both.run.walk == (Tick(1, True, "anna", NOW_MS), Tick(2, True, "bert", 5))
    assert given(walk_for(kit, walk=2))[1].data["item_text"] == "ends and links"


@pytest.mark.parametrize(("more", "why"), [
    ({}, None), ({"now": -1}, "walk_early"), ({"now": 10**9}, None), ({"run": {"first_ms": None}}, "walk_early"),
    ({"walk": 0}, "no_item_walk"), ({"walk": 3}, "no_item_walk"), ({"walk": "1"}, "no_item_walk"),
    ({"walk": True}, "no_item_walk"), ({"walk": 2}, None), ({"ok": None}, "no_reason"), ({"ok": False}, "no_reason"),
    ({"ok": False, "reason": "battery 4"}, None), ({"circuit": {}}, "block_first"),
    ({"state": State.RUNNING}, "state"), ({"state": State.IDLE}, "state"), ({"roles": ("engineer",)}, "role"),
])  # fmt: skip
def test_the_meter_walk_is_made_held_and_blocked_from_its_first_minute_on(kit, more, why):
    """Too early it shows nothing; late it is still better than never."""
    assert code(walk_for(kit, **more)) == why


def test_a_bath_without_a_meter_walk_has_no_item(kit):
    """Whatever its list of items says."""
    ask = walk_for(kit)
    assert code(replace(ask, settings=replace(ask.settings, walk_ms=None))) == "no_item_walk"
    early = refusal_of(walk_for(kit, now=-60_000))
    assert dict(early.data) == {"minutes": 1.0}
    assert dict(refusal_of(walk_for(kit, run={"first_ms": None})).data) == {"minutes": 15.0}
    assert WALK.effect(walk_for(kit, walk=7)).run.walk == ()


def test_done_means_a_step_a_list_or_a_walk_by_its_arguments(kit):
    """Only with `walk` is it the meter walk."""
    assert rule_of(kit.order("done", walk=1)) is WALK
    assert rule_of(kit.order("hold", walk=1)) is RULES["hold"]


ANNA, BERT, CARL = (Tick(1, True, who, 0) for who in ("anna", "bert", "carl"))
WRONG = Tick(1, False, "dora", 0, "reversed")


@pytest.mark.parametrize(("before", "new", "people", "after"), [
    ((), ANNA, 1, (ANNA,)), ((ANNA,), BERT, 1, (BERT,)), ((ANNA,), BERT, 2, (ANNA, BERT)),
    ((ANNA, BERT), CARL, 2, (BERT, CARL)), ((ANNA, BERT), ANNA, 2, (BERT, ANNA)), ((ANNA,), ANNA, 2, (ANNA,)),
    ((ANNA, BERT), WRONG, 2, (WRONG,)), ((WRONG,), ANNA, 2, (ANNA,)), ((WRONG,), WRONG, 2, (WRONG,)),
])  # fmt: skip
def test_a_list_keeps_the_newest_word_of_as_many_people_as_are_asked_for(before, new, people, after):
    """What is found wrong wipes away every right before it; what is found right wipes away the wrong."""
    other = Tick(2, True, "anna", 0)
    assert ticked((*before, other), new, people) == (*after, other)


def two_people_bench(kit):
    bench = kit.bench(circuits=1, start_items=("polarity", "nobody there"), two_people=True).cycles(5)
    bench.order("load", load=kit.load())
    assert bench.order("done", item=1, ok=True) == bench.order("done", item=2, ok=True) == "accepted"
    return bench


def test_polarity_needs_the_word_of_two_people_where_the_bath_file_says(kit):
    """Anna's alone is not enough, said twice neither; the second item is one person's."""
    bench = two_people_bench(kit)
    assert bench.order("done", item=1, ok=True) == "accepted"
    assert bench.order("start") == "second_person"
    assert [event.data["by"] for event in bench.events if event.code == "second_person"] == ["anna"]
    bench.order("done", item=1, ok=True, who="bert")
    bench.order("done", item=2, ok=True, who="bert")
    assert [(tick.item, tick.who) for tick in bench.circuit().ticks] == [(1, "anna"), (1, "bert"), (2, "bert")]
    assert bench.order("start") == "accepted"
    assert [event.data["who"] for event in bench.events if event.code == "start_list_item"] == ["anna", "bert", "bert"]


def test_both_words_on_polarity_must_be_fresh(kit):
    """The first one's half hour is over when the second comes."""
    bench = two_people_bench(kit)
    ticks = bench.circuit().ticks
    bench.change(ticks=(replace(ticks[0], at_ms=ticks[0].at_ms - 1_800_000), *ticks[1:]))
    bench.order("done", item=1, ok=True, who="bert")
    assert bench.order("start") == "start_list_stale"


def test_one_persons_word_is_enough_elsewhere(kit):
    """Without two people on the list the newest word replaces the one before."""
    bench = kit.bench(circuits=1, start_items=("polarity",)).cycles(5)
    bench.order("load", load=kit.load())
    bench.order("done", item=1, ok=True)
    bench.order("done", item=1, ok=True, who="bert")
    assert [tick.who for tick in bench.circuit().ticks] == ["bert"]
    assert bench.order("start") == "accepted"
