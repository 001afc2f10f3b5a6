"""Batteries on the list: type and level mark, follow-on and trial runs, another count, and what becomes of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import loadchecks
from controller.core.orderchecks import Ask
from controller.core.orders import RULES, TRIAL, given, refusal_of, rule_of
from controller.core.state import Interruption
from controller.core.types import State

ROLES = ("technician", "engineer", "maintenance", "quality")


def ask_for(kit, verb, state=State.IDLE, load=None, roles=ROLES, settings=None, own=None, **args):
    """An order on 18 places, zero read back; a held circuit is blocked."""
    settings = kit.settings(own=own, **(settings or {}))
    base = kit.state(state, set_A=0.0)
    if verb == "load":
        base = replace(base, load=None)
    if state is State.HELD:
        run = replace(base.run, interruption=Interruption(0, "block"))
        base = replace(base, run=run, blocked_by="bert")
    facts = kit.facts(now_ms=4_000_000, current_A=0.0, output_on=False)
    order = kit.order(verb, roles=roles, load=load, **args)
    return Ask(settings, settings.circuits[0], base, facts, kit.share(), (), order)


def code(ask):
    refusal = refusal_of(ask)
    return None if refusal is None else refusal.code


@pytest.mark.parametrize(("listed", "wanted", "why"), [
    ("", "", None), ("L2 60", "L2 60", None), (" l2 60 ", "L2 60", None), ("", "L2 60", None), ("L2 60", "", None),
    ("L2 45", "L2 60", "battery_type"),
])  # fmt: skip
def test_the_list_and_the_profile_mean_the_same_battery(kit, listed, wanted, why):
    """Where both say it; a 45 Ah battery on a 60 Ah profile is overcharged in its last quarter."""
    load = replace(kit.load(plan=kit.plan(battery_type=wanted)), battery_type=listed)
    ask = ask_for(kit, "load", load=load)
    assert code(ask) == why
    if why:
        assert dict(refusal_of(ask).data) == {"listed": "L2 45", "wanted": "L2 60"}


@pytest.mark.parametrize(("mark", "water", "why"), [
    (152.0, 152.0, None), (152.0, 153.0, None), (152.0, 151.0, None), (152.0, 153.1, "level"), (152.0, 150.9, "level"),
    (None, 150.0, None), (152.0, None, None),
])  # fmt: skip
def test_the_batterys_level_mark_is_the_baths(kit, mark, water, why):
    """Within a millimetre, where both are known: water over the lids couples strings, too low it cools nothing."""
    load = kit.load(plan=kit.plan(level_mm=mark))
    ask = ask_for(kit, "load", load=load, settings={"level_mm": water})
    assert code(ask) == why
    if why:
        assert dict(refusal_of(ask).data) == {"value": mark, "limit": water}


@pytest.mark.parametrize(("change", "why"), [
    ({}, None), ({"continues": "run", "first_step": 1, "credited_Ah": 40.0}, None),
    ({"continues": "run", "first_step": 1}, None), ({"continues": "run", "credited_Ah": 210.0}, None),
    ({"first_step": 1}, "continues"), ({"credited_Ah": 0.1}, "continues"),
    ({"continues": "run", "first_step": 2}, "from_step"), ({"continues": "run", "first_step": -1}, "from_step"),
    ({"continues": "run", "credited_Ah": 210.1}, "credited"), ({"continues": "run", "credited_Ah": -0.1}, "credited"),
    ({"continues": "run", "credited_Ah": float("nan")}, "credited"),
])  # fmt: skip
def test_a_start_in_mid_plan_names_what_it_continues(kit, change, why):
    """One of the plan's two steps, a charge up to its cap, and the run they come from."""
    load = replace(kit.load(kit.step(), kit.step(2)), **change)
    ask = ask_for(kit, "load", load=load)
    assert code(ask) == why
    if why == "from_step":
        assert dict(refusal_of(ask).data) == {"step": change["first_step"] + 1, "steps": 2}


@pytest.mark.parametrize(("roles", "reason", "why"), [
    (("engineer",), "new paste", None), (("engineer",), "", "reason"), (("technician",), "new paste", "role"),
])  # fmt: skip
def test_a_trial_is_the_engineers_with_a_reason(kit, roles, reason, why):
    """Whether the order says so or its load does; any other load stays the technician's."""
    trial = replace(kit.load(), trial=True)
    assert code(ask_for(kit, "load", load=trial, roles=roles, reason=reason)) == why
    said = ask_for(kit, "load", load=kit.load(), roles=roles, reason=reason, trial=True)
    assert code(said) == why
    assert rule_of(said.order) is TRIAL
    assert rule_of(kit.order("load", load=kit.load())) is RULES["load"]
    assert rule_of(kit.order("load")) is RULES["load"]
    assert rule_of(kit.order("start", trial=True)) is RULES["start"]


def test_a_trial_is_checked_like_any_load(kit):
    """Reason or not, 17 batteries do not fill 18 places."""
    trial = replace(kit.load(batteries=17), trial=True)
    assert code(ask_for(kit, "load", load=trial, reason="new paste")) == "count"


def test_a_load_without_a_list_is_refused_once(kit):
    """By the count; what else there is to say of a list waits until there is one."""
    ask = ask_for(kit, "load")
    assert code(ask) == "no_load_list"
    for check in (loadchecks.profile_fits, loadchecks.battery_fits, loadchecks.follows_on):
        assert check(ask) is None


def test_a_load_ends_what_a_block_said_of_loose_leads(kit):
    """There is a string now."""
    ask = ask_for(kit, "load", load=kit.load())
    state, _ = given(replace(ask, state=replace(ask.state, leads_off=True)))
    assert state.leads_off is False


@pytest.mark.parametrize(("args", "why"), [
    ({"batteries": 17}, None), ({"batteries": 17, "links": 1}, None), ({"batteries": 17, "links": "1"}, None),
    ({"batteries": 1}, None), ({"batteries": 0}, "count"), ({"batteries": 19}, "count"),
    ({"batteries": 18}, "same_count"),
    ({"batteries": 17, "links": 0}, "count"), ({"batteries": 17, "links": "many"}, "count"), ({}, "count"),
    ({"batteries": 17.0}, "count"), ({"batteries": True}, "count"), ({"batteries": "17"}, "count"),
    ({"batteries": -1, "links": 19}, "count"), ({"batteries": 19, "links": -1}, "count"),
])  # fmt: skip
def test_a_new_count_fills_the_places_and_is_new(kit, args, why):
    """A link in each empty place; what is not said of links follows from the count."""
    assert code(ask_for(kit, "change-count", State.HELD, **args)) == why


def test_a_new_count_tells_the_old_one_and_goes_on_with_the_new(kit):
    """17 after 18, still held, blocked and at the same charge."""
    ask = ask_for(kit, "change-count", State.HELD, batteries=17)
    state, event = given(ask)
    assert (event.code, event.data["before"], event.data["batteries"]) == ("recounted", 18, 17)
    assert (state.load.batteries, state.state, state.blocked_by) == (17, State.HELD, "bert")
    assert state.run.counters == ask.state.run.counters
    empty = replace(ask, state=replace(ask.state, load=None))
    assert code(empty) == "not_loaded"
    assert "before" not in given(empty)[1].data


def test_a_new_count_must_be_within_the_circuit(kit):
    """18 batteries of 2.85 V a cell need 308 V; a circuit of 300 takes 17 of them."""
    less = {"own": {"voltage_max_V": 300.0}}
    back = ask_for(kit, "change-count", State.HELD, batteries=18, **less)
    back = replace(back, state=replace(back.state, load=replace(back.state.load, batteries=17)))
    assert code(back) == "profile_voltage"
    assert code(ask_for(kit, "change-count", State.HELD, batteries=17, **less)) is None


@pytest.mark.parametrize(("result", "right"), [
    ("pass", True), ("scrap burnt post", True), ("pass, 4 scrap reversed, 18 re-form low density", True),
    ("pass,1 rework  leak", True), ("rework", False), ("pass, 4 scrap", False), ("", False), (None, False), (7, False),
    ("good", False), ("pass, scrap reversed", False), ("pass, 0 scrap x", False), ("pass, 19 scrap x", False),
    ("pass, 4", False), ("pass,", False), (", 4 scrap x", False), ("pass, 0004 scrap x", False),
    ("pass, x4 pass", False),
    ("scrap " + "x" * 1994, True), ("scrap " + "x" * 1995, False),
])  # fmt: skip
def test_a_sign_off_gives_each_battery_its_outcome(kit, result, right):
    """One for all, exceptions by place; all but a pass with a reason; at most 2000 characters."""
    ask = ask_for(kit, "sign-off", State.COMPLETE, result=result)
    assert code(ask) == (None if right else "outcome")
    state, event = given(ask)
    assert state is ask.state
    assert event.code == ("signed_off" if right else "outcome")


def test_the_refusal_names_the_part_that_is_wrong(kit):
    """Of several, the first."""
    said = "pass, 4 scrap reversed, 5 good, 6 bad"
    assert refusal_of(ask_for(kit, "sign-off", State.STOPPED, result=said)).data == {"said": "5 good"}
    assert refusal_of(ask_for(kit, "sign-off", State.STOPPED, result="pass, x4 pass")).data == {"said": "x4 pass"}


@pytest.mark.parametrize(("batteries", "links", "why"), [
    (17, 1, None), (17, 2, "count"), (16, 1, "count"), (17, -1, "count"), (19, -1, "count"), (0, 18, "count"),
    (-1, 19, "count"), (17, "x", "count"), (None, 1, "count"), (18, 0, "same_count"),
])  # fmt: skip
def test_a_new_count_and_its_links_fill_the_places(kit, batteries, links, why):
    """18 of them, no more and no fewer."""
    refusal = refusal_of(ask_for(kit, "change-count", State.HELD, batteries=batteries, links=links))
    assert (None if refusal is None else refusal.code) == why
    if why == "count":
        assert dict(refusal.data) == {"batteries": batteries, "links": links, "places": 18}


@pytest.mark.parametrize(("change", "own", "why"), [
    ({"current_A": 60.0}, {}, None), ({"current_A": 60.1}, {}, "profile_current"),
    ({"restart_current_A": 0.5}, {}, None), ({"restart_current_A": 0.49}, {}, "profile_least"),
    ({"current_A": 0.5, "restart_current_A": 0.5}, {}, None), ({}, {"voltage_max_V": 2.85 * 108}, None),
    ({}, {"voltage_max_V": 2.85 * 108 - 0.1}, "profile_voltage"), ({"kind": "discharge"}, {}, "no_discharge"),
    ({"kind": "discharge"}, {"can_discharge": True}, None), ({"kind": "rest", "current_A": 99.0}, {}, None),
])  # fmt: skip
def test_a_profile_goes_up_to_the_circuits_own_limits(kit, change, own, why):
    """To the limit itself; the step is named, and a rest has none."""
    refusal = refusal_of(ask_for(kit, "load", load=kit.load(kit.step(7, **change)), own=own))
    assert (None if refusal is None else refusal.code) == why
    if why is not None:
        assert refusal.data["step"] == 7


@pytest.mark.parametrize(("late_start", "number", "why"), [("slow", 1, "profile_least"), ("engineer", 1, None)])
def test_half_the_current_of_a_slow_first_charge_must_be_kept_too(kit, late_start, number, why):
    """0.8 A are enough, 0.4 A are not; only the first charge may be halved."""
    small = {"current_A": 0.8, "restart_current_A": 0.8}
    first = kit.load(plan=kit.plan(kit.step(kind="rest"), kit.step(number, **small), late_start=late_start))
    assert code(ask_for(kit, "load", load=first)) == why
    second = kit.load(plan=kit.plan(kit.step(), kit.step(2, **small), late_start=late_start))
    assert code(ask_for(kit, "load", load=second)) is None


@pytest.mark.parametrize(("volts", "fresh", "charge_Ah", "why"), [
    (30.5 * 6, True, 99.9, None), (2.0 * 6 * 17, True, 100.0, None), (None, True, 100.0, "not_read"),
    (None, True, 99.9, None), (None, False, 0.0, "not_read"), (1.8 * 6 * 17, False, 0.0, None),
    (2.4 * 6 * 17, False, 0.0, None), (1.8 * 6 * 17 - 0.1, False, 0.0, "string_volts"),
    (2.4 * 6 * 17 + 0.1, True, 100.0, "string_volts"),
])  # fmt: skip
def test_a_formed_strings_volts_must_fit_its_new_count(kit, volts, fresh, charge_Ah, why):
    """1.8 to 2.4 V a cell at rest; a fresh string's say nothing before half of its 200 Ah."""
    ask = ask_for(kit, "change-count", State.HELD, batteries=17)
    run = replace(ask.state.run, counters=replace(ask.state.run.counters, charge_Ah=charge_Ah))
    load = replace(ask.state.load, fresh=fresh)
    ask = replace(ask, state=replace(ask.state, run=run, load=load), facts=replace(ask.facts, voltage_V=volts))
    found = loadchecks.recount_volts(ask)
    assert (None if found is None else found.code) == why
    if why == "string_volts":
        middle_V, scatter_V = found.data["expected"], found.data["scatter"]
        assert found.data["value"] == volts
        assert (middle_V, scatter_V) == pytest.approx((2.1 * 6 * 17, 0.3 * 6 * 17))
    assert loadchecks.recount_volts(replace(ask, state=replace(ask.state, load=None))) is None
    assert loadchecks.recount_volts(replace(ask, state=replace(ask.state, run=None))) is None


def test_a_trial_says_that_it_is_one(kit):
    """However the order said so: by a word of its own, or by its load alone."""
    for load, said in ((replace(kit.load(), trial=True), {}), (kit.load(), {"trial": "yes"})):
        _, event = given(ask_for(kit, "load", load=load, reason="new paste", **said))
        assert (event.code, event.data["trial"], event.data["reason"]) == ("accepted", True, "new paste")
    assert "trial" not in given(ask_for(kit, "load", load=kit.load(), reason="new paste"))[1].data


LIST = "K3107:1-11/P1-9 K3108:12-17,K3109:18//S1-2"
"""18 batteries; what looks like places behind a stroke is a pallet or a serial."""


@pytest.mark.parametrize(("text", "batteries", "result", "passed"), [
    (LIST, 18, "pass", None), (LIST, 17, "pass", 18), (LIST, 17, "pass, 7 scrap taken out", None),
    (LIST, 16, "pass, 7 scrap taken out", 17), (LIST, 17, "pass, 7 scrap x, 7 pass", 18),
    (LIST, 17, "scrap burnt", None), (LIST, 1, "scrap burnt, 3 pass, 18 pass", 2),
    (LIST, 1, "scrap burnt, 3 pass", None),
    ("K1:1-8 K2:10-18", 17, "pass", None), ("K1:1-8 K2:10-18", 16, "pass", 17),
    ("K1:1-8 K2:10-18", 16, "pass, 9 scrap a link", 17), ("K1:1-8 K2:10-18", 16, "pass, 10 rework leak", None),
    ("", 17, "pass", None),
])  # fmt: skip
def test_no_more_batteries_pass_than_stood_to_the_end(kit, text, batteries, result, passed):
    """One that was taken out had no current from then on. Places of links do not count, nor where there is no list."""
    ask = ask_for(kit, "sign-off", State.STOPPED, result=result)
    load = replace(ask.state.load, text=text, batteries=batteries)
    ask = replace(ask, state=replace(ask.state, load=load))
    assert code(ask) == (None if passed is None else "outcome_count")
    if passed is not None:
        listed = 18 if text == LIST else 17
        assert dict(refusal_of(ask).data) == {"passed": passed, "stood": batteries, "listed": listed}


def test_a_sign_off_of_nothing_is_refused_for_that(kit):
    """Where no load stands there is nothing to count."""
    ask = ask_for(kit, "sign-off", State.STOPPED, result="pass")
    ask = replace(ask, state=replace(ask.state, load=None))
    assert code(ask) == "not_loaded"
    assert loadchecks.passes_stood(ask) is None
