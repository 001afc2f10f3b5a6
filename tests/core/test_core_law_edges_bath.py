"""Laws of the whole bath at the very edge of their comparisons, and what an operator is shown of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import (
    block_ignored,
    earth,
    extraction,
    hydrogen,
    people,
    record,
    rounds,
    several_hot,
)
from controller.core.lawsettings import EarthLimits, HydrogenLimits, LawSettings
from controller.core.state import CircuitState, Timer

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
NOW_MS = 4 * HOUR_MS


def says(found, holds, value=None, limit=None, percent=100.0):
    """Whether a finding is this one, the last bit of its amounts left open."""
    shown = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit)]
    return (found.holds, found.value, found.limit, found.allowed_percent, found.allowed_A) == (
        holds, *shown, percent, None,
    )  # fmt: skip


def seen(kit, facts=None, *, laws=None, inputs=None, duty=None, in_use=True, after_run=False, **settings):
    """A bath's view: facts, memory and settings as a sound one's, but for these."""
    made = kit.settings(laws=laws or LawSettings(), **settings)
    circuits = tuple(CircuitState(own.name) for own in made.circuits)
    state = BathState(circuits, inputs=Inputs(**(inputs or {})), duty=Duty(**(duty or {})))
    return kit.bath_view(kit.bath_facts(**{"now_ms": NOW_MS, **(facts or {})}), in_use, after_run, made, state)


@pytest.mark.parametrize(("airflow", "in_use", "after_run", "active", "current", "after"), [
    (True, True, False, True, False, False), (False, True, False, False, True, False),
    (None, True, True, False, True, False),
    (None, False, True, False, False, True), (False, False, False, False, False, False),
    (None, False, False, True, True, True),
    (False, True, True, True, True, True),
])  # fmt: skip
def test_airflow_is_wanted_in_use_and_in_the_after_run(kit, airflow, in_use, after_run, active, current, after):
    """In either of the two its own law, and what stood stands on without both."""
    view = seen(kit, {"airflow": airflow}, in_use=in_use, after_run=after_run)
    assert says(extraction.lost_under_current(view, active), current)
    assert says(extraction.lost_in_after_run(view, active), after)
    assert extraction.asleep(view) is (airflow is True)


def test_airflow_lost_under_current_is_one_loss(kit):
    """Its after-run tells nothing new while the first alarm stands; one that waits, or another, hides nothing."""
    view = seen(kit, {"airflow": False}, in_use=False, after_run=True)
    code = "".join(list("extraction_lost"))  # as read from a record: not the very same text in memory
    for timer, tells in (
        (Timer(code, active=True), False), (Timer(code), True),
        (Timer("a", active=True), True),
        (Timer("hood_open", active=True), True),
    ):  # fmt: skip
        now = replace(view, state=replace(view.state, timers=(Timer("b"), timer)))
        assert says(extraction.lost_in_after_run(now, False), tells)
        assert extraction.lost_in_after_run(now, True).holds is True


GAS = frozenset({"hydrogen_percent_LEL"})


@pytest.mark.parametrize(("compare", "limit"), [(hydrogen.rises, 10.0), (hydrogen.far_too_much, 25.0)])
def test_hydrogen_at_its_level_and_well_below(kit, compare, limit):
    """Both are gone below 8 %, the warning level less its two."""
    for gas, active, holds in (
        (limit, False, True), (limit - 0.01, False, False), (8.0, True, True), (7.99, True, False), (99.0, True, True),
    ):  # fmt: skip
        assert says(compare(seen(kit, {"has": GAS, "hydrogen_LEL": gas}), active), holds, gas, limit)
    assert compare(seen(kit, {"has": GAS}), active=True) is CANNOT_TELL
    assert compare(seen(kit, {"hydrogen_LEL": 99.0}), active=True) is CLEAR


STILL_MS = 4 * HOUR_MS


@pytest.mark.parametrize(("still_ms", "rise", "frozen"), [
    (STILL_MS, 3.0, True), (STILL_MS - 1, 3.0, False), (STILL_MS, 2.99, False), (2 * STILL_MS, 9.0, True),
    (None, 9.0, False), (STILL_MS, 0.0, False),
])  # fmt: skip
def test_a_hydrogen_sensor_stands_still(kit, still_ms, rise, frozen):
    """The same for four hours while the gas it should see has risen by 3 %."""
    inputs = {"hydrogen_still_ms": None if still_ms is None else 9 * HOUR_MS - still_ms, "rise_LEL": rise}
    view = seen(kit, {"has": GAS, "hydrogen_LEL": 2.0, "now_ms": 9 * HOUR_MS}, inputs=inputs)
    assert hydrogen.frozen(view) is frozen
    assert says(hydrogen.not_told(view, False), frozen)
    assert hydrogen.asleep(view) is not frozen


@pytest.mark.parametrize(("gas", "overdue", "in_use", "after_run", "holds", "asleep"), [
    (2.0, (), True, True, False, True), (None, (), False, False, True, False),
    (2.0, ("hydrogen",), True, False, True, False),
    (2.0, ("hydrogen",), False, True, True, False), (2.0, ("hydrogen",), False, False, False, False),
    (2.0, ("shunt",), True, True, False, False), (9.99, (), True, False, False, True),
    (10.0, (), True, False, False, False),
])  # fmt: skip
def test_hydrogen_that_is_not_told(kit, gas, overdue, in_use, after_run, holds, asleep):
    """No value, or a proof that is overdue while the bath is in use or gas leaves the cells."""
    facts = {"has": GAS, "hydrogen_LEL": gas, "overdue": overdue}
    view = seen(kit, facts, in_use=in_use, after_run=after_run)
    assert says(hydrogen.not_told(view, False), holds)
    assert hydrogen.asleep(view) is asleep
    bare = seen(kit, {**facts, "has": frozenset()}, in_use=in_use)
    assert hydrogen.not_told(bare, False) is CLEAR
    assert hydrogen.asleep(bare)
    lower = seen(
        kit, {"has": GAS, "hydrogen_LEL": 5.0}, laws=LawSettings(hydrogen=HydrogenLimits(trip_percent_LEL=5.0))
    )
    assert not hydrogen.asleep(lower)


EARTH = frozenset({"earth_ohm_per_V"})


def leak(kit, reads, *, base=None, before=(), trip=None, share=0.5, has=EARTH):
    laws = LawSettings(earth=EarthLimits(trip_ohm_per_V=trip, baseline_share=share))
    inputs = {"base_ohm_per_V": base, "earth": tuple((NOW_MS, one) for one in before)}
    return seen(kit, {"has": has, "earth_ohm_per_V": reads}, laws=laws, inputs=inputs)


@pytest.mark.parametrize(("reads", "base", "active", "expected"), [
    (100.0, None, False, (False, 100.0, 100.0)), (99.9, None, False, (True, 99.9, 100.0)),
    (109.9, None, True, (True, 109.9, 100.0)), (110.1, None, True, (False, 110.1, 100.0)),
    (399.0, 800.0, False, (True, 399.0, 400.0)), (400.0, 800.0, False, (False, 400.0, 400.0)),
    (99.0, 150.0, False, (True, 99.0, 100.0)), (None, 800.0, True, (None,)),
])  # fmt: skip
def test_leakage_warns_below_the_larger_of_two_levels(kit, reads, base, active, expected):
    """100 ohm a volt, or half of the bath's own; gone a tenth above."""
    assert says(earth.low(leak(kit, reads, base=base), active), *expected)
    assert earth.low(leak(kit, reads, base=base, has=frozenset()), active) is CLEAR


def test_leakage_that_has_no_value_is_told_where_it_is_measured(kit):
    """Only where it is measured, and told for a minute of silence."""
    for reads, has, holds in ((None, EARTH, True), (500.0, EARTH, False), (None, frozenset(), False)):
        view = leak(kit, reads, has=has)
        assert says(earth.not_told(view, False), holds)
        assert earth.asleep(view) is (has != EARTH)


@pytest.mark.parametrize(("reads", "given", "active", "expected"), [
    (19.9, {"trip": 20.0}, False, (True, 19.9, 20.0)), (20.0, {"trip": 20.0}, False, (False, 20.0, 20.0)),
    (1.0, {}, False, (False, 1.0, 0.0)), (0.0, {}, False, (False, 0.0, 0.0)),
    (399.0, {"before": (300.0, 800.0, 500.0)}, False, (True, 399.0, 400.0)),
    (400.0, {"before": (800.0,)}, False, (False, 400.0, 400.0)),
    (430.0, {"before": (800.0,)}, True, (True, 430.0, 400.0)),
    (441.0, {"before": (800.0,)}, True, (False, 441.0, 400.0)),
    (399.0, {"base": 800.0}, False, (False, 399.0, 0.0)), (399.0, {"base": 800.0}, True, (True, 399.0, 400.0)),
    (399.0, {"base": 700.0, "before": (800.0,)}, True, (True, 399.0, 400.0)),
    (9.0, {"trip": 20.0, "before": (30.0,)}, False, (True, 9.0, 20.0)), (None, {"trip": 20.0}, True, (None,)),
])  # fmt: skip
def test_leakage_trips_below_its_value_or_by_a_step_to_half(kit, reads, given, active, expected):
    """Half of the highest of the last minute; what stands is compared with the bath's own, too."""
    assert says(earth.far_too_low(leak(kit, reads, **given), active), *expected)
    assert earth.far_too_low(leak(kit, reads, has=frozenset(), **given), active) is CLEAR


@pytest.mark.parametrize(("closed", "permit", "in_use", "after_run", "active", "holds"), [
    (True, None, True, True, True, False), (False, None, True, False, False, True),
    (False, None, False, True, False, True),
    (False, None, False, False, False, False), (False, None, False, False, True, True),
    (False, 9, True, True, False, False),
    (False, 9, False, False, True, True), (None, None, True, True, False, False), (None, None, True, True, True, None),
    (True, 9, True, True, True, False),
])  # fmt: skip
def test_an_open_hood(kit, closed, permit, in_use, after_run, active, holds):
    """A permit keeps it from beginning and ends nothing; an unread contact keeps what stood."""
    view = seen(kit, {"hood_closed": closed}, duty={"permit_until_ms": permit}, in_use=in_use, after_run=after_run)
    assert says(people.hood_open(view, active), holds)
    assert people.asleep(view) is (closed is not False)


@pytest.mark.parametrize(("changes", "holds", "most"), [
    ((), False, 0.0), ((0,) * 5, False, 5.0), ((0,) * 6, True, 6.0), ((0, 1) * 5, False, 5.0),
    ((0, 1, 1, 1, 1, 1, 1, 1), True, 7.0), ((2, 0, 0, 2, 1), False, 2.0),
])  # fmt: skip
def test_a_contact_that_chatters(kit, changes, holds, most):
    """The one that changed most often; count and limit are shown."""
    view = seen(kit, inputs={"changes": tuple((NOW_MS, which) for which in changes)})
    assert says(people.chatters(view, False), holds, most, 6.0)
    assert people.asleep(view) is (len(changes) < 6)


@pytest.mark.parametrize(("facts", "pressed", "stale", "asleep"), [
    ({}, False, False, True), ({"emergency_stop_ok": False}, True, False, False),
    ({"emergency_stop_ok": None}, None, False, False), ({"stale": True}, False, True, False),
])  # fmt: skip
def test_emergency_stop_and_inputs(kit, facts, pressed, stale, asleep):
    """Unread keeps what stood; the stale time is shown in seconds."""
    view = seen(kit, facts, period_ms=1_000)
    assert says(people.pressed(view, False), pressed)
    assert says(people.unknown(view, False), stale, None, 3.0)
    assert people.asleep(view) is asleep


@pytest.mark.parametrize(("left_ms", "ends", "full"), [
    (HOUR_MS, False, False), (HOUR_MS - 1, True, False), (1, True, False), (0, True, True), (2 * HOUR_MS, False, False),
])  # fmt: skip
def test_room_for_the_record(kit, left_ms, ends, full):
    """Hours left, and the limit in hours."""
    view = seen(kit, {"record_left_ms": left_ms})
    assert says(record.waits(view, False), True, left_ms / HOUR_MS, None)
    assert says(record.ends(view, False), ends, left_ms / HOUR_MS, 1.0)
    assert says(record.full(view, False), full, left_ms / HOUR_MS, 1 / HOUR_MS)
    assert not record.asleep(view)
    sound = seen(kit)
    assert record.waits(sound, False) is record.full(sound, False) is CLEAR
    assert record.asleep(sound)


def round_view(kit, now_ms, *, starts=(600_000,), round_ms=None, interval_ms=7_200_000, ended=(), horn_ok=True):
    view = seen(kit, {"now_ms": now_ms}, duty={"round_ms": round_ms, "horn_ok": horn_ok}, round_ms=interval_ms)
    runs = [kit.run(start_ms=start, end_ms=1 if at in ended else None) for at, start in enumerate(starts)]
    circuits = tuple(CircuitState(f"A0{at + 1}", run=run) for at, run in enumerate([*runs, None]))
    return replace(view, state=replace(view.state, circuits=circuits))


@pytest.mark.parametrize(("late_min", "over", "long"), [
    (29.999, False, False), (30.0, True, False), (45.5, True, False), (59.999, True, False), (60.0, True, True),
    (99.0, True, True),
    (-1.0, False, False),
])  # fmt: skip
def test_a_round_is_overdue_at_its_minutes(kit, late_min, over, long):
    """Since the run began ten minutes after the service; how late, and the limit, are shown in minutes."""
    view = round_view(kit, 600_000 + 7_200_000 + round(late_min * MINUTE_MS))
    assert says(rounds.overdue(view, False), over, late_min, 30.0)
    assert says(rounds.long_overdue(view, False), long, late_min, 60.0)


@pytest.mark.parametrize(("changes", "late_min"), [
    ({}, 40.0), ({"round_ms": 1_200_000}, 30.0), ({"round_ms": 60_000}, 40.0), ({"starts": (1_200_000, 600_000)}, 40.0),
    ({"starts": (0, 1_200_000), "ended": (0,)}, 30.0), ({"starts": (600_000,), "ended": (0,)}, None),
    ({"starts": ()}, None),
    ({"interval_ms": None}, None),
])  # fmt: skip
def test_since_when_a_round_is_owed(kit, changes, late_min):
    """The last one, or the oldest open run's beginning, whichever is later; without a run or an interval none."""
    view = round_view(kit, 600_000 + 7_200_000 + 40 * MINUTE_MS, **changes)
    found = rounds.overdue(view, False)
    assert found is CLEAR if late_min is None else says(found, True, late_min, 30.0)
    assert rounds.asleep(view) is (changes.get("interval_ms", 1) is None)


def test_a_horn_that_nobody_heard(kit):
    """Until it was heard, with rounds or without."""
    for horn_ok in (True, False):
        view = round_view(kit, NOW_MS, interval_ms=None, horn_ok=horn_ok)
        assert says(rounds.horn_silent(view, False), not horn_ok)
        assert rounds.asleep(view) is horn_ok


@pytest.mark.parametrize(("hots", "active", "expected"), [
    ((55.0, 55.0), False, (True, 2.0, 2.0)), ((54.99, 55.0), False, (False, 1.0, 2.0)),
    ((52.0, 52.0), True, (True, 2.0, 2.0)),
    ((51.99, 52.0), True, (False, 1.0, 2.0)), ((None, 60.0), True, (None,)), ((None, 60.0), False, (False, 1.0, 2.0)),
    ((60.0, 60.0, 60.0, None), True, (True, 3.0, 2.0)), ((60.0, 60.0, None), True, (True, 2.0, 2.0)),
    ((), False, (False, 0.0, 2.0)),
])  # fmt: skip
def test_several_hot_circuits(kit, hots, active, expected):
    """Two at the hold level, until all but one are three kelvins below; a lost probe keeps it."""
    view = seen(kit, {"hots_C": hots})
    assert says(several_hot.several(view, active), *expected)
    assert several_hot.asleep(view) is (sum(hot is not None and hot >= 55.0 for hot in hots) < 2)


@pytest.mark.parametrize(("hots", "parts", "timer", "active", "expected"), [
    ((60.0, 40.0), (False, True), Timer("probe_hold", active=True), True, (True, 2.0, 2.0)),
    ((60.0, 40.0), (False, True), Timer("probe_hold", active=True), False, (False, 1.0, 2.0)),
    ((60.0, 40.0), (False, False), Timer("probe_hold", active=True), True, (False, 1.0, 2.0)),
    ((60.0, 40.0), (False, True), Timer("probe_hold"), True, (False, 1.0, 2.0)),
    ((60.0, 40.0), (False, True), Timer("a", active=True), True, (False, 1.0, 2.0)),
    ((60.0, 40.0), (False, True), Timer("probe_trip", active=True), True, (False, 1.0, 2.0)),
    ((60.0, 52.0), (True, True), Timer("probe_hold", active=True), True, (True, 2.0, 2.0)),
    ((40.0, 60.0), (True, True), Timer("probe_hold", active=True), True, (True, 2.0, 2.0)),
    ((60.0, None), (True, True), Timer("probe_hold", active=True), True, (None,)),
])  # fmt: skip
def test_a_circuit_that_looks_cool_by_half_of_its_probes_is_still_counted(kit, hots, parts, timer, active, expected):
    """While its own hold stands, and only to end nothing."""
    view = seen(kit, {"hots_C": hots, "probe_parts": parts})
    circuits = tuple(replace(each, timers=(Timer("b", active=True), timer)) for each in view.state.circuits)
    view = replace(view, state=replace(view.state, circuits=circuits))
    assert says(several_hot.several(view, active), *expected)


@pytest.mark.parametrize(("code", "active", "holds"), [
    ("hands_off", True, True), ("hands_off", False, False), ("probe_hold", True, False),
])  # fmt: skip
def test_who_drives_one_string_against_a_block_holds_the_bath(kit, code, active, holds):
    """A timer of another law, or one that waits, is nothing; one among several circuits is enough."""
    view = seen(kit)
    first = replace(view.state.circuits[0], timers=(Timer("link_lost", active=True), Timer(code, active=active)))
    view = replace(view, state=replace(view.state, circuits=(first, *view.state.circuits[1:])))
    assert says(block_ignored.ignored(view, False), holds)
    assert not block_ignored.asleep(view)
    assert block_ignored.asleep(seen(kit))


def test_the_stale_time_of_inputs_is_shown_in_parts_of_seconds(kit):
    """3.5 s, exactly there."""
    assert says(people.unknown(seen(kit, {"stale": True}, stale_ms=3_500), False), True, None, 3.5)


def test_two_that_look_cool_by_half_of_their_probes_are_both_counted(kit):
    """With one that is hot they are three."""
    view = seen(kit, {"hots_C": (60.0, 40.0, 40.0), "probe_parts": (False, True, True)}, circuits=3)
    timer = Timer("".join(list("probe_hold")), active=True)  # as read from a record: not the very same text in memory
    circuits = tuple(replace(each, timers=(timer,)) for each in view.state.circuits)
    view = replace(view, state=replace(view.state, circuits=circuits))
    assert says(several_hot.several(view, True), True, 3.0, 2.0)
