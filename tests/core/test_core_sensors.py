"""What a temperature sensor is believed to show: spikes, silence, and one that stands still."""

from __future__ import annotations

import pytest

from controller.core import sensors
from controller.core.state import ProbeMemory, TrailPoint
from controller.core.types import LOST, Quality, Value

MINUTE_MS = 60_000
STALE_MS = 3_000


def believed(*readings):
    """What one sensor is believed to show after each reading, a second apart; None: no value."""
    memory, seen = (), []
    for index, reading in enumerate(readings):
        value = LOST if reading is None else Value(reading)
        memory = sensors.sensed(memory, (value,), STALE_MS, index * 1_000)
        seen.append(memory[0].believed_C)
    return seen


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ((30.0, 85.0, 30.0), [30.0, 30.0, 30.0]),
        ((30.0, 85.0, 85.0), [30.0, 30.0, 85.0]),
        ((30.0, 40.0, 35.0), [30.0, 30.0, 35.0]),
        ((30.0, 31.0, 40.0), [30.0, 30.0, 31.0]),
        ((30.0, 30.0, 30.0, 20.0, 20.0, 20.0), [30.0, 30.0, 30.0, 30.0, 30.0, 20.0]),
        ((30.0, 30.0, 30.0, 20.0, 21.0, 19.0), [30.0, 30.0, 30.0, 30.0, 30.0, 21.0]),
        ((30.0, 30.0, 20.0, 20.0, 30.0), [30.0] * 5),
        ((30.0, 20.0), [30.0, 30.0]),
        ((40.0,), [40.0]),
        ((None, 40.0), [None, 40.0]),
    ],
)
def test_two_readings_count_towards_danger_and_three_towards_ease(readings, expected):
    """One spike moves nothing; the first reading of all is taken; the least of two rising, the highest of three."""
    assert believed(*readings) == expected


def test_silence_is_no_reading_and_keeps_what_was_believed_only_for_judging():
    """After a silence a higher value still needs its second reading."""
    assert believed(30.0, None, None, 57.0, 57.0) == [30.0, 30.0, 30.0, 30.0, 57.0]
    memory = sensors.sensed((), (Value(30.0),), STALE_MS, 0)
    assert sensors.hottest_C(memory, (LOST,), STALE_MS) is None


def test_an_old_reading_is_not_read_twice():
    """A value of another cycle (its age above zero) counts no second time."""
    memory = sensors.sensed((), (Value(30.0),), STALE_MS, 0)
    memory = sensors.sensed(memory, (Value(57.0),), STALE_MS, 1_000)
    again = sensors.sensed(memory, (Value(57.0, Quality.GOOD, 1),), STALE_MS, 2_000)
    assert again is memory
    assert sensors.sensed(memory, (Value(57.0),), STALE_MS, 2_000)[0].believed_C == 57.0


def test_a_steady_sensor_costs_no_new_memory():
    """The very same object once three readings agree; another number of sensors begins anew."""
    memory = ()
    for at in range(4):
        memory = sensors.sensed(memory, (Value(30.0), Value(31.0)), STALE_MS, at * 1_000)
    assert sensors.sensed(memory, (Value(30.0), Value(31.0)), STALE_MS, 9_000) is memory
    assert sensors.sensed(memory, (Value(33.0),), STALE_MS, 9_000)[0].believed_C == 33.0


def test_standing_still_counts_from_the_first_of_the_same_readings_and_not_through_silence():
    """`still_ms`: when the number last changed, or came back."""
    memory = ()
    for at_ms, value in ((0, 30.0), (1_000, 30.1), (2_000, 30.1), (3_000, 30.1), (4_000, 30.1)):
        memory = sensors.sensed(memory, (Value(value),), STALE_MS, at_ms)
    assert memory[0].still_ms == 1_000
    silent = sensors.sensed(memory, (LOST,), STALE_MS, 5_000)
    assert silent[0].still_ms is None
    assert sensors.sensed(silent, (LOST,), STALE_MS, 6_000) is silent
    assert sensors.sensed(silent, (Value(30.1),), STALE_MS, 7_000)[0].still_ms == 7_000


def test_the_hottest_valid_probe_counts():
    """Of two that differ the higher; a lost, an old and a frozen one say nothing."""
    memory = (ProbeMemory(30.0), ProbeMemory(34.0))
    good = (Value(30.0), Value(34.0))
    assert sensors.hottest_C(memory, good, STALE_MS) == 34.0
    assert sensors.hottest_C(tuple(reversed(memory)), tuple(reversed(good)), STALE_MS) == 34.0
    assert sensors.hottest_C(memory, (good[0], LOST), STALE_MS) == 30.0
    assert sensors.hottest_C(memory, (LOST, good[1]), STALE_MS) == 34.0
    assert sensors.hottest_C(memory, (good[0], Value(34.0, Quality.GOOD, 3_001)), STALE_MS) == 30.0
    assert sensors.hottest_C((memory[0], ProbeMemory(34.0, frozen=True)), good, STALE_MS) == 30.0
    assert sensors.hottest_C((ProbeMemory(),), (Value(30.0),), STALE_MS) is None
    assert sensors.hottest_C((), (), STALE_MS) is None


def test_each_sensor_has_its_value_or_none():
    """In the order of the map; lost and frozen ones are None."""
    memory = (ProbeMemory(30.0), ProbeMemory(34.0), ProbeMemory(36.0, frozen=True))
    assert sensors.each_C(memory, (Value(30.0), LOST, Value(36.0)), STALE_MS) == (30.0, None, None)


def test_the_raw_reading_is_the_hottest_of_this_cycle():
    """Whoever gives current back looks at it before the filter believes it."""
    values = (Value(30.0), Value(57.0), Value(99.0, Quality.OUT_OF_RANGE), Value(70.0, Quality.GOOD, 3_001))
    assert sensors.seen_C(values, STALE_MS) == 57.0
    assert sensors.seen_C(tuple(reversed(values)), STALE_MS) == 57.0
    assert sensors.seen_C((LOST,), STALE_MS) is None


NOW_MS = 60 * MINUTE_MS
STILL = ProbeMemory(34.0, (34.0,) * 3, NOW_MS - 30 * MINUTE_MS)


def trail(*currents_A, every_min=2):
    """Points two minutes apart, the last one now."""
    first_ms = NOW_MS - (len(currents_A) - 1) * every_min * MINUTE_MS
    return tuple(
        TrailPoint(first_ms + at * every_min * MINUTE_MS, current, 2.3, 34.0, 25.0)
        for at, current in enumerate(currents_A)
    )


FLOWED = trail(*[6.0] * 16)


def is_frozen(one=STILL, points=FLOWED, sisters_K=2.0, now_ms=NOW_MS):
    return sensors.watched((one,), points, sisters_K, 4.8, 30 * MINUTE_MS, now_ms)[0].frozen


@pytest.mark.parametrize(("sisters_K", "expected"), [(1.5, True), (1.49, False), (None, False)])
def test_a_probe_is_frozen_where_its_neighbours_moved(sisters_K, expected):
    """30 min the same to the bit under current while the others moved by 1.5 K."""
    assert is_frozen(sisters_K=sisters_K) is expected


def test_a_probe_is_frozen_from_its_time_on():
    """30 min, not a moment less; without a reading yet it is not."""
    assert not is_frozen(ProbeMemory(34.0, (34.0,) * 3, NOW_MS - 30 * MINUTE_MS + 1))
    assert not is_frozen(ProbeMemory())
    assert sensors.watched((STILL,), FLOWED, 2.0, 4.8, 40 * MINUTE_MS, NOW_MS) == (STILL,)


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        (trail(*[0.0] * 5, *[6.0] * 6), True),
        (trail(*[0.29] * 5, *[4.8] * 6), True),
        (trail(*[-0.29] * 5, *[-4.8] * 6), True),
        (trail(*[0.0] * 5, *[6.0] * 5), False),
        (trail(*[0.3] * 5, *[6.0] * 6), False),
        (trail(*[-0.3] * 5, *[6.0] * 6), False),
        (trail(*[None] * 5, *[6.0] * 6), False),
        (trail(*[0.0] * 5, *[6.0] * 5, None), False),
        (trail(*[0.0] * 5, *[4.7] * 6), False),
        (trail(*[6.0] * 16), False),
        (trail(*[-6.0] * 16), False),
        (trail(*[0.0] * 12, *[6.0] * 4), False),
        (trail(0.0, 6.0, 6.0, 6.0, every_min=4), True),
        (trail(*[0.0] * 16), False),
        ((), False),
    ],
)
def test_a_probe_is_frozen_where_its_own_current_came_and_it_did_not_follow(points, expected):
    """A moment of zero within the half hour, then ten minutes of at least 0.08 C20; unknown current proves nothing."""
    assert is_frozen(points=points, sisters_K=None) is expected


def test_a_moment_of_zero_before_it_stood_still_says_nothing():
    """It may have moved since."""
    points = trail(0.0, *[6.0] * 16)
    assert not is_frozen(points=points, sisters_K=None)
    assert is_frozen(ProbeMemory(34.0, (34.0,) * 3, points[0].at_ms), points, None)


def test_neighbours_do_not_count_before_current_has_flowed_for_ten_minutes():
    """A string that rested in still water may stand still while others warm; a trail too short tells nothing."""
    assert not is_frozen(points=trail(*[0.0] * 12, *[6.0] * 5))
    assert not is_frozen(points=trail(*[6.0] * 5))
    assert is_frozen(points=trail(*[6.0] * 6))


def test_a_frozen_probe_stays_so_through_silence_until_its_number_changes():
    """The same number again is no proof of life; another one is, and its half hour begins anew."""
    memory = sensors.watched((STILL,), FLOWED, 2.0, 4.8, 30 * MINUTE_MS, NOW_MS)
    memory = sensors.sensed(memory, (LOST,), STALE_MS, NOW_MS + 1_000)
    memory = sensors.sensed(memory, (Value(34.0),), STALE_MS, NOW_MS + 2_000)
    assert memory[0].frozen
    memory = sensors.sensed(memory, (Value(34.1),), STALE_MS, NOW_MS + 3_000)
    assert not memory[0].frozen
    assert memory[0].still_ms == NOW_MS + 3_000


def test_of_two_probes_only_the_one_that_stands_still_is_frozen():
    """The other one's memory stays as it is."""
    moving = ProbeMemory(36.0, (36.0,) * 3, NOW_MS - MINUTE_MS)
    found = sensors.watched((moving, STILL), FLOWED, 2.0, 4.8, 30 * MINUTE_MS, NOW_MS)
    assert found[0] is moving
    assert found[1].frozen
    assert sensors.watched(found, FLOWED, 2.0, 4.8, 30 * MINUTE_MS, NOW_MS) is found
