"""The record that cannot be written: told, told again in its last hour, and then nothing flows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import bath
from controller.core.lawsettings import AlarmLimits, LawSettings
from controller.core.types import State

HOUR_MS = 3_600_000


def views(kit, *left_ms, quiet_s=0.0):
    settings = kit.settings(laws=LawSettings(alarm=AlarmLimits(quiet_s=quiet_s)))
    return [kit.bath_view(kit.bath_facts(record_left_ms=left), settings=settings) for left in left_ms]


@pytest.mark.parametrize(("code", "least_ms"), [("record_waits", None), ("record_ends", HOUR_MS), ("record_full", 1)])
def test_each_is_told_at_once_from_its_own_time_on(kit, code, least_ms):
    """Waiting at all; under an hour; nothing left."""
    above = None if least_ms is None else least_ms
    below = 8 * HOUR_MS if least_ms is None else least_ms - 1
    assert kit.watch(code, views(kit, None, above, below, 0, above)) == [False, False, True, True, False]


@pytest.mark.parametrize("code", ["record_waits", "record_ends"])
def test_a_disk_that_comes_and_goes_is_told_once(kit, code):
    """Ten seconds of a written record end it."""
    seen = kit.watch(code, views(kit, 5, None, 5, *[None] * 11, quiet_s=10.0))
    assert seen == [True] * 13 + [False]


def test_a_full_record_holds_all_and_starts_nothing(kit):
    """Held in the same cycle; a resume is refused with the cause; with room again it is a person's order."""
    bench = kit.bench().running()
    decide, left_ms = bath.step, [0]

    def without_room(settings, state, given):
        return decide(settings, state, replace(given, record_left_ms=left_ms[0]))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bath, "step", without_room)
        bench.cycle()
        assert [each.state for each in bench.state.circuits] == [State.HELD] * 2
        assert [command.set_current_A for command in bench.out.commands] == [0.0, 0.0]
        bench.cycles(10)
        assert bench.order("resume") == "cause_stands"
        left_ms[0] = None
        bench.cycles(20)
        assert bench.circuit().state is State.HELD
        assert bench.order("resume") == "accepted"
