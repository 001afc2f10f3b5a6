"""What a bath's inputs let the core believe, and what time alone moves: purge, after-run, stand-ins, sisters."""

from __future__ import annotations

from dataclasses import asdict, fields, replace

import pytest

from controller.core import bathfacts
from controller.core.bathstate import BathState
from controller.core.state import ProbeMemory
from controller.core.types import LOST, BathIn, BathReading, ChannelReading, LinkState, State, Value
from controller.core.view import BathFacts

SOUND = BathReading(
    (Value(26.0), Value(24.0)), Value(1.0), Value(1.0), Value(1.0), Value(12.0), Value(0.0), Value(310.0),
    Value(4.0), Value(1.0), Value(900.0), Value(0.0), link=LinkState.UP,
)  # fmt: skip


def channel(current_A=15.0, volts=216.0, probe_C=31.0):
    return ChannelReading(
        Value(current_A), Value(volts), Value(15.0), Value(300.0), Value(1.0), probes=(Value(probe_C),)
    )


def bath(kit, *circuits, **changes):
    circuits = circuits or (kit.state(), kit.state(State.IDLE, load=None))
    named = tuple(
        replace(each, name=f"A0{number}", probes=(ProbeMemory(30.0 + number),))
        for number, each in enumerate(circuits, 1)
    )
    return BathState(named, **{"water": (ProbeMemory(27.0), ProbeMemory(23.0)), **changes})


def facts(kit, *, now_ms=1_000, state=None, settings=None, record=None, overdue=(), **changes):
    state = state or bath(kit)
    channels = (channel(), channel(-2.0, 200.0))[: len(state.circuits)]
    given = BathIn(now_ms, replace(SOUND, **changes), channels, **(record or {}), overdue=overdue)
    return bathfacts.bath_facts(settings or kit.settings(), state, given)


def test_every_input_becomes_its_own_fact(kit):
    """All at once, each with a number of its own."""
    record = {"record_left_ms": 77, "record_age_ms": 41, "record_space_h": 5.5, "record_space_unknown": True}
    found = facts(kit, state=bath(kit, now_ms=400), record=record, overdue=("hydrogen",))
    assert found == BathFacts(
        now_ms=1_000, dt_ms=600, gap=False, fresh=True, stale=False, water_C=27.0, airflow=True, hood_closed=True,
        emergency_stop_ok=True, has=frozenset(bathfacts.OPTIONAL), flow_L_min=12.0, level=0.0, level_mm=310.0,
        hydrogen_LEL=4.0, earth_ohm_per_V=900.0, heard=False, currents_A=(15.0, -2.0), hots_C=(31.0, 32.0),
        volts_per_cell=(2.0, None), contactors=(True, False), record_left_ms=77, overdue=("hydrogen",),
        waters_C=(27.0, 23.0), probe_parts=(False, False), any_read=True, record_age_ms=41, record_space_h=5.5,
        record_space_unknown=True,
    )  # fmt: skip
    assert list(asdict(found)) == [field.name for field in fields(BathFacts)]


OPTIONAL = {
    "hood_closed": "hood_closed", "flow_L_min": "flow_L_min", "level": "level", "level_mm": "level_mm",
    "hydrogen_percent_LEL": "hydrogen_LEL", "earth_ohm_per_V": "earth_ohm_per_V", "heard_button": "heard",
}  # fmt: skip


@pytest.mark.parametrize("name", OPTIONAL)
def test_an_input_that_the_bath_does_not_have_is_told_from_one_that_is_lost(kit, name):
    """Both read as nothing; only the lost one is there."""
    absent, lost = facts(kit, **{name: None}), facts(kit, **{name: LOST})
    assert getattr(absent, OPTIONAL[name]) is None
    assert getattr(lost, OPTIONAL[name]) is None
    assert (name in absent.has, name in lost.has) == (False, True)
    assert not absent.stale
    assert lost.stale is (name == "hood_closed")


@pytest.mark.parametrize("name", ["airflow", "emergency_stop_ok"])
def test_air_and_emergency_stop_are_always_there(kit, name):
    """Unread they make the inputs stale."""
    assert facts(kit, **{name: LOST}).stale
    assert not facts(kit, **{name: Value(0.0)}).stale


def test_fresh_means_that_the_air_was_read_in_this_cycle(kit):
    """A millisecond old is another cycle's."""
    assert not facts(kit, airflow=Value(1.0, age_ms=1)).fresh
    assert not facts(kit, airflow=LOST).fresh


@pytest.mark.parametrize(("now_ms", "gap"), [(0, False), (3_000, False), (3_001, True), (-1, True)])
def test_a_gap_is_longer_than_the_stale_time_or_backwards(kit, now_ms, gap):
    """The last cycle was at 0."""
    assert facts(kit, now_ms=now_ms).gap is gap


@pytest.mark.parametrize(("bits", "expected"), [
    (Value(0.0), (False, False)), (Value(1.0), (True, False)), (Value(2.0), (False, True)), (Value(3.0), (True, True)),
    (Value(4.0), (False, False)), (Value(2.0**48), (False, False)), (Value(2.0**64), (None, None)),
    (Value(-1.0), (None, None)), (LOST, (None, None)), (None, (None, None)),
])  # fmt: skip
def test_contactors_are_bits_in_the_circuits_order(kit, bits, expected):
    """Bit 0 is the first circuit's; no bit is made of a number that cannot be one."""
    assert facts(kit, contactors=bits).contactors == expected


def test_water_sensors_are_remembered_one_by_one_and_nothing_new_is_the_same_bath(kit):
    """Two readings of a hotter value are believed; the same ones again change nothing."""
    state = bath(kit, water=())
    for index, celsius in enumerate((25.0, 28.0, 28.0, 28.0, 28.0)):
        before, values = state, (Value(celsius), Value(20.0))
        state = bathfacts.with_water(kit.settings(), state, values, index * 1_000)
    assert [one.believed_C for one in state.water] == [28.0, 20.0]
    assert state is before


SPOILT = [
    {"hood_closed": False}, {"stale": True}, {"airflow": False}, {"airflow": None}, {"emergency_stop_ok": False},
    {"emergency_stop_ok": None},
]  # fmt: skip


@pytest.mark.parametrize("spoilt", SPOILT)
def test_the_purges_clock_stands_while_anything_is_not_proved(kit, spoilt):
    """And begins where all of it is; an unread hood is no open one where there is no contact."""
    state = bath(kit, air_since_ms=500)
    assert bathfacts.timed(state, kit.bath_facts(now_ms=2_000, **spoilt)).air_since_ms is None
    assert bathfacts.timed(state, kit.bath_facts(now_ms=2_000)).air_since_ms == 500
    assert bathfacts.timed(state, kit.bath_facts(now_ms=2_000, hood_closed=None)).air_since_ms == 500
    assert bathfacts.timed(state, kit.bath_facts(now_ms=2_000, gap=True)).air_since_ms == 2_000
    assert bathfacts.timed(replace(state, air_since_ms=None), kit.bath_facts(now_ms=2_000)).air_since_ms == 2_000


@pytest.mark.parametrize(("currents_A", "flows"), [
    ((0.0, None), False), ((0.29, -0.29), False), ((0.0, 0.3), True), ((-0.3, 0.0), True), ((None, 15.0), True),
    ((0.31, 0.0), True), ((-15.0, None), True), ((), False),
])  # fmt: skip
def test_the_moment_of_the_last_current_moves_with_any_circuits_current(kit, currents_A, flows):
    """From 0.3 A on, in either direction; and where neither clock moved the bath is the same."""
    state = bath(kit, air_since_ms=500, current_ms=700)
    new = bathfacts.timed(state, kit.bath_facts(now_ms=2_000, currents_A=currents_A))
    assert new.current_ms == (2_000 if flows else 700)
    assert (new is state) is not flows


@pytest.mark.parametrize(("current_ms", "hots_C", "expected"), [
    (None, (60.0,), False), (0, (), True), (1_001, (30.0,), True), (1_000, (30.0,), False),
    (1_000, (40.0, None), False),
    (1_000, (None, 40.1), True), (1_000, (40.1, 30.0), True), (1_000, (None, None), False),
])  # fmt: skip
def test_the_after_run_lasts_by_time_or_by_warmth(kit, current_ms, hots_C, expected):
    """An hour after the last current, and above 40 C for longer; without any current there is none."""
    state = bath(kit, current_ms=current_ms)
    now_ms = 3_601_000 if current_ms else 3_599_999
    found = kit.bath_facts(now_ms=now_ms, hots_C=hots_C)
    assert bathfacts.after_run(kit.settings(), state, found) is expected


@pytest.mark.parametrize(("air_ms", "now_ms", "left_ms"), [
    (None, 9_000, 3_000), (9_000, 9_000, 3_000), (9_000, 11_500, 500), (9_000, 12_000, 0), (9_000, 99_000, 0),
])  # fmt: skip
def test_what_is_left_of_the_purge(kit, air_ms, now_ms, left_ms):
    """Three seconds here; all of it while no air is proved, never less than nothing."""
    assert bathfacts.purge_left_ms(kit.settings(), bath(kit, air_since_ms=air_ms), now_ms) == left_ms


@pytest.mark.parametrize(("water_C", "hots_C", "expected"), [
    (25.0, (None, 31.0, 33.0, 28.0), (31.0, None, None, None)),
    (25.0, (None, 31.0, 33.0), (33.0, None, None)),
    (25.0, (31.0, None, None, 30.0, 39.0, 28.0), (None, 31.0, 31.0, None, None, None)),
    (25.0, (24.0, None), (None, 25.0)),
    (25.0, (None, None), (25.0, 25.0)),
    (25.0, (31.0, 33.0), (None, None)),
    (None, (31.0, None), (None, None)),
    (25.0, (), ()),
])  # fmt: skip
def test_a_lost_probes_stand_in_is_the_water_and_the_sisters_median_rise(kit, water_C, hots_C, expected):
    """Never colder than the water; of an even number the warmer of the two in the middle."""
    assert bathfacts.stand_ins(kit.bath_facts(water_C=water_C, hots_C=hots_C)) == expected


@pytest.mark.parametrize(("moved_K", "expected"), [
    ((), None), ((2.0,), 2.0), ((1.0, 3.0), 1.0), ((5.0, 1.0, 3.0), 3.0), ((None, 0.0, 2.0), 2.0), ((None, 0.0), None),
    ((4.0, 1.0, 2.0, 3.0), 2.0),
])  # fmt: skip
def test_sisters_move_by_their_median(kit, moved_K, expected):
    """One that did not move, and one not known, is no witness; nor is a circuit that does not run."""
    circuits = tuple(kit.state(moved_K=moved) for moved in moved_K)
    held = kit.state(State.HELD, moved_K=9.0)
    assert bathfacts.sisters_K(BathState((*circuits, held))) == expected
