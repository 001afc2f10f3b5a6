"""Laws of a circuit at the very edge of their comparisons, and what an operator is shown of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import current
from controller.core.lawsettings import CurrentLimits, LawSettings
from controller.core.types import State


def said(found):
    """What a finding says, for one comparison."""
    return found.holds, found.value, found.limit, found.allowed_A, found.allowed_percent


def says(holds, value=None, limit=None, allowed_A=None, allowed_percent=100.0):
    """The same, with the last bit of each amount left open."""
    about = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit, allowed_A)]
    return holds, *about, allowed_percent


def seen(kit, facts=None, settings=None, run=None, **state):
    """A circuit's view: facts, run and state as a sound running one's, but for these."""
    if run is not None:
        state["run"] = kit.run(**run)
    return kit.view(kit.state(**state), kit.facts(**(facts or {})), settings)


@pytest.mark.parametrize(("set_A", "read_A", "expected"), [
    (40.0, 44.0, says(False, 44.0, 44.0)), (40.0, 44.001, says(True, 44.001, 44.0)),
    (40.0, -0.5, says(False, 0.5, 1.0)), (40.0, -1.001, says(True, 1.001, 1.0)),
    (5.0, 6.0, says(False, 6.0, 6.0)), (-40.0, -44.0, says(False, 44.0, 44.0)), (-40.0, 0.5, says(False, 0.5, 1.0)),
    (0.0, 1.0, says(False, 1.0, 1.0)),
])  # fmt: skip
def test_current_far_above_begins_past_its_limit(kit, set_A, read_A, expected):
    """At the limit nothing trips; the amount read and the limit are shown, whatever the direction."""
    assert said(current.far_above(seen(kit, {"current_A": read_A}, set_A=set_A), False)) == expected


@pytest.mark.parametrize(("local", "written", "read_A", "explained_A"), [
    (True, ((0, 20.0), (1_000, 8.0)), 5.0, 20.0), (True, ((0, 20.0), (1_000, -30.0)), -5.0, 30.0),
    (True, ((0, 20.0),), 0.0, 20.0), (True, ((0, -30.0),), 0.0, 15.0), (True, ((0, -30.0),), -0.5, 30.0),
    (True, (), 5.0, 15.0), (False, ((0, 20.0),), 5.0, 15.0), (None, ((0, 20.0),), 5.0, 15.0),
    (True, ((0, 7.0),), 5.0, 15.0),
])  # fmt: skip
def test_in_local_control_what_was_written_within_the_watchdogs_time_explains_current(
    kit, local, written, read_A, explained_A
):
    """The highest of it, in the direction of the current; elsewhere the set-points asked for."""
    view = seen(kit, {"local": local, "now_ms": 1_000}, written=written)
    assert current.explained_A(view, read_A) == explained_A
    watchdog_ms = view.settings.watchdog_ms
    for now_ms, explained in ((watchdog_ms, 20.0), (watchdog_ms + 1, 15.0)):
        view = seen(kit, {"local": True, "now_ms": now_ms}, written=((0, 20.0),))
        assert current.explained_A(view, 5.0) == explained


@pytest.mark.parametrize(("state", "read_A", "expected"), [
    (State.UNKNOWN, 99.0, CLEAR), (State.UNKNOWN, None, CLEAR), (State.IDLE, None, CANNOT_TELL),
    *((state, 99.0, None) for state in State if state is not State.UNKNOWN),
])  # fmt: skip
def test_only_an_unknown_circuit_has_no_set_point_to_compare_with(kit, state, read_A, expected):
    """Every other state trips on current that nobody asked for."""
    found = current.far_above(seen(kit, {"current_A": read_A}, state=state), False)
    assert found == expected if expected is not None else found.holds is True


@pytest.mark.parametrize(("asked", "read_A", "expected"), [
    (((0, 15.0),), 15.6, says(False, 15.6, 15.6)), (((0, 15.0),), 15.601, says(True, 15.601, 15.6)),
    (((0, 15.0),), -15.601, says(True, 15.601, 15.6)), (((0, 15.0),), None, says(None)),
    (((0, 0.0),), 9.0, says(False)),
    (((0, 0.0),), None, says(False)), (((0, 0.5),), 0.9, says(True, 0.9, 0.81)),
    (((0, 15.0), (1_000, 3.0)), 15.5, says(False, 15.5, 15.6)),
])  # fmt: skip
def test_current_a_little_above_begins_past_its_limit(kit, asked, read_A, expected):
    """2 % and 0.3 A above the highest set-point that still acts; without one it is not asked."""
    view = seen(kit, {"current_A": read_A}, asked=asked)
    assert said(current.above(view, False)) == expected
    at_it = replace(view, facts=replace(view.facts, current_A=current.above(view, False).limit))
    assert not current.above(at_it, False).holds


@pytest.mark.parametrize(("set_A", "read_A", "volts", "expected"), [
    (15.0, 14.25, 2.3, says(False, 14.25, 14.25)), (15.0, 14.249, 2.3, says(True, 14.249, 14.25)),
    (3.0, 2.701, 2.3, says(False, 2.701, 2.7)), (3.0, 2.699, 2.3, says(True, 2.699, 2.7)),
    (15.0, 1.0, 2.85, says(False, 1.0, 14.25)), (15.0, None, 2.3, says(None)), (15.0, 1.0, None, says(None)),
    (0.0, -9.0, 2.3, says(False)), (0.5, 0.1, 2.3, says(True, 0.1, 0.2)),
    (-15.0, -20.0, 2.9, says(False, -20.0, 14.25)),
    (-15.0, -14.25, 2.9, says(False, -14.25, 14.25)), (-15.0, -14.249, 2.9, says(True, -14.249, 14.25)),
    (-15.0, 15.0, 2.9, says(True, 15.0, 14.25)), (-15.0, -1.0, 2.89, says(False, -1.0, 14.25)),
    (-15.0, -1.0, 2.895, says(True, -1.0, 14.25)), (-15.0, -1.0, None, says(None)), (-15.0, None, 2.9, says(None)),
    (-0.5, -0.1, 2.9, says(True, -0.1, 0.2)),
])  # fmt: skip
def test_current_that_lacks_begins_below_its_limit(kit, set_A, read_A, volts, expected):
    """5 % or 0.3 A below the lowest set-point, volts under their limit, in a discharge above their floor."""
    view = seen(kit, {"current_A": read_A, "volts_per_cell": volts}, set_A=set_A)
    assert said(current.low(view, False)) == expected


@pytest.mark.parametrize("state", [state for state in State if state is not State.RUNNING])
def test_only_a_running_circuit_lacks_current(kit, state):
    """Held, stopped or unknown, its command being what it may, neither law of too little current asks."""
    view = seen(kit, {"current_A": 1.0}, state=state, run={"step_time_ms": 9_000})
    assert current.low(view, False) is CLEAR
    none = replace(view.state, command=replace(view.state.command, set_current_A=0.0))
    assert current.below_least(replace(view, state=none), False) is CLEAR


@pytest.mark.parametrize(("set_A", "ramp_ms", "kind", "expected"), [
    (0.0, 8_999, "charge", says(True, 0.0, 0.5)), (0.0, 9_000, "charge", says(False)),
    (0.5, 0, "charge", says(False, 0.0, 0.5)), (-15.0, 0, "discharge", says(False, 0.0, 0.5)),
    (0.0, 0, "discharge", says(True, 0.0, 0.5)), (0.0, 0, "rest", says(False)),
])  # fmt: skip
def test_less_than_the_least_current_is_none_after_the_ramp(kit, set_A, ramp_ms, kind, expected):
    """A step of 9 s: its ramp is over or not; the circuit's least current is the limit shown."""
    steps = (kit.step(kind=kind, ramp_ms=ramp_ms),)
    view = seen(kit, steps=steps, set_A=set_A, run={"step_time_ms": 9_000})
    assert said(current.below_least(view, False)) == expected
    for gone in ({"run": None}, {"load": None}):
        assert current.below_least(replace(view, state=replace(view.state, **gone)), False) is CLEAR


SLEEPS = [  # set A, read A, V a cell, asleep
    (15.0, 15.27, 2.3, True), (15.0, 15.28, 2.3, False), (15.0, 14.73, 2.3, True), (15.0, 14.72, 2.3, False),
    (15.0, 14.72, 2.85, True), (15.0, 0.0, 2.85, True), (15.0, -0.01, 2.85, False), (15.0, 14.72, None, False),
    (-15.0, -15.27, 2.3, True), (-15.0, -15.28, 2.3, False), (-15.0, -14.73, 2.9, True), (-15.0, -14.72, 2.9, False),
    (-15.0, -14.72, 2.85, True), (-15.0, 0.0, 2.85, True), (-15.0, 0.01, 2.85, False), (-15.0, -14.72, None, False),
    (-15.0, 15.0, 2.3, False), (3.0, 3.15, 2.3, True), (3.0, 3.151, 2.3, False), (3.0, 2.849, 2.3, False),
    (15.0, None, 2.3, True), (-0.5, -0.1, 2.85, True), (0.5, 0.1, 2.85, True),
]  # fmt: skip


@pytest.mark.parametrize(("set_A", "read_A", "volts", "asleep"), SLEEPS)
def test_current_sleeps_within_nine_tenths_of_its_least_limit(kit, set_A, read_A, volts, asleep):
    """1.8 % of 15 A, 0.15 A at the least; at the limit of voltage any current that charges."""
    view = seen(kit, {"current_A": read_A, "volts_per_cell": volts}, set_A=set_A)
    assert current.asleep(view) is asleep


@pytest.mark.parametrize(("read_A", "asleep"), [
    (0.15, True), (-0.15, True), (0.151, False), (-0.151, False), (None, True), (15.0, False), (-15.0, False),
])  # fmt: skip
def test_current_sleeps_where_none_is_asked_for_and_none_flows(kit, read_A, asleep):
    """Half of what counts as zero; a running circuit without current is always looked at."""
    for state in (State.HELD, State.IDLE, State.STOPPED, State.TRIPPED, State.COMPLETE):
        assert current.asleep(seen(kit, {"current_A": read_A}, state=state, set_A=0.0)) is asleep
    assert not current.asleep(seen(kit, {"current_A": read_A}, set_A=0.0))


@pytest.mark.parametrize(("asked", "asleep"), [
    ((), False), (((0, 15.0),), True), (((0, 14.0),), False), (((0, 16.0),), False), (((0, 15.0), (1, 15.0)), False),
])  # fmt: skip
def test_current_is_looked_at_while_a_set_point_settles(kit, asked, asleep):
    """One set-point, the one commanded, or it is awake."""
    assert current.asleep(seen(kit, asked=asked)) is asleep


@pytest.mark.parametrize("limits", [
    CurrentLimits(warn_percent=1.0), CurrentLimits(low_percent=1.0), CurrentLimits(above_percent=1.0),
])  # fmt: skip
def test_current_sleeps_by_the_least_of_its_settings(kit, limits):
    """Of 40 A, 0.36 at one per cent; a tenth of an ampere allowed above makes it 0.05 at zero."""
    settings = kit.settings(laws=LawSettings(current=limits))
    for read_A, asleep in ((40.36, True), (40.37, False)):
        assert current.asleep(seen(kit, {"current_A": read_A}, settings, set_A=40.0)) is asleep
    settings = kit.settings(laws=LawSettings(current=CurrentLimits(above_A=0.1)))
    for read_A, asleep in ((0.05, True), (0.051, False)):
        assert current.asleep(seen(kit, {"current_A": read_A}, settings, state=State.HELD, set_A=0.0)) is asleep
