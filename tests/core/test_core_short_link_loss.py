"""The one thing that brings current back by rule, and every reason why it must not."""

from __future__ import annotations

import pytest

from controller.core.types import State

RESUMED = "resumed_by_rule"


def away(kit, seconds, bench=None, during=None, at_return=None):
    """Take the first circuit's link away for some seconds; `during` happens in the middle of it."""
    bench = bench or kit.bench().running(kit.step(restart_ms=10_000))
    bench.cycles(3)
    bench.bad[0, "link"] = "down"
    for second in range(seconds):
        if second == 2:
            bench.toys[0].on = False
            bench.toys[0].set_A = 0.0
        if during is not None and second == seconds // 2:
            during(bench)
        bench.cycle()
    if at_return is not None:
        at_return(bench)
    del bench.bad[0, "link"]
    return bench.cycles(3)


def resumed(bench):
    return any(event.code == RESUMED and event.target == "A01" for event in bench.events)


@pytest.mark.parametrize("seconds", [5, 30, 118])
def test_a_short_link_loss_resumes_by_rule_at_restart_current(kit, seconds):
    """Held, zero read back, same uptime: current comes back at 3 A and the ride-through is counted."""
    bench = away(kit, seconds)
    assert resumed(bench)
    assert bench.circuit(0).state is State.RUNNING
    assert bench.set_A(0) == 3.0
    assert bench.circuit(0).run.link_rides == 1


def test_a_link_away_for_a_moment_holds_nothing(kit):
    """Shorter than the stale time: the circuit runs on."""
    bench = away(kit, 2)
    assert bench.circuit(0).state is State.RUNNING
    assert not resumed(bench)
    assert bench.circuit(0).run.link_rides == 0


def test_a_link_away_for_two_minutes_waits_for_a_person(kit):
    """Longer than 120 s: an order."""
    bench = away(kit, 122)
    assert not resumed(bench)
    assert bench.circuit(0).state is State.HELD
    assert bench.order("resume") == "accepted"


def rectifier_restarted(bench):
    bench.toys[0].uptime_s = 0.0


def without_uptime(bench):
    bench.bad[0, "uptime_s"] = None


def volts_hood(bench):
    bench.bath_signals["hood_closed"] = 0.0


def air_away(bench):
    bench.bath_signals["airflow"] = 0.0


def inputs_away(bench):
    for signal in ("airflow", "hood_closed", "emergency_stop_ok"):
        bench.bad[-1, signal] = None


def stop_pressed(bench):
    bench.bath_signals["emergency_stop_ok"] = 0.0


def person_holds(bench):
    bench.order("hold")


def person_holds_the_bath(bench):
    bench.order("hold", "A")


def person_blocks(bench):
    bench.order("block")


def person_blocks_a_neighbour(bench):
    bench.order("block", "A02")


def person_stops(bench):
    bench.order("stop")


def process_slept(bench):
    bench.cycle(skip_ms=20_000)


def hot_water(bench):
    bench.bath_signals["water_C"] = 52.0


@pytest.mark.parametrize(
    "during",
    [
        rectifier_restarted,
        volts_hood,
        air_away,
        inputs_away,
        stop_pressed,
        person_holds,
        person_holds_the_bath,
        person_blocks,
        person_blocks_a_neighbour,
        person_stops,
        process_slept,
        hot_water,
    ],
)
def test_whatever_else_happened_meanwhile_waits_for_a_person(kit, during):
    """Each condition broken in the middle of the silence: no current comes back by itself."""
    bench = away(kit, 30, during=during)
    bench.cycles(30)
    assert not resumed(bench)
    assert bench.circuit(0).state is not State.RUNNING
    assert bench.set_A(0) == 0.0


@pytest.mark.parametrize("spoil", [volts_hood, air_away, inputs_away, hot_water, stop_pressed])
def test_a_bath_that_was_bad_and_is_good_again_still_waits_for_a_person(kit, spoil):
    """Good all through is asked for, not good at the end."""
    bench = kit.bench().running(kit.step(restart_ms=10_000))
    sound = dict(bench.bath_signals)

    def spoil_for_five(bench):
        spoil(bench)
        bench.cycles(5)
        bench.bad = {key: bad for key, bad in bench.bad.items() if key[0] != -1}
        bench.bath_signals.update(sound)

    away(kit, 30, bench, during=spoil_for_five)
    bench.cycles(60)
    assert not resumed(bench)
    assert bench.set_A(0) == 0.0


def test_a_neighbour_blocked_for_a_while_still_waits_for_a_person(kit):
    """Somebody had hands under the hood: current comes back by order."""

    def block_for_five(bench):
        bench.order("block", "A02", who="bert")
        bench.cycles(5)
        assert bench.order("unblock", "A02", who="bert") == "accepted"

    bench = away(kit, 30, during=block_for_five)
    assert not resumed(bench)
    assert bench.circuit(0).state is State.HELD


def test_a_person_who_holds_a_circuit_already_held_by_its_link_is_obeyed(kit):
    """Hold said in the silence is a person's hold: accepted, and current waits for a person."""
    answers = []
    bench = away(kit, 20, during=lambda bench: answers.append(bench.order("hold", who="bert")))
    assert answers == ["accepted"]
    assert bench.circuit(0).state is State.HELD
    assert not resumed(bench)


def test_a_rectifier_that_restarted_and_ran_longer_than_before_is_still_another_uptime(kit):
    """20 s of uptime, a restart in the silence, 40 s of uptime: more, but not the same run of the device."""
    bench = kit.bench()
    bench.toys[0].uptime_s = 5.0
    bench.running(kit.step(restart_ms=10_000))

    def restart(bench):
        bench.toys[0].uptime_s = 0.0

    away(kit, 80, bench, during=restart)
    assert bench.toys[0].uptime_s > 30.0
    assert not resumed(bench)
    assert bench.circuit(0).state is State.HELD


def test_a_rectifier_without_uptime_never_resumes_by_rule(kit):
    """Nobody can say that it did not restart: neither without the signal nor with it lost."""
    bench = kit.bench(own={"has_uptime": False}).running(kit.step(restart_ms=10_000))
    assert not resumed(away(kit, 10, bench))
    assert not resumed(away(kit, 10, at_return=without_uptime))


def test_no_current_by_rule_before_zero_was_read_back(kit):
    """Current that still flows is looked at, not added to."""

    def flows(bench):
        bench.bad[0, "current_A"] = 0.5

    bench = away(kit, 10, at_return=flows)
    assert not resumed(bench)
    del bench.bad[0, "current_A"]
    bench.cycles(2)
    assert resumed(bench)


def test_a_bath_opened_between_two_silences_still_waits_for_a_person(kit):
    """The link flaps; a neighbour was blocked in the first silence: the second one forgets nothing."""

    def block_for_two(bench):
        bench.order("block", "A02", who="bert")
        bench.order("unblock", "A02", who="bert")

    def flows(bench):
        bench.bad[0, "current_A"] = 0.6

    bench = away(kit, 12, during=block_for_two, at_return=flows)
    bench.bad[0, "link"] = "down"
    bench.cycles(6)
    bench.bad.clear()
    bench.cycles(3)
    assert not resumed(bench)
    assert bench.circuit(0).state is State.HELD


@pytest.mark.parametrize(("signal", "bad"), [("probes", 56.0), ("local", 1.0)])
def test_a_hold_soon_after_a_ridden_link_loss_is_no_link_loss(kit, signal, bad):
    """The link came back by rule; ten seconds later something else holds, and goes: by order."""
    bench = away(kit, 10)
    assert resumed(bench)
    bench.events.clear()
    bench.cycles(10)
    bench.bad[0, signal] = bad
    bench.cycles(4)
    assert bench.circuit(0).state is State.HELD
    bench.bad.clear()
    bench.cycles(60)
    assert not resumed(bench)
    assert bench.circuit(0).state is State.HELD


@pytest.mark.parametrize(("signal", "bad"), [("probes", 61.0), ("local", 1.0), ("fault_code", 5.0)])
def test_the_first_reading_after_a_silence_must_speak_for_current(kit, signal, bad):
    """Hot, local or faulty in the first reading: laws want a second one, the rule does not wait to be wrong."""
    bench = kit.bench().running(kit.step(restart_ms=10_000))
    away(kit, 10, bench, at_return=lambda bench: bench.bad.update({(0, signal): bad}))
    assert not resumed(bench)
    assert bench.set_A(0) == 0.0
