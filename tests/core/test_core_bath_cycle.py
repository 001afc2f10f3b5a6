"""A bath's cycle as its circuits see it: what each is told, whose current flows alone, what counts as a change."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.types import Advice, BathShare, Quality, State, Value

APART = {"alone_ms": 60_000, "apart_ms": 10_000}


def share(bench, index=0):
    return bench.out.told[index].bath


def loaded(kit, circuits=2, **changes):
    """Each circuit idle, with a list, the bath purged."""
    bench = kit.bench(circuits=circuits, **{**APART, **changes}).cycles(5)
    for own in bench.settings.circuits:
        assert bench.order("load", own.name, load=kit.load()) == "accepted"
    return bench


def test_a_sound_bath_tells_this(kit):
    """All of it, at rest."""
    bench = kit.bench().cycles(5)
    assert share(bench) == BathShare(
        water_C=Value(25.0), purge_left_ms=0, hood_closed=True, airflow_ok=True, inputs_ok=True, emergency_stop_ok=True
    )
    told = bench.out.told[1]
    assert (told.now_ms, told.share_A, told.stand_in_C, told.orders, told.advice, told.contactor) == (
        5_000, None, None, (), (), None,
    )  # fmt: skip


BAD = {
    "airflow": ({"airflow": 0.0}, {"airflow_ok": False}),
    "hood": ({"hood_closed": 0.0}, {"hood_closed": False}),
    "stop": ({"emergency_stop_ok": 0.0}, {"emergency_stop_ok": False}),
}


@pytest.mark.parametrize("name", BAD)
def test_each_input_is_told_in_the_cycle_in_which_it_is_read(kit, name):
    """And no other of them moves with it."""
    signals, expected = BAD[name]
    bench = kit.bench().cycles(5)
    bench.bath_signals.update(signals)
    bench.cycle()
    wanted = {"hood_closed": True, "airflow_ok": True, "inputs_ok": True, "emergency_stop_ok": True, **expected}
    assert {key: getattr(share(bench), key) for key in wanted} == wanted


@pytest.mark.parametrize("name", ["airflow", "hood_closed", "emergency_stop_ok"])
def test_an_input_not_read_is_no_known_input(kit, name):
    """None of them counts as good then."""
    bench = kit.bench().cycles(5)
    bench.bad[-1, name] = None
    bench.cycle()
    assert not share(bench).inputs_ok
    told = {"airflow": share(bench).airflow_ok, "hood_closed": share(bench).hood_closed}
    assert not told.get(name, share(bench).emergency_stop_ok)


def test_water_is_told_as_it_is_believed_and_as_lost_where_it_is_not_read(kit):
    """One hotter reading moves nothing yet."""
    bench = kit.bench().cycles(5)
    bench.bath_signals["water_C"] = 27.0
    bench.cycle()
    assert share(bench).water_C == Value(25.0)
    bench.cycle()
    assert share(bench).water_C == Value(27.0)
    bench.bad[-1, "water_C"] = None
    bench.cycle()
    assert share(bench).water_C == Value(None, Quality.LOST)


def test_a_latched_stop_is_told_until_it_is_reset(kit):
    """Released is not reset."""
    bench = kit.bench().cycles(5)
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycle()
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(30)
    assert not share(bench).emergency_stop_ok
    assert bench.order("acknowledge", "A") == "accepted"
    assert bench.order("reset", "A") == "accepted"
    bench.cycle()
    assert share(bench).emergency_stop_ok


def test_what_only_warns_is_no_reaction_of_the_bath(kit):
    """From a derate on it is told to the circuits, the first of all by its own share."""
    bench = kit.bench().running()
    bench.bath_signals["water_C"] = 41.0
    bench.cycles(3)
    assert share(bench).reactions == ()
    bench.bath_signals["water_C"] = 46.0
    bench.cycles(3)
    assert [found.code for found in share(bench).reactions] == ["water_derate"]
    assert bench.out.standing[0][-1].code == "water_derate"


def test_each_circuit_is_told_its_own_orders_and_advice(kit):
    """By name, whatever the order in which they come."""
    bench = kit.bench(circuits=3).running()
    first, second = Advice("knee_early", 1.0, 2.0), Advice("joint_hot", 60.0, 50.0)
    bench.advice = (("A02", first), ("A01", second), (f"A0{2}", second), ("A0", first), ("B", first))
    hold = kit.order("hold", "A02")
    bench.cycle(hold)
    assert [told.advice for told in bench.out.told] == [(second,), (first, second), ()]
    assert [told.orders for told in bench.out.told] == [(), (hold,), ()]
    bench.advice = ()
    bench.cycle()
    assert [told.advice for told in bench.out.told] == [()] * 3


def test_a_block_is_told_in_the_very_cycle_of_its_order(kit):
    """To the others; by whom."""
    bench = kit.bench(circuits=3).cycles(5)
    bench.cycle(kit.order(b"block".decode(), "A02", who="bert"))
    assert [told.bath.blocked for told in bench.out.told] == [("A02 by bert",), (), ("A02 by bert",)]


def test_a_first_current_flows_alone_and_the_next_circuit_is_told_in_the_same_cycle(kit):
    """60 s from the first current on, read a cycle after its start; the next start is refused until then."""
    bench = loaded(kit, circuits=3)
    events = bench.cycle(kit.order("start", "A01"), kit.order("start", "A02"))
    now_ms = bench.now_ms
    assert [event.code for event in events if event.kind in ("order", "refusal")] == ["accepted", "alone"]
    assert [(told.bath.alone, told.bath.alone_until_ms) for told in bench.out.told] == [
        ("", 0), ("A01", now_ms + 60_000), ("A01", now_ms + 60_000),
    ]  # fmt: skip
    assert (bench.state.alone, bench.state.alone_until_ms) == ("A01", now_ms + 60_000)
    bench.cycles(59)
    assert bench.order("start", "A02") == "alone"
    assert bench.order("start", "A02") == "accepted"


def resumed(kit, first_for=""):
    """Two circuits run; the first is held and resumed."""
    bench = loaded(kit)
    for name in ("A01", "A02"):
        assert bench.order("start", name) == "accepted"
        bench.cycles(70)
    assert bench.order("hold", "A01") == "accepted"
    bench.cycles(10)
    bench.state = replace(bench.state, resume_for=first_for)
    return bench


def test_a_resumed_current_flows_alone_for_a_shorter_while(kit):
    """Ten seconds instead of a minute."""
    bench = resumed(kit)
    assert bench.order("resume", "A01") == "accepted"
    assert (bench.state.alone, bench.state.alone_until_ms) == ("A01", bench.now_ms + 10_000)


def test_a_resume_does_not_shorten_a_first_minute(kit):
    """Held and resumed 25 s after its start, the circuit flows alone until its minute is over, not for ten seconds."""
    bench = loaded(kit)
    assert bench.order("start", "A01") == "accepted"
    until_ms = bench.now_ms + 61_000
    bench.cycles(20)
    assert bench.order("hold", "A01") == "accepted"
    bench.cycles(3)
    assert bench.order("resume", "A01") == "accepted"
    assert (bench.state.alone, bench.state.alone_until_ms) == ("A01", until_ms)
    bench.cycles(15)
    assert bench.order("start", "A02") == "alone"


def test_a_resume_settles_what_made_it_maintenances_and_a_start_does_not(kit):
    """After extraction was lost, say: the first resume of any circuit."""
    bench = resumed(kit, "extraction_lost")
    assert bench.order("resume", "A01", roles=("technician",)) == "maintenance_resume"
    assert bench.state.resume_for == "extraction_lost"
    assert bench.order("resume", "A01", roles=("maintenance",)) == "accepted"
    assert bench.state.resume_for == ""
    fresh = loaded(kit)
    fresh.state = replace(fresh.state, resume_for="extraction_lost")
    assert fresh.order("start", "A01") == "accepted"
    assert fresh.state.resume_for == "extraction_lost"
    assert share(fresh, 1).resume_for == "extraction_lost"


def test_a_refused_resume_settles_nothing(kit):
    """Asked of a circuit that maintenance has started and that runs: the first resume is maintenance's still."""
    bench = loaded(kit)
    bench.state = replace(bench.state, resume_for="extraction_lost")
    assert bench.order("start", "A01", roles=("technician", "maintenance")) == "accepted"
    bench.cycles(3)
    assert bench.order("resume", "A01", roles=("technician",)) != "accepted"
    assert bench.circuit().state is State.RUNNING
    assert bench.state.resume_for == "extraction_lost"


def test_nothing_comes_back_by_rule_in_another_circuits_time_alone(kit):
    """The second circuit's link comes back 5 s after the first's start, its current when that time is over."""
    bench = loaded(kit)
    assert bench.order("start", "A02") == "accepted"
    bench.cycles(70)
    bench.bad[1, "link"] = "down"
    bench.cycles(6)
    assert bench.order("start", "A01") == "accepted"
    until_ms = bench.now_ms + 61_000
    del bench.bad[1, "link"]
    bench.cycles(60)
    assert (bench.circuit(1).state, bench.circuit(1).run.link_rides) == (State.HELD, 0)
    assert (bench.state.alone, bench.state.alone_until_ms) == ("A01", until_ms)
    bench.cycle()
    assert (bench.circuit(1).state, bench.circuit(1).run.link_rides) == (State.RUNNING, 1)


def test_a_new_alarm_of_the_bath_counts_as_one_change(kit):
    """And one that goes on is none."""
    bench = kit.bench().running()
    bench.state = replace(bench.state, revision=5)
    bench.bath_signals["water_C"] = 41.0
    bench.cycles(3)
    assert [alarm.code for alarm in bench.state.alarms] == ["water_warm"]
    assert bench.state.revision == 6
    bench.cycles(3)
    assert bench.state.revision == 6


def test_water_that_is_cold_concerns_a_bath_in_use_alone(kit):
    """One running circuit is enough; held, idle or complete ones use nothing."""
    bench = kit.bench().running()
    bench.bath_signals["water_C"] = 12.0
    for name in ("A01", "A02"):
        bench.cycles(5)
        assert "water_cold" in {alarm.code for alarm in bench.state.alarms if alarm.active}
        bench.order("hold", name)
    bench.cycles(5)
    assert "water_cold" not in {alarm.code for alarm in bench.state.alarms if alarm.active}
