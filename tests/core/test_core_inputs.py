"""What is remembered of the bath's inputs: contacts, hydrogen, leakage, flow, trails, the hood's permit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import inputs
from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.types import Condition, Reaction, State

NOW_MS = 500_000
FLOW = frozenset({"flow_L_min"})
GAS = frozenset({"hydrogen_percent_LEL"})


def remembered(kit, old=None, settings=None, circuits=(), duty=None, now_ms=NOW_MS, **facts):
    """The bath after a cycle; `old`: what was remembered before it."""
    old = old or Inputs(minute_ms=now_ms)
    state = BathState(tuple(circuits), inputs=old, duty=duty or Duty())
    return inputs.remembered(settings or kit.settings(), state, kit.bath_facts(now_ms=now_ms, **facts))


def after(kit, old=None, **given):
    return remembered(kit, old, **given).inputs


READ = {"airflow": True, "hood_closed": True, "emergency_stop_ok": True, "level": 0.0}
CALM = Inputs(minute_ms=NOW_MS, contacts=(True, True, True, 0.0))


def test_where_nothing_moved_the_bath_is_the_same_object(kit):
    """No minute over, no contact changed, nothing measured."""
    state = BathState((), inputs=CALM)
    assert inputs.remembered(kit.settings(), state, kit.bath_facts(now_ms=NOW_MS, **READ)) is state


def test_time_that_went_back_forgets_all(kit):
    """Moments that lie ahead would count for hours."""
    old = replace(CALM, flow_lost_ms=3, base_ohm_per_V=400.0, hydrogen_LEL=4.0)
    assert after(kit, old, dt_ms=-1, **READ) == Inputs(
        water_C=((NOW_MS, 25.0),), minute_ms=NOW_MS, contacts=CALM.contacts
    )
    assert after(kit, old, dt_ms=0, **READ).base_ohm_per_V == 400.0


@pytest.mark.parametrize(("name", "index", "to"), [
    ("airflow", 0, False), ("hood_closed", 1, False), ("emergency_stop_ok", 2, False), ("level", 3, -1.0),
    ("level", 3, 1.0),
])  # fmt: skip
def test_a_contact_that_changes_is_remembered_with_its_moment(kit, name, index, to):
    """Down and up again; one that was never read before has not changed."""
    down = after(kit, CALM, **{**READ, name: to})
    assert (down.contacts[index], down.changes) == (to, ((NOW_MS, index),))
    up = after(kit, replace(down, minute_ms=NOW_MS), now_ms=NOW_MS + 5, **READ)
    assert (up.contacts, up.changes) == (CALM.contacts, ((NOW_MS, index), (NOW_MS + 5, index)))
    first = after(kit, Inputs(minute_ms=NOW_MS), **{**READ, name: to})
    assert (first.contacts[index], first.changes) == (to, ())


def test_a_contact_not_read_keeps_its_last_state(kit):
    """And is no change, neither then nor when it reads the same again."""
    silent = after(kit, CALM, **{**READ, "airflow": None})
    assert (silent.contacts, silent.changes) == (CALM.contacts, ())
    assert after(kit, silent, **READ).changes == ()


@pytest.mark.parametrize(("age_ms", "kept"), [(60_000, True), (60_001, False)])
def test_a_contacts_change_is_forgotten_after_a_minute(kit, age_ms, kept):
    """Also where nothing else changes."""
    old = replace(CALM, changes=((NOW_MS - age_ms, 0), (NOW_MS - 10, 1)))
    found = after(kit, old, **READ)
    assert found.changes == old.changes[0 if kept else 1 :]
    assert (found is old) is kept
    moved = after(kit, old, **{**READ, "hood_closed": False})
    assert moved.changes == (*old.changes[0 if kept else 1 :], (NOW_MS, 1))


def test_hydrogen_that_reads_the_same_stands_since_then(kit):
    """A new number begins anew what should have been seen; silence changes nothing."""
    old = replace(CALM, expected_LEL=3.0, seen_LEL=1.0, rise_LEL=2.0, hydrogen_LEL=4.0, hydrogen_still_ms=9)
    for reads in (4.0, None):
        assert after(kit, old, hydrogen_LEL=reads, **READ) is old
    assert after(kit, old, hydrogen_LEL=4.1, **READ) == replace(
        old, hydrogen_LEL=4.1, hydrogen_still_ms=NOW_MS, seen_LEL=3.0, rise_LEL=0.0
    )
    gassing = {"circuits": [kit.state()], "currents_A": (15.0,), "volts_per_cell": (2.5,)}
    quick = after(kit, old, settings=kit.settings(airflow_m3_h=105.0), hydrogen_LEL=16.0, **gassing, **READ)
    assert (quick.expected_LEL, quick.seen_LEL) == (3.0, pytest.approx(16.2))


def test_leakage_readings_of_the_last_minute_are_kept(kit):
    """Sixty seconds old is in, older is out."""
    old = replace(CALM, earth=((NOW_MS - 60_001, 1.0), (NOW_MS - 60_000, 2.0)))
    assert after(kit, old, earth_ohm_per_V=3.0, **READ).earth == ((NOW_MS - 60_000, 2.0), (NOW_MS, 3.0))
    assert after(kit, old, **READ).earth == old.earth


@pytest.mark.parametrize(("before_ms", "flow", "water_C", "has", "expected_ms"), [
    (None, 0.9, 30.0, FLOW, NOW_MS), (None, None, 30.0, FLOW, NOW_MS), (None, 1.0, 30.0, FLOW, None),
    (None, 1.1, 40.0, FLOW, None), (None, 0.9, 29.9, FLOW, None), (None, 0.0, 40.0, frozenset(), None),
    (7, 0.9, 30.0, FLOW, 7), (7, 0.9, 29.0, FLOW, 7), (7, 0.9, 28.9, FLOW, None), (7, 1.0, 40.0, FLOW, None),
    (7, 0.9, None, FLOW, 7), (None, 0.9, None, FLOW, None), (7, 0.9, 40.0, frozenset(), None),
])  # fmt: skip
def test_since_when_no_cooling_flow_is_proved(kit, before_ms, flow, water_C, has, expected_ms):
    """Below 1 L/min at 30 C and more; forgotten a kelvin lower; water not read keeps what was."""
    old = replace(CALM, flow_lost_ms=before_ms)
    found = after(kit, old, flow_L_min=flow, water_C=water_C, has=has, **READ)
    assert found.flow_lost_ms == expected_ms


def test_trails_grow_by_the_minute_and_reach_back_an_hour(kit):
    """A point at sixty seconds, none before; what was not read leaves no point."""
    old = replace(CALM, minute_ms=0, water_C=((0, 20.0), (1, 21.0)), level_mm=((0, 300.0), (1, 301.0)))
    assert after(kit, old, now_ms=59_999, **READ) is old
    due = after(kit, old, now_ms=60_000, level_mm=310.0, **READ)
    assert (due.minute_ms, due.water_C) == (60_000, (*old.water_C, (60_000, 25.0)))
    assert due.level_mm == (*old.level_mm, (60_000, 310.0))
    blind = after(kit, old, now_ms=60_000, water_C=None, **READ)
    assert (blind.minute_ms, blind.water_C, blind.level_mm) == (60_000, old.water_C, old.level_mm)
    late = after(kit, old, now_ms=3_600_001, level_mm=310.0, **READ)
    assert late.water_C == ((1, 21.0), (3_600_001, 25.0))
    first = after(kit, replace(old, minute_ms=None), now_ms=5, **READ)
    assert first.minute_ms == 5


@pytest.mark.parametrize(("base", "reads", "expected"), [
    (None, None, None), (400.0, None, 400.0), (None, 99.9, None), (None, 100.0, 100.0), (1_440.0, 2_880.0, 1_441.0),
    (1_440.0, 1_440.0, 1_440.0), (1_540.0, 820.0, 1_539.5), (1_540.0, 770.0, 1_540.0 - 770.0 / 1_440.0),
    (1_540.0, 769.9, 1_540.0), (190.0, 99.9, 190.0), (190.0, 100.0, 190.0 - 90.0 / 1_440.0),
    (40.0, 50.0, 40.0 + 10.0 / 1_440.0), (None, 5_000.0, 5_000.0),
])  # fmt: skip
def test_the_baths_own_leakage_is_followed_over_a_day_but_into_no_fault(kit, base, reads, expected):
    """Below 100 ohm/V or below half of itself it is a fault and not the bath; up it follows always."""
    old = replace(CALM, minute_ms=0, base_ohm_per_V=base)
    found = after(kit, old, earth_ohm_per_V=reads, **READ).base_ohm_per_V
    assert found == (expected if expected is None else pytest.approx(expected, rel=1e-12))


def strings(kit, *volts_per_cell, currents_A=None, airflow_m3_h=105.0, old_LEL=0.0, **extremes):
    circuits = [kit.state() for _ in volts_per_cell]
    old = replace(CALM, minute_ms=0, expected_LEL=old_LEL, **extremes)
    return after(
        kit, old, settings=kit.settings(airflow_m3_h=airflow_m3_h), circuits=circuits,
        currents_A=currents_A or (15.0,) * len(circuits), volts_per_cell=volts_per_cell, **READ,
    )  # fmt: skip


@pytest.mark.parametrize(("volts", "currents_A", "expected"), [
    ((2.35, 2.3), (15.0, 15.0), 1.08), ((2.4, 2.35), (15.0, 15.0), 2.16), ((2.349, 2.0), (15.0, 15.0), 0.0),
    ((2.5, None), (15.0, 15.0), 1.08), ((2.5, 2.5), (15.0, None), 1.08), ((2.5, 2.5), (-15.0, 30.0), 2.16),
])  # fmt: skip
def test_hydrogen_that_should_be_seen_follows_the_gassing_strings(kit, volts, currents_A, expected):
    """1.05 % of the limit per A, cell and m3/h: 15 A x 108 cells in 105 m3/h give 16.2 %, a fifteenth a minute."""
    assert strings(kit, *volts, currents_A=currents_A).expected_LEL == pytest.approx(expected)


def test_hydrogen_that_should_be_seen_keeps_how_far_it_rose(kit):
    """Up towards what the currents give, down without any; nothing where the airflow is not known, or no list.

    What a quick sensor saw already is no rise; what decayed is one when it comes back.
    """
    up = strings(kit, 2.5, old_LEL=1.2, seen_LEL=1.1, rise_LEL=0.5)
    assert (up.expected_LEL, up.seen_LEL, up.rise_LEL) == pytest.approx((2.2, 1.1, 1.1))
    down = strings(kit, 2.0, old_LEL=1.5, seen_LEL=1.45, rise_LEL=0.5)
    assert (down.expected_LEL, down.seen_LEL, down.rise_LEL) == pytest.approx((1.4, 1.4, 0.5))
    seen = strings(kit, 2.5, old_LEL=1.2, seen_LEL=16.2)
    assert (seen.seen_LEL, seen.rise_LEL) == (pytest.approx(16.2), 0.0)
    fell = strings(kit, 2.5, old_LEL=1.2, seen_LEL=20.0)
    assert (fell.seen_LEL, fell.rise_LEL) == (pytest.approx(16.2), 0.0)
    assert strings(kit, 2.5, airflow_m3_h=None).expected_LEL == 0.0
    empty = after(
        kit, replace(CALM, minute_ms=0), settings=kit.settings(airflow_m3_h=105.0), circuits=[kit.state(load=None)],
        currents_A=(15.0,), volts_per_cell=(2.5,), **READ,
    )  # fmt: skip
    assert empty.expected_LEL == 0.0


PERMIT = Duty(permit_until_ms=NOW_MS + 1, permit_by="eva", round_ms=4)


@pytest.mark.parametrize(("until_ms", "volts", "stands"), [
    (NOW_MS + 1, 2.349, True), (NOW_MS, 2.0, False), (NOW_MS - 1, 2.0, False), (NOW_MS + 1, 2.35, False),
])  # fmt: skip
def test_a_permit_ends_with_its_time_and_where_a_string_gasses(kit, until_ms, volts, stands):
    """And with it whose it was; what else people did stays."""
    duty = replace(PERMIT, permit_until_ms=until_ms)
    state = remembered(
        kit, CALM, circuits=[kit.state()], duty=duty, currents_A=(15.0,), volts_per_cell=(volts,), **READ
    )
    assert state.duty == (duty if stands else Duty(round_ms=4))


def test_without_a_permit_the_duty_is_left_alone(kit):
    """The same object: the cycle makes nothing new."""
    duty = Duty(round_ms=4)
    assert remembered(kit, Inputs(), duty=duty, **READ).duty is duty


@pytest.mark.parametrize(("state", "current_A", "volts", "gasses"), [
    (State.RUNNING, 15.0, 2.35, True), (State.RUNNING, 15.0, 2.349, False), (State.RUNNING, 15.0, 2.6, True),
    (State.RUNNING, 15.0, None, True), (State.RUNNING, None, 2.6, True), (State.RUNNING, None, None, True),
    (State.HELD, None, 2.6, False), (State.HELD, 0.29, 2.6, False), (State.HELD, 0.3, 2.6, True),
    (State.RUNNING, 0.0, 2.6, False), (State.RUNNING, 0.0, None, False), (State.RUNNING, None, 2.0, False),
])  # fmt: skip
def test_what_is_not_read_of_a_running_string_counts_as_gassing(kit, state, current_A, volts, gasses):
    """From 0.3 A and 2.35 V a cell on; beside it a string that does not gas."""
    bath = BathState((kit.state(), kit.state(state)))
    facts = kit.bath_facts(currents_A=(15.0, current_A), volts_per_cell=(2.0, volts))
    assert inputs.gassing(bath, facts) is gasses
    assert not inputs.gassing(BathState(()), kit.bath_facts())


@pytest.mark.parametrize(("has", "reads", "last", "ok"), [
    (frozenset(), 50.0, 50.0, True), (GAS, 9.9, None, True), (GAS, 10.0, None, False), (GAS, None, None, False),
    (GAS, None, 10.0, False), (GAS, None, 9.9, True), (GAS, 9.9, 40.0, True), (GAS, 40.0, 0.0, False),
])  # fmt: skip
def test_hydrogen_lets_current_flow_below_its_warning_level(kit, has, reads, last, ok):
    """A silent sensor counts with its last value; one that is not there says nothing, one that never spoke is bad."""
    state = BathState((), inputs=Inputs(hydrogen_LEL=last))
    assert inputs.gas_ok(kit.settings(), state, kit.bath_facts(has=has, hydrogen_LEL=reads)) is ok


@pytest.mark.parametrize(("outside", "codes", "stay"), [
    (False, ("hydrogen_trip",), True), (False, ("earth_trip", "hydrogen_trip"), True),
    (True, ("hydrogen_trip",), False),
    (False, ("hydrogen_warn", "hydrogen_unknown", "a", "z"), False), (False, (), False),
])  # fmt: skip
def test_contactors_stay_where_gas_may_be(kit, outside, codes, stay):
    """Only while the bath is tripped for hydrogen, and only those that stand in the gas space."""
    standing = tuple(Condition("".join(list(code)), Reaction.TRIP) for code in codes)
    assert inputs.contactors_stay(kit.settings(contactors_outside=outside), standing) is stay
