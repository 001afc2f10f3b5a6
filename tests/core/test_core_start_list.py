"""The start list: what a person found of each item, for how long it counts, and that no start passes without it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.orderchecks import Ask
from controller.core.orders import RULES, TICK, after, given, refusal_of, rule_of
from controller.core.state import Tick
from controller.core.types import State

ITEMS = ("polarity: red to +", "nobody at this bath")
STALE_MS = 30 * 60_000
NOW_MS = 4_000_000
EVERY = ("technician", "engineer", "maintenance", "quality")
TICKED = (Tick(1, True, "anna", NOW_MS), Tick(2, True, "bert", NOW_MS))


def ask_for(kit, verb="done", state=State.IDLE, ticks=(), roles=EVERY, items=ITEMS, **args):
    """An order on a loaded circuit of a bath with a start list, on a fresh string of 0.1 V."""
    settings = kit.settings(start_items=items)
    circuit = kit.state(state, set_A=0.0, ticks=ticks, revision=3)
    facts = kit.facts(now_ms=NOW_MS, current_A=0.0, volts_per_cell=0.001, output_on=False, set_current_A=0.0)
    order = kit.order(verb, who="anna", roles=roles, **args)
    return Ask(settings, settings.circuits[0], circuit, facts, kit.share(), (), order)


def code(ask):
    """The refusal's code, or None; a refusal changes nothing."""
    refusal = refusal_of(ask)
    state, event = given(ask)
    if refusal is None:
        assert event.kind == "order"
        return None
    assert (event.code, event.kind) == (refusal.code, "refusal")
    assert state is ask.state
    return refusal.code


def test_a_tick_keeps_who_found_what_and_when(kit):
    """Item 2 found right by Anna now; the circuit changed, so an older view of it is out of date."""
    state, event = given(ask_for(kit, item=2, ok=True))
    assert state.ticks == (Tick(2, True, "anna", NOW_MS),)
    assert state.revision == 3  # no change of state: the next item may be ticked at once
    assert (event.code, event.kind, event.data["verb"], event.data["who"]) == ("accepted", "order", "done", "anna")
    assert (event.data["item"], event.data["item_text"], event.data["ok"]) == (2, ITEMS[1], True)


def test_the_newest_word_on_an_item_counts(kit):
    """Found wrong after it was found right, and right again after it was put right; one entry an item, in order."""
    state, event = given(ask_for(kit, ticks=TICKED, item=1, ok=False, reason="battery 4 reversed"))
    assert state.ticks == (Tick(1, False, "anna", NOW_MS, "battery 4 reversed"), TICKED[1])
    assert event.data["reason"] == "battery 4 reversed"
    again, _ = given(replace(ask_for(kit, item=1, ok=True), state=state))
    assert again.ticks == (Tick(1, True, "anna", NOW_MS), TICKED[1])


def test_a_reason_beside_right_is_not_kept(kit):
    """Right is right; only what was found wrong carries a reason."""
    state, _ = given(ask_for(kit, item=1, ok=True, reason="looks well"))
    assert state.ticks[0].reason == ""


@pytest.mark.parametrize("item", [0, 3, -1, True, False, "1", 1.0, None, 10**9])
def test_what_is_not_on_the_list_cannot_be_ticked(kit, item):
    """A number outside the list, or no whole number at all."""
    assert code(ask_for(kit, item=item, ok=True)) == "no_item"


def test_without_a_list_there_is_nothing_to_tick(kit):
    """A bath file without a start list has no item 1."""
    assert code(ask_for(kit, items=(), item=1, ok=True)) == "no_item"


@pytest.mark.parametrize(
    "args", [{}, {"ok": None}, {"ok": 1}, {"ok": "true"}, {"ok": False}, {"ok": False, "reason": "  "}, {"reason": "x"}]
)
def test_an_item_is_found_right_or_wrong_with_a_reason(kit, args):
    """Anything but a plain yes, or a no with words, is refused: nothing is ticked by accident."""
    assert code(ask_for(kit, item=1, **args)) == "no_reason"


@pytest.mark.parametrize("state", list(State))
def test_only_an_idle_circuit_has_a_start_list(kit, state):
    """Neither before its state is known nor while current may flow."""
    assert code(ask_for(kit, state=state, item=1, ok=True)) == (None if state is State.IDLE else "state")


def test_an_empty_circuit_has_none_either(kit):
    """There is no string to look at."""
    ask = ask_for(kit, item=1, ok=True)
    assert code(replace(ask, state=replace(ask.state, load=None))) == "not_loaded"


@pytest.mark.parametrize("role", EVERY)
def test_the_technician_ticks(kit, role):
    """As with any other `done`."""
    assert code(ask_for(kit, roles=(role,), item=1, ok=True)) == (None if role == "technician" else "role")


def test_done_of_a_step_stays_what_it_was(kit):
    """Without an item it is the word that a step's task is done, in a running circuit alone."""
    assert rule_of(kit.order("done")) is RULES["done"]
    assert rule_of(kit.order("done", item=1)) is TICK
    assert code(ask_for(kit)) == "state"
    assert code(ask_for(kit, state=State.RUNNING)) == "nothing_to_do"


def spoiled(which, **changes):
    return tuple(replace(tick, **changes) if tick.item == which else tick for tick in TICKED)


@pytest.mark.parametrize(("ticks", "why", "item"), [
    (TICKED, None, None),
    ((), "start_list", 1),
    (TICKED[:1], "start_list", 2),
    (spoiled(2, ok=False, reason="somebody there"), "start_list_refused", 2),
    (spoiled(1, at_ms=NOW_MS - STALE_MS), None, None),
    (spoiled(1, at_ms=NOW_MS - STALE_MS - 1), "start_list_stale", 1),
    (spoiled(2, at_ms=NOW_MS + 1), "start_list_stale", 2),
])  # fmt: skip
def test_no_start_before_each_item_was_found_right_not_long_ago(kit, ticks, why, item):
    """Not ticked, found wrong, older than 30 min, or from a time that has not been yet."""
    ask = ask_for(kit, "start", ticks=ticks)
    assert code(ask) == why
    if why:
        assert refusal_of(ask).data["item"] == item


def test_a_refused_item_is_named_with_its_reason(kit):
    """Who stands before the start reads who found what."""
    ask = ask_for(kit, "start", ticks=spoiled(2, ok=False, reason="somebody there"))
    assert refusal_of(ask).data == {"item": 2, "by": "bert", "reason": "somebody there"}


def test_items_that_the_list_no_longer_has_are_ignored(kit):
    """A bath file with fewer items since: what was ticked beyond its end neither helps nor hinders."""
    ask = ask_for(kit, "start", ticks=TICKED, items=ITEMS[:1])
    assert code(ask) is None
    assert [event.data["item_text"] for event in after(ask, ask.state)] == [ITEMS[0]]
    assert TICK.effect(ask_for(kit, item=3, ok=True)).ticks == ()


def bench_of(kit):
    return kit.bench(circuits=1, start_items=ITEMS).cycles(5)


def ticked(kit, bench):
    for item in (1, 2):
        assert bench.order("done", item=item, ok=True) == "accepted"
    return bench


def test_load_unload_and_start_clear_the_list(kit):
    """What was seen of one string says nothing about the next."""
    bench = bench_of(kit)
    bench.order("load", load=kit.load())
    assert len(ticked(kit, bench).circuit().ticks) == 2
    assert bench.order("unload") == "accepted"
    assert bench.circuit().ticks == ()
    bench.change(ticks=TICKED).order("load", load=kit.load())
    assert bench.circuit().ticks == ()
    ticked(kit, bench)
    assert bench.order("start") == "accepted"
    assert bench.circuit().ticks == ()


def test_the_start_tells_what_the_list_said(kit):
    """Each item, who and how long before, in the very cycle of the start, behind the order itself; not when refused."""
    bench = bench_of(kit)
    bench.order("load", load=kit.load())
    assert bench.order("start") == "start_list"
    assert [event.code for event in bench.events if event.code == "start_list_item"] == []
    ticked(kit, bench).cycles(57)
    events = bench.cycle(kit.order("start"))
    told = [event for event in events if event.code in ("accepted", "start_list_item")]
    assert [event.code for event in told] == ["accepted", "start_list_item", "start_list_item"]
    assert [event.data["item_text"] for event in told[1:]] == list(ITEMS)
    assert told[1].data["who"] == "anna"
    assert told[1].data["minutes"] == pytest.approx(59 / 60)


def test_a_bath_without_a_list_starts_as_ever(kit):
    """No items, nothing to tick, nothing told."""
    bench = kit.bench(circuits=1).running()
    assert bench.circuit().state is State.RUNNING
    assert "start_list_item" not in {event.code for event in bench.events}


def test_nobody_ticks_while_somebody_works_on_the_string(kit):
    """A blocked circuit is being changed: what is found right now need not be so when the block is lifted."""
    ask = ask_for(kit, item=1, ok=True)
    assert code(ask) is None
    assert code(replace(ask, state=replace(ask.state, blocked_by="bert"))) == "blocked"


def test_a_stale_tick_says_how_old_it_is(kit):
    """To the half minute: 45.5 min of the 30."""
    refusal = refusal_of(ask_for(kit, "start", ticks=spoiled(1, at_ms=NOW_MS - 2_730_000)))
    assert (refusal.code, dict(refusal.data)) == ("start_list_stale", {"item": 1, "minutes": 45.5})
