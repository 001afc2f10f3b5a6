"""Small parts that several laws and orders ask: a safe bath, the voltage limit, set-points that still act, records."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from controller.core import atlimit, devicecount, mixing, swings
from controller.core.bathsafe import safe
from controller.core.changed import changed, made
from controller.core.facts import Facts
from controller.core.state import CircuitState, Counters, LinkMemory, Run
from controller.core.table import TABLE, Cause, after
from controller.core.types import State, Value
from controller.core.values import flag

PARTS = ("inputs_ok", "emergency_stop_ok", "airflow_ok", "hood_closed", "permit")


@pytest.mark.parametrize("held", list(product((True, False), repeat=5)))
def test_a_bath_is_safe_with_all_of_it_and_a_permit_stands_for_the_hood_alone(kit, held):
    """All thirty-two."""
    inputs_ok, stop_ok, airflow_ok, hood_closed, permit = held
    share = kit.share(**dict(zip(PARTS, held, strict=True)))
    assert safe(share) is (inputs_ok and stop_ok and airflow_ok and (hood_closed or permit))
    assert safe(replace(share, purge_left_ms=9)) is safe(share)


@pytest.mark.parametrize(("volts", "expected"), [
    (None, None), (300.0, True), (295.5, True), (295.4, False), (310.0, True), (0.0, False),
])  # fmt: skip
def test_volts_are_at_the_limit_from_98_5_percent_of_the_one_written_on(kit, volts, expected):
    """300 V; not read, nobody can tell."""
    state = kit.state()
    state = replace(state, command=replace(state.command, voltage_limit_V=300.0))
    assert atlimit.at_limit(kit.view(state=state, facts=kit.facts(voltage_V=volts))) is expected


@pytest.mark.parametrize(("asked", "set_A", "low_A", "high_A", "along_A", "against_A"), [
    ((), 7.0, 7.0, 7.0, 7.0, 0.0), ((), -7.0, 7.0, 7.0, 0.0, 7.0), (((0, 3.0), (5, 9.0)), 7.0, 3.0, 9.0, 9.0, 0.0),
    (((0, -3.0), (5, 9.0)), 7.0, 3.0, 9.0, 9.0, 3.0), (((0, -9.0), (5, 3.0)), 3.0, 3.0, 9.0, 3.0, 9.0),
    (((0, 0.0),), 7.0, 0.0, 0.0, 0.0, 0.0),
])  # fmt: skip
def test_set_points_that_still_act(kit, asked, set_A, low_A, high_A, along_A, against_A):
    """Those of the settling time, else the last command; as amounts, and in the direction of a current."""
    view = kit.view(state=kit.state(asked=asked, set_A=set_A) if asked else replace(kit.state(set_A=set_A), asked=()))
    assert (atlimit.asked_low_A(view), view.asked_high_A) == (low_A, high_A)
    assert (view.asked_along_A(0.0), view.asked_along_A(5.0), view.asked_along_A(-0.1)) == (along_A, along_A, against_A)


@pytest.mark.parametrize("state", list(State))
def test_a_run_is_open_while_it_runs_is_held_or_tripped(kit, state):
    """And where there is one at all."""
    there = replace(kit.state(state), run=kit.run())
    is_open = state in (State.RUNNING, State.HELD, State.TRIPPED)
    assert kit.view(state=there).open_run is is_open
    assert kit.view(state=replace(there, run=None)).open_run is False


@pytest.mark.parametrize(("number", "age_ms", "expected"), [
    (0.0, 0, False), (0.5, 0, False), (0.51, 0, True), (1.0, 3_000, True), (1.0, 3_001, None), (None, 0, None),
])  # fmt: skip
def test_a_flag_is_up_above_one_half(number, age_ms, expected):
    """Good and fresh, else not known."""
    assert flag(Value(number, age_ms=age_ms), 3_000) is expected
    assert flag(None, 3_000) is None


def test_the_spread_and_the_turns_of_a_history():
    """A turn is at least as large as asked; a history of one point has neither."""
    history = tuple(enumerate((5.0, 7.0, 4.0, 4.5, 8.0, 6.0)))
    assert [swings.span(history[:count]) for count in (0, 1, 2, 6)] == [0.0, 0.0, 2.0, 4.0]
    assert [swings.reversals(history, least) for least in (2.0, 2.1, 3.0, 4.0, 4.1)] == [3, 1, 1, 0, 0]
    assert [swings.reversals(history[:count], 2.0) for count in range(7)] == [0, 0, 0, 1, 1, 2, 3]
    falling = tuple((at, -amount) for at, amount in history)
    assert [swings.reversals(falling, least) for least in (2.0, 2.1, 3.0, 4.0)] == [3, 1, 1, 0]
    assert swings.lately(history, 10, 5) == history[5:]
    assert swings.lately(history, 10, 6) == history[4:]


BASED = {"device_Ah": 40.0, "ours_Ah": 11.0}


@pytest.mark.parametrize(("facts", "link_s", "expected"), [
    ({}, 99.0, None), ({"gap": True}, 99.0, (None, 11.0)), ({"stale": True}, 99.0, (None, 11.0)),
    ({"current_A": -0.3}, 99.0, (None, 11.0)), ({"current_A": -15.0}, 99.0, (None, 11.0)),
    ({"current_A": -0.29}, 99.0, None), ({"current_A": None}, 99.0, None), ({"uptime_s": 98.0}, 99.0, (None, 11.0)),
    ({"uptime_s": 99.0}, 99.0, None), ({"uptime_s": None}, 99.0, None), ({"uptime_s": 98.0}, None, None),
    ({"counter_Ah": 39.9}, 99.0, (39.9, 12.0)), ({"counter_Ah": 40.0}, 99.0, None), ({"counter_Ah": None}, 99.0, None),
    ({"counter_Ah": 39.9, "fresh": False}, 99.0, None),
])  # fmt: skip
def test_the_comparison_of_counters_begins_anew_where_one_may_have_missed_something(kit, facts, link_s, expected):
    """Else the run is the very same."""
    run = kit.run(**BASED, counters=Counters(charge_Ah=12.0))
    new = devicecount.based(run, LinkMemory(0, link_s), kit.facts(**{"counter_Ah": 41.0, "uptime_s": 100.0, **facts}))
    if expected is None:
        assert new is run
    else:
        assert (new.device_Ah, new.ours_Ah) == expected


def test_a_comparison_not_begun_begins_with_the_first_good_reading(kit):
    """And not with anything less."""
    run = kit.run(counters=Counters(charge_Ah=12.0))
    link = LinkMemory(0, 1.0)
    assert devicecount.based(run, link, kit.facts(counter_Ah=41.0)) == replace(run, device_Ah=41.0, ours_Ah=12.0)
    for change in ({"gap": True}, {"fresh": False}, {"counter_Ah": None}):
        assert devicecount.based(run, link, kit.facts(**{"counter_Ah": 41.0, **change})) is run


@pytest.mark.parametrize(("facts", "left"), [
    ({}, ((4, 2_000),)), ({"current_A": 0.3}, ((4, 2_000),)), ({"current_A": 0.29}, None), ({"current_A": -15.0}, None),
    ({"current_A": None}, None), ({"gap": True}, None), ({"dt_ms": 999}, ((3, 1), (4, 2_001))), ({"dt_ms": 3_000}, ()),
])  # fmt: skip
def test_only_charge_current_that_was_read_stirs_water_in(kit, facts, left):
    """A second of it is a second less; at nothing left the battery is mixed."""
    run = kit.run(watered=((3, 1_000), (4, 3_000)))
    new = mixing.stirred(run, kit.facts(**facts))
    assert new.watered == (run.watered if left is None else left)
    assert [mixing.left_ms(run, position) for position in (3, 4, 5)] == [1_000, 3_000, 0]


def test_water_added_again_begins_the_hour_again(kit):
    """Of that battery alone."""
    run = mixing.watered(kit.run(watered=((3, 5), (4, 6))), 3)
    assert run.watered == ((4, 6), (3, 3_600_000))


def test_a_changed_record_is_a_new_one_and_knows_its_fields(kit):
    """The old one stays as it was; a field that is not there is an error; the kind stays the same."""
    run = kit.run(step=3)
    new = changed(run, step=4, meets=1)
    assert (new, type(new), run.step) == (replace(run, step=4, meets=1), Run, 3)
    state = kit.state()
    assert changed(state, revision=9) == replace(state, revision=9)
    assert type(changed(state)) is CircuitState
    with pytest.raises(TypeError, match=r"Run has no field amperes, volts"):
        changed(run, volts=1.0, step=5, amperes=2.0)


def test_a_made_record_is_what_its_class_would_make():
    """With all its fields named."""
    fields = dict(vars(Facts(*[1] * 19)))
    assert made(Facts, **fields) == Facts(**fields)


@pytest.mark.parametrize("state", list(State))
def test_a_cause_leads_where_the_table_says_or_nowhere(state):
    """Every state times every cause."""
    for cause in Cause:
        assert after(state, cause) is TABLE.get((state, cause))
