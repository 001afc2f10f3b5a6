"""Orders: for each verb who may, in which state, what it does, and the revision a person had on screen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.orderchecks import Ask
from controller.core.orders import RULES, TICK, TRIAL, WALK, after, given, refusal_of, rule_of
from controller.core.state import Alarm, Interruption, Tick
from controller.core.types import Output, Reaction, State

ROLES = ("technician", "engineer", "maintenance", "quality")
MAY = {
    "load": {"technician"},
    "unload": {"technician"},
    "start": {"technician", "engineer"},
    "hold": set(ROLES),
    "resume": {"technician", "engineer"},
    "stop": set(ROLES),
    "done": {"technician"},
    "skip": {"engineer"},
    "extend": {"technician"},
    "change-count": {"technician"},
    "acknowledge": {"technician", "maintenance"},
    "reset": {"technician", "maintenance"},
    "shelve": {"technician"},
    "unshelve": {"technician"},
    "block": {"technician", "maintenance"},
    "unblock": {"technician", "maintenance"},
    "reading": {"technician"},
    "added": {"technician"},
    "out-of-use": {"maintenance"},
    "in-use": {"maintenance"},
    "bench": {"maintenance"},
    "inspected": {"maintenance"},
    "sign-off": {"quality"},
    "note": set(ROLES),
}
VERBS = tuple(MAY)
ANYBODY = ("hold", "stop", "note")
WHATEVER_CHANGED = (*ANYBODY, "block", "reading", "added")
"""Danger does not wait for a fresh screen; what is typed hours later does not hang on what stands there now."""
OPEN = {State.RUNNING, State.HELD, State.TRIPPED}
ENDED = {State.COMPLETE, State.STOPPED}
IN = {
    "load": {State.IDLE},
    "unload": {State.IDLE, State.COMPLETE, State.STOPPED},
    "start": {State.IDLE},
    "hold": {State.RUNNING, State.HELD},
    "resume": {State.HELD},
    "stop": OPEN,
    "done": {State.RUNNING},
    "skip": {State.RUNNING, State.HELD},
    "extend": {State.RUNNING},
    "change-count": {State.HELD},
    "acknowledge": set(State),
    "reset": set(State) - {State.UNKNOWN},
    "shelve": set(State),
    "unshelve": set(State),
    "block": set(State),
    "unblock": set(State),
    "reading": set(State),
    "added": OPEN | ENDED,
    "out-of-use": {State.IDLE},
    "in-use": {State.IDLE},
    "bench": {State.IDLE},
    "inspected": set(State),
    "sign-off": ENDED,
    "note": set(State),
}
TOLD = {
    "skip": "skipped",
    "extend": "extended",
    "change-count": "recounted",
    "shelve": "shelved",
    "unshelve": "unshelved",
    "reading": "reading",
    "added": "added",
    "out-of-use": "put_out",
    "sign-off": "signed_off",
    "note": "note",
}
ARGS = {
    "skip": {"reason": "acid is dense enough"},
    "extend": {"minutes": 60},
    "change-count": {"batteries": 17},
    "shelve": {"alarm": "water_warm", "minutes": 60, "reason": "known, pump is ordered"},
    "unshelve": {"alarm": "water_warm"},
    "reading": {"what": "density", "position": 9, "value": 1.24, "temperature_C": 31.5, "instrument": "H2"},
    "added": {"position": 9, "mL": 120, "what": "water"},
    "out-of-use": {"reason": "rig"},
    "sign-off": {"result": "pass"},
    "note": {"text": "pump hums"},
}
TRIPPED_BY = Alarm("current_trip", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True)
WARM = Alarm("water_warm", 0, 2, Reaction.WARN)
CHANGED = {
    "load": {"load": None},
    "unblock": {"blocked_by": "anna"},
    "acknowledge": {"alarms": (replace(TRIPPED_BY, acknowledged=False),)},
    "reset": {"alarms": (TRIPPED_BY,)},
    "change-count": {"blocked_by": "anna"},
    "shelve": {"alarms": (WARM,)},
    "unshelve": {"alarms": (replace(WARM, shelved_until_ms=5_000_000),)},
    "out-of-use": {"load": None},
    "in-use": {"load": None, "out_of_use": "rig", "leads_off": True},
    "bench": {"load": None, "out_of_use": "rig", "leads_off": True},
}


def ask_for(kit, verb, state=None, roles=ROLES, who="anna", seen=None, **args):
    """An order of this verb that nothing speaks against; tests spoil one thing of it."""
    settings = kit.settings(fresh_V=248.4, own={"has_contactor": True})
    where = state or (min(IN[verb] - {State.UNKNOWN}) if verb != "hold" else State.RUNNING)
    flows = where is State.RUNNING
    steps = (kit.step(ends={"order": True}, longest_ms=3_600_000), kit.step(2, current_A=6.0))
    circuit = kit.state(where, steps=steps, set_A=15.0 if flows else 0.0, revision=5)
    if where in (State.HELD, State.TRIPPED):
        circuit = replace(circuit, run=replace(circuit.run, interruption=Interruption(0, "order")))
    if where in (State.COMPLETE, State.STOPPED):
        circuit = replace(circuit, run=replace(circuit.run, end_ms=0))
    circuit = replace(circuit, **CHANGED.get(verb, {}))
    facts = kit.facts(now_ms=4_000_000, current_A=15.0 if flows else 0.0, output_on=flows)
    order = kit.order(verb, who=who, roles=roles, load=kit.load(), seen=seen, **{**ARGS.get(verb, {}), **args})
    return Ask(settings, settings.circuits[0], circuit, facts, kit.share(), (), order)


def code(ask):
    """The refusal's code, or None; and a refusal changes nothing."""
    refusal = refusal_of(ask)
    state, event = given(ask)
    if refusal is None:
        assert (event.code, event.kind) == (TOLD.get(ask.order.verb, "accepted"), "order")
        return None
    assert (event.code, event.kind) == (refusal.code, "refusal")
    assert state is ask.state
    return refusal.code


def test_the_written_tables_name_every_verb():
    """A new verb must be written into these expectations."""
    assert set(VERBS) == set(RULES) == set(IN)
    assert {verb for verb, rule in RULES.items() if rule.reads_back} == {"start", "hold", "resume", "stop", "block"}


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("role", ROLES)
def test_each_role_may_what_is_its_own(kit, verb, role):
    """All verbs times all roles against the written table."""
    assert code(ask_for(kit, verb, roles=(role,))) == (None if role in MAY[verb] else "role")


@pytest.mark.parametrize("verb", VERBS)
def test_somebody_without_a_role_may_hold_stop_and_note_only(kit, verb):
    """Whoever sees a fire may stop, and whoever sees anything may say so."""
    assert code(ask_for(kit, verb, roles=())) == (None if verb in ANYBODY else "role")


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("state", list(State))
def test_each_verb_has_its_states(kit, verb, state):
    """All verbs times all states against the written table."""
    found = code(ask_for(kit, verb, state=state))
    if state in IN[verb]:
        assert found is None
    else:
        assert found == "state"


@pytest.mark.parametrize("verb", VERBS)
def test_an_order_given_before_the_latest_change_is_refused_but_those_that_hang_on_nothing(kit, verb):
    """The person saw revision 4, the circuit is at 5; what was seen of another run may be a higher number."""
    expected = None if verb in WHATEVER_CHANGED else "changed"
    assert code(ask_for(kit, verb, seen=4)) == expected
    assert code(ask_for(kit, verb, seen=6)) == expected
    assert code(ask_for(kit, verb, seen=5)) is None
    assert code(ask_for(kit, verb, seen=None)) is None


UNSEEN = {"done", "reading", "added", "bench", "sign-off", "note"}
"""What is no change of state: an order given before it is still right after it."""


@pytest.mark.parametrize("verb", VERBS)
def test_each_order_that_changes_something_counts_as_one_change(kit, verb):
    """From revision 5 on; a tick and an item of the meter walk are no change of state."""
    state, _ = given(ask_for(kit, verb))
    assert state.revision == (5 if verb in UNSEEN else 6)


def test_an_order_that_also_moves_the_state_counts_twice(kit):
    """The reset of a trip, and the block of what runs."""
    assert given(ask_for(kit, "reset", state=State.TRIPPED))[0].revision == 7
    assert given(ask_for(kit, "block", state=State.RUNNING))[0].revision == 7
    assert given(ask_for(kit, "unblock", state=State.HELD))[0].revision == 6


def test_an_unknown_verb_is_refused(kit):
    """Whatever text comes as a verb."""
    ask = ask_for(kit, "hold")
    for verb in ("explode", "", "START", "start\n", "__init__"):
        assert code(replace(ask, order=replace(ask.order, verb=verb))) == "unknown_verb"


@pytest.mark.parametrize("verb", VERBS)
def test_only_done_is_of_an_item_and_only_a_load_is_a_trial(kit, verb):
    """Arguments called item, walk or trial make no other order out of any other verb."""
    others = {"done": {"item": TICK, "walk": WALK}, "load": {"trial": TRIAL}}
    for word in ("item", "walk", "trial"):
        assert rule_of(kit.order(verb, **{word: 1})) is others.get(verb, {}).get(word, RULES[verb])
    trial = kit.order(verb, load=replace(kit.load(), trial=True))
    assert rule_of(trial) is (TRIAL if verb == "load" else RULES[verb])
    assert rule_of(kit.order(verb, trial=False, load=kit.load())) is RULES[verb]


def test_a_start_tells_every_item_that_is_still_on_the_list(kit):
    """One of a longer list, ticked before the bath file was changed, is left out; those after it are not."""
    ask = ask_for(kit, "start")
    ticks = tuple(Tick(item, True, "bert", 4_000_000 - 90_000) for item in (0, 3, 1, 2))
    ask = replace(
        ask, settings=replace(ask.settings, start_items=("polarity", "acid")), state=replace(ask.state, ticks=ticks)
    )
    assert [(event.code, event.target, dict(event.data)) for event in after(ask, ask.state)] == [
        ("start_list_item", "A01", {"item": 1, "item_text": "polarity", "who": "bert", "minutes": 1.5}),
        ("start_list_item", "A01", {"item": 2, "item_text": "acid", "who": "bert", "minutes": 1.5}),
    ]
    assert after(replace(ask, order=kit.order("resume")), ask.state) == []


def test_an_answer_names_order_verb_person_and_the_role_that_allowed_it(kit):
    """The record keeps who, as what."""
    _, event = given(ask_for(kit, "acknowledge", roles=("quality", "maintenance"), note="seen at the bath"))
    assert event.data["order"] == "1"
    assert (event.data["verb"], event.data["who"], event.data["role"]) == ("acknowledge", "anna", "maintenance")
    assert event.data["note"] == "seen at the bath"


def test_an_orders_own_words_do_not_overwrite_who_gave_it(kit):
    """Arguments called who, role or verb stay out of the record's fields."""
    ask = ask_for(kit, "stop")
    forged = replace(ask.order, args={"who": "the boss", "role": "engineer", "verb": "start", "order": "9"})
    _, event = given(replace(ask, order=forged))
    assert (event.data["who"], event.data["verb"], event.data["order"]) == ("anna", "stop", "1")


EFFECTS = {
    "load": State.IDLE,
    "start": State.RUNNING,
    "hold": State.HELD,
    "resume": State.RUNNING,
    "stop": State.STOPPED,
    "done": State.RUNNING,
    "change-count": State.HELD,
}


@pytest.mark.parametrize("verb", EFFECTS)
def test_what_an_order_leads_to(kit, verb):
    """The state after each."""
    state, _ = given(ask_for(kit, verb))
    assert state.state is EFFECTS[verb]


def test_load_puts_the_list_there_and_unload_takes_it_away(kit):
    """With the run that ended."""
    state, _ = given(ask_for(kit, "load"))
    assert state.load is not None
    assert state.load.batteries == 18
    state, _ = given(ask_for(kit, "unload", state=State.COMPLETE))
    assert (state.load, state.run, state.state) == (None, None, State.IDLE)


def test_start_begins_a_run_at_its_first_step(kit):
    """By whom and when, with nothing counted."""
    state, _ = given(ask_for(kit, "start"))
    assert (state.run.started_by, state.run.start_ms, state.run.step) == ("anna", 4_000_000, 0)
    assert state.run.counters.charge_Ah == 0.0


@pytest.mark.parametrize("state", [State.RUNNING, State.HELD, State.TRIPPED])
def test_stop_ends_the_run_and_keeps_the_latch(kit, state):
    """A stop is final; the trip waits for its reset all the same."""
    ask = ask_for(kit, "stop", state=state)
    ask = replace(ask, state=replace(ask.state, alarms=(TRIPPED_BY,)))
    stopped, _ = given(ask)
    assert stopped.state is State.STOPPED
    assert stopped.run.end_ms == 4_000_000
    assert stopped.alarms == (TRIPPED_BY,)


@pytest.mark.parametrize(
    ("state", "to"),
    [
        (State.TRIPPED, State.HELD),
        (State.COMPLETE, State.COMPLETE),
        (State.STOPPED, State.STOPPED),
    ],
)
def test_a_reset_starts_nothing_and_ends_nothing(kit, state, to):
    """An open run becomes held, its charge kept; an ended one stays ended."""
    ask = ask_for(kit, "reset", state=state)
    new, _ = given(ask)
    assert (new.state, new.alarms) == (to, ())
    assert new.run.counters == ask.state.run.counters


def test_a_reset_without_an_open_run_leads_to_idle(kit):
    """Tripped while nothing ran."""
    ask = ask_for(kit, "reset", state=State.TRIPPED)
    new, _ = given(replace(ask, state=replace(ask.state, run=None)))
    assert new.state is State.IDLE


def test_a_reset_keeps_what_nobody_has_seen_yet(kit):
    """A warning that came and went unseen is not wiped away by the reset of a trip."""
    unseen = Alarm("water_warm", 0, 2, Reaction.WARN, active=False)
    ask = ask_for(kit, "reset")
    new, _ = given(replace(ask, state=replace(ask.state, alarms=(TRIPPED_BY, unseen))))
    assert new.alarms == (unseen,)


def test_block_holds_a_running_circuit_first_and_names_the_person(kit):
    """Zero, output off, and whose hands are in there."""
    bench = kit.bench().running()
    assert bench.order("block", who="bert") == "accepted"
    assert bench.circuit().state is State.HELD
    assert bench.circuit().blocked_by == "bert"
    bench.cycles(3)
    assert bench.circuit().output is Output.OFF
    assert bench.set_A(0) == 0.0
    assert bench.set_A(1) == 15.0


def test_done_ends_the_step_that_waits_for_it(kit):
    """The next step begins in the same cycle."""
    bench = kit.bench(circuits=1).running(kit.step(ends={"order": True}), kit.step(2, current_A=6.0))
    assert bench.order("done") == "accepted"
    assert bench.circuit().run.step == 1
    assert bench.set_A() == 6.0


def test_the_second_of_two_orders_sees_the_first(kit):
    """Hold and resume in one cycle: in their order; two starts: the second is refused."""
    bench = kit.bench(circuits=1).cycles(5)
    bench.order("load", load=kit.load())
    events = bench.cycle(kit.order("start"), kit.order("start", who="bert"))
    assert [event.code for event in events if event.data.get("verb") == "start"] == ["accepted", "state"]
    assert bench.circuit().run.started_by == "anna"


def test_an_accepted_order_is_answered_again_when_the_device_read_back(kit):
    """Start: on read back; hold: zero and off read back; each once, with the order's id."""
    bench = kit.bench(circuits=1).running()
    bench.cycles(2)
    for verb, current_A in (("hold", 0.0),):
        bench.events.clear()
        bench.order(verb)
        bench.cycles(6)
        told = [event for event in bench.events if event.code == "read_back"]
        assert [(event.data["order"], event.data["verb"]) for event in told] == [("1", verb)]
        assert told[0].data["current_A"] == current_A
    assert any(event.code == "accepted" for event in bench.events)


@pytest.mark.parametrize(("said", "kept"), [
    ("batch recalled", "batch recalled"), ("  seen ", "seen"), ("x" * 500, "x" * 500),
    ("x" * 501, "x" * 497 + "..."), ("x" * 8000, "x" * 497 + "..."), (None, None), (7, 7), ("", ""),
])  # fmt: skip
def test_a_reason_is_kept_as_long_as_a_record_keeps_one(kit, said, kept):
    """With every order, refused ones too; an order is never refused for it."""
    for verb, state in (("stop", State.RUNNING), ("unload", State.STOPPED), ("stop", State.IDLE)):
        assert given(ask_for(kit, verb, state, reason=said))[1].data["reason"] == kept
    assert "reason" not in given(ask_for(kit, "stop", State.RUNNING))[1].data


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("reason", ["", None, 7, "seen", "y" * 501])
def test_only_what_is_taken_apart_again_tells_its_reason_apart(kit, verb, reason):
    """Once, where it is none that stands in the words; as who gave it, and without the order's id."""
    ask = ask_for(kit, verb, reason=reason, **({"minutes": 60} if verb == "extend" else {}))
    told = [event for event in after(ask, ask.state) if event.code == "reason"]
    if verb not in {"reading", "sign-off"} or not isinstance(reason, str) or not reason:
        assert told == []
        return
    (event,) = told
    role = "quality" if verb == "sign-off" else "technician"
    kept = reason if len(reason) < 500 else "y" * 497 + "..."
    assert (event.target, event.kind) == ("A01", "order")
    assert dict(event.data) == {"verb": verb, "who": "anna", "role": role, "reason": kept}
