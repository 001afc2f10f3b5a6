"""Orders to the bath about people's work there: round, shift, horn test, open hood, proofs, its own shelf."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathchecks import BathAsk
from controller.core.bathorders import BATH_RULES, given, refusal_of
from controller.core.bathstate import BathState, Duty
from controller.core.gassing import GASSING_V_PER_CELL, gasses
from controller.core.state import Alarm, TrailPoint
from controller.core.types import Condition, Reaction, State

NOW_MS = 9_000_000
ROLES = ("technician", "engineer", "maintenance", "quality")
ITEMS = ("flow", "level", "smell")
WARM = Alarm("water_warm", 0, 2, Reaction.WARN)


def ask_for(kit, verb, roles=ROLES, facts=None, settings=None, state=None, standing=(), who="anna", **args):
    """An order to bath A, at rest and sound."""
    settings = kit.settings(**{"round_items": ITEMS, "permit_ms": 900_000, **(settings or {})})
    circuits = tuple(replace(kit.state(State.IDLE, set_A=0.0), name=own.name) for own in settings.circuits)
    base = replace(BathState(circuits, now_ms=NOW_MS), **(state or {}))
    found = kit.bath_facts(now_ms=NOW_MS, **(facts or {}))
    return BathAsk(settings, base, found, standing, kit.order(verb, "A", roles=roles, who=who, **args))


def code(ask):
    refusal = refusal_of(ask)
    return None if refusal is None else refusal.code


def done(ask):
    """Give the order; return the bath after it and its events."""
    events = []
    forward, state = given(ask.settings, ask.state, ask.facts, (ask.order,), ask.standing, events)
    assert forward == ()
    return state, events


ARGS = {
    "hold": {}, "stop": {}, "acknowledge": {}, "reset": {}, "take-over": {}, "round": {}, "horn-test": {}, "permit": {},
    "shelve": {"alarm": "water_warm", "minutes": 15, "reason": "x"}, "unshelve": {"alarm": "water_warm"},
    "proof": {"item": "shunt A05", "result": "0.2 % off"}, "note": {"text": "x"}, "inspected": {"reason": "belt"},
}  # fmt: skip
MAY = {
    "hold": ROLES, "stop": ROLES, "acknowledge": ("technician", "maintenance"), "reset": ("maintenance",),
    "take-over": ("technician",), "round": ("technician",), "horn-test": ("technician",), "permit": ("technician",),
    "shelve": ("technician",), "unshelve": ("technician",), "proof": ("maintenance",), "note": ROLES,
    "inspected": ("maintenance",),
}  # fmt: skip
LATCHED = Alarm("emergency_stop", 0, 1, Reaction.TRIP, active=False, acknowledged=True, latched=True)
ALARMS = {
    "acknowledge": (WARM,), "reset": (LATCHED,), "shelve": (WARM,),
    "unshelve": (replace(WARM, shelved_until_ms=NOW_MS),),
}  # fmt: skip


@pytest.mark.parametrize("verb", ARGS)
@pytest.mark.parametrize("role", ROLES)
def test_each_role_may_what_is_its_own(kit, verb, role):
    """All the bath's verbs times all roles against the written table."""
    state = {"alarms": ALARMS.get(verb, ()), "resume_for": "extraction_lost" if verb == "inspected" else ""}
    ask = ask_for(kit, verb, roles=(role,), state=state, **ARGS[verb])
    refusal = "maintenance_reset" if verb == "reset" and role == "technician" else "role"
    assert code(ask) == (None if role in MAY[verb] else refusal)
    assert set(ARGS) == set(BATH_RULES)


def test_a_role_refusal_says_who_may(kit):
    """In the rule's own words."""
    refusal = refusal_of(ask_for(kit, "acknowledge", roles=("quality",)))
    assert dict(refusal.data) == {"needs": "technician or maintenance"}


def test_an_answer_carries_order_person_role_and_arguments(kit):
    """As for a circuit, and an order's own words never overwrite who gave it."""
    ask = ask_for(kit, "proof", roles=("quality", "maintenance"), item="shunt", result="fits", who_else="x")
    ask = replace(ask, order=replace(ask.order, args={**ask.order.args, "who": "the boss", "verb": "start"}))
    _, (event,) = done(ask)
    assert (event.code, event.kind, event.target) == ("proof", "order", "A")
    told = {key: event.data[key] for key in ("order", "verb", "who", "role", "item", "result")}
    assert told == {
        "order": "1", "verb": "proof", "who": "anna", "role": "maintenance", "item": "shunt", "result": "fits",
    }  # fmt: skip


def test_nothing_is_asked_for_after_a_time_when_nothing_was_read_that_lets_current_flow(kit):
    """Reset and permit; a round and a hold go on."""
    gap = {"facts": {"gap": True, "dt_ms": 7_000}}
    assert code(ask_for(kit, "permit", **gap)) == "late"
    reset = refusal_of(ask_for(kit, "reset", state={"alarms": (LATCHED,)}, **gap))
    assert (reset.code, dict(reset.data)) == ("late", {"seconds": 7.0})
    assert code(ask_for(kit, "round", **gap)) is None


@pytest.mark.parametrize(("args", "why", "left_out"), [
    ({}, None, ""), ({"skipped": ""}, None, ""), ({"skipped": "2", "reason": "too hot"}, None, "level"),
    ({"skipped": "3, 1 3", "reason": "x"}, None, "flow; smell"), ({"skipped": 2, "reason": "x"}, None, "level"),
    ({"skipped": "2"}, "reason", None), ({"skipped": "4", "reason": "x"}, "round_items", None),
    ({"skipped": "0", "reason": "x"}, "round_items", None), ({"skipped": "smell", "reason": "x"}, "round_items", None),
    ({"skipped": "1 2 3", "reason": "x"}, "round_items", None),
    ({"skipped": "0002", "reason": "x"}, "round_items", None),
])  # fmt: skip
def test_a_round_names_what_it_left_out_and_why(kit, args, why, left_out):
    """By number, each once; not everything: that is no round."""
    ask = ask_for(kit, "round", **args)
    assert code(ask) == why
    state, (event,) = done(ask)
    if why is None:
        assert (event.code, event.data["skipped_text"]) == ("round", left_out)
        assert (state.duty.round_ms, state.revision) == (NOW_MS, 1)
    else:
        assert (event.code, state) == (why, ask.state)


def test_a_bath_without_a_list_has_its_round_all_the_same(kit):
    """Somebody looked."""
    ask = ask_for(kit, "round", settings={"round_items": ()})
    assert done(ask)[0].duty.round_ms == NOW_MS


def test_who_takes_over_hears_every_alarm(kit):
    """The bath's and its circuits' shelves end, each told; the shift has a name."""
    shelved = replace(WARM, shelved_until_ms=NOW_MS + 1, shelved_by="bert")
    ask = ask_for(kit, "take-over", state={"alarms": (shelved,), "duty": Duty(shift_by="bert", round_ms=5)})
    circuits = (replace(ask.state.circuits[0], alarms=(shelved,)), *ask.state.circuits[1:])
    ask = replace(ask, state=replace(ask.state, circuits=circuits))
    state, events = done(ask)
    assert state.duty == Duty(shift_by="anna", shift_ms=NOW_MS, round_ms=5)
    assert [alarm.shelved_until_ms for alarm in (*state.alarms, *state.circuits[0].alarms)] == [None, None]
    assert [(event.code, event.target) for event in events] == [
        ("took_over", "A"), ("water_warm", "A"), ("water_warm", "A01"),
    ]  # fmt: skip
    assert events[0].data["before"] == "bert"
    assert (state.circuits[0].revision, state.circuits[1]) == (1, circuits[1])
    assert done(ask_for(kit, "take-over"))[1][0].data["before"] is None


def test_the_baths_own_shelf(kit):
    """As a circuit's: until when, by whom, why; told; and taken back."""
    ask = ask_for(kit, "shelve", state={"alarms": (WARM,)}, alarm="water_warm", minutes=60, reason="pump is ordered")
    state, events = done(ask)
    assert (state.alarms[0].shelved_until_ms, state.alarms[0].shelved_by) == (NOW_MS + 3_600_000, "anna")
    assert (state.alarms[0].shelved_why, state.revision) == ("pump is ordered", 1)
    assert [event.code for event in events] == ["shelved", "water_warm"]
    back = replace(ask_for(kit, "unshelve", alarm="water_warm"), state=state)
    heard, events = done(back)
    assert (heard.alarms[0].shelved_until_ms, heard.revision) == (None, 2)
    assert [event.code for event in events] == ["unshelved", "water_warm"]
    assert code(ask_for(kit, "shelve", alarm="water_warm", minutes=60, reason="x")) == "no_alarm"
    assert code(ask_for(kit, "unshelve", state={"alarms": (WARM,)}, alarm="water_warm")) == "not_shelved"


def test_the_horn_is_sounded_first_and_then_answered(kit):
    """Heard or not; an answer without a test, or one that is neither, is refused."""
    assert code(ask_for(kit, "horn-test", ok=True)) == "no_horn_test"
    sounding, (event,) = done(ask_for(kit, "horn-test"))
    assert (sounding.duty, sounding.revision, event.code) == (Duty(horn_test_ms=NOW_MS), 1, "horn_test")
    for ok in (True, False):
        state, _ = done(replace(ask_for(kit, "horn-test", ok=ok), state=sounding))
        assert state.duty == Duty(horn_ok=ok)
    for ok in (None, 1, "yes"):
        assert code(replace(ask_for(kit, "horn-test", ok=ok), state=sounding)) == "horn_answer"
    failed = replace(sounding, duty=replace(sounding.duty, horn_ok=False))
    assert done(replace(ask_for(kit, "horn-test"), state=failed))[0].duty.horn_ok is False


HOOD, AIR = Condition("hood_open", Reaction.HOLD), Condition("extraction_lost", Reaction.HOLD)
H2 = frozenset({"hydrogen_percent_LEL"})


@pytest.mark.parametrize(("change", "why"), [
    ({}, None), ({"settings": {"permit_ms": 0}}, "no_permit"), ({"facts": {"airflow": False}}, "no_airflow"),
    ({"facts": {"airflow": None}}, "no_airflow"), ({"facts": {"has": H2, "hydrogen_LEL": 10.0}}, "hydrogen"),
    ({"facts": {"has": H2, "hydrogen_LEL": 9.9}}, None), ({"facts": {"hood_closed": False}, "standing": (HOOD,)}, None),
    ({"standing": (AIR,)}, "cause_stands"), ({"standing": (replace(AIR, reaction=Reaction.TRIP),)}, "cause_stands"),
    ({"standing": (replace(AIR, reaction=Reaction.DERATE),)}, None),
])  # fmt: skip
def test_the_hood_stands_open_only_where_allowed_and_without_gas(kit, change, why):
    """Air proved, hydrogen below its warning, nothing that holds but the open hood itself."""
    ask = ask_for(kit, "permit", **change)
    assert code(ask) == why
    state, (event,) = done(ask)
    if why is None:
        assert (state.duty.permit_until_ms, state.duty.permit_by) == (NOW_MS + 900_000, "anna")
        assert (event.code, event.data["minutes"], state.revision) == ("permit", 15.0, 1)


def point(volts, current_A=15.0):
    return TrailPoint(0, current_A, volts, 30.0, 25.0)


@pytest.mark.parametrize(("state", "trail", "may"), [
    (State.RUNNING, (point(2.2),), False), (State.RUNNING, (), True), (State.RUNNING, (point(2.2), point(None)), True),
    (State.RUNNING, (point(None), point(2.2)), False), (State.RUNNING, (point(2.35), point(2.2)), True),
    (State.RUNNING, (point(2.349),), False), (State.HELD, (), False), (State.HELD, (point(2.6),), True),
    (State.STOPPED, (), False), (State.TRIPPED, (), False), (State.UNKNOWN, (), False),
    (State.HELD, (point(2.6, 0.3),), True), (State.HELD, (point(2.6, 0.2),), False),
    (State.HELD, (point(2.6, None),), True), (State.HELD, (point(None),), False), (State.COMPLETE, (point(2.7),), True),
])  # fmt: skip
def test_a_string_gasses_while_and_after_it_stood_at_gassing_volts(kit, state, trail, may):
    """Above 2.35 V a cell under charge within the trail; a running one of which nothing is known may too."""
    assert GASSING_V_PER_CELL == 2.35
    quiet = kit.state(State.IDLE, set_A=0.0)
    one = replace(kit.state(state), name="A02", trail=trail)
    assert gasses((quiet, one)) == ("A02" if may else "")
    ask = ask_for(kit, "permit")
    ask = replace(ask, state=replace(ask.state, circuits=(quiet, one)))
    refusal = refusal_of(ask)
    assert (None if refusal is None else dict(refusal.data)) == ({"circuit": "A02"} if may else None)


@pytest.mark.parametrize(("args", "why"), [
    ({"item": "x" * 200, "result": "y" * 200}, None), ({"item": "x" * 201, "result": "ok"}, "proof"),
    ({"item": "x", "result": "y" * 201}, "proof"), ({"item": " ", "result": "ok"}, "proof"), ({"item": "x"}, "proof"),
    ({"result": "ok"}, "proof"), ({"item": 7, "result": "ok"}, "proof"),
])  # fmt: skip
def test_a_proof_says_of_what_and_with_which_result(kit, args, why):
    """Both in words, not too many; nothing of the bath changes."""
    ask = ask_for(kit, "proof", **args)
    assert code(ask) == why
    assert done(ask)[0] == ask.state


def test_the_second_order_to_the_bath_sees_the_first(kit):
    """A horn test begun and answered in one cycle."""
    ask = ask_for(kit, "horn-test")
    orders, events = (ask.order, replace(ask.order, args={"ok": False})), []
    _, state = given(ask.settings, ask.state, ask.facts, orders, (), events)
    assert state.duty.horn_ok is False
    assert [event.code for event in events] == ["horn_test", "horn_test"]


@pytest.mark.parametrize("verb", ARGS)
def test_each_order_that_changes_the_bath_counts_as_one_change(kit, verb):
    """From revision 5 on; what goes on to the circuits, a proof and a note change nothing of the bath."""
    before = {"alarms": ALARMS.get(verb, ()), "resume_for": "earth_trip", "revision": 5}
    state, _ = done(ask_for(kit, verb, state=before, **ARGS[verb]))
    assert state.revision == (5 if verb in {"hold", "stop", "proof", "note"} else 6)


def test_who_takes_over_hears_what_a_circuit_had_shelved_and_it_counts_there(kit):
    """Only the circuit whose alarm comes back has changed."""
    shelved = replace(WARM, shelved_until_ms=NOW_MS + 1, shelved_by="bert", shelved_why="known")
    ask = ask_for(kit, "take-over")
    first, second = ask.state.circuits
    circuits = (replace(first, alarms=(shelved,), revision=5), second)
    state, _ = done(replace(ask, state=replace(ask.state, circuits=circuits)))
    assert state.circuits[0].revision == 6
    assert state.circuits[1] is second


@pytest.mark.parametrize("target", ["@", "Z", "", "a"])
def test_only_the_baths_own_name_is_the_bath(kit, target):
    """No name before or behind it by letter."""
    ask = ask_for(kit, "round")
    assert code(replace(ask, order=replace(ask.order, target=target))) == "unknown_target"


def test_a_round_of_many_items_names_what_was_left_out(kit):
    """Three figures are a number, four are not; all of them left out is no round."""
    items = {"round_items": tuple(f"item {number}" for number in range(1, 121))}
    assert code(ask_for(kit, "round", settings=items, skipped="100, 120", reason="locked")) is None
    assert code(ask_for(kit, "round", settings=items, skipped="0100", reason="locked")) == "round_items"
    everything = " ".join(str(number) for number in range(1, 121))
    assert code(ask_for(kit, "round", settings=items, skipped=everything, reason="locked")) == "round_items"


@pytest.mark.parametrize(("cause", "refused"), [("a", True), ("water_hold", True), (b"hood_open".decode(), False)])
def test_whatever_holds_but_the_hood_itself_forbids_to_lift_it(kit, cause, refused):
    """By its name, and told as the cause."""
    refusal = refusal_of(ask_for(kit, "permit", standing=(HOOD, Condition(cause, Reaction.HOLD))))
    assert (refusal is not None) is refused
    assert refusal is None or (refusal.code, dict(refusal.data)) == ("cause_stands", {"cause": cause})


@pytest.mark.parametrize(("waits", "where", "stands", "reason", "why"), [
    ("earth_trip", "bath", "", "belt", None), ("earth_trip", "circuit", "", "belt", None),
    ("", "bath", "", "belt", "nothing_grave"),
    ("earth_trip", "bath", "", " ", "reason"), ("earth_trip", "bath", "earth_trip", "belt", "cause_stands"),
    ("earth_trip", "bath", "extraction_lost", "belt", "cause_stands"),
    ("earth_trip", "bath", "water_warm", "belt", None),
])  # fmt: skip
def test_a_grave_cause_is_looked_at_once_it_is_gone_and_with_a_word_on_it(kit, waits, where, stands, reason, why):
    """The bath's or any circuit's; not the one that waits, nor another grave one, may still stand."""
    standing = (Condition("water_warm", Reaction.WARN), Condition(stands, Reaction.HOLD)) if stands else ()
    ask = ask_for(kit, "inspected", standing=standing, reason=reason)
    if where == "bath":
        ask = replace(ask, state=replace(ask.state, resume_for=waits))
    else:
        first, second = ask.state.circuits
        ask = replace(ask, state=replace(ask.state, circuits=(first, replace(second, resume_for=waits))))
    refusal = refusal_of(ask)
    assert (None if refusal is None else refusal.code) == why
    if why == "cause_stands":
        assert dict(refusal.data) == {"cause": stands}
