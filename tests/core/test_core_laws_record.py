"""The record that cannot be written: told, told again in its last hour, and then nothing flows; and its disk's room."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from controller import words
from controller.core import bath, flowchecks
from controller.core.conditions import Finding
from controller.core.interlocks import EXPLAINS
from controller.core.laws import record, record_space
from controller.core.lawsettings import AlarmLimits, LawSettings, RecordLimits
from controller.core.orderchecks import Refusal
from controller.core.types import Condition, Reaction, State

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


def told(kit, code, *facts, quiet_s=0.0):
    """Whether the law stood after each of these cycles."""
    settings = kit.settings(laws=LawSettings(alarm=AlarmLimits(quiet_s=quiet_s)))
    return kit.watch(code, [kit.bath_view(kit.bath_facts(**each), settings=settings) for each in facts])


def test_a_slow_disk_is_told_from_three_seconds_on(kit):
    """A row that waits for 3 s, with its value and limit in s; a setting moves the limit; nothing is held."""
    assert told(kit, "record_slow", *({"record_age_ms": ms} for ms in (None, 0, 2_999, 3_000, 2_999))) == [
        False, False, False, True, False,
    ]  # fmt: skip
    view = kit.bath_view(kit.bath_facts(record_age_ms=4_500))
    assert record.slow(view, False) == Finding(True, 4.5, 3.0)
    patient = kit.settings(laws=LawSettings(record=RecordLimits(slow_s=5.0)))
    view = kit.bath_view(kit.bath_facts(record_age_ms=4_999), settings=patient)
    assert record.slow(view, False) == Finding(False, 4.999, 5.0)
    assert record.asleep(view)
    assert not record.asleep(kit.bath_view(kit.bath_facts(record_age_ms=5_000), settings=patient))


@pytest.mark.parametrize(
    ("code", "follows"),
    [
        ("record_waits", {"record_slow"}),
        ("record_ends", {"record_slow", "record_waits"}),
        ("record_full", {"record_slow", "record_waits", "record_ends"}),
        ("record_space_ends", {"record_space_low"}),
    ],
)
def test_the_graver_word_explains_the_milder_ones(code, follows):
    """One cause rings once."""
    assert set(EXPLAINS[code]) == follows


@pytest.mark.parametrize(("code", "limit_h"), [("record_space_low", 168.0), ("record_space_ends", 24.0)])
def test_little_room_is_told_and_takes_a_tenth_more_to_be_forgotten(kit, code, limit_h):
    """Below the limit; gone at a tenth above it; a disk that no longer says keeps what stood."""
    room = [limit_h, limit_h - 0.001, limit_h * 1.0999, None, limit_h * 1.1001, limit_h]
    facts = [{"record_space_h": each, "record_space_unknown": each is None} for each in room]
    assert told(kit, code, *facts) == [False, True, True, True, False, False]
    assert told(kit, code, {}, {"record_space_h": 0.0}, {}) == [False, True, False]


def test_room_is_told_with_its_value_and_limit(kit):
    """Hours both; settings move the limits; the file sleeps at the limit and no lower."""
    limits = RecordLimits(space_warn_h=50.0, space_refuse_h=10.0)
    settings = kit.settings(laws=LawSettings(record=limits))
    view = kit.bath_view(kit.bath_facts(record_space_h=20.0), settings=settings)
    assert record_space.low(view, False) == Finding(True, 20.0, 50.0)
    assert record_space.ends(view, False) == Finding(False, 20.0, 10.0)
    assert not record_space.asleep(view)
    assert record_space.asleep(kit.bath_view(kit.bath_facts(record_space_h=50.0), settings=settings))
    assert record_space.asleep(kit.bath_view(kit.bath_facts()))
    turned = kit.settings(laws=LawSettings(record=RecordLimits(space_warn_h=10.0, space_refuse_h=50.0)))
    assert not record_space.asleep(kit.bath_view(kit.bath_facts(record_space_h=20.0), settings=turned))


def test_an_unknown_room_is_told_and_refuses_nothing(kit):
    """Its own alarm, without a number; neither limit is taken for passed."""
    facts = ({"record_space_unknown": True}, {"record_space_h": 900.0})
    assert told(kit, "record_space_unknown", *facts) == [True, False]
    for code in ("record_space_low", "record_space_ends"):
        assert told(kit, code, *facts) == [False, False]
    assert not record_space.asleep(kit.bath_view(kit.bath_facts(record_space_unknown=True)))


@pytest.mark.parametrize(
    ("given", "answer"),
    [
        ({"record_space_h": 23.9}, "record_space"),
        ({"record_space_h": 24.0}, "accepted"),
        ({"record_space_h": 167.0}, "accepted"),
        ({"record_space_unknown": True}, "accepted"),
        ({"record_left_ms": 8 * HOUR_MS}, "record_waits"),
        ({"record_left_ms": 1, "record_space_h": 0.0}, "record_waits"),
        ({"record_age_ms": 60_000}, "accepted"),
        ({}, "accepted"),
    ],
)
def test_a_start_is_refused_where_the_disk_may_not_hold_its_run(kit, given, answer):
    """Below a day of room, or while rows wait for their disk; open runs go on, are held and resumed as ever."""
    bench = kit.bench().running()
    decide = bath.step

    def on_this_disk(settings, state, asked):
        return decide(settings, state, replace(asked, **given))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bath, "step", on_this_disk)
        bench.cycles(3)
        assert [each.state for each in bench.state.circuits] == [State.RUNNING] * 2
        assert bench.order("hold") == "accepted"
        bench.cycles(20)
        assert bench.order("resume") == "accepted"
        other = kit.bench()
        other.cycles(5)
        assert other.order("load", load=kit.load()) == "accepted"
        assert other.order("start") == answer


def test_the_refusal_says_how_much_room_there_is():
    """Both numbers, and what is to be waited for once it is enough again; none where another condition stands."""
    settings = LawSettings(alarm=AlarmLimits(quiet_s=7.0))

    def asked(*standing):
        return flowchecks.record_has_room(SimpleNamespace(standing=standing, settings=SimpleNamespace(laws=settings)))

    other = Condition("record_space_low", Reaction.WARN, 5.25, 168.0)
    ends = Condition("record_space_ends", Reaction.WARN, 5.25, 24.0)
    data = {"value": 5.25, "limit": 24.0, "eased": 24.0 * 1.1, "seconds": 7.0}
    assert asked(other, ends) == Refusal("record_space", data)
    kept = Condition("record_space_ends", Reaction.WARN, None, None)
    assert asked(kept).data == {"value": None, "limit": None, "eased": None, "seconds": 7.0}
    assert asked(other, Condition("record_waits", Reaction.WARN, 5.25, None)) == Refusal("record_waits", {})
    assert asked(other) is None


def test_the_refusal_says_truly_why_it_stands():
    """Room that lacks is to be made; room that is there again is to be waited for, and said to be there."""
    data = {"limit": 24.0, "eased": 26.4, "seconds": 10.0}
    lacks = words.refusal_text("record_space", {"value": 23.94, **data})
    assert lacks.startswith("the disk holds 23.9 h more of every circuit's record, 24 are wanted")
    for value in (24.0, 37.0):
        again = words.refusal_text("record_space", {"value": value, **data})
        assert again == f"the disk held too little lately, now {value:.1f} h: wait for 26.4 h, 10 s"
    assert "--" in words.refusal_text("record_space", {"value": None, **data})
    assert words.refusal_text("record_space", {"value": 5.0, "limit": None}).startswith("the disk holds 5.0 h")
