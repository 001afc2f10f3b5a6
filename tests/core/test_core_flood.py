"""A flood of alarms: when it begins, when it ends, what counts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import flood
from controller.core.bathstate import BathState, Flood
from controller.core.types import Event, EventKind

NEW = Event("probe_hold", "A01", EventKind.ALARM, {"life": "new"})
QUIET = BathState(())


def lived(kit, *cycles, state=QUIET):
    """Count cycles given as (moment, number of new alarms); return the bath and what was told."""
    told = []
    for now_ms, new in cycles:
        events = [NEW] * new
        state = flood.counted(kit.settings(), state, events, now_ms)
        told += events[new:]
    return state, [(event.code, event.target, event.kind, event.data) for event in told]


@pytest.mark.parametrize(("new", "active"), [(10, False), (11, True)])
def test_more_than_ten_in_ten_minutes_begin_a_flood(kit, new, active):
    """Ten can just be taken in."""
    state, told = lived(kit, (0, 5), (599_999, new - 5))
    assert state.flood.active is active
    assert told == ([("flood_begins", "A", EventKind.EVENT, {"count": 11})] if active else [])


def test_what_came_ten_minutes_ago_counts_no_more(kit):
    """The window is ten minutes, to the millisecond."""
    state, told = lived(kit, (0, 6), (600_000, 6))
    assert (state.flood, told) == (Flood((600_000,) * 6, False), [])
    assert lived(kit, (0, 2), (600_000, 0))[0].flood == Flood()


def test_fewer_than_five_end_it(kit):
    """Five still are a flood once it runs; each end is told once."""
    state, told = lived(kit, (0, 8), (300_000, 5), (600_000, 0))
    assert (state.flood.active, len(state.flood.came_ms), len(told)) == (True, 5, 1)
    state, told = lived(kit, (600_001, 0), (899_999, 0), (900_000, 0), (900_001, 0), state=state)
    assert told == [("flood_ends", "A", EventKind.EVENT, {"count": 0})]
    assert state.flood == Flood()


def test_only_new_alarms_count(kit):
    """Not those that are silent or return, no events and no orders; without news nothing changes."""
    state = QUIET
    for other in (
        replace(NEW, kind=EventKind.EVENT), replace(NEW, data={"life": "returned"}),
        replace(NEW, data={"life": "new_suppressed"}), replace(NEW, data={}),
    ):  # fmt: skip
        assert flood.counted(kit.settings(), state, [other], 5) is state
    some = flood.counted(kit.settings(), state, [NEW], 5)
    assert some.flood == Flood((5,), False)
    assert flood.counted(kit.settings(), some, [], 6) is some


def test_the_memory_of_a_storm_is_bounded(kit):
    """However many come, two hundred moments are kept, the newest."""
    state, told = lived(kit, (0, 150), (1, 150))
    assert state.flood.came_ms == (0,) * 50 + (1,) * 150
    assert [data["count"] for *_, data in told] == [150]


def test_every_circuit_of_a_bath_counts(kit):
    """Four circuits' alarms are one person's flood; the numbers are the bath's own settings."""
    base = kit.settings()
    laws = replace(base.laws, alarm=replace(base.laws.alarm, flood_begins=1, flood_ends=1))
    bench = kit.bench(circuits=2, laws=laws).running()
    for index in (0, 1):
        bench.bad[index, "fault_code"] = 3.0
    bench.cycles(4)
    assert [event.data["count"] for event in bench.events if event.code == "flood_begins"] == [2]
    assert bench.state.flood.active
