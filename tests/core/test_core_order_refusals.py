"""Why an order is refused: each precondition spoiled alone, with the code and the data its text needs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.orderchecks import Ask
from controller.core.orders import given, refusal_of
from controller.core.state import Alarm, Interruption, Tick
from controller.core.types import Condition, Fit, LinkState, Reaction, State

LATCHED = Alarm("current_trip", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True)
NOW_MS = 4_000_000
EVERY = ("technician", "engineer", "maintenance")


def ask_for(kit, verb, state=State.IDLE, load=None, roles=EVERY, who="anna", circuit=None, **args):
    """An order nothing speaks against, on a fresh string of 0.1 V."""
    settings = kit.settings()
    base = kit.state(state, set_A=0.0, **(circuit or {}))
    if state is State.HELD:
        base = replace(base, run=replace(base.run, interruption=Interruption(NOW_MS - 1, "order")))
    facts = kit.facts(now_ms=NOW_MS, current_A=0.0, volts_per_cell=0.001, output_on=False, set_current_A=0.0)
    order = kit.order(verb, who=who, roles=roles, load=load, **args)
    return Ask(settings, settings.circuits[0], base, facts, kit.share(), (), order)


def spoiled(ask, **changes):
    """Change one part of the ask: facts, bath, state, own, settings by dicts."""
    for name, change in changes.items():
        ask = replace(ask, **{name: replace(getattr(ask, name), **change) if isinstance(change, dict) else change})
    return ask


def code(ask):
    refusal = refusal_of(ask)
    given(ask)
    return None if refusal is None else refusal.code


HOLD, TRIP = (Condition("any", reaction) for reaction in (Reaction.HOLD, Reaction.TRIP))
NO_CURRENT = [
    ("state", {"blocked_by": "bert"}, "blocked"),
    ("state", {"alarms": (LATCHED,)}, "latched"),
    ("facts", {"local": True}, "local"),
    ("facts", {"local": None}, "not_read"),
    ("facts", {"stale": True}, "not_read"),
    ("facts", {"fresh": False}, "not_read"),
    ("facts", {"link": LinkState.LATE}, "not_read"),
    ("facts", {"fit": Fit.NOT_CHECKED}, "device"),
    ("facts", {"fit": Fit.IDENTITY}, "device"),
    ("facts", {"fit": Fit.RATING}, "device"),
    ("bath", {"inputs_ok": False}, "inputs_unknown"),
    ("bath", {"emergency_stop_ok": False}, "emergency_stop"),
    ("bath", {"hood_closed": False}, "hood_open"),
    ("bath", {"airflow_ok": False}, "no_airflow"),
    ("bath", {"purge_left_ms": 90_000}, "unpurged"),
    ("bath", {"blocked": ("A02 by bert",)}, "neighbour_blocked"),
    ("standing", (HOLD,), "cause_stands"),
    ("standing", (TRIP,), "cause_stands"),
]


@pytest.mark.parametrize(("verb", "state"), [("start", State.IDLE), ("resume", State.HELD)])
@pytest.mark.parametrize(("which", "change", "why"), NO_CURRENT)
def test_no_current_by_order_while_anything_speaks_against_it(kit, verb, state, which, change, why):
    """Start and resume share these; each alone refuses."""
    ask = ask_for(kit, verb, state)
    assert code(ask) is None
    assert code(spoiled(ask, **{which: change})) == why


def test_a_refusal_for_the_purge_names_the_minutes_left(kit):
    """90 s are 1.5 min."""
    refusal = refusal_of(spoiled(ask_for(kit, "start"), bath={"purge_left_ms": 90_000}))
    assert refusal.data["minutes"] == 1.5


def test_warnings_and_derates_refuse_nothing(kit):
    """They are no reason against current."""
    mild = tuple(Condition("x", reaction) for reaction in (Reaction.WARN, Reaction.DERATE))
    assert code(spoiled(ask_for(kit, "start"), standing=mild)) is None


@pytest.mark.parametrize(("told", "why"), [
    ("A02", None), ("a02", None), ("A03, A02", None), ("A03", "neighbour_blocked"), ("", "neighbour_blocked"),
    ("bert", "neighbour_blocked"),
])  # fmt: skip
def test_a_blocked_neighbour_is_named_and_must_have_been_told(kit, told, why):
    """The refusal says who works where; the order names the circuit whose person was told."""
    ask = spoiled(ask_for(kit, "start", told=told), bath={"blocked": ("A02 by bert",)})
    assert code(ask) == why
    if why:
        assert refusal_of(ask).data["neighbour"] == "A02 by bert"


def test_each_blocked_neighbour_must_have_been_told(kit):
    """Two persons, two names."""
    both = {"blocked": ("A02 by bert", "A03 by cleo")}
    assert code(spoiled(ask_for(kit, "start", told="A02"), bath=both)) == "neighbour_blocked"
    assert code(spoiled(ask_for(kit, "start", told="A02 A03"), bath=both)) is None


def test_a_neighbour_blocked_in_the_very_same_cycle_counts(kit):
    """Bert blocks A01 while Anna starts A02: the second order sees the first."""
    bench = kit.bench().cycles(5)
    bench.order("load", "A02", load=kit.load())
    events = bench.cycle(kit.order("block", "A01", who="bert"), kit.order("start", "A02", who="anna"))
    answers = {event.data["verb"]: event.code for event in events if event.code != "read_back" and "verb" in event.data}
    assert answers == {"block": "accepted", "start": "neighbour_blocked"}


def test_start_without_a_list_is_refused(kit):
    """Nothing is known of what stands there."""
    assert code(ask_for(kit, "start", circuit={"load": None})) == "not_loaded"


@pytest.mark.parametrize(
    ("minutes_min", "minutes_max", "first_min", "last_min", "late", "why"),
    [
        (30, 120, 60, 40, "engineer", None),
        (30, 120, 60, 29, "engineer", "soak_short"),
        (30, 120, 121, 40, "engineer", "soak_long"),
        (30, 120, 121, 40, "slow", None),
        (30, None, 999, 40, "engineer", None),
    ],
)
def test_the_soak_counts_from_the_last_filled_at_least_and_from_the_first_at_most(
    kit, minutes_min, minutes_max, first_min, last_min, late, why
):
    """30 min from the last battery, 120 min from the first; slow: a longer first step instead."""
    plan = kit.plan(
        soak_min_ms=minutes_min * 60_000,
        soak_max_ms=None if minutes_max is None else minutes_max * 60_000,
        late_start=late,
    )
    load = replace(
        kit.load(plan=plan), first_filled_ms=NOW_MS - first_min * 60_000, last_filled_ms=NOW_MS - last_min * 60_000
    )
    ask = ask_for(kit, "start", circuit={"load": load}, roles=("technician",))
    assert code(ask) == why
    continued = spoiled(ask, state={"load": replace(load, fresh=False)}, facts={"voltage_V": 220.0})
    assert code(continued) is None


def test_a_late_start_is_the_engineers_with_a_reason(kit):
    """Role and reason, both."""
    load = replace(kit.load(plan=kit.plan(soak_max_ms=60_000)), first_filled_ms=0, last_filled_ms=0)
    for roles, reason, why in (
        (("engineer",), "plates checked", None),
        (("engineer",), "", "soak_long"),
        (("technician",), "please", "soak_long"),
    ):
        assert code(ask_for(kit, "start", circuit={"load": load}, roles=roles, reason=reason)) == why


@pytest.mark.parametrize(("hot_C", "why"), [(45.0, None), (45.1, "too_hot"), (None, "no_temperature")])
def test_no_start_while_the_acid_is_hot_from_filling_or_unknown(kit, hot_C, why):
    """At most 45 C, read."""
    load = kit.load(plan=kit.plan(start_below_C=45.0))
    assert code(spoiled(ask_for(kit, "start", circuit={"load": load}), facts={"probe_C": hot_C})) == why


@pytest.mark.parametrize(("fresh", "volts", "why"), [
    (True, 0.1, None), (True, 3.0, None), (True, -3.0, None), (True, 12.7, "string_volts"),
    (True, -12.7, "string_volts"), (True, 3.1, "string_volts"), (True, None, "not_read"),
    (False, 220.0, None), (False, 194.4, None), (False, 259.2, None), (False, 194.3, "string_volts"),
    (False, 260.0, "string_volts"), (False, 0.1, "string_volts"),
])  # fmt: skip
def test_string_volts_at_zero_must_fit_the_list(kit, fresh, volts, why):
    """Fresh: within 3 V of nothing, a formed battery stands out by 12.7 V; continued: 1.8 to 2.4 V a cell."""
    ask = ask_for(kit, "start", circuit={"load": kit.load(fresh=fresh)})
    assert code(spoiled(ask, facts={"voltage_V": volts})) == why


def test_string_volts_are_only_believed_at_zero_current(kit):
    """With current flowing they say nothing of the batteries."""
    for amount in (0.4, None):
        assert code(spoiled(ask_for(kit, "start"), facts={"current_A": amount})) == "not_read"


def ended(kit, ago_min, hot_C, **args):
    ask = ask_for(kit, "unload", State.COMPLETE, circuit={"run": kit.run(end_ms=NOW_MS - ago_min * 60_000)}, **args)
    return spoiled(ask, facts={"hot_C": hot_C})


@pytest.mark.parametrize(("ago_min", "hot_C", "reason", "why"), [
    (61, 39.0, "", None), (59, 30.0, "", "cool_down"), (61, 41.0, "", "still_hot"), (61, None, "", "still_hot"),
    (1, 60.0, "leak, taken out", None),
])  # fmt: skip
def test_unload_waits_for_the_cool_down_or_a_reason(kit, ago_min, hot_C, reason, why):
    """An hour after the end and below 40 C."""
    assert code(ended(kit, ago_min, hot_C, reason=reason)) == why


def test_unload_needs_a_list_and_no_latch(kit):
    """A trip waits for its reset first."""
    assert code(ask_for(kit, "unload", circuit={"load": None})) == "not_loaded"
    assert code(ask_for(kit, "unload", State.STOPPED, circuit={"alarms": (LATCHED,)})) == "latched"


def test_a_stopped_circuit_without_batteries_is_no_dead_end(kit):
    """Tripped with nothing loaded, then stopped, acknowledged and reset: it can be emptied and used again."""
    bench = kit.bench(circuits=1).cycles(5)
    bench.bad[0, "fault_code"] = 7.0
    bench.cycles(3)
    bench.bad.clear()
    bench.cycles(2)
    answer = bench.order("stop")
    assert [bench.order("acknowledge"), bench.order("reset")] == ["accepted", "accepted"]
    if answer == "accepted":
        assert bench.order("unload") == "accepted"
    assert bench.circuit().state is State.IDLE


def test_done_needs_a_step_that_waits_for_it(kit):
    """A step that ends by time is not ended by a person."""
    assert code(ask_for(kit, "done", State.RUNNING)) == "nothing_to_do"


def test_acknowledge_needs_something_new(kit):
    """Nothing, or nothing unseen."""
    assert code(ask_for(kit, "acknowledge")) == "nothing_new"
    assert code(ask_for(kit, "acknowledge", circuit={"alarms": (LATCHED,)})) == "nothing_new"


@pytest.mark.parametrize(
    ("circuit", "standing", "why"),
    [
        ({"alarms": (LATCHED,)}, (), None),
        ({"alarms": ()}, (), None),
        ({"alarms": ()}, (TRIP,), "cause_stands"),
        ({"alarms": (), "blocked_by": "bert"}, (), "blocked"),
        ({"alarms": (replace(LATCHED, acknowledged=False),)}, (), "not_acknowledged"),
        ({"alarms": (LATCHED,)}, (TRIP,), "cause_stands"),
        ({"alarms": (LATCHED,)}, (HOLD,), None),
        ({"alarms": (LATCHED,), "blocked_by": "bert"}, (), "blocked"),
    ],
)
def test_a_reset_needs_a_latch_seen_and_its_cause_gone(kit, circuit, standing, why):
    """Acknowledged first, the trip's cause gone, nobody at the string; a trip that lost its latch can be left."""
    ask = ask_for(kit, "reset", State.TRIPPED, circuit=circuit)
    assert code(spoiled(ask, standing=standing)) == why
    if not circuit["alarms"]:
        assert code(ask_for(kit, "reset", State.HELD)) == "nothing_latched"
        assert given(ask)[0].state is (State.HELD if why is None or standing else State.TRIPPED)


@pytest.mark.parametrize(
    ("who", "roles", "reason", "why"),
    [
        ("anna", ("technician",), "", None),
        ("bert", ("technician",), "he went home", "blocked_by_another"),
        ("bert", ("maintenance",), "", "blocked_by_another"),
        ("bert", ("maintenance",), "he went home, string looked at", None),
    ],
)
def test_a_block_is_lifted_by_the_same_person_or_by_maintenance_with_a_reason(kit, who, roles, reason, why):
    """Nobody else's judgement is enough."""
    ask = ask_for(kit, "unblock", State.HELD, circuit={"blocked_by": "anna"}, who=who, roles=roles, reason=reason)
    assert code(ask) == why
    if why:
        assert refusal_of(ask).data["by"] == "anna"


def test_a_block_is_one_persons(kit):
    """Two padlocks need two hasps: the second person is refused by name, lifting nothing is refused."""
    second = ask_for(kit, "block", circuit={"blocked_by": "bert"})
    assert code(second) == "blocked"
    assert refusal_of(second).data["by"] == "bert"
    assert code(ask_for(kit, "unblock")) == "not_blocked"


def test_a_stuck_output_refuses_current(kit):
    """A rectifier that ignores off is not asked for more."""
    bench = kit.bench(circuits=1).running()
    bench.order("hold")
    bench.bad[0, "current_A"] = 0.8
    bench.bad[0, "output_on"] = 1.0
    bench.cycles(10)
    assert bench.circuit().output.value == "stuck"
    assert bench.order("resume") != "accepted"


UNSEEN = replace(LATCHED, code="x", acknowledged=False)
MIN = 60_000
SOAK = {"soak_min_ms": 30 * MIN, "soak_max_ms": 120 * MIN}


def filled(kit, first_min, last_min, **plan):
    load = kit.load(plan=kit.plan(**{**SOAK, **plan}))
    return {"load": replace(load, first_filled_ms=NOW_MS - first_min * MIN, last_filled_ms=NOW_MS - last_min * MIN)}


def held_for(kit, minutes):
    return {"run": kit.run(interruption=Interruption(NOW_MS - minutes * MIN, "order"))}


def list_of(kit, *steps, batteries=18):
    return {"load": kit.load(*steps, batteries=batteries), "circuit": {"load": None}}


DATA = {
    "soak_short": lambda kit: (ask_for(kit, "start", circuit=filled(kit, 29, 27)), {"minutes": 3.0}),
    "soak_long": lambda kit: (ask_for(kit, "start", circuit=filled(kit, 123, 50)), {"minutes": 123.0}),
    "cool_down": lambda kit: (ended(kit, 57, 30.0), {"minutes": 3.0}),
    "still_hot": lambda kit: (ended(kit, 61, 41.5), {"value": 41.5, "limit": 40.0}),
    "string_volts": lambda kit: (
        spoiled(ask_for(kit, "start"), facts={"voltage_V": 12.7}, settings={"fresh_V": 1.0}),
        {"value": 12.7, "expected": 1.0, "scatter": 3.0},
    ),
    "past_resume_limit": lambda kit: (
        spoiled(ask_for(kit, "resume", State.HELD), state=held_for(kit, 123)),
        {"minutes": 123.0, "limit": 120.0},
    ),
    "latched": lambda kit: (ask_for(kit, "start", circuit={"alarms": (LATCHED,)}), {"cause": "current_trip"}),
    "cause_stands": lambda kit: (spoiled(ask_for(kit, "start"), standing=(HOLD,)), {"cause": "any"}),
    "not_read": lambda kit: (spoiled(ask_for(kit, "start"), facts={"link": LinkState.LATE}), {"link": "late"}),
    "device": lambda kit: (spoiled(ask_for(kit, "start"), facts={"fit": Fit.RATING}), {"fit": "rating"}),
    "blocked": lambda kit: (ask_for(kit, "start", circuit={"blocked_by": "bert"}), {"by": "bert"}),
    "neighbour_blocked": lambda kit: (
        spoiled(ask_for(kit, "start"), bath={"blocked": ("A02 by bert",)}), {"neighbour": "A02 by bert", "name": "A02"},
    ),
    "no_item": lambda kit: (
        spoiled(ask_for(kit, "done", item=2, ok=True), settings={"start_items": ("polarity",)}),
        {"item": 2, "items": 1},
    ),
    "no_reason": lambda kit: (
        spoiled(ask_for(kit, "done", item=1), settings={"start_items": ("polarity",)}), {"item": 1},
    ),
    "start_list_stale": lambda kit: (
        spoiled(
            ask_for(kit, "start", circuit={"ticks": (Tick(1, True, "anna", NOW_MS - 33 * MIN),)}),
            settings={"start_items": ("polarity",)},
        ),
        {"item": 1, "minutes": 33.0},
    ),
    "position": lambda kit: (ask_for(kit, "reading", position=19), {"position": 19, "places": 18}),
    "late": lambda kit: (spoiled(ask_for(kit, "start"), facts={"gap": True, "dt_ms": -4_500}), {"seconds": 4.5}),
    "state": lambda kit: (ask_for(kit, "start", State.HELD), {"state": "held"}),
    "loaded_already": lambda kit: (ask_for(kit, "load", load=kit.load()), {"batch": "K1"}),
    "count": lambda kit: (
        ask_for(kit, "load", **list_of(kit, batteries=17), links=2), {"batteries": 17, "links": 2, "places": 18},
    ),
    "profile_current": lambda kit: (
        ask_for(kit, "load", **list_of(kit, kit.step(3, current_A=61.0))), {"step": 3, "value": 61.0, "limit": 60.0},
    ),
    "profile_voltage": lambda kit: (
        ask_for(kit, "load", **list_of(kit, kit.step(3, voltage_V_per_cell=3.25))),
        {"step": 3, "value": 351.0, "limit": 340.0},
    ),
    "profile_least": lambda kit: (
        ask_for(kit, "load", **list_of(kit, kit.step(3, current_A=0.25))), {"step": 3, "limit": 0.5},
    ),
    "no_discharge": lambda kit: (ask_for(kit, "load", **list_of(kit, kit.step(3, kind="discharge"))), {"step": 3}),
    "not_acknowledged": lambda kit: (
        ask_for(kit, "reset", State.TRIPPED, circuit={"alarms": (LATCHED, UNSEEN)}),
        {"cause": "x"},
    ),
    "too_hot": lambda kit: (
        spoiled(ask_for(kit, "start", circuit=filled(kit, 60, 60, start_below_C=45.0)), facts={"probe_C": 46}),
        {"value": 46, "limit": 45.0},
    ),
}  # fmt: skip


@pytest.mark.parametrize("why", DATA)
def test_a_refusal_says_the_amounts_it_rests_on(kit, why):
    """What stood against it, how much of it, how much would have been right."""
    ask, data = DATA[why](kit)
    refusal = refusal_of(ask)
    assert (refusal.code, dict(refusal.data)) == (why, data)
    assert data.items() <= dict(given(ask)[1].data).items()


def test_a_continued_strings_volts_are_expected_in_the_middle_of_their_range(kit):
    """1.8 to 2.4 V a cell of 108: 226.8 +- 32.4 V."""
    ask = ask_for(kit, "start", circuit={"load": kit.load(fresh=False)})
    refusal = refusal_of(spoiled(ask, facts={"voltage_V": 100.0}))
    assert refusal.data["expected"] == pytest.approx(226.8)
    assert refusal.data["scatter"] == pytest.approx(32.4)


def test_the_soak_is_over_to_the_millisecond(kit):
    """At its minimum it is long enough, one millisecond before it is not; the same at the end of a cool-down."""
    circuit = filled(kit, 60, 30)
    assert code(ask_for(kit, "start", circuit=circuit)) is None
    assert code(spoiled(ask_for(kit, "start", circuit=circuit), facts={"now_ms": NOW_MS - 1})) == "soak_short"
    assert code(ended(kit, 60, 30.0)) is None
    assert code(spoiled(ended(kit, 60, 30.0), facts={"now_ms": NOW_MS - 1})) == "cool_down"
    assert code(ended(kit, 60, 40.0)) is None


def test_a_resume_at_its_limit_is_in_time(kit):
    """120 min held; one millisecond more is the engineer's."""
    ask = spoiled(ask_for(kit, "resume", State.HELD), state=held_for(kit, 120))
    assert code(ask) is None
    late = spoiled(ask, facts={"now_ms": NOW_MS + 1})
    assert code(late) == "past_resume_limit"
    assert code(spoiled(late, order={"args": {"reason": "cooled"}})) is None
    assert code(spoiled(late, order={"args": {"reason": "x"}, "roles": ("technician",)})) == "past_resume_limit"
