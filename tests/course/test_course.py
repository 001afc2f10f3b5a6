"""The expected course by itself: the point where a string stands, late, bands, sisters, the knee."""

from __future__ import annotations

import pytest
from coursekit import small_release

from controller.course import (
    Spread,
    beyond,
    expected_of,
    knee_V,
    late_minutes,
    lengths_ms,
    median,
    position,
    sisters,
    spread_at,
)
from controller.courseseen import charge_at
from profiles.release import Band


@pytest.fixture
def expected():
    return expected_of(small_release())


def test_a_course_is_added_up_from_its_steps(expected):
    """Each step begins where the one before ended, in hours and Ah; a rest moves no charge; the end is the last one."""
    assert dict(expected.begins_h) == {1: 0.0, 2: 4.0, 3: 4.5}
    assert dict(expected.before_Ah) == {1: 0.0, 2: 60.0, 3: 60.0}
    assert (expected.total_h, expected.total_Ah) == (8.5, 100.0)
    assert lengths_ms(expected) == {1: 14_400_000, 2: 1_800_000, 3: 14_400_000}


@pytest.mark.parametrize(
    ("step", "moved_Ah", "minutes", "elapsed_h", "charge_Ah"),
    [(1, 0.0, 0.0, 0.0, 0.0), (1, 30.0, 999.0, 2.0, 30.0), (1, 75.0, 0.0, 4.0, 60.0), (1, -1.0, 0.0, 0.0, 0.0),
     (2, 999.0, 15.0, 4.25, 60.0), (3, 10.0, 0.0, 5.5, 70.0), (3, 40.0, 0.0, 8.5, 100.0)],
)  # fmt: skip
def test_the_point_is_found_by_what_the_step_has_done(expected, step, moved_Ah, minutes, elapsed_h, charge_Ah):
    """Charge finds the point of a charge step, minutes that of a rest; past its end a step stays at its end."""
    point = position(expected, step, moved_Ah, minutes)
    assert point is not None
    assert (point.elapsed_h, point.charge_Ah) == pytest.approx((elapsed_h, charge_Ah))
    assert point.percent == pytest.approx(100.0 * elapsed_h / 8.5)


def test_values_of_a_point_lie_between_its_neighbours(expected):
    """The three quantiles are read off between grid points; a step that the course does not have has no point."""
    point = position(expected, 1, 45.0, 0.0)
    assert point is not None
    assert (point.volts.low, point.volts.middle, point.volts.high) == pytest.approx((2.14, 2.15, 2.17))
    assert point.current_A.middle == 15.0
    assert position(expected, 4, 0.0, 0.0) is None


def test_what_was_not_measured_has_no_range():
    """Between two points of which one is None nothing is said; beside them it is."""
    band = Band(low=(1.0, None, 3.0, 4.0), middle=(1.0, None, 3.0, 4.0), high=(1.0, None, 3.0, 4.0))
    grid = (0.0, 1.0, 2.0, 3.0)
    assert spread_at(band, grid, 0.5) is None
    assert spread_at(band, grid, 1.5) is None
    assert spread_at(band, grid, 2.5) == Spread(3.5, 3.5, 3.5)
    assert spread_at(band, grid, 9.0) == Spread(10.0, 10.0, 10.0)


def test_late_is_elapsed_time_less_course_time(expected):
    """Late counts from first current, early is negative, and a follow-on run begins where its first step does."""
    point = position(expected, 3, 10.0, 0.0)
    assert late_minutes(expected, point, 6 * 3_600_000) == pytest.approx(30.0)
    assert late_minutes(expected, point, 5 * 3_600_000) == pytest.approx(-30.0)
    assert late_minutes(expected, point, 3_600_000, first_step=3) == pytest.approx(0.0)


def test_charge_by_the_clock(expected):
    """What the course has moved at an hour: between points, flat in the rest, all of it after its end."""
    assert [charge_at(expected, hours) for hours in (0.0, 2.0, 4.2, 5.5, 99.0)] == pytest.approx(
        [0.0, 30.0, 60.0, 70.0, 100.0]
    )


def test_beyond_a_range():
    """Inside is 0.0, above is positive, below negative."""
    three = Spread(2.0, 2.1, 2.3)
    assert [round(beyond(value, three), 9) for value in (2.0, 2.3, 2.4, 1.5)] == [0.0, 0.0, 0.1, -0.5]


def test_sisters_need_three():
    """Two circuits judge nobody; three give least, median and most; an even number the mean of the middle two."""
    assert sisters([1.0, 2.0]) is None
    assert sisters([3.0, 1.0, 2.0]) == Spread(1.0, 2.0, 3.0)
    assert median([4.0, 1.0, 2.0, 3.0]) == 2.5


def test_the_knee_is_where_corrected_volts_pass_its_level(expected):
    """5.5 mV a kelvin and cell to 40 C; volts high at the very beginning are no knee."""
    assert knee_V(2.40, 30.0) == pytest.approx(2.345)
    assert expected.knee_Ah == pytest.approx(60.0 + 10.0 * (2.40 - 2.30) / (2.50 - 2.30))
    flat = small_release(second=(2.2, 2.2, 2.2, 2.2, 2.2), first=(2.6, 2.1, 2.12, 2.15, 2.2))
    assert expected_of(flat).knee_Ah is None
