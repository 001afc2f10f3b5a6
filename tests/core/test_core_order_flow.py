"""What stands between an order and current beyond the rectifier: a neighbour's first minute, gas, contactor, causes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import flowchecks
from controller.core.flowchecks import EXTEND_MINUTES
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.orderchecks import MAINTENANCE_RESETS, Ask
from controller.core.orders import RULES, after, given, refusal_of
from controller.core.state import Alarm, Interruption, Tick
from controller.core.types import Command, Output, Reaction, State

NOW_MS = 4_000_000
ROLES = ("technician", "engineer", "maintenance", "quality")


def ask_for(
    kit, verb, state=None, roles=ROLES, who="anna", settings=None, share=None, contactor=None, steps=(), **more
):
    """An order nothing speaks against; `circuit` changes its state, `facts` what was read, all else are arguments."""
    circuit, facts = more.pop("circuit", {}), more.pop("facts", {})
    where = state or (State.IDLE if verb == "start" else State.HELD)
    settings = kit.settings(**{"own": {"has_contactor": True}, **(settings or {})})
    base = kit.state(where, steps=steps, set_A=15.0 if where is State.RUNNING else 0.0)
    if where is State.HELD:
        base = replace(base, run=replace(base.run, interruption=Interruption(NOW_MS - 1, "order")))
    base = replace(base, **circuit)
    read = kit.facts(**{"now_ms": NOW_MS, "current_A": 0.0, "volts_per_cell": 0.001, "output_on": False, **facts})
    order = kit.order(verb, who=who, roles=roles, **more)
    return Ask(settings, settings.circuits[0], base, read, kit.share(**(share or {})), (), order, contactor)


def code(ask):
    refusal = refusal_of(ask)
    return None if refusal is None else refusal.code


@pytest.mark.parametrize("verb", ["start", "resume"])
@pytest.mark.parametrize(("share", "why"), [
    ({"alone": "A02", "alone_until_ms": NOW_MS + 1}, "alone"),
    ({"alone": "A02", "alone_until_ms": NOW_MS}, None),
    ({"alone": "A01", "alone_until_ms": NOW_MS + 1}, None),
    ({"alone": "", "alone_until_ms": NOW_MS + 1}, None),
    ({"gas_ok": False}, "hydrogen"),
])  # fmt: skip
def test_anothers_first_current_flows_alone_and_no_current_comes_into_gas(kit, verb, share, why):
    """Until its minute is over, but not against itself; and never with hydrogen at its warning level."""
    assert code(ask_for(kit, verb, share=share)) == why


def test_the_refusal_names_who_flows_alone_and_for_how_long(kit):
    """2.5 s of A02's minute are left."""
    refusal = refusal_of(ask_for(kit, "start", share={"alone": "A02", "alone_until_ms": NOW_MS + 2_500}))
    assert refusal.data == {"circuit": "A02", "seconds": 2.5}


@pytest.mark.parametrize("verb", ["start", "resume"])
@pytest.mark.parametrize(("contactor", "output", "closed", "why"), [
    (True, Output.OFF, False, "contactor_closed"), (False, Output.OFF, False, None), (None, Output.OFF, False, None),
    (True, Output.OFF, True, None), (True, Output.TO_ZERO, False, None), (True, Output.STUCK, False, "stuck"),
])  # fmt: skip
def test_a_contactor_that_reads_closed_though_ordered_open_refuses(kit, verb, contactor, output, closed, why):
    """Welded; where it has just been ordered closed, or is on its way, it may read so."""
    circuit = {"output": output, "command": Command(contactor_closed=closed)}
    assert code(ask_for(kit, verb, contactor=contactor, circuit=circuit)) == why


@pytest.mark.parametrize("where", ["circuit", "share"])
@pytest.mark.parametrize(("roles", "who", "why"), [
    (("technician",), "anna", "maintenance_resume"), (("engineer",), "anna", "maintenance_resume"),
    (("maintenance",), "anna", None), (("technician",), "carl", None),
])  # fmt: skip
def test_the_first_resume_after_a_grave_cause_is_maintenances_or_a_named_persons(kit, where, roles, who, why):
    """The bath's cause or the circuit's own."""
    found = {where: {"resume_for": "extraction_lost"}}
    ask = ask_for(kit, "resume", roles=roles, who=who, settings={"resets_by": ("carl",)}, **found)
    assert code(ask) == why
    if why:
        assert refusal_of(ask).data == {"cause": "extraction_lost"}


def test_any_other_resume_is_not_maintenances(kit):
    """Its role alone lets no current flow without such a cause."""
    refusal = refusal_of(ask_for(kit, "resume", roles=("maintenance",)))
    assert (refusal.code, refusal.data) == ("role", {"needs": "technician or engineer"})


def test_a_resume_settles_its_own_circuits_cause(kit):
    """The second resume is anybody's who may; nothing else of the state is touched where there was none."""
    state, _ = given(ask_for(kit, "resume", circuit={"resume_for": "earth_trip"}))
    assert (state.state, state.resume_for) == (State.RUNNING, "")
    assert RULES["resume"].effect(ask_for(kit, "resume")).state is State.RUNNING


@pytest.mark.parametrize(("probe_C", "seen_C", "why"), [
    (44.0, None, None), (44.0, 45.0, None), (44.0, 45.1, "too_hot"), (45.1, 44.0, "too_hot"),
    (None, 44.0, "no_temperature"),
])  # fmt: skip
def test_a_start_asks_for_the_hotter_of_what_is_believed_and_what_was_just_read(kit, probe_C, seen_C, why):
    """A probe's first reading counts here already: whoever starts may wait for a second one."""
    circuit = {"load": kit.load(plan=kit.plan(start_below_C=45.0))}
    ask = ask_for(kit, "start", circuit=circuit, facts={"probe_C": probe_C, "seen_C": seen_C})
    assert code(ask) == why
    if why == "too_hot":
        assert dict(refusal_of(ask).data) == {"value": 45.1, "limit": 45.0}


def test_a_hold_that_nobody_timed_has_no_resume_limit(kit):
    """Neither has what is not held: the limit is the step's, from the interruption on."""
    long_ago = kit.run(interruption=Interruption(0, "order"))
    far = {"now_ms": 10**10}
    assert code(ask_for(kit, "resume", circuit={"run": long_ago}, facts=far)) == "past_resume_limit"
    assert code(ask_for(kit, "resume", circuit={"run": kit.run()}, facts=far)) is None
    running = ask_for(kit, "resume", State.RUNNING, circuit={"run": long_ago}, facts=far)
    assert flowchecks.within_resume_limit(running) is None


@pytest.mark.parametrize("alarm", [*sorted(MAINTENANCE_RESETS), "open_string"])
@pytest.mark.parametrize(("roles", "who", "may"), [
    (("technician",), "anna", False), (("maintenance",), "anna", True), (("technician",), "carl", True),
])  # fmt: skip
def test_grave_trips_are_reset_by_who_knows_the_plant(kit, alarm, roles, who, may):
    """Maintenance or a person whom the bath file names; any other trip by the technician too."""
    latched = Alarm(alarm, 0, 1, Reaction.TRIP, active=False, acknowledged=True, latched=True)
    other = replace(latched, code="current_trip")
    settings = {"resets_by": ("carl",)}
    circuit = {"alarms": (other, latched)}
    ask = ask_for(kit, "reset", State.TRIPPED, roles, who, settings, circuit=circuit)
    assert code(ask) == (None if may or alarm == "open_string" else "maintenance_reset")


def test_every_grave_trip_is_a_trip_of_some_law():
    """The table of maintenance's resets names no code that never comes."""
    trips = {law.code for law in (*CIRCUIT_LAWS, *BATH_LAWS) if law.reaction is Reaction.TRIP}
    assert trips >= MAINTENANCE_RESETS
    assert len(MAINTENANCE_RESETS) == 11


def test_what_waits_unlatched_asks_for_nobody(kit):
    """A grave alarm that was let go already does not make the reset of another maintenance's."""
    seen = Alarm("emergency_stop", 0, 1, Reaction.TRIP, acknowledged=True)
    latched = Alarm("open_string", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True)
    ask = ask_for(kit, "reset", State.TRIPPED, ("technician",), circuit={"alarms": (seen, latched)})
    assert code(ask) is None


@pytest.mark.parametrize(("ticks", "why"), [
    ((), None), ((Tick(1, True, "anna", 0),), None), ((Tick(2, False, "bert", 0, "crossed"),), "walk_wrong"),
])  # fmt: skip
def test_no_resume_while_the_meter_walk_found_something_wrong(kit, ticks, why):
    """It stays held until the item is right; the refusal says which, by whom and what."""
    run = kit.run(walk=ticks, interruption=Interruption(NOW_MS - 1, "order"))
    ask = ask_for(kit, "resume", circuit={"run": run})
    assert code(ask) == why
    if why:
        assert refusal_of(ask).data == {"item": 2, "by": "bert", "reason": "crossed"}


TWO = (1, 2)


def steps_of(kit, **first):
    return kit.step(1, longest_ms=3_600_000, **first), kit.step(2, current_A=6.0, task="")


@pytest.mark.parametrize("state", [State.RUNNING, State.HELD])
def test_skip_goes_to_the_next_step_and_names_both(kit, state):
    """The one it left and the one that begins; held it stays held."""
    ask = ask_for(kit, "skip", state, steps=steps_of(kit), reason="dense enough")
    new, event = given(ask)
    assert (new.run.step, new.state) == (1, state)
    assert event.code == "skipped"
    told = {key: event.data[key] for key in ("step", "name", "next", "next_name", "reason")}
    assert told == {"step": 1, "name": "step 1", "next": 2, "next_name": "step 2", "reason": "dense enough"}
    assert "next" not in given(ask_for(kit, "skip", state, steps=steps_of(kit)[:1], reason="x"))[1].data


def test_skip_needs_a_reason_a_next_step_and_the_step_that_was_seen(kit):
    """The last step is stopped, never skipped."""
    assert code(ask_for(kit, "skip", steps=steps_of(kit))) == "reason"
    assert code(ask_for(kit, "skip", steps=steps_of(kit), reason="  ")) == "reason"
    assert code(ask_for(kit, "skip", steps=steps_of(kit)[:1], reason="x")) == "last_step"
    for step, why in ((1, None), (2, "changed"), (True, "changed"), ("1", "changed")):
        assert code(ask_for(kit, "skip", steps=steps_of(kit), reason="x", step=step)) == why


def test_the_step_that_was_seen_is_compared_by_its_number(kit):
    """The last of a long plan too: its number comes from outside, and is only equal to the plan's."""
    steps = kit.step(499), kit.step(500)
    for step, why in ((int("499"), None), (int("500"), "changed")):
        assert code(ask_for(kit, "skip", steps=steps, reason="x", step=step)) == why


@pytest.mark.parametrize(("kinds", "why"), [
    (("charge", "rest", "charge"), "neighbour_blocked"), (("charge", "charge", "rest"), None),
])  # fmt: skip
def test_the_step_after_the_second_is_the_third(kit, kinds, why):
    """Whether a skip brings current to a blocked neighbour is asked of that one."""
    steps = [kit.step(at, kind, current_A=0.0 if kind == "rest" else 6.0) for at, kind in enumerate(kinds, 1)]
    share, run = {"blocked": ("A02 by bert",)}, kit.run(step=1)
    ask = ask_for(kit, "skip", State.RUNNING, steps=steps, share=share, circuit={"run": run}, reason="x")
    assert flowchecks.next_of(ask).number == 3
    assert code(ask) == why


def test_other_orders_tell_nothing_more(kit):
    """Only a start and a shelf have more to tell than their answer."""
    assert after(ask_for(kit, "hold", State.RUNNING), kit.state()) == []


@pytest.mark.parametrize(("minutes", "why"), [
    (1, None), (EXTEND_MINUTES, None), (0, "minutes"), (EXTEND_MINUTES + 1, "minutes"), (True, "minutes"),
    (30.0, "minutes"), ("30", "minutes"), (None, "minutes"),
])  # fmt: skip
def test_a_step_is_lengthened_by_whole_minutes_up_to_four_hours(kit, minutes, why):
    """One to 240, a plain whole number; the run keeps it in milliseconds."""
    assert EXTEND_MINUTES == 240
    ask = ask_for(kit, "extend", State.RUNNING, steps=steps_of(kit), minutes=minutes)
    assert code(ask) == why
    if why is None:
        assert given(ask)[0].run.extended_ms == minutes * 60_000
    else:
        assert refusal_of(ask).data == {"most": 240}


def test_a_step_without_a_longest_time_cannot_be_lengthened(kit):
    """There is nothing to lengthen."""
    assert code(ask_for(kit, "extend", State.RUNNING, minutes=30)) == "no_longest"


@pytest.mark.parametrize("facts", [{"current_A": 0.4}, {"output_on": True}, {"output_on": None}, {"stale": True}])
def test_hands_wait_for_zero_and_off_read_back(kit, facts):
    """A change of count needs both, and the block besides."""
    blocked = {"circuit": {"blocked_by": "bert"}}
    assert code(ask_for(kit, "change-count", batteries=17, **blocked)) is None
    assert code(ask_for(kit, "change-count", batteries=17, facts=facts, **blocked)) == "not_zero"
    assert code(ask_for(kit, "change-count", batteries=17)) == "block_first"
