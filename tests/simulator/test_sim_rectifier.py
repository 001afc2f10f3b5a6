"""Rectifier channels: how a current follows its set-point, what the watchdog does, what the device shows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.rectifier import Errors, Rectifiers, follow, no_errors, ratings_of


def channels(k=2, watchdog_s=5.0):
    return Rectifiers(ratings_of([60.0] * k, [360.0] * k, [watchdog_s] * k), no_errors(k))


def fine(now_A, target_A, seconds, dt_s=1e-4):
    """The same law in ten thousandths of a second."""
    charge = 0.0
    for _ in range(round(seconds / dt_s)):
        aim = 0.0 if now_A * target_A < 0 else target_A
        rate = (aim - now_A) / 0.3
        if abs(aim) > abs(now_A):
            rate = min(max(rate, -5.0), 5.0)
        charge += (now_A + 0.5 * rate * dt_s) * dt_s
        now_A += rate * dt_s
    return charge / seconds, now_A


@pytest.mark.parametrize(
    ("now_A", "target_A", "seconds"),
    [(0, 15, 0.2), (0, 15, 5), (0, 1, 0.3), (15, 0, 0.5), (12, 4.8, 2), (0, -6, 1), (-6, 0, 1)],
)
def test_current_follows_in_closed_form(now_A, target_A, seconds):
    """Mean and end agree with the law taken in tiny steps: ramp up, then lag; down by the lag alone."""
    mean, end = follow(np.array([float(now_A)]), np.array([float(target_A)]), seconds)
    expected = fine(float(now_A), float(target_A), seconds)
    assert mean[0] == pytest.approx(expected[0], abs=2e-3)
    assert end[0] == pytest.approx(expected[1], abs=2e-3)


@given(st.floats(-12, 60), st.floats(-12, 60), st.floats(0.2, 15))
def test_current_never_passes_its_target(now_A, target_A, seconds):
    """No overshoot, mean between begin and end, and a step in two halves is the step in one."""
    now, target = np.array([now_A]), np.array([target_A])
    mean, end = follow(now, target, seconds)
    low, high = min(now_A, target_A, 0.0), max(now_A, target_A, 0.0)
    assert low - 1e-9 <= end[0] <= high + 1e-9
    assert low - 1e-9 <= mean[0] <= high + 1e-9
    if now_A * target_A >= 0:
        first, half = follow(now, target, seconds / 2)
        second, twice = follow(half, target, seconds / 2)
        assert twice[0] == pytest.approx(end[0], abs=2e-4)
        assert 0.5 * (first[0] + second[0]) == pytest.approx(mean[0], abs=2e-4)


def test_falls_are_fast():
    """Two seconds after zero was ordered at full current less than a tenth of an ampere is left."""
    _, end = follow(np.array([60.0]), np.array([0.0]), 2.0)
    assert abs(end[0]) < 0.1


def test_set_points_are_held_to_the_rating():
    """Beyond the rating counts the rating, unreadable numbers count as zero, steps are those of the device."""
    r = channels()
    r.order(0, {"set_current_A": 99.0, "set_voltage_V": 999.0, "output_on": 1})
    assert (r.set_current_A[0], r.set_voltage_V[0], r.output_on[0]) == (60.0, 360.0, 1.0)
    r.order(0, {"set_current_A": float("nan"), "set_voltage_V": float("inf"), "output_on": float("nan")})
    assert (r.set_current_A[0], r.set_voltage_V[0], r.output_on[0]) == (0.0, 0.0, 0.0)
    r.order(1, {"set_current_A": -50.0, "set_voltage_V": 300.04})
    assert (r.set_current_A[1], r.set_voltage_V[1]) == pytest.approx((-12.0, 300.0))
    with pytest.raises(ValueError, match="takes no voltage_V"):
        r.order(0, {"voltage_V": 1.0})


def test_watchdog_takes_the_output_off():
    """Without a write for the watchdog's time set-point and output go to zero; the other channel goes on."""
    r = channels()
    for k in range(2):
        r.order(k, {"set_current_A": 10.0, "set_voltage_V": 300.0, "output_on": 1})
    assert r.expire() == pytest.approx(5.0)
    r.took(r.targets_A(), r.targets_A(), 4.0)
    r.order(1, {"set_current_A": 10.0})
    assert r.expire() == pytest.approx(1.0)
    r.took(r.targets_A(), r.targets_A(), 1.0)
    assert r.expire() == pytest.approx(4.0)
    assert r.targets_A() == pytest.approx([0.0, 10.0])
    assert (r.set_current_A[0], r.output_on[0]) == (0.0, 0.0)
    r.order(0, {"set_current_A": 0.0})
    assert r.targets_A()[0] == 0.0


def test_measuring_errors():
    """True = shown x gain + offset: the shown current meets the set-point, the counter counts with its own error."""
    k = 1
    r = Rectifiers(
        ratings_of([60.0], [360.0], [5.0]),
        Errors(gain=np.array([1.01]), offset_A=np.array([0.25]), voltage_V=np.array([-0.4]), counter=np.array([1.002])),
    )
    r.order(0, {"set_current_A": 10.0, "set_voltage_V": 300.0, "output_on": 1})
    true = r.targets_A()
    assert true[0] == pytest.approx(10.35)
    assert r.limits_V()[0] == pytest.approx(300.4)
    r.took(true, true, 3600.0)
    assert r.shown_A()[0] == pytest.approx(10.0)
    assert r.counter_Ah[0] == pytest.approx(10.02)
    assert k == len(r.current_A)
