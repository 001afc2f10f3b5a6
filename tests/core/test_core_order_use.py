"""Out of use and back, the bench's permission, the contactor's inspection, blocks, and alarms on the shelf."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.orderchecks import RAISES_ENERGY, Ask, raises_energy
from controller.core.orders import RULES, after, given, refusal_of
from controller.core.state import Alarm
from controller.core.types import Reaction, State

ROLES = ("technician", "engineer", "maintenance", "quality")
NOW_MS = 4_000_000
EMPTY = {"load": None}
OUT = {"load": None, "out_of_use": "rig", "leads_off": True}
WARM = Alarm("water_warm", 0, 2, Reaction.WARN)


def ask_for(kit, verb, state=State.IDLE, circuit=None, who="anna", roles=ROLES, own=None, share=None, **args):
    """An order on a circuit at zero."""
    settings = kit.settings(own=own)
    base = replace(kit.state(state, set_A=0.0), **(circuit or {}))
    facts = kit.facts(now_ms=NOW_MS, current_A=0.0, volts_per_cell=0.001, output_on=False)
    order = kit.order(verb, who=who, roles=roles, load=kit.load(), **args)
    return Ask(settings, settings.circuits[0], base, facts, kit.share(**(share or {})), (), order)


def code(ask):
    refusal = refusal_of(ask)
    return None if refusal is None else refusal.code


def test_out_of_use_is_for_an_empty_idle_circuit_with_a_reason(kit):
    """It keeps the reason; twice, loaded, or without one it is refused."""
    state, event = given(ask_for(kit, "out-of-use", circuit=EMPTY, reason=" fan repair "))
    assert (state.out_of_use, event.code, state.revision) == ("fan repair", "put_out", 1)
    assert code(ask_for(kit, "out-of-use", circuit=EMPTY)) == "reason"
    assert code(ask_for(kit, "out-of-use", reason="x")) == "loaded_already"
    assert code(ask_for(kit, "out-of-use", circuit=OUT, reason="x")) == "out_of_use"


def test_nothing_is_loaded_or_started_out_of_use(kit):
    """The refusal says why it is out of use."""
    for verb, circuit in (("load", OUT), ("start", {"out_of_use": "rig"})):
        refusal = refusal_of(ask_for(kit, verb, circuit=circuit))
        assert (refusal.code, dict(refusal.data)) == ("out_of_use", {"reason": "rig"})


def test_in_use_brings_it_back_once_nobody_works_on_it(kit):
    """And what was said of loose leads for the bench is over."""
    state, _ = given(ask_for(kit, "in-use", circuit=OUT))
    assert (state.out_of_use, state.leads_off, state.revision) == ("", False, 1)
    assert code(ask_for(kit, "in-use", circuit=EMPTY)) == "in_use"
    assert code(ask_for(kit, "in-use", circuit={**OUT, "blocked_by": "bert"})) == "blocked"


@pytest.mark.parametrize(("circuit", "share", "why"), [
    (OUT, {}, None), ({**OUT, "out_of_use": ""}, {}, "in_use"), ({**OUT, "leads_off": False}, {}, "leads_on"),
    ({**OUT, "blocked_by": "bert"}, {}, "blocked"), (OUT, {"purge_left_ms": 1}, "unpurged"),
    (OUT, {"blocked": ("A02 by bert",)}, "neighbour_blocked"), (OUT, {"gas_ok": False}, "hydrogen"),
    (OUT, {"hood_closed": False}, "hood_open"),
])  # fmt: skip
def test_the_bench_needs_a_circuit_out_of_use_whose_leads_a_block_said_are_off(kit, circuit, share, why):
    """And all that any current needs; the order itself changes nothing."""
    ask = ask_for(kit, "bench", circuit=circuit, share=share)
    assert code(ask) == why
    assert given(ask)[0] is ask.state


def test_the_bench_is_refused_with_a_string_on_the_list(kit):
    """A fresh string shows 0 V: volts cannot prove that it is not there."""
    assert code(ask_for(kit, "bench", circuit={"out_of_use": "rig", "leads_off": True})) == "loaded_already"


@pytest.mark.parametrize(("said", "kept"), [(True, True), (False, False), (None, False), ("true", False), (1, False)])
def test_a_block_says_whether_the_leads_are_off(kit, said, kept):
    """Only a plain yes counts, and each block says it anew; lifting it forgets nothing."""
    ask = ask_for(kit, "block", circuit={"leads_off": True}, leads_off=said)
    state, _ = given(ask)
    assert (state.leads_off, state.blocked_by, state.blocked_ms) == (kept, "anna", NOW_MS)
    lifted, _ = given(ask_for(kit, "unblock", circuit={"blocked_by": "anna", "blocked_ms": 5, "leads_off": True}))
    assert (lifted.leads_off, lifted.blocked_by, lifted.blocked_ms) == (True, "", 0)


def test_lifting_anothers_block_names_both(kit):
    """In the answer, whatever the order's own words claim."""
    circuit = {"blocked_by": "anna"}
    _, event = given(ask_for(kit, "unblock", circuit=circuit, who="bert", reason="she is ill", by="nobody"))
    assert (event.code, event.data["who"], event.data["by"]) == ("accepted", "bert", "anna")
    assert code(ask_for(kit, "unblock", circuit=circuit, who="bert", reason="  ")) == "blocked_by_another"


def test_an_inspection_counts_the_openings_from_zero(kit):
    """Where there is a contactor."""
    state, _ = given(ask_for(kit, "inspected", circuit={"openings": 3}, own={"has_contactor": True}))
    assert (state.openings, state.revision) == (0, 1)
    assert code(ask_for(kit, "inspected", circuit={"openings": 3})) == "no_contactor"


SHELF = {"alarm": "water_warm", "minutes": 15, "reason": "pump is ordered"}


@pytest.mark.parametrize(("change", "alarm", "why"), [
    ({}, {}, None), ({"minutes": 60}, {}, None), ({"minutes": 240}, {}, None), ({"minutes": 30}, {}, "shelve_minutes"),
    ({"minutes": "15"}, {}, "shelve_minutes"), ({"minutes": True}, {}, "shelve_minutes"),
    ({"reason": " "}, {}, "reason"), ({"alarm": "probe_hold"}, {}, "no_alarm"), ({"alarm": None}, {}, "no_alarm"),
    ({}, {"priority": 1}, "not_shelvable"), ({}, {"priority": 3}, None),
    ({}, {"latched": True, "reaction": Reaction.TRIP}, "not_shelvable"),
])  # fmt: skip
def test_an_alarm_is_shelved_for_a_while_with_a_reason_but_never_an_urgent_one(kit, change, alarm, why):
    """Three times to choose from; never priority 1, never what waits for its reset."""
    ask = ask_for(kit, "shelve", circuit={"alarms": (replace(WARM, **alarm),)}, **{**SHELF, **change})
    assert code(ask) == why


def test_a_shelf_keeps_until_when_by_whom_and_why_and_ends_by_order(kit):
    """15 min from now; the alarm's life goes to the record with it."""
    ask = ask_for(kit, "shelve", circuit={"alarms": (WARM,)}, **SHELF)
    state, event = given(ask)
    (shelved,) = state.alarms
    assert (shelved.shelved_until_ms, shelved.shelved_by, shelved.shelved_why) == (
        NOW_MS + 900_000, "anna", "pump is ordered",
    )  # fmt: skip
    assert (event.code, state.revision) == ("shelved", 1)
    assert [told.data["life"] for told in after(ask, state)] == ["shelved"]
    back = ask_for(kit, "unshelve", circuit={"alarms": state.alarms}, alarm="water_warm")
    heard, event = given(back)
    assert (heard.alarms[0].shelved_until_ms, event.code, heard.revision) == (None, "unshelved", 1)
    assert [told.data["life"] for told in after(back, heard)] == ["unshelved"]


@pytest.mark.parametrize(("alarms", "alarm"), [
    ((), "water_warm"), ((WARM,), "water_warm"), ((replace(WARM, shelved_until_ms=9),), "probe_hold"),
])  # fmt: skip
def test_only_what_is_shelved_is_taken_back(kit, alarms, alarm):
    """Not there, not shelved, or another."""
    refusal = refusal_of(ask_for(kit, "unshelve", circuit={"alarms": alarms}, alarm=alarm))
    assert (refusal.code, dict(refusal.data)) == ("not_shelved", {"alarm": alarm})


def test_what_lets_current_flow_is_refused_after_a_time_when_nothing_was_read(kit):
    """Every verb of the list, and none beside it, but for ticks."""
    for verb in RULES:
        ask = ask_for(kit, verb)
        late = code(replace(ask, facts=replace(ask.facts, gap=True, dt_ms=-7_000)))
        assert (late == "late") == (verb in RAISES_ENERGY), verb
    for key in ("item", "walk"):
        assert not raises_energy("done", {key: 1})
        assert raises_energy("start", {key: 1})
    assert raises_energy("done", {})
    assert raises_energy("permit", {})
