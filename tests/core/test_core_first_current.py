"""A run's first current: alone, however long the run rested before, its neighbours told, and whose it is to give."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.types import State

REST_s = 75
MAINTENANCE, TECHNICIAN = ("maintenance",), ("technician",)


def answer(bench, verb, target="A01", **args):
    """The code that answers one order in its own cycle."""
    return bench.order(verb, target, **args)


def loaded(kit, *steps, **settings):
    """Two circuits, the first with these steps, both ready to start."""
    bench = kit.bench(kit.settings(**{"alone_ms": 60_000, "apart_ms": 10_000, **settings})).cycles(5)
    for name, plan in (("A01", steps), ("A02", ())):
        assert bench.order("load", name, load=kit.load(*plan)) == "accepted"
    return bench


def rests_first(kit, **ends):
    """A rest, then a charge."""
    rest = kit.step(1, kind="rest", current_A=0.0, ends=ends or {"time_ms": REST_s * 1_000})
    return rest, kit.step(2)


def test_a_first_current_waits_while_anothers_flows_alone(kit):
    """A rest that ends in the other's time alone lasts until that is over; then the first current has its own."""
    bench = loaded(kit, *rests_first(kit))
    assert bench.order("start", "A01") == "accepted"
    assert bench.state.alone == ""  # a rest is no current that leads could cross
    bench.cycles(61)
    assert bench.order("start", "A02") == "accepted"
    bench.cycles(1)
    until_ms = bench.now_ms + 60_000
    assert (bench.state.alone, bench.state.alone_until_ms) == ("A02", until_ms)
    bench.cycles(59)
    assert (bench.circuit().run.step, bench.circuit().run.first_ms) == (0, None)
    bench.cycles(1)
    assert bench.circuit().run.step == 1
    bench.cycles(3)
    first_ms = bench.circuit().run.first_ms
    assert first_ms > until_ms
    assert (bench.state.alone, bench.state.alone_until_ms) == ("A01", first_ms + 60_000)


def test_a_later_current_of_the_same_run_does_not_wait(kit):
    """Only the first shows crossed leads."""
    bench = loaded(kit, kit.step(1, ends={"time_ms": 10_000}), *rests_first(kit)[:1], kit.step(3))
    assert bench.order("start", "A01") == "accepted"
    bench.cycles(80)
    assert bench.order("start", "A02") == "accepted"
    bench.cycles(20)
    assert bench.circuit().run.step == 2
    assert bench.state.alone == "A02"


@pytest.mark.parametrize("verb", ["done", "skip"])
@pytest.mark.parametrize(("told", "code"), [("", "neighbour_blocked"), ("A01", "told")])
def test_going_on_to_current_tells_the_neighbours_as_a_start_does(kit, verb, told, code):
    """The rest needs no current; the next step does, and somebody stands at the neighbour."""
    bench = kit.bench()
    bench.bath_signals.pop("hood_closed")
    bench.running(*rests_first(kit, order=True))
    assert bench.order("block", "A01", who="bert") == "accepted"
    taken = {"done": "accepted", "skip": "skipped"}[verb] if code == "told" else code
    assert answer(bench, verb, "A02", told=told, reason="filled again") == taken


@pytest.mark.parametrize("verb", ["done", "skip"])
def test_going_on_to_current_waits_while_anothers_first_flows_alone(kit, verb):
    """Refused for a minute, then taken; for a rest it is taken at once."""
    bench = loaded(kit, *rests_first(kit, order=True))
    assert bench.order("start", "A01") == "accepted"
    bench.cycles(3)
    assert bench.order("start", "A02") == "accepted"
    bench.cycles(3)
    assert answer(bench, verb, reason="filled again") == "alone"
    bench.cycles(55)
    assert answer(bench, verb, reason="filled again") == "alone"
    assert answer(bench, verb, reason="filled again") in ("accepted", "skipped")


@pytest.mark.parametrize("verb", ["done", "skip"])
def test_going_on_to_a_rest_asks_nobody(kit, verb):
    """No current comes by it."""
    steps = kit.step(1, ends={"order": True}), kit.step(2, kind="rest", current_A=0.0, ends={"order": True})
    bench = kit.bench()
    bench.bath_signals.pop("hood_closed")
    bench.running(*steps)
    assert bench.order("block", "A01", who="bert") == "accepted"
    assert answer(bench, verb, "A02", reason="x") in ("accepted", "skipped")


def test_a_skip_while_held_asks_nobody_for_the_resume_will(kit):
    """Held, no current comes by a skip."""
    bench = kit.bench()
    bench.bath_signals.pop("hood_closed")
    bench.running(kit.step(1), kit.step(2))
    assert [bench.order("hold", "A02"), bench.order("block", "A01", who="bert")] == ["accepted"] * 2
    assert bench.order("skip", "A02", reason="x") == "skipped"
    bench.cycles(5)
    assert bench.order("resume", "A02") == "neighbour_blocked"


# -- whose the first current is after a grave cause


def airless(kit):
    """The first circuit was held by its bath's extraction, the second waits for its start."""
    bench = loaded(kit, alone_ms=0, apart_ms=0)
    assert bench.order("start", "A01") == "accepted"
    bench.cycles(5)
    bench.bath_signals["airflow"] = 0.0
    bench.cycles(5)
    return bench


def aired(bench):
    bench.bath_signals["airflow"] = 1.0
    return bench.cycles(20)


def test_a_start_neither_passes_nor_settles_what_waits_for_maintenance(kit):
    """A technician's is refused, and after maintenance's own the first resume is still maintenance's."""
    bench = aired(airless(kit))
    for verb, name in (("resume", "A01"), ("start", "A02")):
        assert bench.order(verb, name, roles=TECHNICIAN) == "maintenance_resume"
    assert bench.order("start", "A02", roles=("technician", "maintenance")) == "accepted"
    bench.cycles(3)
    assert bench.state.resume_for
    assert bench.order("resume", "A01", roles=TECHNICIAN) == "maintenance_resume"
    assert bench.order("resume", "A01", roles=MAINTENANCE) == "accepted"
    assert bench.state.resume_for == ""


@pytest.mark.parametrize(("resume_for", "state"), [("", State.RUNNING), ("extraction_lost", State.HELD)])
@pytest.mark.parametrize("where", ["bath", "circuit"])
def test_nothing_resumes_by_rule_what_waits_for_maintenance(kit, resume_for, state, where):
    """Nor is it settled by a link that comes back."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "link"] = "down"
    bench.cycles(6)
    if where == "bath":
        bench.state = replace(bench.state, resume_for=resume_for)
    else:
        bench.change(resume_for=resume_for)
    del bench.bad[0, "link"]
    bench.cycles(5)
    assert bench.circuit().state is state
    assert (bench.state.resume_for or bench.circuit().resume_for) == resume_for


def test_what_maintenance_has_looked_at_is_everybodys_to_resume_again(kit):
    """Not while it stands, not without a word, not twice; then who resumes and starts as ever."""
    bench = airless(kit)
    assert bench.order("inspected", "A", roles=MAINTENANCE, reason="belt") == "cause_stands"
    aired(bench).change(1, resume_for="extraction_lost")
    assert bench.order("inspected", "A", roles=TECHNICIAN, reason="belt") == "role"
    assert bench.order("inspected", "A", roles=MAINTENANCE) == "reason"
    revisions = [bench.state.revision, *(each.revision for each in bench.state.circuits)]
    assert bench.order("inspected", "A", roles=MAINTENANCE, reason="belt") == "bath_inspected"
    after = [bench.state.revision, *(each.revision for each in bench.state.circuits)]
    assert [new - old for new, old in zip(after, revisions, strict=True)] == [1, 0, 1]
    assert (bench.state.resume_for, bench.circuit(1).resume_for) == ("", "")
    assert bench.order("inspected", "A", roles=MAINTENANCE, reason="belt") == "nothing_grave"
    assert bench.order("resume", "A01", roles=TECHNICIAN) == "accepted"
    assert bench.order("start", "A02", roles=TECHNICIAN) == "accepted"


def test_one_circuits_cause_is_looked_at_with_the_bath_too(kit):
    """No dead end: what waits in a circuit alone is let go by the same order."""
    bench = kit.bench().cycles(5).change(1, resume_for="extraction_lost")
    events = bench.cycle(kit.order("inspected", "A", roles=MAINTENANCE, reason="belt"))
    assert [event.code for event in events if event.kind == "order"] == ["bath_inspected"]
    assert bench.circuit(1).resume_for == ""


# -- batteries away from a string that was never read as off


def test_unload_waits_for_zero_and_off_read_back(kit):
    """Silent since before the stop: refused until it is read; read once, silence does not matter."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "link"] = "down"
    bench.cycle()
    assert bench.order("stop") == "accepted"
    bench.cycles(10)
    assert bench.order("unload", reason="end of shift") == "not_zero"
    bench.bad.clear()
    bench.cycles(5)
    bench.bad[0, "link"] = "down"
    bench.cycles(5)
    assert bench.order("unload", reason="end of shift") == "accepted"


@pytest.mark.parametrize(("signal", "reads"), [("current_A", 14.0), ("output_on", 1.0)])
def test_unload_does_not_believe_an_old_zero_against_what_is_read(kit, signal, reads):
    """It was off; now something reads otherwise."""
    bench = kit.bench(circuits=1).running()
    assert bench.order("stop") == "accepted"
    bench.cycles(5)
    bench.bad[0, signal] = reads
    assert bench.order("unload", reason="end of shift") == "not_zero"
    bench.bad.clear()
    assert bench.order("unload", reason="end of shift") == "accepted"


def test_nobody_stops_and_unloads_in_one_cycle(kit):
    """Even at rest: what this cycle read was read before the stop."""
    bench = kit.bench(circuits=1).running(kit.step(kind="rest", current_A=0.0)).cycles(5)
    events = bench.cycle(kit.order("stop"), kit.order("unload", reason="x"))
    assert [event.code for event in events if event.kind in ("order", "refusal")] == ["accepted", "not_zero"]
    assert bench.order("unload", reason="x") == "accepted"


# -- another number of batteries


@pytest.mark.parametrize(("fresh", "charged_Ah", "volts", "code"), [
    (False, 0.0, 1.8 * 102, "recounted"), (False, 0.0, 1.8 * 102 - 0.1, "string_volts"),
    (False, 0.0, 2.4 * 102, "recounted"), (False, 0.0, 2.4 * 102 + 0.1, "string_volts"),
    (True, 100.0, 2.4 * 102 + 0.1, "string_volts"), (True, 99.9, 2.4 * 102 + 0.1, "recounted"),
    (True, 100.0, 2.0 * 102, "recounted"), (False, 0.0, None, "not_zero"),
])  # fmt: skip
def test_a_formed_strings_volts_must_fit_the_new_number(kit, fresh, charged_Ah, volts, code):
    """17 batteries of six cells, 1.8 to 2.4 V each; early in a fresh run volts say nothing, which is told."""
    bench = kit.bench(circuits=1, fresh_V=0.1)
    bench.toys[0].charged = not fresh
    bench.running(fresh=fresh)
    assert bench.order("block") == "accepted"
    bench.cycles(5)
    run = bench.circuit().run
    counters = replace(run.counters, charge_Ah=charged_Ah)
    bench.change(run=replace(run, counters=counters)).bad[0, "voltage_V"] = volts
    if volts is None:
        assert bench.order("change-count", batteries=17) == code
        return
    events = bench.cycle(kit.order("change-count", batteries=17))
    (told,) = [event for event in events if event.data.get("verb") == "change-count"]
    assert (told.code, told.data["volts_fit"]) == (code, not fresh or charged_Ah >= 100.0)
