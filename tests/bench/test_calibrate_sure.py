"""How well a fit is known: standard errors against what many fits of straight lines really scatter."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.bench.calibratesure import alike, sureness

ODD = 3.0
COUNT = 300
SLOPES = np.column_stack([np.ones(COUNT), np.linspace(-1.0, 1.0, COUNT) ** 3]) * 2.0


def scatter(random, kept, *shape):
    """Scatter of size 1 of which each point keeps a share of the last; series lie along the first axis."""
    found = random.standard_normal(shape or COUNT)
    for at in range(1, len(found)):
        found[at] = kept * found[at - 1] + np.sqrt(1.0 - kept * kept) * found[at]
    return found


@pytest.mark.parametrize("kept", [0.0, 0.6, 0.85])
def test_a_series_is_as_long_alike_as_it_was_made(kept):
    """Where each point keeps a share of the last, the length is (1 + r)/(1 - r); independent points count alone."""
    random = np.random.default_rng(5)
    found = np.mean([alike(one) for one in scatter(random, kept, 3000, 40).T])
    assert found == pytest.approx((1.0 + kept) / (1.0 - kept), rel=0.1)


def test_few_points_and_silent_ones_count_alone():
    """Nothing can be said of the likeness of a handful, and a series without any scatter has none."""
    assert alike(np.arange(19.0)) == 1.0
    assert alike(np.zeros(100)) == 1.0
    assert alike(np.tile([1.0, -1.0], 50)) == 1.0


@pytest.mark.parametrize("kept", [0.0, 0.8])
@pytest.mark.parametrize("size", [1.0, 2.5])
def test_the_standard_error_is_what_fits_scatter_by(kept, size):
    """Straight fits to 300 scatters of known size and likeness: 95 of 100 true values lie within 1.96 errors."""
    slopes = np.repeat(SLOPES, 4, axis=0)
    all_ = size * scatter(np.random.default_rng(3), kept, 4 * COUNT, 300)
    found = np.linalg.lstsq(slopes, -all_, rcond=None)[0].T
    left = all_ + slopes @ found.T
    errors = np.array([sureness(one, slopes, [4 * COUNT], 1e9).error for one in left.T])
    assert np.mean(np.abs(found) < 1.96 * errors, axis=0) == pytest.approx([0.95, 0.95], abs=0.03)
    assert np.mean(errors, axis=0) == pytest.approx(np.std(found, axis=0), rel=0.12)


def test_an_offset_is_alike_all_along():
    """A series that stays on one side is one long likeness, not many points that agree."""
    assert alike(np.ones(200)) > 80.0


def test_what_the_fit_took_up_is_put_back():
    """A fit flattens a series: without putting that back, its likeness and so the errors would look too small."""
    random = np.random.default_rng(6)
    series = scatter(random, 0.8, 300, 200)
    flat = series - SLOPES @ np.linalg.lstsq(SLOPES, series, rcond=None)[0]
    assert np.mean([alike(one) for one in flat.T]) < 8.0
    assert np.mean([alike(one, 2.0) for one in flat.T]) == pytest.approx(9.0, rel=0.15)


def test_correlation_has_its_sign_and_each_point_its_pull():
    """Two slopes that run together are told apart badly and against each other; a constant shift moves by its share."""
    left = scatter(np.random.default_rng(1), 0.0)
    twin = SLOPES[:, 0] + 0.1 * SLOPES[:, 1]
    sure = sureness(left, np.column_stack([SLOPES[:, 0], twin]), [COUNT], 1e9)
    assert sure.correlation[0, 1] < -0.99
    alone = sureness(left, SLOPES[:, :1], [COUNT], 1e9)
    assert alone.correlation == pytest.approx(np.ones((1, 1)))
    assert alone.moved.sum() == pytest.approx(-0.5)
    assert alone.error == pytest.approx(0.5 / np.sqrt(COUNT), rel=0.1)


def test_nothing_known_is_said_to_be_unknown():
    """A parameter without any slope has an endless standard error, and spoils no other."""
    left = scatter(np.random.default_rng(1), 0.0)
    sure = sureness(left, np.column_stack([SLOPES[:, 0], np.zeros(COUNT)]), [COUNT], ODD)
    assert np.isinf(sure.error[1])
    assert sure.error[0] == pytest.approx(0.5 / np.sqrt(COUNT), rel=0.1)
    assert sure.correlation[0, 1] == 0.0


def test_few_points_are_believed_no_better_than_their_instrument():
    """Three densities that agree by chance keep their weight; many points that agree have earned a smaller error."""
    few, many = np.full(3, 0.01), 0.6 * scatter(np.random.default_rng(2), 0.0)
    assert sureness(few, np.ones((3, 1)), [3], ODD).error[0] >= 1.0 / np.sqrt(3.0)
    assert sureness(many, np.ones((COUNT, 1)), [COUNT], 1e9).error[0] == pytest.approx(0.6 / np.sqrt(COUNT), rel=0.12)


def test_odd_points_pull_less():
    """One point a hundred weights off moves an error little, where its weight is bounded; unbounded it rules it."""
    left = scatter(np.random.default_rng(4), 0.0)
    left[150] = 100.0
    bounded = sureness(left, SLOPES, [COUNT], ODD).error[0]
    free = sureness(left, SLOPES, [COUNT], 1e9).error[0]
    assert bounded < 1.3 * 0.5 / np.sqrt(COUNT)
    assert free > 4.0 * bounded
