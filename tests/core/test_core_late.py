"""Orders that waited while nothing was read: what could let current flow is refused, what takes it away is not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.state import Alarm
from controller.core.types import Reaction, State

GAP_MS = 30_000
LATCHED = Alarm("emergency_stop", 0, 1, Reaction.TRIP, active=False, acknowledged=True, latched=True)


def ready(kit):
    """Aired, loaded, read: a start would be accepted."""
    bench = kit.bench(circuits=1, purge_ms=0).cycles(5)
    assert bench.order("load", load=kit.load()) == "accepted"
    return bench


def ordered(kit, bench, verb, skip_ms=GAP_MS, target="A01", **args):
    """The code of the answer to an order in the first cycle after a gap."""
    events = bench.cycle(kit.order(verb, target, **args), skip_ms=skip_ms)
    return next(event for event in events if event.data.get("verb") == verb and event.kind != "event")


def held(kit):
    bench = ready(kit)
    assert bench.order("start") == "accepted"
    assert bench.cycles(3).order("hold") == "accepted"
    return bench.cycles(5)


def waiting(kit):
    bench = kit.bench(circuits=1, purge_ms=0).running(kit.step(ends={"order": True}), kit.step(2), fresh=True)
    assert bench.circuit().state is State.RUNNING
    return bench


@pytest.mark.parametrize(
    ("made", "verb", "changes"),
    [
        (ready, "start", {}),
        (held, "resume", {}),
        (held, "reset", {"state": State.TRIPPED, "alarms": (LATCHED,)}),
        (ready, "unblock", {"blocked_by": "anna"}),
        (waiting, "done", {}),
    ],
)
def test_more_energy_is_refused_after_a_gap(kit, made, verb, changes):
    """The same order is accepted without the gap, and refused with its seconds in the first cycle after one."""
    sure = made(kit).change(**changes)
    assert ordered(kit, sure, verb, skip_ms=0).code == "accepted"
    late = made(kit).change(**changes)
    said = ordered(kit, late, verb)
    assert (said.code, said.kind) == ("late", "refusal")
    assert said.data["seconds"] == (GAP_MS + 1_000) / 1_000.0
    assert late.set_A() == 0.0


def test_a_start_is_taken_again_once_values_were_read(kit):
    """Only the gap's own cycle refuses here; the purge, begun anew, is another matter."""
    bench = ready(kit)
    assert ordered(kit, bench, "start").code == "late"
    assert bench.order("start") == "accepted"


def test_a_purge_is_not_kept_over_a_gap(kit):
    """An aired bath is unpurged again behind it, whatever was ordered meanwhile."""
    bench = kit.bench(circuits=1, purge_ms=60_000).cycles(70)
    assert bench.order("load", load=kit.load()) == "accepted"
    assert ordered(kit, bench, "start").code == "late"
    assert bench.order("start") == "unpurged"


@pytest.mark.parametrize(
    ("verb", "args"),
    [("hold", {}), ("stop", {}), ("block", {}), ("acknowledge", {}), ("note", {"text": "water looked at"})],
)
def test_less_energy_is_never_late(kit, verb, args):
    """Hold, stop, block, acknowledge and a note pass over any gap."""
    bench = held(kit).change(alarms=(replace(LATCHED, latched=False, acknowledged=False),))
    assert ordered(kit, bench, verb, **args).kind == "order"


def test_a_tick_of_the_start_list_is_not_late(kit):
    """It lets nothing flow by itself."""
    bench = kit.bench(circuits=1, purge_ms=0, start_items=("polarity",)).cycles(5)
    assert bench.order("load", load=kit.load()) == "accepted"
    assert ordered(kit, bench, "done", item=1, ok=True).code == "accepted"


def test_a_reset_of_the_bath_is_late_too(kit):
    """Its own latches are lifted by nobody who looked before the gap; the acknowledgement passes."""
    for skip_ms, code in ((0, "accepted"), (GAP_MS, "late")):
        bench = ready(kit)
        bench.state = replace(bench.state, alarms=(LATCHED,))
        said = ordered(kit, bench, "reset", skip_ms=skip_ms, target="A")
        assert said.code == code
        assert any(alarm.latched for alarm in bench.state.alarms) is (code == "late")


@pytest.mark.parametrize(
    ("step", "code"), [(1, "accepted"), (None, "changed"), (2, "changed"), ("1", "changed"), (True, "changed")]
)
def test_done_names_the_step_that_stands(kit, step, code):
    """A step that is another by now, or no number, is refused: the person looked at something else."""
    said = ordered(kit, waiting(kit), "done", skip_ms=0, step=step)
    assert said.code == code


def test_done_of_a_step_that_is_over_is_refused_as_changed(kit):
    """The next step waits for nothing: still the person is told that it changed."""
    bench = waiting(kit)
    assert bench.order("done") == "accepted"
    bench.cycles(2)
    assert ordered(kit, bench, "done", skip_ms=0, step=1).code == "changed"
    assert ordered(kit, bench, "done", skip_ms=0, step=2).code == "nothing_to_do"
