"""Asking without ordering: the screens' "may I" is the orders' own answer, and asking changes nothing."""

from __future__ import annotations

import copy
from dataclasses import replace

import pytest

from controller.core import asking, limits, moves
from controller.core.orders import RULES, refusal_of
from controller.core.state import Alarm, Interruption
from controller.core.types import Condition, Fit, LinkState, Reaction, State

LATCHED = Alarm("current_trip", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True)


def asked(bench, index=0, verb=None):
    """What the circuit would say now: of one verb its refusal's code, else all that may be asked."""
    parts = (
        bench.settings, bench.settings.circuits[index], bench.circuit(index), bench.out.told[index],
        bench.out.standing[index],
    )  # fmt: skip
    if verb is None:
        return {each: why and why.code for each, why in asking.may(*parts).items()}
    refusal = refusal_of(asking.ask_of(*parts, verb))
    return refusal and refusal.code


def checks(bench, index=0):
    ask = asking.ask_of(
        bench.settings, bench.settings.circuits[index], bench.circuit(index), bench.out.told[index],
        bench.out.standing[index], "start",
    )  # fmt: skip
    return {name: why and why.code for name, why in asking.start_checks(ask)}


def loaded(kit, **changes):
    bench = kit.bench(**changes).cycles(5)
    bench.order("load", load=kit.load())
    return bench


def shut(bench):
    bench.bath_signals["hood_closed"] = 0.0


def warm(bench):
    bench.toys[0].probe_C = 56.0


def unlinked(bench):
    bench.bad[0, "link"] = None


def reversed_battery(bench):
    bench.bad[0, "voltage_V"] = 12.7


SPOILS = {
    "nothing": lambda bench: None,
    "hood": shut,
    "hot": warm,
    "link": unlinked,
    "string": reversed_battery,
    "device": lambda bench: bench.fits.update({0: Fit.IDENTITY}),
    "block": lambda bench: bench.order("block"),
    "air": lambda bench: bench.bath_signals.update(airflow=0.0),
}


@pytest.mark.parametrize("spoil", SPOILS)
def test_the_question_and_the_order_get_the_same_answer(kit, spoil):
    """Whatever stands in the way of a start in a whole bath: asked and then ordered, both say the same."""
    bench = loaded(kit, circuits=1)
    SPOILS[spoil](bench)
    bench.cycles(4)
    found = asked(bench, verb="start")
    assert (bench.order("start")) == (found or "accepted")
    assert (found is None) == (spoil == "nothing")


@pytest.mark.parametrize("spoil", SPOILS)
def test_the_first_check_that_fails_is_the_refusal(kit, spoil):
    """The list of checks and the one refusal come from the same place; each check is in the list, once."""
    bench = loaded(kit, circuits=1)
    SPOILS[spoil](bench)
    bench.cycles(4)
    found = checks(bench)
    assert list(found) == [check.__name__ for check in RULES["start"].checks]
    assert next((code for code in found.values() if code), None) == asked(bench, verb="start")


def test_all_reasons_against_a_start_are_seen_at_once(kit):
    """An order names the first; the list shows each."""
    bench = loaded(kit, circuits=1, start_items=("polarity",))
    shut(bench)
    reversed_battery(bench)
    bench.cycles(4)
    against = {name: code for name, code in checks(bench).items() if code}
    assert against == {
        "bath_shut_and_aired": "hood_open",
        "string_volts": "string_volts",
        "start_list_done": "start_list",
    }


def test_a_neighbour_who_must_be_told_is_no_refusal_yet(kit):
    """The dialogue asks for that name; the list must not call the start impossible."""
    bench = loaded(kit)
    bench.order("block", "A02", who="bert")
    bench.cycles(2)
    assert bench.out.told[0].bath.blocked == ("A02 by bert",)
    assert asked(bench, verb="start") is None
    assert bench.order("start") == "neighbour_blocked"


def test_a_held_circuit_is_asked_about_resume(kit):
    """And past its limit the answer is the one without a reason."""
    bench = kit.bench(circuits=1).running(kit.step(resume_within_ms=60_000))
    bench.order("hold")
    bench.cycles(5)
    assert asked(bench) == {"resume": None}
    bench.cycles(60)
    assert asked(bench) == {"resume": "past_resume_limit"}
    assert bench.order("resume", reason="looked at it") == "accepted"


def test_only_verbs_that_fit_the_state_are_asked(kit):
    """Nothing of a running one; start and unload of a loaded one; reset where something is latched."""
    bench = kit.bench(circuits=1).cycles(5)
    assert asked(bench) == {"start": "not_loaded"}
    bench.order("load", load=kit.load())
    assert asked(bench) == {"start": None, "unload": None}
    bench.order("start")
    assert asked(bench.cycles(2)) == {}
    bench.change(state=State.TRIPPED, alarms=(replace(LATCHED, acknowledged=False),)).cycles(3)
    assert asked(bench) == {"reset": "not_acknowledged"}
    bench.order("acknowledge")
    assert asked(bench) == {"reset": None}


@pytest.mark.parametrize(("state", "alarms", "fits"), [
    (State.TRIPPED, (), True), (State.HELD, (LATCHED,), True), (State.IDLE, (LATCHED,), True), (State.HELD, (), False),
    (State.UNKNOWN, (LATCHED,), False),
])  # fmt: skip
def test_a_reset_is_offered_for_a_trip_or_for_a_latch(kit, state, alarms, fits):
    """Either is enough; a circuit of which nothing is known is not reset."""
    assert ("reset" in asking.offered(kit.state(state, alarms=alarms))) is fits


def test_asking_changes_nothing(kit):
    """However often: the next cycle decides as if nobody had asked."""
    bench, quiet = loaded(kit, circuits=1), loaded(kit, circuits=1)
    before = copy.deepcopy(bench.state)
    for _ in range(3):
        asked(bench)
        checks(bench)
    assert bench.state == before
    assert bench.cycle() == quiet.cycle()
    assert bench.state == quiet.state


def test_what_stood_in_the_cycle_is_what_the_question_rests_on(kit):
    """The conditions are handed out with the decision, the bath's own among them; not judged twice."""
    bench = kit.bench().running()
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycles(4)
    assert [condition.code for condition in bench.out.standing[1]] == ["emergency_stop"]
    unlinked(bench)
    bench.cycles(6)
    assert {condition.code for condition in bench.out.standing[0]} == {"emergency_stop", "link_lost"}
    assert bench.out.told[0].reading.link is LinkState.DOWN


def test_what_a_resume_would_owe_is_what_it_then_owes(kit):
    """0.5 % of 200 Ah an hour, for half an hour held; nothing while it runs."""
    bench = kit.bench(circuits=1).running()
    assert moves.would_owe_Ah(bench.circuit(), bench.now_ms) == 0.0
    bench.order("hold")
    bench.change(run=replace(bench.circuit().run, interruption=Interruption(bench.now_ms - 1_800_000, "order")))
    bench.cycles(3)
    before = moves.would_owe_Ah(bench.circuit(), bench.now_ms + 1_000)
    assert bench.order("resume") == "accepted"
    assert bench.circuit().run.owed_Ah == before
    assert before == pytest.approx(0.5, rel=0.01)


def derate(code, percent=100.0, amount_A=None):
    return Condition(code, Reaction.DERATE, allowed_percent=percent, allowed_A=amount_A)


@pytest.mark.parametrize(("own", "standing", "found"), [
    (100.0, (), (100.0, None)),
    (44.0, (), (44.0, "probe_derate")),
    (44.0, (derate("water_derate", 60.0),), (44.0, "probe_derate")),
    (80.0, (derate("water_derate", 60.0),), (60.0, "water_derate")),
    (100.0, (derate("probe_lost", amount_A=6.0),), (40.0, "probe_lost")),
    (30.0, (derate("probe_lost", amount_A=6.0),), (30.0, "probe_derate")),
    (100.0, (derate("probe_lost", amount_A=20.0),), (100.0, None)),
    (100.0, (Condition("water_hold", Reaction.HOLD, allowed_percent=1.0),), (100.0, None)),
    (100.0, (derate("water_derate", 60.0), derate("probe_lost", amount_A=3.0)), (20.0, "probe_lost")),
])  # fmt: skip
def test_the_smallest_derate_counts_with_its_law(kit, own, standing, found):
    """Own temperature, the bath's share, a limit in amperes as a share of the step's 15 A; holds are no derate."""
    assert limits.smallest_percent(own, kit.step(current_A=15.0), standing) == found


def test_a_limit_in_amperes_needs_a_step_with_current(kit):
    """Without a run, or in a rest, there is nothing that it could be a share of."""
    lost = (derate("probe_lost", amount_A=6.0),)
    assert limits.smallest_percent(100.0, None, lost) == (100.0, None)
    assert limits.smallest_percent(100.0, kit.step(kind="rest", current_A=0.0), lost) == (100.0, None)
